// The plan view that pans and zooms: drag, wheel, two fingers, buttons or keys. At the whole view a finger scrolls the
// page; zoomed in, it moves the map. Letters and marks keep their size on the screen; ellipses keep the ground's scale.
export default {
  template: `
    <div class="plan-frame">
      <div class="plan-buttons">
        <button type="button" aria-label="Closer" @click="step(0.6)">+</button>
        <button type="button" aria-label="Farther" @click="step(1 / 0.6)">−</button>
        <button type="button" @click="whole()">whole site</button>
      </div>
      <div class="plan-box" ref="box" tabindex="0" role="application" aria-label="Map of the site"
           @wheel="wheel" @pointerdown="down" @pointermove="move" @pointerup="up" @pointercancel="up" @keydown="key">
        <div class="plan-art" ref="art" v-html="svg"></div>
      </div>
    </div>`,
  props: { svg: String },
  mounted() {
    this.fingers = new Map();
    this.start();
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.$refs.box);
  },
  beforeUnmount() {
    this.watcher.disconnect();
  },
  updated() {
    this.start();
  },
  methods: {
    start() {
      const art = this.$refs.art.querySelector("svg");
      if (art === this.art) return;
      this.art = art;
      const b = art.viewBox.baseVal;
      this.all = { x: b.x, y: b.y, w: b.width, h: b.height };
      this.$refs.box.style.aspectRatio = `${b.width} / ${b.height}`;
      this.weeds = [...art.querySelectorAll("g.weed")].map((g) => {
        const m = g.transform.baseVal.getItem(0).matrix;
        return { g, x: m.e, y: m.f };
      });
      this.whole();
    },
    perPixel() {
      const r = this.$refs.box.getBoundingClientRect();
      return Math.max(this.view.w / r.width, this.view.h / r.height);
    },
    draw() {
      const v = this.view;
      this.art.setAttribute("viewBox", `${v.x} ${v.y} ${v.w} ${v.h}`);
      const u = this.perPixel();
      const narrow = this.$refs.box.clientWidth < 600;
      this.art.style.setProperty("--u", (u * (narrow ? 0.68 : 0.8)).toFixed(4));
      this.art.style.setProperty("--s", (u * (narrow ? 0.5 : 0.85)).toFixed(4));
      this.$refs.box.classList.toggle("far", u > 2);
      this.zoomed = v.w < this.all.w * 0.999;
      this.$refs.box.style.touchAction = this.zoomed ? "none" : "pan-y";
    },
    whole() {
      this.view = { ...this.all };
      this.draw();
    },
    at(event) {
      const r = this.$refs.box.getBoundingClientRect();
      const u = this.perPixel();
      const v = this.view;
      return {
        x: v.x + v.w / 2 + (event.clientX - r.left - r.width / 2) * u,
        y: v.y + v.h / 2 + (event.clientY - r.top - r.height / 2) * u,
      };
    },
    zoom(factor, p) {
      const w = Math.min(Math.max(this.view.w * factor, 40), this.all.w);
      const f = w / this.view.w;
      const v = this.view;
      this.view = { x: p.x - (p.x - v.x) * f, y: p.y - (p.y - v.y) * f, w, h: v.h * f };
      this.keepInside();
    },
    keepInside() {
      const v = this.view, a = this.all;
      v.x = Math.min(Math.max(v.x, a.x), a.x + a.w - v.w);
      v.y = Math.min(Math.max(v.y, a.y), a.y + a.h - v.h);
      this.draw();
    },
    step(factor) {
      this.zoom(factor, { x: this.view.x + this.view.w / 2, y: this.view.y + this.view.h / 2 });
    },
    wheel(event) {
      if (event.deltaY > 0 && !this.zoomed) return; // nothing farther: let the page scroll
      event.preventDefault();
      this.zoom(Math.exp(event.deltaY * 0.0015), this.at(event));
    },
    down(event) {
      this.fingers.set(event.pointerId, event);
      this.moved = 0;
      if (this.zoomed) this.$refs.box.setPointerCapture(event.pointerId);
    },
    move(event) {
      const before = this.fingers.get(event.pointerId);
      if (!before) return;
      this.moved += Math.abs(event.clientX - before.clientX) + Math.abs(event.clientY - before.clientY);
      const others = [...this.fingers.values()].filter((f) => f.pointerId !== event.pointerId);
      if (others.length === 1) {
        const far = (a, b) => Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
        const middle = { clientX: (event.clientX + others[0].clientX) / 2, clientY: (event.clientY + others[0].clientY) / 2 };
        this.zoom(far(before, others[0]) / Math.max(far(event, others[0]), 1), this.at(middle));
      } else if (!others.length && this.zoomed) {
        const u = this.perPixel();
        this.view.x -= (event.clientX - before.clientX) * u;
        this.view.y -= (event.clientY - before.clientY) * u;
        this.keepInside();
      }
      this.fingers.set(event.pointerId, event);
    },
    up(event) {
      const known = this.fingers.delete(event.pointerId);
      if (event.type !== "pointerup" || !known || this.moved > 8) return;
      const p = this.at(event);
      const reach = 22 * this.perPixel();
      let best = null;
      for (const weed of this.weeds) {
        const d = Math.hypot(weed.x - p.x, weed.y - p.y);
        if (d < reach && (!best || d < best.d)) best = { d, weed };
      }
      if (best) {
        this.choose(best.weed.g.dataset.weed, false);
        this.$emit("pick", best.weed.g.dataset.weed);
      }
    },
    key(event) {
      const d = this.view.w * 0.1;
      const moves = { ArrowLeft: [-d, 0], ArrowRight: [d, 0], ArrowUp: [0, -d], ArrowDown: [0, d] };
      if (event.key === "+" || event.key === "=") this.step(0.6);
      else if (event.key === "-") this.step(1 / 0.6);
      else if (event.key === "0") this.whole();
      else if (moves[event.key] && this.zoomed) {
        this.view.x += moves[event.key][0];
        this.view.y += moves[event.key][1];
        this.keepInside();
      } else return;
      event.preventDefault();
    },
    choose(id, centre) {
      for (const weed of this.weeds) {
        const it = weed.g.dataset.weed === id;
        weed.g.classList.toggle("chosen", it);
        if (it) weed.g.parentNode.appendChild(weed.g);
        if (it && centre) {
          this.view = { ...this.all };
          this.zoom(0.3, weed);
          this.view.x = weed.x - this.view.w / 2;
          this.view.y = weed.y - this.view.h / 2;
          this.keepInside();
        }
      }
    },
  },
};

"""Splits by place: how much a random split flatters, and whether pictures of the same ground are found.

Ground is rendered from seeds of 1,000,000 and above. Its turf is laid from patches of one small photograph, half a
metre wide, each used many times: pictures of different ground then have patches in common that are the same to the
pixel, which real turf has not. That makes the false alarms here harder than life.
"""

from __future__ import annotations

import functools
import math
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.footprint import footprint
from swardwright.domain.frame import Label
from swardwright.domain.poses import Pose
from swardwright.frames.ground import shared_ground
from swardwright.labels.near_copies import look_of, near_copies
from swardwright.labels.splits import Seen, leaks, place_groups, split
from swardwright.shell.place_check import copies_among
from swardwright.simulation.ground import Light, labels_in_view, render_ground, render_view
from swardwright.simulation.plants import stand_of_plants
from swardwright.simulation.turf import TurfLook

#: 1,980,100 to 1,980,107 chose the limits of labels/near_copies.py
FIRST_SEED = 1_980_120
SIZE_M = (7.0, 6.0)
#: a near copy by definition shares at least this much of the smaller picture's ground
NEAR = 0.3
PHOTOS = Path(__file__).parents[2] / "shared" / "photos" / "images"


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    yield from _planted(8 if full else 2)
    yield from _photographs(full)
    if full:
        yield _cost()
    yield from _optimism(3 if full else 1)


def _figure(name: str, value: float, unit: str, bound: float | None, holds: bool | None = None) -> dict[str, Any]:
    return {"figure": f"teach, splits: {name}", "value": float(f"{value:.4g}"), "unit": unit, "bound": bound,
            "holds": holds}  # fmt: skip


def _camera(rng: np.random.Generator) -> Camera:
    focal, bend = float(rng.uniform(800, 1000)), float(rng.uniform(-0.16, 0.02))
    lens = np.array([bend, 0.45 * bend**2 + 0.01, 0.0, 0.0, 0.0])
    return Camera(1280, 960, focal, focal, 639.5, 479.5, lens, np.zeros((4, 4)))


def _down(rng: np.random.Generator, x: float, y: float, z: float, yaw: float) -> Pose:
    return Pose.from_rpy("ground", "camera", (x, y, z), (math.pi + rng.normal(0, 0.03), rng.normal(0, 0.03), yaw))


def _jpeg(image: Any, quality: int) -> Any:
    """Return the picture after compression."""
    _, data = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]


def _site(seed: int, views: int = 40) -> tuple[list[Any], np.ndarray[Any, Any]]:
    """Return what is kept of pictures of one ground, any turn, zoom 0.7 to 1.4 between two, and their shared ground.

    Sites of odd seeds have the same light in all pictures; of even ones light, colour, blur and noise change widely.
    """
    rng = np.random.default_rng([seed, 303])
    plants = stand_of_plants(rng, SIZE_M, int(rng.integers(10, 200)), clusters=rng.uniform(0, 0.8))
    ground = render_ground(rng, SIZE_M, (0.5, 0.5), plants, look=TurfLook.draw(rng))
    camera, common = _camera(rng), Light.draw(rng)
    looks: list[Any] = []
    outlines: list[Any] = []
    while len(looks) < views:
        x, y = rng.uniform((0.9, 0.9), (SIZE_M[0] - 0.9, SIZE_M[1] - 0.9))
        pose = _down(rng, x, y, rng.uniform(0.8, 1.12), rng.uniform(-math.pi, math.pi))
        outline = footprint(camera, pose)
        if outline is None or (outline < -0.45).any() or (outline > np.array(SIZE_M) + 0.45).any():
            continue
        picture = render_view(ground, camera, pose, rng, common if seed % 2 else Light.draw(rng, spread=2.5))
        looks.append(look_of(_jpeg(picture, int(rng.integers(40, 96)))))
        outlines.append(outline)
    shared = np.array([[shared_ground(a, b) for b in outlines] for a in outlines])
    return looks, shared


def _planted(sites: int) -> Iterator[dict[str, Any]]:
    rows = []
    for seed in range(FIRST_SEED, FIRST_SEED + sites):
        looks, shared = _site(seed)
        found = {
            (c.first, c.second) for c in near_copies({f"{i:03d}": look for i, look in enumerate(looks)}, threads=2)
        }
        rows += [
            (shared[i, j], (f"{i:03d}", f"{j:03d}") in found)
            for i in range(len(looks))
            for j in range(i + 1, len(looks))
        ]
    share, hit = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    near, none = hit[share >= NEAR], hit[share == 0]
    yield _figure(f"near copies found, of {len(near)} pairs with 30 % or more of their ground in common",
                  100 * near.mean(), "%", 99.0, bool(near.mean() >= 0.99))  # fmt: skip
    yield _figure(f"false alarms, of {len(none)} pairs of different ground of one site", 100 * none.mean(), "%", 1.0,
                  bool(none.mean() < 0.01))  # fmt: skip
    for low, high in ((0.2, 0.3), (0.1, 0.2), (0.0, 0.1)):
        some = hit[(share > low) & (share < high)]
        if len(some):
            yield _figure(f"named with {100 * low:.0f} to {100 * high:.0f} % in common, of {len(some)}",
                          100 * some.mean(), "%", None)  # fmt: skip


def _photographs(full: bool) -> Iterator[dict[str, Any]]:
    """Real photographs of soil: neighbours in time may overlap, others do not; and copies planted by cutting."""
    paths = sorted(PHOTOS.glob("*.jpg"))
    if not paths:
        return
    photos = {p.stem: np.asarray(cv2.imread(str(p))[..., ::-1]) for p in paths}
    found = near_copies({name: look_of(image) for name, image in photos.items()}, threads=2)
    order = {name: i for i, name in enumerate(sorted(photos))}
    far = sum(abs(order[c.first] - order[c.second]) > 1 for c in found)
    pairs = len(photos) * (len(photos) - 1) // 2 - (len(photos) - 1)
    yield _figure(f"pairs named among {len(photos)} photographs, neighbours in time", len(found) - far, "pairs", None)
    yield _figure(f"pairs named among the {pairs} others", far, "pairs", 0.01 * pairs, far < 0.01 * pairs)
    rng = np.random.default_rng(1_980_200)
    got = total = 0
    wrong = strangers = 0
    for image in list(photos.values())[:: 1 if full else 4]:
        looks, outlines = [], []
        while len(looks) < 8:
            cut, outline = _cut(image, rng)
            if cut is not None:
                looks.append(look_of(cut))
                outlines.append(outline)
        named = {(c.first, c.second) for c in near_copies({f"{i:03d}": k for i, k in enumerate(looks)}, threads=2)}
        for i in range(8):
            for j in range(i + 1, 8):
                share = shared_ground(outlines[i], outlines[j])
                hit = (f"{i:03d}", f"{j:03d}") in named
                got, total = got + (hit and share >= NEAR), total + (share >= NEAR)
                wrong, strangers = wrong + (hit and share == 0), strangers + (share == 0)
    yield _figure(f"near copies found, of {total} pairs cut from the same photograph", 100 * got / total, "%", 99.0,
                  got >= 0.99 * total)  # fmt: skip
    if strangers:
        yield _figure(f"false alarms, of {strangers} pairs cut from different parts of one photograph",
                      100 * wrong / strangers, "%", 1.0, wrong < 0.01 * strangers)  # fmt: skip


def _cut(image: Any, rng: np.random.Generator) -> tuple[Any, Any]:
    """Return a turned, zoomed, recoloured, blurred and compressed cut of a photograph, and its outline."""
    height, width = image.shape[:2]
    size = np.array([640, 480])
    zoom = 1.1 * float(np.exp(rng.uniform(0.5 * math.log(0.7), 0.5 * math.log(1.4))))
    turn = rng.uniform(-math.pi, math.pi)
    axes = zoom * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    centre = rng.uniform((0, 0), (width, height))
    fit = np.column_stack([axes, centre - axes @ (size / 2)])
    outline = (np.array([[0, 0], [size[0], 0], size, [0, size[1]]]) - size / 2) @ axes.T + centre
    if (outline < 0).any() or (outline > (width - 1, height - 1)).any():
        return None, None
    out = cv2.warpAffine(image, fit, (640, 480), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    out = cv2.GaussianBlur(out, (0, 0), rng.uniform(0.3, 1.5))
    gain = np.exp(rng.normal(0, 0.2) + rng.normal(0, 0.06, 3))
    out = np.clip(out * gain + rng.normal(0, 4, out.shape), 0, 255).astype(np.uint8)
    return _jpeg(out, int(rng.integers(40, 96))), outline


def _cost() -> dict[str, Any]:
    """500 pictures of 1280 x 960 of one site with wide overlap, on the cores that are there."""
    rng = np.random.default_rng(1_980_300)
    ground = render_ground(rng, (9.0, 7.0), (0.5, 0.5), look=TurfLook.draw(rng))
    camera = _camera(rng)
    pictures = {}
    for i in range(500):
        x, y = rng.uniform((1, 1), (8, 6))
        picture = render_view(ground, camera, _down(rng, x, y, 1.0, 0.0), rng)
        pictures[f"{i:03d}"] = functools.partial(np.asarray, picture)
    places = {name: str(int(name) // 63) for name in pictures}
    began = time.monotonic()
    copies_among(pictures, places)
    return _figure("500 pictures of one site compared", time.monotonic() - began, "s", None)


def _recording(seed: int) -> tuple[list[Any], list[Any]]:
    """Return pictures (name, image, labels, outline, m/px) of a drive with overlap, and of other ground of the site."""
    rng = np.random.default_rng([seed, 404])
    size = (7.0, 8.0)
    plants = stand_of_plants(rng, size, 220, clusters=0.3)
    ground = render_ground(rng, size, (0.5, 0.5), plants, look=TurfLook())
    camera = _camera(rng)

    def shot(name: str, x: float, y: float) -> Any:
        pose = _down(rng, x, y, 0.9, 0.0)
        image = _jpeg(render_view(ground, camera, pose, rng), 90)
        labels = tuple(
            Label(name, k.u_px, k.v_px, k.radius_px, k.kind) for k in labels_in_view(plants, camera, pose)
        )  # fmt: skip
        return name, image, labels, footprint(camera, pose), 0.9 / camera.fx_px

    drive = [
        shot(f"drive/{lane}-{n:02d}", 0.7 + 0.4 * n, 0.7 + 0.7 * lane) for lane in range(5) for n in range(15)
    ]  # fmt: skip
    other = [shot(f"other/{a}-{b}", 0.8 + 1.35 * a, 5.1 + 1.05 * b) for a in range(5) for b in range(3)]
    return drive, other


def _optimism(seeds: int) -> Iterator[dict[str, Any]]:
    """Teach on the same drive with a random split and a place split; judge each on its hold-out and on other ground."""
    random_f1, place_f1, other_f1 = [], [], []
    leaked: list[int] = []
    for number in range(seeds):
        drive, other = _recording(1_980_400 + number)
        shots = {s[0]: s for s in drive}
        looks = {name: look_of(s[1]) for name, s in shots.items()}
        copies = near_copies(looks, threads=2)
        seen = [Seen(name, _count(s[2]), recording="drive") for name, s in shots.items()]
        rng = np.random.default_rng([number, 5])
        names = [str(n) for n in rng.permutation(sorted(shots))]
        by_chance = (names[15:], names[:15])
        leaked.append(len(leaks(*by_chance, copies)))
        chosen = split(seen, place_groups(seen, "block"), fraction=0.2, seed=number, copies=copies)
        place = (list(chosen.taught)[:60], list(chosen.held))
        for sides, into in ((by_chance, random_f1), (place, place_f1)):
            taught, held = ([shots[n] for n in side] for side in sides)
            own, elsewhere = _taught_and_judged(taught, held, other, number)
            into.append(own)
            other_f1.append(elsewhere)
    rng = np.random.default_rng(0)

    def drawn(counts: Sequence[Any]) -> float:
        return float(np.mean([_f1(c[rng.integers(len(c), size=len(c))]) for c in counts]))

    gaps = [drawn(random_f1) - drawn(place_f1) for _ in range(2000)]
    a, b, c = (float(np.mean([_f1(x) for x in xs])) for xs in (random_f1, place_f1, other_f1))
    low, high = np.quantile(gaps, [0.025, 0.975])
    yield _figure("pairs of the same ground across a random split of one drive", float(np.mean(leaked)), "pairs", None)
    yield _figure("F1 by a random split", a, "F1", None)
    yield _figure("F1 by a place split", b, "F1", None)
    yield _figure("F1 on other ground of the site", c, "F1", None)
    yield _figure(f"optimism of the random split (95 %: {low:.3f} to {high:.3f}, over held-out pictures)", a - b, "F1",
                  0.0, a - b > 0)  # fmt: skip


def _count(labels: Sequence[Label]) -> dict[str, int]:
    kinds = [k.kind for k in labels]
    return {kind: kinds.count(kind) for kind in kinds}


def _f1(counts: Any) -> float:
    hits, alarms, plants = np.sum(counts, axis=0)
    return float(2 * hits / max(hits + alarms + plants, 1))


def _taught_and_judged(taught: Sequence[Any], held: Sequence[Any], other: Sequence[Any], seed: int) -> tuple[Any, Any]:
    """Return (hits, alarms, plants) per picture of the hold-out and of other ground, at the card's threshold."""
    from swardwright.learning import Sample, TeachSettings, load_detector, teach
    from swardwright.learning.judging import match_sample
    from swardwright.learning.measure import logistic

    def samples(shots: Sequence[Any]) -> list[Sample]:
        return [Sample(s[0], functools.partial(np.asarray, s[1]), s[2], s[0], (), s[4]) for s in shots]

    settings = TeachSettings(seed=seed, steps=400, minutes=None, crop_px=192, scale=0.5, evaluate_every=200)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "d.onnx"
        teach(samples(taught), out, settings, held_out=samples(held), name="d", about="a drive")
        detector = load_detector(out)
    card, results = detector.card, []
    for side in (held, other):
        rows = []
        for sample in samples(side):
            part = match_sample(
                detector.candidates(sample.load(), -4.0), sample, card.kinds, settings, (1280, 960)
            )  # fmt: skip
            sure = logistic(part[0] / card.temperature + card.bias) >= card.threshold
            rows.append((int((part[1] & sure).sum()), int((~part[1] & sure).sum()), part[8]))
        results.append(np.array(rows))
    return results[0], results[1]

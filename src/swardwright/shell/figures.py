"""Pictures of a site folder for the README and for papers: ``python -m swardwright.shell.figures OUT [SITE]``."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.errors import StaleError, SwardwrightError
from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.domain.uncertainty import ellipse
from swardwright.domain.weed import Register
from swardwright.shell.report_map import COLOURS, Extent, enlargement

#: in the same order as the shapes of the plan view in reports
_MARKERS = ("o", "^", "s", "D", "v", "H", "p")


def plan_figure(
    path: Path, site: Site, register: Register, plan: Plan | None = None, fates: Mapping[str, str] | None = None
) -> None:
    """Draw the site: zones, keep-outs with stand-off, weeds with 95 % ellipses, stops with heading, route.

    Axes are ground axes, metres; ellipses are enlarged by the factor that the title states.
    """
    figure, axes = _canvas(10.0, 6.4)
    extent = Extent.around(site, register.weeds, plan)
    _ground(axes, site, extent)
    if plan is not None:
        route = np.array(plan.route_m).reshape(-1, 2)
        axes.plot(*route.T, color="#6b6455", linewidth=1, alpha=0.7, label="route", zorder=2)
        x, y, yaw = np.array([s.base.as_array() for s in plan.stops]).reshape(-1, 3).T
        axes.quiver(x, y, np.cos(yaw), np.sin(yaw), angles="xy", scale=32, width=0.004, color="#33332f", zorder=3)
        axes.plot(x, y, ".", color="#33332f", markersize=4, label=f"stop ({len(plan.stops)})", zorder=3)
    _weeds(axes, site, register, set(plan.controls) if plan else set(), fates or {})
    west, south, east, north = extent.bounds_m
    axes.set(xlim=(west, east), ylim=(south, north))
    axes.set_aspect("equal")
    axes.set_xlabel("east, m")
    axes.set_ylabel("north, m")
    factor = enlargement(register.weeds)
    shown = f"95 % ellipses drawn {factor} times larger" if factor > 1 else "95 % ellipses to scale"
    axes.set_title(f"{site.name}{' (invented data)' if site.invented else ''}; {shown}", loc="left", fontsize=11)
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=9)
    _save(figure, path)


def ellipse_figure(
    path: Path, site: Site, register: Register, truth_m: Mapping[str, tuple[float, float]] | None = None
) -> None:
    """Draw how well crowns are known: every weed's 95 % ellipse about a common centre, millimetres.

    Parameters
    ----------
    truth_m : mapping of str to (x, y), optional
        True crowns of an invented site, ground axes: drawn as the register's true error inside its ellipse.
    """
    from matplotlib.patches import Ellipse

    figure, axes = _canvas(5.6, 5.6)
    reach = 1.0
    for weed in register.weeds:
        large, small, direction = ellipse(weed.covariance_m2)
        reach = max(reach, 1000 * large)
        axes.add_patch(
            Ellipse((0, 0), 2000 * large, 2000 * small, angle=math.degrees(direction), fill=False,
                    edgecolor=COLOURS[0], linewidth=0.6, alpha=0.35)
        )  # fmt: skip
        if truth_m and weed.id in truth_m:
            error = 1000 * (np.array(truth_m[weed.id]) - weed.mean_m)
            axes.plot(*error, ".", color=COLOURS[1], markersize=3)
            reach = max(reach, *np.abs(error))
    axes.set_xlim(-1.1 * reach, 1.1 * reach)
    axes.set_ylim(-1.1 * reach, 1.1 * reach)
    axes.set_aspect("equal")
    axes.grid(True, color="#e4e2dc", linewidth=0.6)
    axes.set_xlabel("east of the register's place, mm")
    axes.set_ylabel("north of the register's place, mm")
    dots = ", and true crowns" if truth_m else ""
    mark = " (invented data)" if site.invented else ""
    axes.set_title(f"95 % ellipses of {len(register.weeds)} crowns{dots}{mark}", loc="left", fontsize=10)
    _save(figure, path)


def _canvas(width_in: float, height_in: float) -> tuple[Any, Any]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return figure, axes


def _ground(axes: Any, site: Site, extent: Extent) -> None:
    from matplotlib.patches import Polygon
    from shapely.geometry import Polygon as Shape
    from shapely.geometry import box

    for zone in site.zones:
        axes.add_patch(Polygon(zone.corners_m, facecolor="#e9f0e0", edgecolor="#7f9468", linewidth=1.2, zorder=0))
    for keep in site.keep_outs:
        around = np.array(Shape(keep.corners_m).buffer(keep.standoff_m).exterior.coords)
        axes.plot(*around.T, color="#8a8577", linewidth=0.9, linestyle=(0, (5, 4)), zorder=1)
        axes.add_patch(Polygon(keep.corners_m, facecolor="#e4e2dc", edgecolor="#8a8577", hatch="///", linewidth=0.8))
        seen = Shape(keep.corners_m).intersection(box(*extent.bounds_m))
        if seen.is_empty:
            continue
        left, low, right, _ = seen.bounds
        inside = right - left > 2.0
        x, y, low = seen.centroid.x, seen.centroid.y, low - keep.standoff_m - 0.05
        axes.text(x, y if inside else low, keep.name, ha="center", va="center" if inside else "top", fontsize=9,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 1.5}, zorder=4)  # fmt: skip


def _weeds(axes: Any, site: Site, register: Register, controls: set[str], fates: Mapping[str, str]) -> None:
    from matplotlib.patches import Ellipse

    factor = 2 * enlargement(register.weeds)
    for i, kind in enumerate(site.kinds):
        marker, colour = _MARKERS[i % len(_MARKERS)], COLOURS[i % len(COLOURS)]
        mine = [w for w in register.weeds if w.kind == kind.name]
        for weed in mine:
            large, small, direction = ellipse(weed.covariance_m2)
            axes.add_patch(
                Ellipse(weed.mean_m, factor * large, factor * small, angle=math.degrees(direction),
                        facecolor=colour, alpha=0.35, linewidth=0, zorder=4)
            )  # fmt: skip
        dead = [w for w in mine if fates.get(w.id) == "dead"]
        for weeds, filled in (([w for w in mine if w not in dead], kind.treat), (dead, False)):
            if weeds:
                axes.plot(*np.array([w.mean_m for w in weeds]).T, marker, markersize=5, markeredgecolor=colour,
                          markerfacecolor=colour if filled else "white", markeredgewidth=1, zorder=5)  # fmt: skip
        if dead:
            axes.plot(
                *np.array([w.mean_m for w in dead]).T, "x", markersize=4, color=colour, markeredgewidth=0.9, zorder=6
            )
        word = kind.name if kind.treat else f"{kind.name} (spared)"
        axes.plot([], [], marker, color=colour, markerfacecolor=colour if kind.treat else "white", markersize=6,
                  label=f"{word} ({len(mine)})", linestyle="none")  # fmt: skip
    kept = [w.mean_m for w in register.weeds if w.id in controls]
    if kept:
        axes.plot(*np.array(kept).T, "o", markersize=11, markerfacecolor="none", markeredgecolor="#33332f",
                  markeredgewidth=0.8, label=f"control ({len(kept)})", linestyle="none", zorder=6)  # fmt: skip
    if any(fate == "dead" for fate in fates.values()):
        axes.plot([], [], "x", color="#4d4d4d", markersize=5, linestyle="none", label="found dead")


def _save(figure: Any, path: Path, *, dpi: int = 110) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    undated = {".png": "Software", ".svg": "Date", ".pdf": "CreationDate"}.get(path.suffix.lower())
    figure.savefig(path, dpi=dpi, metadata={undated: None} if undated else None)


def main(out: Path, folder: Path) -> None:
    """Draw the pictures of a site folder into ``out``.

    Raises
    ------
    StaleError
        If the site has no register yet.
    """
    from swardwright.shell.open_site import opened

    with opened(folder) as site:
        plan = site.plan()
        register = site.register(plan.register_revision) if plan else site.register()
        if register is None:
            raise StaleError(
                "there is no register to draw",
                where=str(folder),
                remedy="run the demo, or locate the site's weeds, first",
            )
        outcome = site.outcome(plan.id) if plan else None
        fates = {f.weed_id: f.fate for f in outcome.fates} if outcome else {}
        plan_figure(out / "plan-view.png", site.site, register, plan, fates)
        ellipse_figure(out / "error-ellipses.png", site.site, register)


if __name__ == "__main__":
    try:
        main(Path(sys.argv[1]), Path(sys.argv[2] if len(sys.argv) > 2 else "demo-site"))
    except SwardwrightError as error:
        print(error.sentence(), error.remedy or "", file=sys.stderr)
        sys.exit(error.exit_status)

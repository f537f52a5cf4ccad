"""The arm's reach as a picture: where around the base the head can work, how far from its limits, with what tilt."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig, Site
from swardwright.shell.figures import _save
from swardwright.shell.plan_view_figure import DPI, INK, SOFT, WIDTH_IN, legend, reach_parts, title

if TYPE_CHECKING:
    from swardwright.planning.reach_map import ReachMap

_BODY, _EDGE = "#d9d5c9", "#33332f"


def reach_figure(path: Path, site: Site, reach: ReachMap) -> None:
    """Draw two maps in base axes, metres, forward upwards: distance from joint limits, and tilt of the head."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rig = site.rig
    figure = Figure(figsize=(WIDTH_IN, 5.5), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(2, 2, height_ratios=[1.0, 0.06], wspace=0.08)
    left, right = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[0, 1])
    tilt = np.where(reach.reached, np.degrees(reach.tilt_rad), np.nan)
    limit_deg = float(np.degrees(rig.head.tilt_max_rad))
    away = np.where(reach.reached, 100.0 * reach.limit_share, np.nan)
    top = 10.0 * math.ceil(10.0 * max(float(reach.limit_share.max(initial=0.0)), 0.05))
    _map(figure, left, rig, reach, away, "nearest joint limit, % of half the range", top, "cividis")
    _map(figure, right, rig, reach, tilt, "tilt of the head, degrees", max(limit_deg, 1.0), "cividis_r")
    left.set_ylabel("forward of the base axes, m", color=SOFT, fontsize=9.5)
    right.tick_params(labelleft=False)
    legend(left, figure.add_subplot(grid[1, :]), 4)
    title(figure, site, _words(reach))
    _save(figure, path, dpi=DPI)


def _words(reach: ReachMap) -> str:
    from swardwright.planning.reach_map import CELL_M

    if not reach.sure.any():
        return "Reach of the arm: none"
    area, straight = reach.sure.sum() * CELL_M**2, np.mean(np.degrees(reach.tilt_rad[reach.sure]) < 1.0)
    return f"Reach of the arm: {area:.2f} m², up to {reach.radius_m:.2f} m; head upright on {100 * straight:.0f} %"


def _map(figure: Any, axes: Any, rig: Rig, reach: ReachMap, values: Array, word: str, top: float, colours: str) -> None:
    """Draw one map: x is to the right of the base (minus y), y forward."""
    from matplotlib.patches import Circle, PathPatch, Rectangle
    from matplotlib.path import Path as Outline

    from swardwright.planning.reach_map import CELL_M

    nx, ny = values.shape
    x0, y0 = reach.first_m - 0.5 * CELL_M
    shown = axes.imshow(
        values[:, ::-1], origin="lower", cmap=colours, vmin=0.0, vmax=top, interpolation="nearest", zorder=1,
        extent=(-(y0 + ny * CELL_M), -y0, x0, x0 + nx * CELL_M),
    )  # fmt: skip
    for n, part in enumerate(reach_parts(reach)):
        rings = [ring[:, ::-1] * [-1.0, 1.0] for ring in part]
        codes = [c for r in rings for c in (Outline.MOVETO, *[Outline.LINETO] * (len(r) - 2), Outline.CLOSEPOLY)]
        axes.add_patch(PathPatch(Outline(np.concatenate(rings), codes), fill=False, edgecolor=INK, linewidth=1.3,
                                 zorder=3, label=None if n else "used for stops"))  # fmt: skip
    base = rig.base
    rear = base.offset_m - 0.5 * base.length_m
    axes.add_patch(Rectangle((-0.5 * base.width_m, rear), base.width_m, base.length_m, facecolor=_BODY, edgecolor=_EDGE,
                             linewidth=1.3, zorder=4, label="base"))  # fmt: skip
    nose = rear + base.length_m
    axes.annotate("", (0.0, nose - 0.03), (0.0, nose - 0.3), zorder=5, annotation_clip=False,
                  arrowprops={"arrowstyle": "-|>", "color": _EDGE, "linewidth": 1.3, "mutation_scale": 13, "shrinkA": 0,
                              "shrinkB": 0})  # fmt: skip
    axes.text(0.0, -0.06, "forward", ha="center", va="top", fontsize=8.5, color=_EDGE, zorder=6)
    axes.plot(
        0.0, 0.0, "+", color=_EDGE, markersize=9, markeredgewidth=1.4, zorder=5, linestyle="none", label="base axes"
    )
    if rig.bottle is not None:
        place, radius = (-rig.bottle.y_m, rig.bottle.x_m), rig.bottle.radius_m
        axes.add_patch(Circle(place, radius, facecolor="white", edgecolor=_EDGE, hatch="////", linewidth=1.1,
                              zorder=4.5, label="gas cylinder"))  # fmt: skip
    reached = np.argwhere(reach.reached)
    corners = [[0.5 * base.width_m, nose], [-0.5 * base.width_m, rear]]
    if len(reached):
        places = reach.first_m + CELL_M * reached
        corners += [[float(-places[:, 1].max()), float(places[:, 0].max())],
                    [float(-places[:, 1].min()), float(places[:, 0].min())]]  # fmt: skip
    low, high = np.min(corners, axis=0) - 0.12, np.max(corners, axis=0) + 0.12
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))
    axes.set_aspect("equal")
    for side in ("top", "right", "left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.grid(True, color="#e4e2dc", linewidth=0.6, zorder=0)
    axes.set_axisbelow(True)
    axes.tick_params(colors=SOFT, labelsize=9, length=3)
    axes.set_xlabel("to the right, m", color=SOFT, fontsize=9.5)
    bar = figure.colorbar(shown, ax=axes, orientation="horizontal", fraction=0.05, pad=0.02)
    bar.set_label(word, fontsize=10, color=INK)
    bar.ax.tick_params(labelsize=9, colors=SOFT)
    bar.outline.set_visible(False)

"""The plan as a picture of the ground: where the base drives and stands, what it heats from there, what it leaves."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.plan import Plan
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Site
from swardwright.domain.weed import Register, Weed
from swardwright.shell.figures import _ground, _save
from swardwright.shell.plan_clock import legs_m, points_m
from swardwright.shell.report_map import COLOURS, Extent

if TYPE_CHECKING:
    from swardwright.planning.reach_map import ReachMap

INK, SOFT, WAY, REACH = "#24241f", "#625f54", "#33332f", COLOURS[0]
_HEATED, _CONTROL, _REFUSED, _SPARED, _NONE = COLOURS[1], COLOURS[2], INK, COLOURS[4], "#a8a294"
#: what stands under every picture of a plan
NOTE = "A plan, not a permission; not a safety function: a person stands watch."
#: width of the pictures, inches: narrow, so that letters can be read on a telephone too (a plan view of many stops is
#: wider, so that their numbers have room)
WIDTH_IN = 7.6
DPI = 160
#: a pointed mark about (0, 0): the circle with the stop's number covers all of it but the point ahead
_NOSE = ((1.0, 0.0), (0.3, 0.27), (0.3, -0.27), (1.0, 0.0))
#: from so many stops on neither reach nor the lines to the weeds can be told apart, and only every tenth is numbered
_CROWD = 400


def plan_view_figure(path: Path, site: Site, register: Register, plan: Plan, reach: ReachMap) -> None:
    """Draw zones, keep-outs, drive with its direction, stops with number and reach, and what becomes of each plant.

    Axes are ground axes, metres.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    extent = Extent.around(site, register.weeds, plan)
    west, south, east, north = extent.bounds_m
    width = WIDTH_IN * float(np.clip(math.sqrt(len(plan.stops) / 40), 1.0, 2.2))
    height = float(np.clip((width - 0.9) * (north - south) / (east - west), 2.5, 2.0 * width)) + 0.5
    figure = Figure(figsize=(width, height + 1.65), layout="constrained")
    FigureCanvasAgg(figure)
    axes, words = figure.subplots(2, 1, height_ratios=[height, 0.75])
    _ground(axes, site, extent)
    scale_m = (east - west) / (width - 0.9)
    _stops(axes, plan, reach, scale_m)
    _drive(axes, plan, scale_m)
    _plants(axes, site, register, plan)
    axes.set(xlim=(west, east), ylim=(south, north))
    axes.set_aspect("equal")
    _furniture(axes, extent)
    legend(axes, words)
    holds = sum(len(stop.holds) for stop in plan.stops)
    weeds = f"{holds} weeds from " if holds else ""
    name = f"{plan.id}, a sweep" if plan.sweep else plan.id
    title(figure, site, f"{name}: {weeds}{len(plan.stops)} stops, "
                        f"{plan.supplies.drive_m:.0f} m of driving, {plan.supplies.time_s / 60:.0f} min")  # fmt: skip
    _save(figure, path, dpi=DPI)


def legend(axes: Any, words: Any, columns: int = 3) -> None:
    """Explain the marks of ``axes`` in a strip of its own below it."""
    words.set_axis_off()
    words.legend(*axes.get_legend_handles_labels(), loc="center", ncols=columns, frameon=False, fontsize=10,
                 handletextpad=0.5, columnspacing=1.4, borderaxespad=0.0)  # fmt: skip


def title(figure: Any, site: Site, line: str) -> None:
    """Write what a picture of a plan shows, whose it is, and that it is no permission."""
    mark = " (invented data)" if site.invented else ""
    figure.suptitle(f"{site.name}{mark}\n{line}\n", x=0.01, ha="left", fontsize=12, color=INK)
    figure.text(0.011, 0.995, f"\n\n\n{NOTE}", fontsize=8.5, color=SOFT, ha="left", va="top", linespacing=1.28)


def _drive(axes: Any, plan: Plan, scale_m: float) -> None:
    """Draw the drive; its arrows are a third of an inch apart at least."""
    legs = legs_m(plan)
    if not legs:
        return
    way = np.array(plan.route_m).reshape(-1, 2)
    axes.plot(*way.T, color="white", linewidth=3.0, alpha=0.8, zorder=5, solid_joinstyle="round")
    axes.plot(*way.T, color=WAY, linewidth=1.3, zorder=5.1, label="drive", solid_joinstyle="round")
    since = math.inf
    for a, b in pairwise(way):
        length = math.dist(a, b)
        since += length
        if length < 0.15 * scale_m or since < 0.33 * scale_m:
            continue
        since = 0.0
        middle, ahead = 0.5 * (a + b), (b - a) / length
        half = 0.05 * scale_m * ahead
        axes.annotate("", middle + half, middle - half, zorder=5.2, annotation_clip=False,
                      arrowprops={"arrowstyle": "-|>", "color": WAY, "linewidth": 0, "mutation_scale": 14,
                                  "shrinkA": 0, "shrinkB": 0})  # fmt: skip
    axes.plot(*way[0], marker="s", markersize=8, markerfacecolor="white", markeredgecolor=WAY, markeredgewidth=1.6,
              linestyle="none", label="start", zorder=5.3)  # fmt: skip


def _stops(axes: Any, plan: Plan, reach: ReachMap, scale_m: float) -> None:
    """Draw each stop: its reach, a line to each weed, a point ahead, and its number where there is room.

    ``scale_m`` is metres on the ground in an inch of the picture.
    """
    from matplotlib.collections import LineCollection, PathCollection
    from matplotlib.colors import to_rgba
    from matplotlib.markers import MarkerStyle
    from matplotlib.transforms import Affine2D

    many = len(plan.stops) > 30
    every = next(step for step in (1, 10, 20, 50, 100, 10**9) if len(plan.stops) <= _CROWD * step)
    letters = 6.5 if many else 8.5
    parts = reach_parts(reach, opened_m=0.04)
    detailed = plan.stops if every == 1 else ()
    outlines = [path for stop in detailed for path in _placed(parts, stop.base)]
    rim = to_rgba(REACH, 0.12 if plan.sweep else 0.35)
    axes.add_collection(
        PathCollection(outlines, facecolor=to_rgba(REACH, 0.04), edgecolor=rim, linewidth=0.6, zorder=1.5)
    )
    spokes = [
        [(stop.base.x_m, stop.base.y_m), place] for stop in detailed for hold in stop.holds
        for place in points_m(stop, hold)[:1]
    ]  # fmt: skip
    axes.add_collection(LineCollection(spokes, color=_HEATED, linewidth=0.6, alpha=0.55, zorder=3))
    places = _apart(np.array([(s.base.x_m, s.base.y_m) for s in plan.stops]), 2.3 * letters / 72.0 * scale_m)
    for number, (stop, here) in enumerate(zip(plan.stops, places, strict=True), start=1):
        turned = Affine2D().rotate(stop.base.yaw_rad)
        told = number % every == 0 or every == 1
        axes.plot(*here, marker=MarkerStyle(_NOSE, transform=turned), markeredgewidth=0, color=WAY, linestyle="none",
                  markersize=((3.9 if number < 100 else 4.7) if told else 2.0) * letters, zorder=7)  # fmt: skip
        if told:
            round_ = (0.8 + 0.5 * max(len(str(number)), 2)) * letters
            axes.plot(*here, marker="o", markersize=round_, markerfacecolor="white", markeredgecolor=WAY,
                      markeredgewidth=1.1, linestyle="none", zorder=8)  # fmt: skip
            axes.annotate(str(number), here, ha="center", va="center_baseline", fontsize=letters, color=INK, zorder=8.1,
                          annotation_clip=False)  # fmt: skip
    if plan.stops:
        axes.plot([], [], marker="o", markersize=10, markerfacecolor="white", markeredgecolor=WAY, linestyle="none",
                  label="stop, point ahead")  # fmt: skip
    if plan.stops and every == 1:
        rim = to_rgba(REACH, 0.6)
        axes.fill_between([], [], facecolor=to_rgba(REACH, 0.1), edgecolor=rim, label="reach of the arm")


def _apart(places_m: Array, gap_m: float) -> Array:
    """Return places (n, 2) pushed apart until numbers on them do not cover each other, or nearly so; m."""
    out = places_m.astype(float).copy()
    if len(out) > _CROWD:
        return out
    for _ in range(12):
        for n in range(len(out)):
            step = out[n] - out
            far = np.hypot(*step.T)
            near = (far < gap_m) & (np.arange(len(out)) != n)
            for m in np.flatnonzero(near):
                way = step[m] / far[m] if far[m] > 1e-6 else np.array([0.0, 1.0])
                push = 0.5 * (gap_m - far[m]) * way
                out[n] += push
                out[m] -= push
    return out


def _placed(parts: list[list[Array]], base: BasePose) -> list[Any]:
    """Return outlines in base axes as outlines in ground axes, holes included."""
    from matplotlib.path import Path as Outline

    c, s = math.cos(base.yaw_rad), math.sin(base.yaw_rad)
    turn = np.array([[c, s], [-s, c]])
    paths = []
    for part in parts:
        corners = [ring @ turn + [base.x_m, base.y_m] for ring in part]
        codes = [c for r in part for c in (Outline.MOVETO, *[Outline.LINETO] * (len(r) - 2), Outline.CLOSEPOLY)]
        paths.append(Outline(np.concatenate(corners), codes))
    return paths


def reach_parts(reach: ReachMap, *, opened_m: float = 0.0) -> list[list[Array]]:
    """Return the polygons of the surely reached cells, base axes, m: for each the outer ring, then its holes.

    Parameters
    ----------
    opened_m : float
        Leave out what is narrower than twice this.
    """
    import shapely

    from swardwright.planning.reach_map import CELL_M

    cells = reach.first_m + CELL_M * np.argwhere(reach.sure)
    half = 0.51 * CELL_M  # neighbours overlap a little, so that no slits are left between them
    whole = shapely.union_all(
        shapely.box(cells[:, 0] - half, cells[:, 1] - half, cells[:, 0] + half, cells[:, 1] + half)
    )
    whole = shapely.simplify(shapely.buffer(shapely.buffer(whole, -opened_m), opened_m), 0.8 * CELL_M)
    parts = [p for p in shapely.get_parts(whole) if not p.is_empty]
    return [[np.array(r.coords) for r in (p.exterior, *p.interiors)] for p in parts]


def _plants(axes: Any, site: Site, register: Register, plan: Plan) -> None:
    heated = {hold.weed_id for stop in plan.stops for hold in stop.holds}
    controls, refused = set(plan.controls), {r.item for r in plan.refused}
    groups: dict[str, list[Weed]] = {"heated": [], "control": [], "refused": [], "spared": [], "none": []}
    for weed in register.weeds:
        kind = site.kind(weed.kind)
        if weed.id in heated:
            groups["heated"].append(weed)
        elif weed.id in controls:
            groups["control"].append(weed)
        elif kind is not None and not kind.treat:
            groups["spared"].append(weed)
        elif weed.id in refused:
            groups["refused"].append(weed)
        else:
            groups["none"].append(weed)
    rim = 0.5 if len(register.weeds) < 2000 else 0.0
    size = 5.5 if len(register.weeds) < 250 else 4.0 if len(register.weeds) < 2000 else 2.2
    looks: tuple[tuple[str, str, str, str, bool, float], ...] = (
        ("heated", "heat", "o", _HEATED, True, 0.9),
        ("control", "control, left on purpose", "s", _CONTROL, False, 1.25),
        ("refused", "refused", "X", _REFUSED, True, 1.15),
        ("spared", "of a kind to spare", "D", _SPARED, False, 0.95),
        ("none", "known, decided on the way" if plan.sweep else "not in this plan", ".", _NONE, True, 0.9),
    )
    for key, word, marker, colour, filled, factor in looks:
        mine = groups[key]
        if not mine:
            continue
        axes.plot(*np.array([w.mean_m for w in mine]).T, marker=marker, markersize=factor * size, linestyle="none",
                  markeredgecolor="white" if filled else colour, markeredgewidth=rim if filled else 1.3,
                  markerfacecolor=colour if filled else "white", label=f"{word} ({len(mine)})", zorder=6)  # fmt: skip


def _furniture(axes: Any, extent: Extent) -> None:
    """Draw the scale bar and north above the ground; ground axes' numbers stay at the edges."""
    from matplotlib.transforms import offset_copy

    for side in ("top", "right", "left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.tick_params(colors=SOFT, labelsize=9, length=3)
    axes.set_ylabel("north, m", color=SOFT, fontsize=9.5)
    axes.set_xlabel("east, m", color=SOFT, fontsize=9.5)
    west, _, east, _ = extent.bounds_m
    length = max(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if step <= max(0.22 * (east - west), 0.1))
    end = east - 0.1 * (east - west)
    above = offset_copy(axes.get_xaxis_transform(), axes.figure, y=18, units="points")  # x in metres, y over the ground
    axes.plot([end - length, end], [1.0, 1.0], marker="|", markersize=9, markeredgewidth=1.4, color=INK, linewidth=1.4,
              transform=above, clip_on=False)  # fmt: skip
    axes.text(end - length - 0.01 * (east - west), 1.0, f"{length:g} m", transform=above, ha="right", va="center",
              fontsize=10, color=INK)  # fmt: skip
    edge = east - 0.03 * (east - west)
    axes.text(edge, 1.0, "N", transform=above, ha="center", va="center", fontsize=11, color=INK)
    tip = offset_copy(axes.get_xaxis_transform(), axes.figure, y=32, units="points")
    axes.plot(edge, 1.0, marker="^", markersize=8, color=INK, transform=tip, clip_on=False, linestyle="none")

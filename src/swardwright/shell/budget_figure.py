"""The error budget as one picture: where the error comes from, where it is large, and what shrinking it buys."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig, Site
from swardwright.locating.budget import combine
from swardwright.locating.views import places_in_view, stop_views, view_outline_m
from swardwright.shell.budget_chart import REST, colours_of, word
from swardwright.shell.site_budget import SiteBudget, plural

INK, SOFT = "#24241f", "#625f54"
#: turf that is well known is green, badly known is bare earth
_TURF = ("#dfe9cd", "#b7c58a", "#d9b35c", "#b87a2e", "#7a431c")
_STEP_M = 0.05


def budget_figure(path: Path, site: Site, budget: SiteBudget) -> None:
    """Draw the budget to a file: stacked bars, map over the reach with contours in mm, and grams saved per weed."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(14.0, 6.0), layout="constrained")
    FigureCanvasAgg(figure)
    left, middle, right = figure.subplots(1, 3, width_ratios=[0.9, 1.45, 1.1])
    _bars(left, budget)
    _map(figure, middle, site.rig, budget)
    _savings(right, budget)
    top = budget.landing.parts[:2]
    told = " and ".join(f"{100 * budget.landing.share(p):.0f} % from {_word(p.source)}" for p in top)
    mark = " (invented data)" if site.invented else ""
    figure.suptitle(
        f"{site.name}{mark}: heat lands {1e3 * budget.landing.sigma_m:.1f} mm off the crown, {told}",
        x=0.008, ha="left", fontsize=13.5, color=INK,
    )  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    nothing = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
    figure.savefig(path, dpi=110, metadata=nothing.get(path.suffix.lower()))


def _word(source: str) -> str:
    return f"the {word(source)}"


def _bars(axes: Any, budget: SiteBudget) -> None:
    colours = colours_of((budget.landing, budget.stop, budget.survey))
    bars = ((f"survey\n{plural(int(budget.survey.looks), 'look')}", budget.survey), ("look at\na stop", budget.stop),
            ("landing\nof heat", budget.landing))  # fmt: skip
    for x, (_, one) in enumerate(bars):
        shares = [(s, one.share(p)) for s in colours if (p := one.part(s)) is not None]
        rest = 1.0 - sum(share for _, share in shares)
        bottom = 0.0
        for source, share in [*shares, ("rest", rest)]:
            axes.bar(x, 100 * share, bottom=bottom, width=0.8, color=colours.get(source, REST), edgecolor="white",
                     linewidth=1.0)  # fmt: skip
            name, percent = word(source), f"{100 * share:.0f} %"
            text = f"{name.replace(' ', chr(10))}\n{percent}" if share > 0.12 else f"{name} {percent}"
            if share >= 0.05 and max(map(len, text.split("\n"))) <= 11:
                axes.text(x, bottom + 50 * share, text, ha="center", va="center", fontsize=8.5, linespacing=1.1,
                          color="white" if source in colours else INK)  # fmt: skip
            bottom += 100 * share
        axes.text(x, 102, f"{1e3 * one.sigma_m:.1f} mm", ha="center", fontsize=11, color=INK, weight="bold")
    axes.set_xticks(range(3), [name for name, _ in bars])
    axes.set_ylim(0, 108)
    axes.set_ylabel("share of the variance, %")
    axes.set_title("Where the error comes from", loc="left", fontsize=11)
    _bare(axes)


def _map(figure: Any, axes: Any, rig: Rig, budget: SiteBudget) -> None:
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.patches import Polygon, Rectangle

    postures = rig.look_joints_rad or (rig.survey_joints_rad,)
    grid, sigma = look_map(rig, postures)
    x, y = np.unique(grid[:, 0]), np.unique(grid[:, 1])
    field = np.full((len(x), len(y)), np.nan)
    field[np.searchsorted(x, grid[:, 0]), np.searchsorted(y, grid[:, 1])] = 1e3 * sigma
    step = _nice((float(np.nanmax(field)) - float(np.nanmin(field))) / 6.0)
    levels = step * np.arange(math.floor(np.nanmin(field) / step), math.ceil(np.nanmax(field) / step) + 1)
    earth = LinearSegmentedColormap.from_list("turf", _TURF)
    # ahead of the base is up, its left is left
    fill = axes.contourf(-y, x, field, levels=levels, cmap=earth)
    lines = axes.contour(-y, x, field, levels=levels, colors=INK, linewidths=0.7)
    outlines = [view_outline_m(rig, posture)[:, ::-1] * [-1.0, 1.0] for posture in postures]
    for drawn in (fill, lines):
        drawn.set_clip_path(_union(outlines), axes.transData)
    axes.clabel(lines, fmt=lambda v: f"{v:g} mm", fontsize=8.5, inline_spacing=3)
    for outline in outlines:
        axes.add_patch(Polygon(outline, fill=False, edgecolor="white", linewidth=1.0, linestyle=(0, (4, 3))))
    base = rig.base
    axes.add_patch(Rectangle((-base.width_m / 2, base.offset_m - base.length_m / 2), base.width_m, base.length_m,
                             facecolor="#eeeae0", edgecolor=SOFT, linewidth=1.2, zorder=4))  # fmt: skip
    axes.annotate("", (0, base.offset_m + 0.32 * base.length_m), (0, base.offset_m - 0.05 * base.length_m), zorder=5,
                  arrowprops={"arrowstyle": "-|>", "color": SOFT, "linewidth": 1.4})  # fmt: skip
    axes.text(0, base.offset_m - 0.22 * base.length_m, "base", ha="center", va="center", color=SOFT, fontsize=9,
              zorder=5)  # fmt: skip
    if budget.at_m is not None:
        axes.plot(-budget.at_m[1], budget.at_m[0], "o", color="white", markeredgecolor=INK, markersize=7, zorder=6)
    else:
        axes.plot(-budget.landing.places_m[:, 1], budget.landing.places_m[:, 0], ".", color=INK, markersize=2.5,
                  alpha=0.55, zorder=3, label="places that the numbers are means over")  # fmt: skip
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), frameon=False, fontsize=9, handletextpad=0.2)
    axes.set_aspect("equal")
    low, high = grid.min(axis=0), grid.max(axis=0)
    back = min(float(low[0]), base.offset_m - base.length_m / 2)
    axes.set(xlim=(-float(high[1]) - 0.06, -float(low[1]) + 0.06), ylim=(back - 0.06, float(high[0]) + 0.06))
    axes.xaxis.set_major_formatter(lambda v, _: f"{-v + 0.0:g}")
    axes.set_xlabel("left of the base, m")
    axes.set_ylabel("ahead of the base, m")
    axes.set_title("One look at a stop: s.d. per axis on the ground", loc="left", fontsize=11)
    _bare(axes)


def _union(outlines: list[Array]) -> Any:
    """Return the union of outlines as a matplotlib path."""
    from matplotlib.path import Path as Drawn
    from shapely import Polygon, get_parts, union_all

    parts = get_parts(union_all([Polygon(outline) for outline in outlines]))
    return Drawn.make_compound_path(*(Drawn(np.array(part.exterior.coords), closed=True) for part in parts))


def look_map(rig: Rig, postures: tuple[tuple[float, ...], ...]) -> tuple[Array, Array]:
    """Return places (n, 2), base axes, m, and the standard deviation per axis of the best single look there, m."""
    grid = places_in_view(rig, postures, _STEP_M)
    seen = stop_views(rig, grid).seen()
    variance = [0.5 * sum(float(np.trace(c)) for c in combine(views, {}).values()) for views in seen.views]
    return grid, np.sqrt(variance)


def _nice(step: float) -> float:
    """Return the next of 1, 2, 5 times a power of ten that is not smaller."""
    power = 10.0 ** math.floor(math.log10(max(step, 1e-3)))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= step * 0.999)


def _savings(axes: Any, budget: SiteBudget) -> None:
    colours = colours_of((budget.landing, budget.stop, budget.survey))
    rows = [(f"halve: {word(f.what)}", f, colours.get(f.what, REST)) for f in budget.fixes]
    rows += [(f.what, f, "#7f9468") for f in budget.actions]
    rows = sorted(rows, key=lambda row: -row[1].saves_kg)[:10]
    largest = max(max(f.saves_kg for _, f, _ in rows), 1e-9)
    factor, unit = (1e6, "mg") if largest < 1e-4 else (1e3, "g")
    for y, (_, fix, colour) in enumerate(rows):
        saved = max(fix.saves_kg, 0.0) * factor
        axes.barh(y, saved, color=colour, height=0.66)
        turf = f"{saved:.1f} {unit}, {1e4 * max(fix.saves_m2, 0.0):.1f} cm²" if saved > 0.005 * largest * factor else (
            "next to nothing")  # fmt: skip
        axes.text(saved + 0.015 * largest * factor, y, turf, va="center", fontsize=9, color=INK)
    axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
    axes.invert_yaxis()
    axes.set_xlim(0, 1.42 * largest * factor)
    axes.set_xlabel(f"gas saved per weed, {unit}")
    axes.set_title("What it saves per weed: gas, scorched turf", loc="left", fontsize=11)
    _bare(axes)


def _bare(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SOFT)
    axes.tick_params(colors=SOFT, labelcolor=INK)

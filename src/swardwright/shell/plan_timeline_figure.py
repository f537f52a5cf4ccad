"""The plan over time as a picture: drive, looks, arm and heat at each stop; what is left of gas and battery below."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.plan import Plan
from swardwright.domain.poses import Array
from swardwright.domain.site import Site
from swardwright.shell.figures import _save
from swardwright.shell.plan_clock import stop_times
from swardwright.shell.plan_view_figure import DPI, INK, SOFT, WIDTH_IN, title
from swardwright.shell.plan_work import ArmWork
from swardwright.shell.report_map import COLOURS

#: lanes from the top: word, what is done in it, colour
_LANES: tuple[tuple[str, frozenset[str], str], ...] = (
    ("drive", frozenset({"drive"}), "#33332f"),
    ("look", frozenset({"look", "picture"}), COLOURS[5]),
    ("arm moves", frozenset({"move", "rest"}), COLOURS[4]),
    ("flame", frozenset({"light", "hold"}), COLOURS[1]),
)
_LINE = "#e4e2dc"
#: of more stops than this single bars cannot be told apart: their share of so many pieces of the time is drawn
_BARS, _PIECES = 250, 160
#: room for a stop's number, a digit of it and the gap to the next, share of the picture's width
_DIGIT, _GAP = 0.011, 0.014

Burn = tuple[float, float, float]


def timeline_figure(path: Path, site: Site, plan: Plan, work: Sequence[ArmWork]) -> None:
    """Draw what happens when, minutes of working time from the start, and what is left of gas and battery."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, 6.3), layout="constrained")
    FigureCanvasAgg(figure)
    lanes, gas, battery = figure.subplots(3, 1, sharex=True, height_ratios=[1.9, 1.0, 1.0])
    end_s = stop_times(plan)[-1].done_s if plan.stops else 0.0
    _lanes(lanes, plan, work)
    first, full, burns = gas_use(site, plan, work)
    _level(gas, plan, "gas", _falling(plan, "gas", first, full, burns), 1e3, "gas left, g", COLOURS[1])
    whole, drains = battery_use(site, plan)
    _level(battery, plan, "battery", _falling(plan, "battery", whole, whole, drains), 1.0 / 3600.0, "battery left, Wh",
           COLOURS[0])  # fmt: skip
    words = "; flame as expected, in one piece a stop" if plan.sweep else ""
    battery.set_xlabel(f"working time from the start, min (no nights, no changes{words})", color=SOFT, fontsize=9.5)
    battery.set_xlim(0.0, max(end_s / 60.0, 1e-3))
    days = f", {plan.supplies.days} days" if plan.supplies.days > 1 else ""
    taken = f"{1e3 * plan.supplies.gas_kg:.0f} g of gas, {plan.supplies.energy_j / 3600:.0f} Wh"
    name = f"{plan.id}, a sweep" if plan.sweep else plan.id
    title(figure, site, f"{name}: {plan.supplies.time_s / 60:.0f} min at {len(plan.stops)} stops{days}; {taken}")
    _save(figure, path, dpi=DPI)


def _lanes(axes: Any, plan: Plan, work: Sequence[ArmWork]) -> None:
    times = stop_times(plan)
    spans: dict[str, list[tuple[float, float]]] = {word: [] for word, *_ in _LANES}
    for stop, load, at, one in zip(plan.stops, plan.supplies.loads, times, work, strict=True):
        spans["drive"].append((at.leave_s, at.arrive_s))
        for doing in one.doings:
            lane = next(word for word, whats, _ in _LANES if doing.what in whats)
            spans[lane].append((doing.begin_s, doing.end_s))
        if not stop.holds:  # of a sweep: what is expected, in one piece
            flame_s = at.done_s - load.heat_s
            spans["arm moves"].append((one.doings[-1].end_s if one.doings else at.arrive_s, flame_s))
            spans["flame"].append((flame_s, at.done_s))
    end_s = times[-1].done_s if times else 0.0
    shares = {word: _shares(mine, end_s) for word, mine in spans.items()} if len(times) > _BARS else {}
    top = max((float(share.max()) for share in shares.values()), default=1.0)
    for row, (word, _, colour) in enumerate(_LANES):
        if shares:
            edges = np.linspace(0.0, end_s / 60.0, _PIECES + 1)
            floor = -row - 0.34
            axes.stairs(floor + 0.68 * shares[word] / top, edges, baseline=floor, fill=True, color=colour)
        else:
            bars = [(a / 60.0, (b - a) / 60.0) for a, b in spans[word] if b > a]
            axes.broken_barh(bars, (-row - 0.34, 0.68), facecolor=colour, edgecolor=colour, linewidth=0.3)
    if shares:
        axes.set_xlabel(f"height: share of the time, the highest {100 * top:.0f} %", color=SOFT, fontsize=9.5)
    totals = [sum(b - a for a, b in spans[word]) / 60.0 for word, *_ in _LANES]
    axes.set_yticks([-row for row in range(len(_LANES))],
                    [f"{word}\n{total:.1f} min" for (word, *_), total in zip(_LANES, totals, strict=True)],
                    fontsize=10, color=INK)  # fmt: skip
    axes.set_ylim(-len(_LANES) + 0.45, 1.5 if plan.supplies.days > 1 else 1.0)
    room = len(times) * (_DIGIT * len(str(len(times))) + _GAP)
    step = next((n for n in (1, 2, 5, 10, 20, 50, 100, 200) if n >= room), 500)
    for number, at in enumerate(times, start=1):
        if len(times) <= _BARS:
            axes.plot([at.arrive_s / 60.0] * 2, [-len(_LANES) + 0.45, 0.95], color=_LINE, linewidth=0.8, zorder=0)
        if number % step == 0:
            middle_s = 0.5 * (at.arrive_s + at.done_s)
            axes.text(middle_s / 60.0, 0.72, str(number), ha="center", va="center", fontsize=9, color=INK, zorder=5,
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85})  # fmt: skip
    axes.text(
        -0.012, 0.72, "stop", transform=axes.get_yaxis_transform(), ha="right", va="center", fontsize=10, color=INK
    )
    for swap, at_s in _moments(plan):
        if swap == "time":
            axes.plot([at_s / 60.0] * 2, [-len(_LANES) + 0.45, 1.1], color=INK, linewidth=1.4, linestyle=(0, (4, 2)))
            axes.text(at_s / 60.0, 1.32, "day ends", ha="center", va="center", fontsize=9, color=INK)
    _bare(axes)
    axes.tick_params(axis="y", length=0)


def _shares(spans: Sequence[tuple[float, float]], end_s: float) -> Array:
    """Return the share of each of ``_PIECES`` even pieces of the time that the spans fill, 0..1."""
    edges = np.linspace(0.0, end_s, _PIECES + 1)
    begin, end = np.array(spans).reshape(-1, 2).T
    filled = [np.clip(np.minimum(end, b) - np.maximum(begin, a), 0.0, None).sum() for a, b in pairwise(edges)]
    share: Array = np.array(filled) / max(edges[1], 1e-9)
    return share


def _bare(axes: Any) -> None:
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(SOFT)
    axes.tick_params(axis="x", colors=SOFT, labelsize=9)


def _level(
    axes: Any, plan: Plan, what: str, level: list[tuple[float, float]], factor: float, word: str, colour: str
) -> None:
    x, y = [t / 60.0 for t, _ in level], [factor * v for _, v in level]
    axes.fill_between(x, 0.0, y, color=colour, alpha=0.16, linewidth=0)
    axes.plot(x, y, color=colour, linewidth=1.7)
    top = max([*y, 1e-9])
    axes.set_ylim(0.0, 1.38 * top)
    for n in range(1, len(level)):
        if y[n] - y[n - 1] > 1e-6 * top:
            axes.plot(x[n], y[n], marker="v", markersize=8, color=INK, clip_on=False, zorder=4)
    changes = sum(swap.what == what for swap in plan.supplies.swaps)
    if changes:
        axes.plot([], [], marker="v", linestyle="none", markersize=8, color=INK, label=f"change ({changes})")
        axes.legend(loc="upper right", frameon=False, fontsize=10, borderaxespad=0.1, handletextpad=0.2)
    else:
        axes.text(
            0.995, 0.97, "no change needed", transform=axes.transAxes, ha="right", va="top", fontsize=10, color=INK
        )
    axes.set_ylabel(word, color=INK, fontsize=10)
    axes.grid(True, axis="y", color=_LINE, linewidth=0.6)
    axes.set_axisbelow(True)
    _bare(axes)
    axes.tick_params(axis="y", colors=SOFT, labelsize=9, length=0)


def _moments(plan: Plan) -> list[tuple[str, float]]:
    """Return what is changed between stops, and when."""
    done = {stop.id: at.done_s for stop, at in zip(plan.stops, stop_times(plan), strict=True)}
    return [(swap.what, done.get(swap.stop_id, 0.0)) for swap in plan.supplies.swaps if not swap.during]


def gas_use(site: Site, plan: Plan, work: Sequence[ArmWork]) -> tuple[float, float, list[list[Burn]]]:
    """Return what the first and a full cylinder give, kg, and each stop's burning: begin, end (s), kg.

    The pilot burns from lighting to the last hold; each point of a hold burns its share of the hold's gas. Where holds
    are only expected (a sweep), a stop's gas is spread over its time.
    """
    from swardwright.planning.supplies import usable_gas_kg

    burns: list[list[Burn]] = []
    for stop, load, at, one in zip(plan.stops, plan.supplies.loads, stop_times(plan), work, strict=True):
        mine: list[Burn] = []
        shares = {hold.weed_id: hold.gas_kg / max(len(hold.offsets_m), 1) for hold in stop.holds}
        begin = end = None
        for doing in one.doings:
            if doing.what in ("light", "hold"):
                begin, end = doing.begin_s if begin is None else begin, doing.end_s
        held = [(d.begin_s, d.end_s, shares.get(d.weed_id, 0.0)) for d in one.doings if d.what == "hold"]
        if begin is not None and end is not None:
            marks = sorted({begin, end, *(t for a, b, _ in held for t in (a, b))})
            for a, b in pairwise(marks):
                full = sum(kg for c, d, kg in held if c <= a and b <= d)
                mine.append((a, b, load.gas_pilot_kg * (b - a) / (end - begin) + full))
        burns.append(mine if stop.holds else [(at.arrive_s, at.done_s, load.gas_kg)])
    return usable_gas_kg(site, site.rig.gas.fill), usable_gas_kg(site), burns


def battery_use(site: Site, plan: Plan) -> tuple[float, list[list[Burn]]]:
    """Return what one battery gives, J, and what each stop takes: the standing loads all the time, the rest driving."""
    from swardwright.planning.supplies import usable_energy_j

    power = site.rig.power
    standing_w = (power.arm_w + power.computer_w) / power.rail_efficiency
    drains = []
    for load, at in zip(plan.supplies.loads, stop_times(plan), strict=True):
        still_j = min(standing_w * (at.done_s - at.arrive_s), load.energy_j)
        drains.append([(at.leave_s, at.arrive_s, load.energy_j - still_j), (at.arrive_s, at.done_s, still_j)])
    return usable_energy_j(site), drains


def _falling(
    plan: Plan, what: str, first: float, full: float, uses: Sequence[Sequence[Burn]]
) -> list[tuple[float, float]]:
    """Return the level over time: it falls as things are used, and is full again at each of the plan's changes."""
    swaps = [swap for swap in plan.supplies.swaps if swap.what == what]
    level = full if any(not swap.stop_id for swap in swaps) else first
    out = [(0.0, level)]
    for stop, at, mine in zip(plan.stops, stop_times(plan), uses, strict=True):
        within = sum(swap.stop_id == stop.id and swap.during for swap in swaps)
        for begin, end, amount in mine:
            out.append((begin, level))
            while within and amount > level:
                begin += (end - begin) * level / amount
                amount, level, within = amount - level, full, within - 1
                out += [(begin, 0.0), (begin, full)]
            level -= amount
            out.append((end, level))
        out.append((at.done_s, level))
        if any(swap.stop_id == stop.id and not swap.during for swap in swaps):
            level = full
            out.append((at.done_s, level))
    return out

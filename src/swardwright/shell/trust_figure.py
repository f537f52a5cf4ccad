"""The figure of ``trust``: cost against threshold, what is missed and wrongly burnt, reliability, and parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.learning.learning_curve import LearningCurve
from swardwright.learning.trust import Bin, Trust
from swardwright.learning.trust_parts import Row
from swardwright.shell.report_map import COLOURS

INK, SOFT = "#24241f", "#625f54"
_COST, _MISS, _WRONG, _AGAIN = COLOURS[0], COLOURS[1], COLOURS[2], COLOURS[4]
_PLACES_SHOWN = 12


def trust_figure(path: Path, title: str, trust: Trust) -> None:
    """Draw a judgement to a file (.png, .svg, .pdf)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(13.0, 9.0), layout="constrained")
    FigureCanvasAgg(figure)
    (cost, parts), (rates, bars) = figure.subplots(2, 2, width_ratios=[1.15, 1.0])
    _cost(cost, trust)
    _rates(rates, trust)
    _reliability(bars, trust)
    _parts(parts, trust.rows)
    figure.suptitle(title, x=0.008, ha="left", fontsize=13, color=INK)
    _save(figure, path)


def learning_figure(path: Path, curve: LearningCurve) -> None:
    """Draw the errors of teaching runs against labels, and what more labels would bring, with its interval."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 4.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    labels = np.geomspace(curve.labels.min() * 0.8, curve.labels.max() * 8, 60)
    middle, low, high = np.array([curve.at(n) for n in labels]).T
    axes.fill_between(labels, low, high, color=_COST, alpha=0.18, linewidth=0, label="95 % of the laws that agree")
    axes.plot(labels, middle, color=_COST, linewidth=1.8, label="middle of them")
    axes.errorbar(curve.labels, curve.error, 1.96 * curve.sd, fmt="o", color=INK, markersize=6, capsize=3,
                  label="teaching runs, 95 %")  # fmt: skip
    axes.axvline(curve.labels.max(), color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))
    axes.set_xscale("log")
    shown = [n for n in (curve.labels.min(), curve.labels.max(), 2 * curve.labels.max(), 8 * curve.labels.max())]
    axes.set_xticks(shown, [f"{n:.0f}" for n in shown])
    axes.minorticks_off()
    axes.set(xlabel="labelled plants", ylabel="error (1 - F1) on other places", ylim=(0, None))
    axes.set_title("What more labels would bring", loc="left", fontsize=11)
    axes.legend(frameon=False, fontsize=9)
    _bare(axes)
    _save(figure, path)


def _save(figure: Any, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    nothing = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
    figure.savefig(path, dpi=110, metadata=nothing.get(path.suffix.lower()))


def _bare(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=9)


def _unit(trust: Trust) -> tuple[str, float]:
    return ("m²", trust.area_m2) if trust.per_m2 else ("picture", float(trust.pictures))


def _cost(axes: Any, trust: Trust) -> None:
    unit, ground = _unit(trust)
    curve, factor = trust.curve, 100.0 / ground
    t, cost = curve.threshold, factor * curve.cost
    axes.plot(t, cost, color=_COST, linewidth=1.8, label="as it came out")
    axes.plot(t, factor * curve.expected, color=_COST, linewidth=1.0, linestyle=(0, (4, 2)), label="as foretold")
    c = curve.chosen
    axes.plot(t[c], cost[c], "o", color=_COST, markersize=9, zorder=5)
    top = min(factor * curve.nothing, 4.0 * float(cost.min()) + 1e-9)
    axes.annotate(
        f"threshold {t[c]:.2f}: {cost[c]:.3g} per 100 {unit}\nmisses {curve.missed[c] / ground:.2g}, wrongly burns "
        f"{curve.wrong[c] / ground:.2g} per {unit}", (t[c], cost[c]), xytext=(0.5, 0.72),
        textcoords="axes fraction", ha="center", fontsize=10, color=INK,
        arrowprops={"arrowstyle": "-", "color": SOFT, "linewidth": 0.9, "shrinkB": 5},
    )  # fmt: skip
    axes.plot(trust.as_is.threshold, trust.as_is.cost, "D", markersize=8, markerfacecolor="white",
              markeredgecolor=INK, zorder=5, label=f"the detector as it is ({trust.as_is.cost:.3g})")  # fmt: skip
    axes.axhline(factor * curve.nothing, color=SOFT, linewidth=0.9, linestyle=(0, (1, 2)))
    axes.set_ylim(0.0, 1.15 * max(top, trust.as_is.cost))
    axes.set(xlim=(0, 1), xlabel="threshold (calibrated probability)", ylabel=f"cost per 100 {unit}, your prices")
    axes.set_title("What a threshold costs", loc="left", fontsize=11)
    axes.legend(loc="upper left", frameon=False, fontsize=9)
    _bare(axes)


def _rates(axes: Any, trust: Trust) -> None:
    unit, ground = _unit(trust)
    curve = trust.curve
    missed, wrong = curve.missed / ground, curve.wrong / ground
    axes.plot(curve.threshold, missed, color=_MISS, linewidth=1.8, label="plants to treat that it misses")
    axes.plot(curve.threshold, wrong, color=_WRONG, linewidth=1.8, linestyle=(0, (5, 2)), label="wrong burns")
    at = trust.elsewhere
    if at is not None:
        for one, colour, marker in ((at.missed, _MISS, "o"), (at.wrong, _WRONG, "s")):
            high = one.high if math.isfinite(one.high) else one.value
            axes.errorbar(at.threshold, one.value, [[one.value - one.low], [high - one.value]], fmt=marker,
                          color=colour, capsize=4, markersize=6)  # fmt: skip
        axes.plot([], [], "o", color=SOFT, label="threshold chosen on other places, 95 %")
    axes.axvline(curve.threshold[curve.chosen], color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))
    last = curve.threshold >= 0.05
    shown = np.concatenate([missed[last & (curve.threshold < 0.98)], wrong[last]])
    axes.set_ylim(0.0, 1.1 * max(float(shown.max(initial=0.0)), 1e-6))
    axes.set(xlim=(0, 1), xlabel="threshold (calibrated probability)", ylabel=f"per {unit}")
    axes.set_title("What it misses and what it wrongly burns", loc="left", fontsize=11)
    axes.legend(loc="upper center", frameon=False, fontsize=9)
    _bare(axes)


def _reliability(axes: Any, trust: Trust) -> None:
    axes.plot([0, 1], [0, 1], color=SOFT, linewidth=0.9, linestyle=(0, (4, 3)))
    _points(axes, trust.bins, -0.006, COLOURS[1], "D", f"as it is (off by {trust.error_as_is:.3f})")
    if trust.bins_elsewhere:
        _points(axes, trust.bins_elsewhere, 0.006, _AGAIN, "o",
                f"calibrated on other places (off by {trust.error_elsewhere:.3f})")  # fmt: skip
    axes.set(xlim=(0, 1), ylim=(0, 1.02), xlabel="probability stated", ylabel="share that were plants")
    axes.set_title("Whether its probabilities are right", loc="left", fontsize=11)
    axes.legend(loc="upper left", frameon=False, fontsize=9)
    _bare(axes)


def _points(axes: Any, bins: Sequence[Bin], shift: float, colour: str, marker: str, label: str) -> None:
    x = np.array([b.stated for b in bins]) + shift
    y, low, high = (np.array([getattr(b, name) for b in bins]) for name in ("found", "low95", "high95"))
    if len(bins):
        axes.errorbar(x, y, np.maximum([y - low, high - y], 0), fmt=marker, color=colour, capsize=2.5, markersize=5,
                      linewidth=1.0, label=label)  # fmt: skip


def _parts(axes: Any, rows: Sequence[Row]) -> None:
    places = [r for r in rows if r.what == "place"]
    worst = sorted(places, key=lambda r: r.found.high)[:_PLACES_SHOWN] if len(places) <= _PLACES_SHOWN else []
    shown = [r for r in rows if r.what != "place" and r.plants] + worst
    for y, row in enumerate(shown):
        for shift, one, colour, marker in ((-0.14, row.found, _MISS, "o"), (0.14, row.right, _COST, "s")):
            if not math.isnan(one.value):
                axes.errorbar(100 * one.value, y + shift,
                              xerr=[[100 * (one.value - one.low)], [100 * (one.high - one.value)]], fmt=marker,
                              color=colour, markersize=4.5, capsize=2, linewidth=1.0)  # fmt: skip
    for y in range(1, len(shown)):
        if shown[y].what != shown[y - 1].what:
            axes.axhline(y - 0.5, color="#d8d4c8", linewidth=0.8)
    axes.plot([], [], "o", color=_MISS, label="plants found")
    axes.plot([], [], "s", color=_COST, label="reports that are plants")
    axes.set_yticks(range(len(shown)), [f"{_short(r)} ({r.plants})" for r in shown], fontsize=8.5)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    low = min((100 * min(r.found.low, r.right.low) for r in shown if r.plants >= 10), default=0.0)
    axes.set_xlim(max(0.0, 10 * math.floor(low / 10 - 0.5)), 101)
    axes.set_xlabel("%, 95 % intervals over places")
    axes.set_title("By part", loc="left", fontsize=11)
    axes.legend(loc="lower right", bbox_to_anchor=(1.02, 0.985), ncols=2, frameon=False, fontsize=9, columnspacing=1.0,
                handletextpad=0.1)  # fmt: skip
    _bare(axes)


def _short(row: Row) -> str:
    return row.name if row.what == "kind" else f"{row.what} {row.name}"

"""The mount calibration as one picture: how views fit before and after, what is known of each axis, who tells it."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.site import Site
from swardwright.shell.figures import _save

if TYPE_CHECKING:
    from swardwright.shell.calibrating_mount import MountResult

INK, SOFT, BEFORE, NOW, GAIN = "#24241f", "#625f54", "#c98f3c", "#4f7a3a", "#6d8fa8"


def mount_figure(path: Path, result: MountResult, site: Site) -> None:
    """Draw a calibrated mount to a file."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    count = len(result.seen.views)
    figure = Figure(figsize=(13.0, max(4.6, 1.9 + 0.21 * count)), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(2, 3, width_ratios=[1.25, 0.85, 1.0])
    fit, tells = figure.add_subplot(grid[:, 0]), figure.add_subplot(grid[:, 1])
    shift, turn = figure.add_subplot(grid[0, 2]), figure.add_subplot(grid[1, 2])
    for axes in (fit, tells, shift, turn):
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.title.set_color(INK)
    _fit(fit, result)
    _tells(tells, result)
    _axes(shift, turn, result)
    mark = " (invented data)" if site.invented else ""
    sentence = result.verdict.sentence
    title = f"{site.name}{mark}: {sentence}"
    if result.unknown:
        title += f". {result.unknown[0].sentence[0].upper()}{result.unknown[0].sentence[1:]}"
    elif result.ground_m:
        title += ". Its share of the ground error: "
        title += f"{1e3 * result.ground_before_m:.1f} mm as stated, " if result.verdict.sound else ""
        title += f"{1e3 * result.ground_m:.1f} mm once calibrated"
    figure.suptitle("\n".join(textwrap.wrap(title, 118)), x=0.008, ha="left", fontsize=13, color=INK)
    _save(figure, path)


def _fit(axes: Any, result: MountResult) -> None:
    now = result.estimate.rms_px
    before = np.where(np.isfinite(result.before_px), result.before_px, np.nan)
    y = np.arange(len(now))
    wide = np.nanmax(before, initial=1.0) > 20 * max(float(now.max()), 0.1)
    axes.hlines(y, now, before, color="#d8d4c6", linewidth=2, zorder=1)
    axes.plot(before, y, "o", color=BEFORE, markersize=5, label="as the site states it", zorder=2)
    axes.plot(now, y, "o", color=NOW, markersize=5, label="as calibrated", zorder=3)
    if wide:
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    else:
        axes.set_xlim(left=0)
    axes.set_yticks(y, [_shorter(n) for n in result.seen.views.names], fontsize=8 if len(y) < 40 else 5)
    axes.set_ylim(len(y) - 0.5, -0.5)
    axes.set_xlabel("corners off by, px (root mean square)")
    held = "" if result.held is None else f"\nviews not used: {result.held.overall_px:.2f} px, " \
        f"{1e3 * result.held.overall_m:.1f} mm on the board"  # fmt: skip
    axes.set_title(f"How well each view is met{held}", loc="left", fontsize=10.5)
    axes.legend(frameon=False, fontsize=9, loc="upper center", bbox_to_anchor=(0.5, -0.1), ncols=2)


def _shorter(name: str) -> str:
    return name if len(name) <= 18 else "…" + name[-17:]


def _tells(axes: Any, result: MountResult) -> None:
    y = np.arange(len(result.without_m))
    base = _weighed(result)
    more = np.maximum(result.without_m - base, 0.0)
    axes.barh(y, 100 * more / max(base, 1e-12), color=GAIN, height=0.62)
    axes.set_yticks([])
    axes.set_ylim(len(y) - 0.5, -0.5)
    axes.set_xlabel("error without this view, % more")
    what = (
        f"with all: {1e3 * base:.{1 if base < 0.01 else 0}f} mm on the ground"
        if result.ground_m
        else "of the mount's own numbers"
    )
    axes.set_title(f"What each view adds\n({what})", loc="left", fontsize=10.5)


def _weighed(result: MountResult) -> float:
    if result.ground_m:
        return result.ground_m
    return float(np.sqrt(np.trace(result.estimate.covariance)))


def _axes(shift: Any, turn: Any, result: MountResult) -> None:
    from swardwright.locating.calibration.mount_check import difference

    gap = -difference(result.claimed.matrix, result.estimate.link_from_camera)
    now = 1.96 * np.sqrt(np.diag(result.estimate.covariance))
    stated = 1.96 * np.sqrt(np.diag(result.claimed_covariance))
    for axes, part, factor, unit, word in (
        (shift, slice(3, 6), 1e3, "mm", "Place"), (turn, slice(0, 3), math.degrees(1), "degrees", "Direction"),
    ):  # fmt: skip
        rows = np.arange(3)
        axes.errorbar(factor * gap[part], rows - 0.16, xerr=factor * stated[part], fmt="o", color=BEFORE, markersize=5,
                      elinewidth=1.6, capsize=3, label="as the site states it")  # fmt: skip
        axes.errorbar(np.zeros(3), rows + 0.16, xerr=factor * now[part], fmt="o", color=NOW, markersize=5,
                      elinewidth=1.6, capsize=3, label="as calibrated")  # fmt: skip
        axes.axvline(0, color="#d8d4c6", linewidth=1, zorder=0)
        axes.set_yticks(rows, ["x", "y", "z"])
        axes.set_ylim(2.6, -0.6)
        axes.set_xlabel(f"from the calibrated value, {unit}")
        axes.set_title(f"{word} of the camera on {result.parent}, 95 %", loc="left", fontsize=10.5)

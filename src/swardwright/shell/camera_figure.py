"""The camera calibration as one picture: what was covered, how views fit, and what it means on the ground."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.shell.figures import _save

if TYPE_CHECKING:
    from swardwright.locating.calibration.camera import CameraCalibration

INK, SOFT, USED, HELD, OUT = "#24241f", "#625f54", "#4f7a3a", "#c98f3c", "#b04a3a"
#: one colour scale for every figure, so that good looks pale; lines where they fall into the picture
SCALE_MM, LEVELS_MM = (1.0, 50.0), (0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 30.0, 100.0)
VIEWS_DRAWN = 40


def camera_figure(path: Path, found: CameraCalibration, subject: str) -> None:
    """Draw a camera calibration to a file; ``subject`` opens the title."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(13.0, 7.6), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(2, 2, width_ratios=[1.75, 1.0])
    picture, bars, ground = (figure.add_subplot(g) for g in (grid[:, 0], grid[0, 1], grid[1, 1]))
    for axes in (picture, bars, ground):
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    _picture(picture, found)
    _bars(bars, found)
    _ground(figure, ground, found)
    corner = f"{1000 * found.corner_m:.1f} mm" if math.isfinite(found.corner_m) else "unknown"
    title = (f"{subject}: {found.verdict}. Intrinsics alone: {1000 * found.centre_m:.1f} mm on the ground at the "
             f"picture's centre, {corner} in its worst corner (from {found.height_m:.2f} m)")  # fmt: skip
    figure.suptitle("\n".join(textwrap.wrap(title, 118)), x=0.008, ha="left", fontsize=13, color=INK)
    _save(figure, path)


def _picture(axes: Any, found: CameraCalibration) -> None:
    width, height = found.camera.width_px, found.camera.height_px
    counts = found.coverage.counts
    down, across = counts.shape
    for j in range(down):
        for i in range(across):
            if counts[j, i] == 0:
                corner = (i * width / across - 0.5, j * height / down - 0.5)
                axes.add_patch(_box(corner, width / across, height / down))
    pixels = np.concatenate([v.pixels for v in found.views])
    residuals = np.concatenate(found.fit.residuals_px)
    usual = float(np.sqrt(np.square(residuals).sum(axis=1).mean()))
    factor = _round(0.03 * width / max(usual, 1e-6))
    axes.quiver(*pixels.T, *(factor * residuals.T), angles="xy", scale_units="xy", scale=1, width=0.0016, color=USED,
                headwidth=3.5, headlength=4, headaxislength=3.6, zorder=3)  # fmt: skip
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), xlabel="px", ylabel="px")
    axes.set_aspect("equal")
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)
    share = f"{100 * found.coverage.share:.0f} % of the picture covered"
    hatched = " (hatched: no corner seen)" if (counts == 0).any() else ""
    axes.set_title(f"{share}{hatched}; residuals drawn {factor:g} times larger, {usual:.2f} px r.m.s.", loc="left",
                   fontsize=10, color=INK)  # fmt: skip


def _box(corner: tuple[float, float], width: float, height: float) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle(
        corner, width, height, facecolor="#f3f1ea", edgecolor="#d8d4c6", hatch="///", linewidth=0, zorder=0
    )


def _round(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(max(value, 1e-9)))
    return max(s for s in (1.0, 2.0, 5.0) if s * power <= value * 1.0001) * power


def _bars(axes: Any, found: CameraCalibration) -> None:
    used = found.fit.by_view_px
    order = np.argsort(-used)[:VIEWS_DRAWN]
    x = np.arange(len(order))
    axes.bar(x, used[order], color=USED, width=0.75, label="used for the fit", zorder=2)
    title = "each view's error, worst first"
    if found.held_out is not None:
        axes.plot(x, found.held_out.by_view_px[order], "o", color=HELD, markersize=5, zorder=3,
                  label="predicted by a fit without it")  # fmt: skip
        title = (f"views not used are predicted to {found.held_out.reprojection_px:.2f} px "
                 f"(used: {found.fit.reprojection_px:.2f})")  # fmt: skip
    names = [found.views[i].name for i in order]
    shown = [n if len(n) <= 14 else f"…{n[-13:]}" for n in names]
    axes.set_xticks(x, shown, rotation=60, ha="right", rotation_mode="anchor", fontsize=8 if len(x) <= 20 else 6)
    axes.set_ylim(
        0, 1.3 * max(float(used.max()), 1e-9 if found.held_out is None else float(found.held_out.by_view_px.max()))
    )
    axes.set_ylabel("px r.m.s.")
    if found.dropped:
        names_out = ", ".join(name for name, _ in found.dropped[:3]) + (", …" if len(found.dropped) > 3 else "")
        axes.text(0.99, 0.83, f"left out as wrong: {names_out}", transform=axes.transAxes, ha="right", va="top",
                  fontsize=9, color=OUT)  # fmt: skip
    axes.legend(loc="upper right", frameon=False, fontsize=9, ncols=2)
    axes.set_title(title, loc="left", fontsize=10, color=INK)


def _ground(figure: Any, axes: Any, found: CameraCalibration) -> None:
    from matplotlib.colors import LogNorm

    width, height = found.camera.width_px, found.camera.height_px
    error_mm = 1000 * found.ground_m
    down, across = error_mm.shape
    low, high = float(np.nanmin(error_mm)), float(np.nanmax(error_mm))
    shown = axes.imshow(
        np.ma.masked_invalid(error_mm), cmap="YlOrBr", norm=LogNorm(*SCALE_MM), aspect="equal",
        extent=(-0.5, width - 0.5, height - 0.5, -0.5), interpolation="bilinear",
    )  # fmt: skip
    u, v = np.linspace(0, width - 1, across), np.linspace(0, height - 1, down)
    levels = [x for x in LEVELS_MM if low < x < high]
    if levels:
        lines = axes.contour(u, v, error_mm, levels=levels, colors=INK, linewidths=0.9)
        axes.clabel(lines, fmt=lambda x: f"{x:g} mm", fontsize=8)
    bar = figure.colorbar(shown, ax=axes, pad=0.02, shrink=0.9, extend="both")
    bar.set_label("standard deviation on the ground, mm")
    bar.set_ticks([1, 3, 10, 30], labels=["1", "3", "10", "30"])
    bar.minorticks_off()
    axes.set_xlabel("px")
    axes.set_ylabel("px")
    widened = f", widened {found.widened:.1f} times" if found.widened > 1 else ""
    axes.set_title(f"error on level ground from {found.height_m:.2f} m{widened}", loc="left", fontsize=10, color=INK)


__all__ = ["camera_figure"]

"""The aim calibration as one picture: the sheet, the landings about the aim, and the marks' growth with the dwell."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Site
from swardwright.domain.uncertainty import CHI2_2_95, ellipse
from swardwright.shell.figures import _save
from swardwright.shell.report_map import COLOURS

if TYPE_CHECKING:
    from swardwright.locating.calibration.aim import Aiming
    from swardwright.locating.calibration.marks import Seen
    from swardwright.shell.calibrating_aim import AimResult

INK, SOFT = "#24241f", "#7a766a"
MARK, AIM, OUT = COLOURS[0], COLOURS[1], "#b3261e"


def aim_figure(path: Path, site: Site, result: AimResult) -> None:
    """Draw the result to a file."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(15.0, 5.3), layout="constrained")
    FigureCanvasAgg(figure)
    left, middle, right = figure.subplots(1, 3, width_ratios=[1.25, 1.0, 0.95])
    name, seen, _ = max(result.sheets, key=lambda item: len(item[1].marks))
    _sheet(left, name, seen, result.aiming)
    _landings(middle, result.aiming)
    _growth(right, result.aiming)
    mark = " (invented data)" if site.invented else ""
    figure.suptitle(f"{site.name}{mark}: {result.verdict()}", x=0.008, ha="left", fontsize=13.5, color=INK)
    _save(figure, path)


def _bare(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _sheet(axes: Any, name: str, seen: Seen, a: Aiming) -> None:
    rows, columns = seen.picture.shape
    low = 1e3 * (seen.corner_m - 0.5 * seen.pixel_m)
    high = low + 1e3 * seen.pixel_m * np.array([columns, rows])
    axes.imshow(seen.picture, cmap="gray", vmin=0, vmax=255, extent=(low[0], high[0], high[1], low[1]))
    gone = {o.aim for o in a.outliers}
    for m, ring in zip(seen.marks, seen.outlines, strict=True):
        colour = OUT if m.aim in gone else MARK
        closed = 1e3 * np.vstack([ring, ring[:1]])
        axes.plot(*closed.T, color=colour, linewidth=1.3)
        axes.plot(*(1e3 * np.array([m.aim_m, m.centre_m])).T, color=AIM, linewidth=1.6)
        axes.plot(*(1e3 * m.aim_m), "+", color=AIM, markersize=9, markeredgewidth=1.6)
        axes.plot(*(1e3 * m.centre_m), "o", color="white", markeredgecolor=colour, markersize=4)
    axes.set_xlabel("sheet x, mm")
    axes.set_ylabel("sheet y, mm (down)")
    missing = f", {len(seen.unmarked)} aims left none" if seen.unmarked else ""
    axes.set_title(f"{name}, rectified: {len(seen.marks)} marks{missing}", loc="left", fontsize=10.5, color=INK)
    axes.plot([], [], "+", color=AIM, markersize=9, markeredgewidth=1.6, label="aim", linestyle="none")
    axes.plot(
        [], [], "o", color="white", markeredgecolor=MARK, markersize=5, linestyle="none", label="middle of the mark"
    )
    axes.plot([], [], color=MARK, linewidth=1.3, label="its edge")
    if gone:
        axes.plot([], [], color=OUT, linewidth=1.3, label="left out")
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.13), ncols=4, frameon=False, fontsize=9)


def _landings(axes: Any, a: Aiming) -> None:
    from swardwright.locating.calibration.aim import landings

    place = 1e3 * landings(a.used)[0]
    _ellipse(axes, a.offset_m, a.scatter_m2 * (1 + 1 / len(a.used)), a.offset_factor, facecolor="none",
             edgecolor=MARK, linewidth=1.4, linestyle=(0, (5, 3)))  # fmt: skip
    _ellipse(axes, a.offset_m, a.offset_covariance_m2, a.offset_factor, facecolor=MARK, alpha=0.35, linewidth=0)
    axes.plot(*place.T, "o", color=MARK, markersize=4.5, alpha=0.8)
    axes.axhline(0, color="#d9d5ca", linewidth=0.8, zorder=0)
    axes.axvline(0, color="#d9d5ca", linewidth=0.8, zorder=0)
    axes.annotate("", 1e3 * a.offset_m, (0, 0), arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.8})
    axes.plot(0, 0, "+", color=AIM, markersize=13, markeredgewidth=2.2)
    spread = 1e3 * math.sqrt(a.offset_factor * float(np.linalg.eigvalsh(a.scatter_m2).max()) * (1 + 1 / len(a.used)))
    reach = 1.12 * max(float(np.abs(place).max()), float(np.abs(1e3 * a.offset_m).max()) + spread)
    axes.set(xlim=(-reach, reach), ylim=(reach, -reach))
    axes.set_aspect("equal")
    _bare(axes)
    axes.set_xlabel("along the head link's x, mm")
    axes.set_ylabel("along the head link's y, mm (down: z is into the sheet)")
    half = [1e3 * math.sqrt(a.offset_factor * a.offset_covariance_m2[i, i]) for i in (0, 1)]
    axes.set_title(f"landing less aim: x {1e3 * a.offset_m[0]:+.1f} ± {half[0]:.1f}, "
                   f"y {1e3 * a.offset_m[1]:+.1f} ± {half[1]:.1f} mm", loc="left", fontsize=10.5)  # fmt: skip
    axes.plot([], [], "+", color=AIM, markersize=9, markeredgewidth=2, linestyle="none", label="aim")
    axes.fill([], [], color=MARK, alpha=0.35, label="mean, 95 %")
    axes.plot([], [], color=MARK, linestyle=(0, (5, 3)), label="next landing, 95 %")
    axes.legend(loc="lower left", frameon=False, fontsize=9)


def _ellipse(axes: Any, centre_m: Array, covariance_m2: Array, factor: float, **style: Any) -> None:
    from matplotlib.patches import Ellipse

    large, small, direction = ellipse(np.asarray(covariance_m2) * factor / CHI2_2_95)
    axes.add_patch(Ellipse(1e3 * centre_m, 2e3 * large, 2e3 * small, angle=math.degrees(direction), **style))


def _growth(axes: Any, a: Aiming) -> None:
    hold = np.array([m.hold_s for m in a.used])
    radius = np.array([m.radius_m for m in a.used])
    sigma = np.array([m.radius_sigma_m for m in a.used])
    axes.errorbar(hold, 1e4 * radius**2, yerr=1.96e4 * 2 * radius * sigma, fmt="o", color=MARK, markersize=4.5,
                  elinewidth=1, alpha=0.85)  # fmt: skip
    axes.set_xscale("log")
    low, high = float(hold.min()), float(hold.max())
    f = a.footprint
    if f is not None:
        low = min(low, f.t0_s)
        t = np.geomspace(0.85 * low, 1.15 * high, 200)
        by = np.stack([4 * f.sigma_m**2 * np.log(t / f.t0_s), np.full(len(t), -2 * f.sigma_m**2)], axis=1)
        from scipy.stats import t as student

        band = float(student.ppf(0.975, f.freedom)) * np.sqrt(np.einsum("ni,ij,nj->n", by, f.covariance, by))
        line = f.radius2_m2(t)
        axes.fill_between(t, 1e4 * (line - band), 1e4 * (line + band), color=MARK, alpha=0.2, linewidth=0)
        axes.plot(t, 1e4 * line, color=MARK, linewidth=1.6)
        axes.plot(f.t0_s, 0, "v", color=SOFT, markersize=7)
        axes.annotate(f"a mark shows from {f.t0_s:.2g} s", (f.t0_s, 0), (14, -13), textcoords="offset points",
                      fontsize=9, color=SOFT)  # fmt: skip
        title = f"footprint sigma {1e3 * f.sigma_m:.1f} mm ({1e3 * f.sigma_95_m[0]:.1f} to {1e3 * f.sigma_95_m[1]:.1f})"
    else:
        title = "footprint not told: " + a.footprint_reason.split(":")[0]
    ticks = sorted({float(f"{h:.2g}") for h in hold})
    if len(ticks) <= 8:
        axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
        axes.minorticks_off()
    axes.axhline(0, color="#d9d5ca", linewidth=0.8, zorder=0)
    _bare(axes)
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    axes.set_xlabel("dwell, s (logarithmic)")
    axes.set_ylabel("squared radius of the mark, cm²")
    axes.set_title(title, loc="left", fontsize=10.5, color=INK)

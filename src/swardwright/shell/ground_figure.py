"""The ground as one picture: heights against the wheels' plane over the reach, boards, base, and the way uphill."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.site import Site
from swardwright.domain.uncertainty import ellipse
from swardwright.shell.figures import _save
from swardwright.shell.report_map import COLOURS

if TYPE_CHECKING:
    from swardwright.locating.ground import Plane
    from swardwright.shell.calibrating_ground import GroundResult
    from swardwright.shell.driven_slope import DrivenSlope

INK, SOFT, WARN = "#24241f", "#625f54", "#b3261e"


def ground_figure(path: Path, site: Site, result: GroundResult) -> None:
    """Draw the result to a file."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12.5, 5.8), layout="constrained")
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2, width_ratios=[1.15, 1.0])
    mark = " (invented data)" if site.invented else ""
    p, drive = result.plane, result.drive
    if p is not None:
        _map(figure, left, site, result, p)
        _heights(right, result, p)
        degrees = math.degrees(p.slope_rad)
        said = f"the ground lies {1e3 * p.height_m:+.1f} mm from the wheels' plane, {degrees:.1f} degrees off it"
    else:
        assert drive is not None
        _drive(figure, left, drive)
        _slopes(right, site, drive)
        degrees, tilt = math.degrees(drive.tilted.slope_rad), math.degrees(drive.tilted.tilt_rad)
        said = f"the ground rises by {degrees:.1f} degrees, the base tilts on it by {tilt:.2f}"
    said += "; see the cautions" if result.warnings else ""
    colour = WARN if result.warnings else INK
    figure.suptitle(f"{site.name}{mark}: {said}", x=0.008, ha="left", fontsize=13, color=colour)
    _save(figure, path)


def _drive(figure: Any, axes: Any, drive: DrivenSlope) -> None:
    x, y, _ = drive.poses.T
    steep = np.degrees(np.arctan(np.hypot(*drive.slopes.T)))
    axes.plot(x, y, color=SOFT, linewidth=0.8, zorder=1)
    shown = axes.scatter(x, y, c=steep, cmap="YlOrBr", vmin=0, s=55, edgecolors=INK, linewidths=0.6, zorder=2)
    axes.quiver(x, y, *drive.slopes.T, angles="xy", color=INK, width=0.004, zorder=3)
    figure.colorbar(shown, ax=axes, label="slope under the base, degrees", shrink=0.85)
    axes.margins(0.12)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("x of the odometry, m")
    axes.set_ylabel("y of the odometry, m")
    title = f"{len(drive.poses)} places on {drive.distance_m:.1f} m driven; arrows point uphill"
    axes.set_title(title, loc="left", fontsize=10.5, color=INK)


def _slopes(axes: Any, site: Site, drive: DrivenSlope) -> None:
    from matplotlib.patches import Circle, Ellipse

    t = drive.tilted
    percent = 100.0 * drive.slopes
    large, small, direction = ellipse(1e4 * t.covariance)
    axes.add_patch(Ellipse(100 * t.slope, 2 * large, 2 * small, angle=math.degrees(direction), color=COLOURS[0],
                           alpha=0.3, linewidth=0))  # fmt: skip
    axes.plot(*percent.T, "o", color=COLOURS[0], markersize=4.5, label="under the base")
    axes.annotate("", 100 * t.slope, (0, 0), arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 2.0})
    axes.plot([], [], color=INK, linewidth=2, label="slope of the ground")
    axes.fill([], [], color=COLOURS[0], alpha=0.3, label="its 95 % region, the IMU's level in it")
    limit = 100 * math.tan(site.rig.base.slope_max_rad)
    axes.add_patch(Circle((0, 0), limit, fill=False, edgecolor=WARN, linestyle=(0, (5, 4))))
    axes.plot([], [], color=WARN, linestyle=(0, (5, 4)), label="the most that the base may climb")
    reach = 1.1 * max(float(np.abs(percent).max()), limit)
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach))
    axes.set_aspect("equal")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.set_xlabel("rise along x, %")
    axes.set_ylabel("rise along y, %")
    axes.set_title("slope against gravity", loc="left", fontsize=10.5, color=INK)
    axes.legend(loc="upper left", frameon=False, fontsize=8.5)


def _map(figure: Any, axes: Any, site: Site, result: GroundResult, p: Plane) -> None:
    from matplotlib.patches import Rectangle

    base = site.rig.base
    places = np.array([patch.place_m for patch in result.patches])
    low = np.minimum(places.min(axis=0) - 0.35, [base.offset_m - base.length_m / 2 - 0.1, -base.width_m / 2 - 0.1])
    high = np.maximum(places.max(axis=0) + 0.35, [base.offset_m + base.length_m / 2 + 0.1, base.width_m / 2 + 0.1])
    x, y = np.meshgrid(np.linspace(low[0], high[0], 80), np.linspace(low[1], high[1], 80))
    grid = np.stack([x, y], axis=-1)
    height = 1e3 * p.height_at(grid)
    own = 1e3 * np.array([patch.values[0] for patch in result.patches])
    most = max(float(np.abs(height).max()), float(np.abs(own).max()), 2.0)
    shown = axes.pcolormesh(x, y, height, cmap="BrBG_r", vmin=-most, vmax=most, shading="gouraud", rasterized=True)
    sigma = axes.contour(x, y, 1e3 * p.sigma_at(grid), levels=4, colors=SOFT, linewidths=0.7, linestyles=":")
    axes.clabel(sigma, fmt="±%.1f mm", fontsize=7.5)
    axes.scatter(*places.T, c=own, cmap="BrBG_r", vmin=-most, vmax=most, s=70, edgecolors=INK, linewidths=1.0, zorder=3)
    axes.add_patch(Rectangle((base.offset_m - base.length_m / 2, -base.width_m / 2), base.length_m, base.width_m,
                             facecolor="white", edgecolor=INK, linewidth=1.1, alpha=0.75))  # fmt: skip
    axes.text(base.offset_m, 0, "base", ha="center", va="center", fontsize=9, color=INK)
    if p.slope_rad > 1.0 * p.slope_sigma_rad:
        way = 0.22 * np.array([math.cos(p.uphill_rad), math.sin(p.uphill_rad)])
        start = p.about_m - 0.5 * way
        axes.annotate("", start + way, start, arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 2.2})
        axes.annotate("uphill", start + way, (4, -12), textcoords="offset points", fontsize=9, color=INK)
    figure.colorbar(shown, ax=axes, label="height of the ground over the wheels' plane, mm", shrink=0.85)
    axes.set_aspect("equal")
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))
    axes.set_xlabel("ahead of the base (x), m")
    axes.set_ylabel("to its left (y), m")
    axes.set_title("plane, boards (dots), and how well it is known (dotted)", loc="left", fontsize=10.5, color=INK)


def _heights(axes: Any, result: GroundResult, p: Plane) -> None:
    places = np.array([patch.place_m for patch in result.patches])
    way = np.array([math.cos(p.uphill_rad), math.sin(p.uphill_rad)])
    along = (places - p.about_m) @ way
    own = np.array([patch.values[0] for patch in result.patches])
    sigma = np.sqrt([patch.covariance[0, 0] for patch in result.patches])
    reach = max(float(np.abs(along).max()), 0.2) * 1.2
    s = np.linspace(-reach, reach, 60)
    line = p.about_m + s[:, None] * way
    middle, band = 1e3 * p.height_at(line), 1.96e3 * p.sigma_at(line)
    axes.fill_between(s, middle - band, middle + band, color=COLOURS[0], alpha=0.2, linewidth=0, label="plane, 95 %")
    axes.plot(s, middle, color=COLOURS[0], linewidth=1.6)
    axes.errorbar(along, 1e3 * own, yerr=1.96e3 * sigma, fmt="o", color=COLOURS[1], markersize=5, elinewidth=1.1,
                  label="a board, 95 % of its own error")  # fmt: skip
    axes.axhline(0, color=INK, linewidth=0.9, linestyle=(0, (5, 4)))
    axes.annotate("wheels' plane", (-reach, 0), (2, 4), textcoords="offset points", fontsize=9, color=INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.set_xlabel("along the way uphill, m")
    axes.set_ylabel("height, mm")
    scatter = f"; heights scatter by {1e3 * p.roughness_m:.1f} mm" if p.roughness_m else ""
    axes.set_title(f"{len(own)} boards{scatter}", loc="left", fontsize=10.5, color=INK)
    axes.legend(loc="best", frameon=False, fontsize=9)

"""The base's way as one picture: plan with 95 % ellipses, odometry alone, fixes; standard deviation over distance."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Site
from swardwright.domain.uncertainty import ellipse
from swardwright.footage.following import Followed

INK, SOFT, WAY, ALONE, FIX = "#24241f", "#625f54", "#0072b2", "#d55e00", "#00785a"
_ELLIPSES = 24


def track_figure(path: Path, site: Site, followed: Followed) -> None:
    """Draw the track to a file."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    s = followed.smoothed
    poses = np.array([p.as_array() for p in s.track.poses])
    sigma = np.sqrt(np.linalg.eigvalsh(s.covariances[:, :2, :2])[:, -1])
    figure = Figure(figsize=(13.0, 5.8), layout="constrained")
    FigureCanvasAgg(figure)
    plan, side = figure.subplots(1, 2, width_ratios=[1.7, 1.0])
    for axes in (plan, side):
        for edge in ("top", "right"):
            axes.spines[edge].set_visible(False)
        axes.tick_params(colors=SOFT, labelsize=9)
    _plan(plan, followed, poses)
    _deviations(side, followed, poses, sigma)
    mark = " (invented data)" if site.invented else ""
    off = float(np.hypot(*(poses[-1] - s.dead_reckoned[-1])[:2]))
    figure.suptitle(
        f"{followed.recording}{mark}: {s.distance_m:.0f} m; place known to {1e3 * sigma[-1]:.0f} mm at the end, "
        f"{1e3 * sigma.max():.0f} mm at worst (standard deviation); odometry alone ends {_length(off)} off",
        x=0.008, ha="left", fontsize=13, color=INK,
    )  # fmt: skip
    figure.savefig(path, dpi=110, metadata={"Software": None})


def _length(value_m: float) -> str:
    return f"{value_m:.2f} m" if value_m >= 1.0 else f"{1e3 * value_m:.0f} mm"


def _plan(ax: Any, followed: Followed, poses: Array) -> None:
    from matplotlib.patches import Ellipse

    s = followed.smoothed
    span = float(max(np.ptp(poses[:, 0]), np.ptp(poses[:, 1]), 0.5))
    largest = float(np.sqrt(np.linalg.eigvalsh(s.covariances[:, :2, :2]).max()) * 2.448)
    factor = next((f for f in (1, 2, 5, 10, 20, 50) if f * largest > 0.02 * span), 100)
    if s.fixes is not None and s.fixes_used:
        ax.plot(*s.fixes.places_m.T, ".", color=FIX, markersize=3, alpha=0.5, label=f"fixes used ({s.fixes_used})")
    ax.plot(*s.dead_reckoned[:, :2].T, color=ALONE, linewidth=1.1, linestyle=(0, (4, 2)), label="odometry alone")
    ax.plot(*poses[:, :2].T, color=WAY, linewidth=1.5, label="smoothed")
    for i in _spread(poses, _ELLIPSES):
        large, small, direction = ellipse(s.covariances[i, :2, :2])
        ax.add_patch(Ellipse(poses[i, :2], 2 * factor * large, 2 * factor * small, angle=math.degrees(direction),
                             facecolor=WAY, alpha=0.22, edgecolor="none", zorder=1))  # fmt: skip
    ax.plot([], [], "o", color=WAY, alpha=0.3, markersize=9,
            label="95 % ellipses" + (f", {factor} times larger" if factor > 1 else ", to scale"))  # fmt: skip
    x, y, yaw = poses[0]
    ax.annotate("start", (x, y), xytext=(-4, 6), textcoords="offset points", ha="right", color=INK, fontsize=9)
    ax.quiver([x], [y], [np.cos(yaw)], [np.sin(yaw)], angles="xy", scale=22, width=0.005, color=INK, zorder=4)
    ax.plot(*poses[-1, :2], "s", color=INK, markersize=5, zorder=4)
    ax.annotate("end", poses[-1, :2], xytext=(6, -10), textcoords="offset points", color=INK, fontsize=9)
    ax.set_aspect("equal", adjustable="datalim")
    ax.set_xlabel("east, m", color=SOFT)
    ax.set_ylabel("north, m", color=SOFT)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.11), ncols=4, frameon=False, fontsize=9)


def _deviations(ax: Any, followed: Followed, poses: Array, sigma: Array) -> None:
    s = followed.smoothed
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(poses[:, :2], axis=0).T))])
    ax.fill_between(gone, 0.0, 1e3 * sigma, color=WAY, alpha=0.12, linewidth=0)
    ax.plot(gone, 1e3 * sigma, color=WAY, linewidth=1.6)
    ax.set_xlim(0.0, max(float(gone[-1]), 1e-3))
    ax.set_ylim(0.0, 1.15e3 * float(sigma.max()))
    ax.set_xlabel("distance driven, m", color=SOFT)
    ax.set_ylabel("standard deviation of place, worst direction, mm", color=WAY)
    ax.grid(True, axis="y", color="#e4e2dc", linewidth=0.6)
    turn = ax.twinx()
    turn.spines["top"].set_visible(False)
    heading = np.degrees(np.sqrt(s.covariances[:, 2, 2]))
    turn.plot(gone, heading, color=ALONE, linewidth=1.2, linestyle=(0, (1, 1.2)))
    turn.set_ylim(0.0, 1.3 * float(heading.max()))
    turn.set_ylabel("of heading, deg (dotted)", color=ALONE)
    turn.tick_params(colors=SOFT, labelsize=9)


def _spread(poses: Array, count: int) -> list[int]:
    """Return indices about evenly spread over the way."""
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(poses[:, :2], axis=0).T))])
    return sorted({int(i) for i in np.searchsorted(gone, np.linspace(0.0, gone[-1], count))})

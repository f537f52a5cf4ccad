"""How late the gyro is stamped against the odometry.

Maximum likelihood for white noise: the shift at which the gyro's rate, scaled and offset freely, leaves the least sum
of squares against the wheels' turning rate; its standard deviation from the curvature there (Kay, Fundamentals of
Statistical Signal Processing: Estimation Theory, ch. 7; recalled from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array
from swardwright.footage.clock import seconds
from swardwright.footage.streams import Timed

#: looked for this far
GYRO_LATE_MAX_S = 1.0
_STEP_S = 0.01
#: least share of the wheels' turning that the gyro must explain before a lateness is believed
_EXPLAINED = 0.5
#: a lateness is applied if it is this many standard deviations, and this much, from none
_SIGNIFICANT, _MATTERS_S = 4.0, 0.005
_SIGMA_MAX_S = 0.05


@dataclass(frozen=True)
class Lateness:
    """By how much stamps are late (s) with its standard deviation; whether it was taken into account."""

    late_s: float
    sigma_s: float
    applied: bool
    note: str = ""


def gyro_lateness(odometry: Timed, gyro: Timed, zero_ns: int) -> Lateness | None:
    """Return the gyro's lateness against the odometry, or None where nothing turns enough to tell."""
    own, stamps = seconds(odometry.stamps_ns, zero_ns), seconds(gyro.stamps_ns, zero_ns)
    if len(own) < 20 or len(stamps) < 20:
        return None
    rate = gyro.values[:, 0]
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(stamps))])
    reach = GYRO_LATE_MAX_S
    ok = (own[:-1] - reach >= stamps[0]) & (own[1:] + reach <= stamps[-1])
    if ok.sum() < 20:
        return None
    begin, end, dt = own[:-1][ok], own[1:][ok], np.diff(own)[ok]
    wheels = np.diff(np.unwrap(odometry.values[:, 2]))[ok] / dt

    def explained(shift: float) -> float:
        gyro_rate = (np.interp(end + shift, stamps, turned) - np.interp(begin + shift, stamps, turned)) / dt
        if gyro_rate.std() < 1e-9 or wheels.std() < 1e-9:
            return 0.0
        return max(float(np.corrcoef(gyro_rate, wheels)[0, 1]), 0.0) ** 2

    shifts = np.arange(-reach, reach + 1e-9, _STEP_S)
    shares = np.array([explained(float(s)) for s in shifts])
    best = int(np.argmax(shares))
    if shares[best] < _EXPLAINED:
        return None
    if best in (0, len(shifts) - 1):
        note = f"gyro and odometry are more than {reach:g} s apart in time: keep all clocks in step (chrony, PTP)"
        return Lateness(float(shifts[best]), float("inf"), False, note)
    late, sigma = _peak(shifts, 1.0 - shares, best, len(wheels))
    applied = sigma < _SIGMA_MAX_S and abs(late) > max(_SIGNIFICANT * sigma, _MATTERS_S)
    return Lateness(late, sigma, applied)


def _peak(shifts: Array, left: Array, best: int, count: int) -> tuple[float, float]:
    """Return the minimum of the share left unexplained and its standard deviation, by a parabola about it."""
    width = min(5, best, len(shifts) - 1 - best)
    near = slice(best - width, best + width + 1)
    a, b, c = np.polyfit(shifts[near] - shifts[best], left[near], 2)
    if a <= 0:
        return float(shifts[best]), float("inf")
    late = float(np.clip(-b / (2.0 * a), -_STEP_S * width, _STEP_S * width))
    least = max(float(c - b * b / (4.0 * a)), 1e-12)
    return float(shifts[best]) + late, float(np.sqrt(least / (a * count)))

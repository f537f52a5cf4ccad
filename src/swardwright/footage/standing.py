"""When the base stands still: by the wheels, and not contradicted by the gyro.

Formula: generalised likelihood ratio of a steady rate against any rate, over one stand of the wheels:
``T = sum((rate - mean)^2) / sigma^2``, chi-square with n - 1 degrees of freedom when nothing turns (the angular rate
detector of Skog et al. 2010, IEEE Trans. Biomed. Eng. 57(11), with the unknown bias taken out; recalled from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array

#: standing still, by the wheels, for at least this long (common practice, no source)
STILL_M_S, STILL_RAD_S, STILL_MIN_S = 0.003, 0.005, 0.5
#: a true stand is taken for a turn with at most this probability
STILL_FALSE_ALARM = 1e-3
#: stated gyro noise is seldom exact: a stand whose rate spreads less than this many times it stays a stand
STILL_SPREAD = 2.0
_SAMPLES_MIN = 5
_LAGS = 20


@dataclass(frozen=True, eq=False)
class Standing:
    """Stands of the base.

    Attributes
    ----------
    periods_s : Array
        Shape (k, 2): begin and end of each stand, seconds on the recording's clock.
    carried_s : Array
        Shape (m, 2): the wheels stood still but the gyro turned (slipping, or lifted and carried).
    """

    periods_s: Array
    carried_s: Array

    @property
    def total_s(self) -> float:
        """Time stood still."""
        return float(np.diff(self.periods_s, axis=1).sum())


def standing(own_s: Array, raw: Array, gyro_s: Array, rate: Array, noise_var: float) -> Standing:
    """Find the stands.

    Parameters
    ----------
    own_s, raw : Array
        Shapes (n,) and (n, 3): odometry times and x_m, y_m, yaw_rad (unwrapped).
    gyro_s, rate : Array
        Shape (m,) each: gyro times and rate about z, rad/s; may be empty.
    noise_var : float
        Variance of one gyro sample, rad2/s2.
    """
    runs = _wheel_stands(own_s, raw)
    turned = np.array([_turns(rate[(gyro_s >= a) & (gyro_s <= b)], noise_var) for a, b in runs], dtype=bool)
    return Standing(runs[~turned], runs[turned])


def noise_while_standing(periods_s: Array, gyro_s: Array, rate: Array) -> tuple[float, float]:
    """Return the variance of one gyro sample in the stands (rad2/s2) and by how much more than white noise it adds up.

    The second is ``1 + 2 sum rho_k`` over lags until the correlation is below 0.1: an Imu that filters its rate states
    the variance of a sample, but its integral wanders by more. NaN and 1 where the stands are too short to tell.
    """
    parts = [rate[(gyro_s >= a) & (gyro_s <= b)] for a, b in periods_s]
    parts = [p - p.mean() for p in parts if len(p) >= 2 * _LAGS]
    count = sum(map(len, parts))
    if count < 10 * _LAGS:
        return float("nan"), 1.0
    variance = sum(float(p @ p) for p in parts) / (count - len(parts))
    factor = 1.0
    for lag in range(1, _LAGS):
        pairs = sum(len(p) - lag for p in parts)
        rho = sum(float(p[lag:] @ p[:-lag]) for p in parts) / pairs / max(variance, 1e-30)
        if rho < 0.1:
            break
        factor += 2.0 * rho
    return variance, factor


def inside(periods_s: Array, at_s: Array) -> NDArray[np.bool_]:
    """Say which of ``at_s`` lie in one of the periods (k, 2), which are in order of time."""
    if not len(periods_s):
        return np.zeros(len(at_s), dtype=bool)
    i = np.clip(np.searchsorted(periods_s[:, 0], at_s, side="right") - 1, 0, len(periods_s) - 1)
    return np.asarray((at_s >= periods_s[i, 0]) & (at_s <= periods_s[i, 1]))


def _wheel_stands(own_s: Array, raw: Array) -> Array:
    if len(own_s) < 3:
        return np.zeros((0, 2))
    dt, steps = np.diff(own_s), np.diff(raw, axis=0)
    still = (np.hypot(steps[:, 0], steps[:, 1]) < STILL_M_S * dt) & (np.abs(steps[:, 2]) < STILL_RAD_S * dt)
    edges = np.diff(np.concatenate([[0], still.astype(int), [0]]))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    # not the samples that start or stop, except where the recording itself does
    first = first + (first > 0)
    last = last - (last < len(still))
    runs = np.column_stack([own_s[np.minimum(first, len(still))], own_s[last]])
    return np.asarray(runs[runs[:, 1] - runs[:, 0] >= STILL_MIN_S])


def _turns(rate: Array, noise_var: float) -> bool:
    from scipy.stats import chi2

    n = len(rate)
    if n < _SAMPLES_MIN:
        return False
    # what the samples themselves show from one to the next, where more than stated: a slow turn does not raise it
    noise_var = max(noise_var, 0.5 * float(np.mean(np.diff(rate) ** 2)))
    excess = float(np.sum((rate - rate.mean()) ** 2)) / max(noise_var, 1e-30)
    return excess > max(float(chi2.isf(STILL_FALSE_ALARM, n - 1)), STILL_SPREAD**2 * (n - 1))

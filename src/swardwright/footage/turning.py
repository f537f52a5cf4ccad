"""The turning of the base from wheels and gyro together, with the errors that all of it shares.

Both count the same turn: the wheels ``w = (1 + k) turn + noise``, the gyro ``g = (1 + s) turn + bias * time + noise``.
Their weighted mean (inverse variances) is the turn given the shared errors (k, bias, s); their difference tells about
these alone and is independent of it. Both are exact for Gaussian noise and first order in the shared errors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import ErrorSources

#: where an Imu does not state its noise: 0.007 deg/s/sqrt(Hz) and 10 deg/h in-run bias (MEMS gyro datasheet values)
GYRO_NOISE_RAD_S_SQRT_HZ = np.deg2rad(0.007)
GYRO_BIAS_RAD_S = np.deg2rad(10.0) / 3600.0
#: the in-run bias wanders about its mean with this correlation time (from memory)
GYRO_BIAS_TAU_S = 100.0
#: before anything is known of it: bias at switch-on, and error of the scale (from memory: MEMS datasheets)
GYRO_BIAS_START_RAD_S, GYRO_SCALE = 0.02, 0.005
#: longest gap between gyro samples across which they are integrated, s
GYRO_GAP_S = 0.15
#: wheels and gyro may differ by this much and five standard deviations before the gyro is not believed
GYRO_APART_RAD = 0.2

#: a turn is told from noise over this time before and after, by this many standard deviations
_SURE_S, _SURE_SIGMAS = 0.25, 4.0

TURN_SCALE, GYRO_BIAS, GYRO_SCALE_NAME = "turn scale", "gyro bias", "gyro scale"


@dataclass(frozen=True, eq=False)
class GyroSteps:
    """What the gyro says of each step: turn (n,) rad, variance (n,) rad2 (inf in a gap); seconds between samples."""

    turn: Array
    variance: Array
    spacing_s: float


@dataclass(frozen=True, eq=False)
class Turning:
    """The turn of each of n steps, and the k shared errors.

    Attributes
    ----------
    steps, variance : Array
        Shape (n,): rad and rad2, given the shared errors.
    names : tuple[str, ...]
        Of the shared errors.
    loads : Array
        Shape (n, k): change of each step per unit of each shared error beyond ``values``.
    values : Array
        Shape (k,): what wheels and gyro alone say of them; taken into account in ``steps``.
    information : Array
        Shape (k, k): of the shared errors about ``values``, prior included.
    gyro_used : bool
        Whether the gyro took part.
    """

    steps: Array
    variance: Array
    names: tuple[str, ...]
    loads: Array
    values: Array
    information: Array
    gyro_used: bool
    note: str = ""


def gyro_steps(stamps_s: Array, rate: Array, noise_var: float, times_s: Array) -> GyroSteps:
    """Integrate the rate (rad/s, about base z) between ``times_s`` by trapezoids.

    Parameters
    ----------
    noise_var : float
        Variance of one sample (rad2/s2); 0: not stated, the datasheet's density is used.
    """
    gap = np.diff(stamps_s)
    density2 = noise_var * float(np.median(gap)) if noise_var > 0 else GYRO_NOISE_RAD_S_SQRT_HZ**2
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * gap)])
    middle = 0.5 * (times_s[1:] + times_s[:-1])
    i = np.clip(np.searchsorted(stamps_s, middle) - 1, 0, len(gap) - 1)
    covered = (middle >= stamps_s[0]) & (middle <= stamps_s[-1]) & (gap[i] <= GYRO_GAP_S)
    # the in-run bias, wandering: its integral grows as a random walk once it has forgotten where it began
    wander2 = GYRO_BIAS_RAD_S**2 * min(2.0 * GYRO_BIAS_TAU_S, float(times_s[-1] - times_s[0]))
    variance = (density2 + wander2) * np.diff(times_s)
    turn = np.diff(np.interp(times_s, stamps_s, turned))
    return GyroSteps(turn, np.where(covered, variance, np.inf), float(np.median(gap)))


def turning(wheels: Array, wheel_var: Array, seconds: Array, gyro: GyroSteps | None, errors: ErrorSources) -> Turning:
    """Put wheels and gyro together.

    Parameters
    ----------
    wheels, wheel_var, seconds : Array
        Shape (n,): turn (rad), variance (rad2) and duration (s) of each step.
    """
    names, priors, by_wheels, by_gyro = [], [], [], []
    nothing = np.zeros(len(wheels))
    sure = sure_turn(wheels, wheel_var, seconds)
    if errors.turn_scale > 0:
        names.append(TURN_SCALE)
        priors.append(errors.turn_scale)
        by_wheels.append(sure)
        by_gyro.append(nothing)
    if gyro is not None:
        names += [GYRO_BIAS, GYRO_SCALE_NAME]
        priors += [GYRO_BIAS_START_RAD_S, GYRO_SCALE]
        by_wheels += [nothing, nothing]
        by_gyro += [seconds, sure]
    columns = (len(names), len(wheels))
    in_wheels, in_gyro = np.reshape(by_wheels, columns).T, np.reshape(by_gyro, columns).T
    information = np.diag(np.array(priors, dtype=float) ** -2)
    if gyro is None:
        return Turning(wheels, wheel_var, tuple(names), -in_wheels, np.zeros(len(names)), information, False)
    covered = np.isfinite(gyro.variance)
    both = np.where(covered, wheel_var + gyro.variance, np.inf)
    # where a turn begins or ends, half a sample of either is a difference that is no error of either
    jitter = 0.5 * max(gyro.spacing_s, float(np.quantile(seconds, 0.9))) * _change(gyro.turn / seconds)
    told = both + jitter**2
    apart, apart_loads = np.where(covered, gyro.turn - wheels, 0.0), in_gyro - in_wheels
    information = information + apart_loads.T @ (apart_loads / told[:, None])
    values = np.linalg.solve(information, apart_loads.T @ (apart / told))
    mended_wheels, mended_gyro = wheels - in_wheels @ values, gyro.turn - in_gyro @ values
    left = float(np.abs(np.cumsum(np.where(covered, mended_gyro - mended_wheels, 0.0))).max(initial=0.0))
    if left > GYRO_APART_RAD + 5.0 * float(np.sqrt(both[covered].sum())):
        alone = turning(wheels, wheel_var, seconds, None, errors)
        note = "the gyro is not used: it contradicts the wheels about turning (is the sensor level, z up?)"
        return Turning(
            alone.steps, alone.variance, alone.names, alone.loads, alone.values, alone.information, False, note
        )
    share = np.where(covered, wheel_var / np.where(covered, both, 1.0), 0.0)
    steps = mended_wheels + share * (np.where(covered, mended_gyro, mended_wheels) - mended_wheels)
    loads = -((1.0 - share)[:, None] * in_wheels + share[:, None] * in_gyro)
    return Turning(steps, (1.0 - share) * wheel_var, tuple(names), loads, values, information, True)


def _change(rate: Array) -> Array:
    """Return for each step the larger change of the rate to a neighbour."""
    steps = np.concatenate([[0.0], np.abs(np.diff(rate)), [0.0]])
    return np.asarray(np.maximum(steps[:-1], steps[1:]))


def sure_turn(wheels: Array, wheel_var: Array, seconds: Array) -> Array:
    """Return each step's turn free of its own noise: the mean over half a second about it, none if that may be noise.

    A scale times a noisy turn would be drawn to where the noise itself explains the difference (errors in variables).
    """
    at = np.concatenate([[0.0], np.cumsum(seconds)])
    middle = 0.5 * (at[1:] + at[:-1])

    def about(values: Array) -> Array:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(np.interp(middle + _SURE_S, at, total) - np.interp(middle - _SURE_S, at, total))

    span, turned = about(seconds), about(wheels)
    sure = np.abs(turned) > _SURE_SIGMAS * np.sqrt(about(wheel_var))
    return np.where(sure, turned / np.maximum(span, 1e-9) * seconds, 0.0)

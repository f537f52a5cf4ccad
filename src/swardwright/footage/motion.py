"""Base motion between samples: wheel odometry and gyro fused into one drive with growing covariance.

Formulas: random walk in position and heading along the drive; the covariance of the relative pose between two times is
the sum over the steps between them, a heading error turning everything that follows it (first order). Blending of the
two heading increments: inverse-variance weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import Array
from swardwright.domain.site import ErrorSources
from swardwright.footage.clock import interpolate, seconds
from swardwright.footage.streams import Timed

#: where an Imu does not state its noise: 0.007 deg/s/sqrt(Hz) and 10 deg/h in-run bias (MEMS gyro datasheet values)
GYRO_NOISE_RAD_S_SQRT_HZ = np.deg2rad(0.007)
GYRO_BIAS_RAD_S = np.deg2rad(10.0) / 3600.0
#: standing still, by the wheels (common practice, no source)
STILL_M_S, STILL_RAD_S, STILL_SAMPLES = 0.003, 0.005, 25
#: longest gap between gyro samples across which they are integrated, s
GYRO_GAP_S = 0.15
#: floor of each step's standard deviation, so that standing still does not make a singular link
FLOOR_M, FLOOR_RAD = 1e-4, 1e-5
SPEED_MAX_M_S = 30.0


@dataclass(frozen=True, eq=False)
class Drive:
    """The base's way in its own start axes.

    Attributes
    ----------
    times_s : Array
        Shape (n,), increasing.
    poses : Array
        Shape (n, 3): x_m, y_m and yaw_rad (unwrapped) from wheels and gyro.
    place_var, yaw_var : Array
        Shape (n - 1,): variance added by each step, m2 and rad2.
    distance_m : float
        Length of the way.
    gyro_used : bool
        Whether the gyro took part.
    note : str
        Why it did not, if it was there.
    """

    times_s: Array
    poses: Array
    place_var: Array
    yaw_var: Array
    distance_m: float
    gyro_used: bool
    note: str = ""

    def relative(self, nodes: NDArray[np.intp]) -> tuple[Array, Array]:
        """Return the motion between successive node indices and its covariance.

        Parameters
        ----------
        nodes : Array
            Shape (m,), int, increasing indices into ``times_s``.

        Returns
        -------
        tuple[Array, Array]
            Steps (m - 1, 3) in the axes of the earlier node; covariances (m - 1, 3, 3) of (x, y, yaw) of the later
            pose in the axes of the earlier.
        """
        middle = 0.5 * (self.poses[1:, :2] + self.poses[:-1, :2])

        def sums(values: Array) -> Array:
            total = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
            return np.asarray(total[nodes[1:]] - total[nodes[:-1]])

        # about the mean of the way, so that the differences of sums below stay accurate
        centre = middle.mean(axis=0)
        m = middle - centre
        q = self.yaw_var
        q0, q1, q2 = sums(q), sums(q[:, None] * m), sums(q[:, None, None] * m[:, :, None] * m[:, None, :])
        end = self.poses[nodes[1:], :2] - centre
        turned = np.array([[0.0, -1.0], [1.0, 0.0]])
        lever = q0[:, None, None] * end[:, :, None] * end[:, None, :] + q2
        cross = q1[:, :, None] * end[:, None, :]
        lever = lever - cross - cross.transpose(0, 2, 1)
        covariance = np.zeros((len(end), 3, 3))
        covariance[:, :2, :2] = turned @ lever @ turned.T + sums(self.place_var)[:, None, None] * np.eye(2)
        covariance[:, :2, 2] = (q0[:, None] * end - q1) @ turned.T
        covariance[:, 2, :2] = covariance[:, :2, 2]
        covariance[:, 2, 2] = q0
        yaw = self.poses[nodes[:-1], 2]
        back = np.zeros((len(end), 3, 3))
        back[:, 0, 0], back[:, 0, 1], back[:, 1, 0], back[:, 1, 1] = np.cos(yaw), np.sin(yaw), -np.sin(yaw), np.cos(yaw)
        back[:, 2, 2] = 1.0
        steps = np.einsum("nij,nj->ni", back, np.diff(self.poses[nodes], axis=0))
        covariance = back @ covariance @ back.transpose(0, 2, 1)
        covariance[:, [0, 1], [0, 1]] += FLOOR_M**2
        covariance[:, 2, 2] += FLOOR_RAD**2
        return steps, covariance


def drive(odometry: Timed, gyro: Timed | None, at_s: Array, zero_ns: int, errors: ErrorSources, where: str) -> Drive:
    """Fuse wheels and gyro; the way has samples at all odometry times and at all of ``at_s``.

    Parameters
    ----------
    odometry : Timed
        Columns x_m, y_m, yaw_rad, anywhere on its own ground.
    gyro : Timed | None
        Columns z rate (rad/s, base axes) and variance (rad2/s2; 0: not stated).
    at_s : Array
        Times that must be samples, seconds after ``zero_ns``.

    Raises
    ------
    RecordingError
        If the odometry jumps (faster than ``SPEED_MAX_M_S``).
    """
    own = seconds(odometry.stamps_ns, zero_ns)
    raw = odometry.values.copy()
    raw[:, 2] = np.unwrap(raw[:, 2])
    if len(own) > 1:
        pace = np.hypot(*np.diff(raw[:, :2], axis=0).T) / np.diff(own)
        if pace.max() > SPEED_MAX_M_S:
            raise RecordingError("the odometry jumps", where=where, field="pose", value=f"{pace.max():.1f} m/s",
                                 limit=f"at most {SPEED_MAX_M_S:.0f} m/s",
                                 remedy="record odometry that is continuous, not reset while driving")  # fmt: skip
    times = np.unique(np.concatenate([own, at_s]))
    poses = interpolate(own, raw, times)
    steps = np.diff(poses, axis=0)
    length = np.hypot(steps[:, 0], steps[:, 1])
    place_var = errors.odometry_per_m**2 * length
    wheel_var = errors.yaw_per_m**2 * length + errors.yaw_per_rad**2 * np.abs(steps[:, 2])
    yaw_steps, yaw_var, used, note = steps[:, 2], wheel_var, False, ""
    if gyro is not None and len(gyro) > STILL_SAMPLES:
        gyro_steps, gyro_var, note = _gyro(gyro, own, raw, times, zero_ns, wheel_var)
        if not note:
            used = True
            share = wheel_var / np.maximum(wheel_var + gyro_var, 1e-30)
            share = np.where(np.isfinite(gyro_var), share, 0.0)
            yaw_steps = steps[:, 2] + share * (gyro_steps - steps[:, 2])
            yaw_var = np.where(np.isfinite(gyro_var), (1.0 - share) * wheel_var, wheel_var)
    # the same body-frame steps, laid along the fused heading
    yaw = np.concatenate([poses[:1, 2], poses[0, 2] + np.cumsum(yaw_steps)])
    swing = 0.5 * (yaw[:-1] + yaw[1:]) - 0.5 * (poses[:-1, 2] + poses[1:, 2])
    c, s = np.cos(swing), np.sin(swing)
    moved = np.column_stack([c * steps[:, 0] - s * steps[:, 1], s * steps[:, 0] + c * steps[:, 1]])
    place = np.concatenate([poses[:1, :2], poses[0, :2] + np.cumsum(moved, axis=0)])
    return Drive(times, np.column_stack([place, yaw]), place_var, yaw_var, float(length.sum()), used, note)


def _gyro(
    gyro: Timed, own: Array, raw: Array, times: Array, zero_ns: int, wheel_var: Array
) -> tuple[Array, Array, str]:
    """Return the gyro's yaw increment and variance for each step (variance inf where it has a gap), or why not."""
    stamps, rate = seconds(gyro.stamps_ns, zero_ns), gyro.values[:, 0]
    nothing = (np.zeros(len(times) - 1), np.full(len(times) - 1, np.inf))
    bias, bias_var = still_bias(own, raw, stamps, rate)
    if not np.isfinite(bias):
        note = "the gyro is not used: the base never stands still, which its bias needs (record some seconds of it)"
        return *nothing, note
    gap = np.diff(stamps)
    spacing = float(np.median(gap))
    stated = float(np.median(gyro.values[:, 1]))
    density2 = stated * spacing if stated > 0 else GYRO_NOISE_RAD_S_SQRT_HZ**2
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1] - 2.0 * bias) * gap)])
    steps = np.diff(np.interp(times, stamps, turned))
    middle = 0.5 * (times[1:] + times[:-1])
    i = np.clip(np.searchsorted(stamps, middle) - 1, 0, len(gap) - 1)
    covered = (middle >= stamps[0]) & (middle <= stamps[-1]) & (gap[i] <= GYRO_GAP_S)
    dt = np.diff(times)
    # one bias error is shared by the whole drive: spread as a random walk that reaches bias_sd * T at the end
    variance = density2 * dt + (bias_var + GYRO_BIAS_RAD_S**2) * dt * float(times[-1] - times[0])
    wheels = np.diff(interpolate(own, raw, times)[:, 2])
    apart = abs(float((steps - wheels)[covered].sum()))
    allowed = 0.2 + 5.0 * float(np.sqrt(variance[covered].sum() + wheel_var[covered].sum()))
    if apart > allowed:
        return *nothing, "the gyro is not used: it contradicts the wheels about turning (is the sensor level?)"
    return steps, np.where(covered, variance, np.inf), ""


def still_bias(own: Array, raw: Array, stamps: Array, rate: Array) -> tuple[float, float]:
    """Return the gyro's bias (rad/s) while the wheels stand still and its variance; NaN if they never do."""
    if len(own) < 3:
        return float("nan"), float("nan")
    dt, steps = np.diff(own), np.diff(raw, axis=0)
    still = (np.hypot(steps[:, 0], steps[:, 1]) < STILL_M_S * dt) & (np.abs(steps[:, 2]) < STILL_RAD_S * dt)
    still &= np.concatenate([[False], still[:-1]]) & np.concatenate([still[1:], [False]])  # not starting or stopping
    i = np.searchsorted(own, stamps) - 1
    ok = (i >= 0) & (i < len(still))
    chosen = rate[ok][still[i[ok]]]
    if len(chosen) < STILL_SAMPLES:
        return float("nan"), float("nan")
    return float(np.mean(chosen)), float(np.var(chosen) / len(chosen))

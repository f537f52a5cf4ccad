"""Base motion between samples: wheel odometry and gyro fused into one drive with growing covariance.

Formulas: random walk in position and heading along the drive; the covariance of the relative pose between two times is
the sum over the steps between them, a heading error turning everything that follows it (first order). Errors shared by
the whole recording (scale of the way, ``turning``) are kept apart as loadings: they do not average out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import Array
from swardwright.domain.site import ErrorSources
from swardwright.footage.clock import interpolate, seconds
from swardwright.footage.standing import Standing, inside, noise_while_standing, standing
from swardwright.footage.streams import Timed
from swardwright.footage.turning import GYRO_NOISE_RAD_S_SQRT_HZ, gyro_steps, sure_turn, turning

#: fewer samples of a gyro are none
GYRO_SAMPLES = 25
#: floor of each step's standard deviation, so that standing still does not make a singular link
FLOOR_M, FLOOR_RAD = 1e-4, 1e-5
SPEED_MAX_M_S = 30.0
#: wheels that stand still while the gyro turns say nothing about turning
CARRIED_RAD_S = 1.0

WAY_SCALE = "odometry scale"


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
    shared : tuple[str, ...]
        Names of the k errors shared by all steps; the first is ``WAY_SCALE`` if there is one, which has no loadings
        here: it stretches the steps, see ``pose_chain``.
    values : Array
        Shape (k,): what of them is taken into account in ``poses`` already.
    information : Array
        Shape (k, k): of the shared errors about ``values``.
    yaw_loads : Array
        Shape (n - 1, k): change of each yaw step per unit of each shared error.
    gyro_used : bool
        Whether the gyro took part.
    note : str
        What to know about the gyro, if it was there.
    """

    times_s: Array
    poses: Array
    place_var: Array
    yaw_var: Array
    distance_m: float
    shared: tuple[str, ...]
    values: Array
    information: Array
    yaw_loads: Array
    gyro_used: bool
    standing: Standing
    note: str = ""

    def relative(self, nodes: NDArray[np.intp]) -> tuple[Array, Array, Array]:
        """Return the motion between successive node indices, its covariance and its loadings.

        Parameters
        ----------
        nodes : Array
            Shape (m,), int, increasing indices into ``times_s``.

        Returns
        -------
        tuple[Array, Array, Array]
            Steps (m - 1, 3) in the axes of the earlier node; covariances (m - 1, 3, 3) of (x, y, yaw) of the later
            pose in the axes of the earlier, given the shared errors; loadings (m - 1, 3, k): change of each step per
            unit of each shared error.
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
        loads = np.zeros((len(end), 3, len(self.shared)))
        loads[:, 2, :] = sums(self.yaw_loads)
        swept = loads[:, 2, None, :] * end[:, :, None] - sums(m[:, :, None] * self.yaw_loads[:, None, :])
        loads[:, :2, :] = turned @ swept
        loads = back @ loads
        return steps, covariance, loads


def followed(odometry: Timed | None) -> Timed | None:
    """Return x_m, y_m, yaw_rad of odometry rows that carry the twist (m/s, m/s, rad/s, base axes) in columns 3 to 5.

    Where a driver fills only the twist, the pose never changing, the twist is added up along mid headings.
    """
    if odometry is None:
        return None
    pose, twist = odometry.values[:, :3], odometry.values[:, 3:6]
    if len(pose) < 2 or np.ptp(pose, axis=0).any() or not np.isfinite(twist).all() or not twist.any():
        return Timed(odometry.stamps_ns, pose)
    dt = np.diff(seconds(odometry.stamps_ns, int(odometry.stamps_ns[0])))[:, None]
    step = 0.5 * (twist[1:] + twist[:-1]) * dt
    yaw = np.concatenate([[0.0], np.cumsum(step[:, 2])])
    half = yaw[:-1] + 0.5 * step[:, 2]
    c, s = np.cos(half), np.sin(half)
    moved = np.column_stack([c * step[:, 0] - s * step[:, 1], s * step[:, 0] + c * step[:, 1]])
    place = np.concatenate([np.zeros((1, 2)), np.cumsum(moved, axis=0)])
    return Timed(odometry.stamps_ns, np.column_stack([place, yaw]) + pose[0])


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
    raw = odometry.values[:, :3].copy()
    raw[:, 2] = np.unwrap(raw[:, 2])
    if len(own) > 1:
        pace = np.hypot(*np.diff(raw[:, :2], axis=0).T) / np.diff(own)
        if pace.max() > SPEED_MAX_M_S:
            raise RecordingError("the odometry jumps", where=where, field="pose", value=f"{pace.max():.1f} m/s",
                                 limit=f"at most {SPEED_MAX_M_S:.0f} m/s",
                                 remedy="record odometry that is continuous, not reset while driving")  # fmt: skip
    there = gyro is not None and len(gyro) > GYRO_SAMPLES
    stamps = seconds(gyro.stamps_ns, zero_ns) if gyro is not None and there else np.zeros(0)
    rate = gyro.values[:, 0] if gyro is not None and there else np.zeros(0)
    noise_var = float(np.median(gyro.values[:, 1])) if gyro is not None and there else 0.0
    spread = noise_var
    if there and noise_var <= 0:
        spread = GYRO_NOISE_RAD_S_SQRT_HZ**2 / float(np.median(np.diff(stamps)))
    stands = standing(own, raw, stamps, rate, spread)
    if there:
        seen_var, colour = noise_while_standing(stands.periods_s, stamps, rate)
        noise_var = colour * max(noise_var, seen_var) if np.isfinite(seen_var) else noise_var
    times = np.unique(np.concatenate([own, at_s]))
    poses = interpolate(own, raw, times)
    steps, dt = np.diff(poses, axis=0), np.diff(times)
    middle = 0.5 * (times[1:] + times[:-1])
    steps[inside(stands.periods_s, middle)] = 0.0
    length = np.hypot(steps[:, 0], steps[:, 1])
    place_var = errors.odometry_per_m**2 * length
    wheel_var = errors.yaw_per_m**2 * length
    wheel_var = wheel_var + errors.yaw_per_rad**2 * np.abs(sure_turn(steps[:, 2], wheel_var, dt))
    wheel_var = np.where(inside(stands.carried_s, middle), (CARRIED_RAD_S * dt) ** 2, wheel_var)
    turn = turning(steps[:, 2], wheel_var, dt, gyro_steps(stamps, rate, noise_var, times) if there else None, errors)
    # the same body-frame steps, laid along the fused heading
    yaw = np.concatenate([poses[:1, 2], poses[0, 2] + np.cumsum(turn.steps)])
    swing = 0.5 * (yaw[:-1] + yaw[1:]) - 0.5 * (poses[:-1, 2] + poses[1:, 2])
    c, s = np.cos(swing), np.sin(swing)
    moved = np.column_stack([c * steps[:, 0] - s * steps[:, 1], s * steps[:, 0] + c * steps[:, 1]])
    place = np.concatenate([poses[:1, :2], poses[0, :2] + np.cumsum(moved, axis=0)])
    names, values, information, loads = turn.names, turn.values, turn.information, turn.loads
    if errors.odometry_scale > 0:
        names, values = (WAY_SCALE, *names), np.concatenate([[0.0], values])
        loads = np.column_stack([np.zeros(len(steps)), loads])
        wider = np.zeros((len(names), len(names)))
        wider[0, 0], wider[1:, 1:] = errors.odometry_scale**-2, information
        information = wider
    note = turn.note
    if turn.gyro_used and not len(stands.periods_s):
        note = "the base never stands still: the gyro's bias is learnt from wheels and fixes alone (record a stand)"
    return Drive(times, np.column_stack([place, yaw]), place_var, turn.variance, float(length.sum()), names, values,
                 information, loads, turn.gyro_used, stands, note)  # fmt: skip

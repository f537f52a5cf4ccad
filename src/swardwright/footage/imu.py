"""Imu messages to streams in base axes, as REP-145, REP-103 and ``sensor_msgs/Imu`` define them.

First covariance element -1: that quantity is not in the message; all zeros: its covariance is not known. Angular
velocity (rad/s) and specific force (m/s2; at rest and level +9.81 on z) are in the axes of ``header.frame_id``, brought
to base axes (x forward, y left, z up) by the recorded static transforms. An orientation's roll and pitch are read, its
yaw is not: magnetic north is seldom where a base with motors measures it (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, rotation_from_quaternion
from swardwright.footage.standing import inside
from swardwright.footage.streams import Timed

#: numbers of one Imu row: rate 3, its variance 3, force 3, quaternion x y z w
ROW = 13
GRAVITY_M_S2 = 9.81
#: specific force at rest farther from gravity than this is no specific force in m/s2
GRAVITY_APART_M_S2 = 1.0
_LINKS_MAX = 10_000


@dataclass(frozen=True)
class Tilt:
    """Roll and pitch of the base while it stood (rad), from what, and what to know about it."""

    roll_rad: float
    pitch_rad: float
    source: str


@dataclass(frozen=True, eq=False)
class Imu:
    """Streams in base axes: ``gyro`` (z rate rad/s, variance), ``force`` (n, 3) m/s2, ``tilt`` (roll, pitch) rad."""

    gyro: Timed | None
    force: Timed | None
    tilt: Timed | None


def imu_row(message: Any) -> tuple[float, ...] | None:
    """Return the numbers of an Imu message, NaN for what it does not carry; None if it carries no angular velocity."""
    spread = message.angular_velocity_covariance
    if float(spread[0]) < 0:
        return None
    w, a, q = message.angular_velocity, message.linear_acceleration, message.orientation
    force = (math.nan,) * 3 if float(message.linear_acceleration_covariance[0]) < 0 else (a.x, a.y, a.z)
    turned = (math.nan,) * 4 if float(message.orientation_covariance[0]) < 0 else (q.x, q.y, q.z, q.w)
    return (w.x, w.y, w.z, float(spread[0]), float(spread[4]), float(spread[8]), *force, *turned)


def in_base_axes(rows: Timed, base_from_imu: Array) -> Imu:
    """Return the streams of Imu rows (n, ``ROW``), rotated by ``base_from_imu`` (3, 3)."""
    rate = rows.values[:, :3] @ base_from_imu[2]
    variance = np.maximum(rows.values[:, 3:6], 0.0) @ base_from_imu[2] ** 2
    force = rows.values[:, 6:9] @ base_from_imu.T
    felt = np.isfinite(force).all(axis=1) & (np.abs(force).max(axis=1, initial=0.0) > 0)
    q = rows.values[:, 9:13]
    length = np.linalg.norm(np.nan_to_num(q), axis=1)
    known = np.isfinite(q).all(axis=1) & (np.abs(length - 1.0) < 0.1)
    if (q[known, 3] == 1.0).all():
        known[:] = False  # no rotation at all, ever: a driver without an orientation that left out to say so
    tilt = None
    if known.any():
        x, y, z, w = (q[known] / length[known, None]).T
        # third row of ground_from_imu: the ground's up in the sensor's axes
        up = np.column_stack([2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)]) @ base_from_imu.T
        tilt = Timed(rows.stamps_ns[known], np.column_stack(_roll_pitch(up)))
    return Imu(
        gyro=Timed(rows.stamps_ns, np.column_stack([rate, variance])),
        force=Timed(rows.stamps_ns[felt], force[felt]) if felt.any() else None,
        tilt=tilt,
    )


def _roll_pitch(up: Array) -> tuple[Array, Array]:
    """Return roll and pitch (yaw-pitch-roll, REP-103) from the ground's up (n, 3) seen in base axes."""
    return np.arctan2(up[:, 1], up[:, 2]), np.arctan2(-up[:, 0], np.hypot(up[:, 1], up[:, 2]))


def tilt_at_rest(imu: Imu, zero_ns: int, periods_s: Array) -> tuple[Tilt | None, str]:
    """Return roll and pitch while standing, by the orientation or else the specific force; and what is wrong, or ''."""
    if imu.tilt is not None:
        still = imu.tilt.values[inside(periods_s, (imu.tilt.stamps_ns - zero_ns) / 1e9)]
        if len(still):
            roll_rad, pitch_rad = still.mean(axis=0)
            return Tilt(float(roll_rad), float(pitch_rad), "orientation"), ""
    if imu.force is None:
        return None, ""
    still = imu.force.values[inside(periods_s, (imu.force.stamps_ns - zero_ns) / 1e9)]
    if not len(still):
        return None, ""
    force = still.mean(axis=0)
    size = float(np.linalg.norm(force))
    if abs(size - GRAVITY_M_S2) > GRAVITY_APART_M_S2:
        unit = " (in units of g, or gravity taken out?)" if size < 2.0 else ""
        return None, f"the accelerometer reads {size:.2f} m/s2 at rest, not 9.81{unit}: its tilt is not used"
    if force[2] < 0:
        return None, "the accelerometer reads down at rest, where REP-145 has +9.81 up: is the sensor upside down?"
    roll, pitch = _roll_pitch(force[None])
    return Tilt(float(roll[0]), float(pitch[0]), "accelerometer"), ""


def static_links(messages: Iterable[Any]) -> dict[str, tuple[str, Array]]:
    """Return each child's parent and ``parent_from_child`` (3, 3) of TFMessages; unusable ones are passed over."""
    links: dict[str, tuple[str, Array]] = {}
    for message in messages:
        for t in message.transforms:
            if len(links) >= _LINKS_MAX:
                return links
            q = t.transform.rotation
            try:
                turn = rotation_from_quaternion((q.w, q.x, q.y, q.z))
            except InputError:
                continue
            links[_plain(t.child_frame_id)] = (_plain(t.header.frame_id), turn)
    return links


def rotation_between(links: Mapping[str, tuple[str, Array]], base: str, sensor: str) -> Array | None:
    """Return ``base_from_sensor`` (3, 3) through the static tree, or None where they are not joined."""
    base, sensor = _plain(base), _plain(sensor)
    if sensor in ("", base) or not base:
        return np.eye(3)

    def to_root(name: str) -> dict[str, Array]:
        """Every ancestor with ``ancestor_from_name``."""
        found, turn = {name: np.eye(3)}, np.eye(3)
        while name in links and links[name][0] not in found:
            turn = links[name][1] @ turn
            name = links[name][0]
            found[name] = turn
        return found

    of_base, of_sensor = to_root(base), to_root(sensor)
    common = next((name for name in of_base if name in of_sensor), None)
    return None if common is None else np.asarray(of_base[common].T @ of_sensor[common])


def _plain(name: Any) -> str:
    return str(name).lstrip("/")

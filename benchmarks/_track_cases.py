"""Drawn drives whose errors are exactly those that the error sources state, written apart from the package; and bags.

A base stands, drives a lane, turns about, drives back, with smooth speeds. Wheels, gyro and fixes are drawn from truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import ErrorSources, Origin
from swardwright.footage.streams import Timed
from swardwright.footage.track import Smoothed, smooth

ORIGIN = Origin(48.0, 11.0, 500.0)
START = BasePose(2.0, 3.0, 0.4)
ZERO_NS = 1_700_000_000 * 10**9
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=0.005, mount_m=0.003, joint_rad=0.001, tilt_rad=0.004, ground_m=0.006,
    start_m=0.01, start_rad=0.0087, odometry_per_m=0.01, yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012,
)  # fmt: skip
STEP_S = 0.01
_ODOMETRY_EVERY, _GYRO_EVERY = 5, 2


@dataclass(frozen=True)
class Drawn:
    """What to draw: which streams there are, and errors beyond those of ``ErrorSources``."""

    errors: ErrorSources = ERRORS
    gyro_noise_rad_s: float = 0.0
    gyro_bias_rad_s: float = 0.02
    gyro_scale: float = 0.005
    gyro_late_s: float = 0.0
    bias_wander_rad_s: float = 0.0
    fix_rate_hz: float = 0.0
    fix_late_s: float | None = None  # None: drawn from the error sources
    fix_wander_m: float = 0.0
    fix_wander_s: float = 10.0
    lane_m: float = 6.0


@dataclass(frozen=True, eq=False)
class Case:
    """Truth at the pictures' times and what the streams said."""

    truth: Array
    stamps_ns: Any
    odometry: Timed
    gyro: Timed | None
    fixes: Timed | None
    scale: float
    turn_scale: float
    gyro_bias_rad_s: float
    fix_late_s: float


def profile(lane_m: float) -> tuple[Array, Array]:
    """Return speed (m/s) and turning rate (rad/s) every ``STEP_S``: stand, lane, stop, turn about, lane, stop."""

    def ramped(total: float, top: float, ramp_s: float) -> Array:
        n = max(round((total / top + ramp_s) / STEP_S), 2)
        t = (np.arange(n) + 0.5) * STEP_S
        shape = np.clip(np.minimum(t, n * STEP_S - t) / ramp_s, 0.0, 1.0)
        return np.asarray(shape * total / (shape.sum() * STEP_S))

    still = np.zeros(round(1.0 / STEP_S))
    lane, turn = ramped(lane_m, 0.4, 0.5), ramped(math.pi, 0.8, 0.3)
    speed = [np.tile(still, 5), lane, still, 0 * turn, still, lane, still]
    rate = [np.tile(still, 5), 0 * lane, still, turn, still, 0.02 * np.sin(np.arange(len(lane)) * 0.01), still]
    return np.concatenate(speed), np.concatenate(rate)


def follow_steps(start: Array, ahead: Array, left: Array, turn: Array) -> Array:
    """Return the poses (n + 1, 3) of body-frame steps laid along mid headings."""
    yaw = start[2] + np.concatenate([[0.0], np.cumsum(turn)])
    half = yaw[:-1] + 0.5 * turn
    c, s = np.cos(half), np.sin(half)
    x = start[0] + np.concatenate([[0.0], np.cumsum(c * ahead - s * left)])
    y = start[1] + np.concatenate([[0.0], np.cumsum(s * ahead + c * left)])
    return np.column_stack([x, y, yaw])


def draw(rng: np.random.Generator, what: Drawn) -> Case:
    """Draw one drive."""
    e = what.errors
    speed, rate = profile(what.lane_m)
    start = START.as_array() + rng.normal(size=3) * [e.start_m, e.start_m, e.start_rad]
    truth = follow_steps(start, speed * STEP_S, 0.0 * speed, rate * STEP_S)
    at = np.arange(len(truth)) * STEP_S
    scale, turn_scale = rng.normal() * e.odometry_scale, rng.normal() * e.turn_scale
    every = _ODOMETRY_EVERY
    count = len(speed) // every
    ahead = (speed[: count * every] * STEP_S).reshape(count, every).sum(axis=1)
    turn = (rate[: count * every] * STEP_S).reshape(count, every).sum(axis=1)
    q = e.odometry_per_m * np.sqrt(ahead)
    qa = np.sqrt(e.yaw_per_m**2 * ahead + e.yaw_per_rad**2 * np.abs(turn))
    told = follow_steps(
        np.array([10.0, -5.0, 2.0]), ahead * (1 + scale) + q * rng.normal(size=count), q * rng.normal(size=count),
        turn * (1 + turn_scale) + qa * rng.normal(size=count),
    )  # fmt: skip
    odometry = Timed(_ns(at[::every][: count + 1]), told)
    gyro, bias = None, rng.normal() * what.gyro_bias_rad_s
    if what.gyro_noise_rad_s:
        when = at[::_GYRO_EVERY]
        true_rate = np.interp(when, at[:-1] + 0.5 * STEP_S, rate)
        wander = what.bias_wander_rad_s * slow(rng, len(when), _GYRO_EVERY * STEP_S, 100.0)
        values = true_rate * (1 + what.gyro_scale * rng.normal()) + bias + wander
        values = values + what.gyro_noise_rad_s * rng.normal(size=len(when))
        gyro = Timed(_ns(when + what.gyro_late_s),
                     np.column_stack([values, np.full(len(when), what.gyro_noise_rad_s**2)]))  # fmt: skip
    fixes = None
    late = rng.normal() * e.fix_late_s if what.fix_late_s is None else what.fix_late_s
    if what.fix_rate_hz:
        import pymap3d

        step = round(1 / (what.fix_rate_hz * STEP_S))
        xy = truth[::step, :2]
        wander = np.column_stack([slow(rng, len(xy), step * STEP_S, what.fix_wander_s) for _ in range(2)])
        white = math.sqrt(e.fix_m**2 - what.fix_wander_m**2)
        xy = xy + what.fix_wander_m * wander + white * rng.normal(size=xy.shape)
        lat, lon, up = pymap3d.enu2geodetic(xy[:, 0], xy[:, 1], 0.0, 48.0, 11.0, 500.0)
        fixes = Timed(_ns(at[::step] + late), np.column_stack([lat, lon, up, np.full((len(xy), 3), np.nan)]))
    shots = np.arange(150, len(truth) - 50, 200)
    # only places between which the base went on: a stand, or a turn on the spot, adds no error of place to count
    moved = np.concatenate([[1.0], np.hypot(*np.diff(truth[shots, :2], axis=0).T)]) > 0.01
    shots = shots[moved]
    return Case(truth[shots], _ns(at[shots]), odometry, gyro, fixes, scale, turn_scale, bias, late)


def slow(rng: np.random.Generator, count: int, every_s: float, tau_s: float) -> Array:
    """Return a stationary Ornstein-Uhlenbeck chain of unit variance."""
    keep = math.exp(-every_s / tau_s)
    noise = rng.normal(size=count) * math.sqrt(1 - keep * keep)
    noise[0] /= math.sqrt(1 - keep * keep)
    out = np.empty(count)
    out[0] = noise[0]
    for i in range(1, count):
        out[i] = keep * out[i - 1] + noise[i]
    return out


def _ns(seconds: Any) -> Any:
    return np.round(seconds * 1e9).astype(np.int64) + ZERO_NS


def smoothed(case: Case, errors: ErrorSources, *, start: BasePose = START) -> tuple[Smoothed, Array]:
    """Return the smoothed track of a case and its errors (n, 3)."""
    ids = tuple(f"f{i}" for i in range(len(case.stamps_ns)))
    result = smooth(case.odometry, case.gyro, case.fixes, ids, case.stamps_ns, start=start, origin=ORIGIN,
                    errors=errors, where="drawn")  # fmt: skip
    off = np.array([p.as_array() for p in result.track.poses]) - case.truth
    off[:, 2] = np.pi - (np.pi - off[:, 2]) % (2 * np.pi)
    return result, off


def dense_covariance(track: Track) -> Array:
    """Return the whole covariance (3 n, 3 n) of a track, shared errors included."""
    n = len(track.poses)
    information = np.zeros((3 * n, 3 * n))
    for i in range(n):
        information[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = track.diagonal[i]
        if i + 1 < n:
            information[3 * i : 3 * i + 3, 3 * i + 3 : 3 * i + 6] = track.upper[i]
            information[3 * i + 3 : 3 * i + 6, 3 * i : 3 * i + 3] = track.upper[i].T
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    if track.shared is not None:
        loads = track.shared.reshape(3 * n, -1)
        covariance = covariance + loads @ loads.T
    return covariance


def joint_nees(result: Smoothed, off: Array) -> float:
    """Return the normalised error squared of the whole track (3 n degrees of freedom)."""
    return float(off.ravel() @ np.linalg.solve(dense_covariance(result.track), off.ravel()))


WITH_SCALE = replace(ERRORS, odometry_scale=0.02)
SCENARIOS = {
    "odometry": Drawn(),
    "odometry with scale": Drawn(errors=WITH_SCALE),
    "gyro": Drawn(gyro_noise_rad_s=0.01),
    "gyro and turn scale": Drawn(errors=replace(WITH_SCALE, turn_scale=0.03), gyro_noise_rad_s=0.01),
    "fixes": Drawn(fix_rate_hz=2.0),
    "all": Drawn(errors=WITH_SCALE, gyro_noise_rad_s=0.01, fix_rate_hz=2.0),
}


# --- a bag of standard messages ---------------------------------------------------------------------------------------


#: of the bag's base: firm ground, well calibrated wheels
BAG_ERRORS = replace(ERRORS, odometry_per_m=0.005, yaw_per_m=0.002, odometry_scale=0.005)


def analytic_way(at_s: Any) -> Array:
    """Return true poses (n, 3) of an analytic drive of 80 s: 5 s of standing, then one and a bit of a figure of eight.

    x = 3 sin u, y = 2 sin 2u, with u rising smoothly (cubic start and end) from 0.3 to 7.5; heading along the way.
    """
    share = np.clip((at_s - 5.0) / 70.0, 0.0, 1.0)
    ease = share - np.sin(2 * np.pi * share) / (2 * np.pi)
    u = 0.3 + 7.2 * ease
    yaw = np.unwrap(np.arctan2(4 * np.cos(2 * u), 3 * np.cos(u)))
    return np.column_stack([3 * np.sin(u), 2 * np.sin(2 * u), yaw])


def write_bag(path: Path, rng: np.random.Generator) -> Array:
    """Write a ROS 2 bag (MCAP): wheel odometry with twist at 20 Hz, an Imu on its side at 100 Hz; return the end pose.

    The wheels count 0.5 % too far and drift as ``BAG_ERRORS`` says; the gyro has bias and noise; the Imu gives no
    orientation (covariance -1).
    """
    from rosbags.rosbag2 import StoragePlugin, Writer
    from rosbags.typesys import Stores, get_typestore

    errors, scale = BAG_ERRORS, BAG_ERRORS.odometry_scale
    types = get_typestore(Stores.ROS2_HUMBLE)
    t = types.types
    fine = np.arange(8001) * 0.01
    truth = analytic_way(fine)
    half = truth[:-1, 2] + 0.5 * np.diff(truth[:, 2])
    step = np.diff(truth, axis=0)
    c, s = np.cos(half), np.sin(half)
    ahead, left, turn = c * step[:, 0] + s * step[:, 1], -s * step[:, 0] + c * step[:, 1], step[:, 2]
    summed = [part.reshape(-1, 5).sum(axis=1) for part in (ahead, left, turn)]
    length = np.hypot(summed[0], summed[1])
    q = errors.odometry_per_m * np.sqrt(length)
    qa = np.sqrt(errors.yaw_per_m**2 * length + errors.yaw_per_rad**2 * np.abs(summed[2]))
    n = len(length)
    told_steps = (summed[0] * (1 + scale) + q * rng.normal(size=n), summed[1] + q * rng.normal(size=n),
                  summed[2] + qa * rng.normal(size=n))  # fmt: skip
    told = follow_steps(np.zeros(3), *told_steps)
    rate = np.gradient(truth[:, 2], 0.01) + 0.01 + 0.004 * rng.normal(size=len(fine))
    v3, quaternion = t["geometry_msgs/msg/Vector3"], t["geometry_msgs/msg/Quaternion"]

    def header(at_s: float, axes: str) -> Any:
        ns = ZERO_NS + round(at_s * 1e9)
        return t["std_msgs/msg/Header"](stamp=t["builtin_interfaces/msg/Time"](ns // 10**9, ns % 10**9), frame_id=axes)

    messages: list[tuple[float, str, str, Any]] = []
    for i, pose in enumerate(told):
        at_s = i * 0.05
        covariance = np.diag([1e-3, 1e-3, 1e-9, 1e-9, 1e-9, 1e-3]).ravel()
        where = t["geometry_msgs/msg/Pose"](
            t["geometry_msgs/msg/Point"](pose[0], pose[1], 0.0),
            quaternion(0.0, 0.0, math.sin(pose[2] / 2), math.cos(pose[2] / 2)),
        )
        pace = [float(part[min(i, n - 1)] / 0.05) for part in told_steps]
        twist = t["geometry_msgs/msg/Twist"](v3(pace[0], pace[1], 0.0), v3(0.0, 0.0, pace[2]))
        messages.append((at_s, "/wheels", "nav_msgs/msg/Odometry", t["nav_msgs/msg/Odometry"](
            header(at_s, "odom"), "base_link", t["geometry_msgs/msg/PoseWithCovariance"](where, covariance),
            t["geometry_msgs/msg/TwistWithCovariance"](twist, covariance))))  # fmt: skip
    # the sensor lies on its side: its x axis is the base's z (up), its z the base's -x
    none = np.zeros(9)
    none[0] = -1.0
    for i, at_s in enumerate(fine):
        force = 0.05 * rng.normal(size=3) + [9.81, 0.0, 0.0]
        messages.append((float(at_s), "/imu", "sensor_msgs/msg/Imu", t["sensor_msgs/msg/Imu"](
            header(float(at_s), "imu_link"), quaternion(0.0, 0.0, 0.0, 1.0), none,
            v3(float(rate[i]), 0.0, 0.0), (0.004**2 * np.eye(3)).ravel(), v3(*map(float, force)),
            (0.05**2 * np.eye(3)).ravel())))  # fmt: skip
    side = t["geometry_msgs/msg/Transform"](v3(0.1, 0.0, 0.2), quaternion(0.0, -math.sqrt(0.5), 0.0, math.sqrt(0.5)))
    links = t["tf2_msgs/msg/TFMessage"]([t["geometry_msgs/msg/TransformStamped"](header(0.0, "base_link"), "imu_link",
                                                                               side)])  # fmt: skip
    messages.append((0.0, "/tf_static", "tf2_msgs/msg/TFMessage", links))
    with Writer(path, version=9, storage_plugin=StoragePlugin.MCAP) as writer:
        connections: dict[str, Any] = {}
        for at_s, topic, kind, message in sorted(messages, key=lambda row: row[0]):
            if topic not in connections:
                connections[topic] = writer.add_connection(topic, kind, typestore=types)
            data = types.serialize_cdr(message, kind)
            writer.write(connections[topic], ZERO_NS + round(at_s * 1e9), data)
    return np.asarray(truth[-1])

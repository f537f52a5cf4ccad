"""How the base moves along survey lanes in truth, and what odometry, gyro and fixes say about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.site import ErrorSources

STEP_S = 0.02
#: before it sets out the base stands still this long, so that the gyro's bias shows
STAND_S = 5.0
#: correlation time of the base's own belief error
BELIEF_TAU_S = 30.0
#: slow wander of the fix beside its white noise (antenna and sky): deviation and correlation time
WANDER_M, WANDER_TAU_S = 0.001, 5.0
GYRO_SIGMA_RAD_S, GYRO_BIAS_RAD_S = 0.004, 5e-5
#: spread of the robot's own belief of its base pose (m, m, rad)
BELIEF_SIGMA = np.array([0.012, 0.012, math.radians(0.5)])


@dataclass(frozen=True, eq=False)
class Course:
    """Poses every ``STEP_S``: shape (n, 3) of x_m, y_m, yaw_rad (unwrapped).

    Attributes
    ----------
    wanted : Array
        Where the robot believes it drives.
    truth : Array
        Where it is: ``wanted - error``.
    odometry : Array
        What wheels and tracks add up, from (0, 0, 0).
    distance_m : Array
        Shape (n,): driven so far.
    lane : Array
        Shape (n,), bool: on a lane, where pictures are taken.
    """

    wanted: Array
    truth: Array
    odometry: Array
    distance_m: Array
    turned_rad: Array
    lane: Array
    error: Array


def nominal_course(
    start: BasePose, lanes: Sequence[Sequence[BasePose]], speed_m_s: float, turn_rad_s: float
) -> tuple[Array, Array]:
    """Return wanted poses every ``STEP_S`` (n, 3) and which of them lie on lanes (n,).

    Between way points the base turns on the spot towards the next, drives straight and turns to its heading.
    """
    poses = [start.as_array()]
    on_lane = [False]

    def go(target: BasePose, lane: bool) -> None:
        x, y, _ = poses[-1]
        distance = math.hypot(target.x_m - x, target.y_m - y)
        if distance > 1e-6:
            heading = math.atan2(target.y_m - y, target.x_m - x)
            turn(heading, False)
            count = max(math.ceil(distance / (speed_m_s * STEP_S)), 1)
            for i in range(1, count + 1):
                share = i / count
                poses.append(np.array([x + share * (target.x_m - x), y + share * (target.y_m - y), poses[-1][2]]))
                on_lane.append(lane)
        turn(target.yaw_rad, False)

    def turn(yaw: float, lane: bool) -> None:
        x, y, before = poses[-1]
        change = wrap_angle(yaw - before)
        count = math.ceil(abs(change) / (turn_rad_s * STEP_S))
        for i in range(1, count + 1):
            poses.append(np.array([x, y, before + change * i / count]))
            on_lane.append(lane)

    for lane in lanes:
        for number, target in enumerate(lane):
            go(target, number > 0)
    return np.array(poses), np.array(on_lane)


def smooth_wander(rng: np.random.Generator, count: int, sigma: Array, tau_s: float, first: Array) -> Array:
    """Return a slow Gaussian wander every ``STEP_S``, shape (count, k), starting at ``first``.

    An Ornstein-Uhlenbeck chain every 2 s, joined by a smooth curve so that the motion itself does not jitter.
    """
    from scipy.interpolate import PchipInterpolator

    every = 2.0
    knots = math.ceil(count * STEP_S / every) + 2
    keep = math.exp(-every / tau_s)
    values = [np.asarray(first, dtype=float)]
    for noise in rng.standard_normal((knots - 1, len(values[0]))):
        values.append(keep * values[-1] + math.sqrt(1 - keep * keep) * np.asarray(sigma) * noise)
    curve = PchipInterpolator(np.arange(knots) * every, np.array(values))
    return np.asarray(curve(np.arange(count) * STEP_S), dtype=float)


def drive_course(rng: np.random.Generator, wanted: Array, lane: Array, errors: ErrorSources) -> Course:
    """Return the true course and the odometry of a wanted one.

    Start error, drift per square root of metre and of radian are the site's stated error sources.
    """
    count = len(wanted)
    start_error = rng.normal(0, [errors.start_m, errors.start_m, errors.start_rad])
    error = smooth_wander(rng, count, BELIEF_SIGMA, BELIEF_TAU_S, start_error)
    truth = wanted - error
    step = np.diff(truth, axis=0)
    middle = truth[:-1, 2] + 0.5 * step[:, 2]
    c, s = np.cos(middle), np.sin(middle)
    ahead, left, turned = c * step[:, 0] + s * step[:, 1], -s * step[:, 0] + c * step[:, 1], step[:, 2]
    length = np.hypot(np.diff(wanted[:, 0]), np.diff(wanted[:, 1]))
    angle = np.abs(np.diff(wanted[:, 2]))
    noise = rng.standard_normal((count - 1, 3))
    ahead = ahead + errors.odometry_per_m * np.sqrt(length) * noise[:, 0]
    left = left + errors.odometry_per_m * np.sqrt(length) * noise[:, 1]
    turned = turned + np.sqrt(errors.yaw_per_m**2 * length + errors.yaw_per_rad**2 * angle) * noise[:, 2]
    yaw = np.concatenate([[0.0], np.cumsum(turned)])
    heading = yaw[:-1] + 0.5 * turned
    x = np.concatenate([[0.0], np.cumsum(np.cos(heading) * ahead - np.sin(heading) * left)])
    y = np.concatenate([[0.0], np.cumsum(np.sin(heading) * ahead + np.cos(heading) * left)])
    total = np.concatenate([[0.0], np.cumsum(length)])
    turning = np.concatenate([[0.0], np.cumsum(angle)])
    return Course(wanted, truth, np.stack([x, y, yaw], 1), total, turning, lane, error)


def stand_first(course: Course) -> Course:
    """Return the course with ``STAND_S`` of standing still before it."""
    count = round(STAND_S / STEP_S)

    def held(values: Array) -> Array:
        return np.concatenate([np.repeat(values[:1], count, axis=0), values])

    lane = np.concatenate([np.zeros(count, dtype=bool), course.lane])
    return Course(held(course.wanted), held(course.truth), held(course.odometry), held(course.distance_m),
                  held(course.turned_rad), lane, held(course.error))  # fmt: skip


def picture_steps(course: Course, every_m: float) -> list[int]:
    """Return the steps at which a picture is taken: every ``every_m`` on each lane, its ends included."""
    chosen: list[int] = []
    last = -math.inf
    for i in np.flatnonzero(course.lane):
        begins = i == 0 or not course.lane[i - 1]
        ends = i + 1 == len(course.lane) or not course.lane[i + 1]
        far = course.distance_m[i] - last
        if begins or far >= every_m - 1e-9 or (ends and far > 0.25 * every_m):
            chosen.append(int(i))
            last = float(course.distance_m[i])
    return chosen

"""A plan on its own clock: when the base is where, seconds from the start of the round.

The clock counts working time only: no nights, no changes of cylinder or battery, no waiting for a person. Driving is at
the base's speeds without acceleration, as the plan's supplies are reckoned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swardwright.domain.errors import StaleError
from swardwright.domain.plan import Hold, Plan, Stop
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.site import Base

#: poses of the drive are at most this far apart, m (a follower that looks ahead by less than a metre needs no more)
STEP_M = 0.1


@dataclass(frozen=True)
class StopTimes:
    """When the base leaves for a stop, arrives there and is done there, s from the start of the round."""

    leave_s: float
    arrive_s: float
    done_s: float


@dataclass(frozen=True)
class TimedPose:
    """Where the base is at a time, s from the start of the round; ground axes."""

    at_s: float
    pose: BasePose


def stop_times(plan: Plan) -> tuple[StopTimes, ...]:
    """Return the times of every stop.

    Raises
    ------
    StaleError
        If the plan does not say what each stop takes (it was stored by an earlier version).
    """
    if len(plan.supplies.loads) != len(plan.stops):
        raise StaleError(f"{plan.id} does not say what each stop takes: an earlier version made it", where=plan.id,
                         remedy="make it again: swardwright plan SITE")  # fmt: skip
    times, now_s = [], 0.0
    for load in plan.supplies.loads:
        arrive_s = now_s + load.drive_s
        done_s = arrive_s + load.arm_s + load.heat_s
        times.append(StopTimes(now_s, arrive_s, done_s))
        now_s = done_s
    return tuple(times)


def legs_m(plan: Plan) -> list[Array]:
    """Return the way points (k, 2) of the drive to each stop, ground axes, m: the route cut at the stops."""
    legs, at, driven = [], 0, 0.0
    wanted = 0.0
    for load in plan.supplies.loads:
        begin, wanted = at, wanted + load.drive_m
        while at + 1 < len(plan.route_m) and driven < wanted - 1e-6:
            driven += math.dist(plan.route_m[at], plan.route_m[at + 1])
            at += 1
        legs.append(np.array(plan.route_m[begin : at + 1], dtype=float).reshape(-1, 2))
    return legs


def drive_poses(plan: Plan, base: Base) -> list[list[TimedPose]]:
    """Return the poses of the drive to each stop in order, first where it begins, last the stop itself.

    The base turns on the spot (two poses of one place) and drives straight, forwards or backwards, whichever turns less
    over the whole leg, as the plan counts it.
    """
    drives: list[list[TimedPose]] = []
    here = plan.start
    for stop, times, way in zip(plan.stops, stop_times(plan), legs_m(plan), strict=True):
        drives.append(_leg(here, stop.base, way, times.leave_s, base))
        here = stop.base
    return drives


def _leg(here: BasePose, stop: BasePose, way: Array, leave_s: float, base: Base) -> list[TimedPose]:
    points = [way[0], *(b for a, b in pairwise(way) if math.dist(a, b) > 1e-9)]
    along = [math.atan2(b[1] - a[1], b[0] - a[0]) for a, b in pairwise(points)]
    ways = [[here.yaw_rad, *(wrap_angle(angle + back) for angle in along), stop.yaw_rad] for back in (0.0, math.pi)]
    yaws = min(ways, key=lambda yaw: sum(_turned_rad(a, b) for a, b in pairwise(yaw)))
    now_s, poses = leave_s, [TimedPose(leave_s, here)]

    def turn(yaw_rad: float, place: Array) -> None:
        nonlocal now_s
        angle = _turned_rad(poses[-1].pose.yaw_rad, yaw_rad)
        if angle > 1e-9:
            now_s += angle / base.turn_rad_s
            poses.append(TimedPose(now_s, BasePose(float(place[0]), float(place[1]), yaw_rad)))

    for (a, b), yaw in zip(pairwise(points), yaws[1:-1], strict=True):
        turn(yaw, a)
        length = math.dist(a, b)
        count = max(math.ceil(length / STEP_M - 1e-9), 1)
        for n in range(1, count + 1):
            x, y = a + (b - a) * n / count
            poses.append(TimedPose(now_s + n / count * length / base.speed_m_s, BasePose(float(x), float(y), yaw)))
        now_s += length / base.speed_m_s
    turn(stop.yaw_rad, np.array([stop.x_m, stop.y_m]))
    return poses


def _turned_rad(a: float, b: float) -> float:
    return abs(wrap_angle(b - a))


def points_m(stop: Stop, hold: Hold) -> list[tuple[float, float]]:
    """Return the points that a hold heats in their order, ground axes, m."""
    x, y = hold.aim_base_m
    places = [stop.base.compose(BasePose(x + dx, y + dy, 0.0)) for dx, dy in hold.offsets_m]
    return [(place.x_m, place.y_m) for place in places]

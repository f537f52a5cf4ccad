"""The plan's clock: the drive pose by pose takes what the plan reckons, and goes where the route goes."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.plan import Load, Plan, Stop, Supplies
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Base
from swardwright.planning.route import leg
from swardwright.shell.plan_clock import STEP_M, drive_poses, legs_m, stop_times

BASE = Base(0.8, 0.56, 0.0, 85.0, 0.5, 0.6, 150.0, 80.0, 0.0, 0.2)
places = st.tuples(st.floats(-20, 20), st.floats(-20, 20))
yaws = st.floats(-math.pi, math.pi)
#: way points to a stop, and the stop's heading; none: the stop is where the base already stands
drives = st.lists(st.tuples(st.lists(places, max_size=4), yaws), max_size=6)


def made(start: BasePose, given_: list[tuple[list[tuple[float, float]], float]]) -> Plan:
    """A plan as ``plan_round`` makes it: legs one after the other, their times by ``planning.route.leg``."""
    here, route, stops, loads = start, [(start.x_m, start.y_m)], [], []
    for number, (way, yaw) in enumerate(given_, start=1):
        points = [(here.x_m, here.y_m), *way]
        stop = BasePose(*points[-1], yaw)
        one = leg(here, stop, np.array(points))
        stops.append(Stop(f"s{number}", stop, ()))
        loads.append(Load(f"s{number}", 0.0, 0.0, 1.0, one.drive_m, one.time_s(BASE), 3.0, 2.0))
        route += way
        here = stop
    total = sum(x.drive_m for x in loads)
    supplies = Supplies(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, total, loads=tuple(loads))
    return Plan("p", 1, start, tuple(stops), len(stops), tuple(route), supplies, (), ())


@settings(max_examples=150, deadline=None)
@given(places, yaws, drives)
def test_the_drive_takes_what_the_plan_reckons(at: tuple[float, float], yaw: float, ways: Any) -> None:
    plan = made(BasePose(*at, yaw), ways)
    legs = drive_poses(plan, BASE)
    assert len(legs) == len(plan.stops)
    here = plan.start
    for poses, stop, times, load in zip(legs, plan.stops, stop_times(plan), plan.supplies.loads, strict=True):
        assert poses[0].pose.as_array().tolist() == here.as_array().tolist()
        assert math.hypot(poses[-1].pose.x_m - stop.base.x_m, poses[-1].pose.y_m - stop.base.y_m) < 1e-6
        assert abs(math.sin(0.5 * (poses[-1].pose.yaw_rad - stop.base.yaw_rad))) < 1e-6
        assert poses[0].at_s == times.leave_s
        assert math.isclose(poses[-1].at_s, times.arrive_s, abs_tol=1e-6)
        assert math.isclose(times.done_s - times.arrive_s, load.arm_s + load.heat_s, abs_tol=1e-6)
        driven = 0.0
        for a, b in pairwise(poses):
            step = math.dist((a.pose.x_m, a.pose.y_m), (b.pose.x_m, b.pose.y_m))
            driven += step
            assert step <= STEP_M + 1e-9
            assert step <= BASE.speed_m_s * (b.at_s - a.at_s) + 1e-6
        assert math.isclose(driven, load.drive_m, abs_tol=1e-6)
        here = stop.base


@settings(max_examples=150, deadline=None)
@given(places, yaws, drives)
def test_legs_are_the_route_cut_at_the_stops(at: tuple[float, float], yaw: float, ways: Any) -> None:
    plan = made(BasePose(*at, yaw), ways)
    end = np.array(at)
    for way, stop in zip(legs_m(plan), plan.stops, strict=True):
        assert np.hypot(*(way[0] - end)) < 1e-6
        end = way[-1]
        assert math.dist(end, (stop.base.x_m, stop.base.y_m)) < 1e-6

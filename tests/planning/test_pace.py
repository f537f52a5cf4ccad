"""The pace along a way: limits kept all along, nothing later than stopping at each posture, and a stop's trajectory."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.errors import RobotModelError
from swardwright.domain.plan import Hold, Stop
from swardwright.planning import plan_round, sample_stop
from swardwright.planning.looks import PICTURE_S, look_motions
from swardwright.planning.pace import SPEED_UP_S, pace, paced_s, piece_s
from swardwright.planning.reach import travel_s


@settings(deadline=None, max_examples=80)
@given(st.integers(0, 10_000), st.integers(1, 5), st.sampled_from([0.01, 0.1, 0.5, 2.0]), st.booleans())
def test_the_joints_limits_of_speed_and_acceleration_hold(
    make: Any, seed: int, pieces: int, span: float, smooth: bool
) -> None:
    """Finite differences of the positions: the speeds said, and no joint over its limits, overlaps included."""
    rng, arm = np.random.default_rng(seed), make.rig.arm
    size = rng.choice([0.05, 0.3, 1.0], (pieces, 1))
    way = np.cumsum([rng.uniform(-0.1, 0.1, 7), *(size * rng.uniform(-span, span, (pieces, 7)))], axis=0)
    gone = pace(make.rig, way, smooth=smooth)
    time = np.linspace(0.0, gone.time_s, 4001)
    joints, speed = gone.at(time)
    step = time[1]
    fastest, strongest = arm.velocity_rad_s, arm.velocity_rad_s / SPEED_UP_S
    assert np.allclose(joints[[0, -1]], way[[0, -1]], atol=1e-9)
    assert np.allclose(speed[[0, -1]], 0.0, atol=1e-9)
    assert (np.abs(np.diff(joints, axis=0) / step - 0.5 * (speed[1:] + speed[:-1])) <= strongest * step).all()
    assert (np.abs(speed) <= fastest + 1e-9).all()
    assert (np.abs(np.diff(speed, axis=0)) / step <= strongest + 1e-6).all()
    stopping = sum(float(piece_s(make.rig, a, b)) for a, b in pairwise(way))
    assert gone.time_s <= stopping + 1e-9
    assert gone.time_s >= sum(float(travel_s(make.rig, a, b)) for a, b in pairwise(way)) / 2.0
    assert smooth or gone.time_s == pytest.approx(stopping)


def test_times_of_many_ways_at_once_are_those_of_each(make: Any) -> None:
    rng = np.random.default_rng(0)
    ways = rng.uniform(-0.5, 0.5, (6, 4, 7)) * np.array([1.0, 0.2, 1.0, 0.2])[None, :, None]
    many = paced_s(make.rig, [ways[:, k] for k in range(4)])
    assert many == pytest.approx([pace(make.rig, way).time_s for way in ways])


def test_pieces_that_pull_no_joint_against_each_other_overlap_whole(make: Any) -> None:
    """By hand: a short piece of one joint before a long one of another: the short one's slowing, half of it, is saved.

    Full-speed time 0.1 s: 2 sqrt(0.4 * 0.1) = 0.4 s, slowing 0.2 s; the long one 0.5 + 0.4 s.
    """
    arm = make.rig.arm
    way = np.zeros((3, 7))
    way[1:, 1] = 0.1 * arm.velocity_rad_s[1]
    way[2, 0] = 0.5 * arm.velocity_rad_s[0]
    assert pace(make.rig, way).time_s == pytest.approx(0.4 + 0.9 - 0.2)
    back = way.copy()
    back[2, 1] = way[1, 1] - 0.5 * arm.velocity_rad_s[1]  # the same joint back again: nothing can be shared
    assert pace(make.rig, back).time_s == pytest.approx(0.4 + 0.9)


def test_a_stops_trajectory_goes_from_rest_to_rest(make: Any) -> None:
    plan = plan_round(make.register(14), make.site(), plan_id="r", seed=3)
    rig, stop = make.rig, plan.stops[0]
    parts = sample_stop(rig, stop, 0.05)
    assert [p.what for p in parts if p.what in ("look", "rest")] == ["look"] * len(stop.looks_rad) + ["rest"]
    assert [p.weed_id for p in parts if p.what == "hold"] == [h.weed_id for h in stop.holds for _ in h.offsets_m]
    for one, two in pairwise(parts):
        assert one.time_s[-1] == pytest.approx(two.time_s[0])
        assert np.allclose(one.joints_rad[-1], two.joints_rad[0], atol=1e-9)
    assert np.allclose(parts[0].joints_rad[0], rig.rest_joints_rad)
    assert np.allclose(parts[-1].joints_rad[-1], rig.rest_joints_rad)
    assert all((np.diff(p.time_s) > 0).all() for p in parts)
    assert all((np.diff(p.time_s) <= 0.05 + 1e-9).all() for p in parts if p.what != "hold")
    ways = {p.weed_id: p.time_s[-1] - p.time_s[0] for p in parts if p.what == "way"}
    assert all(ways[h.weed_id] == pytest.approx(h.move_s) for h in stop.holds)
    moving = sum(p.time_s[-1] - p.time_s[0] for p in parts if p.what != "hold")
    load = next(load for load in plan.supplies.loads if load.stop_id == stop.id)
    assert moving == pytest.approx(load.arm_s - PICTURE_S * len(stop.looks_rad))


def test_a_ring_is_driven_point_by_point(make: Any) -> None:
    one = np.array(make.rig.survey_joints_rad)
    ring = tuple(tuple(float(q) for q in one + 0.02 * k * np.eye(7)[0]) for k in (1, 2, 3))
    hold = Hold("w", (0.7, 0.0), tuple(one.tolist()), 2.0, 0.0, 0.95, 0.0, 1.0, (), ((0.0, 0.0),) * 3, ring)
    parts = [p for p in sample_stop(make.rig, Stop("s", make.site().start, (hold,)), 0.1) if p.weed_id == "w"]
    assert [p.what for p in parts] == ["way", *("ring", "hold") * 3, "ring"]
    still = [p for p in parts if p.what == "hold"]
    assert np.allclose([p.joints_rad[0] for p in still], ring)
    assert all(p.time_s[-1] - p.time_s[0] == pytest.approx(2.0) for p in still)


def test_a_stop_without_looks_of_its_own_takes_the_rig_s(make: Any) -> None:
    stop = Stop("s", make.site().start, ())
    parts = sample_stop(make.rig, stop, 0.1)
    assert [p.what for p in parts] == ["look"] * 3 + ["rest"]
    assert np.allclose([p.joints_rad[-1] for p in parts[:3]], make.rig.look_joints_rad)
    one = (make.rig.look_joints_rad[1],)
    twice = sample_stop(make.rig, replace(stop, looks_rad=one * 2), 0.1)  # two pictures, one way
    assert [p.what for p in twice] == ["look", "look", "rest"]
    assert twice[1].time_s[0] == twice[1].time_s[-1]
    parts = sample_stop(make.rig, replace(stop, looks_rad=one), 0.1)
    assert [p.what for p in parts] == ["look", "rest"]
    assert np.allclose(parts[0].joints_rad[-1], one[0])


def test_a_look_posture_that_cannot_be_reached_is_refused(make: Any) -> None:
    sunk = list(make.rig.look_joints_rad[0])
    sunk[1] = 2.0
    with pytest.raises(RobotModelError, match="in its look 1 posture the arm would strike") as caught:
        look_motions(replace(make.rig, look_joints_rad=(tuple(sunk),)))
    assert "site.toml" in caught.value.sentence()
    one, two = (1.3, -1.2, 0.0, 0.2, 0.0, -0.4, 0.0), (-1.5, -1.0, 0.0, -2.1, 0.0, 2.0, 0.0)
    for looks in ((one,), (two,), make.rig.look_joints_rad):
        assert len(look_motions(replace(make.rig, look_joints_rad=looks))) == len(looks)
    with pytest.raises(RobotModelError, match="on the way from the look 1 posture to the look 2 posture"):
        look_motions(replace(make.rig, look_joints_rad=(one, two)))

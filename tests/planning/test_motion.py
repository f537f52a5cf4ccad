"""Collision, motions and order inside a stop; Coal and Pinocchio as outside judges."""

from __future__ import annotations

from itertools import pairwise, permutations, product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import swardwright
from swardwright.domain.arm import Shape, arm_from_urdf
from swardwright.domain.errors import RobotModelError
from swardwright.planning import plan_round
from swardwright.planning.collision import capsule_round, segment_off_box_m, segments_apart_m
from swardwright.planning.motion import (
    RETREAT_M,
    Motion,
    hindrances,
    lift,
    move,
    piece_s,
    way_between,
    way_over,
)
from swardwright.planning.order import exact_path, order_work, quickest_nodes, searched_path
from swardwright.planning.pace import pace
from swardwright.planning.reach import posture_over, working_point_m

URDF = Path(swardwright.__file__).parent / "simulation" / "assets" / "robot.urdf"
POINT = st.tuples(*[st.floats(-1.0, 1.0)] * 3)


@settings(deadline=None, max_examples=60)
@given(POINT, POINT, POINT, POINT)
def test_segments_are_apart_what_a_fine_grid_says(a: Any, b: Any, c: Any, d: Any) -> None:
    one, two = np.array([a, b]), np.array([c, d])
    share = np.linspace(0.0, 1.0, 101)[:, None]
    p, q = one[0] + share * (one[1] - one[0]), two[0] + share * (two[1] - two[0])
    grid = np.linalg.norm(p[:, None] - q[None], axis=2).min()
    found = float(segments_apart_m(one, two))
    longest = max(np.linalg.norm(one[1] - one[0]), np.linalg.norm(two[1] - two[0]))
    assert grid - 0.0101 * longest - 1e-9 <= found <= grid + 2e-6  # nearly parallel ones: to micrometres
    off = float(segment_off_box_m(one[:1], one[1:], np.array([0.3, 0.2, 0.1]))[0])
    fine = np.linalg.norm(np.maximum(np.abs(p) - [0.3, 0.2, 0.1], 0.0), axis=1).min()
    assert fine - 0.0051 * longest - 1e-9 <= off <= fine + 1e-9


@pytest.mark.parametrize("kind", ["box", "cylinder", "sphere"])
def test_a_capsule_holds_its_whole_shape(kind: str) -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        size = rng.uniform(0.02, 0.4, 3)
        size = (
            np.full(3, size[0])
            if kind == "sphere"
            else np.array([size[0]] * 2 + [size[2]])
            if kind == "cylinder"
            else size
        )
        ends, radius = capsule_round(Shape("l", kind, np.eye(4), size))
        corner = rng.choice([-0.5, 0.5], (200, 3)) * size
        if kind != "box":  # the rim of the cylinder, or the sphere's surface
            direction = rng.normal(size=(200, 2 if kind == "cylinder" else 3))
            corner[:, : direction.shape[1]] = size[0] / 2 * direction / np.linalg.norm(direction, axis=1)[:, None]
        dots = np.stack([corner, corner], axis=1)
        assert (segments_apart_m(dots, ends[None]) <= radius + 1e-9).all()


def test_the_head_is_lifted_before_it_moves_sideways(make: Any) -> None:
    one = np.array(posture_over(make.rig, (0.7, 0.2), make.rig.survey_joints_rad))
    two = np.array(posture_over(make.rig, (0.75, -0.2), one))
    up = lift(make.rig, np.stack([one, two]))
    assert np.allclose(working_point_m(make.rig, up), [[0.7, 0.2, RETREAT_M], [0.75, -0.2, RETREAT_M]], atol=1e-3)
    motion = move(make.rig, one, two, lit=True)
    assert isinstance(motion, Motion)
    assert np.allclose(motion.way_rad, [one, up[0], up[1], two])
    assert motion.smooth
    assert motion.time_s == pytest.approx(pace(make.rig, motion.way_rad).time_s)
    stopping = sum(float(piece_s(make.rig, a, b)) for a, b in pairwise(motion.way_rad))
    assert motion.time_s < stopping
    # sideways only from half the retreat height on
    driven, _ = pace(make.rig, motion.way_rad).at(np.linspace(0.0, motion.time_s, 400))
    at = working_point_m(make.rig, driven)
    aside = np.minimum(*(np.linalg.norm(at[:, :2] - aim, axis=1) for aim in ((0.7, 0.2), (0.75, -0.2))))
    low = at[:, 2] < 0.5 * RETREAT_M
    assert low.sum() > 10
    assert (aside[low] < 0.005).all()
    assert aside.max() > 0.1
    plain = move(make.rig, one, two, lit=True, smooth=False)
    assert isinstance(plain, Motion)
    assert plain.time_s == pytest.approx(stopping)


def test_what_is_in_the_way_is_said_and_gone_round(make: Any) -> None:
    # from the left of the base to the right with the arm bent low: straight goes over or through the base
    left = np.array(posture_over(make.rig, (0.0, 0.6), make.rig.look_joints_rad[0]))
    right = left * np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0, 1.0])
    behind = np.array(make.rig.survey_joints_rad)
    behind[0] = 2.8  # the head high over the deck
    assert hindrances(make.rig, behind, left, lit=True)[0] == "the flame would pass over the base"
    assert hindrances(make.rig, behind, left, lit=False) == [""]
    sunk = left.copy()
    sunk[1] += 0.6
    assert "strike" in hindrances(make.rig, left, sunk, lit=False)[0]
    way = move(make.rig, left, right, lit=True)
    if isinstance(way, Motion):
        assert not any(hindrances(make.rig, way.way_rad[:-1], way.way_rad[1:], lit=True))
    assert isinstance(way_over(make.rig, (3.0, 0.0), make.rig.rest_joints_rad), str)
    back = way_between(make.rig, tuple(left), make.rig.rest_joints_rad)
    assert isinstance(back, Motion)
    assert back.way_rad[-1].tolist() == list(make.rig.rest_joints_rad)
    assert not back.smooth
    assert isinstance(on := way_between(make.rig, tuple(left), make.rig.rest_joints_rad, smooth=True), Motion)
    assert on.time_s <= back.time_s


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 3), min_size=1, max_size=5))
def test_the_order_is_the_best_of_all(seed: int, sizes: list[int]) -> None:
    """Outside reference: every order and every choice tried."""
    n = sum(sizes) + 2
    cost = np.random.default_rng(seed).uniform(0.1, 1.0, (n, n))
    groups = np.split(np.arange(1, n - 1), np.cumsum(sizes)[:-1])
    paths = [(0, *c, n - 1) for order in permutations(range(len(sizes))) for c in product(*(groups[i] for i in order))]
    best = min(sum(cost[a, b] for a, b in pairwise(path)) for path in paths)
    found = exact_path(cost, groups)
    assert sorted(i for i, g in enumerate(groups) for node in found if node in g) == list(range(len(sizes)))
    assert sum(cost[a, b] for a, b in pairwise(found)) == pytest.approx(best)
    same = quickest_nodes(cost, [next(g for g in groups if node in g) for node in found[1:-1]])
    assert sum(cost[a, b] for a, b in pairwise(same)) == pytest.approx(best)


def test_many_weeds_are_ordered_nearly_as_well_as_exactly() -> None:
    rng = np.random.default_rng(0)
    for _ in range(5):
        at = rng.uniform(0.0, 1.0, (26, 2))
        cost = np.linalg.norm(at[:, None] - at[None], axis=2)
        groups = np.split(np.arange(1, 25), 8)
        best, found = exact_path(cost, groups), searched_path(cost, groups, rng)
        lengths = [sum(cost[a, b] for a, b in pairwise(path)) for path in (best, found)]
        assert lengths[0] - 1e-9 <= lengths[1] <= 1.25 * lengths[0]  # 1.25: measured 1.00 to 1.15 here


def test_a_weed_without_a_way_is_refused_with_the_reason(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from swardwright.planning import motion, order

    aims = np.array([[0.7, 0.0], [0.7, 0.3]])
    given_rad = np.array([posture_over(make.rig, aim, make.rig.survey_joints_rad) for aim in aims])
    real = motion.between

    def walled(rig: Any, head: Any, tail: Any, *, lit: bool) -> Any:
        ends = working_point_m(rig, np.array([head[0], tail[-1]]))
        near = (np.abs(ends[:, 1] - 0.3) < 0.01) & (np.abs(ends[:, 2]) < 0.01)
        return "a wall is there" if near.any() else real(rig, head, tail, lit=lit)

    monkeypatch.setattr(order, "between", walled)
    rest = np.array(make.rig.rest_joints_rad)
    done = order_work(make.rig, aims, given_rad, np.array(make.rig.look_joints_rad[-1]), rest, np.random.default_rng(0))
    assert done.order == [0]
    assert done.refused == {1: "the arm finds no way to it: a wall is there"}


def test_a_weed_is_not_refused_for_want_of_searching(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over one of three weeds only the most out-of-the-way posture can be come to: it is found, however many fail."""
    from swardwright.planning import order

    aims = np.array([[0.7, 0.0], [0.7, 0.3], [0.8, -0.2]])
    given_rad = np.array([posture_over(make.rig, aim, make.rig.survey_joints_rad) for aim in aims])
    begin, rest = np.array(make.rig.look_joints_rad[-1]), np.array(make.rig.rest_joints_rad)
    group = order.offer_postures(make.rig, aims, given_rad)[1]
    only = group[int(np.argmax(np.abs(group - begin).max(axis=1)))]
    tried = 0

    def walled(rig: Any, head: Any, tail: Any, *, lit: bool) -> Any:
        nonlocal tried
        tried += 1
        for joints in (head[0], tail[-1]):
            at = working_point_m(rig, joints[None])[0]
            if np.linalg.norm(at - [0.7, 0.3, 0.0]) < 0.01 and np.abs(joints - only).max() > 1e-9:
                return "a wall is there"
        way = np.array([*head, *tail])
        return Motion(way, pace(rig, way).time_s, smooth=True)

    monkeypatch.setattr(order, "between", walled)
    done = order_work(make.rig, aims, given_rad, begin, rest, np.random.default_rng(0))
    assert not done.refused
    assert tried > 100
    assert np.allclose(done.joints_rad[done.order.index(1)], only)


def test_no_planned_motion_strikes_anything_in_coal(make: Any) -> None:
    """Outside reference: Coal on the URDF's own shapes, replayed at 1 degree and 1 cm (1 mm in the benchmark)."""
    pytest.importorskip("pinocchio", reason="the package pin is not installed")
    pytest.importorskip("coal", reason="the package coal is not installed")
    from benchmarks._arm_oracle import Replay

    rig, judge = make.rig, Replay(make.rig, URDF)
    plan = plan_round(make.register(14), make.site(), plan_id="r", seed=3)
    count = 0
    for stop in plan.stops:
        here = np.array(rig.rest_joints_rad)
        for look in stop.looks_rad:
            assert judge.strikes(judge.samples(here, np.array(look), 1e-2)) == 0
            here = np.array(look)
        for hold in stop.holds:
            for posture in (*hold.via_rad, hold.joints_rad):
                joints = judge.samples(here, np.array(posture), 1e-2)
                assert judge.strikes(joints) == 0
                here, count = np.array(posture), count + len(joints)
    assert count > 300
    # and the judge can tell: an arm laid over the deck, an arm in the ground, a joint past its limit
    bad = np.array([[2.8, 1.9, 0, 0, 0, 0, 0], [0, 2.1, 0, 0, 0, 0, 0], [3.0, 0, 0, 0, 0, 0, 0]], dtype=float)
    assert judge.strikes(bad) == 3


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('<limit lower="-2.9" upper="2.9" velocity="1.2" effort="120"/>', "", "no limits"),
        ('lower="-2.4" upper="2.4"', 'lower="0.3" upper="0.3"', "no range"),
        ('<cylinder radius="0.06" length="0.06"/>', '<cylinder radius="0.06"/>', "finite numbers|three numbers"),
        ('<cylinder radius="0.06" length="0.06"/>', '<cylinder radius="-1" length="0.06"/>', "above zero"),
        ('<box size="0.04 0.08 0.04"/>', '<box size="0.04 nan 0.04"/>', "finite numbers"),
        ('<box size="0.04 0.08 0.04"/>', '<box/>', "finite numbers"),
    ],
)  # fmt: skip
def test_a_bad_urdf_is_named(old: str, new: str, said: str) -> None:
    text = URDF.read_text()
    assert old in text
    with pytest.raises(RobotModelError, match=said) as caught:
        arm_from_urdf(text.replace(old, new))
    assert "robot.urdf" in caught.value.sentence()


def test_of_several_beginnings_the_best_is_taken_with_the_order(make: Any) -> None:
    rig, end = make.rig, np.array(make.rig.rest_joints_rad)
    aims = np.array([[0.7, 0.0], [0.7, 0.3], [0.8, -0.2]])
    given_rad = np.array([posture_over(rig, aim, rig.survey_joints_rad) for aim in aims])
    begins = np.array(rig.look_joints_rad)

    def whole(done: Any, lead: Any) -> float:
        return float(lead[done.begin]) + sum(motion.time_s for motion in done.motions)

    alone = [
        whole(order_work(rig, aims, given_rad, begin, end, np.random.default_rng(0)), [0.0]) for begin in begins
    ]  # fmt: skip
    done = order_work(rig, aims, given_rad, begins, end, np.random.default_rng(0), np.zeros(3))
    assert whole(done, np.zeros(3)) <= min(alone) + 0.05  # the postures on offer are sought from each beginning
    assert np.allclose(done.motions[0].way_rad[0], begins[done.begin])
    # a beginning that costs more than it can save is left, whichever it is
    for row in range(3):
        lead = np.full(3, 30.0)
        lead[row] = 0.0
        assert order_work(rig, aims, given_rad, begins, end, np.random.default_rng(0), lead).begin == row


def test_polishing_never_makes_a_stop_slower_and_keeps_heads_over_aims(make: Any, monkeypatch: Any) -> None:
    from swardwright.planning import order

    rig, rng = make.rig, np.random.default_rng(4)
    begin, end = np.array(rig.look_joints_rad[-1]), np.array(rig.rest_joints_rad)
    real, gained = order._polished, []

    def watched(*given: Any) -> Any:
        graph, path = given[2], given[3]
        near, better = real(*given)
        before, after = (float(sum(g.cost[a, b] for a, b in pairwise(p))) for g, p in ((graph, path), (near, better)))
        assert after <= before + 1e-9
        assert not near.blocked(better)
        gained.append(before - after)
        return near, better

    monkeypatch.setattr(order, "_polished", watched)
    for _ in range(4):
        aims = rng.uniform((0.5, -0.5), (0.9, 0.5), (3, 2))
        given_rad = [posture_over(rig, (float(x), float(y)), rig.survey_joints_rad) for x, y in aims]
        if any(posture is None for posture in given_rad):
            continue
        done = order_work(rig, aims, np.array(given_rad), begin, end, np.random.default_rng(0))
        assert np.abs(working_point_m(rig, done.joints_rad)[:, :2] - aims[done.order]).max() < 1e-3
    assert max(gained) > 0.05


def test_turns_in_itself_keep_the_head_where_it_is_to_first_order(make: Any) -> None:
    from swardwright.planning.order import _turns

    rig, aim = make.rig, np.array([[0.75, 0.1]])
    joints = np.array([posture_over(rig, (0.75, 0.1), rig.survey_joints_rad)])
    turns = 1e-3 * _turns(rig, aim, joints)[0]
    assert len(turns) == 8  # seven joints less the five that point and axis bind; two angles, both ways
    moved = np.linalg.norm(working_point_m(rig, joints + turns) - working_point_m(rig, joints), axis=1)
    assert (moved < 2e-6).all()  # second order: half of (0.5 mrad) squared times a metre, and some
    tip = rig.arm.forward(joints + turns, rig.head.link)[:, :3, 2]
    assert np.abs(tip - rig.arm.forward(joints, rig.head.link)[:, :3, 2]).max() < 2e-6
    assert (np.abs(turns).max(axis=1) > 1e-4).all()

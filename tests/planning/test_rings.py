"""Rings in the plan: every point reached, nothing struck, nothing spared forgotten, a single hold where it must be."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.dwell import dwell_for
from swardwright.domain.heat import footprint_density_m2
from swardwright.domain.pattern import CROWN_SHARE, pattern_for
from swardwright.domain.plan import Hold, Plan
from swardwright.domain.site import KeepOut
from swardwright.domain.weed import Register, Weed
from swardwright.planning import holds, plan_round
from swardwright.planning.choose import CAUTION, TURNS, Candidate, choose, turned
from swardwright.planning.looks import all_looks
from swardwright.planning.motion import Motion, hindrances
from swardwright.planning.pace import piece_s
from swardwright.planning.reach import clear_of_collision, heat_off_base, tilt_rad, working_point_m
from swardwright.planning.rings import hindered_round, ring_about, way_onward

#: wide enough for a ring with any tuning of the patterns
WIDE_M = 0.1


def wide(make: Any, name: str, x: float, y: float, kind: str = "plantain", sd: float = 0.006) -> Weed:
    return replace(make.weed(name, x, y, kind, sd=sd), radius_m=WIDE_M)


@pytest.fixture(scope="module")
def planned(make: Any) -> tuple[Any, Plan]:
    """Ten weeds on a small green, half of them wide, one with a place known better along one axis."""
    weeds = [
        (wide if n % 2 else make.weed)(*((make,) if n % 2 else ()), f"w{n}", 0.8 + 0.45 * n, 1.0 + 0.37 * (n % 4))
        for n in range(10)
    ]
    weeds[3] = replace(weeds[3], covariance_m2=np.array([[3.6e-5, 1.2e-5], [1.2e-5, 9e-6]]))
    site = make.site(limits=replace(make.limits, control_fraction=0.0))
    return site, plan_round(Register(1, tuple(weeds)), site, plan_id="r", seed=3)


def rings_of(plan: Plan) -> list[Hold]:
    return [hold for stop in plan.stops for hold in stop.holds if len(hold.offsets_m) > 1]


def test_the_head_stands_over_every_point_and_the_round_is_clear(planned: tuple[Any, Plan]) -> None:
    site, plan = planned
    rig = site.rig
    rings = rings_of(plan)
    assert len(rings) == plan.rings == 5
    for hold in rings:
        over, points = np.array(hold.ring_rad), np.array(hold.points_m)
        assert over.shape == (len(points), len(rig.arm.moving))
        reached = working_point_m(rig, over)
        assert np.abs(reached[:, :2] - points).max() < 5e-4
        assert np.abs(reached[:, 2]).max() < 5e-4
        assert (tilt_rad(rig, over) <= rig.head.tilt_max_rad + 1e-6).all()
        assert clear_of_collision(rig, over).all()
        assert heat_off_base(rig, points).all()
        way = np.array([hold.joints_rad, *hold.ring_rad, hold.joints_rad])
        assert hindrances(rig, way[:-1], way[1:], lit=True) == [""] * (len(way) - 1)
        assert hold.ring_s == pytest.approx(float(piece_s(rig, way[:-1], way[1:]).sum()))
    for hold in (h for stop in plan.stops for h in stop.holds if h not in rings):
        assert (hold.offsets_m, hold.ring_rad, hold.ring_s) == (((0.0, 0.0),), (), 0.0)


def test_a_ring_is_the_pattern_of_its_weed_turned_into_base_axes(make: Any, planned: tuple[Any, Plan]) -> None:
    site, plan = planned
    (stop,) = (s for s in plan.stops if any(h.weed_id == "w3" for h in s.holds))
    (hold,) = (h for h in stop.holds if h.weed_id == "w3")
    covariance = np.array([[3.6e-5, 1.2e-5], [1.2e-5, 9e-6]])
    pattern = pattern_for(site.rig.head, site.kind("plantain"), covariance, site.limits, CROWN_SHARE * WIDE_M)
    # not round, so not turned against the ground: base axes are the ground's turned back by the heading
    c, s = math.cos(stop.base.yaw_rad), math.sin(stop.base.yaw_rad)
    on_ground = np.array(hold.offsets_m) @ np.array([[c, s], [-s, c]])
    assert np.allclose(on_ground, pattern.offsets_m, atol=1e-12)
    assert (hold.hold_s, hold.gas_kg, hold.kill) == (pattern.hold_s, pattern.gas_kg, pattern.kill)


def test_arm_time_and_gas_hold_the_rings(planned: tuple[Any, Plan]) -> None:
    site, plan = planned
    for stop, load in zip(plan.stops, plan.supplies.loads, strict=True):
        assert load.gas_hold_kg == pytest.approx(sum(h.gas_kg for h in stop.holds))
        assert load.arm_s >= sum(h.move_s + h.ring_s for h in stop.holds)
        for hold in stop.holds:
            valve_s = 2.0 * site.rig.head.valve_delay_s
            each = site.rig.head.flow_kg_s * (hold.hold_s + valve_s)
            assert hold.gas_kg == pytest.approx(len(hold.offsets_m) * each)


def test_every_point_counts_for_a_spared_plant(make: Any) -> None:
    """By hand: the sum over the points at their own distance less 1.645 standard deviations."""
    site = make.site()
    weed, daisy = wide(make, "w", 2.0, 2.0), make.weed("d", 2.17, 2.05, "daisy")
    (candidate,), _ = choose(Register(1, (weed,)), site)
    points, sigma2 = np.array(candidate.pattern.offsets_m), site.rig.head.footprint_sigma_m
    assert len(points) > 1
    spread = math.sqrt(2 * 0.006**2 + site.rig.head.aim_sigma_m**2)
    away = np.hypot(0.17 - points[:, 0], 0.05 - points[:, 1]) - CAUTION * spread
    dose = site.rig.head.flow_kg_s * candidate.pattern.hold_s * footprint_density_m2(away**2, sigma2).sum()
    for factor, refused in ((1.02, False), (0.98, True)):
        limits = replace(site.limits, spare_dose_kg_m2=factor * dose)
        kept, said = choose(Register(1, (weed, daisy)), replace(site, limits=limits))
        ring = [c for c in kept if len(c.pattern.offsets_m) > 1 and 0.0 in c.turns_rad]
        assert bool(ring) is not refused, said


def test_points_keep_off_keep_outs_and_stay_in_the_zones(make: Any) -> None:
    patient = replace(make.limits, hold_max_s=15.0)  # long enough for one hold to do what the ring does
    site = make.site(limits=patient)
    (free,), _ = choose(Register(1, (wide(make, "w", 2.0, 2.0),)), site)
    assert len(free.pattern.offsets_m) > 1
    far = float(np.hypot(*np.array(free.pattern.offsets_m).T).max())
    # the aim is inside the zone by less than the ring is wide: one hold remains
    near = wide(make, "w", 2.0, 0.3 * far)
    (candidate,), refused = choose(Register(1, (near,)), site)
    assert refused == []
    assert candidate.pattern == dwell_for(make.rig.head, candidate.kind, candidate.covariance_m2, patient,
                                          CROWN_SHARE * WIDE_M)  # fmt: skip
    # and where one hold is not worth giving: refused with the reason of the ring's place
    _, (said,) = choose(Register(1, (near,)), make.site())
    assert said.reason == "outside the zones to treat"
    pond = KeepOut("pond", ((2.2, 1.0), (3.0, 1.0), (3.0, 3.0), (2.2, 3.0)), 0.0)
    beside = wide(make, "w", 2.2 - 0.5 * far - 1.7 * 0.006, 2.0)
    for one in choose(Register(1, (beside,)), make.site(keep_outs=(pond,)))[0]:
        for turn in one.turns_rad:
            x = beside.mean_m[0] + turned(one.pattern.offsets_m, turn)[:, 0]
            assert (x <= 2.2 - CAUTION * 0.006 + 1e-9).all()


def test_a_round_place_offers_turns_and_another_does_not(make: Any) -> None:
    site = make.site()
    (round_,), _ = choose(Register(1, (wide(make, "w", 2.0, 2.0),)), site)
    long = replace(wide(make, "w", 2.0, 2.0), covariance_m2=np.diag([3.6e-5, 1e-5]))
    (other,), _ = choose(Register(1, (long,)), site)
    step = 2.0 * math.pi / len(round_.pattern.offsets_m)
    assert round_.turns_rad == pytest.approx([share * step for share in TURNS])
    assert other.turns_rad == (0.0,)


def over_aim(make: Any, candidate: Candidate, aim: tuple[float, float]) -> tuple[Any, ...]:
    from swardwright.planning import posture_over

    joints = posture_over(make.rig, aim, make.rig.look_joints_rad[0])
    assert joints is not None
    return candidate, np.array(aim), np.array(joints)


def test_where_the_ring_cannot_be_gone_round_one_hold_is_given_or_none(make: Any, monkeypatch: Any) -> None:
    patient = make.site(limits=replace(make.limits, hold_max_s=15.0))
    (candidate,), _ = choose(Register(1, (wide(make, "w", 2.0, 2.0),)), patient)
    (small,), _ = choose(Register(1, (make.weed("s", 2.2, 2.0),)), make.site())
    assert candidate.single is not None
    rng = np.random.default_rng(0)
    monkeypatch.setattr(holds, "ring_about", lambda *_: None)
    work = [over_aim(make, candidate, (0.75, 0.0)), over_aim(make, small, (0.7, 0.2))]
    looks = [all_looks(make.rig)]
    made = holds.order_holds(make.rig, work, rng, 0.0, looks)
    done, refused = made.holds, made.refused
    assert {h.weed_id: len(h.offsets_m) for h in done} == {"w": 1, "s": 1}
    assert refused == []
    assert next(h for h in done if h.weed_id == "w").hold_s == candidate.single.hold_s
    work[0] = (replace(candidate, single=None), *work[0][1:])
    made = holds.order_holds(make.rig, work, rng, 0.0, looks)
    assert [h.weed_id for h in made.holds] == ["s"]
    assert [r.item for r in made.refused] == ["w"]
    assert "cannot go round the ring" in made.refused[0].reason
    # the way is that of the weed that is left
    alone = holds.order_holds(make.rig, work[1:], np.random.default_rng(0), 0.0, looks)
    assert made.arm_s == pytest.approx(alone.arm_s, rel=0.05)
    assert alone.holds[0].weed_id == "s"


@settings(max_examples=15, deadline=None)
@given(st.floats(0.55, 0.95), st.floats(-0.35, 0.35), st.floats(-3.1, 3.1))
def test_a_ring_is_whole_and_clear_or_not_given(make: Any, x: float, y: float, yaw: float) -> None:
    from swardwright.planning import posture_over

    (candidate,), _ = choose(Register(1, (wide(make, "w", 2.0, 2.0),)), make.site())
    joints = posture_over(make.rig, (x, y), make.rig.look_joints_rad[0])
    if joints is None:
        return
    aim = np.array([x, y])
    ring = ring_about(make.rig, aim, np.array(joints), candidate, yaw)
    if ring is None:
        return
    assert np.abs(working_point_m(make.rig, ring.joints_rad)[:, :2] - aim - ring.offsets_m).max() < 5e-4
    assert heat_off_base(make.rig, aim + ring.offsets_m).all()
    way = np.array([joints, *ring.joints_rad, joints])
    assert hindrances(make.rig, way[:-1], way[1:], lit=True) == [""] * (len(way) - 1)
    turn = [turned(candidate.pattern.offsets_m, t - yaw) for t in candidate.turns_rad]
    assert any(np.allclose(ring.offsets_m, t) for t in turn)


def test_the_run_goes_on_from_point_to_point_and_says_where_it_cannot(make: Any) -> None:
    from swardwright.planning import posture_over

    joints = posture_over(make.rig, (0.75, 0.0), make.rig.look_joints_rad[0])
    assert joints is not None
    way = way_onward(make.rig, (0.78, 0.02), joints)
    assert isinstance(way, Motion)
    assert len(way.way_rad) == 2  # straight, not lifted
    assert np.allclose(working_point_m(make.rig, way.way_rad[1])[:2], (0.78, 0.02), atol=5e-4)
    assert hindered_round(make.rig, [(0.78, 0.02), (0.73, 0.03)], joints) == ""
    assert hindered_round(make.rig, [(0.78, 0.02), (3.0, 0.0)], joints)
    under = way_onward(make.rig, (0.2, 0.0), joints)  # the base stands there
    assert isinstance(under, str)

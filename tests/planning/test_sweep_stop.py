from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swardwright.domain.plan import Stop
from swardwright.domain.poses import BasePose
from swardwright.domain.weed import Aim
from swardwright.planning.sweep_stop import plan_stop

STOP = Stop("round-1-s001", BasePose(2.0, 1.0, 0.5), ())


def aim(name: str, x: float, y: float, kind: str = "plantain", *, presence: float = 0.95, sd: float = 0.005,
        seen: bool = True) -> Aim:  # fmt: skip
    return Aim(name, np.array([x, y]), sd**2 * np.eye(2), 0.03, ((kind, 1.0),), presence, seen)


@pytest.fixture
def site(make: Any) -> Any:
    site = make.site((6.0, 4.0), keep_outs=())
    return replace(site, limits=replace(site.limits, control_fraction=0.0))


def test_every_plant_comes_out_once_with_its_reason(site: Any) -> None:
    aims = (
        aim("w1", 0.8, 0.1), aim("w2", 0.7, -0.4), aim("w3", 0.9, 0.5, "daisy"), aim("w4", 0.6, 0.3, presence=0.5),
        aim("w5", 2.4, 0.0), aim("w6", 0.75, -0.1, seen=False), aim("w7", 1.0, -0.1, sd=0.03), aim("w8", 0.65, 0.0),
        aim("w9", 0.9, 0.54),
    )  # fmt: skip
    work = plan_stop(site, STOP, aims, done={"w8"})
    reasons = {r.item: r.reason for r in work.refused}
    assert {h.weed_id for h in work.holds} == {"w1", "w2"}
    assert set(reasons) == {"w3", "w4", "w5", "w6", "w7", "w9"}
    assert "kind to spare" in reasons["w3"]
    assert "not sure enough" in reasons["w4"]
    assert "out of reach" in reasons["w5"]
    assert "did not see it" in reasons["w6"]
    assert "30 mm" in reasons["w7"]
    assert "a plant to spare stands too near: w3" in reasons["w9"]
    for hold in work.holds:
        wanted = next(a for a in aims if a.weed_id == hold.weed_id)
        assert hold.aim_base_m == pytest.approx(tuple(wanted.mean_m))
        assert hold.move_s > 0.0
        assert hold.kill >= site.limits.kill_target


def test_a_vague_aim_is_judged_as_it_is_and_not_as_a_look_was_expected_to_leave_it(site: Any) -> None:
    sure, vague = (plan_stop(site, STOP, (aim("w1", 0.8, 0.1, sd=sd),)).holds[0] for sd in (0.003, 0.012))
    assert vague.gas_kg > 1.2 * sure.gas_kg


def test_the_points_of_a_ring_lie_along_what_the_look_left_unsure(site: Any) -> None:
    """Surely known across, unsurely along base x: the points go along base x, however the base stands."""
    long = replace(aim("w1", 0.8, 0.1), covariance_m2=np.diag([0.018**2, 0.002**2]), radius_m=0.07)
    for yaw in (0.0, 0.5, 2.0):
        stop = replace(STOP, base=BasePose(2.0, 1.0, yaw))
        (hold,) = plan_stop(site, stop, (long,)).holds
        points = np.array(hold.offsets_m)
        assert len(points) > 1
        assert np.ptp(points[:, 0]) > 2.0 * np.ptp(points[:, 1])


def test_a_new_plant_where_heat_was_given_is_left(site: Any) -> None:
    place = STOP.base.ground_from_base.apply(np.array([0.8, 0.1, 0.0]))[:2]
    off = np.array([[0.03, 0.0]])
    work = plan_stop(site, STOP, (aim("w5", 0.8, 0.1),), new={"w5"}, heated_m=place + off)
    assert not work.holds
    assert "gave heat already" in work.refused[0].reason
    assert plan_stop(site, STOP, (aim("w5", 0.8, 0.1),), new={"w5"}, heated_m=place + 4 * off).holds
    assert plan_stop(site, STOP, (aim("w5", 0.8, 0.1),), new=(), heated_m=place + off).holds  # known to be another


def test_controls_are_drawn_by_id_in_the_share_asked_for(site: Any) -> None:
    some = replace(site, limits=replace(site.limits, control_fraction=0.3))
    far = [aim(f"w{i:04d}", 3.0, 0.0) for i in range(2000)]  # out of reach: only the draw counts
    first, again = (plan_stop(some, STOP, far).controls for _ in range(2))
    assert first == again
    # binomial, 2000 draws: three standard deviations are 3.1 %
    assert len(first) / 2000 == pytest.approx(0.3, abs=0.031)
    assert plan_stop(site, STOP, far[:50]).controls == ()


def test_keep_outs_and_zones_bind_where_the_base_really_stands(site: Any) -> None:
    beyond = BasePose(5.5, 2.0, 0.0)
    work = plan_stop(site, STOP, (aim("w1", 0.8, 0.1),), base=beyond)
    assert not work.holds
    assert "outside the zones" in work.refused[0].reason

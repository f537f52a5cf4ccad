"""What the plan would gain: each row is a plan of its own, and half the error never costs gas on the same weeds."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.plan import Plan
from swardwright.domain.site import ErrorSources, Site
from swardwright.domain.weed import Register
from swardwright.planning import plan_round
from swardwright.planning.choose import choose
from swardwright.planning.sensitivity import Row, figures, sensitivity, variants
from swardwright.planning.view import LOOK_ERRORS, after_look_covariance_m2, fresh_look_covariance_m2

#: a ring's radius and number of holds are chosen from a table
OF_THE_CHOICE = 0.02


@pytest.fixture(scope="module")
def before(make: Any) -> tuple[Site, Register, Plan]:
    # places known to 3-30 mm, some of them to no use before a fresh look
    rng = np.random.default_rng(2)
    weeds = tuple(
        make.weed(f"w{i:02d}", *rng.uniform((0.3, 0.3), (4.0, 2.0)), sd=float(rng.uniform(0.003, 0.03)))
        for i in range(16)
    )
    # holds chosen by gas alone, so that gas itself is what is least
    site = make.site((4.5, 2.5), limits=replace(make.limits, turf_worth_kg_m2=0.0))
    register = Register(1, weeds)
    return site, register, plan_round(register, site, plan_id="r", seed=5)


@pytest.fixture(scope="module")
def rows(before: tuple[Site, Register, Plan]) -> dict[str, Row]:
    site, register, plan = before
    return {row.variant.key: row for row in sensitivity(plan, register, site, seed=5)}


def test_a_row_is_the_plan_made_with_that_site(before: tuple[Site, Register, Plan], rows: dict[str, Row]) -> None:
    """A faster arm by hand: the same site with doubled joint speeds, planned like any other."""
    site, register, plan = before
    joints = tuple(replace(j, velocity_rad_s=2.0 * j.velocity_rad_s) for j in site.rig.arm.joints)
    moving = tuple(j for j in joints if j.name in site.rig.arm.joint_names)
    fast = replace(site, rig=replace(site.rig, arm=replace(site.rig.arm, joints=joints, moving=moving)))
    other = plan_round(register, fast, plan_id="r", seed=5)  # the draw of controls is the same: as many weeds, one seed
    assert other.controls == plan.controls
    row = rows["arm"]
    assert row.figures == figures(other, register, fast)
    assert row.figures.time_s == other.supplies.time_s
    assert row.figures.gas_kg == other.supplies.gas_kg
    assert row.figures.scorch_m2 == pytest.approx(sum(h.scorch_m2 for s in other.stops for h in s.holds))
    assert row.figures.kills == pytest.approx(sum(h.kill for s in other.stops for h in s.holds))
    assert row.more.time_s == other.supplies.time_s - plan.supplies.time_s < 0.0
    assert row.more.stops == len(other.stops) - len(plan.stops)


def test_half_the_error_never_needs_more_gas_for_the_same_weeds(rows: dict[str, Row]) -> None:
    for key in ("place", "landing", "both", "look"):
        assert rows[key].same_gas_kg <= OF_THE_CHOICE * rows[key].figures.gas_kg, key
        assert rows[key].more.refused <= 0, key
    assert rows["place"].same_gas_kg < 0.0
    assert rows["landing"].same_gas_kg < 0.0
    assert rows["both"].same_gas_kg < min(rows["place"].same_gas_kg, rows["landing"].same_gas_kg)


def test_speed_saves_time_and_neither_gas_of_the_holds_nor_turf(rows: dict[str, Row]) -> None:
    for key in ("arm", "base"):
        assert rows[key].more.time_s < 0.0
        assert rows[key].same_gas_kg == pytest.approx(0.0, abs=1e-12)
        assert rows[key].same_scorch_m2 == pytest.approx(0.0, abs=1e-12)
        assert rows[key].more.cost < 0.0


def test_one_more_look_takes_its_time(before: tuple[Site, Register, Plan], rows: dict[str, Row]) -> None:
    _, _, plan = before
    assert rows["look"].figures.stops == len(plan.stops)
    # two pictures from each posture, 1 s each; two from one may do where one each from two were taken
    assert rows["look"].more.time_s > 0.5 * len(plan.stops)


def test_the_cost_is_by_the_user_s_prices(before: tuple[Site, Register, Plan]) -> None:
    site, register, plan = before
    dear = replace(site, rig=replace(site.rig, gas=replace(site.rig.gas, price=site.rig.gas.price + 100.0)))
    now = figures(plan, register, site)
    assert figures(plan, register, dear).cost - now.cost == pytest.approx(100.0 * plan.supplies.gas_kg)
    dear = replace(site, limits=replace(site.limits, turf_worth_kg_m2=0.2))
    more = figures(plan, register, dear).cost - now.cost
    assert more == pytest.approx(0.2 * site.rig.gas.price * now.scorch_m2)
    dear = replace(site, limits=replace(site.limits, hour_price=site.limits.hour_price + 60.0))
    assert figures(plan, register, dear).cost - now.cost == pytest.approx(plan.supplies.time_s / 60.0)
    dear = replace(site, kinds=tuple(replace(k, miss_price=k.miss_price + 2.0) for k in site.kinds))
    assert now.cost - figures(plan, register, dear).cost == pytest.approx(2.0 * now.kills)


def test_a_smaller_error_lets_vague_places_be_treated(make: Any) -> None:
    """16 mm known alone (a look is poorer still) is over the limit of 10 mm, half of it is not."""
    errors = replace(make.rig.errors, mount_rad=0.1)
    site = make.site(
        rig=replace(make.rig, errors=errors), limits=replace(make.limits, aim_sigma_max_m=0.01, control_fraction=0.0)
    )
    register = Register(1, (make.weed("w", 2.0, 2.0, sd=0.016),))
    by_key = {v.key: v for v in variants(site, register)}
    assert [r.item for r in choose(register, site)[1]] == ["w"]
    assert choose(by_key["place"].register, by_key["place"].site)[1] == []
    assert [r.item for r in choose(by_key["landing"].register, by_key["landing"].site)[1]] == ["w"]


def test_only_one_thing_is_changed(make: Any) -> None:
    site, register = make.site(), make.register(5)
    by_key = {v.key: v for v in variants(site, register)}
    assert len(by_key) == 7
    for key in ("landing", "head", "arm", "base"):
        assert by_key[key].register is register
    head = by_key["head"].site.rig.head
    assert head == replace(make.rig.head, footprint_sigma_m=0.7 * make.rig.head.footprint_sigma_m)
    landing = by_key["landing"].site.rig.head
    assert landing == replace(make.rig.head, landing_sigma_m=0.5 * make.rig.head.landing_sigma_m)
    base = by_key["base"].site.rig.base
    assert (base.speed_m_s, base.turn_rad_s) == (2 * make.rig.base.speed_m_s, 2 * make.rig.base.turn_rad_s)
    for variant in by_key.values():
        assert vars(replace(variant.site, rig=site.rig)) == vars(site)
        assert [w.id for w in variant.register.weeds] == [w.id for w in register.weeds]


sigmas = st.floats(1e-4, 0.02)


@given(st.lists(sigmas, min_size=len(LOOK_ERRORS), max_size=len(LOOK_ERRORS)))
@settings(max_examples=40, deadline=None)
def test_half_of_every_look_error_is_half_the_look(make: Any, values: list[float]) -> None:
    """None of the sources that a fresh look has in it is left out."""
    errors = replace(make.rig.errors, **dict(zip(LOOK_ERRORS, values, strict=True)))
    site = make.site(rig=replace(make.rig, errors=errors))
    (half,) = (v for v in variants(site, Register(1, ())) if v.key == "place")
    whole = fresh_look_covariance_m2(site.rig)
    assert np.allclose(fresh_look_covariance_m2(half.site.rig), 0.25 * whole)
    others = {f.name for f in fields(ErrorSources)} - set(LOOK_ERRORS)
    assert all(getattr(half.site.rig.errors, name) == getattr(errors, name) for name in others)


@given(st.floats(1e-3, 0.05), st.floats(1e-3, 0.05), st.floats(0.0, math.pi), st.floats(0.0, 8.0))
@settings(max_examples=60, deadline=None)
def test_a_look_never_blurs_and_never_beats_what_all_looks_share(
    make: Any, major_m: float, minor_m: float, turn_rad: float, pixel_px: float
) -> None:
    """What mount, tilt, ground and crown add is in every look of a stop, so that no number of looks takes it away."""
    rig = replace(make.rig, errors=replace(make.rig.errors, pixel_px=pixel_px))
    still = replace(rig, errors=replace(rig.errors, pixel_px=0.0, joint_rad=0.0))
    shared = fresh_look_covariance_m2(still)[0, 0]
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    turn = np.array([[c, -s], [s, c]])
    known = turn @ np.diag([major_m**2, minor_m**2]) @ turn.T
    for _ in range(30):
        after = after_look_covariance_m2(rig, known)
        assert np.linalg.eigvalsh(known - after).min() >= -1e-12
        assert np.linalg.eigvalsh(after).min() >= min(shared, minor_m**2, major_m**2) - 1e-12
        known = after


def test_two_looks_halve_only_what_each_has_to_itself(make: Any) -> None:
    """Best linear estimate of two equal looks, from their joint covariance."""
    fresh = fresh_look_covariance_m2(make.rig)[0, 0]
    still = replace(make.rig.errors, pixel_px=0.0, joint_rad=0.0)
    shared = fresh_look_covariance_m2(replace(make.rig, errors=still))[0, 0]
    joint = np.array([[fresh, shared], [shared, fresh]])
    wanted = 1.0 / np.linalg.inv(joint).sum()
    assert after_look_covariance_m2(make.rig, fresh * np.eye(2)) == pytest.approx(wanted * np.eye(2))

"""Cylinders, batteries and days: changes on the way, cutting, refusals. All numbers invented."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swardwright.domain.errors import InputError, RefusedError
from swardwright.domain.plan import Hold, Load, Plan, Stop
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Gas, Site
from swardwright.domain.weed import Register
from swardwright.planning import cut_plan, plan_round
from swardwright.planning.cylinder import coldest_liquid
from swardwright.planning.propane import (
    choked_orifice_kg_s,
    coldest_k,
    cooled_k,
    draw_off_kg_s,
    low_pressure_orifice_m3_s,
    starves_after_s,
    vapour_pressure_pa,
)
from swardwright.planning.route import Leg
from swardwright.planning.supplies import add_up, changes, count_supplies


def load(number: int, gas_kg: float = 0.0, energy_j: float = 0.0, time_s: float = 0.0) -> Load:
    return Load(f"s{number}", gas_kg, 0.0, energy_j, 1.0, time_s, 0.0, 0.0)


def row(takes: Sequence[float]) -> list[Load]:
    return [load(n) for n, _ in enumerate(takes)]


def said(swaps: Sequence[Any]) -> list[tuple[str, bool]]:
    return [(swap.stop_id, swap.during) for swap in swaps]


def test_changes_by_hand() -> None:
    """A full one gives 10: 4 + 5 fit, 3 does not; 25 alone takes three, the third has 5 left, which 5 uses up."""
    takes = [4.0, 5.0, 3.0, 25.0, 5.0, 1.0]
    assert said(changes("gas", row(takes), takes, 10.0)) == [
        ("s1", False), ("s2", False), ("s3", True), ("s3", True), ("s4", False),
    ]  # fmt: skip
    assert changes("gas", row([10.0]), [10.0], 10.0) == []
    assert changes("time", row(takes), takes, math.inf) == []


def test_a_first_cylinder_that_is_nearly_empty_is_changed_before_the_first_stop() -> None:
    assert said(changes("gas", row([4.0, 3.0]), [4.0, 3.0], 10.0, 3.0)) == [("", False)]
    assert said(changes("gas", row([4.0, 3.0]), [4.0, 3.0], 10.0, 5.0)) == [("s0", False)]


@pytest.fixture(scope="module")
def planned(make: Any) -> tuple[Site, Plan]:
    site = make.site()
    return site, plan_round(make.register(30), site, plan_id="r", seed=1)


def recount(site: Site, plan: Plan, day_s: float = math.inf) -> Plan:
    return replace(plan, supplies=add_up(site, plan.stops, plan.supplies.loads, day_s))


def test_loads_are_the_round_stop_by_stop(planned: tuple[Site, Plan]) -> None:
    _, plan = planned
    s = plan.supplies
    assert [x.stop_id for x in s.loads] == [stop.id for stop in plan.stops]
    for total, parts in (
        (s.time_s, [x.time_s for x in s.loads]), (s.energy_j, [x.energy_j for x in s.loads]),
        (s.drive_m, [x.drive_m for x in s.loads]), (s.gas_kg - 0.002, [x.gas_kg for x in s.loads]),
    ):  # fmt: skip
        assert total == pytest.approx(sum(parts))
    assert s.days == 1
    assert not s.swaps


def test_a_round_longer_than_a_day_is_split_and_can_be_cut(planned: tuple[Site, Plan]) -> None:
    site, plan = planned
    day_s = 0.6 * plan.supplies.time_s
    long = recount(site, plan, day_s)
    assert long.supplies.days == 2
    assert any(note.startswith("time limits") for note in long.supplies.notes)
    end = long.supplies.swaps[0].stop_id
    cut = cut_plan(long, site, "time")
    assert cut.stops[-1].id == end
    assert cut.supplies.time_s <= day_s
    assert cut.supplies.time_s + plan.supplies.loads[len(cut.stops)].time_s > day_s  # the next stop does not fit
    assert cut.route_m[-1] == pytest.approx((cut.stops[-1].base.x_m, cut.stops[-1].base.y_m))
    way = sum(math.dist(a, b) for a, b in zip(cut.route_m[:-1], cut.route_m[1:], strict=True))
    assert way == pytest.approx(cut.supplies.drive_m)
    later = {r.item for r in cut.refused} - {r.item for r in plan.refused}
    assert later == {hold.weed_id for stop in plan.stops[len(cut.stops) :] for hold in stop.holds}
    assert all(end in r.reason for r in cut.refused if r.item in later)
    assert cut.notes[0].startswith(f"cut after stop {len(cut.stops)} of {len(plan.stops)}")
    assert cut.stops_bound <= len(cut.stops)


def test_gas_and_battery_limits_cut_too_and_a_plan_within_them_stays(planned: tuple[Site, Plan]) -> None:
    site, plan = planned
    for limit in ("time", "gas", "battery"):
        assert cut_plan(plan, site, limit) is plan
    burnt = plan.supplies.gas_hold_kg + plan.supplies.gas_pilot_kg
    gas = Gas((0.6 * burnt + 0.0001) / 0.81, 0.9, 0.0001)
    weak = replace(site.rig.power, battery_j=0.6 * plan.supplies.energy_j / 0.8 / 0.85)
    poor = replace(site, rig=replace(site.rig, gas=gas, power=weak))
    short = recount(poor, plan)
    assert (short.supplies.cylinders, short.supplies.battery_swaps) == (2, 1)
    assert [n.split(" ")[0] for n in short.supplies.notes[:2]] == ["gas", "the"]
    fewer = cut_plan(short, poor, "gas")
    assert fewer.supplies.cylinders == 1
    assert len(fewer.stops) < len(plan.stops)
    assert cut_plan(short, poor, "battery").supplies.battery_swaps == 0
    rich = replace(poor, rig=replace(poor.rig, gas=replace(gas, carried=2)))
    assert cut_plan(recount(rich, plan), rich, "gas").stops == plan.stops


def test_a_limit_before_the_first_stop_and_an_unknown_one_are_refused(planned: tuple[Site, Plan]) -> None:
    site, plan = planned
    with pytest.raises(RefusedError, match="first stop") as error:
        cut_plan(recount(site, plan, 1.0), site, "time")
    assert error.value.remedy
    with pytest.raises(InputError, match="no such limit"):
        cut_plan(plan, site, "patience")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"ambient_k": 230.0}, "colder than propane boils"),
        ({"ambient_k": 250.0, "regulator_pa": 2e5}, "below what the regulator needs"),
        ({"fill": 0.0}, "cylinder is empty"),
        ({"cylinder_kg": 0.0}, "even a full cylinder gives nothing"),
        ({"cylinder_kg": 0.002}, "even a full cylinder gives nothing"),
        ({"ambient_k": math.nan}, "colder than propane boils"),
    ],
)
def test_a_cylinder_that_gives_nothing_is_refused_in_one_sentence(make: Any, change: dict[str, Any], word: str) -> None:
    site = make.site(rig=replace(make.rig, gas=replace(make.rig.gas, **change)))
    with pytest.raises(RefusedError, match=word) as error:
        plan_round(make.register(3), site, plan_id="r", seed=0)
    assert error.value.remedy
    assert error.value.sentence().count(". ") == 0


def test_a_day_without_sun_is_refused_unless_the_user_names_hours(make: Any) -> None:
    site = make.site()
    dark = replace(site, origin=replace(site.origin, latitude_deg=80.0))
    midwinter_s = 1_797_854_400.0  # 21 December 2026
    with pytest.raises(RefusedError, match="the sun does not rise there on 2026-12-21") as error:
        plan_round(Register(1, ()), dark, plan_id="r", seed=0, at_s=midwinter_s)
    assert error.value.remedy
    lit = replace(dark, limits=replace(dark.limits, work_day_s=4 * 3600.0))
    assert plan_round(Register(1, ()), lit, plan_id="r", seed=0, at_s=midwinter_s).supplies.day_s == 4 * 3600.0


def burning(site: Site, holds: int, hold_s: float, move_s: float) -> tuple[Site, Plan]:
    head = site.rig.head
    each = Hold("w", (0.5, 0.0), (), hold_s, head.flow_kg_s * (hold_s + 2 * head.valve_delay_s), 0.95, 0.0, move_s)
    stops = (Stop("s1", BasePose(0.0, 0.0, 0.0), (each,) * holds),)
    heat_s = head.ignition_s + holds * (hold_s + 2 * head.valve_delay_s)
    arm_s = holds * move_s
    loads = (Load("s1", holds * each.gas_kg, 0.0, 1.0, 0.0, 0.0, arm_s, heat_s),)
    supplies = add_up(site, stops, loads, math.inf)
    return site, Plan("r", 1, site.start, stops, 1, ((0.0, 0.0),), supplies, (), ())


def test_a_flow_above_the_draw_off_is_flagged_and_starves_only_without_pauses(make: Any) -> None:
    site = make.site()
    _, calm = burning(site, 40, 2.0, 30.0)
    assert any("without end: burning unbroken it starves after" in n for n in calm.supplies.notes)
    assert any("which is enough" in n for n in calm.supplies.notes)
    gas = replace(make.rig.gas, cylinder_kg=0.4)
    fierce = make.site(rig=replace(make.rig, gas=gas, head=replace(make.rig.head, flow_kg_s=6e-4)))
    _, hard = burning(fierce, 60, 6.0, 0.5)
    assert any("gas starves at stop s1" in n for n in hard.supplies.notes)
    weak = make.site(rig=replace(make.rig, head=replace(make.rig.head, flow_kg_s=1e-5, pilot_kg_s=0.0)))
    _, small = burning(weak, 5, 2.0, 5.0)
    assert not any("starves" in n for n in small.supplies.notes)


def test_cooling_agrees_with_the_time_until_it_starves(make: Any) -> None:
    """Two ways through the same balance: after that time, the liquid is as cold as the regulator allows."""
    air, left, size, regulator = 288.15, 8.0, 9.0, 1e5
    limit = draw_off_kg_s(air, left, size, regulator)
    for flow in (1.2 * limit, 3.0 * limit):
        lasts = starves_after_s(flow, air, left, size, regulator)
        assert cooled_k(air, flow, lasts, air, left, size) == pytest.approx(coldest_k(regulator), abs=0.01)
    # and against a plain march in small steps
    liquid, step = air, 1.0
    for _ in range(600):
        liquid = cooled_k(liquid, 3 * limit, step, air, left, size)
    assert liquid == pytest.approx(cooled_k(air, 3 * limit, 600.0, air, left, size), abs=1e-6)
    assert starves_after_s(0.99 * limit, air, left, size, regulator) == math.inf


def test_a_starving_round_is_colder_than_one_with_a_larger_cylinder(make: Any) -> None:
    coldest = []
    for size in (0.4, 5.0):
        site = make.site(rig=replace(make.rig, gas=replace(make.rig.gas, cylinder_kg=size)))
        _, plan = burning(site, 50, 4.0, 1.0)
        coldest.append(coldest_liquid(site, plan.stops, plan.supplies)[0])
    assert coldest[0] < coldest[1] < site.rig.gas.ambient_k


def test_keep_lit_or_relight_is_decided_by_cost(make: Any) -> None:
    """By hand: pilot 0.5 kg/h at 10 a kilogram costs 5 an hour; 3 s of ignition at 5 an hour of gas and 20 of time."""
    head = replace(make.rig.head, pilot_kg_s=0.5 / 3600.0)
    site = make.site(
        rig=replace(make.rig, head=head, gas=replace(make.rig.gas, price=10.0)),
        limits=replace(make.limits, hour_price=20.0),
    )
    _, short = burning(site, 3, 2.0, 14.0)
    assert any(n.startswith("the pilot stays lit") for n in short.supplies.notes)
    _, long = burning(site, 3, 2.0, 16.0)
    assert any(n.startswith("the pilot is put out in 2 of 2 gaps") for n in long.supplies.notes)
    # counted so: out on the way, three ignitions of 3 s and three holds of 2.3 s with their valve delays
    leg = Leg(0.0, 0.0, np.zeros((1, 2)))
    for plan, lit_s in ((long, 3 * (3.0 + 2.3)), (short, 3.0 + 3 * 2.3 + 2 * 14.0)):
        supplies = count_supplies(site, plan.stops, [leg], [0.0])
        assert supplies.gas_pilot_kg == pytest.approx(0.5 / 3600.0 * lit_s)


def test_all_points_of_a_ring_and_the_way_round_them_are_counted(make: Any) -> None:
    site, single = burning(make.site(), 1, 2.0, 4.0)
    (stop,) = single.stops
    around = ((0.02, 0.0), (-0.01, 0.017), (-0.01, -0.017))
    ring = replace(stop.holds[0], offsets_m=around, ring_rad=(stop.holds[0].joints_rad,) * 3, ring_s=2.5,
                   gas_kg=3.0 * stop.holds[0].gas_kg)  # fmt: skip
    leg, arms = Leg(0.0, 0.0, np.zeros((1, 2))), [4.0]
    alone = count_supplies(site, (stop,), [leg], arms)
    three = count_supplies(site, (replace(stop, holds=(ring,)),), [leg], [arms[0] + 2.5])
    assert three.gas_hold_kg == pytest.approx(3.0 * alone.gas_hold_kg)
    assert three.heat_s - alone.heat_s == pytest.approx(2 * 2.3)
    assert three.arm_s - alone.arm_s == pytest.approx(2.5)
    assert three.gas_pilot_kg - alone.gas_pilot_kg == pytest.approx(site.rig.head.pilot_kg_s * (2 * 2.3 + 2.5))


def test_a_flow_that_the_jet_cannot_give_is_doubted(make: Any) -> None:
    passes = choked_orifice_kg_s(0.5e-3, 2e5, 288.15)
    low = 1.86 * low_pressure_orifice_m3_s(0.5e-3, 3e3)  # 1.86 kg/m3 at 15 C (C: p M / (R T))
    between = (20e3, 9e-3, False)  # no formula holds: nothing is said
    for line_pa, flow, doubted in (
        (2e5, passes, False), (2e5, 2.0 * passes, True), (3e3, 1.2 * low, False), (3e3, 0.5 * low, True), between,
    ):  # fmt: skip
        rig = replace(make.rig, gas=replace(make.rig.gas, orifice_m=0.5e-3, line_pa=line_pa),
                      head=replace(make.rig.head, flow_kg_s=flow))  # fmt: skip
        _, plan = burning(make.site(rig=rig), 2, 2.0, 2.0)
        assert any("flow is doubtful" in n for n in plan.supplies.notes) is doubted


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 100.0, 400.0])
def test_impossible_temperatures_are_refused(bad: float) -> None:
    for call in (vapour_pressure_pa, lambda k: draw_off_kg_s(k, 1.0, 1.0)):
        with pytest.raises(InputError) as error:
            call(bad)
        assert error.value.remedy


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_impossible_contents_pressures_and_jets_are_refused(bad: float) -> None:
    calls = (
        lambda: draw_off_kg_s(288.0, bad, 1.0),
        lambda: draw_off_kg_s(288.0, 1.0, bad),
        lambda: draw_off_kg_s(288.0, 1.0, 1.0, bad),
        lambda: choked_orifice_kg_s(1e-3, bad, 288.0),
        lambda: choked_orifice_kg_s(bad, 2e5, 288.0),
    )
    for call in calls:
        with pytest.raises(InputError) as error:
            call()
        assert error.value.remedy

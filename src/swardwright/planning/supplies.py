"""What the round takes: gas, battery and time, stop by stop; what to bring, where to change it, and what limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from swardwright.domain.errors import InputError, RefusedError
from swardwright.domain.heat import PROPANE_NET_J_KG
from swardwright.domain.plan import Load, Plan, Refused, Stop, Supplies, Swap
from swardwright.domain.site import Site
from swardwright.domain.units import GRAVITY_M_S2
from swardwright.planning.cylinder import check_cylinder, gas_notes, lightings
from swardwright.planning.looks import PICTURE_S, looks_taken
from swardwright.planning.route import Leg

#: rolling resistance of grass, lowest: 0.05-0.1 (REFERENCES section 8, from memory)
ROLLING_GRASS = 0.05
#: what can end a round, with the word for it
LIMITS = {"time": "working day", "gas": "gas carried", "battery": "charge carried"}


def rolling_energy_j_m(mass_kg: float, rolling: float, efficiency: float, slope_rad: float = 0.0) -> float:
    """Return the battery energy of driving one metre: ``m g (Crr cos + sin) / efficiency`` (REFERENCES section 8), J/m.

    ``rolling`` is the coefficient of rolling resistance, unitless; ``efficiency`` that of motor and drive, 0..1.
    """
    return mass_kg * GRAVITY_M_S2 * (rolling * math.cos(slope_rad) + math.sin(slope_rad)) / efficiency


def usable_energy_j(site: Site) -> float:
    """Return what one battery gives before it is swapped, J: capacity times usable share, less the user's reserve."""
    return site.rig.power.battery_j * site.rig.power.usable * (1.0 - site.limits.battery_reserve)


def usable_gas_kg(site: Site, fill: float = 1.0) -> float:
    """Return what one cylinder gives to burn, kg: content times usable share, less the user's reserve and the purge."""
    gas = site.rig.gas
    return fill * gas.cylinder_kg * gas.usable * (1.0 - site.limits.gas_reserve) - gas.purge_kg


def flame_power_w(flow_kg_s: float) -> float:
    """Return the heat of a flow of propane, net heating value, W."""
    return flow_kg_s * PROPANE_NET_J_KG


def count_supplies(
    site: Site, stops: tuple[Stop, ...], legs: Sequence[Leg], arm_s: Sequence[float], *, day_s: float = math.inf
) -> Supplies:
    """Add up a round.

    Gas: the holds (all points, valve delays included), the pilot while it is lit (at a stop from ignition over the
    first weed to the last hold, but for gaps in which relighting costs less; it is out while driving), and the purge of
    each cylinder. Battery: driving and turning by the site's figures, arm and computer for the whole time through the
    regulated rail. Times carry no acceleration.

    Parameters
    ----------
    legs : sequence of Leg
        The drive to each stop.
    arm_s : sequence of float
        Arm travel at each stop, looks and rounds of rings included, without the time for pictures.
    day_s : float
        How long one may work in a day.
    """
    loads = tuple(_load(site, *one) for one in zip(stops, legs, arm_s, strict=True))
    return add_up(site, stops, loads, day_s)


def _load(site: Site, stop: Stop, leg: Leg, arm_s: float) -> Load:
    rig = site.rig
    lit = lightings(site, stop)
    flame_s = sum(hold.heat_s + 2.0 * len(hold.offsets_m) * rig.head.valve_delay_s for hold in stop.holds)
    heat_s = max(sum(lit), 1) * rig.head.ignition_s + flame_s
    moving = sum(hold.ring_s + (0.0 if on else hold.move_s) for hold, on in zip(stop.holds, lit, strict=True))
    drive_s = leg.time_s(rig.base)
    arm_s += max(len(looks_taken(rig, stop)), 1) * PICTURE_S
    standing_w = (rig.power.arm_w + rig.power.computer_w) / rig.power.rail_efficiency
    energy_j = rig.base.energy_j_m * leg.drive_m + rig.base.energy_j_rad * leg.turn_rad
    return Load(
        stop_id=stop.id, gas_hold_kg=sum(hold.gas_kg for hold in stop.holds),
        gas_pilot_kg=rig.head.pilot_kg_s * (heat_s + moving),
        energy_j=energy_j + standing_w * (drive_s + arm_s + heat_s), drive_m=leg.drive_m, drive_s=drive_s, arm_s=arm_s,
        heat_s=heat_s,
    )  # fmt: skip


def add_up(site: Site, stops: tuple[Stop, ...], loads: tuple[Load, ...], day_s: float) -> Supplies:
    """Return the supplies of stops whose loads are known, with the changes on the way and the notes."""
    gas_swaps = changes(
        "gas", loads, [x.gas_kg for x in loads], usable_gas_kg(site), usable_gas_kg(site, site.rig.gas.fill)
    )
    battery_swaps = changes("battery", loads, [x.energy_j for x in loads], usable_energy_j(site))
    days = changes("time", loads, [x.time_s for x in loads], day_s)
    burnt = sum(x.gas_kg for x in loads)
    cylinders = 1 + len(gas_swaps) if burnt > 0.0 else 0
    place = {load.stop_id: n for n, load in enumerate(loads)}
    swaps = sorted(gas_swaps + battery_swaps + days, key=lambda swap: place.get(swap.stop_id, -1))
    supplies = Supplies(
        gas_kg=burnt + cylinders * site.rig.gas.purge_kg, gas_hold_kg=sum(x.gas_hold_kg for x in loads),
        gas_pilot_kg=sum(x.gas_pilot_kg for x in loads), cylinders=cylinders, energy_j=sum(x.energy_j for x in loads),
        battery_swaps=len(battery_swaps), drive_s=sum(x.drive_s for x in loads), arm_s=sum(x.arm_s for x in loads),
        heat_s=sum(x.heat_s for x in loads), time_s=sum(x.time_s for x in loads), drive_m=sum(x.drive_m for x in loads),
        loads=loads, swaps=tuple(swaps), day_s=day_s if math.isfinite(day_s) else None,
    )  # fmt: skip
    return replace(supplies, notes=(*_short(site, supplies), *gas_notes(site, stops, supplies)))


def changes(
    what: str, loads: Sequence[Load], takes: Sequence[float], holds: float, first: float | None = None
) -> list[Swap]:
    """Return after which stops a cylinder, battery or day is over, if it is changed between stops only.

    The next one is begun when a stop no longer fits: for stops in a given order nothing does with fewer. A stop that
    takes more than a whole one begins with a fresh one and is changed within.

    Parameters
    ----------
    takes : sequence of float
        What each stop takes.
    holds, first : float
        What a full one gives, and what the first one gives (None: the same), in the same unit.
    """
    if holds <= 0.0:
        return []  # refused elsewhere: nothing can be planned on it
    swaps: list[Swap] = []
    left = holds if first is None else first
    fresh, before = first is None or first >= holds, ""
    for load, take in zip(loads, takes, strict=True):
        if take > left * (1.0 + 1e-12):
            if not fresh:
                swaps.append(Swap(what, before))
                left = holds
            while take > left * (1.0 + 1e-12):
                swaps.append(Swap(what, load.stop_id, during=True))
                take, left = take - left, holds
        left, fresh, before = left - take, fresh and take == 0.0, load.stop_id
    return swaps


def check_supplies(site: Site) -> None:
    """Refuse a round that no gas can come out for.

    Raises
    ------
    RefusedError
        If the cylinder is colder than propane boils, its pressure is below what the regulator needs, or purge and
        reserve leave nothing of it.
    """
    check_cylinder(site.rig.gas)
    if usable_gas_kg(site) <= 0.0:
        raise RefusedError("even a full cylinder gives nothing: purge and reserve take all of it", where="site.toml",
                           field="gas.cylinder", value=f"{1e3 * site.rig.gas.cylinder_kg:.3g} g",
                           remedy="connect a larger cylinder")  # fmt: skip
    if usable_gas_kg(site, site.rig.gas.fill) <= 0.0 and site.rig.gas.carried == 1:
        raise RefusedError("the cylinder is empty: nothing is left after purge and reserve", where="site.toml",
                           field="gas.fill", value=f"{100 * site.rig.gas.fill:.0f} %",
                           remedy="connect a full cylinder, or carry a spare one (gas.carried)")  # fmt: skip


def _short(site: Site, supplies: Supplies) -> list[str]:
    """Return what is carried too little, and what cuts the round into pieces."""
    notes = []
    gas, power = site.rig.gas, site.rig.power
    if supplies.cylinders > gas.carried:
        notes.append(f"gas limits: {supplies.cylinders} cylinders are needed, {gas.carried} carried (gas.carried): "
                     "bring more, or plan with --limit gas")  # fmt: skip
    if supplies.battery_swaps + 1 > power.carried:
        notes.append(f"the battery limits: {supplies.battery_swaps + 1} charged ones are needed, {power.carried} "
                     "carried (power.carried): bring more, or plan with --limit battery")  # fmt: skip
    if supplies.days > 1 and supplies.day_s is not None:
        notes.append(f"time limits: {supplies.time_s / 3600:.1f} h take {supplies.days} days of "
                     f"{supplies.day_s / 3600:.1f} h; the drive out and back is not counted, and each day needs a "
                     "permit of its own: plan with --limit time")  # fmt: skip
    return notes


def cut_plan(plan: Plan, site: Site, limit: str) -> Plan:
    """Return the plan cut after the last stop that one working day, the gas or the batteries carried allow.

    What is left is among the refused, with the reason; a plan within the limit comes back as it is. The proven bound is
    that of the whole round, so of a cut one only ``1`` is claimed.

    Parameters
    ----------
    limit : str
        ``"time"``, ``"gas"`` or ``"battery"``.

    Raises
    ------
    InputError
        If there is no such limit.
    RefusedError
        If not even the first stop fits.
    """
    if limit not in LIMITS:
        raise InputError("there is no such limit", field="--limit", value=limit, limit=", ".join(LIMITS),
                         remedy="name one of these")  # fmt: skip
    supplies = plan.supplies
    allowed = {"time": 1, "gas": site.rig.gas.carried, "battery": site.rig.power.carried}[limit]
    swaps = [swap for swap in supplies.swaps if swap.what == limit]
    if len(swaps) < allowed:
        return plan
    end = swaps[allowed - 1]
    ids = [stop.id for stop in plan.stops]
    kept = 0 if not end.stop_id else ids.index(end.stop_id) + (not end.during)
    if kept == 0:
        raise RefusedError(f"the {LIMITS[limit]} does not even last for the first stop", field="--limit", value=limit,
                           remedy="bring more, or plan without --limit and change on the way")  # fmt: skip
    stops, left = plan.stops[:kept], plan.stops[kept:]
    reason = f"left for later: the {LIMITS[limit]} ends after stop {stops[-1].id}"
    refused = tuple(Refused(hold.weed_id, reason) for stop in left for hold in stop.holds)
    day_s = math.inf if supplies.day_s is None else supplies.day_s
    note = (f"cut after stop {kept} of {len(ids)}, where the {LIMITS[limit]} ends: {len(refused)} weeds are left for "
            f"later; the whole round needs at least {plan.stops_bound} stops")  # fmt: skip
    end_m = (stops[-1].base.x_m, stops[-1].base.y_m)
    return replace(
        plan, stops=stops, stops_bound=1, drive_bound_s=0.0, route_m=_route_to(plan, kept, end_m),
        supplies=add_up(site, stops, supplies.loads[:kept], day_s), refused=(*plan.refused, *refused),
        notes=(note, *plan.notes),
    )  # fmt: skip


def _route_to(plan: Plan, kept: int, end_m: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Return the way points up to the last stop kept: as long as the legs to it are."""
    wanted = sum(load.drive_m for load in plan.supplies.loads[:kept])
    driven, way = 0.0, [plan.route_m[0]]
    for point in plan.route_m[1:]:
        if driven >= wanted - 1e-6:
            break
        driven += math.dist(way[-1], point)
        way.append(point)
    return tuple(way) if math.dist(way[-1], end_m) < 1e-3 else (*way, end_m)


def doubts(site: Site) -> tuple[str, ...]:
    """Return notes on figures of the site file that physics makes unlikely."""
    base = site.rig.base
    least = rolling_energy_j_m(base.mass_kg, ROLLING_GRASS, 1.0)
    if base.energy_j_m < least:
        return (
            f"energy per metre looks too small: {base.energy_j_m:.0f} J/m, but rolling {base.mass_kg:.0f} kg over "
            f"grass takes at least {least:.0f} J/m; measure it",
        )
    return ()

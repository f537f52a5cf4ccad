"""What the round takes: gas, battery and time, and how many cylinders and batteries to bring."""

from __future__ import annotations

import math

from swardwright.domain.heat import PROPANE_NET_J_KG
from swardwright.domain.plan import Stop, Supplies
from swardwright.domain.site import Site
from swardwright.domain.units import GRAVITY_M_S2
from swardwright.planning.route import Leg

#: standing still and taking one picture, s (common practice, no source)
PICTURE_S = 1.0
#: rolling resistance of grass, lowest: 0.05-0.1 (REFERENCES section 8, from memory)
ROLLING_GRASS = 0.05


def rolling_energy_j_m(mass_kg: float, rolling: float, efficiency: float, slope_rad: float = 0.0) -> float:
    """Return the battery energy of driving one metre: ``m g (Crr cos + sin) / efficiency`` (REFERENCES section 8), J/m.

    ``rolling`` is the coefficient of rolling resistance, unitless; ``efficiency`` that of motor and drive, 0..1.
    """
    return mass_kg * GRAVITY_M_S2 * (rolling * math.cos(slope_rad) + math.sin(slope_rad)) / efficiency


def usable_energy_j(site: Site) -> float:
    """Return what one battery gives before it is swapped, J: capacity times usable share, less the user's reserve."""
    return site.rig.power.battery_j * site.rig.power.usable * (1.0 - site.limits.battery_reserve)


def flame_power_w(flow_kg_s: float) -> float:
    """Return the heat of a flow of propane, net heating value, W."""
    return flow_kg_s * PROPANE_NET_J_KG


def count_supplies(site: Site, stops: tuple[Stop, ...], legs: list[Leg], arm_s: float) -> Supplies:
    """Add up a round.

    Gas: the holds (valve delays included), the pilot while it is lit (at a stop from ignition to the last hold; it is
    out while driving), and the purge of each cylinder. Battery: driving and turning by the site's figures, arm and
    computer for the whole time through the regulated rail. Times carry no acceleration.

    Parameters
    ----------
    arm_s : float
        Arm travel at all stops, looks included, without the time for pictures.
    """
    rig, limits = site.rig, site.limits
    holds = [hold for stop in stops for hold in stop.holds]
    gas_hold = sum(hold.gas_kg for hold in holds)
    valve = 2.0 * rig.head.valve_delay_s
    lit_s = len(stops) * rig.head.ignition_s + sum(hold.hold_s + valve + hold.move_s for hold in holds)
    gas_pilot = rig.head.pilot_kg_s * lit_s
    burnt = gas_hold + gas_pilot
    per_cylinder = rig.gas.cylinder_kg * rig.gas.usable * (1.0 - limits.gas_reserve) - rig.gas.purge_kg
    cylinders = math.ceil(burnt / per_cylinder) if burnt > 0.0 and per_cylinder > 0.0 else 0
    drive_m = sum(leg.drive_m for leg in legs)
    turn_rad = sum(leg.turn_rad for leg in legs)
    drive_s = sum(leg.time_s(rig.base) for leg in legs)
    look_s = len(stops) * max(len(rig.look_joints_rad), 1) * PICTURE_S
    heat_s = sum(hold.hold_s + valve for hold in holds) + len(stops) * rig.head.ignition_s
    time_s = drive_s + arm_s + look_s + heat_s
    standing = (rig.power.arm_w + rig.power.computer_w) * time_s / rig.power.rail_efficiency
    energy = rig.base.energy_j_m * drive_m + rig.base.energy_j_rad * turn_rad + standing
    usable = usable_energy_j(site)
    swaps = max(math.ceil(energy / usable) - 1, 0) if usable > 0.0 else 0
    return Supplies(
        gas_kg=burnt + cylinders * rig.gas.purge_kg, gas_hold_kg=gas_hold, gas_pilot_kg=gas_pilot, cylinders=cylinders,
        energy_j=energy, battery_swaps=swaps, drive_s=drive_s, arm_s=arm_s + look_s, heat_s=heat_s, time_s=time_s,
        drive_m=drive_m,
    )  # fmt: skip


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

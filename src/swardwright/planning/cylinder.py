"""What the plan must know of its cylinders: whether gas comes out at all, whether they keep up, when to relight."""

from __future__ import annotations

from swardwright.domain.errors import RefusedError
from swardwright.domain.heat import relight_gap_s
from swardwright.domain.plan import Stop, Supplies
from swardwright.domain.site import Gas, Site
from swardwright.domain.units import ATMOSPHERE_PA, ZERO_CELSIUS_K
from swardwright.planning.propane import (
    BOILING_K,
    GAS_CONSTANT,
    MOLAR_KG,
    choked_from_pa,
    choked_orifice_kg_s,
    coldest_k,
    cooled_k,
    draw_off_kg_s,
    low_pressure_orifice_m3_s,
    starves_after_s,
    vapour_pressure_pa,
)

#: the head's flow and that of its orifice may differ by this share before it is doubted (common practice, no source)
FLOW_DOUBT = 0.3
#: the low-pressure orifice formula leaves out that gas expands: used up to this gauge pressure, Pa (common practice)
LOW_PA = 10e3


def check_cylinder(gas: Gas) -> None:
    """Refuse a cylinder that gives no gas at the air's temperature.

    Raises
    ------
    RefusedError
        If it is colder than propane boils, or its pressure is below what the regulator needs.
    """
    celsius = f"{gas.ambient_k - ZERO_CELSIUS_K:.0f} C"
    remedy = "wait for a warmer day; never warm a cylinder with a flame"
    if not gas.ambient_k > BOILING_K:
        raise RefusedError("the cylinder is colder than propane boils, so no gas comes out", where="site.toml",
                           field="gas.ambient", value=celsius, limit="warmer than -42 C", remedy=remedy)  # fmt: skip
    gauge_pa = vapour_pressure_pa(gas.ambient_k) - ATMOSPHERE_PA
    if gauge_pa < gas.regulator_pa:
        raise RefusedError(f"at {celsius} the cylinder's pressure is below what the regulator needs", where="site.toml",
                           field="gas.regulator", value=f"{gauge_pa / 1e5:.1f} bar gauge",
                           limit=f"{gas.regulator_pa / 1e5:.1f} bar or more", remedy=remedy)  # fmt: skip


def gas_notes(site: Site, stops: tuple[Stop, ...], supplies: Supplies) -> list[str]:
    """Return what to know of the cylinders on this round: draw-off, cooling, pilot."""
    if not supplies.cylinders:
        return []
    gas, flow = site.rig.gas, site.rig.head.flow_kg_s + site.rig.head.pilot_kg_s
    notes = []
    spare_first = any(swap.what == "gas" and not swap.stop_id for swap in supplies.swaps)
    first_kg = gas.cylinder_kg if spare_first else gas.fill * gas.cylinder_kg
    limit = draw_off_kg_s(gas.ambient_k, first_kg, gas.cylinder_kg, gas.regulator_pa)
    if flow > limit:
        lasts = starves_after_s(flow, gas.ambient_k, first_kg, gas.cylinder_kg, gas.regulator_pa)
        notes.append(f"the full flame takes {3600 * flow:.2f} kg/h, but a {gas.cylinder_kg:g} kg cylinder at "
                     f"{gas.ambient_k - ZERO_CELSIUS_K:.0f} C gives {3600 * limit:.2f} without end: burning unbroken "
                     f"it starves after about {_span(lasts)} (estimate)")  # fmt: skip
    cold_k, starved = coldest_liquid(site, stops, supplies)
    if starved:
        notes.append(f"gas starves at stop {starved} (estimate): the cylinder cools to {cold_k - ZERO_CELSIUS_K:.0f} C "
                     f"and its pressure falls below the regulator's {gas.regulator_pa / 1e5:.1f} bar: use a larger "
                     "cylinder or two side by side, or wait between stops")  # fmt: skip
    elif flow > limit:
        bar = (vapour_pressure_pa(max(cold_k, BOILING_K)) - ATMOSPHERE_PA) / 1e5
        notes.append(f"with this round's pauses it cools to {cold_k - ZERO_CELSIUS_K:.0f} C at the coldest "
                     f"({bar:.1f} bar gauge), which is enough (estimate)")  # fmt: skip
    notes += _pilot_note(site, stops) + _orifice_note(site)
    return notes


def _span(time_s: float) -> str:
    if time_s < 120.0:
        return f"{time_s:.0f} s"
    return f"{time_s / 60:.0f} min" if time_s < 7200.0 else f"{time_s / 3600:.1f} h"


def coldest_liquid(site: Site, stops: tuple[Stop, ...], supplies: Supplies) -> tuple[float, str]:
    """Return the coldest that the liquid gets on the round (K) and the first stop at which it is too cold, or ``""``.

    Follows the energy balance of :func:`~swardwright.planning.propane.cooled_k` through drives, looks, moves and holds,
    from cylinder to cylinder; each begins at the air's temperature.
    """
    gas, head = site.rig.gas, site.rig.head
    need_k = coldest_k(gas.regulator_pa)
    fresh = {s.stop_id for s in supplies.swaps if s.what == "gas" and not s.during}
    within = {s.stop_id for s in supplies.swaps if s.what == "gas" and s.during}
    left, liquid, coldest, starved = gas.fill * gas.cylinder_kg, gas.ambient_k, gas.ambient_k, ""
    if "" in fresh:
        left = gas.cylinder_kg

    def burn(flow_kg_s: float, time_s: float) -> None:
        nonlocal left, liquid
        left = max(left - flow_kg_s * time_s, 0.0)
        cooled = cooled_k(liquid, flow_kg_s, time_s, gas.ambient_k, left, gas.cylinder_kg)
        liquid = max(cooled, BOILING_K)  # at its boiling point it gives no more gas, so it cools no further

    valve = 2.0 * head.valve_delay_s
    for stop, load in zip(stops, supplies.loads, strict=True):
        moving = sum(hold.move_s + hold.ring_s for hold in stop.holds)
        burn(0.0, load.drive_s + max(load.arm_s - moving, 0.0))
        for hold, lighting in zip(stop.holds, lightings(site, stop), strict=True):
            burn(0.0 if lighting else head.pilot_kg_s, hold.move_s)
            burn(head.pilot_kg_s, head.ignition_s if lighting else 0.0)
            points = len(hold.offsets_m)
            lit_s = hold.hold_s + valve
            if stop.id in within and left < hold.gas_kg + (1.0 - gas.usable) * gas.cylinder_kg:
                left, liquid = gas.cylinder_kg, gas.ambient_k
            for _ in range(points):
                burn(head.pilot_kg_s, hold.ring_s / points)
                burn(hold.gas_kg / points / lit_s + head.pilot_kg_s if lit_s > 0.0 else 0.0, lit_s)
            coldest = min(coldest, liquid)
            if liquid < need_k and not starved:
                starved = stop.id
        if stop.id in fresh:
            left, liquid = gas.cylinder_kg, gas.ambient_k
    return coldest, starved


def lightings(site: Site, stop: Stop) -> list[bool]:
    """Return before which holds of a stop the pilot is lit: the first, and after gaps in which relighting costs less.

    On the way there it is out.
    """
    after_s = relight_gap_s(site.rig.head, site.rig.gas.price, site.limits.hour_price)
    return [n == 0 or hold.move_s > after_s for n, hold in enumerate(stop.holds)]


def _pilot_note(site: Site, stops: tuple[Stop, ...]) -> list[str]:
    after_s = relight_gap_s(site.rig.head, site.rig.gas.price, site.limits.hour_price)
    gaps = [hold.move_s for stop in stops for hold in stop.holds[1:]]
    long = [gap for gap in gaps if gap > after_s]
    if long:
        saved = site.rig.head.pilot_kg_s * sum(gap - site.rig.head.ignition_s for gap in long)
        return [f"the pilot is put out in {len(long)} of {len(gaps)} gaps between holds, those over {_span(after_s)}: "
                f"relighting costs less there and saves {1e3 * saved:.1f} g of gas"]  # fmt: skip
    if not gaps or not site.rig.head.pilot_kg_s:
        return []
    return [f"the pilot stays lit between the holds of a stop: relighting pays only in gaps over {_span(after_s)}, the "
            f"longest here is {max(gaps):.0f} s"]  # fmt: skip


def _orifice_note(site: Site) -> list[str]:
    gas, flow = site.rig.gas, site.rig.head.flow_kg_s
    if gas.orifice_m <= 0.0 or gas.line_pa <= 0.0:
        return []
    if gas.line_pa >= choked_from_pa():
        passes = choked_orifice_kg_s(gas.orifice_m, gas.line_pa, gas.ambient_k)
    elif gas.line_pa <= LOW_PA:
        density = ATMOSPHERE_PA * MOLAR_KG / (GAS_CONSTANT * gas.ambient_k)
        passes = density * low_pressure_orifice_m3_s(gas.orifice_m, gas.line_pa)
    else:
        return []  # neither formula holds
    if abs(passes - flow) <= FLOW_DOUBT * passes:
        return []
    return [f"the head's flow is doubtful: {3600 * flow:.2f} kg/h, but a jet of {1e3 * gas.orifice_m:.2g} mm at "
            f"{gas.line_pa / 1e5:.2g} bar passes about {3600 * passes:.2f}; weigh the cylinder before and after a "
            "minute of flame"]  # fmt: skip

"""Propane in a cylinder: its pressure, how fast gas can be drawn without end, and how long a larger flow lasts.

Estimates for planning, not for sizing a gas installation: licensed gas practice and the cylinder maker's data go before
them.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.units import ATMOSPHERE_PA, ZERO_CELSIUS_K

#: critical point and coefficients of Wagner's vapour pressure equation for propane: Reid, Prausnitz and Poling, The
#: Properties of Gases and Liquids, 4th edition, appendix A (from memory; CoolProp agrees within 0.3 %, tested)
CRITICAL_K, CRITICAL_PA = 369.8, 42.5e5
WAGNER = (-6.72219, 1.33236, -2.13868, -1.38551)
WAGNER_POWERS = (1.0, 1.5, 3.0, 6.0)
#: where the equation holds, K
COLDEST_K, HOTTEST_K = 145.0, 369.0
#: normal boiling point, K, and latent heat there, J/kg (CoolProp, tested); Watson's exponent (from memory)
BOILING_K, BOILING_LATENT_J_KG, WATSON = 231.04, 425.6e3, 0.38
#: heat capacity of the liquid about 0 C, J/(kg K) (CoolProp: 2.25e3 at -42 C, 2.68e3 at 21 C, tested)
LIQUID_J_KG_K = 2.4e3
#: molar mass, kg/mol, and ratio of specific heats of the gas (REFERENCES section 2)
MOLAR_KG, GAMMA = 0.0440956, 1.13
GAS_CONSTANT = 8.314462618
#: density of the gas over that of air, and the pressure of one inch of water
DENSITY_RATIO, INCH_WATER_PA = 1.5, 249.089

_LB, _BTU_PER_LB_GROSS = 0.45359237, 21_500.0
#: net fill of the handbook's cylinder, kg
TABLE_CYLINDER_KG = 100.0 * _LB
#: nodes of the handbook's table: fill share; temperature, K; thousand BTU/h (engine-generator manual TP-6727 p. 63)
TABLE_FILL = (0.2, 0.5, 1.0)
TABLE_K = tuple((f - 32.0) * 5.0 / 9.0 + ZERO_CELSIUS_K for f in (0.0, 20.0, 40.0, 60.0, 70.0))
TABLE_KBTU_H = ((36.0, 51.0, 68.0, 83.0, 92.0), (64.0, 94.0, 125.0, 154.0, 167.0), (113.0, 167.0, 214.0, 277.0, 300.0))


def vapour_pressure_pa(temperature_k: float) -> float:
    """Return propane's absolute vapour pressure, Pa: Wagner's equation, ``ln(p/pc) = (sum of a_i tau^k_i) / Tr``.

    Raises
    ------
    InputError
        If the temperature is outside 145 to 369 K or not a number.
    """
    if not COLDEST_K <= temperature_k <= HOTTEST_K:
        raise InputError("propane's vapour pressure is not known at this temperature", value=f"{temperature_k:g} K",
                         limit=f"{COLDEST_K:g} to {HOTTEST_K:g} K",
                         remedy="give the cylinder's temperature")  # fmt: skip
    tau = 1.0 - temperature_k / CRITICAL_K
    exponent = sum(a * tau**k for a, k in zip(WAGNER, WAGNER_POWERS, strict=True))
    return CRITICAL_PA * math.exp(exponent * CRITICAL_K / temperature_k)


@functools.cache
def coldest_k(regulator_pa: float) -> float:
    """Return how cold the liquid may get and still give ``regulator_pa`` (gauge) to the regulator, K.

    Never below the boiling point: there is no pressure above the air's.
    """
    if not 0.0 <= regulator_pa <= 30e5:
        raise InputError("the regulator's inlet pressure is not possible", value=f"{regulator_pa:g} Pa",
                         limit="0 to 30 bar, gauge", remedy="read it off the regulator's data sheet")  # fmt: skip
    low, high = BOILING_K, HOTTEST_K
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if vapour_pressure_pa(middle) - ATMOSPHERE_PA >= regulator_pa else (middle, high)
    return high


def latent_heat_j_kg(temperature_k: float) -> float:
    """Return propane's heat of evaporation, J/kg: Watson's relation from the boiling point (within 1.5 %, tested)."""
    return BOILING_LATENT_J_KG * math.pow((CRITICAL_K - temperature_k) / (CRITICAL_K - BOILING_K), WATSON)


def draw_off_kg_s(temperature_k: float, left_kg: float, cylinder_kg: float, regulator_pa: float = 0.0) -> float:
    """Return the flow that a cylinder gives without end, kg/s.

    The handbook's table is bilinear between its nodes. Below 0 F it falls to nothing at the boiling point, where
    its own rows point; above 70 F it stays, below a fifth full it falls to nothing with the fill. Ours are:

    - Size: the heat comes in through the wall that the liquid wets. Cylinders of one shape, equally full, wet a wall
      that grows with the power 2/3 of their content, and so does the flow.
    - Regulator: the table's flow is in proportion to how far the air is warmer than the boiling point, as heat through
      a wall is. Under a regulator that needs pressure the liquid may not get as cold: the flow shrinks in proportion.
    - Heat to mass by the gross heating value (21,500 BTU/lb), which gives the smaller mass.

    Parameters
    ----------
    temperature_k : float
        Of the air round the cylinder.
    left_kg, cylinder_kg : float
        Propane in it, and its net fill when full.
    regulator_pa : float
        Pressure that the regulator needs at its inlet, gauge.
    """
    for name, value in (("left", left_kg), ("cylinder", cylinder_kg)):
        if not 0.0 <= value < math.inf or (name == "cylinder" and value == 0.0):
            raise InputError("the cylinder's content is not possible", field=name, value=f"{value:g} kg",
                             limit="a finite mass of 0 kg or more, the full cylinder above 0",
                             remedy="weigh the cylinder")  # fmt: skip
    vapour_pressure_pa(temperature_k)  # refuses a temperature that is none
    need_k = coldest_k(regulator_pa)
    if temperature_k <= need_k:
        return 0.0
    temperatures = (BOILING_K, *TABLE_K)
    rows = [0.0, *(float(np.interp(temperature_k, temperatures, (0.0, *row))) for row in TABLE_KBTU_H)]
    kbtu_h = float(np.interp(min(left_kg / cylinder_kg, 1.0), (0.0, *TABLE_FILL), rows))
    size = math.pow(cylinder_kg / TABLE_CYLINDER_KG, 2.0 / 3.0)
    pressure = (temperature_k - need_k) / (temperature_k - BOILING_K)
    return kbtu_h * 1e3 / _BTU_PER_LB_GROSS * _LB / 3600.0 * size * pressure


def cooled_k(
    liquid_k: float, flow_kg_s: float, time_s: float, air_k: float, left_kg: float, cylinder_kg: float
) -> float:
    """Return the liquid's temperature after ``time_s`` at a steady flow: an estimate by energy balance, K.

    ``m c dT/dt = U (air - T) - flow L``: heat through the wall against heat of evaporation. ``U`` is what the draw-off
    limit implies (that limit cools the liquid to the boiling point and no further). The steel's heat is left out, so
    that the estimate is on the cold side; ``m`` is taken as it is at the end of the time.
    """
    if left_kg <= 0.0:
        return BOILING_K
    latent = latent_heat_j_kg(air_k)
    through_w_k = draw_off_kg_s(air_k, left_kg, cylinder_kg) * latent / max(air_k - BOILING_K, 1e-9)
    store_j_k = left_kg * LIQUID_J_KG_K
    if through_w_k <= 0.0:
        return liquid_k - flow_kg_s * latent * time_s / store_j_k
    settles_k = air_k - flow_kg_s * latent / through_w_k
    return settles_k + (liquid_k - settles_k) * math.exp(-through_w_k * time_s / store_j_k)


def starves_after_s(flow_kg_s: float, air_k: float, left_kg: float, cylinder_kg: float, regulator_pa: float) -> float:
    """Return how long a flow lasts from a cylinder at the air's temperature until its pressure is too low, s.

    An estimate (see :func:`cooled_k`), at the fill it starts with; infinite where the cylinder gives the flow without
    end. It says nothing of the cylinder running empty.
    """
    limit = draw_off_kg_s(air_k, left_kg, cylinder_kg, regulator_pa)
    if flow_kg_s <= limit:
        return math.inf
    if limit <= 0.0:
        return 0.0
    latent = latent_heat_j_kg(air_k)
    through_w_k = limit * latent / (air_k - coldest_k(regulator_pa))
    return -left_kg * LIQUID_J_KG_K / through_w_k * math.log1p(-limit / flow_kg_s)


def choked_from_pa(gamma: float = GAMMA) -> float:
    """Return the gauge pressure from which a jet into the air runs at the speed of sound, Pa."""
    return ATMOSPHERE_PA * (math.pow((gamma + 1.0) / 2.0, gamma / (gamma - 1.0)) - 1.0)


def choked_orifice_kg_s(
    diameter_m: float, gauge_pa: float, temperature_k: float, discharge: float = 0.85, gamma: float = GAMMA
) -> float:
    """Return the flow of propane gas through an orifice that runs at the speed of sound, kg/s (formula from memory).

    ``Cd A p sqrt(gamma M / (R T)) (2 / (gamma + 1))^((gamma + 1) / (2 (gamma - 1)))``

    Raises
    ------
    InputError
        If a number is none, or the pressure too low for the speed of sound (about 74 kPa gauge).
    """
    choked_pa = choked_from_pa(gamma)
    if not choked_pa <= gauge_pa < math.inf:
        raise InputError("the orifice does not run at the speed of sound at this pressure",
                         value=f"{gauge_pa / 1e3:g} kPa gauge", limit=f"{choked_pa / 1e3:.0f} kPa gauge or more",
                         remedy="measure the flow by weighing the cylinder instead")  # fmt: skip
    if not (0.0 < diameter_m < 1.0 and 0.0 < temperature_k < math.inf):
        raise InputError("an orifice needs a diameter and a temperature", value=f"{diameter_m:g} m",
                         limit="0 to 1 m, above 0 K", remedy="write the diameter of the jet")  # fmt: skip
    speed = math.sqrt(gamma * MOLAR_KG / (GAS_CONSTANT * temperature_k))
    speed *= math.pow(2.0 / (gamma + 1.0), (gamma + 1.0) / (2.0 * (gamma - 1.0)))
    return discharge * math.pi / 4.0 * diameter_m**2 * (gauge_pa + ATMOSPHERE_PA) * speed


def low_pressure_orifice_m3_s(
    diameter_m: float, gauge_pa: float, density_ratio: float = DENSITY_RATIO, discharge: float = 0.9
) -> float:
    """Return the flow through a low-pressure orifice, m3/s.

    ``ft3/h = 1658.5 k A sqrt(h / s)``, A in square inches, h in inches of water, ``s`` the gas's density over that of
    air (an open gas-trade textbook; the constant from memory).
    """
    area_in2 = math.pi / 4.0 * (diameter_m / 0.0254) ** 2
    feet3_h = 1658.5 * discharge * area_in2 * math.sqrt(gauge_pa / INCH_WATER_PA / density_ratio)
    return feet3_h * 0.3048**3 / 3600.0


__all__ = [
    "choked_from_pa", "choked_orifice_kg_s", "coldest_k", "cooled_k", "draw_off_kg_s",
    "latent_heat_j_kg", "low_pressure_orifice_m3_s", "starves_after_s", "vapour_pressure_pa",
]  # fmt: skip

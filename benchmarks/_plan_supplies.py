"""Supplies against published figures: propane's pressure, a handbook's draw-off table, an orifice."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import CoolProp.CoolProp as CoolProp
import numpy as np

from swardwright.domain.heat import PROPANE_NET_J_KG
from swardwright.planning.propane import (
    choked_orifice_kg_s,
    draw_off_kg_s,
    latent_heat_j_kg,
    vapour_pressure_pa,
)

#: left (lb) -> thousand BTU/h at 0, 20, 40, 60, 70 F: engine-generator installation manual TP-6727 p. 63
TABLE = {100: (113, 167, 214, 277, 300), 50: (64, 94, 125, 154, 167), 20: (36, 51, 68, 83, 92)}
POUND_KG = 0.45359237


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    kelvin = np.linspace(220.0, 330.0, 221 if full else 45)
    pressure = [vapour_pressure_pa(float(t)) / CoolProp.PropsSI("P", "T", t, "Q", 0, "Propane") - 1.0 for t in kelvin]
    yield _figure("vapour pressure off CoolProp, -53 to 57 C, largest", 100 * np.abs(pressure).max(), "%", 0.5)
    latent = [
        latent_heat_j_kg(float(t))
        / (CoolProp.PropsSI("H", "T", t, "Q", 1, "Propane") - CoolProp.PropsSI("H", "T", t, "Q", 0, "Propane"))
        - 1.0
        for t in kelvin
    ]
    yield _figure("heat of evaporation off CoolProp, largest", 100 * np.abs(latent).max(), "%", 1.5)
    off = 0.0
    for left, row in TABLE.items():
        for fahrenheit, kbtu_h in zip((0, 20, 40, 60, 70), row, strict=True):
            air_k = (fahrenheit - 32.0) / 1.8 + 273.15
            flow = draw_off_kg_s(air_k, left * POUND_KG, 100 * POUND_KG)
            off = max(off, abs(flow * 3600.0 / POUND_KG * 21.5 / kbtu_h - 1.0))
    yield _figure("draw-off off the handbook's 15 nodes, largest", 100 * off, "%", 1e-6)
    choked = 3600.0 * choked_orifice_kg_s(1e-3, 200e3, 288.15)
    yield _figure("choked 1.0 mm orifice at 200 kPa off 1.97 kg/h", 100 * abs(choked / 1.97 - 1.0), "%", 0.3)
    # heats of formation -104.7, -393.5, -241.8 kJ/mol, from memory
    net = (3 * 393.5 + 4 * 241.8 - 104.7) * 1e3 / CoolProp.PropsSI("M", "Propane")
    yield _figure("net heating value off heats of formation", 100 * abs(PROPANE_NET_J_KG / net - 1.0), "%", 1.0)


def _figure(name: str, value: float, unit: str, bound: float) -> dict[str, Any]:
    return {"figure": f"plan, supplies: {name}", "value": float(f"{value:.3g}"), "unit": unit, "bound": bound,
            "holds": bool(value <= bound)}  # fmt: skip

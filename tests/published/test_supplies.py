"""Worked examples of REFERENCES sections 2 and 8. S: seen; C: computed from seen figures; M: from memory."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from swardwright.domain.site import Base, Power
from swardwright.domain.units import parse_quantity
from swardwright.planning.supplies import doubts, flame_power_w, rolling_energy_j_m, usable_energy_j


def test_rolling_sixty_kilograms_over_medium_hard_soil() -> None:
    """60 kg, Crr 0.08 (S), efficiency 0.6 -> 78 J/m (C)."""
    assert rolling_energy_j_m(60.0, 0.08, 0.6) == pytest.approx(78.0, abs=0.5)
    # on a slope of 10 degrees by hand: 60 x 9.80665 x (0.08 cos + sin) / 0.6 = 247.5 J/m
    assert rolling_energy_j_m(60.0, 0.08, 0.6, 0.1745329) == pytest.approx(247.5, abs=0.2)


def test_a_battery_through_the_regulated_rail() -> None:
    """24 V x 40 Ah x 0.8 x 0.9 = 691 Wh (C): usable capacity times the rail's efficiency, no reserve kept."""
    power = Power(24.0 * 40.0 * 3600.0, 0.8, 0.9, 0.0, 0.0)
    site = SimpleNamespace(rig=SimpleNamespace(power=power), limits=SimpleNamespace(battery_reserve=0.0))
    assert usable_energy_j(cast(Any, site)) * power.rail_efficiency / 3600.0 == pytest.approx(691.2)
    site.limits.battery_reserve = 0.25
    assert usable_energy_j(cast(Any, site)) * power.rail_efficiency / 3600.0 == pytest.approx(518.4)


def test_a_hand_torch_is_fifty_eight_kilowatts() -> None:
    """10 lb/h = 1.26 g/s = 58 kW net (Weed Control Methods Handbook, App. 2: S; 19,770 BTU/lb net: S; C)."""
    flow = 10.0 * parse_quantity("1 lb", "mass") / 3600.0
    assert flow == pytest.approx(1.26e-3, abs=5e-6)
    assert flame_power_w(flow) == pytest.approx(58e3, abs=500.0)


def test_propane_s_net_heating_value_beside_a_second_source() -> None:
    """46.0 MJ/kg (S) beside 46.35 MJ/kg from Cantera's mechanism (STACK, S): within one per cent."""
    assert flame_power_w(1.0) == pytest.approx(46.0e6, abs=0.05e6)
    assert flame_power_w(1.0) == pytest.approx(46.35e6, rel=0.01)


def test_energy_per_metre_below_rolling_resistance_is_doubted() -> None:
    """Grass 0.05-0.1 (M): 60 kg cannot roll for less than 29 J/m."""
    base = Base(0.8, 0.56, 0.0, 60.0, 0.5, 0.6, 78.0, 80.0, 0.0, 0.2)
    site = SimpleNamespace(rig=SimpleNamespace(base=base))
    assert doubts(cast(Any, site)) == ()
    site.rig.base = replace(base, energy_j_m=20.0)
    assert "at least 29 J/m" in doubts(cast(Any, site))[0]

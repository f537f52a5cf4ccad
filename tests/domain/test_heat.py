from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from swardwright.domain.heat import (
    Head,
    dose_kg_m2,
    expected_kill,
    footprint_density_m2,
    kill_probability,
    relight_gap_s,
    scorched_area_m2,
)

HEAD = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.4, 0.15, 3.0)


def test_all_the_fuel_lands_on_the_ground() -> None:
    total, _ = integrate.quad(lambda r: 2 * math.pi * r * float(footprint_density_m2(r * r, 0.03)), 0.0, 0.6)
    assert total == pytest.approx(1.0, abs=1e-9)
    fuel, _ = integrate.quad(lambda r: 2 * math.pi * r * float(dose_kg_m2(HEAD, 2.0, r * r)), 0.0, 0.6)
    assert fuel == pytest.approx(2.0 * 1.2e-4, rel=1e-9)


def test_half_are_killed_at_the_ed50_and_none_without_heat() -> None:
    assert float(kill_probability(40e-4, 40e-4, 3.0)) == pytest.approx(0.5)
    assert float(kill_probability(0.0, 40e-4, 3.0)) < 1e-100
    assert float(kill_probability(80e-4, 40e-4, 3.0)) == pytest.approx(8.0 / 9.0)  # (D / ED50)^3 = 8
    assert float(kill_probability(1e9, 40e-4, 300.0)) == 1.0


@pytest.mark.parametrize("hold_s", [0.05, 0.3, 1.0, 6.0, 60.0])
def test_scorched_area_against_counting_cells(hold_s: float) -> None:
    """Outside reference: the area is counted on a 1 mm raster of the dose itself."""
    x = np.arange(-0.25, 0.25, 1e-3)
    dose = dose_kg_m2(HEAD, hold_s, x[:, None] ** 2 + x[None, :] ** 2)
    counted = float((dose > 30e-4).sum()) * 1e-6
    assert scorched_area_m2(HEAD, hold_s, 30e-4) == pytest.approx(counted, abs=1.5e-5, rel=0.005)


@pytest.mark.parametrize("spread", [(0.0, 0.0), (0.001, 0.002), (0.008, 0.011), (0.0, 0.03), (0.05, 0.02), (0.2, 0.1)])
@pytest.mark.parametrize("slope", [1.0, 3.0, 12.0, 40.0])
def test_expected_kill_against_draws(spread: tuple[float, float], slope: float) -> None:
    """Outside reference: 1e5 draws of where crown and flame lie; within 4 standard errors."""
    rng = np.random.default_rng(7)
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    offsets = (rng.standard_normal((100_000, 2)) * spread) @ turn.T
    covariance = turn @ np.diag(np.square(spread)) @ turn.T
    holds = np.array([0.2, 1.0, 6.0])
    worked = expected_kill(HEAD, holds, covariance, 40e-4, slope)
    assert worked.shape == (3,)
    for hold_s, value in zip(holds, worked, strict=True):
        kill = kill_probability(dose_kg_m2(HEAD, hold_s, np.square(offsets).sum(axis=1)), 40e-4, slope)
        assert value == pytest.approx(kill.mean(), abs=4.0 * kill.std() / math.sqrt(len(kill)) + 1e-6)


@pytest.mark.parametrize("hold_s", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("slope", [2.0, 3.0, 10.0])
def test_expected_kill_against_adaptive_quadrature(hold_s: float, slope: float) -> None:
    """Outside reference: SciPy's adaptive quadrature over the Rayleigh distance of a round covariance."""
    sigma = 0.02

    def integrand(r: float) -> float:
        density = r / sigma**2 * math.exp(-(r**2) / (2 * sigma**2))
        return density * float(kill_probability(dose_kg_m2(HEAD, hold_s, r * r), 40e-4, slope))

    wanted, _ = integrate.quad(integrand, 0.0, 0.3, limit=400, epsabs=1e-10)
    assert float(expected_kill(HEAD, hold_s, sigma**2 * np.eye(2), 40e-4, slope)) == pytest.approx(wanted, abs=1e-6)


def test_a_pilot_is_put_out_where_its_gas_costs_more_than_ignition_and_its_time() -> None:
    """By hand: pilot 0.5 kg/h at 10 a kilogram costs 5 an hour; 3 s of ignition at 5 an hour of gas and 20 of time."""
    head = replace(HEAD, pilot_kg_s=0.5 / 3600.0)
    assert relight_gap_s(head, 10.0, 20.0) == pytest.approx(3.0 * (5.0 + 20.0) / 5.0)
    assert relight_gap_s(head, 10.0, 0.0) == pytest.approx(3.0)  # time costs nothing: gas against gas
    assert relight_gap_s(head, 0.0, 20.0) == relight_gap_s(replace(head, pilot_kg_s=0.0), 10.0, 20.0) == math.inf


@settings(max_examples=60, deadline=None)
@given(st.floats(1e-7, 1e-3), st.floats(0.1, 10.0), st.floats(0.1, 50.0), st.floats(0.0, 100.0), st.floats(0.0, 600.0))
def test_keeping_lit_costs_less_up_to_the_gap_and_more_beyond(
    pilot: float, ignition: float, gas_price: float, hour_price: float, gap: float
) -> None:
    """The two costs counted by themselves: the cheaper side changes at the gap and nowhere else."""
    gap_s = relight_gap_s(replace(HEAD, pilot_kg_s=pilot, ignition_s=ignition), gas_price, hour_price)
    keeping = pilot * gap * gas_price
    relighting = ignition * (pilot * gas_price + hour_price / 3600.0)
    assert (keeping <= relighting) == (gap <= gap_s) or keeping == pytest.approx(relighting, rel=1e-9)

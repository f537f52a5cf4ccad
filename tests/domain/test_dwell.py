from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.dwell import dwell_for, gas_of_hold_kg, landing_covariance_m2
from swardwright.domain.errors import InputError
from swardwright.domain.heat import Head, dose_kg_m2, kill_probability, scorched_area_m2
from swardwright.domain.site import Kind, Limits

HEAD = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.4, 0.15, 3.0)
LIMITS = Limits(
    pose_age_s=0.15, kill_target=0.95, presence_min=0.6, hold_max_s=60.0, spare_dose_kg_m2=5e-4, turf_dose_kg_m2=30e-4,
    control_fraction=0.15, wind_max_m_s=5.0, fwi_max=10.0, ffmc_max=85.0, human_clear_m=10.7, aim_sigma_max_m=0.02,
    revisit_days=14.0, observation_age_s=0.5, gate_m=0.05, battery_reserve=0.15, gas_reserve=0.1,
)  # fmt: skip


def kind(ed50_kg_ha: float = 40.0, slope: float = 3.0) -> Kind:
    return Kind("plantain", True, ed50_kg_ha * 1e-4, slope, False, 1.0, "invented")


def test_with_nothing_uncertain_the_dwell_is_the_formula_s() -> None:
    """ED95 = ED50 (0.95 / 0.05)^(1/3); peak dose m t / (2 pi s^2); worked by hand: 0.5032 s."""
    sure = replace(HEAD, landing_sigma_m=0.0)
    dwell = dwell_for(sure, kind(), np.zeros((2, 2)), LIMITS)
    ed95 = 40e-4 * 19.0 ** (1.0 / 3.0)
    assert dwell.hold_s == pytest.approx(ed95 * 2.0 * np.pi * 0.03**2 / 1.2e-4, rel=2e-6)
    assert dwell.hold_s == pytest.approx(0.5030, abs=5e-4)
    assert dwell.kill >= 0.95
    assert dwell.kill == pytest.approx(0.95, abs=1e-5)
    assert (dwell.reached, dwell.reason) == (True, "")


@pytest.mark.parametrize("sd", [0.002, 0.01, 0.02])
@pytest.mark.parametrize("slope", [2.0, 3.0, 6.0])
def test_the_dwell_kills_the_wanted_share_of_draws(sd: float, slope: float) -> None:
    """Outside reference: 1e5 draws of crown and landing point; within half a per cent."""
    covariance = np.array([[sd**2, 0.3 * sd**2], [0.3 * sd**2, 2.0 * sd**2]])
    dwell = dwell_for(HEAD, kind(slope=slope), covariance, LIMITS)
    assert dwell.reached
    rng = np.random.default_rng(2)
    crown = rng.multivariate_normal([0, 0], covariance, 100_000)
    landing = 0.008 * rng.standard_normal((100_000, 2))
    dose = dose_kg_m2(HEAD, dwell.hold_s, np.square(crown - landing).sum(axis=1))
    assert float(kill_probability(dose, 40e-4, slope).mean()) == pytest.approx(0.95, abs=0.005)


def test_gas_counts_the_valve_at_both_ends_and_scorch_the_turf() -> None:
    dwell = dwell_for(HEAD, kind(), 1e-4 * np.eye(2), LIMITS)
    assert dwell.gas_kg == pytest.approx(1.2e-4 * (dwell.hold_s + 2 * 0.15))
    assert gas_of_hold_kg(HEAD, 1.0) == pytest.approx(1.56e-4)
    assert dwell.scorch_m2 == scorched_area_m2(HEAD, dwell.hold_s, 30e-4) > 0.0


def test_landing_spread_is_added_per_axis() -> None:
    assert np.allclose(landing_covariance_m2(HEAD, 1e-4 * np.eye(2)), 1.64e-4 * np.eye(2))


@pytest.mark.parametrize(
    ("head", "plant", "sd", "hold_max_s", "says"),
    [
        (HEAD, kind(), 0.08, 6.0, "the place is not known well enough: with a standard deviation of 80 mm"),
        (HEAD, kind(4000.0), 0.005, 6.0, "the dose is out of reach"),
        (replace(HEAD, landing_sigma_m=0.09), kind(), 0.005, 6.0, "the flame lands too unsurely"),
    ],
)
def test_what_cannot_be_reached_says_why(head: Head, plant: Kind, sd: float, hold_max_s: float, says: str) -> None:
    dwell = dwell_for(head, plant, sd**2 * np.eye(2), replace(LIMITS, hold_max_s=hold_max_s))
    assert not dwell.reached
    assert says in dwell.reason
    assert dwell.hold_s == hold_max_s
    assert dwell.kill < 0.95


def test_a_covariance_that_is_none_is_refused() -> None:
    for bad in (np.full((2, 2), np.nan), -1e-4 * np.eye(2), np.array([[1e-4, 5e-4], [0.0, 1e-4]])):
        with pytest.raises(InputError):
            dwell_for(HEAD, kind(), bad, LIMITS)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.0, 0.03), st.floats(0.0, 0.03), st.floats(0.0, 3.1), st.floats(0.0, 0.02), st.floats(0.0, 3.1),
    st.floats(5.0, 80.0), st.floats(1.0, 10.0),
)  # fmt: skip
def test_a_vaguer_place_never_needs_less(
    a: float, b: float, turn: float, more: float, other: float, ed50: float, slope: float
) -> None:
    """Adding any covariance adds dwell: dose falls with distance, distance grows with covariance."""

    def spread(first: float, second: float, angle: float) -> np.ndarray:
        r = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        return r @ np.diag([first**2, second**2]) @ r.T

    covariance = spread(a, b, turn)
    before = dwell_for(HEAD, kind(ed50, slope), covariance, LIMITS)
    after = dwell_for(HEAD, kind(ed50, slope), covariance + spread(more, 0.0, other), LIMITS)
    assert after.hold_s >= before.hold_s * (1.0 - 3e-6)
    assert before.reached or not after.reached or before.kill == pytest.approx(0.95, abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 0.03), st.floats(5.0, 200.0), st.floats(1.0, 1.5), st.floats(1.0, 10.0))
def test_a_tougher_plant_needs_exactly_that_much_more(sd: float, ed50: float, factor: float, slope: float) -> None:
    """Dose over ED50 is all that counts, so that the dwell is proportional to ED50."""
    covariance = sd**2 * np.eye(2)
    before = dwell_for(HEAD, kind(ed50, slope), covariance, LIMITS)
    after = dwell_for(HEAD, kind(ed50 * factor, slope), covariance, LIMITS)
    assert after.hold_s >= before.hold_s * (1.0 - 3e-6)
    if before.reached and after.reached:
        assert after.hold_s == pytest.approx(factor * before.hold_s, rel=1e-4)


def test_an_offset_that_is_not_known_well_costs_dwell() -> None:
    """The offset's own standard deviation is added to the landing spread, and so the hold grows."""
    unsure = replace(HEAD, offset_sigma_m=0.006)
    assert np.allclose(landing_covariance_m2(unsure, 1e-4 * np.eye(2)), (1e-4 + 6.4e-5 + 3.6e-5) * np.eye(2))
    sure = dwell_for(HEAD, kind(), 1e-4 * np.eye(2), LIMITS)
    assert dwell_for(unsure, kind(), 1e-4 * np.eye(2), LIMITS).hold_s > 1.02 * sure.hold_s

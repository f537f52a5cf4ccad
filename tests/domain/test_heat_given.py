"""Dose, kill and scorch of holds really given, against closed forms and plain draws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.dwell import dwell_for
from swardwright.domain.errors import InputError
from swardwright.domain.heat import Head, kill_probability, scorched_area_m2
from swardwright.domain.heat_given import crown_points_m, dose_and_kill, scorched_by_holds_m2
from swardwright.domain.pattern import pattern_for
from swardwright.domain.site import Kind, Limits

HEAD = Head("tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.44, 0.15, 3.0, offset_sigma_m=0.004)
KIND = Kind("plantain", True, 4e-3, 3.0, False, 1.0, "invented")
PLACE = np.array([[1.5e-4, 4e-5], [4e-5, 6e-5]])
LIMITS = Limits(
    pose_age_s=0.15, kill_target=0.95, presence_min=0.6, hold_max_s=8.0, spare_dose_kg_m2=5e-4, turf_dose_kg_m2=3e-3,
    control_fraction=0.15, wind_max_m_s=5.0, fwi_max=10.0, ffmc_max=85.0, human_clear_m=10.7, aim_sigma_max_m=0.02,
    revisit_days=14.0, observation_age_s=0.5, gate_m=0.05, battery_reserve=0.15, gas_reserve=0.1,
)  # fmt: skip


def test_the_dose_at_a_point_is_a_gaussian_of_the_summed_covariances() -> None:
    """A Gaussian footprint averaged over Gaussian offsets, exact: fuel N(offset; 0, C + s^2 I)."""
    landings, times = np.array([[0.01, -0.02], [-0.03, 0.005]]), np.array([0.7, 1.1])
    total = PLACE + (HEAD.aim_sigma_m**2 + HEAD.footprint_sigma_m**2) * np.eye(2)
    exact = sum(
        HEAD.flow_kg_s
        * t
        * math.exp(-0.5 * a @ np.linalg.solve(total, a))
        / (2 * math.pi * np.linalg.det(total) ** 0.5)
        for a, t in zip(landings, times, strict=True)
    )
    dose, _ = dose_and_kill(HEAD, KIND, PLACE, landings, times)
    assert dose == pytest.approx(exact, rel=2e-3)  # 4096 draws of low discrepancy


def test_the_kill_of_one_hold_is_that_of_the_product_rule() -> None:
    for radius in (0.0, 0.02):
        hold = dwell_for(HEAD, KIND, PLACE, LIMITS, radius)
        _, kill = dose_and_kill(HEAD, KIND, PLACE, np.zeros((1, 2)), np.array([hold.hold_s]), radius)
        assert kill == pytest.approx(hold.kill, abs=0.002)


def test_a_ring_and_a_part_of_it_against_plain_draws() -> None:
    ring = pattern_for(HEAD, KIND, PLACE, LIMITS, 0.05)
    landings = np.array(ring.offsets_m) + np.array([0.002, -0.001])
    assert len(landings) > 1
    rng = np.random.default_rng(3)
    for count in (1, len(landings) - 1, len(landings)):
        times = np.full(count, ring.hold_s) * np.linspace(1.0, 0.8, count)
        crown = rng.multivariate_normal(np.zeros(2), PLACE + HEAD.offset_sigma_m**2 * np.eye(2), 100_000)
        landed = landings[:count] + rng.normal(0.0, HEAD.landing_sigma_m, (len(crown), count, 2))
        least = np.full(len(crown), np.inf)
        for angle in np.linspace(0.0, 2 * math.pi, 60, endpoint=False):
            at = crown + 0.05 * np.array([math.cos(angle), math.sin(angle)])
            d2 = np.square(at[:, None] - landed).sum(axis=2)
            density = np.exp(-d2 / (2 * HEAD.footprint_sigma_m**2)) / (2 * math.pi * HEAD.footprint_sigma_m**2)
            least = np.minimum(least, HEAD.flow_kg_s * density @ times)
        dose, kill = dose_and_kill(HEAD, KIND, PLACE, landings[:count], times, 0.05)
        # 0.2 % of draws on either side
        assert kill == pytest.approx(float(kill_probability(least, KIND.ed50_kg_m2, KIND.slope).mean()), abs=0.004)
        assert dose == pytest.approx(float(least.mean()), rel=0.02)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05), st.floats(0.0, 3.0)), min_size=1, max_size=5))
def test_more_heat_is_more_dose_kill_and_scorch(holds: list[tuple[float, float, float]]) -> None:
    given_, longer = np.array(holds), np.array(holds)
    longer[0, 2] += 0.5
    less = dose_and_kill(HEAD, KIND, PLACE, given_[:, :2], given_[:, 2], 0.03)
    more = dose_and_kill(HEAD, KIND, PLACE, longer[:, :2], longer[:, 2], 0.03)
    wide = dose_and_kill(HEAD, KIND, PLACE, longer[:, :2], longer[:, 2], 0.04)
    assert less[0] < more[0]
    assert less[1] <= more[1] <= 1.0
    assert wide[0] <= more[0]
    area = [scorched_by_holds_m2(HEAD, one[:, :2], one[:, 2], LIMITS.turf_dose_kg_m2) for one in (given_, longer)]
    assert area[0] <= area[1] * (1.0 + 1e-9)


def test_scorched_area_of_holds_far_apart_and_on_one_place() -> None:
    still = replace(HEAD, landing_sigma_m=0.0)
    alone = [scorched_area_m2(still, t, 3e-3) for t in (1.0, 2.0)]
    apart = scorched_by_holds_m2(still, np.array([[0.0, 0.0], [0.5, 0.0]]), np.array([1.0, 2.0]), 3e-3)
    assert apart == pytest.approx(sum(alone), rel=0.01)
    one = scorched_by_holds_m2(still, np.zeros((2, 2)), np.array([1.0, 2.0]), 3e-3)
    assert one == pytest.approx(scorched_area_m2(still, 3.0, 3e-3), rel=0.01)
    assert scorched_by_holds_m2(still, np.zeros((2, 2)), np.array([0.01, 0.01]), 3e-3) == 0.0


def test_growing_points_lie_at_the_centre_and_on_the_rim() -> None:
    assert crown_points_m(0.0).tolist() == [[0.0, 0.0]]
    assert np.allclose(np.linalg.norm(crown_points_m(0.03), axis=1), [0.0] + 36 * [0.03])


def test_what_was_given_must_be_places_and_times() -> None:
    assert dose_and_kill(HEAD, KIND, PLACE, np.empty((0, 2)), np.empty(0)) == (0.0, 0.0)
    for landings, times in (([[0.0, 0.0]], [-1.0]), ([[np.nan, 0.0]], [1.0]), ([[0.0, 0.0]], [1.0, 2.0])):
        with pytest.raises(InputError, match="finite place"):
            dose_and_kill(HEAD, KIND, PLACE, np.array(landings), np.array(times))

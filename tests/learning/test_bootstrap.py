"""Intervals over places."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest, chi2

from swardwright.domain.errors import InputError
from swardwright.learning.bootstrap import poisson_interval, rate_by_place, share_by_place


@pytest.mark.parametrize("count", [0, 1, 7, 300])
def test_poissons_interval_is_garwoods(count):
    """Outside check: quantiles of chi-squared (scipy.stats), the form in which Garwood 1936 gives it."""
    low, high = poisson_interval(count)
    assert low == pytest.approx(chi2.ppf(0.025, 2 * count) / 2 if count else 0.0, rel=1e-9)
    assert high == pytest.approx(chi2.ppf(0.975, 2 * count + 2) / 2, rel=1e-9)


def test_one_place_gives_the_interval_of_counting_alone():
    rng = np.random.default_rng(0)
    got = share_by_place([40], [50], rng)
    wanted = binomtest(40, 50).proportion_ci(0.95, method="wilson")
    assert (got.low, got.high) == pytest.approx(tuple(wanted))
    assert got.places == 1


def test_intervals_hold_what_they_promise_where_places_differ():
    """500 draws of eight places of uneven richness; counting plants as independent holds it in far fewer (seeded)."""
    rng = np.random.default_rng(4)
    held = plain = held_rate = 0
    for _ in range(500):
        plants = rng.integers(5, 60, 8)
        found = rng.binomial(plants, rng.beta(8, 2, 8))
        got = share_by_place(found, plants, rng, resamples=500)
        held += got.low <= 0.8 <= got.high
        wilson = binomtest(int(found.sum()), int(plants.sum())).proportion_ci(0.95, method="wilson")
        plain += wilson.low <= 0.8 <= wilson.high
        area = rng.uniform(2, 8, 8)
        rate = rate_by_place(rng.poisson(area * rng.gamma(2, 0.25, 8)), area, rng, resamples=500)
        held_rate += rate.low <= 0.5 <= rate.high
    assert held / 500 > 0.92
    assert held_rate / 500 > 0.91  # gamma-distributed rates are skewed, and eight places are few
    assert plain / 500 < 0.75


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=12))
def test_the_value_lies_in_its_interval(pairs):
    k, n = [min(a, b) for a, b in pairs], [max(a, b) for a, b in pairs]
    rng = np.random.default_rng(1)
    for got in (share_by_place(k, n, rng, resamples=200), rate_by_place(k, n, rng, resamples=200)):
        if sum(n):
            assert 0 <= got.low <= got.value <= got.high
        else:
            assert np.isnan(got.value)


def test_no_false_alarm_is_no_proof_of_none():
    got = rate_by_place([0, 0, 0], [10.0, 10.0, 10.0], np.random.default_rng(0))
    assert got.value == got.low == 0.0
    assert got.high == pytest.approx(3.689 / 30, abs=1e-3)  # 3.689 = -ln(0.025)


def test_counts_that_are_none_are_refused():
    with pytest.raises(InputError):
        rate_by_place([1, -1], [1.0, 1.0], np.random.default_rng(0))
    with pytest.raises(InputError):
        share_by_place([1], [1, 2], np.random.default_rng(0))

"""Matching, calibration and threshold."""

import numpy as np
import pytest
from scipy.stats import binomtest

from swardwright.learning.measure import (
    calibrate,
    cheapest_threshold,
    crown_scatter,
    edge_bands,
    expected_calibration_error,
    kind_temperature,
    logistic,
    match_picture,
    platt,
)


def test_each_plant_is_hit_once_by_the_strongest():
    crowns = np.array([[10.0, 10], [11, 10], [50, 50], [90, 90]])
    given, counts = match_picture(
        crowns, np.array([[10.0, 11], [52, 50]]), np.array([5.0, 5]), np.array([[90.0, 90, 8]])
    )
    assert given.tolist() == [0, -1, 1, -1]
    assert counts.tolist() == [True, True, True, False]


def test_calibration_finds_the_truth_it_was_drawn_from():
    """Outcomes drawn from a known temperature and bias are fitted back (statistical, fixed seed)."""
    rng = np.random.default_rng(3)
    logit = rng.normal(0, 3, 20_000)
    hit = rng.uniform(size=len(logit)) < logistic(logit / 2.0 - 0.7)
    temperature, bias = calibrate(logit, hit)
    assert temperature == pytest.approx(2.0, rel=0.05)
    assert bias == pytest.approx(-0.7, abs=0.05)
    probability = logistic(logit / temperature + bias)
    assert expected_calibration_error(probability, hit) < 0.01
    assert expected_calibration_error(logistic(logit), hit) > 0.03


def test_calibration_agrees_with_an_optimiser():
    """Outside check: scipy.optimize on the same smoothed likelihood (Platt 1999)."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(5)
    logit = rng.normal(0, 2, 300)
    hit = rng.uniform(size=300) < logistic(1.5 * logit + 0.4)
    yes, no = hit.sum(), (~hit).sum()
    target = np.where(hit, (yes + 1) / (yes + 2), 1 / (no + 2))

    def cost(ab):
        z = ab[0] * logit + ab[1]
        return float(np.sum(np.logaddexp(0, z) - target * z))

    best = minimize(cost, [1.0, 0.0], tol=1e-10).x
    temperature, bias = platt(logit, hit)
    np.testing.assert_allclose([1 / temperature, bias], best, rtol=2e-3, atol=2e-3)


def test_calibration_is_right_where_it_is_read():
    """The many candidates that are plainly nothing follow another law: they must not bend the rest."""
    rng = np.random.default_rng(11)

    def draw(n):
        logit = np.concatenate([rng.normal(1, 2, n), rng.normal(-9, 1.5, 60 * n)])
        p = np.where(logit > -5, logistic(1.2 * logit - 0.5), 5e-4)
        return logit, rng.uniform(size=len(logit)) < p

    logit, hit = draw(2000)
    other, found = draw(2000)

    def error(fit):
        return expected_calibration_error(logistic(other / fit[0] + fit[1]), found)

    assert error(calibrate(logit, hit)) < 0.03
    assert error(calibrate(logit, hit)) < 0.6 * error(platt(logit, hit))


def test_calibration_does_not_invent_plants_among_what_it_leaves_out():
    """Hits that do not depend on the logit above the cut: the line fitted there alone is flat, and is not taken."""
    rng = np.random.default_rng(12)
    logit = np.concatenate([rng.uniform(0, 1, 200), rng.uniform(-12, -6, 20_000)])
    hit = np.concatenate([rng.uniform(size=200) < 0.5, np.zeros(20_000, bool)])
    temperature, bias = calibrate(logit, hit)
    assert logistic(logit[200:] / temperature + bias).sum() < 8


def test_a_dear_miss_lowers_the_threshold():
    rng = np.random.default_rng(0)
    p = rng.uniform(size=4000)
    hit = rng.uniform(size=4000) < p
    plants = int(hit.sum())
    even, _ = cheapest_threshold(p, hit, plants, 1.0, 1.0)
    careful, _ = cheapest_threshold(p, hit, plants, 4.0, 1.0)
    # calibrated probabilities: report when p * miss > (1 - p) * false alarm, so above 1/2 and 1/5
    assert even == pytest.approx(0.5, abs=0.05)
    assert careful == pytest.approx(0.2, abs=0.05)


def test_edge_bands_count_what_was_found_by_distance_from_the_edge():
    """Outside check of the intervals: scipy.stats.binomtest."""
    edge = np.array([0.0, 1, 2, 3.9, 4, 5, 8, 20, 31, 32, 400, 450])
    found = np.array([0, 0, 1, 0, 1, 1, 1, 1, 1, 1, 1, 1], bool)
    bands = edge_bands(edge, found)
    assert [(b.from_px, b.plants, b.found) for b in bands] == [(0, 4, 1), (4, 2, 2), (8, 3, 3), (32, 3, 3)]
    for b in bands:
        wanted = binomtest(b.found, b.plants).proportion_ci(0.95, method="wilson")
        np.testing.assert_allclose([b.low95, b.high95], wanted, atol=1e-4)
        assert 0 < b.probability < 1
    assert bands[0].probability < bands[1].probability <= 1
    assert bands[0].found / bands[0].plants < bands[0].probability < found.mean()  # few plants: drawn to the whole
    assert edge_bands(np.zeros(0), np.zeros(0, bool)) == ()
    assert edge_bands(np.full(3, 100.0), np.ones(3, bool))[0].plants == 0


def test_kind_temperature_softens_what_is_too_sure():
    rng = np.random.default_rng(1)
    logits = rng.normal(0, 2, (3000, 3))
    share = np.exp(logits) / np.exp(logits).sum(1, keepdims=True)
    kind = np.array([rng.choice(3, p=s) for s in share])
    assert kind_temperature(3 * logits, kind) == pytest.approx(3.0, rel=0.12)


def test_crown_scatter_finds_the_law_it_was_drawn_from():
    """Round Gaussian errors that grow with the radius: 4,000 of them tell both parts to a few per cent."""
    rng = np.random.default_rng(6)
    radius = rng.uniform(5, 120, 4000)
    for floor, share in ((6.0, 0.2), (8.0, 0.0), (0.0, 0.3)):
        error = np.hypot(*(rng.normal(0, 1, (2, 4000)) * np.hypot(floor, share * radius)))
        got = crown_scatter(error, radius)
        assert got[0] == pytest.approx(floor, rel=0.08, abs=1.0)
        assert got[1] == pytest.approx(share, rel=0.06, abs=0.03)
    assert crown_scatter(np.ones(9), np.ones(9)) == (0.0, 0.0)

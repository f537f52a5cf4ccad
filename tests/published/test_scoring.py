"""Rates and intervals against published figures and an independent library."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from swardwright.scoring import abbott, chapman, henderson_tilton, wilson


# R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998) 857-872,
# Table I, method 3 (score, without continuity correction), 95 %, four decimals.
@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_against_newcombe_1998(k: int, n: int, low: float, high: float) -> None:
    assert wilson(k, n) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("n", [1, 2, 7, 40, 500])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_wilson_against_scipy(n: int, confidence: float) -> None:
    for k in {0, 1, n // 3, n // 2, n - 1, n}:
        interval = binomtest(k, n).proportion_ci(confidence, method="wilson")
        assert wilson(k, n, confidence) == pytest.approx((interval.low, interval.high), abs=1e-12)


def test_abbott_1925() -> None:
    # Abbott's own way of putting it: 100 alive untreated, 20 alive treated: 80 %.
    assert abbott(100, 20) == pytest.approx(0.80, abs=1e-12)
    # survival 0.35, control mortality 0.025 (computed by hand: (0.975 - 0.35) / 0.975)
    assert abbott(1 - 0.025, 0.35) == pytest.approx(0.641026, abs=5e-7)


def test_henderson_tilton_1955() -> None:
    # worked example: Cb 40, Ca 60, Tb 50, Ta 5 -> 93.333 %
    assert 100 * henderson_tilton(40, 60, 50, 5) == pytest.approx(93.333, abs=5e-4)


def test_henderson_tilton_is_abbott_where_the_numbers_before_are_equal() -> None:
    assert henderson_tilton(50, 30, 50, 6) == pytest.approx(abbott(30, 6), abs=1e-12)


# Computed by hand from Chapman's estimator and Seber's variance: 101 * 101 / 21 - 1, and so on.
@pytest.mark.parametrize(
    ("first", "second", "both", "number", "error"), [(100, 100, 20, 484.76, 82.03), (80, 75, 60, 99.92, 2.83)]
)
def test_chapman(first: int, second: int, both: int, number: float, error: float) -> None:
    assert chapman(first, second, both) == pytest.approx((number, error), abs=5e-3)


def test_chapman_says_how_many_nobody_saw() -> None:
    # passes of 80 and 75 with 60 in both: 95 distinct seen, 4.9 missed
    number, _ = chapman(80, 75, 60)
    assert number - (80 + 75 - 60) == pytest.approx(4.9, abs=0.05)

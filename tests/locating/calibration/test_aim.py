"""Offset, scatter and footprint from marks whose truth is known."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import binom, chi2

from swardwright.domain.errors import InputError
from swardwright.locating.calibration.aim import Mark, aiming, hotelling

OFFSET = np.array([0.006, -0.004])
SCATTER = np.array([[25.0, 8.0], [8.0, 16.0]]) * 1e-6
SIGMA, T0 = 0.014, 0.6
Draw = Callable[..., list[Mark]]


def turn(angle: float) -> np.ndarray:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def drawn(
    rng: np.random.Generator, count: int = 16, *, spin: float | None = 0.0, scatter: np.ndarray = SCATTER,
    holds: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0), measured: float = 0.0003, radius2_sd: float = 8e-6,
    stretch: tuple[float, float] = (0.0, 0.0), too_high: float = 0.0, with_sheet: tuple[float, float] = (0.0, 0.0),
) -> list[Mark]:  # fmt: skip
    """Draw marks from the model, written down here a second time."""
    out = []
    root = np.linalg.cholesky(scatter + 1e-30 * np.eye(2))
    for i in range(count):
        angle = rng.uniform(-3, 3) if spin is None else spin
        hold = holds[i % len(holds)]
        place = rng.uniform(0, 0.5, 2)
        lean = np.zeros(2)
        if too_high:
            lean = math.tan(0.35) * np.array([math.cos(2.4 * i), math.sin(2.4 * i)])
        head = OFFSET + root @ rng.normal(0, 1, 2)
        centre = place + turn(angle) @ head + too_high * lean + np.array(with_sheet)
        radius2 = 2 * SIGMA**2 * math.log(hold / T0) + rng.normal(0, radius2_sd)
        radius = math.sqrt(max(radius2, 1e-6)) + rng.normal(0, measured)
        own = turn(2 * angle) @ (np.array(stretch) + rng.normal(0, 0.02, 2))
        out.append(Mark(f"a{i}", place, centre + rng.normal(0, measured, 2), measured**2 * np.eye(2), radius,
                        measured, hold, own, angle, lean))  # fmt: skip
    return out


def test_without_noise_the_truth_comes_out() -> None:
    tiny = 1e-14 * np.eye(2)
    a = aiming(drawn(np.random.default_rng(1), scatter=tiny, measured=1e-9, radius2_sd=0.0))
    assert a.offset_m == pytest.approx(OFFSET, abs=1e-6)
    assert a.footprint is not None
    assert a.footprint.sigma_m == pytest.approx(SIGMA, rel=1e-5)
    assert a.footprint.t0_s == pytest.approx(T0, rel=1e-4)
    assert a.footprint.radius2_m2(np.array([T0, math.e * T0])) == pytest.approx([0.0, 2 * SIGMA**2], abs=1e-8)


@pytest.mark.slow
def test_covariances_are_honest_in_many_draws() -> None:
    """Normalised error squared: Hotelling's F carried to chi-square; t of ln sigma; 95 % intervals cover 95 %."""
    rng = np.random.default_rng(2)
    draws, squared, slope_t, covered = 160, [], [], np.zeros(3)
    for k in range(draws):
        count = (8, 16)[k % 2]
        a = aiming(drawn(rng, count, spin=None if k % 3 else 0.4))
        d = a.offset_m - OFFSET
        t2 = float(d @ np.linalg.solve(a.offset_covariance_m2, d))
        covered[0] += t2 <= a.offset_factor
        from scipy.stats import f

        squared.append(chi2.isf(f.sf(t2 * (a.freedom - 1) / (2 * a.freedom), 2, a.freedom - 1), 2))
        assert a.footprint is not None
        covered[1] += a.footprint.sigma_95_m[0] <= SIGMA <= a.footprint.sigma_95_m[1]
        slope_t.append(math.log(a.footprint.sigma_m / SIGMA) / math.sqrt(a.footprint.covariance[0, 0]))
        covered[2] += a.landing_sigma_95_m[0] <= math.sqrt(np.trace(SCATTER) / 2) <= a.landing_sigma_95_m[1]
    low, high = chi2.ppf([0.005, 0.995], 2 * draws) / (2 * draws)
    assert low <= np.mean(squared) / 2 <= high
    # variance of Student's t with 6 and 14 degrees (n - 2) is 1.5 and 1.167
    assert np.mean(np.square(slope_t)) == pytest.approx((1.5 + 14 / 12) / 2, rel=0.2)
    least, most = binom.ppf([0.001, 0.999], draws, 0.95)
    assert ((least <= covered) & (covered <= most)).all(), covered / draws


def test_scatter_is_that_of_the_landings_and_not_of_their_measurement() -> None:
    rng = np.random.default_rng(3)
    found = np.mean([aiming(drawn(rng, 12, measured=0.004)).scatter_m2 for _ in range(80)], axis=0)
    # 80 x 11 degrees: 2 (S + E)^2 / 880 gives a standard deviation of 5 to 8 % of S; bound 4 of them
    assert found == pytest.approx(SCATTER, abs=4 * 0.08 * 25e-6)
    raw = SCATTER + 0.004**2 * np.eye(2)
    assert np.abs(found - raw).max() > 4 * 0.08 * 25e-6


def test_one_dwell_time_does_not_tell_the_footprint() -> None:
    a = aiming(drawn(np.random.default_rng(4), holds=(3.0,)))
    assert a.footprint is None
    assert "all dwell times are alike (3 to 3 s)" in a.footprint_reason
    assert a.more_for_footprint(1e-3) is None
    assert a.offset_m == pytest.approx(OFFSET, abs=6e-3)


def test_marks_that_do_not_grow_are_said_to_be_wrong() -> None:
    marks = drawn(np.random.default_rng(5))
    holds = {1.0: 8.0, 2.0: 4.0, 4.0: 2.0, 8.0: 1.0}
    from dataclasses import replace

    a = aiming([replace(m, hold_s=holds[m.hold_s]) for m in marks])
    assert a.footprint is None
    assert "do not grow with the dwell" in a.footprint_reason


def test_two_wrong_marks_cannot_hide_each_other() -> None:
    from dataclasses import replace

    marks = drawn(np.random.default_rng(6))
    for i in (3, 7):  # both to the same side
        marks[i] = replace(marks[i], centre_m=marks[i].centre_m + 0.05)
    a = aiming(marks)
    assert sorted(o.aim for o in a.outliers) == ["a3", "a7"]
    assert len(a.used) == 14
    assert a.outliers[-1].p < 0.01 / 15  # the first alone is hidden by the second
    assert all(0.05 < o.distance_m < 0.1 for o in a.outliers)


def test_sound_marks_are_hardly_ever_left_out() -> None:
    rng = np.random.default_rng(7)
    wrong = sum(bool(aiming(drawn(rng, 12)).outliers) for _ in range(80))
    assert wrong <= binom.ppf(0.999, 80, 0.02)  # stated: 1 % of sheets; the repeated test may double it


def test_an_elongated_footprint_is_named() -> None:
    a = aiming(drawn(np.random.default_rng(8), spin=0.7, stretch=(math.log(1.3), 0.0)))
    (finding,) = [f for f in a.findings if f.what == "elongation"]
    assert finding.found
    assert finding.size == pytest.approx(1.3, abs=0.03)
    assert re.search(r"1.3\d times longer than wide, along -?[0-3] degrees from the head's x", finding.text)
    rng = np.random.default_rng(9)
    false = sum(next(f for f in aiming(drawn(rng)).findings if f.what == "elongation").found for _ in range(60))
    assert false == 0  # 1 % chance each, and longer than 1.05 besides


def test_a_wrong_standoff_shows_where_the_head_was_tilted() -> None:
    a = aiming(drawn(np.random.default_rng(10), 24, too_high=0.03))
    (finding,) = [f for f in a.findings if f.what == "tilt"]
    assert finding.found
    assert finding.size == pytest.approx(0.03, abs=0.012)  # three standard deviations of 4 mm / sqrt(24) / tan(20 deg)
    assert not [f for f in aiming(drawn(np.random.default_rng(10))).findings if f.what == "tilt"]  # never tilted


def test_what_stays_with_the_sheet_is_not_the_heads() -> None:
    a = aiming(drawn(np.random.default_rng(11), 24, spin=None, with_sheet=(0.012, 0.0)))
    (finding,) = [f for f in a.findings if f.what == "spin"]
    assert finding.found
    assert finding.size == pytest.approx(0.012, abs=0.004)
    b = aiming(drawn(np.random.default_rng(11), 24, spin=None))
    assert not next(f for f in b.findings if f.what == "spin").found


def test_how_many_more_marks() -> None:
    a = aiming(drawn(np.random.default_rng(12), 16))
    largest = np.linalg.eigvalsh(a.offset_covariance_m2).max()
    more = a.more_for_offset(5e-4)
    assert largest * 16 / (16 + more) <= 5e-4**2 < largest * 16 / (16 + more - 1)
    assert a.more_for_offset(0.1) == 0
    with pytest.raises(InputError):
        a.more_for_offset(0.0)


def test_the_sheets_own_error_does_not_average_away() -> None:
    marks = drawn(np.random.default_rng(13))
    shared = np.diag([4e-6, 1e-6])
    a, b = aiming(marks), aiming(marks, shared)
    assert b.offset_covariance_m2 - a.offset_covariance_m2 == pytest.approx(shared, abs=1e-15)
    assert b.offset_sigma_m > a.offset_sigma_m
    # for few marks the region is wider than chi-square's
    assert a.offset_factor == pytest.approx(hotelling(15.0))
    assert a.offset_factor > chi2.ppf(0.95, 2)


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda marks: marks[:3], "too few marks"),
        (lambda marks: [marks[0], *marks], "the same aim"),
    ],
)
def test_what_cannot_be_used_is_said(spoil: Callable[[list[Mark]], list[Mark]], says: str) -> None:
    with pytest.raises(InputError, match=says):
        aiming(spoil(drawn(np.random.default_rng(14))))


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("centre_m", (math.nan, 0.0), "centre_m"),
        ("radius_m", 0.0, "positive radius"),
        ("radius_m", math.inf, "positive radius"),
        ("hold_s", 0.0, "dwell time"),
        ("centre_covariance_m2", -np.eye(2), "covariance"),
    ],
)
def test_a_mark_that_is_none_is_refused(field: str, value: object, says: str) -> None:
    from dataclasses import replace

    with pytest.raises(InputError, match=says) as caught:
        replace(drawn(np.random.default_rng(15), 1)[0], **{field: value})  # type: ignore[arg-type]
    assert "aim a0" in caught.value.sentence()

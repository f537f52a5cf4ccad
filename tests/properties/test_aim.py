"""What must hold for every sheet of marks and every plane, whatever the numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.locating.calibration.aim import Mark, aiming
from swardwright.locating.ground import plane_of_points

shift = st.tuples(st.floats(-0.03, 0.03), st.floats(-0.03, 0.03)).map(np.array)
angle = st.floats(-3.1, 3.1)


def marks(seed: int, count: int = 10) -> list[Mark]:
    rng = np.random.default_rng(seed)
    out = []
    for i in range(count):
        place, hold = rng.uniform(0, 0.5, 2), float((1, 2, 4)[i % 3])
        radius = 0.012 * math.sqrt(2 * math.log(hold / 0.5)) + rng.normal(0, 2e-4)
        out.append(Mark(f"a{i}", place, place + rng.normal(0, 0.004, 2), 1e-8 * np.eye(2), radius, 2e-4, hold,
                        rng.normal(0, 0.05, 2), rng.uniform(-1, 1)))  # fmt: skip
    return out


def turn(a: float) -> np.ndarray:
    return np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 99), shift)
def test_moving_aims_and_marks_together_changes_nothing(seed: int, by: np.ndarray) -> None:
    before = marks(seed)
    after = aiming([replace(m, aim_m=m.aim_m + by, centre_m=m.centre_m + by) for m in before])
    assert np.allclose(after.offset_m, aiming(before).offset_m, atol=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 99), shift)
def test_moving_all_landings_in_head_axes_moves_the_offset(seed: int, by: np.ndarray) -> None:
    before = marks(seed)
    a, b = aiming(before), aiming([replace(m, centre_m=m.centre_m + turn(m.spin_rad) @ by) for m in before])
    assert np.allclose(b.offset_m - a.offset_m, by, atol=1e-7)
    assert np.allclose(b.scatter_m2, a.scatter_m2, atol=1e-10)
    assert math.isclose(b.landing_sigma_m, a.landing_sigma_m, rel_tol=1e-4)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 99), angle)
def test_turning_the_sheet_changes_nothing_and_turning_the_head_turns_the_offset(seed: int, by: float) -> None:
    before = marks(seed)
    r = turn(by)
    turned = [replace(m, aim_m=r @ m.aim_m, centre_m=r @ m.centre_m, spin_rad=m.spin_rad + by) for m in before]
    whole = aiming([replace(m, stretch=turn(2 * by) @ m.stretch) for m in turned])
    a = aiming(before)
    assert np.allclose(whole.offset_m, a.offset_m, atol=1e-7)
    assert np.allclose(whole.scatter_m2, a.scatter_m2, atol=1e-10)
    head = aiming([replace(m, spin_rad=m.spin_rad - by) for m in before])
    assert np.allclose(head.offset_m, r @ a.offset_m, atol=1e-7)
    assert np.allclose(head.offset_covariance_m2, r @ a.offset_covariance_m2 @ r.T, atol=1e-10)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 99), st.floats(0.2, 5.0))
def test_longer_by_the_same_factor_is_another_paper_and_not_another_footprint(seed: int, factor: float) -> None:
    before = marks(seed)
    a, b = aiming(before).footprint, aiming([replace(m, hold_s=factor * m.hold_s) for m in before]).footprint
    assert a is not None
    assert b is not None
    assert math.isclose(b.sigma_m, a.sigma_m, rel_tol=1e-6)
    assert math.isclose(b.t0_s, factor * a.t0_s, rel_tol=1e-6)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 99), angle, st.floats(-0.5, 0.5))
def test_a_plane_turns_and_rises_with_its_points(seed: int, by: float, rise: float) -> None:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(-1, 1, (20, 2))
    points = np.column_stack([xy, xy @ [0.1, -0.05] + rng.normal(0, 0.01, 20)])
    variance = np.full(20, 1e-4)
    a = plane_of_points(points, variance, robust=False)
    b = plane_of_points(np.column_stack([xy @ turn(by).T, points[:, 2] + rise]), variance, robust=False)
    assert np.allclose(b.slope, turn(by) @ a.slope, atol=1e-6)
    assert math.isclose(b.height_at(np.zeros(2)), a.height_at(np.zeros(2)) + rise, abs_tol=1e-6)
    assert math.isclose(b.slope_rad, a.slope_rad, abs_tol=1e-6)
    assert math.isclose(b.roughness_m, a.roughness_m, abs_tol=1e-5)

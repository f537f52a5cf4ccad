"""Analytical Jacobians of aim and ground calibration against central differences."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Pose, rotation_from_rpy
from swardwright.locating.calibration.aim import _by_slope, radius_line
from swardwright.locating.calibration.restricted import _symmetric, restricted_likelihood
from swardwright.locating.calibration.sheet import carried, jacobians
from swardwright.locating.ground import board_patch, tilt_slopes
from swardwright.shell.calibrating_ground import carried_error, pixel_jacobians

small = st.floats(-0.3, 0.3)


@settings(max_examples=50)
@given(st.tuples(*[small] * 8).map(np.array), st.tuples(small, small).map(np.array))
def test_homography(numbers: np.ndarray, point: np.ndarray) -> None:
    def homography(e: np.ndarray) -> np.ndarray:
        base = np.array([[900.0, 0, 500], [0, 900, 400], [0, 0, 1]])
        return base + np.append(e * [300, 300, 300, 300, 300, 300, 1, 1], 0).reshape(3, 3)

    scale = np.array([300, 300, 300, 300, 300, 300, 1, 1])
    by_point, by_numbers = jacobians(homography(numbers), point[None])
    h = 1e-6
    for i in range(2):
        d = np.eye(2)[i] * h
        numeric = (carried(homography(numbers), point + d) - carried(homography(numbers), point - d))[0] / (2 * h)
        assert np.allclose(numeric, by_point[0][:, i], rtol=1e-6, atol=1e-3)
    for i in range(8):
        d = np.eye(8)[i] * h
        numeric = (carried(homography(numbers + d), point) - carried(homography(numbers - d), point))[0] / (2 * h)
        assert np.allclose(numeric, by_numbers[0][:, i] * scale[i], rtol=1e-6, atol=1e-3)


@given(st.integers(0, 10_000), st.sampled_from([(1, 2), (2, 2), (2, 3), (3, 3)]))
@settings(max_examples=30, deadline=None)
def test_restricted_likelihood(seed: int, size: tuple[int, int]) -> None:
    d, q = size
    rng = np.random.default_rng(seed)
    y, a = rng.normal(size=(9, d)), rng.normal(size=(9, d, q))
    known = np.array([s * np.eye(d) for s in rng.uniform(0.1, 1, 9)])
    root = rng.normal(size=(d, d))
    scatter = root @ root.T + 0.1 * np.eye(d)
    _, gradient, information = restricted_likelihood(scatter, y, a, known)
    h = 1e-5
    for k in range(d * (d + 1) // 2):
        step = h * _symmetric(np.eye(d * (d + 1) // 2)[k], d)
        plus, minus = (restricted_likelihood(scatter + sign * step, y, a, known)[0] for sign in (1, -1))
        assert math.isclose((plus - minus) / (2 * h), gradient[k], rel_tol=1e-4, abs_tol=1e-5)
    assert np.linalg.eigvalsh(information).min() > 0


def test_expected_information_is_the_mean_curvature() -> None:
    """The mean of gradient times gradient over draws from the model is the information (Fisher's identity)."""
    rng = np.random.default_rng(1)
    a = rng.normal(size=(12, 2, 2))
    known = np.array([s * np.eye(2) for s in rng.uniform(0.1, 1, 12)])
    scatter = np.array([[1.0, 0.3], [0.3, 0.6]])
    roots = np.linalg.cholesky(scatter + known)
    total, draws = np.zeros((3, 3)), 2500
    for _ in range(draws):
        y = a @ [0.4, -1.0] + np.einsum("nij,nj->ni", roots, rng.normal(size=(12, 2)))
        _, gradient, information = restricted_likelihood(scatter, y, a, known)
        total += np.outer(gradient, gradient) / draws
    assert np.allclose(total, information, rtol=0.2, atol=0.2)  # 2500 draws of a squared score: 3 to 6 %


@given(st.floats(1e-5, 1e-3), st.floats(-1e-3, 1e-3))
def test_footprint_by_slope_and_level(slope: float, level: float) -> None:
    def values(p: np.ndarray) -> np.ndarray:
        return np.array([0.5 * math.log(p[0] / 2), p[1] / p[0]])  # ln sigma, ln t0

    at, by = np.array([slope, level]), _by_slope(slope, level)
    for i in range(2):
        d = np.eye(2)[i] * 1e-6 * slope
        numeric = (values(at + d) - values(at - d)) / (2e-6 * slope)
        assert np.allclose(numeric, by[:, i], rtol=1e-5, atol=1e-3)
    # r^2 = 2 sigma^2 (ln t - ln t0)
    sigma2, log_t0 = slope / 2, level / slope
    assert np.allclose(radius_line(np.array([1.3]))[0] @ at, 2 * sigma2 * (1.3 - log_t0), atol=1e-12)


@given(small, small, st.floats(-3, 3), st.floats(0, 0.02))
def test_board_patch(roll: float, pitch: float, yaw: float, thick: float) -> None:
    pose = Pose.from_rpy("base", "board", (0.7, -0.2, 0.03), (math.pi + roll, pitch, yaw))
    middle = np.array([0.1, 0.05])
    _, by, place = board_patch(pose, middle, thick)

    def values(xi: np.ndarray) -> np.ndarray:
        v, _, p = board_patch(pose.perturbed(xi), middle, thick)
        return np.array([v[0] + (place - p) @ v[1:], *v[1:]])  # height above the place where the middle was

    h = 1e-6
    numeric = np.column_stack([(values(e * h) - values(-e * h)) / (2 * h) for e in np.eye(6)])
    assert np.allclose(numeric, by, atol=1e-7)


@given(small, small, st.floats(-3, 3))
def test_tilts_are_the_rotations_own_normal(roll: float, pitch: float, yaw: float) -> None:
    """Not a derivative but its basis: the slope is that of the plane normal to the base's z axis."""
    up = rotation_from_rpy((roll, pitch, yaw))[:, 2]
    slopes, _ = tilt_slopes(np.array([yaw]), np.array([roll]), np.array([pitch]))
    assert np.allclose(slopes[0], -up[:2] / up[2], atol=1e-12)


def test_board_corners_by_pose_and_intrinsics() -> None:
    rng = np.random.default_rng(3)
    lens = np.array([-0.12, 0.03, 5e-4, -5e-4, 0.01])
    points = np.column_stack([rng.uniform(0, 0.2, (12, 2)), np.zeros(12)])
    pose = Pose.from_rpy("camera", "board", (-0.1, 0.05, 0.9), (0.3, -0.2, 0.4))

    def seen(xi: np.ndarray, k: np.ndarray) -> np.ndarray:
        camera = Camera(1280, 960, *(np.array([900.0, 905.0, 640.0, 480.0]) + k), lens, np.eye(4))
        return camera.project(pose.perturbed(xi).apply(points))

    pixels = seen(np.zeros(6), np.zeros(4)) + rng.normal(0, 0.3, (12, 2))
    camera = Camera(1280, 960, 900.0, 905.0, 640.0, 480.0, lens, np.eye(4))
    by_pose, by_camera, missed = pixel_jacobians(pose, points, pixels, camera)
    assert np.allclose(missed.reshape(-1, 2), pixels - seen(np.zeros(6), np.zeros(4)), atol=1e-9)
    for i in range(6):
        d = np.eye(6)[i] * 1e-6
        assert np.allclose((seen(d, np.zeros(4)) - seen(-d, np.zeros(4))) / 2e-6, by_pose[:, :, i], atol=1e-4)
    for i in range(4):
        d = np.eye(4)[i] * 1e-3
        assert np.allclose((seen(np.zeros(6), d) - seen(np.zeros(6), -d)) / 2e-3, by_camera[:, :, i], atol=1e-7)


def test_an_error_of_the_camera_moves_the_board() -> None:
    camera = Pose.from_rpy("base", "camera", (0.4, 0.1, 0.9), (3.0, 0.1, 0.3))
    board = Pose.from_rpy("camera", "board", (0.1, -0.05, 0.8), (0.2, 0.1, -0.4))
    arm = (camera @ board).translation_m - camera.translation_m
    by = carried_error(np.eye(6), arm)
    h = 1e-6
    for i, step in enumerate(h * np.eye(6)):
        plus, minus = camera.perturbed(step) @ board, camera.perturbed(-step) @ board
        moved = (plus.translation_m - minus.translation_m) / (2 * h)
        assert np.allclose(moved, by[3:, i], atol=1e-8)
        turned = (plus.rotation @ minus.rotation.T - np.eye(3)) / (2 * h)
        assert np.allclose([turned[2, 1], turned[0, 2], turned[1, 0]], by[:3, i], atol=1e-6)

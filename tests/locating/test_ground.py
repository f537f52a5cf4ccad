"""Planes of the ground from points, boards and tilts whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom, chi2

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Pose, rotation_from_rpy
from swardwright.locating.ground import (
    Patch,
    board_patch,
    contact_points,
    patch_of_board,
    plane_of_patches,
    plane_of_points,
    slope_of_tilts,
    slope_warnings,
)

SLOPE = np.array([0.08, -0.03])


def points(rng: np.random.Generator, n: int = 40, rough: float = 0.006) -> tuple[np.ndarray, np.ndarray]:
    """Plants on a rough slope, seen with errors in all three directions."""
    xy = rng.uniform(-1, 1, (n, 2))
    z = 0.02 + xy @ SLOPE + rng.normal(0, rough, n)
    sd = np.array([0.004, 0.004, 0.008])
    return np.column_stack([xy, z]) + rng.normal(0, 1, (n, 3)) * sd, np.diag(sd**2)


def test_an_exact_plane_comes_out_exactly() -> None:
    rng = np.random.default_rng(1)
    xy = rng.uniform(-1, 1, (12, 2))
    plane = plane_of_points(np.column_stack([xy, 0.02 + xy @ SLOPE]), np.full(12, 1e-6))
    assert plane.height_at(np.zeros(2)) == pytest.approx(0.02, abs=1e-9)
    assert plane.slope == pytest.approx(SLOPE, abs=1e-9)
    assert plane.roughness_m < 1e-5
    assert plane.slope_rad == pytest.approx(math.atan(math.hypot(*SLOPE)), abs=1e-9)
    assert plane.uphill_rad == pytest.approx(math.atan2(-0.03, 0.08), abs=1e-9)
    assert np.abs(plane.residual_m).max() < 1e-9


def test_plane_covariance_and_roughness_in_many_draws() -> None:
    rng = np.random.default_rng(2)
    draws, squared, covered, rough = 100, [], 0, []
    for k in range(draws):
        data, covariance = points(rng)
        if k % 2:  # three stones
            data[:3, 2] += rng.uniform(0.06, 0.2, 3)
        plane = plane_of_points(data, covariance)
        if k % 2:
            assert {0, 1, 2} <= set(plane.left_out)
        error = np.array([plane.height_at(np.zeros(2)) - 0.02, *(plane.slope - SLOPE)])
        to_origin = np.eye(3)
        to_origin[0, 1:] = -plane.about_m
        squared.append(float(error @ np.linalg.solve(to_origin @ plane.covariance @ to_origin.T, error)))
        covered += plane.roughness_95_m[0] <= 0.006 <= plane.roughness_95_m[1]
        rough.append(plane.roughness_m)
        assert plane.sigma_at(np.zeros(2)) == pytest.approx(
            math.sqrt((to_origin @ plane.covariance @ to_origin.T)[0, 0]), rel=1e-9
        )
    # the scatter is estimated with 37 degrees: expectation of T2 is 3 x 37 / 35; the 3 sigma cut costs little
    low, high = chi2.ppf([0.001, 0.999], 3 * draws) / draws
    assert low <= np.mean(squared) * 35 / 37 <= high
    assert np.sqrt(np.mean(np.square(rough))) == pytest.approx(0.006, rel=0.1)
    assert covered >= binom.ppf(0.001, draws, 0.95)


def test_what_cannot_carry_a_plane_is_said() -> None:
    with pytest.raises(InputError, match="too few points"):
        plane_of_points(np.zeros((3, 3)), np.ones(3))
    line = np.column_stack([np.linspace(0, 3, 9), np.zeros(9), np.zeros(9)])
    with pytest.raises(InputError, match="on a line") as caught:
        plane_of_points(line, np.ones(9))
    assert "second lane" in (caught.value.remedy or "")
    with pytest.raises(InputError, match="finite points"):
        plane_of_points(np.full((9, 3), np.nan), np.ones(9))
    with pytest.raises(InputError, match="do not fit"):
        plane_of_points(np.random.default_rng(0).normal(size=(9, 3)), np.ones(4))
    with pytest.raises(InputError, match="not negative"):
        plane_of_points(np.random.default_rng(0).normal(size=(9, 3)), -np.ones(9))


def lying(x: float, y: float, yaw: float, thick: float, height: float = 0.02) -> Pose:
    """A board of some thickness lying on the sloping ground, print up, its origin at x, y."""
    up = np.array([*-SLOPE, 1.0])
    up /= np.linalg.norm(up)
    along = np.array([math.cos(yaw), math.sin(yaw), 0.0])
    along -= up * (along @ up)
    along /= np.linalg.norm(along)
    turn = np.column_stack([along, np.cross(-up, along), -up])
    return Pose("base", "board", turn, np.array([x, y, height + np.array([x, y]) @ SLOPE]) + thick * up)


@pytest.mark.parametrize("yaw", [0.0, 1.1, -2.6])
def test_the_ground_is_below_the_board(yaw: float) -> None:
    values, _, place = board_patch(lying(0.7, -0.2, yaw, 0.012), np.array([0.1, 0.05]), 0.012)
    assert values[1:] == pytest.approx(SLOPE, abs=1e-12)
    # the place is that of the print's middle; the ground straight below it
    assert values[0] == pytest.approx(0.02 + place @ SLOPE, abs=1e-12)


def test_a_standing_or_upturned_board_is_refused() -> None:
    for rpy in ((0.0, 0.0, 0.3), (math.pi / 2, 0.0, 0.0)):
        with pytest.raises(InputError, match="does not lie flat"):
            board_patch(Pose("base", "board", rotation_from_rpy(rpy), np.zeros(3)), np.zeros(2))


@pytest.mark.parametrize("count", [1, 3, 9])
def test_boards_give_the_plane_and_shared_errors_stay(count: int) -> None:
    rng = np.random.default_rng(count)
    own = np.diag([1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3]) ** 2
    squared = []
    prior = np.diag([3e-3, 3e-3, 2e-3, 2e-3, 2e-3, 4e-3]) ** 2
    draws = 150 if count < 6 else 60
    for _ in range(draws):
        common = np.sqrt(np.diag(prior)) * rng.normal(size=6)
        patches = []
        for _ in range(count):
            true = lying(*rng.uniform(0.3, 1.0, 2), rng.uniform(-3, 3), 0.0)
            patches.append(
                patch_of_board(true.perturbed(common + 1e-3 * rng.normal(size=6)), np.zeros(2), own, np.eye(6))
            )
        plane = plane_of_patches(patches, prior)
        error = np.array([plane.height_m - 0.02 - plane.about_m @ SLOPE, *(plane.slope - SLOPE)])
        squared.append(float(error @ np.linalg.solve(plane.covariance, error)))
    low, high = chi2.ppf([0.0005, 0.9995], 3 * draws) / draws
    assert low <= np.mean(squared) <= 1.1 * high  # the scatter of nine boards, or of three, is itself an estimate
    if count == 9:  # the shared error is most of it, whatever the number of boards
        assert plane.covariance[0, 0] > 0.8 * prior[5, 5]


def test_boards_that_contradict_each_other_are_named() -> None:
    def at(height: float) -> Patch:
        return Patch(np.array([0.6, 0.0]), np.array([height, 0.0, 0.0]), 1e-6 * np.eye(3), np.zeros((3, 0)))

    assert plane_of_patches([at(0.0), at(0.001)]).consistent
    odd = plane_of_patches([at(0.0), at(0.03)])
    assert not odd.consistent
    assert math.sqrt(odd.covariance[0, 0]) > 0.005
    with pytest.raises(InputError, match="at least one patch"):
        plane_of_patches([])


def test_tilts_of_the_base_give_the_slope_whatever_way_it_heads() -> None:
    """Truth by rotation matrices: the base stands on the plane with its own unevenness."""
    rng = np.random.default_rng(5)
    up = np.array([*-SLOPE, 1.0])
    up /= np.linalg.norm(up)
    yaw, roll, pitch = np.zeros(200), np.zeros(200), np.zeros(200)
    for i in range(200):
        heading = rng.uniform(-3, 3)
        ahead = np.array([math.cos(heading), math.sin(heading), 0.0])
        ahead -= up * (ahead @ up)
        ahead /= np.linalg.norm(ahead)
        turn = np.column_stack([ahead, np.cross(up, ahead), up])
        turn = turn @ rotation_from_rpy((*rng.normal(0, 0.01, 2), 0.0))
        yaw[i] = math.atan2(turn[1, 0], turn[0, 0])
        pitch[i] = math.asin(-turn[2, 0])
        roll[i] = math.atan2(turn[2, 1], turn[2, 2])
    found = slope_of_tilts(yaw, roll, pitch, 0.002)
    assert found.slope == pytest.approx(SLOPE, abs=4 * 0.0102 / math.sqrt(200))
    assert found.tilt_rad == pytest.approx(0.01, rel=0.15)  # 400 numbers: 3.5 % standard error
    # one way only: a wrong level of the IMU does not average away; all ways: it does
    one = slope_of_tilts(np.zeros(200), roll, pitch, 0.002, bias_rad=0.01)
    assert one.slope_sigma_rad > 0.009
    assert slope_of_tilts(yaw, roll, pitch, 0.002, bias_rad=0.01).slope_sigma_rad < 0.003


def test_contacts_of_the_tracks_lie_on_the_plane_driven_over() -> None:
    up = np.array([*-SLOPE, 1.0]) / math.sqrt(1 + SLOPE @ SLOPE)
    poses = np.array([[0.1 * i, 0.0, 0.0] for i in range(15)] + [[1.4, 0.1 * i, math.pi / 2] for i in range(1, 15)])
    roll, pitch = np.zeros(len(poses)), np.zeros(len(poses))
    for i, (_, _, yaw) in enumerate(poses):
        ahead = np.array([math.cos(yaw), math.sin(yaw), SLOPE @ [math.cos(yaw), math.sin(yaw)]])
        ahead /= np.linalg.norm(ahead)
        left = np.cross(up, ahead)
        pitch[i], roll[i] = math.asin(-ahead[2]), math.atan2(left[2], up[2])
    feet = contact_points(poses, roll, pitch, 0.8, 0.56)
    assert feet.shape == (4 * len(poses), 3)
    assert feet[:, 2] == pytest.approx(feet[:, :2] @ SLOPE, abs=2e-4)  # yaw on a slope is not yaw on the map: 2nd order
    plane = plane_of_points(feet, np.full(len(feet), 1e-6))
    assert plane.slope == pytest.approx(SLOPE, abs=1e-3)


def test_slopes_are_warned_of() -> None:
    degree = math.radians(1.0)
    assert slope_warnings(1 * degree, 0.2 * degree, 12 * degree, 1 * degree) == ()
    said = slope_warnings(11 * degree, 1 * degree, 12 * degree, 2 * degree)
    assert "steeper than the base may climb" in said[0]  # 11 + 1.645
    assert "wet grass slides" in said[1]
    assert "states a slope of 2.0" in said[2]

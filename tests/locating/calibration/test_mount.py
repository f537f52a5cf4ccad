"""Mount calibration: exact without noise, honest with it, and in words about what it cannot know."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks._mount_cases import Case, random_case
from scipy.stats import chi2

from swardwright.domain.errors import InputError
from swardwright.locating.calibration.mount import MountNoise, hold_out, joint_noise, shared_covariance, solve_mount
from swardwright.locating.calibration.mount_check import difference
from swardwright.locating.calibration.mount_model import BoardViews
from swardwright.locating.calibration.mount_plan import (
    candidate_postures,
    ground_rms_m,
    next_poses,
    unknown_directions,
)
from swardwright.locating.calibration.mount_start import consistent_order

NO_GROUND = np.zeros((0, 2, 6))
STATED = np.diag([0.005**2] * 3 + [0.003**2] * 3)


def test_without_noise_the_mount_is_exact() -> None:
    case = random_case(np.random.default_rng(1), 8, None, 0.0, 0.0, 0.0, 0.0)
    found = solve_mount(case.views, case.camera, MountNoise(np.full(6, 1e-5), np.zeros(6), 0.1))
    gap = difference(found.link_from_camera.matrix, case.link_from_camera)
    assert np.abs(gap).max() < 1e-7


def test_the_covariance_is_honest() -> None:
    """Average normalised squared error of 40 rigs inside the 99.9 % bounds of its mean (chi-square, 6 a rig)."""
    rng, squared = np.random.default_rng(5), []
    for _ in range(40):
        case = random_case(rng, 10)
        found = solve_mount(case.views, case.camera, case.noise)
        gap = difference(found.link_from_camera.matrix, case.link_from_camera)
        squared.append(gap @ np.linalg.solve(found.covariance, gap))
    low, high = chi2.ppf([5e-4, 1 - 5e-4], 240) / 40
    assert low < np.mean(squared) < high


def test_many_corners_do_not_outweigh_bad_joints() -> None:
    """Where joints dominate, four times the corners must not halve the stated error, as corners alone would."""
    case = random_case(np.random.default_rng(3), 10, None, 2e-3, 0.0, 0.05, 0.0)
    few = BoardViews(case.views.base_from_link, case.views.joints, tuple(p[::4] for p in case.views.points_m),
                     tuple(p[::4] for p in case.views.pixels), case.views.names)  # fmt: skip
    all_of, some = (solve_mount(v, case.camera, replace(case.noise, pixel_px=0.05)) for v in (case.views, few))
    ratio = np.sqrt(np.diag(some.covariance) / np.diag(all_of.covariance))
    assert (ratio < 1.5).all()
    assert ratio.mean() < 1.3


def test_corners_far_off_hardly_matter() -> None:
    rng = np.random.default_rng(6)
    case = random_case(rng, 10, None, 2e-4, 0.0, 0.2, 0.0)
    pixels = tuple(np.where((rng.random(len(p)) < 0.05)[:, None], p + rng.normal(0, 30, p.shape), p)
                   for p in case.views.pixels)  # fmt: skip
    spoilt = replace(case.views, pixels=pixels)
    noise = replace(case.noise, pixel_px=0.2)
    clean, dirty = (solve_mount(v, case.camera, noise) for v in (case.views, spoilt))
    gap = difference(dirty.link_from_camera.matrix, clean.link_from_camera)
    assert np.abs(gap[:3]).max() < 1e-3
    assert np.abs(gap[3:]).max() < 1e-3


def test_errors_larger_than_stated_are_said_and_enlarge_the_covariance() -> None:
    case = random_case(np.random.default_rng(8), 14, None, 3e-3, 0.0, 0.1, 0.0)
    honest = solve_mount(case.views, case.camera, case.noise)
    proud = solve_mount(case.views, case.camera, joint_noise(6, 5e-4, 0.0))
    assert honest.inflated == 1.0
    assert proud.inflated == proud.surplus > 9
    gap = difference(proud.link_from_camera.matrix, case.link_from_camera)
    assert gap @ np.linalg.solve(proud.covariance, gap) < chi2.ppf(0.999, 6)


def test_views_held_out_are_predicted_within_their_errors() -> None:
    case = random_case(np.random.default_rng(11), 16, None, 1e-3, 0.0, 0.2, 0.5)
    held = hold_out(case.views, case.camera, case.noise)
    assert held is not None
    low, high = chi2.ppf([5e-4, 1 - 5e-4], 6 * 16)
    assert low < held.squared.sum() < high
    assert 0 < held.overall_m < 0.02
    assert hold_out(case.views.only(range(6)), case.camera, case.noise) is None


@pytest.fixture(scope="module")
def one_axis() -> Case:
    return random_case(np.random.default_rng(3), 12, (5,), 1e-3, 0.0, 0.2, 0.5)


def test_one_axis_is_said_in_words_and_three_poses_mend_it(one_axis: Case) -> None:
    found = solve_mount(one_axis.views, one_axis.camera, one_axis.noise)
    unknown = unknown_directions(one_axis.views, found.covariance, STATED)
    sentences = " / ".join(u.sentence for u in unknown)
    # the last joint turns about the link's x axis
    assert "all your poses turn about one axis (x of the link): rotation about it is not known" in sentences
    assert "the shift along it is not known" in sentences
    assert one_axis.arm is not None
    assert one_axis.views.joints_rad is not None
    candidates = candidate_postures(one_axis.arm, one_axis.views.joints_rad, np.random.default_rng(0))
    args = (one_axis.views, one_axis.arm, "link5", one_axis.camera, found, one_axis.noise, NO_GROUND, candidates, 3)
    poses = next_poses(*args)
    gains = [p.ground_m for p in poses]
    before = ground_rms_m(shared_covariance(found.information), np.eye(6)[None])
    assert len(poses) == 3
    assert before > 20 * gains[-1]
    assert gains == sorted(gains, reverse=True)
    for pose in poses:
        assert (np.array(pose.joints_rad) > one_axis.arm.lower_rad).all()
        assert (np.array(pose.joints_rad) < one_axis.arm.upper_rad).all()


def test_turning_about_all_axes_leaves_nothing_unknown() -> None:
    case = random_case(np.random.default_rng(4), 20, None, 3e-4, 0.0, 0.1, 0.0)
    found = solve_mount(case.views, case.camera, case.noise)
    assert unknown_directions(case.views, found.covariance, STATED) == ()


def test_half_turns_of_a_square_board_are_undone() -> None:
    case = random_case(np.random.default_rng(9), 12, None, 5e-4, 0.0, 0.2, 0.0)
    turned = (2, 3, 7, 10)
    pixels = tuple(p[::-1] if i in turned else p for i, p in enumerate(case.views.pixels))
    views, changed = consistent_order(replace(case.views, pixels=pixels), case.camera)
    assert changed == tuple(case.views.names[i] for i in turned)
    for mended, right in zip(views.pixels, case.views.pixels, strict=True):
        np.testing.assert_array_equal(mended, right)


def test_the_mount_does_not_depend_on_where_base_and_board_axes_are() -> None:
    """Moving the whole scene, arm base included, changes nothing on the arm."""
    case = random_case(np.random.default_rng(12), 8)
    scene = case.base_from_board.matrix
    moved = BoardViews(scene @ case.views.base_from_link,
                       np.concatenate([scene[:3, :3] @ case.views.joints[:, :3],
                                       scene[:3, :3] @ case.views.joints[:, 3:]], axis=1),
                       case.views.points_m, case.views.pixels, case.views.names)  # fmt: skip
    one, other = (solve_mount(v, case.camera, case.noise) for v in (case.views, moved))
    sigma = np.sqrt(np.diag(one.covariance))
    assert (np.abs(difference(one.link_from_camera.matrix, other.link_from_camera)) < 0.01 * sigma).all()
    assert np.abs((other.covariance - one.covariance) / np.outer(sigma, sigma)).max() < 0.02


def test_too_few_views_and_spoilt_numbers_are_refused() -> None:
    case = random_case(np.random.default_rng(2), 8)
    with pytest.raises(InputError, match="too few views"):
        solve_mount(case.views.only([0, 1]), case.camera, case.noise)
    pixels = (np.full((54, 2), np.nan), *case.views.pixels[1:])
    with pytest.raises(InputError, match="finite"):
        replace(case.views, pixels=pixels)

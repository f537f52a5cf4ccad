"""The mount against OpenCV's methods and against cases of the package ``kinhec``, whose truth is exact.

Sources: OpenCV 4.14 ``calibrateHandEye`` and ``calibrateRobotWorldHandEye``, every method; ``kinhec`` 1.1.0 (MIT): its
generator (arm, trajectory, mount, joint errors) and its reference solvers, non-linear ones included. All get the same
pictures. Bound: the median error of each is met or beaten; the full numbers are in ``make bench NAME=calibrate``.
"""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks._calibrate_mount import by_kinhec, by_opencv, compare, kinhec_cases
from benchmarks._mount_cases import random_case
from scipy.spatial.transform import Rotation

from swardwright.domain.poses import rotation_from_vector
from swardwright.locating.calibration.mount_start import board_poses, mean_pose, mount_starts


def test_opencv_is_met_or_beaten_on_noisy_rigs() -> None:
    rng = np.random.default_rng(41)
    theirs, ours = compare([random_case(rng, 12) for _ in range(12)], by_opencv)
    assert len(theirs) == 7
    for name, (turn, shift) in theirs.items():
        assert ours[0] <= turn, name
        assert ours[1] <= shift, name


def test_opencv_and_kinhec_are_met_or_beaten_on_kinhecs_cases() -> None:
    pytest.importorskip("kinhec", reason="the package kinhec is not installed")
    cases = [case for number in range(1, 5) for case in kinhec_cases(number, count=10)]
    assert len(cases) >= 12
    for others in (by_opencv, by_kinhec):
        theirs, ours = compare(cases, others)
        for name, (turn, shift) in theirs.items():
            assert ours[0] <= turn, name
            assert ours[1] <= shift, name


def test_without_noise_every_start_is_the_truth() -> None:
    """The closed forms are exact on exact poses: what is handed to OpenCV is the right way round."""
    case = random_case(np.random.default_rng(42), 10, None, 0.0, 0.0, 0.0, 0.0)
    poses, noise_px = board_poses(case.views, case.camera)
    assert noise_px.max() < 1e-3
    for name, mount, board in mount_starts(case.views, poses):
        if name != "right angles":
            np.testing.assert_allclose(mount.matrix, case.link_from_camera.matrix, atol=1e-5, err_msg=name)
            np.testing.assert_allclose(board.matrix, case.base_from_board.matrix, atol=1e-5, err_msg=name)


def test_the_mean_rotation_is_scipys() -> None:
    """``Rotation.mean`` minimises the same chordal distance (Hartley et al. 2013, Rotation averaging, section 5.3)."""
    rng = np.random.default_rng(43)
    turns = [rotation_from_vector(np.array([0.4, -0.3, 1.0]) + rng.normal(0, 0.3, 3)) for _ in range(9)]
    poses = np.tile(np.eye(4), (9, 1, 1))
    poses[:, :3, :3] = turns
    expected = Rotation.from_matrix(np.array(turns)).mean().as_matrix()
    np.testing.assert_allclose(mean_pose(poses).rotation, expected, atol=1e-9)

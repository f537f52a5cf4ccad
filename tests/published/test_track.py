"""The base's track against the outside.

- ``evo`` 1.38 (MichaelGrupp/evo, PyPI): reads our TUM file; its absolute and relative pose errors and its Umeyama
  alignment against what is computed here from the definitions (Umeyama 1991, IEEE PAMI 13(4), eqs. 40-43).
- Pose fusion: the end pose of ``test2`` of the open robot_localization test bags must be met within 0.1383 m. That bag
  is not to be had by a package, so a bag of the same message types (nav_msgs/Odometry with twist at 20 Hz,
  sensor_msgs/Imu at 100 Hz without orientation, on its side, joined by tf_static) is built with ``rosbags`` from an
  analytic drive of 80 s whose end pose is known, and held to the same 0.1383 m and to its own stated error.
- REP-145 and the comments of ``sensor_msgs/Imu``: at rest and level +9.81 on z (recalled from memory).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from benchmarks._track_cases import BAG_ERRORS, ERRORS, ORIGIN, SCENARIOS, analytic_way, draw, smoothed, write_bag
from scipy.stats import chi2

from swardwright.domain.poses import BasePose, wrap_angle
from swardwright.domain.site import Topics
from swardwright.footage import follow
from swardwright.footage.following import Followed
from swardwright.shell.tracking import tum_text

evo_file = pytest.importorskip("evo.tools.file_interface", reason="evo is not installed")
from evo.core import metrics, trajectory  # noqa: E402
from evo.core.geometry import umeyama_alignment  # noqa: E402

END_TOLERANCE_M = 0.1383


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> tuple[Followed, np.ndarray]:
    path = tmp_path_factory.mktemp("bag") / "drive"
    end = write_bag(path, np.random.default_rng(11))
    first = analytic_way(np.zeros(1))[0]
    start = BasePose(*(float(v) for v in first))
    return follow(path, topics=Topics(), start=start, origin=ORIGIN, errors=BAG_ERRORS), end


def test_end_pose_of_a_bag(bag: tuple[Followed, np.ndarray]) -> None:
    followed, end = bag
    s = followed.smoothed
    off = s.track.poses[-1].as_array() - end
    off[2] = wrap_angle(float(off[2]))
    assert np.hypot(*off[:2]) < END_TOLERANCE_M
    assert off @ np.linalg.solve(s.covariances[-1], off) < chi2.ppf(0.99, 3)
    # the stated error itself is of a size that the tolerance tests
    assert 0.01 < np.sqrt(np.trace(s.covariances[-1][:2, :2])) < END_TOLERANCE_M
    assert s.gyro_used
    assert len(followed.stamps_ns) == 801  # 80 s at 10 Hz, both ends
    bias = s.estimate("gyro bias")
    assert bias is not None
    assert abs(bias.value - 0.01) < 4 * bias.sigma  # planted
    assert s.standing.periods_s[0] == pytest.approx([0.0, 5.0], abs=1.0)


def test_the_sensor_on_its_side_is_turned_to_base_axes(bag: tuple[Followed, np.ndarray]) -> None:
    """Its x axis points up: rotated by tf_static, gravity is on z and the base stands level (REP-145)."""
    followed, _ = bag
    assert followed.tilt is not None
    assert followed.tilt.source == "accelerometer"
    # 0.05 m/s2 of noise over 9.81, over some 500 samples: 0.2 mrad
    assert abs(followed.tilt.roll_rad) < 2e-3
    assert abs(followed.tilt.pitch_rad) < 2e-3


def evo_paths(followed: Followed, folder: Path) -> tuple[trajectory.PoseTrajectory3D, trajectory.PoseTrajectory3D]:
    file = folder / "track.tum"
    file.write_text(tum_text(followed))
    ours = evo_file.read_tum_trajectory_file(str(file))
    at = (followed.stamps_ns - followed.stamps_ns[0]) / 1e9
    true = analytic_way(at)
    half = 0.5 * true[:, 2]
    wxyz = np.column_stack([np.cos(half), 0 * half, 0 * half, np.sin(half)])
    xyz = np.column_stack([true[:, :2], 0 * half])
    return ours, trajectory.PoseTrajectory3D(xyz, wxyz, ours.timestamps)


def test_tum_file_is_read_back_by_evo(bag: tuple[Followed, np.ndarray], tmp_path: Path) -> None:
    followed, _ = bag
    ours, _ = evo_paths(followed, tmp_path)
    poses = np.array([p.as_array() for p in followed.smoothed.track.poses])
    assert ours.check()[0]
    np.testing.assert_allclose(ours.positions_xyz[:, :2], poses[:, :2], atol=1e-9)  # as many digits are written
    np.testing.assert_allclose(ours.timestamps, followed.stamps_ns / 1e9, atol=1e-6)  # evo keeps double seconds
    yaw = ours.get_orientations_euler()[:, 2]
    np.testing.assert_allclose(np.sin(yaw - poses[:, 2]), 0.0, atol=1e-9)


def test_pose_errors_agree_with_evo(bag: tuple[Followed, np.ndarray], tmp_path: Path) -> None:
    """Absolute and relative pose error (translation, rotation) against the planar formulas."""
    followed, _ = bag
    ours, true = evo_paths(followed, tmp_path)
    poses = np.array([p.as_array() for p in followed.smoothed.track.poses])
    truth = analytic_way((followed.stamps_ns - followed.stamps_ns[0]) / 1e9)
    ape = metrics.APE(metrics.PoseRelation.translation_part)
    ape.process_data((true, ours))
    off = np.hypot(*(poses - truth)[:, :2].T)
    assert ape.get_statistic(metrics.StatisticsType.rmse) == pytest.approx(np.sqrt(np.mean(off**2)), abs=1e-9)
    turn = metrics.APE(metrics.PoseRelation.rotation_angle_rad)
    turn.process_data((true, ours))
    yaw_off = np.abs([wrap_angle(a) for a in (poses - truth)[:, 2]])
    # evo takes the angle from a rotation matrix: half of the digits near zero
    np.testing.assert_allclose(turn.error, yaw_off, atol=1e-7)
    rpe = metrics.RPE(metrics.PoseRelation.translation_part, delta=10, delta_unit=metrics.Unit.frames, all_pairs=True)
    rpe.process_data((true, ours))
    steps = [
        np.array([b.relative_to(a).as_array() for a, b in zip(way[:-10], way[10:], strict=True)])
        for way in ([BasePose(*map(float, row)) for row in truth], [BasePose(*map(float, row)) for row in poses])
    ]
    # relative pose error: true step's inverse times ours; the length of its translation is that of the difference
    relative = np.hypot(*(steps[1] - steps[0])[:, :2].T)
    assert rpe.get_statistic(metrics.StatisticsType.rmse) == pytest.approx(np.sqrt(np.mean(relative**2)), abs=1e-9)
    # and the smoothed track is better than odometry alone, by evo's own measure
    alone = followed.smoothed.dead_reckoned
    assert ape.get_statistic(metrics.StatisticsType.rmse) < np.sqrt(
        np.mean(np.sum((alone - truth)[:, :2] ** 2, axis=1))
    )


def test_alignment_agrees_with_umeyama_as_evo_has_it() -> None:
    """Least-squares rotation, translation and scale of a plane, closed form with complex numbers, against evo's.

    The best scale of a track on its truth is what a smoother's odometry scale must undo: told / true = 1 + k.
    """
    case = draw(np.random.default_rng([3, 1]), SCENARIOS["odometry with scale"])
    result, _ = smoothed(case, ERRORS)  # a model without the scale: the track is as long as the wheels say
    x = np.array([p.as_array()[:2] for p in result.track.poses])
    y = case.truth[:, :2]
    rotation, translation, scale = umeyama_alignment(
        np.column_stack([x, 0 * x[:, 0]]).T, np.column_stack([y, 0 * x[:, 0]]).T, with_scale=True
    )
    a, b = (v @ [1, 1j] - (v @ [1, 1j]).mean() for v in (x, y))
    best = np.vdot(a, b) / np.vdot(a, a).real
    assert scale == pytest.approx(abs(best), abs=1e-9)
    assert math.atan2(rotation[1, 0], rotation[0, 0]) == pytest.approx(np.angle(best), abs=1e-9)
    moved = y.mean(axis=0) - scale * rotation[:2, :2] @ x.mean(axis=0)
    np.testing.assert_allclose(translation[:2], moved, atol=1e-9)
    # 18 poses along 12 m with 1 cm per root metre: the scale shows to about 1 %
    assert abs(1 / scale - (1 + case.scale)) < 0.015

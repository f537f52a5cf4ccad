from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from little_site import DOWN, digest, in_one_go, small_scenario, work  # type: ignore[import-not-found,unused-ignore]

import swardwright.simulation as simulation
from swardwright.domain.errors import InputError, RobotFaultError, SiteError
from swardwright.domain.poses import BasePose
from swardwright.domain.robot import GoingRobot, TimedWay
from swardwright.shell.site_file import load_site
from swardwright.simulation.drive import BELIEF_SIGMA
from swardwright.simulation.machine import SimulatedRobot

Maker = Callable[..., SimulatedRobot]


def test_call_by_call_in_fresh_robots_gives_the_same_as_in_one_go(tmp_path: Path) -> None:
    site = small_scenario(tmp_path / "b", 7)
    for step in range(6):
        work(SimulatedRobot(tmp_path / "b", site), step)
    assert digest(SimulatedRobot(tmp_path / "b", site)) == in_one_go(tmp_path / "a", 7)


def test_another_process_gives_the_same_and_another_seed_does_not(tmp_path: Path) -> None:
    program = Path(__file__).with_name("little_site.py")
    done = subprocess.run(
        [sys.executable, str(program), str(tmp_path / "other"), "7"], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == in_one_go(tmp_path / "here", 7)
    assert done.stdout.strip() != in_one_go(tmp_path / "seed", 8)


def test_the_truth_file_is_never_read_back(tmp_path: Path) -> None:
    with_truth = in_one_go(tmp_path / "a", 7)
    robot = SimulatedRobot(tmp_path / "b", small_scenario(tmp_path / "b", 7))
    truth = tmp_path / "b" / "simulation" / "truth.json"
    for step in range(6):
        truth.unlink(missing_ok=True)
        work(robot, step)
    truth.write_text("not even JSON")
    assert digest(SimulatedRobot(tmp_path / "b", load_site(tmp_path / "b"))) == with_truth


def test_it_is_a_robot_and_reports_sensibly(make_robot: Maker) -> None:
    robot = make_robot()
    assert isinstance(robot, GoingRobot)
    state = robot.drive_to(BasePose(1.0, 1.0, 0.5))
    assert state.base == BasePose(1.0, 1.0, 0.5)
    assert state.now_s - state.stamp_s < 0.5
    assert state.battery is not None
    assert 0.9 < state.battery < 1
    assert np.array(state.base_covariance).reshape(3, 3).trace() > 0
    truth = robot.true_base()
    assert 0 < math.hypot(truth.x_m - 1.0, truth.y_m - 1.0) < 0.08


def test_the_belief_error_has_the_stated_spread_and_its_own_covariance(make_robot: Maker) -> None:
    robot = make_robot()
    errors = []
    for i in range(120):
        robot.drive_to(BasePose(40.0 * (i % 2), 1.0, 0.0))
        errors.append(robot._state.error)
    ratio = np.std(errors, axis=0) / BELIEF_SIGMA
    assert (ratio > 0.8).all()  # 120 nearly independent draws: 0.8..1.2 is three standard deviations
    assert (ratio < 1.2).all()


def test_the_truth_stays_put_while_the_base_stands(make_robot: Maker) -> None:
    robot = make_robot()
    robot.drive_to(BasePose(1.0, 1.0, 0.0))
    before = robot.true_base()
    robot.move_arm(robot.site.rig.look_joints_rad[0])
    robot.picture()
    assert robot.true_base() == before


def test_faults_are_told_and_change_nothing(make_robot: Maker) -> None:
    robot = make_robot()
    robot.drive_to(BasePose(1.0, 1.0, 0.0))
    for posture in [(0.0,) * 6, (9.0,) * 7, (float("nan"),) * 7, (0.0, 1.9, 0.0, 1.2, 0.0, 0.0, 0.0)]:
        with pytest.raises(RobotFaultError):
            robot.move_arm(posture)
    robot.move_arm(DOWN)
    with pytest.raises(RobotFaultError, match="too low"):
        robot.drive_to(BasePose(2.0, 1.0, 0.0))
    assert robot.state().base == BasePose(1.0, 1.0, 0.0)
    for seconds in (-1.0, float("nan"), 1e12):
        with pytest.raises(InputError):
            robot.wait(seconds)


def test_a_way_is_driven_at_its_own_times(make_robot: Maker) -> None:
    robot = make_robot()
    here, there = np.array(robot.state().joints_rad), np.array(robot.site.rig.look_joints_rad[0])
    time = np.linspace(0.0, 4.0, 81)
    share = np.clip(0.5 - 0.5 * np.cos(np.pi * time / 4.0), 0.0, 1.0)[:, None]
    speed = np.gradient(share[:, 0], time)[:, None] * (there - here)
    way = TimedWay(time, here + share * (there - here), speed)
    before = robot.state()
    after = robot.move_through(way)
    assert np.allclose(after.joints_rad, there)
    assert 4.0 <= after.now_s - before.now_s < 5.0
    assert before.battery is not None
    assert after.battery is not None
    assert after.battery < before.battery
    joints = way.joints_rad
    deep = joints.copy()
    deep[40] = (0.0, 1.9, 0.0, 1.2, 0.0, 0.0, 0.0)  # in the ground half way
    far = joints.copy()
    far[40, 0] = 9.0
    for wrong, word in (
        (replace(way, joints_rad=joints[:, :6]), "one finite angle"), (replace(way, time_s=time[::-1]), "increase"),
        (replace(way, time_s=time * np.nan), "increase"), (way, "where the arm is"),  # it stands at the end now
        (replace(way, joints_rad=joints[::-1], time_s=time / 100.0), "faster"),
        (replace(way, joints_rad=np.concatenate([[there], deep[1:]]), time_s=time * 100.0), "strike the ground"),
        (replace(way, joints_rad=np.concatenate([[there], far[1:]]), time_s=time * 1e4), "limits"),
    ):  # fmt: skip
        with pytest.raises(RobotFaultError, match=word):
            robot.move_through(wrong)
    assert np.allclose(robot.state().joints_rad, there)


def test_a_folder_without_a_world_is_refused(tmp_path: Path) -> None:
    site = small_scenario(tmp_path, 7)
    path = tmp_path / "simulation" / "world.json"
    for text in ("", "[]", '{"seed": 7}', '{"seed": "x"'):
        path.write_text(text)
        with pytest.raises(SiteError):
            simulation.robot(tmp_path, site)
    path.unlink()
    with pytest.raises(SiteError, match=r"no such file"):
        simulation.robot(tmp_path, site)


def test_a_broken_state_is_refused(make_robot: Maker) -> None:
    robot = make_robot()
    robot.state()
    (robot.folder / "state.json").write_text(json.dumps({"clock_s": 1}))
    with pytest.raises(InputError):
        SimulatedRobot(robot.folder.parent, robot.site)


def test_a_kept_turf_picture_gives_the_same_ground(make_robot: Maker) -> None:
    robot = make_robot()
    first = robot.ground().image.copy()
    again = SimulatedRobot(robot.folder.parent, robot.site).ground().image
    assert np.array_equal(first, again)
    (kept,) = robot.folder.glob("turf-*.jpg")
    kept.write_bytes(b"no picture")
    with pytest.raises(InputError, match="not readable"):
        SimulatedRobot(robot.folder.parent, robot.site).ground()


def test_numbers_of_numpy_are_taken_too(make_robot: Maker) -> None:
    robot = make_robot()
    robot.drive_to(BasePose(np.float64(1.0), np.float64(1.0), np.float64(0.0)))
    robot.move_arm(tuple(np.array(DOWN)))
    robot.light(True)
    assert robot.heat(np.float64(0.5)).completed is True
    robot.wait(np.float64(10.0))


def test_writing_the_scenario_again_starts_afresh(tmp_path: Path) -> None:
    simulation.write_scenario(tmp_path, 7)
    assert simulation.robot(tmp_path, load_site(tmp_path)).state().now_s > 0
    assert (tmp_path / "simulation" / "state.json").exists()
    simulation.write_scenario(tmp_path, 7)
    assert not (tmp_path / "simulation" / "state.json").exists()
    assert not list(tmp_path.rglob("*.part"))

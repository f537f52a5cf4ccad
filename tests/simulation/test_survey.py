"""The recording, read back by an independent reader (mcap + mcap-ros2-support) and by OpenCV and pyproj."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from little_site import small_scenario  # type: ignore[import-not-found,unused-ignore]
from scipy import stats

from swardwright.domain.errors import InputError
from swardwright.domain.poses import BasePose
from swardwright.simulation import survey
from swardwright.simulation.drive import drive_course, nominal_course, picture_steps
from swardwright.simulation.machine import SimulatedRobot

Maker = Callable[..., SimulatedRobot]
LANES = (
    (BasePose(-0.3, 0.6, 0.0), BasePose(2.3, 0.6, 0.0)),
    (BasePose(3.3, 1.5, math.pi), BasePose(0.7, 1.5, math.pi)),
)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SimulatedRobot, dict[str, list[Any]], Any]:
    from mcap_ros2.reader import read_ros2_messages

    folder = tmp_path_factory.mktemp("site")
    robot = SimulatedRobot(folder, small_scenario(folder, 7))
    path = folder / "recordings" / "survey.mcap"
    rng = np.random.default_rng([7, 1000, 1])
    robot._state.joints_rad = robot.site.rig.survey_joints_rad
    course = survey.record(robot, LANES, path, rng)
    topics: dict[str, list[Any]] = {}
    for message in read_ros2_messages(str(path)):
        topics.setdefault(message.channel.topic, []).append((message.log_time_ns, message.ros_msg))
    return path, robot, topics, course


def stamp(message: Any) -> int:
    return int(message.header.stamp.sec) * 10**9 + int(message.header.stamp.nanosec)


def test_every_stream_is_there_at_its_rate(recorded: Any) -> None:
    _, _, topics, course = recorded
    seconds = len(course.wanted) * 0.02
    rates = {"/imu/data": 50, "/odom": 25, "/joint_states": 25, "/fix": 5}
    for topic, rate in rates.items():
        assert len(topics[topic]) == pytest.approx(rate * seconds, abs=2)
    assert len(topics["/camera/image/compressed"]) == len(topics["/camera/camera_info"])
    assert len(topics["/camera/image/compressed"]) == pytest.approx(2 * 2.6 / 0.4, abs=3)
    assert stamp(topics["/imu/data"][0][1]) == 1_778_569_200 * 10**9  # 2026-05-12 07:00 UTC


def test_messages_are_in_log_order_and_stamped_before(recorded: Any) -> None:
    path, *_ = recorded
    from mcap.reader import make_reader

    with path.open("rb") as file:
        reader = make_reader(file)
        times = [message.log_time for _, _, message in reader.iter_messages(log_time_order=False)]
        assert reader.get_header().profile == "ros2"
    assert times == sorted(times)


def test_pictures_and_camera(recorded: Any) -> None:
    _, robot, topics, _ = recorded
    _, info = topics["/camera/camera_info"][0]
    assert list(info.k) == pytest.approx(robot.site.rig.camera.matrix.ravel().tolist())
    assert list(info.d) == pytest.approx([-0.12, 0.03, 5e-4, -5e-4, 0.0])
    assert info.distortion_model == "plumb_bob"
    for (_, picture), (_, its_info) in zip(
        topics["/camera/image/compressed"], topics["/camera/camera_info"], strict=True
    ):
        image = cv2.imdecode(np.frombuffer(bytes(picture.data), np.uint8), cv2.IMREAD_COLOR)
        assert image.shape == (info.height, info.width, 3) == (960, 1280, 3)
        assert stamp(picture) == stamp(its_info)
        assert image[..., 1].mean() > image[..., 0].mean()  # green, not blue: the channels are in order


def test_imu_gives_no_orientation_and_gravity(recorded: Any) -> None:
    _, _, topics, course = recorded
    assert all(imu.orientation_covariance[0] == -1 for _, imu in topics["/imu/data"])
    up = np.array([imu.linear_acceleration.z for _, imu in topics["/imu/data"]])
    assert up.mean() == pytest.approx(9.81, abs=0.02)
    gyro = np.array([imu.angular_velocity.z for _, imu in topics["/imu/data"]])
    turned = course.truth[-1, 2] - course.truth[0, 2]
    assert np.sum(gyro) * 0.02 == pytest.approx(turned, abs=0.02)  # 0.004 rad/s white noise over 30 s: 4 mrad


def test_joints_are_the_survey_posture_as_read(recorded: Any) -> None:
    _, robot, topics, _ = recorded
    for _, joints in topics["/joint_states"]:
        assert tuple(joints.name) == robot.site.rig.arm.joint_names
        assert list(joints.position) == pytest.approx(list(robot.site.rig.survey_joints_rad))


def test_fixes_lie_about_the_truth_as_they_state(recorded: Any) -> None:
    """Outside reference for the map projection: pyproj's topocentric conversion."""
    import pyproj

    _, robot, topics, course = recorded
    o = robot.site.origin
    to_ground = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        f"+step +proj=topocentric +ellps=WGS84 +lon_0={o.longitude_deg} +lat_0={o.latitude_deg} +h_0={o.height_m}"
    )
    fixes = [m for _, m in topics["/fix"]]
    east, north, _ = to_ground.transform(
        [f.longitude for f in fixes], [f.latitude for f in fixes], [f.altitude for f in fixes]
    )
    off = np.stack([east, north], 1) - course.truth[::10, :2]
    sigma = math.sqrt(fixes[0].position_covariance[0])
    assert sigma == pytest.approx(robot.site.rig.errors.fix_m)
    low, high = stats.chi2.interval(1 - 1e-4, off.size)
    assert low < float((off**2).sum()) / sigma**2 < high


def test_transforms_make_one_tree_that_puts_the_camera_where_the_arm_says(recorded: Any) -> None:
    _, robot, topics, _ = recorded
    links: dict[str, tuple[str, np.ndarray]] = {}
    for topic in ("/tf_static", "/tf"):
        for _, message in topics[topic]:
            for t in message.transforms:
                q, p = t.transform.rotation, t.transform.translation
                r = cv2.Rodrigues(_vector(q.w, q.x, q.y, q.z))[0]
                matrix = np.eye(4)
                matrix[:3, :3], matrix[:3, 3] = r, (p.x, p.y, p.z)
                links[t.child_frame_id] = (t.header.frame_id, matrix)
    total, link = np.eye(4), "camera_optical"
    while link != "base_link":
        parent, matrix = links[link]
        total, link = matrix @ total, parent
    arm = robot.site.rig.arm
    assert np.abs(total - arm.forward(np.array(robot.site.rig.survey_joints_rad), "camera_optical")).max() < 1e-9
    assert links["base_link"][0] == "odom"


def _vector(w: float, x: float, y: float, z: float) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return Rotation.from_quat([x, y, z, w]).as_rotvec()


def test_odometry_drifts_as_stated(make_robot: Maker) -> None:
    """After 9 m straight ahead: 1 cm per root metre gives 30 mm along; yaw 4 mrad per root metre gives 12 mrad."""
    errors = make_robot().site.rig.errors
    wanted, lane = nominal_course(BasePose(0, 0, 0), ((BasePose(0, 0, 0), BasePose(9, 0, 0)),), 0.5, 0.6)
    ends = []
    for seed in range(150):
        course = drive_course(np.random.default_rng(seed), wanted, lane, errors)
        truth = BasePose(*course.truth[-1]).relative_to(BasePose(*course.truth[0]))
        ends.append(course.odometry[-1] - [truth.x_m, truth.y_m, truth.yaw_rad])
    along, _, yaw = np.array(ends).T
    low, high = stats.chi2.interval(1 - 1e-4, 150)
    assert low < float(np.sum(along**2)) / (errors.odometry_per_m**2 * 9) < high * 1.1  # yaw drift adds a little
    assert low < float(np.sum(yaw**2)) / (errors.yaw_per_m**2 * 9) < high


def test_pictures_only_on_lanes_and_evenly(make_robot: Maker) -> None:
    wanted, lane = nominal_course(BasePose(-1, 0, 0), LANES, 0.5, 0.6)
    course = drive_course(np.random.default_rng(0), wanted, lane, make_robot().site.rig.errors)
    steps = picture_steps(course, 0.4)
    assert all(lane[i] for i in steps)
    gaps = np.diff(course.distance_m[steps])
    assert (np.sort(gaps)[:-1] < 0.42).all()  # one long gap: from lane to lane


def test_a_survey_moves_the_robot_and_time(make_robot: Maker) -> None:
    robot = make_robot()
    before = robot.clock_s
    robot.record_survey(LANES, robot.folder.parent / "r.mcap")
    state = robot.state()
    assert state.base.x_m == pytest.approx(0.7)
    assert 15 < robot.clock_s - before < 60
    with pytest.raises(InputError):
        robot.record_survey((), robot.folder.parent / "s.mcap")


def test_a_survey_that_breaks_off_leaves_no_file(make_robot: Maker, monkeypatch: pytest.MonkeyPatch) -> None:
    robot = make_robot()

    def fail(*_: object) -> bytes:
        raise KeyboardInterrupt

    monkeypatch.setattr(survey, "_shoot", fail)
    path = robot.folder.parent / "recordings" / "broken.mcap"
    with pytest.raises(KeyboardInterrupt):
        robot.record_survey(LANES, path)
    assert list(path.parent.iterdir()) == []


def test_same_seed_same_recording(make_robot: Maker) -> None:
    files = []
    for name in ("a", "b"):
        robot = make_robot(name=name)
        robot.record_survey(LANES[:1], robot.folder.parent / "r.mcap")
        files.append((robot.folder.parent / "r.mcap").read_bytes())
    assert files[0] == files[1]

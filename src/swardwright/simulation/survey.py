"""A survey drive written as a robot log: pictures by distance, joints, gyro, odometry, fixes and transforms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from swardwright.domain.poses import Array, BasePose
from swardwright.simulation.drive import (
    GYRO_BIAS_RAD_S,
    GYRO_SIGMA_RAD_S,
    STEP_S,
    WANDER_M,
    WANDER_TAU_S,
    Course,
    drive_course,
    nominal_course,
    picture_steps,
    smooth_wander,
    stand_first,
)
from swardwright.simulation.ground import Light
from swardwright.simulation.log import RosLog

if TYPE_CHECKING:
    from swardwright.simulation.machine import SimulatedRobot

#: pictures are taken every so many metres along a lane
PICTURE_EVERY_M = 0.4
JPEG_QUALITY = 88
#: height of the fix's antenna above the ground, above base axes
ANTENNA_M = 0.6
_ODOMETRY_EVERY, _JOINTS_EVERY, _FIX_EVERY, _LINKS_EVERY = 2, 2, 10, 10  # steps of 0.02 s
_PICTURE_LATE_NS = 30_000_000


def record(robot: SimulatedRobot, lanes: Sequence[Sequence[BasePose]], path: Path, rng: np.random.Generator) -> Course:
    """Write the recording of a survey and return the course that was driven."""
    site, rig = robot.site, robot.site.rig
    wanted, lane = nominal_course(site.start, lanes, rig.base.speed_m_s, rig.base.turn_rad_s)
    driven = drive_course(rng, wanted, lane, rig.errors)
    course = stand_first(driven)
    shots = set(picture_steps(course, PICTURE_EVERY_M))
    count = len(course.wanted)
    start_ns = round(robot.clock_s * 1e9)
    stamps = [start_ns + round(i * STEP_S * 1e9) for i in range(count)]
    rate = np.gradient(course.truth[:, 2], STEP_S) if count > 1 else np.zeros(count)
    # the stand draws from a stream of its own: how long it is changes nothing of what comes after it
    still, stood = rng.spawn(1)[0], count - len(wanted)
    gyro = rate + GYRO_BIAS_RAD_S * rng.standard_normal()
    gyro = gyro + GYRO_SIGMA_RAD_S * np.append(still.standard_normal(stood), rng.standard_normal(count - stood))
    other = np.concatenate([still.standard_normal((stood, 5)), rng.standard_normal((count - stood, 5))])
    fixes = _fixes(robot, driven, rng, still, stood // _FIX_EVERY)
    daylight = Light.draw(rng, spread=0.7)
    topics = site.topics
    image_topic = topics.image or "/camera/image/compressed"
    info_topic = topics.camera_info or "/camera/camera_info"
    fixed = [(j.parent, j.child, np.asarray(j.origin)) for j in rig.arm.joints if j.kind == "fixed"]
    with RosLog(path) as log:
        log.write("/tf_static", log.transforms(stamps[0], fixed), stamps[0])
        late: list[tuple[int, int, bytes]] = []
        for i, stamp in enumerate(stamps):
            while late and late[0][0] <= stamp:
                _write_picture(log, late.pop(0), robot, image_topic, info_topic)
            motion = np.array([other[i, 3] * 0.002, other[i, 4] * 0.002, gyro[i]])
            push = np.array([0.0, 0.0, 9.81]) + 0.05 * other[i, :3]
            log.write(topics.imu or "/imu/data", log.imu(stamp, motion, GYRO_SIGMA_RAD_S, push), stamp)
            if i % _ODOMETRY_EVERY == 0:
                _write_odometry(log, stamp, course, i, robot)
            if i % _JOINTS_EVERY == 0:
                names, joints = rig.arm.joint_names, rig.survey_joints_rad
                log.write(topics.joints or "/joint_states", log.joint_state(stamp, names, joints), stamp)
            if i % _LINKS_EVERY == 0:
                log.write("/tf", log.transforms(stamp, _links(robot)), stamp)
            if i % _FIX_EVERY == 0:
                latitude, longitude, height = fixes[i // _FIX_EVERY]
                fix = log.fix(stamp, latitude, longitude, height, rig.errors.fix_m)
                log.write(topics.fix or "/fix", fix, stamp)
            if i in shots:
                late.append((stamp + _PICTURE_LATE_NS, stamp, _shoot(robot, course, i, rng, daylight)))
        for picture in late:
            _write_picture(log, picture, robot, image_topic, info_topic)
    return course


def _write_picture(
    log: RosLog, picture: tuple[int, int, bytes], robot: SimulatedRobot, image_topic: str, info_topic: str
) -> None:
    log_ns, stamp, jpeg = picture
    axes = robot.site.rig.camera_link
    log.write(info_topic, log.camera_info(stamp, axes, robot.site.rig.camera), log_ns)
    log.write(image_topic, log.image(stamp, axes, jpeg), log_ns)


def _write_odometry(log: RosLog, stamp: int, course: Course, i: int, robot: SimulatedRobot) -> None:
    errors, root = robot.site.rig.errors, robot.site.rig.arm.root
    pose = course.odometry[i]
    distance, turned = float(course.distance_m[i]), float(course.turned_rad[i])
    drift = errors.odometry_per_m * np.sqrt(distance)
    yaw_drift = np.sqrt(errors.yaw_per_m**2 * distance + errors.yaw_per_rad**2 * turned)
    sigma = np.array(
        [1e-3 + drift + yaw_drift * distance / 2, 1e-3 + drift + yaw_drift * distance / 2, 1e-4 + yaw_drift]
    )
    before = course.odometry[max(i - 1, 0)]
    step = (pose - before) / STEP_S
    c, s = np.cos(pose[2]), np.sin(pose[2])
    twist = np.array([c * step[0] + s * step[1], -s * step[0] + c * step[1], step[2]])
    twist_sigma = (errors.odometry_per_m / np.sqrt(STEP_S) + 1e-4, errors.yaw_per_m / np.sqrt(STEP_S) + 1e-4)
    message = log.odometry(stamp, pose, sigma, twist, root, twist_sigma)
    log.write(robot.site.topics.odometry or "/odom", message, stamp)
    matrix = np.eye(4)
    matrix[:2, :2] = [[c, -s], [s, c]]
    matrix[:2, 3] = pose[:2]
    log.write("/tf", log.transforms(stamp, [("odom", root, matrix)]), stamp)


def _links(robot: SimulatedRobot) -> list[tuple[str, str, Array]]:
    """Return parent, child and transform of every moving joint in survey posture, as the robot reads its joints."""
    arm = robot.site.rig.arm
    joints = np.array(robot.site.rig.survey_joints_rad)
    out = []
    for joint in arm.moving:
        parent, child = arm.forward(joints, joint.parent), arm.forward(joints, joint.child)
        out.append((joint.parent, joint.child, np.linalg.inv(parent) @ child))
    return out


def _fixes(
    robot: SimulatedRobot, driven: Course, rng: np.random.Generator, still: np.random.Generator, stood: int
) -> Array:
    """Return latitude, longitude (degrees), height (m) of every fix, shape (k, 3), ``stood`` of them before the drive.

    While the base stands, the slow wander does too.
    """
    import pymap3d

    origin, sigma = robot.site.origin, robot.site.rig.errors.fix_m
    truth = driven.truth[::_FIX_EVERY]
    wander = smooth_wander(rng, len(driven.truth), np.array([WANDER_M, WANDER_M]), WANDER_TAU_S,
                           WANDER_M * rng.standard_normal(2))[::_FIX_EVERY]  # fmt: skip
    noise = np.concatenate([still.standard_normal((stood, 3)), rng.standard_normal((len(truth), 3))])
    white = np.sqrt(max(sigma**2 - WANDER_M**2, 0.0)) * noise
    place = np.concatenate([np.repeat((truth[:, :2] + wander)[:1], stood, axis=0), truth[:, :2] + wander])
    east, north = (place + white[:, :2]).T
    up = ANTENNA_M + 2 * white[:, 2]
    latitude, longitude, height = pymap3d.enu2geodetic(
        east, north, up, origin.latitude_deg, origin.longitude_deg, origin.height_m
    )
    return np.stack([latitude, longitude, height], 1)


def _shoot(robot: SimulatedRobot, course: Course, i: int, rng: np.random.Generator, daylight: Light) -> bytes:
    """Return the JPEG of one picture: true base, its own tilt, ground height and joint errors."""
    errors, rig = robot.site.rig.errors, robot.site.rig
    roll, pitch = rng.normal(0, errors.tilt_rad, 2)
    height = float(rng.normal(0, errors.ground_m))
    joints = np.array(rig.survey_joints_rad) + rng.normal(0, errors.joint_rad, len(rig.survey_joints_rad))
    ahead = rig.base.speed_m_s * rig.camera.fy_px / robot.site.camera_height_m * float(rng.uniform(0.5e-3, 3e-3))
    light = replace(
        daylight, exposure=daylight.exposure * float(np.exp(rng.normal(0, 0.03))),
        blur_px=float(rng.uniform(0.3, 0.75)), motion_px=(float(rng.normal(0, 0.2)), float(ahead)),
    )  # fmt: skip
    x, y, yaw = course.truth[i]
    image, _ = robot.view(BasePose(x, y, yaw), (float(roll), float(pitch)), height, joints, rng, light)
    ok, jpeg = cv2.imencode(".jpg", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not ok:
        raise RuntimeError("a picture could not be encoded")
    return bytes(jpeg.tobytes())

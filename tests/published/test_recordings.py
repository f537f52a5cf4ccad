"""Recordings against things that this project did not make.

* a robot's bag over real photographs, written by other code (``shared/recordings/soil-lane`` beside the checkout);
* WGS84 to local east-north-up against PROJ (``pyproj``), the geodetic library of the OSGeo foundation;
* MCAP contents against the independent reader ``mcap`` with ``mcap_ros2``;
* gyro conventions of REP-145 / sensor_msgs/Imu: covariance[0] = -1 means absent, all zeros means unknown.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.poses import BasePose
from swardwright.domain.site import ErrorSources, Origin, Topics
from swardwright.footage import pictures, read
from swardwright.footage.streams import Timed
from swardwright.footage.track import local_fixes
from swardwright.frames import choose_frames

LANE = Path(__file__).resolve().parents[3] / "shared" / "recordings" / "soil-lane"
needs_lane = pytest.mark.skipif(not LANE.is_dir(), reason="the recording soil-lane is not beside this checkout")
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=0.005, mount_m=0.003, joint_rad=0.001, tilt_rad=0.004, ground_m=0.006,
    start_m=0.01, start_rad=0.0087, odometry_per_m=0.01, yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012,
)  # fmt: skip


@pytest.fixture(scope="module")
def lane():
    facts = json.loads((LANE / "facts.json").read_text())
    arm = arm_from_urdf((LANE / "robot.urdf").read_text())
    return read(
        LANE / "survey", topics=Topics(), joint_names=arm.joint_names, start=BasePose(*facts["start_pose"]),
        origin=Origin(50.0, 8.0, 100.0), errors=ERRORS, pose_age_s=0.1, camera=None,
    )  # fmt: skip


@needs_lane
def test_soil_lane_is_taken_in_whole(lane):
    assert lane.pictures_found == len(lane.frames) == 65
    assert lane.left_out == ()  # its gyro, which carries no orientation, is used
    assert {f.size_px for f in lane.frames} == {(1280, 720)}
    assert (lane.camera.width_px, lane.camera.height_px, lane.camera.fx_px) == (1280, 720, 820.0)
    for _, image in pictures(LANE / "survey", [lane.frames[0], lane.frames[-1]]):
        assert image.shape == (720, 1280, 3)
        assert image.std() > 10


@needs_lane
def test_soil_lane_base_poses_against_its_truth(lane):
    """Its wheels count 1.6 % too far, a scale error that no fix takes out: centimetres over a 4.6 m lane remain."""
    truth = json.loads((LANE / "truth.json").read_text())
    off = np.array([f.base.as_array() for f in lane.frames]) - [row["base"] for row in truth["frames"]]
    off[:, 2] = (off[:, 2] + math.pi) % (2 * math.pi) - math.pi
    rms = np.sqrt((off**2).mean(axis=0))
    print(f"soil-lane base poses: rms {1000 * rms[0]:.0f} mm, {1000 * rms[1]:.0f} mm, {math.degrees(rms[2]):.2f} deg")
    assert np.hypot(*rms[:2]) < 0.06
    assert rms[2] < math.radians(1.0)
    joints = np.array([f.joints_rad for f in lane.frames])
    assert np.abs(joints - truth["joints"]).max() < 0.003
    assert [f.stamp_ns / 1e9 for f in lane.frames] == pytest.approx([r["t"] for r in truth["frames"]], abs=1e-3)


@needs_lane
def test_soil_lane_streams_against_an_independent_reader(lane):
    from mcap.reader import make_reader
    from mcap_ros2.decoder import DecoderFactory

    from swardwright.footage.robot_log import RobotLog
    from swardwright.footage.streams import Wanted

    arm = arm_from_urdf((LANE / "robot.urdf").read_text())
    streams = RobotLog(LANE / "survey").streams(Wanted(Topics(), arm.joint_names, None, 0.1, True, None))
    odometry, joints, rates = [], [], []
    with next((LANE / "survey").glob("*.mcap")).open("rb") as stream:
        reader = make_reader(stream, decoder_factories=[DecoderFactory()])
        for _, channel, _, message in reader.iter_decoded_messages(topics=["/odom", "/joint_states", "/imu/data"]):
            stamp = message.header.stamp.sec * 10**9 + message.header.stamp.nanosec
            if channel.topic == "/odom":
                odometry.append((stamp, message.pose.pose.position.x, message.pose.pose.position.y))
            elif channel.topic == "/joint_states":
                joints.append(dict(zip(message.name, message.position, strict=True)))
            else:
                rates.append(message.angular_velocity.z)
    assert streams.odometry is not None
    assert streams.joints is not None
    assert streams.gyro is not None
    assert [row[0] for row in odometry] == streams.odometry.stamps_ns.tolist()
    np.testing.assert_array_equal([row[1:] for row in odometry], streams.odometry.values[:, :2])
    np.testing.assert_array_equal([[row[n] for n in arm.joint_names] for row in joints], streams.joints.values)
    np.testing.assert_array_equal(rates, streams.gyro.values[:, 0])


@needs_lane
def test_soil_lane_frames_kept_see_the_lane_twice(lane):
    import types

    arm = arm_from_urdf((LANE / "robot.urdf").read_text())
    rig = types.SimpleNamespace(arm=arm, camera=lane.camera, camera_link="camera_optical")
    kept = choose_frames(lane, rig)
    assert 20 <= len(kept.frames) <= 65
    assert kept.track.frame_ids == tuple(f.id for f in kept.frames)


@pytest.mark.parametrize(
    "origin", [Origin(48.1372, 11.5755, 520.0), Origin(-33.9, 151.2, 20.0), Origin(0.5, -179.9999, 0)]
)
def test_fixes_on_the_ground_against_proj(origin):
    pyproj = pytest.importorskip("pyproj")
    rng = np.random.default_rng(0)
    lat = origin.latitude_deg + rng.uniform(-2e-3, 2e-3, 20)
    lon = origin.longitude_deg + rng.uniform(-2e-3, 2e-3, 20)
    height = origin.height_m + rng.uniform(-5, 5, 20)
    rows = np.column_stack([lat, lon, height, np.full((20, 3), np.nan)])
    ours = local_fixes(Timed(np.arange(20) * 10**9, rows), origin, 0, 0.02, "test")
    line = (
        "+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        f"+lat_0={origin.latitude_deg} +lon_0={origin.longitude_deg} +h_0={origin.height_m}"
    )
    proj = pyproj.Transformer.from_pipeline(line)
    east, north, _ = proj.transform(lon, lat, height, radians=False)
    np.testing.assert_allclose(ours.places_m, np.column_stack([east, north]), atol=1e-6)
    np.testing.assert_allclose(ours.covariances_m2, np.repeat(4e-4 * np.eye(2)[None], 20, axis=0))

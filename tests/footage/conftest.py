"""Small robot logs, written with an independent library, whose truth is known because it is written here."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.poses import BasePose
from swardwright.domain.site import ErrorSources, Origin, Topics
from swardwright.footage import read

ZERO = 1_700_000_000.0
NAMES = ("a", "b")
SIZE = (64, 48)
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=0.005, mount_m=0.003, joint_rad=0.001, tilt_rad=0.004, ground_m=0.006,
    start_m=0.01, start_rad=0.0087, odometry_per_m=0.01, yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012,
)  # fmt: skip


def texture(number: int, size: tuple[int, int] = SIZE) -> np.ndarray:
    """A picture that differs from every other one (red-green-blue)."""
    return np.random.default_rng(number).integers(0, 255, (size[1], size[0], 3), dtype=np.uint8)


@dataclass
class Log:
    """A drive of ``seconds`` at 0.5 m/s straight on, odometry at 20 Hz, joints at 50 Hz, a picture a second."""

    seconds: float = 4.0
    joint_names: tuple[str, ...] = ("b", "x", "a")  # another order than asked for, and one more
    size: tuple[int, int] = SIZE
    info_size: tuple[int, int] | None = None
    focal: float = 50.0
    with_info: bool = True
    with_joints: bool = True
    with_odometry: bool = True
    with_pictures: bool = True
    compressed: bool = True
    encoding: str = "rgb8"
    second_camera: bool = False
    picture_offset_s: float = 0.0
    odometry_until_s: float = 1e9
    odometry_nan_at: int = -1
    odometry_back_at: int = -1
    joint_nan_at: int = -1
    late_s: float = 0.0  # how much later than its stamp a picture is received
    broken_picture: int = -1
    with_gyro: bool = False
    imu_axes: str = "base_link"
    fixes: bool = False
    fix_status: int = 0
    start_odometry: tuple[float, float, float] = (0.0, 0.0, 0.0)
    extra: list[tuple[str, str, float, Any]] = field(default_factory=list)

    def messages(self, types: Any, ros1: bool) -> list[tuple[str, str, float, Any]]:
        t, out = types.types, list(self.extra)

        def header(stamp: float, axes: str = "base_link") -> Any:
            ns = round((ZERO + stamp) * 1e9)
            time = t["builtin_interfaces/msg/Time"](ns // 1_000_000_000, ns % 1_000_000_000)
            extra = (0,) if ros1 else ()
            return t["std_msgs/msg/Header"](*extra, stamp=time, frame_id=axes)

        def pose(x: float, y: float, yaw: float) -> Any:
            q = t["geometry_msgs/msg/Quaternion"](0.0, 0.0, math.sin(yaw / 2), math.cos(yaw / 2))
            return t["geometry_msgs/msg/Pose"](t["geometry_msgs/msg/Point"](x, y, 0.0), q)

        x0, y0, a0 = self.start_odometry
        for i in range(round(self.seconds * 20) + 1 if self.with_odometry else 0):
            stamp = i / 20
            if stamp > self.odometry_until_s:
                break
            way = math.nan if i == self.odometry_nan_at else 0.5 * stamp
            told = stamp - 1.0 if i == self.odometry_back_at else stamp
            at = pose(x0 + math.cos(a0) * way, y0 + math.sin(a0) * way, a0)
            cov = np.zeros(36)
            v3 = t["geometry_msgs/msg/Vector3"]
            twist = t["geometry_msgs/msg/Twist"](v3(0.5, 0.0, 0.0), v3(0.0, 0.0, 0.0))
            out.append(("/odom", "nav_msgs/msg/Odometry", stamp, t["nav_msgs/msg/Odometry"](
                header(told), "base_link", t["geometry_msgs/msg/PoseWithCovariance"](at, cov),
                t["geometry_msgs/msg/TwistWithCovariance"](twist, cov))))  # fmt: skip
        for i in range(round(self.seconds * 50) + 1 if self.with_joints else 0):
            stamp = i / 50
            values = {"a": stamp, "b": -stamp, "x": 9.0}  # joint a moves at 1 rad/s
            if i == self.joint_nan_at:
                values["a"] = math.nan
            position = np.array([values.get(n, 0.0) for n in self.joint_names])
            out.append(("/joints", "sensor_msgs/msg/JointState", stamp, t["sensor_msgs/msg/JointState"](
                header(stamp), list(self.joint_names), position, np.zeros(0), np.zeros(0))))  # fmt: skip
        for i in range(round(self.seconds * 50) + 1 if self.with_gyro else 0):
            q, v3 = t["geometry_msgs/msg/Quaternion"](0.0, 0.0, 0.0, 1.0), t["geometry_msgs/msg/Vector3"]
            none = np.array([-1.0, *[0.0] * 8])
            out.append(("/imu", "sensor_msgs/msg/Imu", i / 50, t["sensor_msgs/msg/Imu"](
                header(i / 50, self.imu_axes), q, none, v3(0.0, 0.0, 0.01), np.zeros(9), v3(0.0, 0.0, 9.8),
                np.zeros(9))))  # fmt: skip
        for number in range(int(self.seconds) if self.with_pictures else 0):
            stamp = number + 0.333 + self.picture_offset_s
            image = texture(number, self.size)
            for topic in ("/camera", *(("/camera2",) if self.second_camera else ())):
                if self.compressed:
                    ok, data = cv2.imencode(".png", image[..., ::-1])
                    assert ok
                    data = data.ravel()[: 200 if number == self.broken_picture else None]
                    kind = "sensor_msgs/msg/CompressedImage"
                    message = t[kind](header(stamp, "camera"), "png", data)
                else:
                    kind = "sensor_msgs/msg/Image"
                    shown = {"rgb8": image, "bgr8": image[..., ::-1], "mono8": image[..., 0]}.get(self.encoding, image)
                    shown = np.ascontiguousarray(shown)
                    message = t[kind](header(stamp, "camera"), self.size[1], self.size[0], self.encoding, 0,
                                      shown.strides[0], shown.ravel())  # fmt: skip
                out.append((topic, kind, stamp + self.late_s, message))
        if self.with_info:
            w, h = self.info_size or self.size
            roi = t["sensor_msgs/msg/RegionOfInterest"](0, 0, 0, 0, False)
            k = np.array([self.focal, 0, w / 2, 0, self.focal, h / 2, 0, 0, 1.0])
            out.append(("/info", "sensor_msgs/msg/CameraInfo", 0.0, t["sensor_msgs/msg/CameraInfo"](
                header(0.0), h, w, "plumb_bob", np.zeros(5), k, np.eye(3).ravel(), np.zeros(12), 0, 0, roi,
            )))  # fmt: skip
        for i in range(round(self.seconds * 5) + 1 if self.fixes else 0):
            status = t["sensor_msgs/msg/NavSatStatus"](self.fix_status, 1)
            # 1e-5 deg of longitude at the equator: 1.1131949 m (WGS84 a * pi / 180 * 1e-5)
            noise = 0.01 * np.random.default_rng(i).standard_normal(2) / 111319.49079327358  # as its covariance says
            away = 0.5 * (i / 5) / 111319.49079327358 + noise[0]
            out.append(("/fix", "sensor_msgs/msg/NavSatFix", i / 5, t["sensor_msgs/msg/NavSatFix"](
                header(i / 5), status, noise[1], away, 0.0, np.diag([1e-4, 1e-4, 4e-4]).ravel(), 2)))  # fmt: skip
        return sorted(out, key=lambda row: row[2])


def write_log(path: Path, log: Log, kind: str = "mcap") -> Path:
    """Write ``log`` as ``mcap`` (one file), ``mcap folder``, ``sqlite3`` (folder) or ``ros1``."""
    from rosbags.rosbag1 import Writer as Writer1
    from rosbags.rosbag2 import StoragePlugin
    from rosbags.rosbag2 import Writer as Writer2
    from rosbags.typesys import Stores, get_typestore

    ros1 = kind == "ros1"
    types = get_typestore(Stores.ROS1_NOETIC if ros1 else Stores.ROS2_HUMBLE)
    if ros1:
        writer: Any = Writer1(path.with_suffix(".bag"))
    else:
        plugin = StoragePlugin.SQLITE3 if kind == "sqlite3" else StoragePlugin.MCAP
        writer = Writer2(path, version=9, storage_plugin=plugin)
    with writer:
        connections: dict[str, Any] = {}
        for topic, name, stamp, message in log.messages(types, ros1):
            if topic not in connections:
                connections[topic] = writer.add_connection(topic, name, typestore=types)
            data = types.serialize_ros1(message, name) if ros1 else types.serialize_cdr(message, name)
            writer.write(connections[topic], round((ZERO + stamp) * 1e9), data)
    if ros1:
        return path.with_suffix(".bag")
    if kind == "mcap":
        file = path.parent / f"{path.name}-one.mcap"
        next(path.glob("*.mcap")).rename(file)
        return file
    return path


def camera(size: tuple[int, int] = SIZE) -> Camera:
    return Camera(*size, 50.0, 50.0, size[0] / 2, size[1] / 2, np.zeros(5), np.zeros((4, 4)))


def take_in(path: Path, **changes: Any) -> Any:
    given: dict[str, Any] = {
        "topics": Topics(), "joint_names": NAMES, "start": BasePose(2.0, 3.0, math.pi / 2),
        "origin": Origin(0.0, 0.0, 0.0), "errors": ERRORS, "pose_age_s": 0.1, "camera": camera(),
    }  # fmt: skip
    return read(path, **(given | changes))


class Kit:
    """What tests of footage share."""

    Log, NAMES, SIZE, ERRORS, ZERO = Log, NAMES, SIZE, ERRORS, ZERO
    write_log, camera, take_in, texture = (staticmethod(f) for f in (write_log, camera, take_in, texture))


@pytest.fixture(scope="session")
def kit() -> type[Kit]:
    return Kit

"""An MCAP recording with standard ROS 2 messages (CDR), readable by any ROS tool: message definitions go with it.

File format: MCAP specification, profile ``ros2``; messages: ``sensor_msgs``, ``nav_msgs``, ``tf2_msgs`` (Humble).
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from mcap.writer import CompressionType, Writer
from rosbags.typesys import Stores, get_typestore

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, quaternion_from_rotation


class RosLog:
    """Writes messages to ``path``; the file appears under its name only when everything was written."""

    def __init__(self, path: Path, *, library: str = "swardwright simulation") -> None:
        self.path = path
        self._part = path.with_name(path.name + ".part")
        self._store = get_typestore(Stores.ROS2_HUMBLE)
        self._channels: dict[str, tuple[int, str]] = {}
        self._schemas: dict[str, int] = {}
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = self._part.open("wb")
        self._writer = Writer(self._file, chunk_size=4 << 20, compression=CompressionType.NONE)
        self._writer.start(profile="ros2", library=library)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._writer.finish()
        self._file.close()
        if kind is None:
            os.replace(self._part, self.path)
        else:
            self._part.unlink(missing_ok=True)

    def write(self, topic: str, message: Any, log_ns: int) -> None:
        """Write one message of ``message``'s type."""
        name = str(message.__msgtype__)
        if topic not in self._channels:
            if name not in self._schemas:
                text, _ = self._store.generate_msgdef(name, ros_version=2)
                self._schemas[name] = self._writer.register_schema(name, "ros2msg", text.encode())
            channel = self._writer.register_channel(topic, "cdr", self._schemas[name])
            self._channels[topic] = (channel, name)
        data = bytes(self._store.serialize_cdr(message, name))
        self._writer.add_message(self._channels[topic][0], log_ns, data, log_ns)

    # --- messages ---------------------------------------------------------------------------------------------

    def _make(self, kind: str, /, **fields: Any) -> Any:
        return self._store.types[kind](**fields)

    def _header(self, stamp_ns: int, axes: str) -> Any:
        stamp = self._make("builtin_interfaces/msg/Time", sec=stamp_ns // 10**9, nanosec=stamp_ns % 10**9)
        return self._make("std_msgs/msg/Header", stamp=stamp, frame_id=axes)

    def _vector(self, values: Sequence[float] | Array) -> Any:
        x, y, z = (float(v) for v in values)
        return self._make("geometry_msgs/msg/Vector3", x=x, y=y, z=z)

    def _quaternion(self, rotation: Array) -> Any:
        w, x, y, z = (float(v) for v in quaternion_from_rotation(rotation))
        return self._make("geometry_msgs/msg/Quaternion", x=x, y=y, z=z, w=w)

    def image(self, stamp_ns: int, axes: str, jpeg: bytes) -> Any:
        """Return a CompressedImage."""
        return self._make("sensor_msgs/msg/CompressedImage", header=self._header(stamp_ns, axes), format="jpeg",
                          data=np.frombuffer(jpeg, np.uint8))  # fmt: skip

    def camera_info(self, stamp_ns: int, axes: str, camera: Camera) -> Any:
        """Return the CameraInfo of a camera without rectification."""
        roi = self._make(
            "sensor_msgs/msg/RegionOfInterest", x_offset=0, y_offset=0, height=0, width=0, do_rectify=False
        )
        rational = bool(np.any(camera.distortion[5:] != 0))
        return self._make(
            "sensor_msgs/msg/CameraInfo", header=self._header(stamp_ns, axes), height=camera.height_px,
            width=camera.width_px, distortion_model="rational_polynomial" if rational else "plumb_bob",
            d=np.array(camera.distortion[: 8 if rational else 5]), k=camera.matrix.ravel(), r=np.eye(3).ravel(),
            p=np.hstack([camera.matrix, np.zeros((3, 1))]).ravel(), binning_x=0, binning_y=0, roi=roi,
        )  # fmt: skip

    def joint_state(self, stamp_ns: int, names: Sequence[str], positions_rad: Sequence[float]) -> Any:
        """Return a JointState with positions only."""
        none = np.zeros(0)
        return self._make("sensor_msgs/msg/JointState", header=self._header(stamp_ns, "base_link"), name=list(names),
                          position=np.array(positions_rad, dtype=float), velocity=none, effort=none)  # fmt: skip

    def imu(self, stamp_ns: int, gyro_rad_s: Array, gyro_sigma: float, acceleration_m_s2: Array) -> Any:
        """Return an Imu that gives no orientation (first covariance element -1, as the message defines)."""
        unknown = np.zeros(9)
        unknown[0] = -1.0
        still = self._make("geometry_msgs/msg/Quaternion", x=0.0, y=0.0, z=0.0, w=1.0)
        return self._make(
            "sensor_msgs/msg/Imu", header=self._header(stamp_ns, "base_link"), orientation=still,
            orientation_covariance=unknown, angular_velocity=self._vector(gyro_rad_s),
            angular_velocity_covariance=(gyro_sigma**2 * np.eye(3)).ravel(),
            linear_acceleration=self._vector(acceleration_m_s2),
            linear_acceleration_covariance=(0.05**2 * np.eye(3)).ravel(),
        )  # fmt: skip

    def odometry(
        self, stamp_ns: int, pose: Array, sigma: Array, twist: Array, root: str, twist_sigma: tuple[float, float]
    ) -> Any:
        """Return an Odometry: ``pose`` and ``sigma`` (x m, y m, yaw rad) in odom axes, ``twist`` (m/s, m/s, rad/s)."""
        spread = np.full(6, 1e-6)
        spread[[0, 1, 5]] = np.square(sigma)
        speed_spread = np.full(6, 1e-6)
        speed_spread[[0, 1, 5]] = np.square([twist_sigma[0], twist_sigma[0], twist_sigma[1]])
        point = self._make("geometry_msgs/msg/Point", x=float(pose[0]), y=float(pose[1]), z=0.0)
        body = self._make("geometry_msgs/msg/Pose", position=point, orientation=self._quaternion(_turn(float(pose[2]))))
        motion = self._make("geometry_msgs/msg/Twist", linear=self._vector((twist[0], twist[1], 0.0)),
                            angular=self._vector((0.0, 0.0, twist[2])))  # fmt: skip
        return self._make(
            "nav_msgs/msg/Odometry", header=self._header(stamp_ns, "odom"), child_frame_id=root,
            pose=self._make("geometry_msgs/msg/PoseWithCovariance", pose=body, covariance=np.diag(spread).ravel()),
            twist=self._make("geometry_msgs/msg/TwistWithCovariance", twist=motion,
                             covariance=np.diag(speed_spread).ravel()),
        )  # fmt: skip

    def fix(self, stamp_ns: int, latitude_deg: float, longitude_deg: float, height_m: float, sigma_m: float) -> Any:
        """Return a NavSatFix with the same sigma east and north and twice that up."""
        status = self._make("sensor_msgs/msg/NavSatStatus", status=2, service=1)
        covariance = np.diag([sigma_m**2, sigma_m**2, 4 * sigma_m**2]).ravel()
        return self._make(
            "sensor_msgs/msg/NavSatFix", header=self._header(stamp_ns, "base_link"), status=status,
            latitude=latitude_deg, longitude=longitude_deg, altitude=height_m, position_covariance=covariance,
            position_covariance_type=2,
        )  # fmt: skip

    def transforms(self, stamp_ns: int, links: Sequence[tuple[str, str, Array]]) -> Any:
        """Return a TFMessage of ``(parent, child, 4 x 4 parent_from_child)``."""
        rows = []
        for parent, child, matrix in links:
            transform = self._make("geometry_msgs/msg/Transform", translation=self._vector(matrix[:3, 3]),
                                   rotation=self._quaternion(matrix[:3, :3]))  # fmt: skip
            rows.append(self._make("geometry_msgs/msg/TransformStamped", header=self._header(stamp_ns, parent),
                                   child_frame_id=child, transform=transform))  # fmt: skip
        return self._make("tf2_msgs/msg/TFMessage", transforms=rows)


def _turn(yaw_rad: float) -> Array:
    c, s = math.cos(yaw_rad), math.sin(yaw_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

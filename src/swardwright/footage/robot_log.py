"""Robot logs to streams: pictures, camera, joints, odometry, gyro and position fixes of standard messages."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError, RecordingError
from swardwright.domain.frame import Frame
from swardwright.footage.bag import Bag, Stream, find_topic, sole_topic
from swardwright.footage.clock import timed
from swardwright.footage.imu import ROW, imu_row, in_base_axes, rotation_between, static_links
from swardwright.footage.motion import followed
from swardwright.footage.picture import (
    UnreadablePictureError,
    compressed_size,
    decode_or_tell,
    decode_raw,
    image_sharpness,
    sharpness,
)
from swardwright.footage.streams import MAX_PICTURES, Image, RawPicture, Streams, Wanted

COMPRESSED = "sensor_msgs/msg/CompressedImage"
RAW = "sensor_msgs/msg/Image"
INFO = "sensor_msgs/msg/CameraInfo"
JOINTS = "sensor_msgs/msg/JointState"
ODOMETRY = "nav_msgs/msg/Odometry"
IMU = "sensor_msgs/msg/Imu"
FIX = "sensor_msgs/msg/NavSatFix"
POSE = "geometry_msgs/msg/PoseStamped"
TRANSFORM = "geometry_msgs/msg/TransformStamped"
TRANSFORMS = "tf2_msgs/msg/TFMessage"
POSE_KINDS = (ODOMETRY, POSE, TRANSFORM, TRANSFORMS)

NO_PICTURES = "the recording has no pictures: only its poses are taken in"

_REMEDIES = {
    "camera_info": "record the CameraInfo stream, or put the camera's calibration into the site's camera file",
    "joints": "record the JointState stream of the arm",
    "odometry": "record the Odometry stream of the base, or take its pictures in as a folder, for teaching only",
}


def _stamp(message: Any) -> int:
    return int(message.header.stamp.sec) * 1_000_000_000 + int(message.header.stamp.nanosec)


def camera_from_info(message: Any, where: str) -> Camera:
    """Return the camera of a ``CameraInfo`` message (of ROS 1 or 2), without a covariance of the estimate.

    Raises
    ------
    RecordingError
        If K is missing (K[0] = 0, which the message's definition uses for "uncalibrated"), not finite, or the lens
        model is another than ``plumb_bob`` or ``rational_polynomial``.
    """
    k = np.asarray(message.k if hasattr(message, "k") else message.K, dtype=float)
    d = np.asarray(message.d if hasattr(message, "d") else message.D, dtype=float)
    model = str(message.distortion_model)
    if model not in ("plumb_bob", "rational_polynomial", ""):
        raise RecordingError("this lens model is not supported", where=where, field="distortion_model", value=model,
                             limit="plumb_bob or rational_polynomial",
                             remedy="calibrate the camera with one of these models")  # fmt: skip
    try:
        fx, fy, cx, cy = (float(v) for v in k[[0, 4, 2, 5]])
        return Camera(int(message.width), int(message.height), fx, fy, cx, cy, d, np.zeros((4, 4)))
    except InputError as error:
        raise RecordingError(error.what, where=where, field=error.field, value=error.value, limit=error.limit,
                             remedy=error.remedy or _REMEDIES["camera_info"]) from error  # fmt: skip


class RobotLog:
    """A recording made by a robot. See ``streams.Source``."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def streams(self, wanted: Wanted) -> Streams:
        """Take the log apart; see ``streams.Source.streams``."""
        with Bag(self.path) as bag:
            return _Reading(bag, wanted).run()

    def pictures(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Image]]:
        """Yield the frames' pictures in the order of the log."""
        yield from ((frame, load()) for frame, load in self.coded(frames))

    def coded(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Callable[[], Image]]]:
        """Yield the frames in the order of the log, with what makes the picture of each."""
        asked = {(f.picture, f.stamp_ns): f for f in frames}
        if not asked:
            return
        with Bag(self.path) as bag:
            for topic, kind, message in bag.messages({f.picture for f in frames}):
                frame = asked.pop((topic, _stamp(message)), None)
                if frame is None:
                    continue
                yield frame, self._maker(frame, topic, kind, message)
                if not asked:
                    return
        missing = next(iter(asked.values()))
        raise RecordingError("a picture taken in earlier is no longer in the recording", where=self.path.name,
                             field=missing.id, remedy="take the recording in again")  # fmt: skip

    def _maker(self, frame: Frame, topic: str, kind: str, message: Any) -> Callable[[], Image]:
        if kind == COMPRESSED:
            data = np.asarray(message.data, np.uint8).tobytes()
            return partial(decode_or_tell, data, False, self.path.name, frame.id, "take the recording in again")
        return _raw_maker(message, f"{self.path.name}: {topic}")


def _raw_maker(message: Any, where: str) -> Callable[[], Image]:
    data = np.asarray(message.data, np.uint8)
    size = int(message.width), int(message.height), int(message.step)
    return partial(decode_raw, str(message.encoding), *size, data, where)


class _Reading:
    """One pass over a log."""

    def __init__(self, bag: Bag, wanted: Wanted) -> None:
        self.bag, self.wanted, self.out = bag, wanted, Streams()
        self.where = bag.where
        self.info: Any = None
        self.rows: dict[str, tuple[list[int], list[Sequence[float]]]] = {}
        self.joint_columns: dict[tuple[str, ...], list[int] | None] = {}
        self.joint_names_seen: set[str] = set()
        self.imu_axes = self.base_axes = ""

    def run(self) -> Streams:
        """Read everything in one pass and check that what is needed was there."""
        streams, topics = self.bag.streams(), self.wanted.topics
        image = find_topic(streams, topics.image, (COMPRESSED, RAW), "image", self.where)
        if image is None or not self.wanted.pictures:
            return self._poses_only(streams, image)
        info = find_topic(streams, topics.camera_info, (INFO,), "camera_info", self.where)
        joints = find_topic(streams, topics.joints, (JOINTS,), "joints", self.where)
        odometry = find_topic(streams, topics.odometry, (ODOMETRY,), "odometry", self.where)
        imu = find_topic(streams, topics.imu, (IMU,), "imu", self.where)
        fix = find_topic(streams, topics.fix, (FIX,), "fix", self.where)
        if info is None and self.wanted.camera is None:
            raise self._lacks("camera_info", "the recording says nothing about its camera")
        if joints is None and self.wanted.joint_names:
            raise self._lacks("joints", "the recording has no joint positions")
        if odometry is None:
            raise self._lacks("odometry", "the recording has no odometry")
        handlers: dict[str, Callable[[str, Any], None]] = {image: self._picture, odometry: self._odometry}
        if info is not None:
            self._camera(info)
        if joints is not None and self.wanted.joint_names:
            handlers[joints] = self._joints
        if imu is not None:
            handlers[imu] = self._imu
        if fix is not None:
            handlers[fix] = self._fix
        self._pass(streams, handlers)
        self._finish(joints, odometry, imu, fix)
        return self.out

    def _pass(self, streams: Sequence[Stream], handlers: dict[str, Callable[[str, Any], None]]) -> None:
        total = sum(s.count for s in streams if s.topic in handlers)
        for done, (topic, _, message) in enumerate(self.bag.messages(set(handlers)), start=1):
            handlers[topic](topic, message)
            if self.wanted.progress is not None and (done % 200 == 0 or done == total):
                self.wanted.progress(done, total)

    def _lacks(self, field: str, what: str) -> RecordingError:
        return RecordingError(what, where=self.where, field=f"topics.{field}", remedy=_REMEDIES[field])

    def _camera(self, topic: str) -> None:
        """Read the first CameraInfo and hold it against the camera file."""
        where, given = f"{self.where}: {topic}", self.wanted.camera
        message = next((m for _, _, m in self.bag.messages({topic})), None)
        if message is None:
            raise RecordingError("the recording is damaged: a stream has fewer messages than its index says",
                                 where=where, remedy="copy it again from the robot")  # fmt: skip
        width, height = int(message.width), int(message.height)
        if given is None:
            self.out.camera = camera_from_info(message, where)
            return
        if (width or height) and (width, height) != (given.width_px, given.height_px):
            raise RecordingError("the recorded camera has another size than the camera file", where=where,
                                 field="width x height", value=f"{width} x {height}",
                                 limit=f"{given.width_px} x {given.height_px}",
                                 remedy=given.size_remedy((width, height)))  # fmt: skip
        try:
            self.out.camera = camera_from_info(message, where)
        except RecordingError:
            self.out.camera = None  # the camera file is used; what was recorded is no calibration

    def _row(self, topic: str, stamp: int, values: Sequence[float]) -> None:
        stamps, rows = self.rows.setdefault(topic, ([], []))
        stamps.append(stamp)
        rows.append(values)

    def _finite(self, topic: str, field: str, stamp: int, values: Sequence[float]) -> None:
        if not all(map(math.isfinite, values)):
            raise RecordingError("a number is not finite", where=f"{self.where}: {topic}", field=field,
                                 value=f"{[float(v) for v in values]} at {stamp / 1e9:.3f} s",
                                 remedy="mend the sensor or its driver, or cut this stretch out")  # fmt: skip

    def _odometry(self, topic: str, message: Any) -> None:
        stamp = _stamp(message)
        p, q = message.pose.pose.position, message.pose.pose.orientation
        ahead, turn = message.twist.twist.linear, message.twist.twist.angular
        self.base_axes = self.base_axes or str(message.child_frame_id)
        self._pose(topic, stamp, p, q, (ahead.x, ahead.y, turn.z))

    def _pose(
        self, topic: str, stamp: int, p: Any, q: Any, twist: tuple[float, float, float] = (0.0, 0.0, 0.0)
    ) -> None:
        self._finite(topic, "pose", stamp, (p.x, p.y, p.z, q.x, q.y, q.z, q.w))
        if math.hypot(q.x, q.y, q.z, q.w) < 1e-6:
            raise RecordingError("a rotation has no length", where=f"{self.where}: {topic}", field="orientation",
                                 value=(q.x, q.y, q.z, q.w), limit="a quaternion of length 1")  # fmt: skip
        yaw = math.atan2(2.0 * (q.w * q.z + q.x * q.y), q.w * q.w + q.x * q.x - q.y * q.y - q.z * q.z)
        self._row(topic, stamp, (p.x, p.y, yaw, *twist))

    def _imu(self, topic: str, message: Any) -> None:
        stamp, row = _stamp(message), imu_row(message)
        if row is None:
            return
        self._finite(topic, "angular_velocity", stamp, row[:6])
        self.imu_axes = self.imu_axes or str(message.header.frame_id)
        self._row(topic, stamp, row)

    def _fix(self, topic: str, message: Any) -> None:
        stamp = _stamp(message)
        if int(message.status.status) < 0:
            self.out.left_out["position fixes that the receiver itself calls no fix"] += 1
            return
        place = (float(message.latitude), float(message.longitude), float(message.altitude))
        self._finite(topic, "latitude, longitude", stamp, place[:2])
        if abs(place[0]) > 90 or abs(place[1]) > 360:
            raise RecordingError("a position fix is nowhere on earth", where=f"{self.where}: {topic}",
                                 field="latitude, longitude", value=place[:2])  # fmt: skip
        c = [float(v) for v in message.position_covariance]
        known = int(message.position_covariance_type) != 0 and c[0] > 0 and c[4] > 0
        spread = (c[0], c[1], c[4]) if known else (math.nan, math.nan, math.nan)
        if known:
            self._finite(topic, "position_covariance", stamp, spread)
        self._row(topic, stamp, (place[0], place[1], place[2] if math.isfinite(place[2]) else math.nan, *spread))

    def _joints(self, topic: str, message: Any) -> None:
        names = tuple(str(n) for n in message.name)
        if names not in self.joint_columns:
            self.joint_names_seen.update(names)
            found = all(n in names for n in self.wanted.joint_names)
            self.joint_columns[names] = [names.index(n) for n in self.wanted.joint_names] if found else None
        columns = self.joint_columns[names]
        if columns is None:
            return
        if len(message.position) != len(names):
            raise RecordingError("joint names and positions differ in number", where=f"{self.where}: {topic}",
                                 field="position", value=len(message.position), limit=len(names))  # fmt: skip
        stamp, values = _stamp(message), [float(message.position[i]) for i in columns]
        self._finite(topic, "position", stamp, values)
        self._row(topic, stamp, values)

    def _picture(self, topic: str, message: Any) -> None:
        number = self.out.pictures_found
        self.out.pictures_found += 1
        if number >= MAX_PICTURES:
            raise RecordingError("the recording has too many pictures", where=self.where, limit=MAX_PICTURES,
                                 remedy="split the recording")  # fmt: skip
        try:
            if message.__msgtype__ == COMPRESSED:
                data = np.asarray(message.data, np.uint8).tobytes()
                width, height, _ = compressed_size(data)
                self._check_size(topic, width, height)
                sharp = sharpness(data)
            else:
                width, height = int(message.width), int(message.height)
                self._check_size(topic, width, height)
                sharp = image_sharpness(_raw_maker(message, f"{self.where}: {topic}")())
        except UnreadablePictureError:
            self.out.left_out["pictures that cannot be decoded"] += 1
            return
        self.out.pictures.append(RawPicture(number, _stamp(message), topic, (width, height), sharp))

    def _check_size(self, topic: str, width: int, height: int) -> None:
        camera = self.wanted.camera or self.out.camera
        if camera is not None and (width, height) != (camera.width_px, camera.height_px):
            raise RecordingError("a picture has another size than the camera", where=f"{self.where}: {topic}",
                                 field="width x height", value=f"{width} x {height}",
                                 limit=f"{camera.width_px} x {camera.height_px}",
                                 remedy=camera.size_remedy((width, height)))  # fmt: skip

    def _timed(self, topic: str | None, columns: int) -> Any:
        stamps, rows = self.rows.get(topic or "", ([], []))
        return timed(stamps, rows, columns, f"{self.where}: {topic}")

    def _finish(self, joints: str | None, odometry: str, imu: str | None, fix: str | None) -> None:
        out, names = self.out, self.wanted.joint_names
        if names and (joints is None or joints not in self.rows):
            missing = [n for n in names if n not in self.joint_names_seen] or list(names)
            raise RecordingError("no message carries all joints of the arm", where=f"{self.where}: {joints}",
                                 field="name", value="missing: " + ", ".join(missing),
                                 limit="all of: " + ", ".join(names),
                                 remedy="use the URDF's joint names, or record the arm's own JointState")  # fmt: skip
        out.joints = self._timed(joints, len(names)) if names else None
        out.odometry = followed(self._timed(odometry, 6))
        if out.odometry is None or len(out.odometry) < 2:
            raise self._lacks("odometry", "the recording has no odometry over time")
        self._motion(imu, fix)
        out.poses_found = len(self.rows[odometry][0])
        stamps = [p.stamp_ns for p in out.pictures]
        timed(stamps, [[0.0]] * len(stamps), 1, f"{self.where}: {out.pictures[0].name if out.pictures else ''}")
        fresh = [p for i, p in enumerate(out.pictures) if i == 0 or p.stamp_ns > stamps[i - 1]]
        if len(fresh) < len(out.pictures):
            out.left_out["pictures with the same time as the one before"] += len(out.pictures) - len(fresh)
            out.pictures = fresh

    def _motion(self, imu: str | None, fix: str | None) -> None:
        """Bring Imu and fixes to streams; the Imu's axes to those of the base."""
        self.out.fixes = self._timed(fix, 6)
        rows = self._timed(imu, ROW)
        if rows is None:
            return
        turn: Any = np.eye(3)
        if self.imu_axes.lstrip("/") not in ("", self.base_axes.lstrip("/")):
            still = {s.topic for s in self.bag.streams() if s.kind == TRANSFORMS and s.topic.endswith("tf_static")}
            links = static_links(message for _, _, message in self.bag.messages(still))
            turn = rotation_between(links, self.base_axes, self.imu_axes)
            if turn is None:
                self.out.notes.append(
                    f"no recorded transform joins the Imu's axes ({self.imu_axes}) to the base's ({self.base_axes}): "
                    "taken to be the same"
                )
                turn = np.eye(3)
        self.out.imu = in_base_axes(rows, turn)
        self.out.gyro = self.out.imu.gyro

    def _poses_only(self, streams: Sequence[Stream], image: str | None) -> Streams:
        """Take in a log whose pictures are missing or not wanted: count every pose, follow the one pose stream."""
        found = [s for s in streams if s.kind in POSE_KINDS and s.count]
        self.out.pictures_found = sum(s.count for s in streams if s.topic == image)
        if image is None:
            self.out.left_out[NO_PICTURES] += 1
        if not found:
            if image is None:
                raise RecordingError("the recording has neither pictures nor poses", where=self.where,
                                     value=", ".join(sorted({s.kind for s in streams})) or "no messages",
                                     remedy="record the camera, joint and odometry streams")  # fmt: skip
            return self.out
        self.out.poses_found = sum(s.count for s in found)
        named = self.wanted.topics.odometry
        chosen = [s for s in found if s.topic == named] or [s for s in found if s.kind == ODOMETRY]
        chosen = chosen or [s for s in found if s.kind in (POSE, TRANSFORM)]
        if len(chosen) != 1 or chosen[0].kind == TRANSFORMS:
            self.out.left_out["pose streams of which none is followed: name one as odometry in site.toml"] += len(found)
            return self.out
        topic, kind = chosen[0].topic, chosen[0].kind

        def follow(topic: str, message: Any) -> None:
            if kind == ODOMETRY:
                self._odometry(topic, message)
            elif kind == POSE:
                self._pose(topic, _stamp(message), message.pose.position, message.pose.orientation)
            else:
                self._pose(topic, _stamp(message), message.transform.translation, message.transform.rotation)

        handlers: dict[str, Callable[[str, Any], None]] = {topic: follow}
        imu = sole_topic(streams, self.wanted.topics.imu, IMU)
        fix = sole_topic(streams, self.wanted.topics.fix, FIX)
        if imu is not None:
            handlers[imu] = self._imu
        if fix is not None:
            handlers[fix] = self._fix
        self._pass(streams, handlers)
        self.out.odometry = followed(self._timed(topic, 6))
        self._motion(imu, fix)
        return self.out


__all__ = ["NO_PICTURES", "RobotLog", "camera_from_info", "find_topic"]

"""Recordings in, timed frames with poses out: robot logs, folders of pictures, video."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Footage, Frame, LeftOut
from swardwright.domain.poses import BasePose
from swardwright.domain.site import ErrorSources, Origin, Topics
from swardwright.footage.clock import interpolate, seconds, usable
from swardwright.footage.following import follow
from swardwright.footage.streams import Coded, RawPicture, Source, Streams, Timed, Wanted

#: most poses kept of a recording without pictures
POSES_KEPT = 500
LOGS = (".mcap", ".bag", ".db3")
VIDEOS = (".mp4", ".mov", ".m4v", ".avi", ".mkv")


def read(
    path: Path,
    *,
    topics: Topics,
    joint_names: tuple[str, ...],
    start: BasePose,
    origin: Origin,
    errors: ErrorSources,
    pose_age_s: float,
    camera: Camera | None,
    want_pictures: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Footage:
    """Take in one recording: every usable picture with its pose, and what was left out and why.

    Parameters
    ----------
    path : Path
        MCAP file, ROS 2 bag folder or file, ROS 1 bag, folder of pictures (with ``poses.csv`` or without), or video.
    topics : Topics
        Streams of a robot log by name; those not named are found by message type.
    joint_names : tuple[str, ...]
        The arm's joints, in the order of ``Frame.joints_rad``.
    start : BasePose
        Where the base stood when its odometry began.
    pose_age_s : float
        A picture without base pose or joints this near in time is refused.
    camera : Camera | None
        The site's camera, against which sizes are checked; None: the recorded one is used.
    want_pictures : bool
        False: only poses are taken in, no frame is made.
    progress : Callable[[int, int], None] | None
        Called with (done, total) now and then.

    Raises
    ------
    RecordingError
        If the recording cannot be read or lacks what the job needs.
    """
    source = open_source(path)
    streams = source.streams(Wanted(topics, joint_names, camera, pose_age_s, want_pictures, progress))
    left_out = streams.left_out
    pictures = _fresh(streams, pose_age_s, left_out)
    frames = tuple(_frame(path.name, p, streams) for p in pictures)
    notes: tuple[str, ...] = ()
    track, distance = None, 0.0
    if streams.odometry is not None:
        from swardwright.footage.track import smooth

        odometry = streams.odometry
        stamps = np.array([f.stamp_ns for f in frames], dtype=np.int64)
        ids = tuple(f.id for f in frames)
        if not want_pictures or not streams.pictures_found:
            chosen = np.unique(np.linspace(0, len(odometry) - 1, min(len(odometry), POSES_KEPT)).astype(int))
            stamps = odometry.stamps_ns[chosen]
            ids = tuple(f"{path.name}/pose-{i:05d}" for i in chosen)
        distance = float(np.hypot(*np.diff(odometry.values[:, :2], axis=0).T).sum())
        if len(stamps):
            smoothed = smooth(odometry, streams.gyro, streams.fixes, ids, stamps,
                              start=start, origin=origin, errors=errors, where=path.name)  # fmt: skip
            track = smoothed.track
            frames = _placed(frames, streams, smoothed.track.poses, smoothed.covariances)
            notes = (*streams.notes, *smoothed.notes())
            if smoothed.fixes_refused:
                left_out["position fixes far from the drive or outside its time"] += smoothed.fixes_refused
    return Footage(
        recording=path.name,
        frames=frames,
        camera=streams.camera,
        left_out=tuple(LeftOut(reason, count) for reason, count in sorted(left_out.items())),
        pictures_found=streams.pictures_found,
        poses_found=streams.poses_found,
        distance_m=distance,
        track=track,
        notes=notes,
    )


def pictures(path: Path, frames: Sequence[Frame]) -> Iterator[tuple[Frame, NDArray[np.uint8]]]:
    """Yield the frames' pictures, red-green-blue (height, width, 3), in the order of the recording."""
    return open_source(path).pictures(frames)


def coded(path: Path, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Callable[[], NDArray[np.uint8]]]]:
    """Yield the frames in the order of the recording, each with what makes its picture.

    What makes it holds the picture as it was recorded (a tenth of its memory, mostly), so that it can be decoded in
    another thread, or sent to another process by pickle. The pictures of a video are decoded here.
    """
    source = open_source(path)
    if isinstance(source, Coded):
        yield from source.coded(frames)
    else:
        yield from ((frame, partial(_as_it_is, image)) for frame, image in source.pictures(frames))


def _as_it_is(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return image


def open_source(path: Path) -> Source:
    """Return the source for what lies at ``path``, judged by its kind.

    Raises
    ------
    RecordingError
        If there is nothing, or nothing that can be taken in.
    """
    if not path.exists():
        raise RecordingError("there is no such recording", where=str(path), remedy="check the path")
    suffix = path.suffix.lower()
    if (path.is_dir() and (path / "metadata.yaml").is_file()) or (path.is_file() and suffix in LOGS):
        from swardwright.footage.robot_log import RobotLog

        return RobotLog(path)
    if path.is_dir():
        logs = [p for p in sorted(path.iterdir()) if p.suffix.lower() in LOGS]
        if len(logs) == 1:
            from swardwright.footage.robot_log import RobotLog

            return RobotLog(logs[0])
        if logs:
            raise RecordingError("the folder holds several recordings", where=path.name,
                                 value=", ".join(p.name for p in logs), limit="one, or a metadata.yaml that joins them",
                                 remedy="take them in one by one")  # fmt: skip
        from swardwright.footage.folder import PictureFolder

        return PictureFolder(path)
    if suffix in VIDEOS:
        from swardwright.footage.video import Video

        return Video(path)
    with path.open("rb") as stream:
        empty = not stream.read(1)
    raise RecordingError(
        "the file is empty" if empty else "this kind of file cannot be taken in",
        where=path.name,
        value=None if empty else suffix or "no suffix",
        limit=None if empty else ", ".join(LOGS + VIDEOS) + " or a folder of pictures",
        remedy="copy it again" if empty else "give a robot log, a video or a folder of pictures",
    )


def _fresh(streams: Streams, age_s: float, left_out: Counter[str]) -> list[RawPicture]:
    """Return the pictures that have fresh base pose and joints; count the others."""
    kept = streams.pictures
    for what, stream in (("base pose", streams.odometry), ("joint positions", streams.joints)):
        if stream is None or not kept:
            continue
        zero = int(stream.stamps_ns[0])
        at = seconds(np.array([p.stamp_ns for p in kept], dtype=np.int64), zero)
        good = usable(seconds(stream.stamps_ns, zero), at, age_s)
        if not good.all():
            left_out[f"pictures without {what} within {age_s:g} s"] += int((~good).sum())
        kept = [p for p, ok in zip(kept, good, strict=True) if ok]
    return kept


def _frame(recording: str, picture: RawPicture, streams: Streams) -> Frame:
    return Frame(
        id=f"{recording}/{picture.number:05d}",
        recording=recording,
        stamp_ns=picture.stamp_ns,
        picture=picture.name,
        size_px=picture.size_px,
        ground_from_camera=streams.camera_poses.get(picture.number),
        sharpness=picture.sharpness,
    )


def _placed(
    frames: tuple[Frame, ...], streams: Streams, poses: Sequence[BasePose], covariances: NDArray[np.float64]
) -> tuple[Frame, ...]:
    """Return the frames with base pose, its covariance and the joints at exposure."""
    if not frames:
        return frames
    joints = _at(streams.joints, frames)
    return tuple(
        Frame(f.id, f.recording, f.stamp_ns, f.picture, f.size_px, base=pose, base_covariance=covariance,
              joints_rad=row, sharpness=f.sharpness)
        for f, pose, covariance, row in zip(frames, poses, covariances, joints, strict=True)
    )  # fmt: skip


def _at(stream: Timed | None, frames: Sequence[Frame]) -> list[tuple[float, ...]]:
    if stream is None:
        return [()] * len(frames)
    zero = int(stream.stamps_ns[0])
    at = seconds(np.array([f.stamp_ns for f in frames], dtype=np.int64), zero)
    return [tuple(float(v) for v in row) for row in interpolate(seconds(stream.stamps_ns, zero), stream.values, at)]


__all__ = ["coded", "follow", "open_source", "pictures", "read"]

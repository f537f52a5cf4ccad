"""Folders of pictures: with ``poses.csv`` they can be located, without it they are for teaching and detecting only.

``poses.csv``: a header line with the columns ``x,y,z,qw,qx,qy,qz`` (``ground_from_camera``: metres and a unit
quaternion; camera z forward, x right, y down) and ``name`` (a picture's file name), ``stamp_s`` (seconds), or both.
With ``name`` a line is the pose of that picture. Without it lines are poses in time, and pictures are matched by their
own time, which is their file name without suffix, in seconds (``1780000000.25.jpg``) or whole nanoseconds.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Frame
from swardwright.domain.poses import (
    Array,
    Pose,
    rotation_from_vector,
    vector_from_rotation,
)
from swardwright.footage.clock import timed, usable
from swardwright.footage.picture import UnreadablePictureError, compressed_size, decode_or_tell, sharpness
from swardwright.footage.streams import (
    MAX_CSV_BYTES,
    MAX_MESSAGE_BYTES,
    MAX_PICTURES,
    Image,
    RawPicture,
    Streams,
    Wanted,
)

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp")
POSES = "poses.csv"
_NUMBERS = ("x", "y", "z", "qw", "qx", "qy", "qz")


class PictureFolder:
    """A folder of pictures. See ``streams.Source``."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def _files(self) -> list[Path]:
        files = sorted(p for p in self.path.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
        if not files:
            raise RecordingError("the folder has no pictures", where=self.path.name, limit=", ".join(SUFFIXES),
                                 remedy="give a robot log, a video or a folder of pictures")  # fmt: skip
        if len(files) > MAX_PICTURES:
            raise RecordingError("the folder has too many pictures", where=self.path.name, value=len(files),
                                 limit=MAX_PICTURES, remedy="split the folder")  # fmt: skip
        return files

    def _bytes(self, file: Path) -> bytes:
        if file.stat().st_size > MAX_MESSAGE_BYTES:
            raise RecordingError("a picture file is too large", where=f"{self.path.name}/{file.name}",
                                 value=f"{file.stat().st_size} bytes", limit=f"{MAX_MESSAGE_BYTES} bytes")  # fmt: skip
        return file.read_bytes()

    @property
    def posed(self) -> bool:
        """Whether the folder says where its pictures were taken."""
        return (self.path / POSES).is_file()

    def streams(self, wanted: Wanted) -> Streams:
        """Take the folder apart; see ``streams.Source.streams``."""
        out, files = Streams(), self._files()
        poses = PosesFile(self.path / POSES) if self.posed else None
        out.pictures_found = len(files)
        out.poses_found = len(poses) if poses is not None else 0
        if poses is not None:
            poses.check_names({f.name for f in files})
        for number, file in enumerate(files if wanted.pictures else ()):
            if wanted.progress is not None:
                wanted.progress(number + 1, len(files))
            stamp = number
            if poses is not None:
                pose, stamp, reason = poses.of(file, number, wanted.pose_age_s)
                if pose is None:
                    out.left_out[reason] += 1
                    continue
                out.camera_poses[number] = pose
            data = self._bytes(file)
            try:
                width, height, orientation = compressed_size(data)
                sharp = sharpness(data)
            except UnreadablePictureError:
                out.left_out["pictures that cannot be decoded"] += 1
                continue
            if poses is None and orientation >= 5:
                width, height = height, width
            self._check_size(file, width, height, wanted, poses is not None)
            out.pictures.append(RawPicture(number, stamp, file.name, (width, height), sharp))
        return out

    def _check_size(self, file: Path, width: int, height: int, wanted: Wanted, posed: bool) -> None:
        camera = wanted.camera
        if posed and camera is not None and (width, height) != (camera.width_px, camera.height_px):
            raise RecordingError("a picture has another size than the camera", where=f"{self.path.name}/{file.name}",
                                 field="width x height", value=f"{width} x {height}",
                                 limit=f"{camera.width_px} x {camera.height_px}",
                                 remedy=camera.size_remedy((width, height)))  # fmt: skip

    def pictures(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Image]]:
        """Yield the frames' pictures in the order given; photographs without poses are turned upright."""
        yield from ((frame, load()) for frame, load in self.coded(frames))

    def coded(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Callable[[], Image]]]:
        """Yield the frames in the order given, with what makes the picture of each."""
        upright = not self.posed
        for frame in frames:
            file = self.path / Path(frame.picture).name  # never outside the folder
            where = f"{self.path.name}/{file.name}"
            if not file.is_file():
                raise RecordingError("a picture taken in earlier is no longer there", where=where,
                                     remedy="put it back, or take the folder in again")  # fmt: skip
            yield frame, partial(decode_or_tell, self._bytes(file), upright, where, None, "take the folder in again")


class PosesFile:
    """``poses.csv``, read and checked."""

    def __init__(self, file: Path) -> None:
        self.where = f"{file.parent.name}/{file.name}"
        if file.stat().st_size > MAX_CSV_BYTES:
            raise RecordingError("the file is too large", where=self.where, limit=f"{MAX_CSV_BYTES} bytes")
        try:
            text = file.read_text(encoding="utf-8-sig")
        except UnicodeDecodeError as error:
            raise RecordingError("the file is not text", where=self.where, remedy="save it as UTF-8 CSV") from error
        reader = csv.DictReader(text.splitlines())
        columns = [c.strip() for c in reader.fieldnames or ()]
        reader.fieldnames = columns
        missing = [c for c in _NUMBERS if c not in columns]
        if missing or not {"name", "stamp_s"} & set(columns):
            raise RecordingError("columns are missing", where=self.where,
                                 field=", ".join(missing or ["name or stamp_s"]),
                                 value=", ".join(columns) or "an empty file",
                                 limit="name or stamp_s, then x,y,z,qw,qx,qy,qz",
                                 remedy="write a header line with these columns")  # fmt: skip
        self.named = "name" in columns
        self.timed = "stamp_s" in columns
        rows = list(reader)
        self.names = [str(r["name"] or "").strip() for r in rows] if self.named else []
        self.poses = [self._pose(i, r) for i, r in enumerate(rows, start=2)]
        self.stamps_ns = (
            [round(self._number(i, r, "stamp_s") * 1e9) for i, r in enumerate(rows, start=2)] if self.timed else []
        )
        doubled = sorted({n for n in self.names if self.names.count(n) > 1}) if len(rows) < 5000 else []
        if doubled:
            raise RecordingError("a picture has two poses", where=self.where, field="name", value=doubled[0],
                                 remedy="keep one line for each picture")  # fmt: skip
        self.by_name = {n: i for i, n in enumerate(self.names)}
        if not self.named:
            stream = timed(self.stamps_ns, [[float(i)] for i in range(len(rows))], 1, self.where)
            self.order = [] if stream is None else [int(v) for v in stream.values[:, 0]]

    def __len__(self) -> int:
        return len(self.poses)

    def _number(self, line: int, row: dict[str, str], column: str) -> float:
        text = row.get(column)
        try:
            value = float(text or "")
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise RecordingError("a finite number is needed", where=f"{self.where}, line {line}", field=column,
                                 value=repr(text), remedy="mend the line or leave the picture out")  # fmt: skip
        return value

    def _pose(self, line: int, row: dict[str, str]) -> Pose:
        v = [self._number(line, row, c) for c in _NUMBERS]
        length = math.sqrt(sum(q * q for q in v[3:]))
        if abs(length - 1.0) > 1e-2:
            raise RecordingError("a quaternion must have length 1", where=f"{self.where}, line {line}",
                                 field="qw,qx,qy,qz", value=f"length {length:.4g}",
                                 remedy="write qw first, then qx, qy, qz")  # fmt: skip
        return Pose.from_quaternion("ground", "camera", v[:3], v[3:])

    def check_names(self, files: set[str]) -> None:
        """Raise ``RecordingError`` if a line names a picture that is not there."""
        strangers = [n for n in self.names if n not in files]
        if strangers:
            raise RecordingError("a pose is given for a picture that is not there", where=self.where, field="name",
                                 value=strangers[0], remedy="put the picture back, or delete its line")  # fmt: skip

    def of(self, file: Path, number: int, age_s: float) -> tuple[Pose | None, int, str]:
        """Return a picture's pose, its time (ns), and otherwise why it has none."""
        if self.named:
            i = self.by_name.get(file.name)
            if i is None:
                return None, number, f"pictures that {POSES} does not name"
            return self.poses[i], self.stamps_ns[i] if self.timed else number, ""
        stamp = stamp_of_name(file.stem)
        if stamp is None:
            return None, number, "pictures whose file name is not a time"
        zero = self.stamps_ns[self.order[0]] if self.order else 0
        times = np.array([(self.stamps_ns[i] - zero) / 1e9 for i in self.order])
        at = (stamp - zero) / 1e9
        if not len(times) or not usable(times, np.array([at]), age_s)[0]:
            return None, stamp, f"pictures without a camera pose within {age_s:g} s"
        return self._between(times, at), stamp, ""

    def _between(self, times: Array, at: float) -> Pose:
        """Return the pose at a time: straight between its neighbours, turning evenly; held still outside them."""
        j = int(np.searchsorted(times, at))
        if j == 0 or j == len(times):
            return self.poses[self.order[min(j, len(times) - 1)]]
        a, b = self.poses[self.order[j - 1]], self.poses[self.order[j]]
        share = (at - times[j - 1]) / (times[j] - times[j - 1])
        turn = rotation_from_vector(share * vector_from_rotation(b.rotation @ a.rotation.T))
        u, _, vt = np.linalg.svd(turn @ a.rotation)
        return Pose("ground", "camera", u @ vt, a.translation_m + share * (b.translation_m - a.translation_m))


def stamp_of_name(stem: str) -> int | None:
    """Return nanoseconds of a file name that is a time: seconds with or without decimals, or 16 to 19 digits of ns."""
    if stem.isdigit() and len(stem) <= 19:
        return int(stem) if len(stem) >= 16 else int(stem) * 1_000_000_000
    whole, dot, part = stem.partition(".")
    if dot and whole.isdigit() and part.isdigit() and len(whole) <= 11:
        return int(whole) * 1_000_000_000 + int((part + "000000000")[:9])
    return None


__all__ = ["PictureFolder", "PosesFile", "stamp_of_name"]

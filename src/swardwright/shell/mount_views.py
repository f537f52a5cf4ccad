"""Pictures of a board with the arm's joint positions, from a robot log or a folder with ``joints.csv``.

``joints.csv``: a header line ``picture`` and the joints' names as the URDF has them, then one line for each picture:
its file name and each joint's position in rad. The touches of the head's tip: the joints' names, and ``point`` where
several points were touched.
"""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.arm import Arm
from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array
from swardwright.domain.site import Site

if TYPE_CHECKING:
    from swardwright.locating.calibration.boards import Board
    from swardwright.locating.calibration.mount_model import BoardViews

JOINTS = "joints.csv"
MAX_CSV_BYTES = 5_000_000
#: more pictures than this teach nothing further about a mount
VIEWS_MAX = 80
#: between two pictures the arm stands if no joint moves more than this (rad)
STILL_RAD = 2e-3
#: odometry of a base that stands may wander by this much
BASE_M, BASE_RAD = 0.02, math.radians(1.0)
#: a reading may lie this far outside the URDF's limits
BEYOND_RAD = 0.1
#: postures nearer than this to one taken already are the same (rad)
SAME_RAD = 0.02


@dataclass(frozen=True)
class Seen:
    """The views of a recording and why other pictures were left out."""

    views: BoardViews
    pictures: int
    left_out: dict[str, int]
    notes: tuple[str, ...]


def views_of(site: Site, link: str, path: Path, board: Board, progress: Callable[[int, int], None],
             fewest: int = 3) -> Seen:  # fmt: skip
    """Find the board in a recording's pictures, in ``fewest`` of them or more.

    Raises
    ------
    SwardwrightError
        If the recording cannot be used, or too few pictures show the board.
    """
    from swardwright.footage import open_source, pictures
    from swardwright.footage.folder import PictureFolder
    from swardwright.locating.calibration.boards import look_for_board
    from swardwright.locating.calibration.mount_model import views_of_arm

    arm, camera = site.rig.arm, site.rig.camera
    left_out: Counter[str] = Counter()
    if isinstance(open_source(path), PictureFolder):
        frames, found = _folder_frames(path, arm)
        left_out["pictures that joints.csv does not name"] += found - len(frames)
        images = _as_taken(path, frames)
    else:
        frames, found = _log_frames(site, path, left_out)
        images = pictures(path, frames)
    q, points, pixels, names = [], [], [], []
    for done, (frame, image) in enumerate(images, start=1):
        progress(done, len(frames))
        if (image.shape[1], image.shape[0]) != (camera.width_px, camera.height_px):
            raise RecordingError("a picture has another size than the camera", where=f"{path.name}/{frame.picture}",
                                 field="width x height", value=f"{image.shape[1]} x {image.shape[0]}",
                                 limit=f"{camera.width_px} x {camera.height_px}",
                                 remedy="use the camera file made at the size of the pictures")  # fmt: skip
        view, reason = look_for_board(image, board, name=_short(frame))
        if view is None:
            left_out[reason] += 1
            continue
        q.append(frame.joints_rad or ())
        points.append(view.points_m)
        pixels.append(view.pixels)
        names.append(_short(frame))
    if len(q) < fewest:
        why = "; ".join(f"{n} x {reason}" for reason, n in left_out.most_common(3) if n)
        raise RecordingError(f"the {board} was found in too few pictures", where=path.name,
                             value=f"{len(q)} of {found}" + (f": {why}" if why else ""),
                             limit=f"{fewest} or more, 15 are good",
                             remedy="check the number of corners; the whole board must be sharp in it")  # fmt: skip
    views = views_of_arm(arm, link, np.array(q), points, pixels, names)
    views, notes = _one_way_round(views, board, site)
    return Seen(views, found, {r: n for r, n in left_out.items() if n}, notes)


def _one_way_round(views: BoardViews, board: Board, site: Site) -> tuple[BoardViews, tuple[str, ...]]:
    from swardwright.locating.calibration.mount_start import consistent_order

    if board.one_way_round:
        return views, ()
    views, turned = consistent_order(views, site.rig.camera)
    if not turned:
        return views, ()
    note = (
        f"half a turn looks the same on this board: taken the other way in {', '.join(turned)}, by the arm's turns; "
        "a board with an odd and an even number of corners leaves no doubt"
    )
    return views, (note,)


def _as_taken(path: Path, frames: Sequence[Frame]) -> Iterator[tuple[Frame, NDArray[np.uint8]]]:
    """Yield a folder's pictures as the sensor took them: never turned upright, the mount would be off by that turn."""
    from swardwright.footage.picture import UnreadablePictureError, decode
    from swardwright.footage.streams import MAX_MESSAGE_BYTES

    for frame in frames:
        file, where = path / frame.picture, f"{path.name}/{frame.picture}"
        if file.stat().st_size > MAX_MESSAGE_BYTES:
            raise RecordingError("a picture file is too large", where=where, limit=f"{MAX_MESSAGE_BYTES} bytes",
                                 remedy="leave the picture out")  # fmt: skip
        try:
            yield frame, decode(file.read_bytes(), upright=False)
        except UnreadablePictureError as error:
            raise RecordingError("a picture cannot be decoded", where=where,
                                 remedy=f"copy it again, or delete its line in {JOINTS}") from error  # fmt: skip


def _short(frame: Frame) -> str:
    return frame.picture if "/" not in frame.picture else frame.id.rpartition("/")[2]


def _folder_frames(path: Path, arm: Arm) -> tuple[list[Frame], int]:
    from swardwright.footage.folder import SUFFIXES

    files = sorted(p.name for p in path.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
    if not (path / JOINTS).is_file():
        raise RecordingError(f"the folder has no {JOINTS}", where=path.name,
                             limit=f"picture,{','.join(arm.joint_names)}",
                             remedy="write one line for each picture: its name and each joint in rad")  # fmt: skip
    rows = read_joints(path / JOINTS, arm, "picture")
    if len(rows) > 10 * VIEWS_MAX:
        raise RecordingError("these are too many pictures for a mount", where=f"{path.name}/{JOINTS}", value=len(rows),
                             limit=f"{10 * VIEWS_MAX}", remedy="keep 15 to 80 at different postures")  # fmt: skip
    seen: set[str] = set()
    frames = []
    for number, (name, q) in enumerate(rows):
        if name not in files:
            raise RecordingError("joint positions are given for a picture that is not there",
                                 where=f"{path.name}/{JOINTS}", field="picture", value=name,
                                 remedy="put the picture back, or delete its line")  # fmt: skip
        if name in seen:
            raise RecordingError("a picture has two lines", where=f"{path.name}/{JOINTS}", field="picture", value=name,
                                 remedy="keep one line for each picture")  # fmt: skip
        seen.add(name)
        frames.append(Frame(f"{path.name}/{number:05d}", path.name, number, name, (0, 0), joints_rad=q))
    return frames, len(files)


def read_joints(file: Path, arm: Arm, label: str, label_needed: bool = True) -> list[tuple[str, tuple[float, ...]]]:
    """Return the lines of a CSV of joint positions (rad): the label column's text and the joints in the arm's order.

    Raises
    ------
    RecordingError
        Naming file, line and column of what cannot be used.
    """
    where = f"{file.parent.name}/{file.name}" if file.parent.name else file.name
    remedy = f"write a header line {label},{','.join(arm.joint_names)} and positions in rad"
    try:
        if file.stat().st_size > MAX_CSV_BYTES:
            raise RecordingError("the file is too large", where=where, limit=f"{MAX_CSV_BYTES} bytes")
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise RecordingError("there is no such file", where=str(file), remedy="check the path") from error
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError("the file is not text", where=where, remedy="save it as UTF-8 CSV") from error
    reader = csv.DictReader(text.splitlines())
    columns = [c.strip() for c in reader.fieldnames or ()]
    reader.fieldnames = columns
    missing = [c for c in ((label,) if label_needed else ()) + arm.joint_names if c not in columns]
    if missing:
        raise RecordingError("columns are missing", where=where, field=", ".join(missing),
                             value=", ".join(columns) or "an empty file", remedy=remedy)  # fmt: skip
    rows = []
    for line, row in enumerate(reader, start=2):
        values = []
        for joint in arm.moving:
            text = str(row.get(joint.name) or "")
            try:
                value = float(text)
            except ValueError:
                value = math.nan
            if not math.isfinite(value):
                raise RecordingError("a finite number is needed", where=f"{where}, line {line}", field=joint.name,
                                     value=repr(text), remedy="mend the line or leave it out")  # fmt: skip
            if not joint.lower_rad - BEYOND_RAD <= value <= joint.upper_rad + BEYOND_RAD:
                raise RecordingError("the joint cannot be there: are these degrees?", where=f"{where}, line {line}",
                                     field=joint.name, value=value,
                                     limit=f"{joint.lower_rad:.4g} to {joint.upper_rad:.4g} rad",
                                     remedy="write radians (degrees x pi / 180) or mend the limits")  # fmt: skip
            values.append(value)
        rows.append((str(row.get(label) or "").strip(), tuple(values)))
    if not rows:
        raise RecordingError("the file has no lines", where=where, remedy=remedy)
    return rows


def _log_frames(site: Site, path: Path, left_out: Counter[str]) -> tuple[list[Frame], int]:
    """Return the pictures of a log at which the arm stood, one for each posture."""
    from swardwright.footage import read

    footage = read(
        path, topics=site.topics, joint_names=site.rig.arm.joint_names, start=site.start, origin=site.origin,
        errors=site.rig.errors, pose_age_s=site.limits.pose_age_s, camera=site.rig.camera,
    )  # fmt: skip
    for item in footage.left_out:
        left_out[item.reason] += item.count
    frames = [f for f in footage.frames if f.joints_rad]
    q = np.array([f.joints_rad for f in frames]).reshape(len(frames), -1)
    standing = _standing(q)
    left_out["pictures taken while the arm moved"] += int((~standing).sum())
    chosen: list[int] = []
    for i in sorted(np.flatnonzero(standing), key=lambda i: -frames[i].sharpness):
        if all(np.abs(q[i] - q[j]).max() > SAME_RAD for j in chosen):
            chosen.append(int(i))
    left_out["pictures of a posture seen before"] += int(standing.sum()) - len(chosen)
    chosen = _spread(q, chosen)
    _base_stood([frames[i] for i in chosen], path)
    return [frames[i] for i in sorted(chosen)], footage.pictures_found


def _base_stood(frames: Sequence[Frame], path: Path) -> None:
    places = np.array([f.base.as_array() for f in frames if f.base is not None]).reshape(-1, 3)
    if not len(places):
        return
    yaw = np.unwrap(places[:, 2])
    moved, turned = float(np.hypot(*np.ptp(places[:, :2], axis=0))), float(np.ptp(yaw))
    if moved > BASE_M or turned > BASE_RAD:
        raise RecordingError("the base drove between the pictures, so the board did not stand still for the arm",
                             where=path.name, value=f"{moved:.2f} m, {math.degrees(turned):.1f} degrees",
                             limit=f"{BASE_M:g} m, {math.degrees(BASE_RAD):.1f} degrees",
                             remedy="record again with the base standing, or give a folder of pictures taken at one "
                             "place")  # fmt: skip


def _standing(q: Array) -> NDArray[np.bool_]:
    """Say at which pictures the arm stood: no joint moved since the one before or until the one after.

    Where that is never so (one picture per posture) all are taken to be standing.
    """
    if len(q) < 2:
        return np.ones(len(q), dtype=bool)
    still = np.abs(np.diff(q, axis=0)).max(axis=1) <= STILL_RAD
    standing = np.concatenate([still, [False]]) | np.concatenate([[False], still])
    return standing if int(standing.sum()) >= 3 else np.ones(len(q), dtype=bool)


def _spread(q: Array, chosen: Sequence[int]) -> list[int]:
    """Return at most ``VIEWS_MAX`` postures, each the farthest from those before."""
    if len(chosen) <= VIEWS_MAX:
        return list(chosen)
    points = q[list(chosen)]
    out = [0]
    far = np.abs(points - points[0]).max(axis=1)
    while len(out) < VIEWS_MAX:
        out.append(int(np.argmax(far)))
        far = np.minimum(far, np.abs(points - points[out[-1]]).max(axis=1))
    return [chosen[i] for i in out]


__all__ = ["Seen", "read_joints", "views_of"]

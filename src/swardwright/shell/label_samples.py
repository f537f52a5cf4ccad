"""The site's labels as what teaching takes."""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame
from swardwright.shell.label_pictures import in_folder, pictures_of
from swardwright.shell.open_site import OpenSite

if TYPE_CHECKING:
    from swardwright.learning.samples import Sample


def site_samples(
    opened: OpenSite,
    *,
    version: int | None = None,
    groups: Mapping[str, str] | None = None,
    min_radius_px: float = 3.0,
) -> list[Sample]:
    """Return the site's labelled pictures as samples for teaching.

    Parameters
    ----------
    version : int, optional
        Labels as of this version; by default the newest.
    groups : Mapping[str, str], optional
        Place and day by frame id; by default a recording is one, or each place of a video.
    min_radius_px : float
        Smaller labels count neither as plants nor as bare ground.

    Raises
    ------
    InputError
        If there are no labelled pictures, or a picture is no longer there.
    """
    from swardwright.learning.samples import Sample

    frames = opened.store.labelled(version)
    if not frames:
        raise InputError("there are no labels to teach with", where=opened.folder.name,
                         remedy=f"bring some in: swardwright labels import {opened.folder} labels.json")  # fmt: skip
    loads = _loads(opened, [f.frame for f in frames])
    made = []
    for labelled in frames:
        good = tuple(b for b in labelled.usable() if b.radius_px >= min_radius_px)
        small = tuple(b for b in labelled.usable() if b.radius_px < min_radius_px)
        made.append(
            Sample(
                labelled.id, loads[labelled.id], good, (groups or {}).get(labelled.id, place_of(labelled.frame)),
                (*(b for b in labelled.ignored if b.radius_px > 0), *small), metres_per_px(opened, labelled.frame),
            )
        )  # fmt: skip
    return made


def place_of(frame: Frame) -> str:
    """Return the ground that a frame shows where nothing better is known: its place in its video, or its recording."""
    return frame.recording if frame.place is None else f"{frame.recording} place {frame.place}"


def metres_per_px(opened: OpenSite, frame: Frame) -> float | None:
    """Return the ground covered by one pixel at the picture's middle, None without pose or where it sees the sky.

    Height above the ground plane z = 0 over focal length, along the optical axis: ``h / (f cos(tilt))``.
    """
    from swardwright.frames.ground import camera_pose

    rig = opened.site.rig
    pose = camera_pose(frame, rig)
    if pose is None or frame.size_px != (rig.camera.width_px, rig.camera.height_px):
        return None
    down = -float(pose.rotation[2, 2])
    height = float(pose.translation_m[2])
    if down < 0.1 or height <= 0:
        return None
    focal = float(np.sqrt(rig.camera.matrix[0, 0] * rig.camera.matrix[1, 1]))
    return height / down / focal


def _loads(opened: OpenSite, frames: list[Frame]) -> dict[str, Callable[[], Any]]:
    """Return how each picture is loaded; those of logs and videos are unpacked once, to a folder for this process."""
    import cv2

    paths = {r.name: opened.folder / r.path for r in opened.store.recordings()}
    loads: dict[str, Callable[[], Any]] = {}
    packed = []
    for frame in frames:
        if not in_folder(frame):
            packed.append(frame)
            continue
        if frame.recording not in paths:
            raise InputError("a recording with labels is no longer in the site", where="recordings",
                             value=frame.recording, remedy="take it in again under the same name")  # fmt: skip
        loads[frame.id] = functools.partial(_of_folder, paths[frame.recording], frame)
    if packed:
        room = Path(tempfile.mkdtemp(prefix="swardwright-"))
        atexit.register(shutil.rmtree, room, ignore_errors=True)
        for number, (frame, image) in enumerate(pictures_of(opened, packed, "unpacking labelled pictures")):
            file = room / f"{number:06d}.png"
            cv2.imwrite(str(file), cv2.cvtColor(image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 1])
            loads[frame.id] = functools.partial(_of_file, file)
    return loads


def _of_folder(path: Path, frame: Frame) -> Any:
    from swardwright.footage import pictures

    [(_, image)] = pictures(path, [frame])
    if (image.shape[1], image.shape[0]) != frame.size_px:
        raise InputError("the picture has another size than when it was labelled", where=frame.id,
                         value=f"{image.shape[1]} x {image.shape[0]} px",
                         limit=f"{frame.size_px[0]} x {frame.size_px[1]} px",
                         remedy="put the old one back")  # fmt: skip
    return image


def _of_file(file: Path) -> Any:
    import cv2

    image = cv2.imread(str(file), cv2.IMREAD_COLOR)
    if image is None:
        raise InputError("an unpacked picture is gone", where=file.name, remedy="run the command again")
    return cv2.cvtColor(image, cv2.COLOR_BGR2RGB)

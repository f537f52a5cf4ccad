"""Pictures behind labels: found among the site's frames, or taken into the site without poses."""

from __future__ import annotations

import hashlib
import re
import shutil
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Footage, Frame
from swardwright.labels import LabelledPicture, picture_path
from swardwright.shell.open_site import OpenSite
from swardwright.shell.saying import Progress
from swardwright.shell.status import RECORDINGS, hash_of, waiting_recordings

#: folders that one label file may bring in
MAX_FOLDERS = 1000


def picture_hash(image: Any) -> str:
    """Return the hash of a picture's pixels, whatever file they came from."""
    digest = hashlib.sha256(f"{image.shape[0]} {image.shape[1]}\0".encode())
    digest.update(image.tobytes())
    return digest.hexdigest()[:16]


def in_folder(frame: Frame) -> bool:
    """Return whether a frame is a file of a folder of pictures, not one of a log or a video."""
    return "/" not in frame.picture and Path(frame.picture).suffix.lower() in _suffixes()


def _suffixes() -> tuple[str, ...]:
    from swardwright.footage.folder import SUFFIXES

    return SUFFIXES


def name_of(frame: Frame) -> str:
    """Return the file name by which a frame's picture goes out of the site and is known when it comes back."""
    return f"{frame.recording}/{frame.picture}" if in_folder(frame) else f"{frame.id}.png"


class KnownFrames:
    """The site's frames by the names under which a label file may speak of them."""

    def __init__(self, opened: OpenSite) -> None:
        self._opened = opened
        self._paths = {r.name: opened.folder / r.path for r in opened.store.recordings()}
        kept = {f.id: f for f in opened.store.frames()}
        self.frames = {f.frame.id: f.frame for f in opened.store.labelled()} | kept
        self._named: dict[str, Frame] = {}
        self._short: dict[str, list[Frame]] = defaultdict(list)
        for frame in self.frames.values():
            self._named[frame.id] = self._named[name_of(frame)] = frame
            if in_folder(frame):
                self._short[frame.picture].append(frame)
        self._by_hash: dict[str, list[Frame]] | None = None

    def find(self, picture: LabelledPicture, file: Path | None) -> Frame | None:
        """Return the frame that a label file means; with its ``file`` at hand the contents decide, not a bare name."""
        path = PurePosixPath(picture.file_name)
        for name in (str(path), "/".join(path.parts[-2:]), str(path.with_suffix("")),
                     "/".join(path.with_suffix("").parts[-2:])):  # fmt: skip
            frame = self._named.get(name)
            if frame is not None and self._agrees(frame, file):
                return frame
        if file is not None:
            alike = self._hashes().get(hash_of(file), [])
            return next((f for f in alike if f.picture == path.name), alike[0] if alike else None)
        found = self._short.get(path.name, [])
        if len(found) > 1:
            raise InputError("several recordings of the site have a picture of this name", where=picture.file_name,
                             value=", ".join(sorted(f.recording for f in found)),
                             remedy="put the recording's name before it, as in recording/picture.jpg")  # fmt: skip
        return found[0] if found else None

    def _agrees(self, frame: Frame, file: Path | None) -> bool:
        if file is None or not in_folder(frame):
            return True
        own = self._file(frame)
        return own is None or hash_of(own) == hash_of(file)

    def _file(self, frame: Frame) -> Path | None:
        folder = self._paths.get(frame.recording)
        path = None if folder is None else folder / Path(frame.picture).name
        return path if path is not None and path.is_file() else None

    def _hashes(self) -> dict[str, list[Frame]]:
        if self._by_hash is None:
            self._by_hash = defaultdict(list)
            for frame in self.frames.values():
                path = self._file(frame) if in_folder(frame) else None
                if path is not None:
                    self._by_hash[hash_of(path)].append(frame)
        return self._by_hash


def pictures_of(opened: OpenSite, frames: Sequence[Frame], doing: str = "") -> Iterator[tuple[Frame, Any]]:
    """Yield frames with their pictures, recording by recording.

    Raises
    ------
    InputError
        If a recording is no longer there.
    """
    from swardwright.footage import pictures

    paths = {r.name: opened.folder / r.path for r in opened.store.recordings()}
    by_recording: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_recording[frame.recording].append(frame)
    progress, done = Progress(doing), 0
    for name, some in by_recording.items():
        if name not in paths or not paths[name].exists():
            raise InputError("a recording with labels is no longer in the site", where=RECORDINGS, value=name,
                             remedy="put it back, or take it in again under the same name")  # fmt: skip
        for frame, image in pictures(paths[name], sorted(some, key=lambda f: f.stamp_ns)):
            done += 1
            if doing:
                progress(done, len(frames))
            yield frame, image


def file_of(root: Path, picture: LabelledPicture) -> Path:
    """Return the picture file that a label file names, below a folder."""
    path = picture_path(root, picture.file_name)
    if path.suffix.lower() not in _suffixes():
        raise InputError("this kind of picture cannot be taken in", where=picture.file_name, value=path.suffix,
                         limit=", ".join(_suffixes()), remedy="save it as JPEG or PNG")  # fmt: skip
    return path


def stage_pictures(
    opened: OpenSite, found: Sequence[tuple[LabelledPicture, Path]], name: str, staging: Path
) -> list[tuple[Footage, Path, dict[str, Frame]]]:
    """Copy pictures from outside to a staging place and read them: one recording without poses for each folder.

    Every picture is kept, blurred or not: a person has labelled it.

    Returns
    -------
    list[tuple[Footage, Path, dict[str, Frame]]]
        Footage, where its pictures lie, and the frame of each file name of the labels.
    """
    from swardwright.footage import read

    by_folder: dict[str, list[tuple[LabelledPicture, Path]]] = defaultdict(list)
    for picture, path in found:
        by_folder[str(PurePosixPath(picture.file_name).parent)].append((picture, path))
    if len(by_folder) > MAX_FOLDERS:
        raise InputError("the label file names pictures in too many folders", value=len(by_folder), limit=MAX_FOLDERS,
                         remedy="bring them in by parts")  # fmt: skip
    taken = {p.name for p in waiting_recordings(opened.folder)} | {r.name for r in opened.store.recordings()}
    site, made = opened.site, []
    for folder, pairs in sorted(by_folder.items()):
        wanted = _slug(name) if len(by_folder) == 1 else f"{_slug(name)}-{_slug(folder)}"
        free = next(n for n in (wanted, *(f"{wanted}-{i}" for i in range(2, 10_000))) if n not in taken)
        taken.add(free)
        target = staging / free
        target.mkdir()
        for _, path in pairs:
            shutil.copy2(path, target / path.name)
        footage = read(
            target, topics=site.topics, joint_names=site.rig.arm.joint_names, start=site.start, origin=site.origin,
            errors=site.rig.errors, pose_age_s=site.limits.pose_age_s, camera=None,
            progress=Progress(f"reading {free}"),
        )  # fmt: skip
        by_name = {f.picture: f for f in footage.frames}
        frames = {}
        for picture, path in pairs:
            if path.name not in by_name:
                raise InputError("the picture cannot be decoded", where=picture.file_name,
                                 remedy="copy it again, or take it out of the label file")  # fmt: skip
            frames[picture.file_name] = by_name[path.name]
        made.append((footage, target, frames))
    return made


def _slug(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]+", "-", text).strip("-.")[:80] or "pictures"

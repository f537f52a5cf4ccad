"""The folder that ``frames`` writes: pictures, ``frames.json``, and the journal of a video that is not done yet."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError
from swardwright.shell.keeping import folder_held

INDEX = "frames.json"
FORMAT = 1
MAX_INDEX_BYTES = 200_000_000
ABOUT = (
    "Pictures kept from videos. 'group' is the place: pictures of one group share ground, directly or through others; "
    "never teach and judge on the same group. Labels: 'name' is the picture's file name."
)


@dataclass
class Index:
    """What ``frames.json`` holds: settings, one entry a video, one entry a picture in the order of keeping."""

    settings: dict[str, Any]
    videos: list[dict[str, Any]] = field(default_factory=list)
    frames: list[dict[str, Any]] = field(default_factory=list)

    def groups(self) -> dict[str, str]:
        """Return the place of every picture by name."""
        return {str(f["name"]): str(f["group"]) for f in self.frames}

    def metres_per_px(self) -> dict[str, float]:
        """Return the ground sampling distance by name, where it is known."""
        known = {str(f["name"]): f.get("metres_per_px") for f in self.frames}
        return {n: float(v) for n, v in known.items() if isinstance(v, int | float) and 0 < v < 1}


def read_index(folder: Path) -> Index | None:
    """Return the folder's index, None if it has none.

    Raises
    ------
    InputError
        If the file is damaged, too large, or of another version.
    """
    path = folder / INDEX
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > MAX_INDEX_BYTES:
            raise ValueError("too large")
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["format"] != FORMAT:
            raise ValueError(f"format {data['format']}")
        index = Index(dict(data["settings"]), list(data["videos"]), list(data["frames"]))
        for frame in index.frames:
            if Path(str(frame["name"])).name != frame["name"] or not isinstance(frame["group"], str):
                raise ValueError("a name or group")
            dict(frame["shares"])
        for video in index.videos:
            str(video["name"]), str(video["hash"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError("the index of kept pictures is damaged", where=str(path), value=str(error)[:60],
                         remedy="restore it, or write into another folder") from error  # fmt: skip
    return index


def write_index(folder: Path, index: Index) -> None:
    """Write ``frames.json``: wholly or not at all."""
    data = {"format": FORMAT, "about": ABOUT, **vars(index)}
    write_whole(folder / INDEX, json.dumps(data, ensure_ascii=False, indent=1).encode())


def write_whole(path: Path, data: bytes, *, sync: bool = True) -> None:
    """Write a file so that it is there wholly or not at all, whatever happens (without ``sync``: but a power cut)."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        with unfinished.open("wb") as stream:
            stream.write(data)
            stream.flush()
            if sync:
                os.fsync(stream.fileno())
        unfinished.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            unfinished.unlink()
        raise InputError(f"the file cannot be written ({error.strerror})", where=str(path),
                         remedy="make room on the disk; run the same command to go on") from error  # fmt: skip


def settle_on_disk(paths: list[Path]) -> None:
    """Return when these files are on the disk, a power cut or not."""
    for path in paths:
        with path.open("rb") as stream:
            os.fsync(stream.fileno())


class Journal:
    """What is known of a video that is not done yet, one JSON line a kept picture; a cut line counts for nothing."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def lines(self) -> list[dict[str, Any]]:
        """Return the whole lines."""
        found: list[dict[str, Any]] = []
        if not self.path.is_file():
            return found
        with self.path.open("rb") as stream:
            for line in stream:
                try:
                    entry = json.loads(line) if line.endswith(b"\n") else None
                except ValueError:
                    entry = None
                if not isinstance(entry, dict):
                    break
                found.append(entry)
        return found

    def begin(self, lines: list[dict[str, Any]]) -> None:
        """Start the journal with these lines."""
        write_whole(self.path, b"".join(json.dumps(line).encode() + b"\n" for line in lines))

    def append(self, line: dict[str, Any]) -> None:
        """Add one line."""
        try:
            with self.path.open("ab") as stream:
                stream.write(json.dumps(line).encode() + b"\n")
        except OSError as error:
            raise InputError(f"the file cannot be written ({error.strerror})", where=str(self.path),
                             remedy="make room on the disk; run the same command to go on") from error  # fmt: skip

    def done(self) -> None:
        """Take the journal away."""
        self.path.unlink(missing_ok=True)


def alone(folder: Path) -> contextlib.AbstractContextManager[None]:
    """Hold the folder: a second command that writes into it is told so."""
    busy = InputError(
        "another command is writing into this folder", where=str(folder), remedy="wait until it has ended"
    )
    return folder_held(folder, busy)

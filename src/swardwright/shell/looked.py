"""What was found on pictures so far, kept picture by picture, so that an interrupted look goes on where it stopped.

One file of JSON lines: the first says what the look is made from (detector and recording), each further one holds what
was found on one picture. A last line that was cut is passed over; a file made from anything else is begun anew. The
file may be deleted at any time: its pictures are then looked through again.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from swardwright.domain.errors import InputError, SiteError
from swardwright.domain.frame import Detection
from swardwright.shell.codec import from_text, to_text

FORMAT = "swardwright looked 1"
#: larger files are not ours
MAX_BYTES = 2_000_000_000


class Looked:
    """What was found so far, by the key of the picture.

    Parameters
    ----------
    path : Path
        The file; it and its folder are made when there is something to keep.
    made_from : str
        Hash of everything that the findings depend on but the picture itself.
    """

    def __init__(self, path: Path, made_from: str) -> None:
        self._path, self._head = path, to_text((FORMAT, made_from)) + "\n"
        self.found: dict[str, tuple[Detection, ...]] = {}
        self._good = self._read()
        self._stream: IO[bytes] | None = None

    def _read(self) -> int:
        """Take over what the file holds; return how many of its bytes are good."""
        try:
            if self._path.stat().st_size > MAX_BYTES:
                return 0
            lines = self._path.read_bytes().splitlines(keepends=True)
        except OSError:
            return 0
        if not lines or lines[0] != self._head.encode():
            return 0
        good = len(lines[0])
        for line in lines[1:]:
            try:
                key, found = from_text(line.decode("utf-8"), tuple[str, tuple[Detection, ...]])
            except (ValueError, SiteError):
                break
            if not line.endswith(b"\n"):
                break
            self.found[key] = found
            good += len(line)
        return good

    def keep(self, key: str, found: list[Detection]) -> None:
        """Note what was found on one picture; it is there when the program is killed right after."""
        self.found[key] = tuple(found)
        try:
            if self._stream is None:
                self._stream = self._opened()
            self._stream.write((to_text((key, tuple(found))) + "\n").encode())
            self._stream.flush()
        except OSError as error:
            raise InputError(
                f"the file cannot be written ({error.strerror})", where=str(self._path),
                remedy="see that you may write there and the disk is not full, then run this again: it goes on",
            ) from error  # fmt: skip

    def _opened(self) -> IO[bytes]:
        self._path.parent.mkdir(exist_ok=True)
        stream = self._path.open("r+b" if self._good else "wb")
        stream.truncate(self._good)
        stream.seek(self._good)
        if not self._good:
            stream.write(self._head.encode())
        return stream

    def close(self) -> None:
        """Close the file, for the next look to go on from."""
        if self._stream is not None:
            self._stream.close()

    def done(self) -> None:
        """Throw the file away: everything found is stored elsewhere now."""
        self.close()
        with contextlib.suppress(OSError):
            self._path.unlink()


@contextlib.contextmanager
def looked(path: Path, made_from: str) -> Iterator[Looked]:
    """Have at hand what was found so far; the file is closed at the end, whatever happens."""
    kept = Looked(path, made_from)
    try:
        yield kept
    finally:
        kept.close()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file, whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise InputError(f"the file cannot be written ({error.strerror})", where=str(path),
                         remedy="name a place that you may write to") from error  # fmt: skip

"""What is kept between commands: arrays that can be made again, and a folder held by one command at a time."""

from __future__ import annotations

import contextlib
import os
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import SwardwrightError

#: larger files are not ours
MAX_KEPT_BYTES = 20_000_000


def kept_arrays(path: Path) -> dict[str, NDArray[Any]] | None:
    """Return the arrays of a file of kept results; None where it is not there, too large or not as we write it.

    Nothing is lost by that: whoever asks makes them anew. No objects are unpickled, and what the file unpacks to is
    bounded as the file is.
    """
    try:
        if path.stat().st_size > MAX_KEPT_BYTES:
            return None
        with zipfile.ZipFile(path) as archive:
            if sum(part.file_size for part in archive.infolist()) > MAX_KEPT_BYTES:
                return None
        with np.load(path, allow_pickle=False) as data:
            return {name: data[name] for name in data.files}
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile, zlib.error, NotImplementedError):
        return None


@contextlib.contextmanager
def folder_held(folder: Path, busy: SwardwrightError) -> Iterator[None]:
    """Hold an advisory lock on a folder itself: no file is left behind, and it ends with the process.

    Where the system has no ``flock`` nothing is held.

    Raises
    ------
    SwardwrightError
        ``busy``, if another process holds it.
    """
    try:
        import fcntl
    except ImportError:  # pragma: no cover - not on POSIX
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise busy from error
        yield
    finally:
        os.close(handle)

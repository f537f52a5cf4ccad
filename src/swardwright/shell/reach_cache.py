"""The reach map kept in the site folder, so that it is not made anew by every command that plans.

``cache/reach-<hash>.npz``: the hash is of everything that reach depends on, and of the code that makes the map. What is
read is checked posture by posture; a file that is damaged, or another's, is passed over and the map made again. The
folder may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.shell.keeping import kept_arrays

FOLDER = "cache"


def recall_reach(folder: Path, rig: Rig) -> None:
    """Have the kept reach map at hand, where the site folder has one for this rig."""
    from swardwright.planning.reach_map import from_arrays

    kept = kept_arrays(_path(folder, rig))
    if kept is not None:
        from_arrays(rig, kept)


def keep_reach(folder: Path, rig: Rig) -> None:
    """Keep the rig's reach map in the site folder, in place of others."""
    from swardwright.planning.reach_map import reach_map, to_arrays

    path = _path(folder, rig)
    if not path.exists() or kept_arrays(path) is None:
        _write(path, to_arrays(reach_map(rig)))


def _path(folder: Path, rig: Rig) -> Path:
    return folder / FOLDER / f"reach-{_hash(rig)}.npz"


def _hash(rig: Rig) -> str:
    from swardwright.domain import arm, lean, places
    from swardwright.planning import collision, descent, reach, reach_map

    modules = (arm, lean, places, collision, descent, reach, reach_map)
    code = b"".join(Path(str(m.__file__)).read_bytes() for m in modules)
    return hashlib.sha256(repr(reach.content_key(rig)).encode() + code).hexdigest()[:24]


def _write(path: Path, arrays: dict[str, Array]) -> None:
    """Write the file, whole or not at all; a folder that cannot be written to is no fault: the map is made again."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(exist_ok=True)
        for old in path.parent.glob("reach-*.npz"):
            old.unlink()
        with part.open("wb") as file:
            np.savez_compressed(file, first_m=arrays["first_m"], joints_rad=arrays["joints_rad"])
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()

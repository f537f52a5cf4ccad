"""Labelled pictures as what teaching takes: grouped by place, checked when they are loaded."""

from __future__ import annotations

import functools
import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.footage.picture import decode_or_tell
from swardwright.labels import LabelSet, picture_path
from swardwright.labels.splits import BLOCKS, Seen, place_groups
from swardwright.learning import Sample
from swardwright.shell.frames_index import read_index

if TYPE_CHECKING:
    from swardwright.shell.open_site import OpenSite

Image = NDArray[np.uint8]


def decoded(data: bytes, name: str, *, upright: bool = True) -> Image:
    """Return the RGB picture of compressed bytes."""
    return decode_or_tell(data, upright, name, None, "save it again as JPEG or PNG")


def samples_from_labels(
    labels: LabelSet,
    root: Path,
    *,
    exclude: frozenset[str] = frozenset(),
    grouping: str = "auto",
    min_radius_px: float = 3.0,
    metres_per_px: float | None = None,
) -> list[Sample]:
    """Turn labelled pictures into samples, grouped by place.

    Parameters
    ----------
    exclude : frozenset[str]
        Pictures to leave out: file names, with or without folder and ending.
    grouping : str
        ``folder``: a folder is a place. ``block``: neighbours in the order of names are (about eight blocks).
        ``picture``: each picture is. ``auto``: as ``frames`` found them where the folder has its index; else by folder
        where there are four or more, else by block.
    min_radius_px : float
        Smaller labels count neither as plants nor as bare ground.

    Raises
    ------
    InputError
        If an excluded name is not there, a picture is missing, or has another size than the labels state.
    """
    kept = []
    unused = set(exclude)
    for picture in sorted(labels.pictures, key=lambda p: p.file_name):
        name = Path(picture.file_name)
        ways = {picture.file_name, name.name, name.stem}
        unused -= ways
        if not ways & exclude:
            kept.append(picture)
    if unused:
        raise InputError("a picture to leave out is not among the labels", field="exclude",
                         value=", ".join(sorted(unused)), remedy="correct the name")  # fmt: skip
    index = read_index(root) if root.is_dir() else None  # of pictures that were chosen from videos
    places = index.groups() if index is not None and grouping == "auto" else {}
    scales = index.metres_per_px() if index is not None else {}
    groups = place_groups([Seen(p.file_name) for p in kept if p.file_name not in places], grouping) | dict(places)
    samples = []
    for picture in kept:
        path = picture_path(root, picture.file_name)
        small = tuple(lb for lb in picture.labels if lb.radius_px < min_radius_px)
        samples.append(
            Sample(
                picture.file_name, functools.partial(_picture_of_size, path, picture.width_px, picture.height_px),
                tuple(lb for lb in picture.labels if lb.radius_px >= min_radius_px), groups[picture.file_name],
                (*picture.ignored, *small), metres_per_px or scales.get(picture.file_name),
            )
        )  # fmt: skip
    return samples


def _picture_of_size(path: Path, width: int, height: int) -> Image:
    """Return the picture as it was labelled: turned upright or, where only that fits the stated size, as stored."""
    data = path.read_bytes()
    image = decoded(data, path.name)
    if image.shape[:2] != (height, width):
        image = decoded(data, path.name, upright=False)
    if image.shape[:2] != (height, width):
        raise InputError("the picture has another size than its labels", where=path.name,
                         value=f"{image.shape[1]} x {image.shape[0]} px", limit=f"{width} x {height} px",
                         remedy="label the pictures as they are, or resize both")  # fmt: skip
    return image


def samples_of_site(
    opened: OpenSite, *, version: int | None = None, places: str = "auto", min_radius_px: float = 3.0
) -> list[Sample]:
    """Return the site's labelled pictures, grouped by place.

    Parameters
    ----------
    places : str
        ``recording``: a recording is a place. ``block``: neighbours in the order of time are (about eight blocks in
        each recording), or pictures of the same ground where that is known (``Frame.place``). ``auto``: by recording
        where plants are labelled in three or more, else by block.
    """
    from swardwright.shell.label_samples import site_samples

    labelled = opened.store.labelled(version)
    groups = None
    with_plants = {one.frame.recording for one in labelled if one.labels}
    if places == "block" or (places == "auto" and len(with_plants) < 3):
        count, seen, groups = Counter(one.frame.recording for one in labelled), Counter[str](), {}
        for one in sorted(labelled, key=lambda o: (o.frame.recording, o.frame.stamp_ns, o.id)):
            name = one.frame.recording
            block = seen[name] // max(1, math.ceil(count[name] / BLOCKS)) + 1
            groups[one.id] = f"{name} block {block}" if one.frame.place is None else f"{name} place {one.frame.place}"
            seen[name] += 1
    return site_samples(opened, version=version, groups=groups, min_radius_px=min_radius_px)


def names_given(values: Sequence[str]) -> frozenset[str]:
    """Return names given singly or, after '@', in a file with one name per line."""
    names: set[str] = set()
    for value in values:
        if not value.startswith("@"):
            names.add(value)
            continue
        path = Path(value[1:])
        if not path.is_file() or path.stat().st_size > 10_000_000:
            raise InputError("the list of names is not a readable file", field="exclude", value=value,
                             remedy="name a text file with one picture per line")  # fmt: skip
        names |= {line.strip() for line in path.read_text(encoding="utf-8").splitlines() if line.strip()}
    return frozenset(names)

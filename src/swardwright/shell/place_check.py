"""Places kept apart before a detector learns: pictures are compared, and no ground judges what it has taught.

What is kept of each picture, and the pairs found among a set of pictures, lie in a folder ``cache`` by the hash of
their content: the second time costs no more than reading the pictures. The folder may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.labels.near_copies import VERSION, Look, NearCopy, look_of, near_copies
from swardwright.labels.splits import Seen, check_split, merged, named, split
from swardwright.shell.keeping import MAX_KEPT_BYTES, kept_arrays

if TYPE_CHECKING:
    from swardwright.learning import Sample, TeachSettings

FOLDER = "cache"
Progress = Callable[[str, int, int], None]


@dataclasses.dataclass(frozen=True, eq=False)
class Apart:
    """Samples with places that share no ground.

    Attributes
    ----------
    taught : tuple[Sample, ...]
        To teach on; with folds, all pictures.
    held : tuple[Sample, ...] | None
        To judge on; None: places are held out fold by fold.
    notes : tuple[str, ...]
        What was done, for the person and the card.
    """

    taught: tuple[Sample, ...]
    held: tuple[Sample, ...] | None
    notes: tuple[str, ...]


def kept_apart(
    samples: Sequence[Sample],
    settings: TeachSettings,
    *,
    stated: bool = False,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> Apart:
    """Compare the pictures of different places and split them so that no ground is on both sides.

    Parameters
    ----------
    stated : bool
        A person stated what the places are: places that share ground are then refused, naming the pairs. Otherwise they
        are put together, and the notes say so.
    cache : Path, optional
        Folder for what is kept.

    Raises
    ------
    InputError
        If stated places share ground, or no split leaves labels on both sides.
    """
    groups = {s.name: s.group for s in samples}
    copies, blank = copies_among({s.name: s.load for s in samples}, groups, cache=cache, progress=progress)
    if stated and copies:
        raise InputError(
            f"{len(copies)} pairs of pictures from different places show the same ground, so the score would flatter:"
            f" {named(sorted(copies, key=lambda c: -c.shared))}",
            field="places", limit="no ground in two places",
            remedy="put the two pictures of each pair into one place, or let places be found: --places auto",
        )  # fmt: skip
    notes: tuple[str, ...] = (f"{blank} pictures show too little to be compared with others",) if blank else ()
    if settings.folds > 1:
        joined = merged(groups, [(c.first, c.second) for c in copies])
        if copies:
            notes += (f"{len(copies)} pairs of pictures of different places show the same ground, so these places were"
                      f" put together: {named(copies)}",)  # fmt: skip
        return Apart(tuple(dataclasses.replace(s, group=joined[s.name]) for s in samples), None, notes)
    seen = [Seen(s.name, Counter(label.kind for label in s.labels)) for s in samples]
    chosen = split(seen, groups, fraction=settings.holdout_fraction, seed=settings.seed, copies=copies)
    check_split(chosen.taught, chosen.held, copies)
    by_name = {s.name: s for s in samples}
    return Apart(tuple(by_name[n] for n in chosen.taught), tuple(by_name[n] for n in chosen.held),
                 notes + chosen.notes)  # fmt: skip


def taught_ground(
    taught: Sequence[Sample], others: Sequence[Sample], *, cache: Path | None = None, progress: Progress | None = None
) -> tuple[NearCopy, ...]:
    """Return the pairs of a taught and another picture that show the same ground, most of it in common first."""
    if not taught or not others:
        return ()
    places = {s.name: "taught" for s in taught} | {s.name: "others" for s in others}
    copies, _ = copies_among({s.name: s.load for s in (*taught, *others)}, places, cache=cache, progress=progress)
    return tuple(sorted(copies, key=lambda c: -c.shared))


def copies_among(
    pictures: Mapping[str, Callable[[], NDArray[np.uint8]]],
    places: Mapping[str, str] | None = None,
    *,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> tuple[tuple[NearCopy, ...], int]:
    """Return the near copies among pictures (of different places, where given), and how many show too little to tell.

    Parameters
    ----------
    pictures : Mapping
        Name to a function that returns the picture, red-green-blue.
    """
    threads = min(os.cpu_count() or 1, 8)
    names = sorted(pictures)

    def seen(name: str) -> tuple[str, Look]:
        try:
            image = pictures[name]()
            key = hashlib.sha256(repr((VERSION, image.shape)).encode() + image.tobytes()).hexdigest()[:32]
            path = None if cache is None else cache / f"look-{key}.npz"
            look = None if path is None else _read_look(path)
            if look is None:
                look = look_of(image)
                if path is not None:
                    _write(path, functools.partial(_save, look))
        except InputError as error:
            error.where = error.where or name
            raise
        return key, look

    keys, looks = {}, {}
    with ThreadPoolExecutor(threads) as pool:
        try:
            for number, (name, (key, look)) in enumerate(zip(names, pool.map(seen, names), strict=True), start=1):
                keys[name], looks[name] = key, look
                if progress is not None:
                    progress("reading pictures", number, len(names))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    blank = sum(len(look.points) < 8 for look in looks.values())
    asked = json.dumps([VERSION, [(n, keys[n], places[n] if places else n) for n in names]])
    path = None if cache is None else cache / f"copies-{hashlib.sha256(asked.encode()).hexdigest()[:32]}.json"
    kept = None if path is None else _read_copies(path, set(names))
    if kept is None:
        kept = near_copies(looks, places, progress, threads=threads)
        if path is not None:
            text = json.dumps([dataclasses.asdict(c) for c in kept])
            _write(path, lambda file: file.write(text.encode()))
    return kept, blank


def _save(look: Look, file: Any) -> None:
    np.savez(
        file, grey=look.grey, points=look.points, turn_rad=look.turn_rad, zoom_log2=look.zoom_log2, words=look.words
    )


def _read_look(path: Path) -> Look | None:
    """Return what is kept of a picture; None where the file is not there or not as we write it."""
    arrays = kept_arrays(path)
    if arrays is None or {f.name for f in dataclasses.fields(Look)} - set(arrays):
        return None
    look = Look(**{f.name: arrays[f.name] for f in dataclasses.fields(Look)})
    n = len(look.points)
    sound = (
        look.grey.ndim == 2 and look.grey.dtype == np.uint8 and look.points.shape == (n, 2)
        and look.turn_rad.shape == look.zoom_log2.shape == (n,) and look.words.shape == (n, 128)
        and all(np.isfinite(a).all() for a in (look.points, look.turn_rad, look.zoom_log2))
    )  # fmt: skip
    return look if sound else None


def _read_copies(path: Path, names: set[str]) -> tuple[NearCopy, ...] | None:
    try:
        if path.stat().st_size > MAX_KEPT_BYTES:
            return None
        kept = tuple(NearCopy(**item) for item in json.loads(path.read_bytes()))
        return kept if all({c.first, c.second} <= names and 0 <= c.shared <= 1.01 for c in kept) else None
    except (OSError, ValueError, TypeError, RecursionError):
        return None


def _write(path: Path, write: Callable[[Any], Any]) -> None:
    """Write a file whole or not at all; a folder that cannot be written to is no fault."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            write(file)
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()

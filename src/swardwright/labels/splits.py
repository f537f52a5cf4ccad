"""Splits by place and day: pictures of the same ground never stand on both sides.

Near copies are put into one place. Where that would join everything into one (a recording whose pictures overlap all
along the way), places stay as they are, and pictures to be taught that show ground of the held-out side are set aside.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.labels.near_copies import NearCopy

#: about so many blocks of neighbouring pictures, where nothing else says what a place is
BLOCKS = 8
#: folders are taken for places where there are at least so many of them
FOLDERS_MIN = 4
#: pairs that share at least this much of the smaller picture's ground are of one place
SHARED_GROUND = 0.1
#: joining near copies must leave so many places with labels, else pictures are set aside instead
PLACES_MIN = 3
TRIES = 200
WAYS = ("auto", "recording", "folder", "block", "picture")


@dataclass(frozen=True, eq=False)
class Seen:
    """What is known of where and when a labelled picture was taken.

    Attributes
    ----------
    name : str
        Unique; file name or frame id.
    kinds : Mapping[str, int]
        Labels by kind; empty for bare ground.
    recording, day : str | None
        Known or not.
    ground : str | None
        Number of the group of frames that see the same ground, where frames were chosen from a video.
    outline : NDArray[float64] | None
        Shape (k, 2): convex outline on the ground (m), where the pose is known.
    """

    name: str
    kinds: Mapping[str, int] = field(default_factory=dict)
    recording: str | None = None
    day: str | None = None
    ground: str | None = None
    outline: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Split:
    """Names of pictures: every one in exactly one of the three."""

    taught: tuple[str, ...]
    held: tuple[str, ...]
    aside: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def place_groups(pictures: Sequence[Seen], by: str = "auto") -> dict[str, str]:
    """Return the place of each picture by name.

    Pictures whose outlines share ground, or of the same group of a video, are of one place; the others go by
    recording and day; where neither is known, by folder (four or more folders) or by blocks of neighbouring names.

    Parameters
    ----------
    by : str
        ``auto`` as above, or one rule for all: ``recording`` (and day), ``folder``, ``block``, ``picture``.

    Raises
    ------
    InputError
        If two pictures have the same name, or the rule is none of these.
    """
    names = [p.name for p in pictures]
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise InputError("two pictures have the same name", field="name", value=twice[0], remedy="name them apart")
    if by not in WAYS:
        raise InputError("there is no such rule for places", field="places", value=by, limit=", ".join(WAYS))
    if by == "picture":
        return {name: name for name in names}
    if by == "folder":
        return {name: str(PurePosixPath(name).parent) for name in names}
    if by == "block":
        return _blocks(sorted(names))
    groups: dict[str, str] = {}
    bare = []
    for p in pictures:
        if by == "auto" and p.ground is not None:
            groups[p.name] = f"{p.recording or 'video'} place {p.ground}"
        elif p.recording is not None or p.day is not None:
            groups[p.name] = " ".join(part for part in (p.recording, p.day) if part)
        else:
            bare.append(p.name)
    folders = {str(PurePosixPath(name).parent) for name in bare}
    if len(folders) >= FOLDERS_MIN:
        groups |= {name: str(PurePosixPath(name).parent) for name in bare}
    else:
        groups |= _blocks(sorted(bare))
    if by == "auto":
        groups |= _by_outline([p for p in pictures if p.outline is not None and p.ground is None], groups)
    return {name: groups[name] for name in names}


def _blocks(names: Sequence[str]) -> dict[str, str]:
    size = max(1, math.ceil(len(names) / BLOCKS))
    return {name: f"block {number // size + 1}" for number, name in enumerate(names)}


def _by_outline(pictures: Sequence[Seen], groups: Mapping[str, str]) -> dict[str, str]:
    """Return places of pictures whose outline is known: those that share ground, whatever day, are one."""
    pairs = [(a.name, b.name) for a, b in shared_outlines(pictures)]
    own = {p.name: p.name for p in pictures}
    joined = merged(own, pairs)
    by_place: dict[str, list[str]] = {}
    for name, place in joined.items():
        by_place.setdefault(place, []).append(name)
    out = {}
    for number, members in enumerate(sorted(map(sorted, by_place.values())), start=1):
        recordings = sorted({groups[name] for name in members})
        for name in members:
            out[name] = f"{' + '.join(recordings[:3])} ground {number}"
    return out


def shared_outlines(pictures: Sequence[Seen], share: float = SHARED_GROUND) -> list[tuple[Seen, Seen]]:
    """Return the pairs whose outlines have at least ``share`` of the smaller one in common."""
    import cv2

    shapes = [(p, np.asarray(p.outline, float)) for p in pictures if p.outline is not None]
    if not shapes:
        return []
    low = np.array([s.min(axis=0) for _, s in shapes])
    high = np.array([s.max(axis=0) for _, s in shapes])
    pairs = []
    for i, (first, a) in enumerate(shapes):
        near = (low[i + 1 :] < high[i]).all(axis=1) & (high[i + 1 :] > low[i]).all(axis=1)
        for j in np.flatnonzero(near) + i + 1:
            second, b = shapes[j]
            one, other = ((s - a.mean(axis=0)).astype(np.float32) for s in (a, b))
            smaller = min(cv2.contourArea(one), cv2.contourArea(other))
            if smaller > 0 and cv2.intersectConvexConvex(one, other)[0] >= share * smaller:
                pairs.append((first, second))
    return pairs


def merged(groups: Mapping[str, str], pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Return the places with those of each pair put together, named after the first of them in order."""
    top = {place: place for place in groups.values()}

    def root(place: str) -> str:
        while top[place] != place:
            top[place] = top[top[place]]
            place = top[place]
        return place

    for one, other in pairs:
        a, b = sorted((root(groups[one]), root(groups[other])))
        top[b] = a
    return {name: root(place) for name, place in groups.items()}


def leaks(taught: Iterable[str], held: Iterable[str], copies: Iterable[NearCopy]) -> tuple[NearCopy, ...]:
    """Return the near copies with one picture on each side."""
    left, right = set(taught), set(held)
    return tuple(
        c for c in copies if (c.first in left and c.second in right) or (c.first in right and c.second in left)
    )


def check_split(taught: Iterable[str], held: Iterable[str], copies: Iterable[NearCopy]) -> None:
    """Refuse a split with the same ground on both sides.

    Raises
    ------
    InputError
        Naming the pairs (the first five).
    """
    found = sorted(leaks(taught, held, copies), key=lambda c: -c.shared)
    if found:
        raise InputError(
            f"{len(found)} pairs of pictures, one taught and one held out, show the same ground, so the score would"
            f" flatter: {named(found)}",
            field="places", limit="no ground on both sides",
            remedy="put the two pictures of each pair into one place, or let places be found: --places auto",
        )  # fmt: skip


def named(copies: Sequence[NearCopy], most: int = 5) -> str:
    """Return pairs in words, the first ``most`` of them."""
    words = [f"{c.first} and {c.second} ({100 * c.shared:.0f} % of the ground)" for c in copies[:most]]
    return "; ".join(words) + (f"; and {len(copies) - most} more" if len(copies) > most else "")


def split(
    pictures: Sequence[Seen],
    groups: Mapping[str, str],
    *,
    fraction: float = 0.2,
    seed: int = 0,
    copies: Sequence[NearCopy] = (),
) -> Split:
    """Split whole places into taught and held out, with no ground on both sides and kinds spread over both.

    Parameters
    ----------
    groups : Mapping[str, str]
        Place by picture name; see ``place_groups``.
    fraction : float
        Share of the pictures to hold out, as nearly as whole places allow.
    copies : Sequence[NearCopy]
        Pictures of the same ground: their places are joined; where that leaves fewer than three places with labels,
        the taught picture of a pair across the split is set aside instead.

    Raises
    ------
    InputError
        If no split leaves labels on both sides.
    """
    labelled = {p.name for p in pictures if sum(p.kinds.values())}
    pairs = [(c.first, c.second) for c in copies if c.first in groups and c.second in groups]
    across = [c for c in copies if groups.get(c.first) != groups.get(c.second)]
    joined = merged({p.name: groups[p.name] for p in pictures}, pairs)
    notes: list[str] = []
    before = len({groups[name] for name in labelled})
    left = len({joined[name] for name in labelled})
    whole = left >= min(PLACES_MIN, before)
    if whole and across:
        notes.append(f"{len(across)} pairs of pictures of different places show the same ground, so these places were"
                     f" put together: {named(across)}")  # fmt: skip
    places = joined if whole else {p.name: groups[p.name] for p in pictures}
    if len({places[name] for name in labelled}) < 2:
        raise InputError("plants must be labelled in at least two places", field="labels",
                         value=", ".join(sorted({places[n] for n in labelled})[:5]) or "none",
                         remedy="label plants in pictures of another place or day")  # fmt: skip
    best = _best(pictures, places, pairs, fraction, np.random.default_rng([seed, 7]))
    if best is None:
        raise InputError("the pictures overlap so much that none can be held out", field="places",
                         value=named(across, 3), remedy="add pictures of other ground, at least a few")  # fmt: skip
    held, aside = best
    if aside:
        notes.append(f"{len(aside)} pictures were set aside: they show ground of the held-out side"
                     f" ({', '.join(sorted(aside)[:5])}{', ...' if len(aside) > 5 else ''})")  # fmt: skip
    return Split(
        tuple(p.name for p in pictures if p.name not in held and p.name not in aside),
        tuple(p.name for p in pictures if p.name in held),
        tuple(p.name for p in pictures if p.name in aside),
        tuple(notes),
    )


def _best(
    pictures: Sequence[Seen],
    places: Mapping[str, str],
    pairs: Sequence[tuple[str, str]],
    fraction: float,
    rng: np.random.Generator,
) -> tuple[set[str], set[str]] | None:
    """Return (held, set aside) of the best of many random choices of places, None if none has labels on both sides.

    Best is: kinds on both sides, few set aside, near the wanted share, kinds in like proportions.
    """
    order = sorted(set(places.values()))
    number = {place: i for i, place in enumerate(order)}
    member = np.array([number[places[p.name]] for p in pictures])
    kinds = sorted({k for p in pictures for k, n in p.kinds.items() if n > 0})
    counts = np.array([[p.kinds.get(k, 0) for k in kinds] for p in pictures], float).reshape(len(pictures), -1)
    index = {p.name: i for i, p in enumerate(pictures)}
    link = np.array([(index[a], index[b]) for a, b in pairs], int).reshape(-1, 2)
    best: tuple[tuple[float, ...], NDArray[np.bool_], NDArray[np.bool_]] | None = None
    for _ in range(TRIES):
        held = np.zeros(len(pictures), bool)
        for place in rng.permutation(len(order)):
            size = (member == place).sum()
            if held.any() and held.sum() + 0.5 * size > fraction * len(pictures):
                continue
            held |= member == place
        aside = np.zeros(len(pictures), bool)
        for one, other in ((link[:, 0], link[:, 1]), (link[:, 1], link[:, 0])):
            aside[other[held[one] & ~held[other]]] = True
        taught = ~held & ~aside
        here, there = counts[held].sum(axis=0), counts[taught].sum(axis=0)
        if here.sum() == 0 or there.sum() == 0:
            continue
        wanting = int(((here == 0) | (there == 0)).sum())
        uneven = float(np.abs(here / here.sum() - there / there.sum()).sum())
        cost = (float(wanting), aside.mean() + abs(held.mean() - fraction) + 0.1 * uneven)
        if best is None or cost < best[0]:
            best = (cost, held, aside)
    if best is None:
        return None
    names = np.array([p.name for p in pictures], object)
    return set(names[best[1]].tolist()), set(names[best[2]].tolist())

"""Which frames to label next: what each would teach, given what is labelled and chosen already.

A frame's worth is a product of shares: how unsure the detector is there (entropy of its calibrated
probabilities around the threshold and of the kinds; Settles 2009, "Active learning literature survey", sections 3.1
and 5.1: uncertainty times density or diversity), how unlike anything labelled or chosen the picture is, and how
much of its ground is new; times how many frames look like it (an odd picture teaches of itself only: information
density, Settles 2009, section 3.6; from memory), over the work of labelling it (Settles 2009 on variable labelling
costs; from memory), which grows with the plants expected there. Frames are taken one by one, each changing the worth
of the rest (greedy k-centre, Gonzalez 1985, https://doi.org/10.1016/0304-3975(85)90224-5, for the distance part).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from swardwright.labels.looks import FrameLook, plants_in_short

Array = NDArray[np.float64]
#: no share is less than this, so that none of the three alone can hide a frame
LEAST_SHARE = 0.03
#: from this many frames on, typical distances are measured on a sample
SAMPLE = 400
#: bits that a sure plant of a kind with as many labels as others counts for, and how much more a rare kind can
NEED_WEIGHT, NEED_MOST = 0.5, 4.0
#: a picture is as much work to open and look over as this many plants are to mark (decision 0013)
EFFORT = 5.0


@dataclass(frozen=True)
class QueueFrame:
    """A frame that may be labelled, or is.

    Attributes
    ----------
    ground : frozenset[tuple[int, int]]
        Cells of ground that it shows; empty: not known, and ``group`` counts instead.
    group : str
        Frames of one group show much the same ground.
    """

    look: FrameLook
    ground: frozenset[tuple[int, int]] = field(default_factory=frozenset)
    group: str = ""


@dataclass(frozen=True)
class Queued:
    """A frame in the order of labelling: its worth, the shares (0 to 1) in it, plants expected, and why it is here."""

    frame_id: str
    worth: float
    unsure: float
    novel: float
    new_ground: float
    like_others: float
    plants: float
    why: str


def order(
    pool: Sequence[QueueFrame],
    labelled: Sequence[QueueFrame],
    *,
    threshold: float,
    kinds: Sequence[str],
    labels_of_kind: Mapping[str, int] | None = None,
) -> Iterator[Queued]:
    """Yield the frames of a pool, the one to label first first; as many as are asked for.

    Parameters
    ----------
    labelled : Sequence[QueueFrame]
        Frames labelled already.
    threshold : float
        The detector's: a probability here is the most unsure.
    kinds : Sequence[str]
        The detector's.
    labels_of_kind : Mapping[str, int], optional
        Labels there are of each kind: plants of a kind with few count more.
    """
    if not pool:
        return
    doubt, expected = _expected(pool, threshold, tuple(kinds))
    plants = expected.sum(axis=1)
    labels = np.array([float((labels_of_kind or {}).get(k, 0)) for k in kinds])
    every = [*pool, *labelled]
    points = _points(every, tuple(kinds))
    far = _typical_distance(points)
    like = _like_others(points[: len(pool)], far)
    nearest = np.full(len(pool), np.inf)
    taken: set[tuple[int, int]] = set()
    groups: Counter[str] = Counter()

    def take(index: int) -> None:
        np.minimum(nearest, np.linalg.norm(points[: len(pool)] - points[index], axis=1), out=nearest)
        taken.update(every[index].ground)
        if not every[index].ground:
            groups[every[index].group] += 1

    for index in range(len(pool), len(every)):
        take(index)
    left = np.ones(len(pool), bool)
    while left.any():
        unsure = _unsure(doubt, expected, labels)
        novel = np.maximum(np.minimum(nearest / far, 1.0), LEAST_SHARE)
        fresh = np.array([_new_ground(f, taken, groups) for f in pool])
        worth = np.where(left, unsure * novel * fresh * like / (1.0 + plants / EFFORT), -1.0)
        best = int(np.argmax(worth))
        left[best] = False
        yield Queued(
            pool[best].look.frame_id, float(worth[best]), float(unsure[best]), float(novel[best]), float(fresh[best]),
            float(like[best]), float(plants[best]),
            _why(pool[best], plants[best], novel[best], fresh[best], threshold, bool(np.isfinite(nearest[best]))),
        )  # fmt: skip
        take(best)
        labels += expected[best]


def unsure_bits(probability: float, threshold: float) -> float:
    """Return the binary entropy (bits) of a probability after the threshold was moved to one half (on the logit)."""
    p, t = (min(max(v, 1e-6), 1.0 - 1e-6) for v in (probability, threshold))
    odds = p / (1.0 - p) * (1.0 - t) / t
    q = odds / (1.0 + odds)
    return -sum(v * math.log2(v) for v in (q, 1.0 - q) if v > 0.0)


def _expected(pool: Sequence[QueueFrame], threshold: float, kinds: tuple[str, ...]) -> tuple[Array, Array]:
    """Return each frame's doubt (bits) and the number of plants of each kind that the detector expects there."""
    doubt, expected = np.zeros(len(pool)), np.zeros((len(pool), len(kinds)))
    index = {kind: i for i, kind in enumerate(kinds)}
    for n, frame in enumerate(pool):
        for found in frame.look.detections:
            shares = [s for _, s in found.kinds if s > 0.0]
            of_kind = -sum(s * math.log2(s) for s in shares) / max(math.log2(max(len(found.kinds), 2)), 1.0)
            doubt[n] += unsure_bits(found.probability, threshold) + found.probability * of_kind
            for kind, share in found.kinds:
                if kind in index:
                    expected[n, index[kind]] += found.probability * share
    return doubt, expected


def _unsure(doubt: Array, expected: Array, labels: Array) -> Array:
    """Return each frame's share of what is to be learnt of single plants (1 where it is most).

    A plant of a kind with few labels, counted with those expected on frames queued before, counts more. By the
    logarithm: ten doubtful plants on one picture teach less than on ten pictures.
    """
    need = np.minimum(np.sqrt((labels.mean() + 1.0) / (labels + 1.0)), NEED_MOST) if labels.size else labels
    share = np.log1p(doubt + NEED_WEIGHT * expected @ need)
    return np.maximum(share / max(float(share.max()), 1e-9), LEAST_SHARE)


def _points(frames: Sequence[QueueFrame], kinds: tuple[str, ...]) -> Array:
    """Return one row per frame: how it looks and what stands on it, each column with unit spread over the frames."""
    looks = np.array([f.look.features for f in frames], float)
    plants = np.array([plants_in_short(f.look.detections, kinds) for f in frames], float)
    parts = []
    for part in (looks, plants):
        spread = part.std(axis=0)
        usable = spread > 1e-6
        if usable.any():
            parts.append((part - part.mean(axis=0))[:, usable] / spread[usable] / math.sqrt(usable.sum()))
    return np.concatenate(parts, axis=1) if parts else np.zeros((len(frames), 1))


def _typical_distance(points: Array) -> float:
    """Return the median distance between two frames."""
    some = points[:: max(1, len(points) // SAMPLE)]
    gaps = np.linalg.norm(some[:, None] - some[None], axis=2)
    pairs = gaps[np.triu_indices(len(some), 1)]
    return max(float(np.median(pairs)), 1e-9) if pairs.size else 1.0


def _like_others(points: Array, far: float) -> Array:
    """Return how many frames look like each, as a share of where most do (Gaussian, half the typical distance)."""
    some = points[:: max(1, len(points) // SAMPLE)]
    near: Array = np.exp(-2.0 * (cdist(points, some) / far) ** 2).mean(axis=1)
    like: Array = np.maximum(near / near.max(), LEAST_SHARE)
    return like


def _new_ground(frame: QueueFrame, taken: set[tuple[int, int]], groups: Counter[str]) -> float:
    if frame.ground:
        return max(1.0 - len(frame.ground & taken) / len(frame.ground), LEAST_SHARE)
    return 1.0 / (1.0 + groups[frame.group])


def _why(frame: QueueFrame, plants: float, novel: float, fresh: float, threshold: float, compared: bool) -> str:
    doubtful = [d for d in frame.look.detections if unsure_bits(d.probability, threshold) > 0.7]
    torn = [d for d in frame.look.detections if d.probability >= threshold and d.kinds[0][1] < 0.7]
    parts = []
    if doubtful:
        parts.append(f"unsure of {len(doubtful)} " + ("plant" if len(doubtful) == 1 else "plants"))
    if torn:
        parts.append(f"of {len(torn)} it cannot tell the kind")
    if not parts:
        parts.append(f"about {plants:.0f} plants" if plants >= 0.5 else "hardly a plant is found")
    if compared:
        parts.append(f"{100 * novel:.0f} % as unlike what is labelled or queued before as two pictures mostly are")
    if frame.ground:
        parts.append(f"{100 * fresh:.0f} % new ground")
    elif fresh < 1.0:
        parts.append(f"{round(1 / fresh) - 1} of the same ground or recording before it")
    return "; ".join(parts)


def cells_of(outline: Array, cell_m: float) -> frozenset[tuple[int, int]]:
    """Return the cells whose middle lies inside a convex outline (k, 2)."""
    low, high = np.floor(outline.min(axis=0) / cell_m), np.ceil(outline.max(axis=0) / cell_m)
    if np.prod(high - low) > 1e6:
        return frozenset()
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    middle = (points + 0.5) * cell_m
    edges = np.roll(outline, -1, axis=0) - outline
    side = edges[None, :, 0] * (middle[:, None, 1] - outline[None, :, 1]) - edges[None, :, 1] * (
        middle[:, None, 0] - outline[None, :, 0]
    )
    inside = (side >= 0).all(axis=1) | (side <= 0).all(axis=1)
    return frozenset((int(a), int(b)) for a, b in points[inside])

"""Average precision: the area under precision over recall, on boxes as COCO defines it and on crown distances.

Definition of COCO's detection evaluation (Lin et al. 2014, arXiv:1405.0312, and its reference program): precision made
falling from the right, read at 101 recalls, averaged; ignored regions count neither way. A test compares it with that
program to 1e-6.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
RECALLS = np.linspace(0.0, 1.0, 101)
IOUS = tuple(np.linspace(0.5, 0.95, 10))
FOUND_MAX = 100


@dataclass(frozen=True, eq=False)
class PictureBoxes:
    """Boxes of one picture.

    Attributes
    ----------
    found : Floats
        Shape (n, 4): left, top, width, height of what was found, px.
    score : Floats
        Shape (n,).
    found_kind : NDArray[int64]
        Shape (n,).
    truth : Floats
        Shape (m, 4).
    truth_kind : NDArray[int64]
        Shape (m,).
    crowd : Bools
        Shape (m,): regions that count neither as a plant nor as bare ground.
    """

    found: Floats
    score: Floats
    found_kind: NDArray[np.int64]
    truth: Floats
    truth_kind: NDArray[np.int64]
    crowd: Bools


def crown_boxes(u_px: Floats, v_px: Floats, radius_px: Floats) -> Floats:
    """Return the boxes (n, 4: left, top, width, height) around crowns with a radius."""
    return np.stack([u_px - radius_px, v_px - radius_px, 2 * radius_px, 2 * radius_px], axis=1)


def overlaps(found: Floats, truth: Floats, crowd: Bools) -> Floats:
    """Return intersection over union (n, m); over the found box's own area where the truth is a crowd."""
    if not len(found) or not len(truth):
        return np.zeros((len(found), len(truth)))
    low = np.maximum(found[:, None, :2], truth[None, :, :2])
    high = np.minimum(found[:, None, :2] + found[:, None, 2:], truth[None, :, :2] + truth[None, :, 2:])
    inter = np.prod(np.maximum(high - low, 0.0), axis=2)
    area = np.prod(found[:, 2:], axis=1)[:, None]
    union = np.where(crowd[None, :], area, area + np.prod(truth[:, 2:], axis=1)[None, :] - inter)
    return np.asarray(np.divide(inter, union, out=np.zeros_like(inter), where=union > 0))


def interpolated(hit: Bools, plants: int) -> float:
    """Return average precision of hits in falling order of score: 101 recalls, precision made falling.

    Returns
    -------
    float
        NaN without plants.
    """
    if plants <= 0:
        return float("nan")
    right = np.cumsum(hit).astype(float)
    recall = right / plants
    precision = right / (np.arange(1, len(hit) + 1) + np.spacing(1))
    precision = np.maximum.accumulate(precision[::-1])[::-1]
    at = np.searchsorted(recall, RECALLS, side="left")
    return float(np.where(at < len(hit), np.append(precision, 0.0)[np.minimum(at, len(hit))], 0.0).mean())


def box_average_precision(
    pictures: Sequence[PictureBoxes],
    *,
    ious: Sequence[float] = IOUS,
    found_max: int = FOUND_MAX,
) -> Floats:
    """Return average precision per overlap threshold (len(ious),), the mean over kinds that have a plant; else NaN."""
    kinds = sorted({int(k) for p in pictures for k in p.truth_kind[~p.crowd]})
    rows = [_of_kind(pictures, kind, np.asarray(ious, dtype=float), found_max) for kind in kinds]
    return np.asarray(np.mean(rows, axis=0)) if rows else np.full(len(ious), np.nan)


def _of_kind(pictures: Sequence[PictureBoxes], kind: int, ious: Floats, found_max: int) -> list[float]:
    scores, hits, ignored, plants = [], [], [], 0
    for p in pictures:
        mine = np.flatnonzero(p.found_kind == kind)
        mine = mine[np.argsort(-p.score[mine], kind="stable")][:found_max]
        there = np.flatnonzero(p.truth_kind == kind)
        there = there[np.argsort(p.crowd[there], kind="stable")]
        crowd = p.crowd[there]
        given = _match(overlaps(p.found[mine], p.truth[there], crowd), crowd, ious)
        hit = given >= 0
        in_crowd = np.zeros_like(hit)
        if len(there):
            in_crowd = hit & crowd[np.maximum(given, 0)]
        scores.append(p.score[mine])
        hits.append(hit)
        ignored.append(in_crowd)
        plants += int((~crowd).sum())
    order = np.argsort(-np.concatenate(scores), kind="stable")
    hit, ign = np.concatenate(hits, axis=1)[:, order], np.concatenate(ignored, axis=1)[:, order]
    return [interpolated(h[~i], plants) for h, i in zip(hit, ign, strict=True)]


def _match(overlap: Floats, crowd: Bools, ious: Floats) -> NDArray[np.int64]:
    """Give each box (strongest first) the free truth of largest overlap, a plant before a crowd: (ious, n), -1 none."""
    given = np.full((len(ious), len(overlap)), -1)
    for t, least in enumerate(ious):
        free = np.ones(len(crowd), np.bool_)
        for d, row in enumerate(overlap):
            for some in (free & ~crowd, crowd):  # a crowd takes any number
                fit = np.where(some & (row >= min(least, 1 - 1e-10)), row, -1.0)
                if len(fit) and fit.max() >= 0:
                    best = len(fit) - 1 - int(np.argmax(fit[::-1]))  # of equals the last, as the reference program
                    given[t, d], free[best] = best, False
                    break
    return given

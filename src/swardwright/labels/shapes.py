"""Area and centre of mass of outlines: polygons and COCO run-length masks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError

MAX_MASK_PIXELS = 200_000_000


def polygon_moments(flat: Sequence[float]) -> tuple[float, float, float]:
    """Return area (never negative) and centre of mass x, y of a polygon [x0, y0, x1, y1, ...].

    Green's theorem (the shoelace sums); a polygon that encloses nothing has area 0 and its corners' mean as centre.
    """
    points = np.asarray(flat, dtype=float).reshape(-1, 2)
    origin = points.mean(axis=0)
    x, y = (points - origin).T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    signed = cross.sum() / 2
    if abs(signed) < 1e-9:
        return 0.0, float(origin[0]), float(origin[1])
    cx = ((x + x1) * cross).sum() / (6 * signed)
    cy = ((y + y1) * cross).sum() / (6 * signed)
    return abs(float(signed)), float(origin[0] + cx), float(origin[1] + cy)


def mask_moments(
    mask: dict[str, Any], size: tuple[int, int], field: str, where: str
) -> tuple[float, tuple[float, float]]:
    """Return area (px) and centre of mass (COCO coordinates: pixel (i, j) has its centre at (j + 0.5, i + 0.5)).

    Runs go down the columns, starting with a run of zeros; ``counts`` is a list, or COCO's compressed text.

    Parameters
    ----------
    size : tuple[int, int]
        Width, height of the picture.
    """
    width, height = size
    stated = mask.get("size")
    if stated != [height, width]:
        raise InputError("the mask's size must be [height, width] of its picture", where=where,
                         field=f"{field}.size", value=stated, limit=[height, width])  # fmt: skip
    if width * height > MAX_MASK_PIXELS:
        raise InputError("the mask is too large", where=where, field=f"{field}.size", value=stated)
    counts = mask.get("counts")
    if isinstance(counts, str):
        counts = _uncompressed(counts, f"{field}.counts", where)
    if not isinstance(counts, list) or not all(
        isinstance(c, int) and not isinstance(c, bool) and 0 <= c <= MAX_MASK_PIXELS for c in counts
    ):
        raise InputError("a mask's runs must be whole numbers of 0 or more", where=where, field=f"{field}.counts")
    if sum(counts) != width * height:
        raise InputError("a mask's runs must add up to its pixels", where=where, field=f"{field}.counts",
                         value=sum(counts), limit=width * height)  # fmt: skip
    ends = np.cumsum(np.asarray(counts, dtype=np.int64))
    area, sum_x, sum_y = 0, 0.0, 0.0
    for run in range(1, len(counts), 2):
        index = np.arange(ends[run - 1], ends[run])
        area += len(index)
        sum_x += float((index // height).sum())
        sum_y += float((index % height).sum())
    if area == 0:
        raise InputError("the mask is empty", where=where, field=f"{field}.counts",
                         remedy="correct or remove the annotation")  # fmt: skip
    return float(area), (sum_x / area + 0.5, sum_y / area + 0.5)


def _uncompressed(text: str, field: str, where: str) -> list[int]:
    """Return the runs of COCO's compressed text: six bits per letter from '0', low five first, deltas from the third.

    Scheme as documented in the reference code's ``maskApi.c`` (``rleFrString``); checked against ``pycocotools``.
    """
    counts: list[int] = []
    at = 0
    while at < len(text):
        value = shift = 0
        while True:
            if at >= len(text) or shift > 60:
                raise InputError("the mask's runs are cut", where=where, field=field)
            letter = ord(text[at]) - 48
            if not 0 <= letter < 64:
                raise InputError("the mask's runs have a letter that does not belong", where=where, field=field,
                                 value=text[at])  # fmt: skip
            value |= (letter & 31) << shift
            shift += 5
            at += 1
            if not letter & 32:
                if letter & 16:
                    value -= 1 << shift
                break
        counts.append(value + counts[-2] if len(counts) > 2 else value)
    return counts

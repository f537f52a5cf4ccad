"""Boxes and areas of outlines: polygons and COCO run-length masks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError

MAX_MASK_PIXELS = 200_000_000


def polygon_area(flat: Sequence[float]) -> float:
    """Return the area (never negative) of a polygon [x0, y0, x1, y1, ...] by the shoelace sums (Green's theorem)."""
    points = np.asarray(flat, dtype=float).reshape(-1, 2)
    x, y = (points - points.mean(axis=0)).T
    area = abs(float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2))
    return area if area >= 1e-9 else 0.0


def box_round(rings: Sequence[Sequence[float]]) -> tuple[float, float, float, float]:
    """Return x, y, width, height of the box around rings [x0, y0, x1, y1, ...], in their coordinates."""
    x, y = ([value for ring in rings for value in ring[axis::2]] for axis in (0, 1))
    return min(x), min(y), max(x) - min(x), max(y) - min(y)


def mask_box(mask: dict[str, Any], size: tuple[int, int], field: str, where: str) -> tuple[float, float, float, float]:
    """Return x, y, width, height of the box around a mask's pixels (COCO coordinates: pixel (i, j) fills j to j + 1).

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
    first, last = ends[:-1:2], ends[1::2] - 1
    first, last = first[last >= first], last[last >= first]
    if len(first) == 0:
        raise InputError("the mask is empty", where=where, field=f"{field}.counts",
                         remedy="correct or remove the annotation")  # fmt: skip
    left, right = int(first[0]) // height, int(last[-1]) // height
    over = first // height != last // height  # a run that goes on in the next column touches bottom and top
    top = 0 if over.any() else int((first % height).min())
    bottom = height - 1 if over.any() else int((last % height).max())
    return float(left), float(top), float(right - left + 1), float(bottom - top + 1)


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

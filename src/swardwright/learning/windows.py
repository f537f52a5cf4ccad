"""Cutting large pictures into windows so that the cut changes nothing: pure geometry.

Every window of a picture is of one size (so that they go through the network in stacks), begins at a multiple of 32
pixels and gives out only the cells that lie at least the network's reach away from its cut sides. The sides of the
picture itself are no cuts: there the network sees the same edge as it would in the whole picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.learning.augment import OUTSIDE
from swardwright.learning.samples import Image

#: windows begin at, and are, multiples of so many pixels: the coarsest cells of the networks
MULTIPLE_PX = 32


@dataclass(frozen=True)
class Window:
    """A part of a picture: where it begins, its size, and what of it is given out, pixels of the (shrunk) picture.

    Attributes
    ----------
    top, left, height, width : int
        What the network sees, multiples of 32; it may reach beyond the picture at the bottom and on the right.
    rows, columns : tuple[int, int]
        From (inclusive) and to (exclusive) in the picture: what of the outputs is kept, multiples of 32 or its end.
    """

    top: int
    left: int
    height: int
    width: int
    rows: tuple[int, int]
    columns: tuple[int, int]


def windows(height_px: int, width_px: int, tile_px: int, margin_px: int) -> list[Window]:
    """Return the windows of a picture, row by row; one only where it is no larger than a tile and its context.

    Parameters
    ----------
    tile_px : int
        Most that a window in the middle gives out per axis, beside ``margin_px`` of context on either side.
    margin_px : int
        Reach of the network; both are multiples of 32.
    """
    across = list(_spans(width_px, tile_px, margin_px))
    return [
        Window(top, left, height, width, rows, columns)
        for top, height, rows in _spans(height_px, tile_px, margin_px)
        for left, width, columns in across
    ]


def _spans(length: int, tile: int, margin: int) -> list[tuple[int, int, tuple[int, int]]]:
    """Return (begin, size, (kept from, kept to)) along one axis: the fewest, of equal and least size."""
    whole = _up(length)
    if whole <= tile + 2 * margin:
        return [(0, whole, (0, length))]
    count = 2 + max(0, -(-(whole - 2 * (tile + margin)) // tile))
    size = _up(-(-(whole + 2 * (count - 1) * margin) // count))
    begins = [i * (whole - size) // (count - 1) // MULTIPLE_PX * MULTIPLE_PX for i in range(count)]
    cuts = [0, *(begin + margin for begin in begins[1:]), length]
    return [(begin, size, (cuts[i], cuts[i + 1])) for i, begin in enumerate(begins)]


def _up(length: int) -> int:
    return -(-length // MULTIPLE_PX) * MULTIPLE_PX


def cut(image: Image, window: Window) -> Image:
    """Return what the network sees through a window (height, width, 3): a view where that is possible."""
    import cv2

    part = image[window.top : window.top + window.height, window.left : window.left + window.width]
    down, right = window.height - part.shape[0], window.width - part.shape[1]
    if not (down or right):
        return part
    return np.asarray(
        cv2.copyMakeBorder(part, 0, down, 0, right, cv2.BORDER_CONSTANT, value=[OUTSIDE] * 3), dtype=np.uint8
    )

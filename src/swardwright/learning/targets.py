"""Plants to maps and back: crown heat, sub-cell offset, log radius and kind on a grid of cells.

The heat map follows the centre-point idea of Zhou et al. 2019 (arXiv:1904.07850): 1 in the crown's cell, a Gaussian
around it. Cell (i, j) covers the pixels ``stride * i .. stride * i + stride - 1`` and its centre lies at pixel
``stride * i + (stride - 1) / 2``; pixel (0, 0) is the centre of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

#: pixels per cell of the output maps
STRIDE = 4
#: the heat's Gaussian is this share of the plant's radius wide, within these limits in cells: where the middle of a
#: wide plant lies is a matter of opinion (decision 0008 has the measurement)
HEAT_SHARE, HEAT_MIN_CELLS, HEAT_MAX_CELLS = 0.25, 0.7, 4.0
#: log radius is stated relative to this radius, pixels
RADIUS_UNIT_PX = 16.0


@dataclass(frozen=True, eq=False)
class Targets:
    """Wanted maps of one picture; h x w cells.

    Attributes
    ----------
    heat : Floats
        (h, w), 0..1; exactly 1 in crown cells.
    weight : Floats
        (h, w): 0 where the heat must not teach (ignored regions), else 1.
    near : NDArray[bool_]
        (h, w): cells beside a crown, where ``shape`` and ``kind`` teach.
    shape : Floats
        (3, h, w): crown minus cell centre in cells (x, y), log(radius / 16 px).
    kind : NDArray[int64]
        (h, w): index of the kind.
    """

    heat: Floats
    weight: Floats
    near: NDArray[np.bool_]
    shape: Floats
    kind: NDArray[np.int64]


def heat_cells(radius_px: float) -> float:
    """Return the standard deviation of the heat around a crown, in cells."""
    return float(np.clip(HEAT_SHARE * radius_px / STRIDE, HEAT_MIN_CELLS, HEAT_MAX_CELLS))


def encode(plants: NDArray[np.float64], ignored: NDArray[np.float64], height_px: int, width_px: int) -> Targets:
    """Return the wanted maps.

    Parameters
    ----------
    plants : NDArray
        Shape (n, 4): u, v, radius (px), kind index. Crowns outside the picture are left out.
    ignored : NDArray
        Shape (m, 3): u, v, radius (px) of discs that do not teach.
    """
    h, w = height_px // STRIDE, width_px // STRIDE
    heat = np.zeros((h, w), np.float32)
    weight = np.ones((h, w), np.float32)
    near = np.zeros((h, w), np.bool_)
    shape = np.zeros((3, h, w), np.float32)
    kind = np.zeros((h, w), np.int64)
    best = np.full((h, w), np.inf, np.float32)
    for u, v, radius in ignored:
        reach = max(radius / STRIDE, 1.0)
        x, y, rows, columns = _window(u, v, reach + 1, h, w)
        cover = (columns - x) ** 2 + (rows - y) ** 2 <= reach**2
        weight[rows[:, 0][:, None], columns[0][None, :]] *= 1.0 - cover.astype(np.float32)
    for u, v, radius, index in plants:
        j, i = int(np.floor((u + 0.5) / STRIDE)), int(np.floor((v + 0.5) / STRIDE))
        if not (0 <= i < h and 0 <= j < w):
            continue
        sigma = heat_cells(float(radius))
        x, y, rows, columns = _window(u, v, 3 * sigma + 1, h, w)
        part = np.s_[rows[0, 0] : rows[-1, 0] + 1, columns[0, 0] : columns[0, -1] + 1]
        bump = np.exp(-((columns - j) ** 2 + (rows - i) ** 2) / (2 * sigma**2)).astype(np.float32)
        heat[part] = np.maximum(heat[part], bump)
        weight[i, j] = 1.0
        beside = max(1, round(sigma))
        low_i, high_i = max(i - beside, 0), min(i + beside + 1, h)
        low_j, high_j = max(j - beside, 0), min(j + beside + 1, w)
        rows, columns = np.mgrid[low_i:high_i, low_j:high_j]
        distance = ((columns - x) ** 2 + (rows - y) ** 2).astype(np.float32)
        part = np.s_[low_i:high_i, low_j:high_j]
        closer = distance < best[part]
        best[part] = np.where(closer, distance, best[part])
        near[part] |= closer
        shape[0][part] = np.where(closer, x - columns, shape[0][part])
        shape[1][part] = np.where(closer, y - rows, shape[1][part])
        shape[2][part] = np.where(closer, np.log(max(radius, 1e-3) / RADIUS_UNIT_PX), shape[2][part])
        kind[part] = np.where(closer, int(index), kind[part])
    return Targets(heat, weight, near, shape, kind)


def _window(
    u: float, v: float, reach: float, h: int, w: int
) -> tuple[float, float, NDArray[np.int64], NDArray[np.int64]]:
    """Return the crown in cells and the rows (k, 1) and columns (1, l) within ``reach`` cells, at least one each."""
    x, y = (u - (STRIDE - 1) / 2) / STRIDE, (v - (STRIDE - 1) / 2) / STRIDE
    i0, i1 = int(np.clip(np.floor(y - reach), 0, h - 1)), int(np.clip(np.ceil(y + reach), 0, h - 1))
    j0, j1 = int(np.clip(np.floor(x - reach), 0, w - 1)), int(np.clip(np.ceil(x + reach), 0, w - 1))
    return x, y, np.arange(i0, i1 + 1)[:, None], np.arange(j0, j1 + 1)[None, :]


@dataclass(frozen=True, eq=False)
class Candidates:
    """Plants read off the maps, best first.

    Attributes
    ----------
    logit, u_px, v_px, radius_px : NDArray
        Shape (n,).
    kind_logits : NDArray
        Shape (n, kinds).
    """

    logit: Floats
    u_px: Floats
    v_px: Floats
    radius_px: Floats
    kind_logits: Floats


def decode(heat: Floats, shape: Floats, kinds: Floats, floor: float, suppress_radii: float = 0.5) -> Candidates:
    """Read plants off the maps: local maxima of the heat, then weaker ones within a plant's radius are dropped.

    Parameters
    ----------
    heat : Floats
        (h, w): logits.
    shape : Floats
        (3, h, w): offset x, y (cells), log(radius / 16 px).
    kinds : Floats
        (k, h, w): logits.
    floor : float
        Maxima of a lower logit are not read.
    suppress_radii : float
        A candidate nearer than this many radii of a stronger one is the same plant.
    """
    import cv2

    peak = (heat >= cv2.dilate(heat, np.ones((3, 3), np.uint8))) & (heat > floor)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-heat[rows, columns], kind="stable")[:5000]
    rows, columns = rows[order], columns[order]
    logit = heat[rows, columns]
    far = HEAT_MAX_CELLS + 1.0
    u = (columns + np.clip(shape[0, rows, columns], -far, far)) * STRIDE + (STRIDE - 1) / 2
    v = (rows + np.clip(shape[1, rows, columns], -far, far)) * STRIDE + (STRIDE - 1) / 2
    radius = RADIUS_UNIT_PX * np.exp(np.clip(shape[2, rows, columns], -4, 5))
    keep = np.ones(len(rows), np.bool_)
    for i in range(len(rows)):
        if keep[i]:
            reach = max(suppress_radii * float(radius[i]), 1.5 * STRIDE)
            same = (u[i + 1 :] - u[i]) ** 2 + (v[i + 1 :] - v[i]) ** 2 < reach**2
            keep[i + 1 :] &= ~same
    return Candidates(
        logit[keep].astype(np.float32),
        u[keep].astype(np.float32),
        v[keep].astype(np.float32),
        radius[keep].astype(np.float32),
        kinds[:, rows[keep], columns[keep]].T.astype(np.float32),
    )

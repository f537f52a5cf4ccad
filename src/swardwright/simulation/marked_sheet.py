"""A photograph of an invented test sheet with scorch marks whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array


@dataclass(frozen=True)
class Scorched:
    """A true mark: centre (m, sheet axes), radius of the circle of its area (m), long over short axis, direction."""

    x_m: float
    y_m: float
    radius_m: float
    ratio: float = 1.0
    direction_rad: float = 0.0


@dataclass(frozen=True)
class SheetLook:
    """How the sheet and its photograph look.

    Attributes
    ----------
    paper, mark : float
        Grey values 0..1 of paper and of the middle of a mark (damp paper: the mark is the lighter).
    edge_m : float
        Width of a mark's edge.
    ragged_m : float
        Standard deviation of a mark's edge from an ellipse; moves its centre and size as well.
    shade : float
        How much darker the far corner is lit, as a share.
    noise : float
        Standard deviation of the grey values, 0..1.
    pencil : bool
        Whether thin crosses are drawn on the aims.
    """

    paper: float = 0.82
    mark: float = 0.22
    edge_m: float = 0.003
    ragged_m: float = 0.0003
    shade: float = 0.35
    noise: float = 0.015
    pencil: bool = True


#: wet paper is dark, the dried patch is light
DAMP = SheetLook(paper=0.42, mark=0.72)


def photograph(
    marks: Sequence[Scorched],
    pixel_from_sheet: Array,
    size_px: tuple[int, int],
    rng: np.random.Generator,
    *,
    look: SheetLook | None = None,
    aims_m: Sequence[tuple[float, float]] = (),
    chessboard: tuple[int, int, float] | None = None,
) -> NDArray[np.uint8]:
    """Return a picture (height, width, 3) of a sheet.

    Parameters
    ----------
    pixel_from_sheet : Array
        Shape (3, 3): homography from sheet axes (m) to pixels.
    size_px : tuple[int, int]
        Width and height.
    aims_m : Sequence[tuple[float, float]]
        Where pencil crosses are.
    chessboard : tuple[int, int, float], optional
        Inner corners across and down and side of a square (m): printed with its first inner corner at (0, 0), the
        square at negative x and y dark.
    """
    look = look or SheetLook()
    width, height = size_px
    scale = 2
    v, u = np.mgrid[0 : height * scale, 0 : width * scale]
    pixels = np.stack([(u + 0.5) / scale - 0.5, (v + 0.5) / scale - 0.5, np.ones(u.shape)], axis=-1)
    full = pixels @ np.linalg.inv(pixel_from_sheet).T
    x, y = full[..., 0] / full[..., 2], full[..., 1] / full[..., 2]
    grey = np.full(x.shape, look.paper)
    if look.pencil:
        for ax, ay in aims_m:
            on = ((np.abs(x - ax) < 3e-4) & (np.abs(y - ay) < 6e-3)) | (
                (np.abs(y - ay) < 3e-4) & (np.abs(x - ax) < 6e-3)
            )
            grey[on] = 0.35
    for mark in marks:
        near = np.hypot(x - mark.x_m, y - mark.y_m) < 2.5 * mark.radius_m * mark.ratio + 5 * look.edge_m
        grey[near] += _shown(mark, x[near], y[near], look, rng) * (look.mark - grey[near])
    if chessboard is not None:
        across, down, side = chessboard
        column, row = np.floor(x / side + 1).astype(int), np.floor(y / side + 1).astype(int)
        on = (column >= 0) & (column <= across) & (row >= 0) & (row <= down)
        rim = (column >= -1) & (column <= across + 1) & (row >= -1) & (row <= down + 1)
        grey[rim] = 0.9
        grey[on & ((column + row) % 2 == 0)] = 0.08
    grey = grey.reshape(height, scale, width, scale).mean(axis=(1, 3))
    light = 1.0 - look.shade * (np.linspace(0, 1, width)[None, :] + np.linspace(0, 1, height)[:, None] ** 2) / 2.0
    grey = grey * light + rng.normal(0.0, look.noise, grey.shape)
    tint = np.array([1.0, 0.985, 0.95])
    return np.asarray(np.clip(grey[..., None] * tint * 255.0 + 0.5, 0, 255), dtype=np.uint8)


def _shown(mark: Scorched, x: Array, y: Array, look: SheetLook, rng: np.random.Generator) -> Array:
    """Return 0..1 how much of the mark's colour a place has: half at the edge."""
    c, s = math.cos(mark.direction_rad), math.sin(mark.direction_rad)
    long, short = mark.radius_m * math.sqrt(mark.ratio), mark.radius_m / math.sqrt(mark.ratio)
    p, q = c * (x - mark.x_m) + s * (y - mark.y_m), -s * (x - mark.x_m) + c * (y - mark.y_m)
    angle, far = np.arctan2(q, p), np.hypot(p, q)
    edge = long * short / np.sqrt(np.square(short * np.cos(angle)) + np.square(long * np.sin(angle)))
    orders = np.arange(12)  # flat spectrum: size and place waver like the rest
    waves = rng.normal(0.0, look.ragged_m / math.sqrt(len(orders)), (2, len(orders)))
    waves[:, 0] /= math.sqrt(2.0)
    for order, (a, b) in zip(orders, waves.T, strict=True):
        edge = edge + a * np.cos(order * angle) + b * np.sin(order * angle)
    out: Array = 0.5 * (1.0 - np.tanh(2.0 * (far - edge) / look.edge_m))
    return out


def view_of(
    size_m: tuple[float, float], size_px: tuple[int, int], rng: np.random.Generator, tilt: float = 0.25
) -> Array:
    """Return the homography (3, 3) of a hand-held photograph that shows a sheet from (0, 0) to ``size_m``, tilted."""
    width, height = size_px
    w, h = size_m
    room = 0.06
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=float)
    scale = min(width * (1 - 2 * room) / w, height * (1 - 2 * room) / h)
    middle = np.array([width / 2.0, height / 2.0])
    pulled = (corners - [w / 2, h / 2]) * scale
    pulled *= 1.0 - tilt * rng.uniform(0.0, 0.5, (4, 2))
    rows = []
    for (a, b), (u, v) in zip(corners, pulled + middle, strict=True):
        rows += [[a, b, 1, 0, 0, 0, -u * a, -u * b], [0, 0, 0, a, b, 1, -v * a, -v * b]]
    numbers = np.linalg.solve(np.array(rows), (pulled + middle).ravel())
    return np.append(numbers, 1.0).reshape(3, 3)

"""A flat test sheet in a photograph: the homography between sheet and pixels, and what its error does to places.

Sheet axes: x right and y down as one looks at the sheet. A homography has eight numbers, its last element being 1
(Hartley and Zisserman, Multiple View Geometry, 4.1: the direct linear transformation; 4.2.3: refinement over pixels).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, frozen

#: corners of a board are found this well at best, px (common practice, no source)
BOARD_SIGMA_PX = 0.1
#: corner points that a person reads off a picture, px (common practice, no source)
NAMED_SIGMA_PX = 1.0


@dataclass(frozen=True, eq=False)
class Sheet:
    """Where the sheet lies in one picture.

    Attributes
    ----------
    pixel_from_sheet : Array
        Shape (3, 3), last element 1: metres to pixels.
    covariance : Array
        Shape (8, 8): of its first eight elements, row by row.
    residual_px : float
        Root mean square of what the corners miss, per axis; 0 where four corners fit exactly.
    """

    pixel_from_sheet: Array
    covariance: Array
    residual_px: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "pixel_from_sheet", frozen(self.pixel_from_sheet))
        object.__setattr__(self, "covariance", frozen(self.covariance))

    def to_pixels(self, points_m: Array) -> Array:
        """Return pixels (n, 2) of sheet points (n, 2)."""
        return carried(self.pixel_from_sheet, points_m)

    def to_sheet(self, pixels: Array) -> Array:
        """Return sheet points (n, 2), m, of pixels (n, 2)."""
        return carried(np.asarray(np.linalg.inv(self.pixel_from_sheet)), pixels)

    def pixels_per_m(self, point_m: Array) -> float:
        """Return the scale at one sheet point, px/m."""
        by_point, _ = jacobians(self.pixel_from_sheet, np.asarray(point_m, dtype=float)[None])
        return float(np.sqrt(abs(np.linalg.det(by_point[0]))))

    def registration(self, points_m: Array) -> Array:
        """Return (n, 2, 8): how far sheet points found in the picture move with the homography's numbers."""
        by_point, by_numbers = jacobians(self.pixel_from_sheet, points_m)
        return np.asarray(-np.linalg.solve(by_point, by_numbers))


def carried(homography: Array, points: Array) -> Array:
    """Return points (n, 2) carried through a homography."""
    points = np.asarray(points, dtype=float).reshape(-1, 2)
    out = points @ homography[:, :2].T + homography[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(out[:, :2] / out[:, 2:])


def jacobians(homography: Array, points: Array) -> tuple[Array, Array]:
    """Return the Jacobians of carried points: by the point (n, 2, 2) and by the eight numbers (n, 2, 8)."""
    points = np.asarray(points, dtype=float).reshape(-1, 2)
    full = points @ homography[:, :2].T + homography[:, 2]
    depth = full[:, 2][:, None]
    out = full[:, :2] / depth
    by_point = (homography[:2, :2][None] - out[:, :, None] * homography[2, :2]) / depth[:, :, None]
    one = np.column_stack([points, np.ones(len(points))]) / depth
    by_numbers = np.zeros((len(points), 2, 8))
    by_numbers[:, 0, 0:3] = one
    by_numbers[:, 1, 3:6] = one
    by_numbers[:, :, 6:8] = -out[:, :, None] * one[:, None, :2]
    return by_point, by_numbers


def sheet_from_corners(points_m: Array, pixels: Array, sigma_px: float) -> Sheet:
    """Return where the sheet lies, from four or more points known on it and found in the picture.

    Parameters
    ----------
    points_m, pixels : Array
        Shape (n, 2), n >= 4.
    sigma_px : float
        Standard deviation of the pixels, per axis; taken larger where the points miss by more.

    Raises
    ------
    InputError
        If the points do not span the sheet.
    """
    points, seen = np.asarray(points_m, dtype=float), np.asarray(pixels, dtype=float)
    remedy = "name four corners of a rectangle, none three in a line, in order: top left, top right, bottom right, " \
        "bottom left"  # fmt: skip
    if points.shape != seen.shape or points.ndim != 2 or points.shape[1] != 2 or len(points) < 4:
        raise InputError("four points or more are needed to rectify a sheet", field="corners", value=len(points),
                         remedy=remedy)  # fmt: skip
    if not (np.isfinite(points).all() and np.isfinite(seen).all()):
        raise InputError("corner points must be finite", field="corners", remedy=remedy)
    homography = _direct(points, seen)
    for _ in range(20):
        _, by = jacobians(homography, points)
        rest = (seen - carried(homography, points)).reshape(-1)
        step, *_ = np.linalg.lstsq(by.reshape(-1, 8), rest, rcond=1e-15)
        homography = homography + np.append(step, 0.0).reshape(3, 3)
        if np.abs(step).max() <= 1e-12 * np.abs(homography).max():
            break
    _, by = jacobians(homography, points)
    flat = by.reshape(-1, 8)
    scale = np.linalg.norm(flat, axis=0)
    missed = (seen - carried(homography, points)).reshape(-1)
    if not np.isfinite(homography).all() or np.linalg.cond(flat / scale) > 1e9 or _folds(homography, points):
        raise InputError("the corner points do not span the sheet", field="corners", value=seen.tolist(),
                         remedy=remedy)  # fmt: skip
    spare = len(missed) - 8
    variance = max(sigma_px**2, float(missed @ missed) / spare) if spare else sigma_px**2
    covariance = variance * np.linalg.inv((flat / scale).T @ (flat / scale)) / np.outer(scale, scale)
    return Sheet(homography, covariance, float(np.sqrt(np.mean(np.square(missed)))))


def _folds(homography: Array, points: Array) -> bool:
    """Say whether the points lie on both sides of the horizon, or the sheet would be seen from behind."""
    depth = points @ homography[2, :2] + 1.0
    by_point, _ = jacobians(homography, points)
    return bool((depth <= 0).any() or (np.linalg.det(by_point) <= 0).any())


def _direct(points: Array, seen: Array) -> Array:
    """Direct linear transformation, both sides moved to their middle and scaled (Hartley 1997, from memory)."""
    moves = []
    for side in (points, seen):
        spread = float(np.abs(side - side.mean(axis=0)).mean()) or 1.0
        x, y = side.mean(axis=0) / spread
        moves.append(np.array([[1 / spread, 0, -x], [0, 1 / spread, -y], [0, 0, 1.0]]))
    a, b = carried(moves[0], points), carried(moves[1], seen)
    one, zero = np.column_stack([a, np.ones(len(a))]), np.zeros((len(a), 3))
    rows = np.concatenate([np.hstack([one, zero, -b[:, :1] * one]), np.hstack([zero, one, -b[:, 1:] * one])])
    inner = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    out = np.linalg.inv(moves[1]) @ inner @ moves[0]
    return np.asarray(out / out[2, 2])

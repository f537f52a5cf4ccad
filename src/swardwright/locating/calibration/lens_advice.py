"""What a lens calibration is worth on the ground, and which pictures would improve it most."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, rotation_from_vector, vector_from_rotation
from swardwright.locating.calibration.boards import Board, BoardView
from swardwright.locating.calibration.lens import (
    LensFit,
    covariance_of,
    grid_pixels,
    view_score,
    with_covariance,
)

GRID = (33, 25)
#: pictures that are asked for: the board's tilt, and the share of the picture's width that it fills
TILT_RAD, FILLS = math.radians(30.0), (0.7, 0.45)
#: a further picture is asked for only if the error falls by this share
WORTH = 0.04
_ACROSS, _DOWN = ("left", "", "right"), ("upper", "", "lower")
_TILTS = {"flat towards the camera": (0.0, 0.0), "its left side {} farther away": (0.0, 1.0),
          "its right side {} farther away": (0.0, -1.0), "its upper side {} farther away": (-1.0, 0.0),
          "its lower side {} farther away": (1.0, 0.0)}  # fmt: skip


@dataclass(frozen=True)
class NextView:
    """A picture worth taking next.

    Attributes
    ----------
    words : str
        Where to hold the board and how.
    error_m : float
        Expected mean error on the ground once it is used too.
    """

    words: str
    error_m: float


def ground_error(camera: Camera, height_m: float, across: int = GRID[0], down: int = GRID[1]) -> Array:
    """Return how far the intrinsics alone move a point on level ground seen from straight above, (down, across).

    Standard deviation of the shift, metres: root of the trace of its covariance. NaN where a pixel has no ray.
    """
    at = grid_pixels(camera, across, down)
    out = np.full(len(at), np.nan)
    try:
        by = camera.unproject(at)[2]
        out[:] = _shift(by, camera.covariance)
    except InputError:
        for i, pixel in enumerate(at):
            try:
                out[i] = _shift(camera.unproject(pixel[None])[2], camera.covariance)[0]
            except InputError:
                continue
    return height_m * out.reshape(down, across)


def _shift(by: Array, covariance: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("nij,jk,nik->n", by, covariance, by)))


def next_views(
    fit: LensFit, views: Sequence[BoardView], board: Board, height_m: float, count: int = 3
) -> list[NextView]:
    """Return the pictures that would bring the ground error down most, best first, each given those before it.

    Every candidate (nine places in the picture, five tilts, two distances) is judged by the covariance that the
    intrinsics would have with it: what its corners tell is known before it is taken.
    """
    size, by = views[0].size_px, _rays(fit.camera)
    information, out = fit.information.copy(), list[NextView]()
    candidates = [
        (words, view_score(view, fit.parameters, pose)[1]) for words, view, pose in _candidates(fit, board, size)
    ]
    now = _mean_error(fit, information, by)
    widened = float(np.sqrt(np.mean(_shift(by, fit.camera.covariance) ** 2))) / max(now, 1e-300)
    for _ in range(count if candidates else 0):
        errors = [_mean_error(fit, information + more, by) for _, more in candidates]
        best = int(np.argmin(errors))
        if errors[best] > (1 - WORTH) * now:
            break
        out.append(NextView(candidates[best][0], errors[best] * widened * height_m))
        information, now = information + candidates[best][1], errors[best]
    return out


def _rays(camera: Camera) -> Array:
    """Return the Jacobian of rays spread over the picture by the intrinsics, (n, 2, 9)."""
    at = grid_pixels(camera, 9, 7)
    try:
        return camera.unproject(at)[2]
    except InputError:
        return camera.unproject(0.5 * (at + at.mean(axis=0)))[2]


def _mean_error(fit: LensFit, information: Array, by: Array) -> float:
    """Root-mean-square error of rays over the picture (tangent of the angle) that some information leaves."""
    size = (fit.camera.width_px, fit.camera.height_px)
    covariance = covariance_of(information, fit.parameters, size, fit.pixel_sigma_px)
    nine = np.asarray(with_covariance(fit.camera, covariance).covariance)
    return float(np.sqrt(np.mean(_shift(by, nine) ** 2)))


def _candidates(fit: LensFit, board: Board, size: tuple[int, int]) -> list[tuple[str, BoardView, Array]]:
    """Return (words, the view as it would be, pose (6,)) of every picture that could be asked for."""
    camera, points = fit.camera, board.points_m
    middle = points.mean(axis=0)
    wide_m = float(np.ptp(points[:, 0])) + 2 * board.square_m
    out = []
    for down in (-1, 0, 1):
        for across in (-1, 0, 1):
            place = " ".join(w for w in (_DOWN[down + 1], _ACROSS[across + 1]) if w)
            where = {0: "middle", 1: f"{place} side", 2: f"{place} corner"}[abs(across) + abs(down)]
            for tilt, (about_x, about_y) in _TILTS.items():
                for fills in FILLS:
                    distance_m = wide_m * camera.fx_px / (fills * size[0])
                    turn = rotation_from_vector(TILT_RAD * np.array([about_x, about_y, 0.0]))
                    view, pose = _placed(camera, points - middle, turn, distance_m, (across, down), size)
                    if view is None:
                        continue
                    moved = np.concatenate([pose[:3], pose[3:] - turn @ middle])
                    view = BoardView(view.pixels, points, np.arange(len(points)), size)
                    words = (f"hold the board in the {where} of the picture, {tilt.format('30 degrees')}, "
                             f"about {_rounded(distance_m)} m away")  # fmt: skip
                    out.append((words, view, moved))
    return out


def _placed(camera: Camera, points: Array, turn: Array, distance_m: float, to: tuple[int, int],
            size: tuple[int, int]) -> tuple[BoardView | None, Array]:  # fmt: skip
    """Move a board from the picture's middle towards a side or corner as far as all its corners stay inside."""
    vector = vector_from_rotation(turn)
    middle = (np.array(size) / 2 - [camera.cx_px, camera.cy_px]) / [camera.fx_px, camera.fy_px]
    reach = np.array(size) / 2 / [camera.fx_px, camera.fy_px] * to
    edge, best, pose = 0.03 * min(size), None, np.zeros(6)
    for share in np.linspace(1.2, 0.0, 25):
        centre = np.array([*(middle + share * reach), 1.0]) * distance_m
        seen = points @ turn.T + centre
        slope = camera.distort(seen[:, :2] / seen[:, 2:])[1]
        pixels = camera.project(seen)
        inside = (pixels >= edge) & (pixels <= np.array(size) - 1 - edge)
        if inside.all() and (np.linalg.det(slope) > 0.2).all() and (seen[:, 2] > 0).all():
            best, pose = BoardView(pixels, points, np.arange(len(points)), size), np.concatenate([vector, centre])
            break
    return best, pose


def _rounded(value: float) -> str:
    return f"{value:.2f}" if value < 1 else f"{value:.1f}"


__all__ = ["NextView", "ground_error", "next_views"]

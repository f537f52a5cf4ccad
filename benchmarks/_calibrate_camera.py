"""Camera calibration: against what Debian's opencv-doc ships, and the honesty of its covariance on drawn boards.

Bounds: reprojection error not above OpenCV's shipped 0.3926 px; differences and normalised errors squared within their
95 % chi-square bounds. Without the package its figures are left out (holds: null).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.stats import chi2

from swardwright.locating.calibration.boards import Board, BoardView, find_board
from swardwright.locating.calibration.lens import fit_lens
from swardwright.locating.calibration.lens_checks import hold_out, sound_views, together

DATA = Path("/usr/share/doc/opencv-doc/examples/data")
BOARD = Board(9, 6, 0.025)
SAMPLE, ALL = 60, 400
WIDTH, HEIGHT = 1280, 960
TRUE = np.array([900.0, 901.0, 641.5, 478.0, -0.12, 0.03, 5e-4, -5e-4, 0.0])


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the camera's figures."""
    yield from _shipped()
    yield from _drawn(ALL if full else SAMPLE)


def _row(figure: str, value: float | None, unit: str, bound: Any, holds: bool | None) -> dict[str, Any]:
    return {"figure": f"camera: {figure}", "value": value, "unit": unit, "bound": bound, "holds": holds}


def _shipped() -> Iterator[dict[str, Any]]:
    """Yield the differences to ``left_intrinsics.yml``."""
    if not (DATA / "left_intrinsics.yml").is_file():
        yield _row("shipped left_intrinsics.yml (opencv-doc is not installed)", None, "1", None, None)
        return
    store = cv2.FileStorage(str(DATA / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    k, lens = store.getNode("camera_matrix").mat(), store.getNode("distortion_coefficients").mat().ravel()
    theirs = np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2], *lens])
    error = float(store.getNode("avg_reprojection_error").real())
    pictures = [cv2.imread(str(f), cv2.IMREAD_GRAYSCALE) for f in sorted(DATA.glob("left[01][0-9].jpg"))]
    views = [v for v in (find_board(p, BOARD) for p in pictures) if v is not None]
    fit = fit_lens(views)
    held = hold_out(views, fit)
    ratio = fit.reprojection_px / error
    yield _row("reprojection error over OpenCV's shipped", ratio, "1", 1.0, len(views) == 13 and ratio <= 1.0)
    assert held is not None
    ratio = held.reprojection_px / error
    yield _row("reprojection error of views not used over OpenCV's shipped", ratio, "1", 1.0, ratio <= 1.0)
    same = fit_lens([_as_shipped(p) for p in pictures])
    off = float(np.abs((same.parameters - theirs) / np.sqrt(np.diag(same.camera.covariance))).max())
    yield _row("largest difference to left_intrinsics.yml in its own sigmas, same corners", off, "sigma", 0.5,
               off <= 0.5)  # fmt: skip
    spread = together(views, fit)[0] * fit.camera.covariance
    spread = spread + together([_as_shipped(p) for p in pictures], same)[0] * same.camera.covariance
    step = fit.parameters - theirs
    value, bounds = float(step @ np.linalg.solve(spread, step)), [float(b) for b in chi2.ppf([0.0, 0.95], 9)]
    yield _row("squared difference to left_intrinsics.yml over both covariances", value, "1", bounds,
               bounds[0] <= value <= bounds[1])  # fmt: skip
    out = sound_views([_as_shipped(p, str(i)) for i, p in enumerate(pictures)])[2]
    yield _row("the one bad view of the shipped set is named", float(len(out)), "1", 1, [n for n, _ in out] == ["1"])


def _as_shipped(picture: Any, name: str = "") -> BoardView:
    """Find corners with OpenCV's example's window of 11 px."""
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    _, corners = cv2.findChessboardCorners(picture, (9, 6), flags=flags)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.1)
    corners = cv2.cornerSubPix(picture, corners, (11, 11), (-1, -1), stop)
    return BoardView(corners[:, 0].astype(float), BOARD.points_m, np.arange(54), (640, 480), name)


def _drawn(count: int) -> Iterator[dict[str, Any]]:
    """Yield the honesty of the covariance: boards drawn with known truth, corner noise 0.2 px."""
    squared, dropped, false_alarms, found = 0.0, 0, 0, 0
    for draw in range(count):
        rng = np.random.default_rng([61, draw])
        views = [_view(rng, TRUE, f"v{i}") for i in range(12)]
        kept, fit, out, _ = sound_views(views)
        error = fit.parameters - TRUE
        squared += float(error @ np.linalg.solve(fit.camera.covariance, error))
        dropped += len(out)
        false_alarms += together(kept, fit)[1] < 1e-3
        zoomed = [*views[:-1], _view(rng, TRUE * [1.25, 1.25, 1, 1, 1, 1, 1, 1, 1], "wrong")]
        found += [n for n, _ in sound_views(zoomed)[2]] == ["wrong"]
    mean, bounds = squared / (9 * count), [float(b) for b in chi2.ppf([0.025, 0.975], 9 * count) / (9 * count)]
    yield _row(f"normalised error squared per parameter, {count} sets of 12 views", mean, "1", bounds,
               bounds[0] <= mean <= bounds[1])  # fmt: skip
    yield _row("sound views left out as wrong", dropped / (12 * count), "1", 1e-3, dropped <= 1e-3 * 12 * count)
    yield _row("sound sets called dependent", false_alarms / count, "1", 0.01, false_alarms <= max(1, 0.01 * count))
    yield _row("a view at another zoom is found", found / count, "1", 0.95, found >= 0.95 * count)


def _view(rng: np.random.Generator, theta: Any, name: str) -> BoardView:
    k = np.array([[theta[0], 0, theta[2]], [0, theta[1], theta[3]], [0, 0, 1.0]])
    points, middle = BOARD.points_m, BOARD.points_m.mean(axis=0)
    while True:
        about, tilt = rng.uniform(-np.pi, np.pi), rng.uniform(0.1, 0.6)
        turn = np.array([tilt * np.cos(about), tilt * np.sin(about), rng.normal(0, 0.3)])
        distance = rng.uniform(0.3, 0.7)
        at = (rng.uniform((100, 100), (WIDTH - 100, HEIGHT - 100)) - theta[2:4]) / theta[:2]
        shift = distance * np.array([*at, 1.0]) - cv2.Rodrigues(turn)[0] @ middle
        seen = cv2.projectPoints(points, turn, shift, k, theta[4:])[0][:, 0]
        if (seen > 10).all() and (seen < np.array([WIDTH, HEIGHT]) - 10).all():
            return BoardView(seen + rng.normal(0, 0.2, seen.shape), points, np.arange(54), (WIDTH, HEIGHT), name)

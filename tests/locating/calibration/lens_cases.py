"""Board views with known truth, drawn without the code under test: OpenCV projects, corners get Gaussian noise."""

from __future__ import annotations

import cv2
import numpy as np

from swardwright.locating.calibration.boards import Board, BoardView

BOARD = Board(9, 6, 0.03)
SIZE = (1280, 960)
TRUE = np.array([900.0, 901.0, 641.5, 478.0, -0.12, 0.03, 5e-4, -5e-4, 0.0])


def project(theta: np.ndarray, turn: np.ndarray, shift: np.ndarray, board: Board = BOARD) -> np.ndarray:
    """Return pixels (n, 2) of all corners."""
    k = np.array([[theta[0], 0, theta[2]], [0, theta[1], theta[3]], [0, 0, 1.0]])
    return np.asarray(cv2.projectPoints(board.points_m, turn, shift, k, theta[4:])[0][:, 0], dtype=float)


def poses(count: int, rng: np.random.Generator, board: Board = BOARD, theta: np.ndarray = TRUE,
          tilt_rad: float = 0.6) -> list[tuple[np.ndarray, np.ndarray]]:  # fmt: skip
    """Return (rotation vector, translation) of boards held all over the picture, wholly inside it."""
    out = []
    middle = board.points_m.mean(axis=0)
    while len(out) < count:
        about = rng.uniform(-np.pi, np.pi)
        tilt = rng.uniform(0.2 * tilt_rad, tilt_rad) * np.array([np.cos(about), np.sin(about), 0.0])
        spin = cv2.Rodrigues(np.array([0.0, 0.0, rng.normal(0, 0.3)]))[0]
        turn = cv2.Rodrigues(cv2.Rodrigues(tilt)[0] @ spin)[0][:, 0]
        distance = rng.uniform(0.35, 0.8)
        pixel = rng.uniform((100, 100), (SIZE[0] - 100, SIZE[1] - 100))
        centre = distance * np.array([(pixel[0] - theta[2]) / theta[0], (pixel[1] - theta[3]) / theta[1], 1.0])
        shift = centre - cv2.Rodrigues(turn)[0] @ middle
        seen = project(theta, turn, shift, board)
        if (seen > 10).all() and (seen < np.array(SIZE) - 10).all():
            out.append((turn, shift))
    return out


def views(count: int, rng: np.random.Generator, *, sigma_px: float = 0.2, board: Board = BOARD,
          theta: np.ndarray = TRUE, tilt_rad: float = 0.6) -> list[BoardView]:  # fmt: skip
    """Return noisy views named v00, v01, ..."""
    out = []
    for i, (turn, shift) in enumerate(poses(count, rng, board, theta, tilt_rad)):
        seen = project(theta, turn, shift, board)
        noisy = seen + rng.normal(0, sigma_px, seen.shape)
        out.append(BoardView(noisy, board.points_m, np.arange(len(seen)), SIZE, f"v{i:02d}"))
    return out


def texture(board: Board, scale: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """Return a picture of the board alone with a white margin, and where its corner (0, 0) lies in it (pixels)."""
    margin = 2 * scale
    if board.marker_m is None:
        squares = np.add.outer(np.arange(board.rows + 1), np.arange(board.columns + 1)) % 2
        inner = np.kron(255 * squares, np.ones((scale, scale))).astype(np.uint8)  # the first square is dark
    else:
        kind = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{board.dictionary}"))
        shape = cv2.aruco.CharucoBoard((board.columns, board.rows), board.square_m, board.marker_m, kind)
        inner = shape.generateImage((board.columns * scale, board.rows * scale))
    padded = np.pad(inner, margin, constant_values=255)
    return padded, np.array([margin + scale - 0.5, margin + scale - 0.5])


def render(board: Board, turn: np.ndarray, shift: np.ndarray, *, theta: np.ndarray = TRUE,
           size: tuple[int, int] = SIZE, over: int = 3) -> np.ndarray:  # fmt: skip
    """Return a grey picture (height, width) of a board at a pose, without lens; over-sampled, then averaged."""
    scale = 40
    flat, origin = texture(board, scale)
    k = np.array([[theta[0], 0, theta[2]], [0, theta[1], theta[3]], [0, 0, 1.0]])
    turned = cv2.Rodrigues(turn)[0]
    one = board.square_m / scale
    board_from_flat = np.array([[one, 0, -origin[0] * one], [0, one, -origin[1] * one], [0, 0, 1.0]])
    homography = k @ np.column_stack([turned[:, :2], shift]) @ board_from_flat
    finer = np.array([[over, 0, 0.5 * over - 0.5], [0, over, 0.5 * over - 0.5], [0, 0, 1.0]])
    large = cv2.warpPerspective(flat, finer @ homography, (size[0] * over, size[1] * over), flags=cv2.INTER_LINEAR,
                                borderValue=150)  # fmt: skip
    return np.asarray(cv2.resize(large, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)

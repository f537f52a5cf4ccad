"""What a view tells about the intrinsics, its pose eliminated, against differences of its own best cost."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from swardwright.locating.calibration.boards import Board, BoardView
from swardwright.locating.calibration.lens import fit_pose, view_score

THETA = np.array([900.0, 905.0, 640.0, 480.0, -0.12, 0.03, 5e-4, -5e-4, 0.01])
STEP = np.array([0.5, 0.5, 0.5, 0.5, 1e-3, 1e-3, 1e-4, 1e-4, 1e-3])
POSE = np.array([0.3, -0.25, 0.4, -0.1, -0.06, 0.5])


def view(noise: float) -> BoardView:
    board = Board(9, 6, 0.03)
    k = np.array([[THETA[0], 0, THETA[2]], [0, THETA[1], THETA[3]], [0, 0, 1.0]])
    seen = cv2.projectPoints(board.points_m, POSE[:3], POSE[3:], k, THETA[4:])[0][:, 0]
    seen = seen + noise * np.random.default_rng(2).normal(size=seen.shape)
    return BoardView(seen, board.points_m, np.arange(54), (1280, 960))


def best_cost(of: BoardView, theta: np.ndarray) -> float:
    """Half the sum of squares once the pose is fitted."""
    return 0.5 * float(np.square(fit_pose(of, theta, POSE)[1]).sum())


@pytest.mark.parametrize("i", range(9))
def test_gradient(i: int) -> None:
    noisy = view(0.2)
    at = THETA + 2 * STEP
    pose, _ = fit_pose(noisy, at, POSE)
    gradient, _ = view_score(noisy, at, pose)
    d = np.eye(9)[i] * STEP[i] * 0.2
    numeric = (best_cost(noisy, at + d) - best_cost(noisy, at - d)) / (0.4 * STEP[i])
    assert gradient[i] == pytest.approx(numeric, rel=2e-3, abs=1e-3 * np.abs(gradient * STEP).max() / STEP[i])


def test_information_is_the_curvature_where_the_residuals_vanish() -> None:
    exact = view(0.0)
    _, information = view_score(exact, THETA, POSE)
    for i in range(9):
        for j in range(i + 1):
            a, b = np.eye(9)[i] * STEP[i], np.eye(9)[j] * STEP[j]
            crossed = (best_cost(exact, THETA + a + b) - best_cost(exact, THETA + a - b)
                       - best_cost(exact, THETA - a + b) + best_cost(exact, THETA - a - b))  # fmt: skip
            numeric = crossed / (4 * STEP[i] * STEP[j])
            scale = np.sqrt(information[i, i] * information[j, j])
            assert abs(information[i, j] - numeric) < 5e-3 * scale, (i, j)

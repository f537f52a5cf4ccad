"""Camera projection against OpenCV's projectPoints (both lens models of ROS CameraInfo)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from swardwright.domain.camera import Camera

LENSES = {
    "plumb_bob": np.array([-0.12, 0.03, 5e-4, -5e-4, 0.01]),
    "rational_polynomial": np.array([0.2, 0.05, 1e-3, 2e-3, 0.01, 0.3, 0.1, 0.02]),
}


@pytest.mark.parametrize("name", sorted(LENSES))
def test_projection_is_opencvs(name: str) -> None:
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(-0.7, 0.7, 400), rng.uniform(-0.5, 0.5, 400), rng.uniform(0.8, 1.5, 400)])
    camera = Camera(1280, 960, 900.0, 905.0, 641.5, 478.0, LENSES[name], np.zeros((4, 4)))
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), camera.matrix, LENSES[name])
    assert np.allclose(camera.project(points), expected[:, 0], atol=1e-8)


@pytest.mark.parametrize("name", sorted(LENSES))
def test_unprojection_is_opencvs(name: str) -> None:
    rng = np.random.default_rng(5)
    pixels = rng.uniform([0, 0], [1279, 959], (300, 2))
    camera = Camera(1280, 960, 900.0, 905.0, 641.5, 478.0, LENSES[name], np.zeros((4, 4)))
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    expected = cv2.undistortPointsIter(pixels[:, None], camera.matrix, LENSES[name], np.eye(3), np.eye(3), criteria)
    assert np.allclose(camera.unproject(pixels)[0], expected[:, 0], atol=1e-8)

"""The rendered picture against OpenCV's own projection (outside reference: cv2.projectPoints)."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Pose, rotation_from_vector, vector_from_rotation
from swardwright.simulation.ground import Ground, Light, labels_in_view, render_view
from swardwright.simulation.plants import Plant

CAMERA = Camera(1280, 960, 900.0, 901.0, 641.5, 478.0, np.array([-0.12, 0.03, 5e-4, -5e-4, 0.0]), np.eye(4))
DOWN = np.array([[0.0, -1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
STILL = Light(noise=0.0, blur_px=0.0)


def pose(roll: float, pitch: float, yaw: float, x: float, y: float, z: float) -> Pose:
    turn = rotation_from_vector(np.array([0, 0, yaw])) @ rotation_from_vector(np.array([roll, pitch, 0]))
    return Pose("ground", "camera", turn @ DOWN, np.array([x, y, z]))


def opencv_pixels(points_m: np.ndarray, ground_from_camera: Pose) -> np.ndarray:
    back = ground_from_camera.inverse
    pixels, _ = cv2.projectPoints(
        points_m, vector_from_rotation(back.rotation), back.translation_m, CAMERA.matrix, CAMERA.distortion[:5]
    )
    return pixels[:, 0]


@pytest.mark.parametrize(
    "view",
    [pose(0, 0, 0, 1.0, 1.0, 1.0), pose(0.05, -0.08, 0.7, 1.1, 0.95, 0.9), pose(-0.1, 0.02, -2.0, 0.9, 1.05, 1.15)],
)
def test_discs_on_the_ground_appear_where_opencv_projects_them(view: Pose) -> None:
    resolution = 0.0015
    ground = Ground(np.full((1400, 1400, 3), 40, np.uint8), 0.0, 2.1, resolution)
    cells = np.array([(c, r) for c in range(80, 1340, 70) for r in range(80, 1340, 70)])  # column, row
    for column, row in cells.tolist():
        cv2.circle(ground.image, (column, row), 7, (240, 240, 240), -1)
    x = (cells[:, 0] + 0.5) * resolution
    y = 2.1 - (cells[:, 1] + 0.5) * resolution
    expected = opencv_pixels(np.stack([x, y, np.zeros(len(x))], 1), view)
    image = render_view(ground, CAMERA, view, np.random.default_rng(1), STILL)
    bright = np.where(image[..., 1] > 50, image[..., 1] - 40.0, 0.0)
    inside = expected[(np.abs(expected - [639.5, 479.5]) < [600, 440]).all(axis=1)]
    assert len(inside) > 80
    grid = np.arange(-16, 17)
    for u, v in inside:
        row, column = round(v), round(u)
        part = bright[row - 16 : row + 17, column - 16 : column + 17]
        seen = np.array([part.sum(0) @ grid, part.sum(1) @ grid]) / part.sum() + [column, row]
        assert np.hypot(*(seen - (u, v))) < 0.1


def test_labels_are_where_opencv_projects_the_crowns_and_say_the_radius() -> None:
    view = pose(0.04, -0.06, 0.4, 1.0, 1.0, 1.0)
    plants = [Plant(f"p{i}", "daisy", 0.6 + 0.2 * i, 0.8 + 0.1 * i, 0.03, 1, i) for i in range(5)]
    plants.append(Plant("dead", "daisy", 1.0, 1.0, 0.03, 1, 9, alive=False))
    labels = labels_in_view(plants, CAMERA, view)
    assert [label.plant_id for label in labels] == ["p0", "p1", "p2", "p3", "p4"]
    expected = opencv_pixels(np.array([[p.x_m, p.y_m, 0.0] for p in plants[:5]]), view)
    assert np.abs(expected - [(label.u_px, label.v_px) for label in labels]).max() < 1e-6
    for label in labels:
        assert label.radius_px == pytest.approx(0.03 * 900 / 1.0, rel=0.2)


def test_ground_beyond_the_picture_is_plain_and_not_repeated() -> None:
    ground = Ground(np.full((200, 200, 3), 255, np.uint8), 0.0, 0.3, 0.0015)
    image = render_view(ground, CAMERA, pose(0, 0, 0, 0.0, 0.0, 1.0), np.random.default_rng(0), STILL)
    assert image[900, 1200].tolist() != image[478 - 100, 641 - 100].tolist()
    far = render_view(ground, CAMERA, pose(0, 0, 0, 50.0, 50.0, 1.0), np.random.default_rng(0), STILL)
    assert far[480, 640].tolist() == [84, 112, 52]


def test_noise_and_light_are_what_they_say() -> None:
    ground = Ground(np.full((1400, 1400, 3), 100, np.uint8), 0.0, 2.1, 0.0015)
    view = pose(0, 0, 0, 1.05, 1.05, 1.0)
    image = render_view(ground, CAMERA, view, np.random.default_rng(3), Light(exposure=1.2, noise=5.0))
    middle = image[400:560, 560:720].astype(float)
    assert middle.mean() == pytest.approx(120, abs=1.0)
    assert middle.std() == pytest.approx(5.0, rel=0.05)
    assert math.isclose(image[5:40, 5:40].mean(), 120 * (1 - 0.45 * (0.5**2 + 0.375**2)), rel_tol=0.03)  # vignetting

from __future__ import annotations

import math

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.footprint import footprint
from swardwright.domain.poses import Pose

CAMERA = Camera(100, 80, 50.0, 50.0, 49.5, 39.5, np.zeros(5), np.zeros((4, 4)))
DOWN = Pose("ground", "camera", np.diag([1.0, -1.0, -1.0]), np.array([3.0, 4.0, 2.0]))


def test_straight_down_it_is_the_picture_times_height_over_focal_length():
    outline = footprint(CAMERA, DOWN)
    assert outline is not None
    # hand-worked: 100 px / 50 px * 2 m = 4 m wide, 80 / 50 * 2 = 3.2 m high
    assert sorted(map(tuple, outline.round(9))) == [(1.0, 2.4), (1.0, 5.6), (5.0, 2.4), (5.0, 5.6)]
    x, y = outline.T
    assert 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0  # anticlockwise


def test_more_points_lie_on_the_same_outline():
    outline = footprint(CAMERA, DOWN, edge_points=4)
    assert outline is not None
    assert outline.shape == (16, 2)
    assert outline.max(axis=0).round(9).tolist() == [5.0, 5.6]


def test_the_horizon_has_no_outline():
    level = Pose("ground", "camera", np.array([[0.0, 0, 1], [-1, 0, 0], [0, -1, 0]]), np.array([0, 0, 1.0]))
    assert footprint(CAMERA, level) is None
    under = Pose("ground", "camera", np.diag([1.0, -1.0, -1.0]), np.array([0, 0, -1.0]))
    assert footprint(CAMERA, under) is None
    steep = Pose.from_rpy("ground", "camera", (0, 0, 1.0), (math.radians(-140), 0, 0))
    near = footprint(CAMERA, steep, farthest_m=1.0)
    assert near is None

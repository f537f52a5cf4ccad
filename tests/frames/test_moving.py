from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.footage.videos import seen_from, turf

from swardwright.frames.moving import Follower, followed, sane, shared_with

GROUND = turf(3)
WIDTH, HEIGHT = 320, 180


def grey(x, y, yaw=0.0, scale=1.0):
    return cv2.cvtColor(seen_from(GROUND, x, y, yaw, scale, (WIDTH, HEIGHT)), cv2.COLOR_RGB2GRAY)


def truth(x, y, yaw=0.0, scale=1.0):
    """Picture pixels to ground pixels."""
    c, s = scale * math.cos(yaw), scale * math.sin(yaw)
    return np.array(
        [[c, -s, x - c * WIDTH / 2 + s * HEIGHT / 2], [s, c, y - s * WIDTH / 2 - c * HEIGHT / 2], [0, 0, 1]]
    )


def apart(pose, wanted):
    """Largest distance (px) of what the two make of the picture's corners."""
    corners = np.array([[0, 0, 1], [WIDTH, 0, 1], [WIDTH, HEIGHT, 1], [0, HEIGHT, 1]], float).T
    a, b = pose @ corners, wanted @ corners
    return float(np.abs(a[:2] / a[2] - b[:2] / b[2]).max())


@settings(max_examples=15, deadline=None)
@given(dx=st.floats(-40, 40), dy=st.floats(-25, 25), yaw=st.floats(-0.1, 0.1), scale=st.floats(0.93, 1.07))
def test_the_homography_between_two_pictures(dx, dy, yaw, scale):
    before, after = (800.0, 700.0, 0.0, 1.0), (800.0 + dx, 700.0 + dy, yaw, scale)
    found = followed(grey(*before), grey(*after), np.array([-dx, -dy]))
    assert found is not None
    assert apart(found, np.linalg.inv(truth(*before)) @ truth(*after)) < 1.5


def test_a_walk_is_followed_to_a_hundredth_of_its_way():
    follower = Follower()
    path = [(500 + 7 * n, 700 + 12 * math.sin(n / 4), 0.08 * math.sin(n / 7), 1 + 0.05 * math.sin(n / 9))
            for n in range(120)]  # fmt: skip
    poses = [follower.step(grey(*p)) for p in path]
    assert follower.stretch == 0
    start = np.linalg.inv(truth(*path[0]))
    for n in (6, 40, 119):
        assert apart(poses[n], start @ truth(*path[n])) < 4 + 0.01 * 7 * n


def test_a_cut_begins_a_new_stretch_and_a_blurred_picture_does_not():
    follower = Follower()
    for n in range(5):
        follower.step(grey(500 + 6 * n, 700))
    follower.step(cv2.blur(grey(530, 700), (1, 9)))
    follower.step(grey(536, 700))
    assert follower.stretch == 0
    follower.step(grey(1500, 300))
    assert follower.stretch == 1
    np.testing.assert_array_equal(follower.pose, np.eye(3))


def test_nothing_to_see_begins_a_new_stretch():
    follower = Follower()
    follower.step(grey(500, 700))
    follower.step(np.full((HEIGHT, WIDTH), 90, np.uint8))
    assert follower.stretch == 1


@given(dx=st.floats(-400, 400), dy=st.floats(-300, 300))
def test_shared_ground_of_shifted_pictures(dx, dy):
    moved = np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1.0]])
    wanted = max(0.0, 1 - abs(dx) / WIDTH) * max(0.0, 1 - abs(dy) / HEIGHT)
    share, (only,) = shared_with(moved, [np.eye(3)], WIDTH, HEIGHT)
    assert share == only == pytest.approx(wanted, abs=0.08)


def test_what_no_camera_sees_is_not_sane():
    assert sane(np.eye(3), WIDTH, HEIGHT)
    for matrix in (None, np.diag([1.0, -1.0, 1.0]), np.diag([9.0, 9.0, 1.0]), np.full((3, 3), np.nan),
                   np.array([[1, 0, 0], [0, 1, 0], [-0.01, 0, 1.0]])):  # fmt: skip
        assert not sane(matrix, WIDTH, HEIGHT)

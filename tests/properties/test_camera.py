"""Resizing and cropping a camera moves the pixel of every ray exactly as the picture's content moves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError

SPREAD = np.diag([1.0, 2.0, 3.0, 4.0, *[1e-4] * 5])
cameras = st.builds(
    lambda f, ratio, cx, cy, k1: Camera(
        640, 480, f, f * ratio, cx, cy, np.array([k1, 0.01, 1e-3, -1e-3, 0.0]), SPREAD
    ),
    st.floats(400, 900), st.floats(0.98, 1.02), st.floats(300, 340), st.floats(220, 260), st.floats(-0.1, 0.1),
)  # fmt: skip
rays = st.lists(st.tuples(st.floats(-0.5, 0.5), st.floats(-0.4, 0.4)), min_size=1, max_size=5).map(
    lambda rows: np.array([(x, y, 1.0) for x, y in rows])
)


@given(cameras, rays, st.sampled_from([(320, 240), (1280, 960), (213, 160), (107, 80), (4000, 3000)]))
def test_resizing_moves_pixels_as_the_picture(camera: Camera, points: np.ndarray, size: tuple[int, int]) -> None:
    scale = np.array(size) / (640, 480)
    resized = camera.resized(*size)
    assert np.allclose(resized.project(points), (camera.project(points) + 0.5) * scale - 0.5, atol=1e-8)


@given(cameras, rays, st.integers(0, 300), st.integers(0, 200), st.integers(1, 340), st.integers(1, 280))
def test_cropping_moves_pixels_as_the_picture(
    camera: Camera, points: np.ndarray, left: int, top: int, width: int, height: int
) -> None:
    cropped = camera.cropped(left, top, width, height)
    assert np.allclose(cropped.project(points), camera.project(points) - [left, top], atol=1e-8)


@given(cameras, st.sampled_from([(320, 240), (1280, 960), (213, 160)]))
def test_resizing_keeps_the_error_of_a_ray(camera: Camera, size: tuple[int, int]) -> None:
    """The covariance of where a ray points does not depend on the size at which its picture is kept."""
    scale = np.array(size) / (640, 480)
    pixel = np.array([[101.0, 37.0]])
    before = camera.unproject(pixel)[2][0]
    resized = camera.resized(*size)
    after = resized.unproject((pixel + 0.5) * scale - 0.5)[2][0]
    assert np.allclose(after @ resized.covariance @ after.T, before @ camera.covariance @ before.T, rtol=1e-7, atol=0)


@given(cameras, st.sampled_from([(320, 240), (1280, 960), (320, 200)]))
def test_there_and_back_again(camera: Camera, size: tuple[int, int]) -> None:
    if size == (320, 200):
        with pytest.raises(InputError, match="cropped"):
            camera.resized(*size)
        return
    back = camera.resized(*size).resized(640, 480)
    assert np.allclose(back.matrix, camera.matrix, atol=1e-10)
    assert np.allclose(back.covariance, camera.covariance, rtol=1e-12, atol=1e-15)

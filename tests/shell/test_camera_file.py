"""``camera.yaml``: what is written reads back, with the lens in the covariance or without."""

from pathlib import Path

import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.errors import SiteError
from swardwright.shell.camera_file import camera_text, load_camera


def camera(covariance: np.ndarray) -> Camera:
    return Camera(640, 480, 535.9, 536.1, 342.3, 235.6, np.array([-0.27, -0.04, 1.8e-3, -3e-4, 0.24]), covariance)


def spread(size: int) -> np.ndarray:
    root = np.random.default_rng(3).normal(size=(size, size)) * np.array([1, 1, 1, 1, *[1e-4] * 5])[:size, None]
    return np.asarray(root @ root.T)


@pytest.mark.parametrize("size", [4, 9])
def test_round_trip(tmp_path: Path, size: int) -> None:
    path = tmp_path / "camera.yaml"
    given = camera(spread(size))
    path.write_text(camera_text(given, "invented"))
    back = load_camera(path)
    assert np.array_equal(back.matrix, given.matrix)
    assert np.array_equal(back.distortion, given.distortion)
    assert back.covariance.shape == (size, size)
    assert np.allclose(back.covariance, given.covariance, rtol=1e-12, atol=0)


def test_small_round_numbers_read_back(tmp_path: Path) -> None:
    """YAML 1.1 takes 4e-06 for text, since it has no point: written with one, and read either way."""
    path = tmp_path / "camera.yaml"
    given = camera(np.diag([1e16, 1.0, 4e-6, 1e-300, *[1e-8] * 5]))
    text = camera_text(given, "invented")
    path.write_text(text)
    assert np.array_equal(load_camera(path).covariance, given.covariance)
    assert "4.0e-06" in text
    path.write_text(text.replace("4.0e-06", "4e-06"))
    assert np.array_equal(load_camera(path).covariance, given.covariance)


@pytest.mark.parametrize(
    ("size", "field"), [(4, "covariance_fx_fy_cx_cy"), (9, "covariance_fx_fy_cx_cy_k1_k2_p1_p2_k3")]
)
def test_a_wrong_covariance_is_named(tmp_path: Path, size: int, field: str) -> None:
    path = tmp_path / "camera.yaml"
    for wrong in (np.diag([1.0, *[-1e-9] * (size - 1)]), np.eye(size) + np.eye(size, k=1)):
        path.write_text(camera_text(camera(wrong), "invented"))
        with pytest.raises(SiteError) as caught:
            load_camera(path)
        assert caught.value.field == field
    path.write_text(camera_text(camera(np.eye(size)), "invented").replace("1.0, 0.0, 0.0", "1.0, 0.0", 1))
    with pytest.raises(SiteError):
        load_camera(path)

import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError


def camera(**changes: object) -> Camera:
    given: dict[str, object] = {
        "width_px": 640, "height_px": 480, "fx_px": 500.0, "fy_px": 510.0, "cx_px": 320.0, "cy_px": 240.0,
        "distortion": np.zeros(5), "covariance": np.eye(4),
    }  # fmt: skip
    return Camera(**{**given, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"fx_px": 0.0}, "K[0]"),  # sensor_msgs/CameraInfo: K[0] = 0 means uncalibrated
        ({"fx_px": float("nan")}, "K"),
        ({"width_px": 0}, "width, height"),
        ({"distortion": np.full(5, np.nan)}, "D"),
        ({"distortion": np.zeros(7)}, "D"),
        ({"covariance": np.eye(3)}, "covariance"),
    ],
)
def test_a_wrong_camera_is_named(changes: dict[str, object], field: str) -> None:
    with pytest.raises(InputError) as caught:
        camera(**changes)
    assert caught.value.field == field


def test_points_behind_the_camera_have_no_pixel() -> None:
    assert np.isnan(camera().project(np.array([[0.0, 0.0, -1.0]]))).all()


def test_a_lens_that_folds_is_refused() -> None:
    with pytest.raises(InputError, match="cannot be inverted"):
        camera(distortion=np.array([-0.8, 0, 0, 0, 0])).unproject(np.array([[5000.0, 5000.0]]))

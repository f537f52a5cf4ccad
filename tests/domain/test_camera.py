import cv2
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
        ({"covariance": np.full((9, 9), np.nan)}, "covariance"),
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


def test_a_resized_camera_sees_what_the_resized_picture_shows() -> None:
    """The half-pixel rule against OpenCV's ``resize``: a rendered blob's centre of mass moves as the camera says.

    Tolerance 0.01 px: a grey-level centroid of a blob of 12 px; the rule without the half pixel is off by 0.25 px.
    """
    v, u = np.mgrid[:480, :640]
    for centre in ((140.3, 300.8), (501.2, 77.9)):
        blob = np.exp(-((u - centre[0]) ** 2 + (v - centre[1]) ** 2) / (2 * 12.0**2))
        for size in ((320, 240), (1280, 960)):
            small = cv2.resize(blob, size, interpolation=cv2.INTER_AREA if size[0] < 640 else cv2.INTER_LINEAR)
            y, x = np.mgrid[: size[1], : size[0]]
            seen = np.array([(small * x).sum(), (small * y).sum()]) / small.sum()
            one = camera(cx_px=centre[0], cy_px=centre[1]).resized(*size)
            assert np.allclose(seen, [one.cx_px, one.cy_px], atol=0.01)


def test_a_cropped_camera_sees_what_the_cut_picture_shows() -> None:
    cut = camera().cropped(100, 40, 320, 240)
    assert (cut.width_px, cut.height_px, cut.cx_px, cut.cy_px, cut.fx_px) == (320, 240, 220.0, 200.0, 500.0)
    assert np.array_equal(cut.covariance, np.eye(4))


def test_another_aspect_ratio_is_never_called_a_resize() -> None:
    with pytest.raises(InputError, match="cropped"):
        camera().resized(640, 360)
    assert "--rescale 320x240" in camera().size_remedy((320, 240))
    assert "--crop" not in camera().size_remedy((320, 240))
    assert "--crop" in camera().size_remedy((640, 360))
    assert "aspect ratio differs" in camera().size_remedy((640, 360))
    assert camera(width_px=1000, height_px=667).resized(300, 200).width_px == 300  # rounded to whole pixels: no crop


def test_a_part_outside_the_picture_cannot_be_kept() -> None:
    for part in ((-1, 0, 10, 10), (0, 0, 641, 480), (600, 0, 41, 10), (0, 0, 0, 10)):
        with pytest.raises(InputError, match="inside"):
            camera().cropped(*part)

from __future__ import annotations

import cv2
import numpy as np
import pytest

from swardwright.domain.errors import RecordingError
from swardwright.footage.picture import (
    UnreadablePictureError,
    compressed_size,
    decode,
    decode_raw,
    image_sharpness,
    sharpness,
)


@pytest.mark.parametrize("pattern", ["rggb", "bggr", "gbrg", "grbg"])
def test_bayer_patterns_give_the_colour_that_was_seen(pattern):
    """ROS names the first row's two cells, then the second row's (sensor_msgs image_encodings)."""
    colour = {"r": 200, "g": 90, "b": 30}
    mosaic = np.array([colour[c] for c in pattern], np.uint8).reshape(2, 2)
    data = np.tile(mosaic, (6, 8))
    image = decode_raw(f"bayer_{pattern}8", 16, 12, 16, data.ravel(), "t")
    np.testing.assert_array_equal(image[3:-3, 3:-3], np.broadcast_to([200, 90, 30], (6, 10, 3)))


@pytest.mark.parametrize(("encoding", "pixel"), [("rgba8", [1, 2, 3, 9]), ("bgra8", [3, 2, 1, 9]), ("8UC3", [3, 2, 1])])
def test_channel_order(encoding, pixel):
    data = np.tile(np.array(pixel, np.uint8), 6)
    image = decode_raw(encoding, 3, 2, 3 * len(pixel), data, "t")
    np.testing.assert_array_equal(image, np.broadcast_to([1, 2, 3], (2, 3, 3)))


def test_rows_may_be_padded():
    rows = np.zeros((2, 8), np.uint8)
    rows[:, :6] = 7
    rows[:, 6:] = 99
    assert decode_raw("rgb8", 2, 2, 8, rows.ravel(), "t").max() == 7


@pytest.mark.parametrize(
    ("width", "height", "step", "size"), [(4, 2, 4, 8), (4, 2, 12, 23), (4, 0, 12, 0), (4, 2, 12, 0)]
)
def test_sizes_that_contradict_each_other(width, height, step, size):
    with pytest.raises(RecordingError):
        decode_raw("rgb8", width, height, step, np.zeros(size, np.uint8), "t")


def test_a_cut_jpeg_is_not_half_a_picture():
    ok, data = cv2.imencode(".jpg", np.random.default_rng(0).integers(0, 255, (60, 80, 3), np.uint8))
    assert ok
    whole = data.tobytes()
    assert compressed_size(whole) == (80, 60, 1)
    for share in (0.0, 0.3, 0.9):
        with pytest.raises(UnreadablePictureError):
            decode(whole[: int(len(whole) * share)])


def test_blur_lowers_sharpness():
    image = np.random.default_rng(0).integers(0, 255, (200, 300, 3), np.uint8)
    image = cv2.GaussianBlur(image, (0, 0), 1.0)
    values = []
    for sigma in (0.0, 1.0, 2.0, 4.0):
        blurred = image if sigma == 0 else cv2.GaussianBlur(image, (0, 0), sigma)
        ok, data = cv2.imencode(".png", blurred)
        assert ok
        values.append((image_sharpness(blurred), sharpness(data.tobytes())))
    assert np.all(np.diff(values, axis=0) < 0)
    # decoding at half size and halving after decoding measure the same thing
    assert values[0][0] == pytest.approx(values[0][1], rel=0.15)


def test_sharpness_of_a_ramp_is_nothing_and_of_a_spike_as_worked_by_hand():
    ramp = np.repeat(np.arange(0, 200, dtype=np.uint8)[None, :, None], 100, axis=0).repeat(3, axis=2)
    assert image_sharpness(ramp[..., 0]) < 1.1
    # one half-size pixel of 80 in 100 x 100: Laplacian -320 once and 80 four times: sum of squares 128,000, mean 0
    spike = np.zeros((200, 200), np.uint8)
    spike[100:102, 60:62] = 80
    assert image_sharpness(spike) == pytest.approx(128_000 / 10_000)


@pytest.mark.parametrize("kind", [".png", ".tiff"])
@pytest.mark.parametrize("bits", [10, 12, 14, 16])
def test_pictures_of_more_bits_are_neither_black_nor_wrapped(kind, bits):
    wide = np.linspace(0, 2**bits - 1, 40 * 30).reshape(30, 40).astype(np.uint16)
    data = cv2.imencode(kind, wide)[1].tobytes()
    image = decode(data)
    assert image.shape == (30, 40, 3)
    np.testing.assert_array_equal(image, np.repeat((wide // 2 ** (bits - 8))[:, :, None], 3, axis=2))
    same = cv2.imencode(kind, image[:, :, 0])[1].tobytes()
    assert sharpness(data) == pytest.approx(sharpness(same), rel=0.01)  # halved before it is rounded, or after


def test_a_dark_picture_of_more_bits_keeps_its_values():
    data = cv2.imencode(".png", np.full((4, 5), 200, np.uint16))[1].tobytes()
    assert (decode(data) == 200).all()


def test_fractions_are_no_picture():
    data = cv2.imencode(".tiff", np.linspace(0, 1, 200, dtype=np.float32).reshape(10, 20))[1].tobytes()
    with pytest.raises(UnreadablePictureError):
        decode(data)

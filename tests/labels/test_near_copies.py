"""Pictures of the same ground are found whatever the turn, zoom, light and compression; others are not named."""

import functools
import math

import cv2
import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.labels.near_copies import look_of, near_copies


@functools.cache
def ground(seed):
    """Grainy ground with blobs of many sizes, 1400 x 1400."""
    rng = np.random.default_rng([seed, 77])
    out = np.zeros((1400, 1400, 3), np.float32)
    for sigma, gain in ((1.2, 50), (3, 60), (8, 60), (25, 60)):
        noise = cv2.GaussianBlur(rng.standard_normal(out.shape).astype(np.float32), (0, 0), sigma)
        out += gain * noise / noise.std()
    return np.clip(110 + 0.4 * out, 0, 255).astype(np.uint8)


def view(seed, x, y, turn=0.0, zoom=1.0, *, gain=(1.0, 1.0, 1.0), blur=0.0, quality=95, noise=0.0):
    """Return a picture 640 x 480 centred on (x, y) of the ground."""
    c, s = zoom * math.cos(turn), zoom * math.sin(turn)
    fit = np.array([[c, -s, x - c * 320 + s * 240], [s, c, y - s * 320 - c * 240]])
    out = cv2.warpAffine(ground(seed), fit, (640, 480), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    if blur:
        out = cv2.GaussianBlur(out, (0, 0), blur)
    out = out * np.array(gain) + noise * np.random.default_rng(3).standard_normal(out.shape)
    _, data = cv2.imencode(".jpg", np.clip(out, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)


def named(**pictures):
    return {(c.first, c.second): c for c in near_copies({name: look_of(p) for name, p in pictures.items()})}


@pytest.mark.parametrize(
    "changed",
    [
        {"turn": 1.0}, {"turn": math.pi}, {"zoom": 0.72}, {"zoom": 1.38}, {"gain": (0.6, 0.65, 0.7)},
        {"gain": (1.3, 1.1, 0.9)}, {"quality": 35}, {"blur": 1.5}, {"noise": 8.0},
        {"turn": 2.1, "zoom": 1.25, "gain": (0.8, 0.9, 1.1), "blur": 0.8, "quality": 50, "noise": 4.0},
    ],
)  # fmt: skip
@pytest.mark.parametrize("shift", [(0, 0), (250, 150)])
def test_planted_copies_are_found(changed, shift):
    found = named(a=view(1, 700, 700), b=view(1, 700 + shift[0], 700 + shift[1], **changed))
    assert ("a", "b") in found
    copy = found["a", "b"]
    assert copy.agreement > 0.7
    if shift == (0, 0):
        off = (copy.turn_rad + changed.get("turn", 0.0) + math.pi) % (2 * math.pi) - math.pi
        assert abs(off) < 0.02
        assert copy.zoom == pytest.approx(1 / changed.get("zoom", 1.0), rel=0.02)


@pytest.mark.parametrize("along", [0.35, 0.5, 0.8])
def test_shared_ground_is_told_as_large_as_it_is(along):
    found = named(a=view(2, 500, 700), b=view(2, 500 + 640 * (1 - along), 700))
    assert found["a", "b"].shared == pytest.approx(along, abs=0.02)


def test_different_ground_is_not_named():
    pictures = {f"{seed}-{n}": view(seed, x, y) for seed in (3, 4)
                for n, (x, y) in enumerate([(330, 250), (1060, 250), (330, 760), (1060, 760)])}  # fmt: skip
    assert named(**pictures) == {}


def test_little_shared_ground_is_not_called_a_copy():
    assert named(a=view(5, 400, 700), b=view(5, 400 + 640 * 0.95, 700)) == {}


def test_the_robots_own_shadow_in_every_picture_does_not_make_them_copies():
    """A quarter of each picture is the same to the pixel: part of the machine, always in the same place."""
    machine = view(9, 700, 700)
    pictures = {}
    for n, (x, y) in enumerate([(330, 250), (1060, 250), (330, 760)]):
        pictures[str(n)] = view(6, x, y).copy()
        pictures[str(n)][:, :160] = machine[:, :160]
    assert named(**pictures) == {}


def test_pictures_of_one_place_are_not_compared_and_threads_change_nothing():
    looks = {"a": look_of(view(1, 700, 700)), "b": look_of(view(1, 760, 700)), "c": look_of(view(1, 700, 740))}
    all_pairs = near_copies(looks)
    assert [(c.first, c.second) for c in all_pairs] == [("a", "b"), ("a", "c"), ("b", "c")]
    assert near_copies(looks, threads=2) == all_pairs
    some = near_copies(looks, {"a": "here", "b": "here", "c": "there"})
    assert [(c.first, c.second) for c in some] == [("a", "c"), ("b", "c")]


def test_plain_grey_and_tiny_pictures():
    plain = np.full((480, 640, 3), 90, np.uint8)
    assert named(a=plain, b=plain) == {}
    with pytest.raises(InputError, match="too small"):
        look_of(np.zeros((8, 8, 3), np.uint8))
    assert near_copies({}) == ()

"""Plants to maps and back."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.learning.targets import STRIDE, decode, encode

KINDS = 3


def perfect_maps(plants, height, width):
    """Maps as a perfect network would give them for the wanted ones."""
    wanted = encode(plants, np.zeros((0, 3)), height, width)
    heat = np.log(np.clip(wanted.heat, 1e-6, 1 - 1e-6) / (1 - np.clip(wanted.heat, 1e-6, 1 - 1e-6)))
    kinds = np.stack([np.where(wanted.kind == k, 5.0, -5.0) for k in range(KINDS)]).astype(np.float32)
    return heat.astype(np.float32), wanted.shape, kinds


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(0, 2), st.floats(-9, 9), st.floats(-9, 9), st.floats(5, 40),
                  st.integers(0, KINDS - 1)),
        min_size=1, max_size=8, unique_by=lambda t: t[:2],
    )
)  # fmt: skip
def test_what_is_written_into_the_maps_is_read_back(cells):
    """Property: crowns 40 px or more apart come back to a thousandth of a pixel, with radius and kind."""
    plants = np.array([(30 + 64 * i + du, 30 + 64 * j + dv, r, k) for i, j, du, dv, r, k in cells], float)
    heat, shape, kinds = perfect_maps(plants, 192, 256)
    got = decode(heat, shape, kinds, 0.0)
    assert len(got.logit) == len(plants)
    found = np.stack([got.u_px, got.v_px, got.radius_px, got.kind_logits.argmax(1)], 1)
    for plant in plants:
        nearest = found[np.argmin(np.hypot(*(found[:, :2] - plant[:2]).T))]
        np.testing.assert_allclose(nearest, plant, rtol=1e-4, atol=2e-3)


def test_pixel_centre_convention():
    """Cell 0 covers pixels 0..3, so a crown at pixel 1.5 lies on its centre; worked by hand."""
    wanted = encode(np.array([[1.5, 1.5, 16.0, 0]]), np.zeros((0, 3)), 32, 32)
    assert wanted.heat[0, 0] == 1.0
    np.testing.assert_allclose(wanted.shape[:, 0, 0], [0.0, 0.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(wanted.shape[:2, 0, 1], [-1.0, 0.0], atol=1e-6)
    assert STRIDE == 4


def test_crowns_outside_are_left_out_and_ignored_ground_does_not_teach():
    wanted = encode(np.array([[-3.0, 5, 8, 0], [70.0, 5, 8, 0]]), np.array([[32.0, 32, 12]]), 64, 64)
    assert wanted.heat.max() == 0.0
    assert wanted.weight[8, 8] == 0.0
    assert wanted.weight[0, 0] == 1.0


def test_a_plant_inside_an_ignored_region_still_teaches_its_crown():
    wanted = encode(np.array([[32.0, 32, 12, 0]]), np.array([[32.0, 32, 20]]), 64, 64)
    assert wanted.weight[wanted.heat == 1.0].all()


def test_the_weaker_of_two_maxima_on_one_plant_is_dropped():
    heat = np.full((40, 40), -9.0, np.float32)
    heat[10, 10], heat[10, 14], heat[30, 30] = 3.0, 2.0, 1.0
    shape = np.zeros((3, 40, 40), np.float32)
    shape[2] = np.log(40 / 16)
    got = decode(heat, shape, np.zeros((1, 40, 40), np.float32), 0.0)
    assert got.logit.tolist() == pytest.approx([3.0, 1.0])

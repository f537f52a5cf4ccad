"""Crops of pictures: labels move with what they label, colours change and grey stays, pasted plants are labelled."""

from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.learning import augment
from swardwright.learning.augment import colour_matrix, leaves_bright, random_crop, relight
from swardwright.learning.paste import APART, make_bank, pasted
from swardwright.learning.samples import TeachSettings

NONE = np.zeros((0, 3))


def ground(seed=0):
    return np.random.default_rng(seed).integers(60, 80, (200, 240, 3), dtype=np.uint8)


def with_disc(u, v, radius):
    image = ground()
    y, x = np.mgrid[:200, :240]
    image[np.hypot(x - u, y - v) <= radius] = (250, 10, 10)
    return image


@given(st.floats(0.3, 1.35), st.floats(0.2, 1.5), st.floats(-0.5, 0.5), st.floats(0, 255))
def test_colours_change_and_grey_stays(colour, lush, hue, level):
    matrix = colour_matrix(colour, lush, hue).astype(float)
    np.testing.assert_allclose(matrix @ np.full(3, level), level, atol=1e-3)


def test_colour_matrix_against_hand_worked_cases():
    np.testing.assert_allclose(colour_matrix(1.0, 1.0, 0.0), np.eye(3), atol=1e-6)
    np.testing.assert_allclose(colour_matrix(0.0, 1.0, 0.0) @ [30, 60, 90], [60, 60, 60], atol=1e-4)
    # a third of a turn takes red to green
    np.testing.assert_allclose(colour_matrix(1.0, 1.0, 2 * np.pi / 3) @ [1, 0, 0], [0, 1, 0], atol=1e-6)
    dry = colour_matrix(1.0, 0.5, 0.0).astype(float) @ [80, 140, 60]  # green excess 140: half of it is 70
    assert 2 * dry[1] - dry[0] - dry[2] == pytest.approx(70, abs=1e-3)


def bank_of(radius=12.0):
    plants = np.array([[100.0, 90.0, radius, 1.0]])
    return make_bank(lambda n: with_disc(100, 90, radius), [(plants, NONE)], 0)


@given(st.integers(0, 10_000), st.floats(0.5, 2.0))
def test_a_pasted_plant_lies_where_its_label_says_and_crowns_stay_apart(seed, zoom):
    own = np.array([[60.0, 60.0, 15.0, 0.0]])
    crop = ground()[:192, :192]
    out, plants = pasted(crop, own, zoom, bank_of(), np.random.default_rng(seed))
    assert 1 <= len(plants) <= 4
    np.testing.assert_array_equal(plants[0], own[0])
    changed = (np.abs(out.astype(int) - crop) > 60).any(axis=2)
    y, x = np.mgrid[:192, :192]
    near = np.zeros_like(changed)
    for n, (u, v, radius, kind) in enumerate(plants[1:], start=1):
        assert kind == 1.0
        assert out[round(v), round(u), 0] > 200
        apart = np.hypot(plants[:n, 0] - u, plants[:n, 1] - v)
        assert (apart >= APART * (plants[:n, 2] + radius)).all()
        near |= np.hypot(x - u, y - v) <= 1.35 * radius
    assert not (changed & ~near).any()


def test_plants_cut_off_by_the_edge_or_of_no_size_are_not_pasted():
    plants = np.array([[3.0, 90.0, 12.0, 0.0], [100.0, 90.0, 2.0, 0.0]])
    bank = make_bank(lambda n: ground(), [(plants, NONE)], 0)
    assert bank.discs == ()
    crop = ground()[:64, :64]
    assert pasted(crop, np.zeros((0, 4)), 1.0, bank, np.random.default_rng(0))[0] is crop


@given(st.integers(0, 10_000))
def test_the_crown_of_a_crop_lies_on_the_plant(seed):
    settings = TeachSettings(crop_px=128, paste=0.5)
    image, plants = with_disc(100, 90, 12), np.array([[100.0, 90.0, 12.0, 0.0]])
    with patch.object(augment, "relight", lambda crop, rng: crop):
        crop, moved, _ = random_crop(image, plants, NONE, settings, np.random.default_rng(seed), None)
    assert crop.shape == (128, 128, 3)
    for u, v, radius, _kind in moved:
        assert 12 * settings.scale_min <= radius <= 12 * settings.scale_max
        assert crop[round(min(v, 127)), round(min(u, 127)), 0] > 200


def test_the_same_seed_gives_the_same_crop_and_light():
    one, two = (relight(ground(), np.random.default_rng(5)) for _ in range(2))
    np.testing.assert_array_equal(one, two)


@pytest.mark.parametrize("seed", range(20))
def test_leaves_are_brighter_than_soil_and_stones_as_in_near_infra_red(seed):
    weights = leaves_bright(np.random.default_rng(seed))
    leaf, soil, stone = (weights @ np.array(c, float) for c in ((70, 140, 45), (120, 90, 70), (150, 145, 140)))
    assert leaf > soil
    assert leaf > 0
    assert stone == pytest.approx(150 * (weights.sum()), abs=25)  # what has no colour stays as light as its red share


def test_some_crops_have_one_channel_and_most_have_three():
    rng = np.random.default_rng(3)
    coloured = np.zeros((24, 24, 3), np.uint8) + np.array([60, 140, 40], np.uint8)
    flat = 0
    for _ in range(600):
        crop = relight(coloured, rng).astype(int)
        flat += bool(np.ptp(crop.mean(axis=(0, 1))) < 4)
    assert 0.08 < flat / 600 < 0.3

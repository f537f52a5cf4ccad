from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.footage.videos import seen_from, turf

from swardwright.frames.seen import Seen, groups, look_of, same_ground

GROUND = turf(4, 3000, 2000)
SIZE = (480, 320)


def look(x, y, yaw=0.0, scale=1.0, light=1.0):
    grey = cv2.cvtColor(seen_from(GROUND, x, y, yaw, scale, SIZE), cv2.COLOR_RGB2GRAY)
    noise = np.random.default_rng(int(x + 7 * y)).normal(0, 4, grey.shape)
    return look_of(np.clip(light * grey + noise, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("yaw", [0.0, 0.4, 1.6, 3.1])
def test_ground_is_known_again_from_any_direction_and_in_other_light(yaw):
    before = look(800, 700)
    assert same_ground(look(800, 700, yaw, 1.08, 0.8), before) > 0.5
    assert same_ground(look(800 + 0.5 * SIZE[0], 700, yaw), before) > 0.2


def test_the_share_is_that_of_the_ground():
    for share in (0.9, 0.7, 0.5):
        assert same_ground(look(800 + (1 - share) * SIZE[0], 700), look(800, 700)) == pytest.approx(share, abs=0.05)


def test_different_ground_is_never_taken_for_the_same():
    looks = [look(x, y) for x in range(300, 2800, 520) for y in range(200, 1900, 360)]
    assert len(looks) == 25
    assert [same_ground(a, b) for a, b in itertools.combinations(looks, 2)] == [0.0] * 300


def test_the_right_picture_is_found_among_many():
    seen = Seen()
    places = [(x, y) for x in range(300, 2800, 520) for y in range(200, 1900, 360)]
    for place in places:
        seen.add(str(place), look(*place))
    for place in places[::4]:
        found = seen.find(look(place[0] + 60, place[1] + 20, 2.0, 1.05, 1.1))
        assert max(found, key=lambda name: found[name]) == str(place)


def test_pictures_without_corners_share_nothing():
    empty = look_of(np.full((40, 60), 90, np.uint8))
    seen = Seen()
    seen.add("empty", empty)
    assert seen.find(look(800, 700)) == {}
    assert Seen().find(empty) == {}
    assert seen.find(empty) == {}


@given(st.lists(st.tuples(st.integers(0, 11), st.integers(0, 11)), max_size=20))
def test_places_are_what_shared_ground_joins(pairs):
    names = [f"n{i}" for i in range(12)]
    shares: dict[str, dict[str, float]] = {}
    for a, b in pairs:
        shares.setdefault(names[a], {})[names[b]] = 0.3
    found = groups(names, shares)
    reach = np.eye(12, dtype=bool)
    for a, b in pairs:
        reach[a, b] = reach[b, a] = True
    for _ in range(4):
        reach = (reach.astype(int) @ reach.astype(int)) > 0
    for i, j in itertools.product(range(12), repeat=2):
        assert (found[names[i]] == found[names[j]]) == reach[i, j]
    assert found["n0"] == "place-001"

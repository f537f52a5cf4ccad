"""From where a stop is looked at: what must be seen is seen, by the quickest looks, found again by trying all."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.errors import RobotModelError
from swardwright.planning.looks import PICTURE_S, all_looks, choose_looks, look_motions, look_offer, looks_note
from swardwright.planning.motion import hindrances
from swardwright.planning.pace import pace
from swardwright.planning.view import seen_at_stop, seen_from

NONE = np.empty((0, 2))
PLACES = st.lists(st.tuples(st.floats(-0.3, 1.2), st.floats(-0.9, 0.9)), min_size=1, max_size=6)


def time_s(rig: Any, looks: tuple[Any, ...]) -> float:
    way = np.array([rig.rest_joints_rad, *looks], dtype=float)
    return float(sum(pace(rig, way[n : n + 2]).time_s for n in range(len(looks))))


def count_s(rig: Any, looks: tuple[Any, ...], weeds: Any, found: float) -> float:
    """What looks count, by hand."""
    pictures = sum(seen_from(rig, look, weeds).astype(int) for look in looks)
    back = pace(rig, np.array([rig.look_joints_rad[-1], rig.rest_joints_rad])).time_s
    every = rig.look_joints_rad
    alone = time_s(rig, every) + PICTURE_S * len(every) + 2.0 * back
    missed = ((1.0 - found) ** np.asarray(pictures))[seen_at_stop(rig, weeds)]
    return time_s(rig, looks) + PICTURE_S * len(looks) + alone * float(missed.sum())


@settings(max_examples=25, deadline=None)
@given(PLACES, PLACES, st.sampled_from([0.7, 0.95, 1.0]))
def test_the_looks_chosen_are_the_quickest_that_show_all(make: Any, weeds: Any, spared: Any, found: float) -> None:
    rig, weeds_m, spared_m = make.rig, np.array(weeds), np.array(spared)
    ways = choose_looks(rig, weeds_m, spared_m, found)
    needed = np.concatenate([weeds_m, spared_m])
    needed = needed[seen_at_stop(rig, needed)]
    for way in ways:
        assert np.any([seen_from(rig, look, needed) for look in way.joints_rad], axis=0).all()
        assert way.time_s == pytest.approx(time_s(rig, way.joints_rad))
        assert way.lead_s == pytest.approx(count_s(rig, way.joints_rad, weeds_m, found))
    assert len({way.joints_rad[-1] for way in ways}) == len(ways)
    best = min(ways, key=lambda way: way.lead_s)
    for length in (1, 2):
        for looks in permutations(look_offer(rig).postures, length):
            if np.any([seen_from(rig, look, needed) for look in looks], axis=0).all():
                assert best.lead_s <= count_s(rig, looks, weeds_m, found) + 1e-9


def test_a_weed_in_the_middle_takes_one_look_and_a_poor_detector_more(make: Any) -> None:
    ahead = np.array([[0.8, 0.0]])
    assert {len(way.joints_rad) for way in choose_looks(make.rig, ahead, NONE, 1.0)} >= {1}
    best = min(choose_looks(make.rig, ahead, NONE, 0.99), key=lambda way: way.lead_s)
    poor = min(choose_looks(make.rig, ahead, NONE, 0.3), key=lambda way: way.lead_s)
    assert len(best.joints_rad) == 1
    assert best.unseen == pytest.approx(0.01)
    assert len(poor.joints_rad) == 2
    assert poor.unseen == pytest.approx(0.7**2)


def test_a_plant_to_spare_beside_a_weed_is_looked_at_too(make: Any) -> None:
    rig = make.rig
    weed = np.array([[0.75, 0.6]])
    alone = min(choose_looks(rig, weed, NONE, 1.0), key=lambda way: way.lead_s)
    grid = np.stack(np.meshgrid(np.linspace(-0.3, 1.1, 15), np.linspace(-0.9, 0.9, 19)), axis=-1).reshape(-1, 2)
    unshown = ~np.any([seen_from(rig, look, grid) for look in alone.joints_rad], axis=0)
    spared = grid[seen_at_stop(rig, grid) & unshown][:1]
    assert len(spared) == 1
    both = min(choose_looks(rig, weed, spared, 1.0), key=lambda way: way.lead_s)
    assert any(seen_from(rig, look, spared).all() for look in both.joints_rad)


def test_postures_between_two_looks_are_offered_where_they_are_clear_low_and_look_down(make: Any) -> None:
    rig = make.rig
    offer = look_offer(rig)
    assert offer.postures[:3] == rig.look_joints_rad
    assert len(offer.postures) == 11
    heights = rig.arm.forward(np.array(offer.postures), rig.camera_link)[:, 2, 3]
    assert heights.max() <= heights[0] + 0.006
    steps = {(a, b) for way in offer.ways for a, b in pairwise((rig.rest_joints_rad, *way)) if a != b}
    one, two = (np.array(side, dtype=float) for side in zip(*steps, strict=True))
    assert not any(hindrances(rig, one, two, lit=False, margin_m=0.0))
    # a posture that stands higher than the first look is not offered: its precision is not what the plan reckons with
    flat = look_offer(replace(rig, look_joints_rad=(rig.survey_joints_rad, rig.look_joints_rad[0])))
    top = rig.arm.forward(np.array(rig.survey_joints_rad), rig.camera_link)[2, 3] + 0.006
    assert (rig.arm.forward(np.array(flat.postures[2:]), rig.camera_link)[..., 2, 3] <= top).all()


def test_a_posture_listed_twice_is_looked_from_twice(make: Any) -> None:
    twice = replace(make.rig, look_joints_rad=make.rig.look_joints_rad * 2)
    ways = choose_looks(twice, np.array([[0.8, 0.0]]), NONE, 1.0)
    best = min(ways, key=lambda way: way.lead_s)
    assert len(best.joints_rad) == 2
    assert best.joints_rad[0] == best.joints_rad[1]
    once = min(choose_looks(make.rig, np.array([[0.8, 0.0]]), NONE, 1.0), key=lambda way: way.lead_s)
    assert best.time_s == pytest.approx(once.time_s)  # the second picture costs no way


def test_no_look_postures_give_no_looks_and_very_many_their_own_list(make: Any) -> None:
    assert choose_looks(replace(make.rig, look_joints_rad=()), np.array([[0.8, 0.0]]), NONE) == []
    first = np.array(make.rig.look_joints_rad[1])
    many = tuple(tuple(float(q) for q in first + 0.002 * k * np.eye(7)[6]) for k in range(25))
    rig = replace(make.rig, look_joints_rad=many)
    (way,) = choose_looks(rig, np.array([[0.8, 0.0]]), NONE)
    assert way.joints_rad == many == all_looks(rig).joints_rad


def test_a_look_posture_that_strikes_is_named(make: Any) -> None:
    sunk = list(make.rig.look_joints_rad[0])
    sunk[1] = 2.0
    with pytest.raises(RobotModelError, match="in its look 1 posture the arm would strike"):
        look_offer(replace(make.rig, look_joints_rad=(tuple(sunk),)))
    assert len(look_motions(make.rig)) == 3


def test_the_note_counts_pictures_and_what_they_overlook(make: Any) -> None:
    ways = [min(choose_looks(make.rig, np.array([[0.8, 0.0]]), NONE, 0.99), key=lambda way: way.lead_s)] * 10
    (note,) = looks_note(make.rig, ways, 10, 0.99)
    assert "pictures: 10 at the stops, where all look postures would be 30" in note
    assert "about 0.1 of 10" in note
    assert looks_note(make.rig, [], 0, 0.99) == ()

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from tests.footage.videos import seen_from, turf

from swardwright.domain.errors import InputError
from swardwright.frames.blur import Levels, relative, sharpness
from swardwright.frames.choosing import (
    BEFORE,
    BLURRED,
    DAMAGED,
    GAP,
    KEPT,
    LESS_SHARP,
    NO_NEW,
    OVER,
    UNDER,
    Choice,
    Chooser,
)

GROUND = turf(5, 6000, 700)
SIZE = (320, 200)


def picture(x, y=350.0):
    return cv2.cvtColor(seen_from(GROUND, x, y, size=SIZE), cv2.COLOR_RGB2GRAY)


def blurred(image, length=13):
    return cv2.blur(image, (length, 1))


def choose(pictures, choice=None, rate=20, shares=None):
    """Run the chooser; exposure is given as the caller measures it. Return reasons and numbers kept."""
    chooser, held, kept = Chooser(choice or Choice()), None, []

    def settle():
        if chooser.sharp() and chooser.settle(f"p{held}", (shares or (lambda n: {}))(held)):
            kept.append(held)

    for number, image in enumerate(pictures):
        bright = 0.0 if image is None else float((image >= 250).mean())
        dark = 0.0 if image is None else float((image <= 5).mean())
        if chooser.measure(number, number / rate, image, bright, dark):
            settle()
        if chooser.consider():
            held = number
    if chooser.candidate is not None:
        settle()
    return [r.reason for r in chooser.flushed()], kept


def xs(count=100, step=12.0, start=400.0):
    return [start + step * n for n in range(count)]


def test_kept_pictures_share_little_and_leave_no_ground_out():
    reasons, kept = choose([picture(x) for x in xs()], Choice(place=0))
    gaps = np.diff(kept) * 12.0 / SIZE[0]
    assert (gaps > 0.55).all()  # at most 40 % in common, as far as the motion is known
    assert (gaps < 0.85).all()  # and 15 % more new ground at most, plus a picture's step
    assert reasons[-1] in (KEPT, NO_NEW, LESS_SHARP)
    assert reasons.count(KEPT) == len(kept)


def test_the_sharpest_of_those_beside_it_is_kept_and_blurred_ones_never():
    planted = {n for n in range(100) if n % 3 != 1}  # two of three are a little blurred
    images = [blurred(picture(x), 3) if n in planted else picture(x) for n, x in enumerate(xs())]
    _, kept = choose(images)
    assert not planted & set(kept)
    planted = set(range(7, 100, 5))
    images = [blurred(picture(x)) if n in planted else picture(x) for n, x in enumerate(xs())]
    reasons, kept = choose(images)
    assert not planted & set(kept)
    assert {n for n, r in enumerate(reasons) if r == BLURRED} == planted


def test_a_stretch_blurred_throughout_is_dropped_although_its_neighbours_are_no_better():
    images = [blurred(picture(x)) if 40 <= n < 80 else picture(x) for n, x in enumerate(xs(120))]
    reasons, kept = choose(images)
    assert not set(range(40, 80)) & set(kept)
    assert {r for r in reasons[52:70]} == {BLURRED}


def test_clipped_and_dark_and_damaged_pictures():
    images = [picture(x) for x in xs()]
    for n in range(5, 100, 10):
        images[n] = np.clip(images[n].astype(int) * 4, 0, 255).astype(np.uint8)
        images[n + 1] = (images[n + 1] // 40).astype(np.uint8)
        images[n + 2] = None
    reasons, kept = choose(images)
    for n in range(5, 100, 10):
        assert reasons[n : n + 3] == [OVER, UNDER, DAMAGED]
    assert len(kept) >= 5


def test_standing_still_keeps_one():
    reasons, kept = choose([picture(500)] * 80)
    assert len(kept) == 1
    assert reasons.count(NO_NEW) > 60


def test_turning_back_keeps_nothing_again_as_far_as_motion_is_followed():
    there = xs(40)
    _, kept = choose([picture(x) for x in there + there[::-1]], Choice(place=0))
    assert max(kept) < 44


def test_ground_seen_before_is_not_kept():
    reasons, kept = choose([picture(x) for x in xs()], shares=lambda n: {"earlier": 0.9} if n > 30 else {})
    assert max(kept) <= 30
    assert BEFORE in reasons


def test_between_places_ground_is_left_out():
    images = [picture(x) for x in xs(260, 18.0)]
    reasons, kept = choose(images, Choice(place=4))
    steps = np.diff(kept) * 18.0 / SIZE[0]
    assert GAP in reasons
    for n, step in enumerate(steps, start=1):
        assert (step > 0.97) == (n % 4 == 0)
    assert GAP not in choose(images, Choice(place=0))[0]


def test_saved_and_taken_up_again_the_choice_is_the_same():
    images = [picture(x) for x in xs(120)]
    wanted = choose(images)[1]
    chooser, held, kept = Chooser(Choice()), None, []
    for number, image in enumerate(images):
        if chooser.measure(number, number / 20, image, 0.0, 0.0):
            assert chooser.sharp()
            if chooser.settle(f"p{held}", {}):
                kept.append(held)
                chooser.flushed(but_last=True)
                saved = json.loads(json.dumps(chooser.anchored()))
                chooser = Chooser(Choice(), saved)  # all else is forgotten
                chooser.resume(number, number / 20, image, 0.0, 0.0)
        if chooser.consider():
            held = number
    if chooser.candidate is not None and chooser.sharp() and chooser.settle("last", {}):
        kept.append(held)
    assert kept == pytest.approx(wanted, abs=1)  # following starts anew at each


def test_sharpness_against_neighbours_only():
    near = [(t / 10, 100.0) for t in range(20)]
    assert relative(1.0, 50.0, near) == 0.5
    assert relative(9.0, 50.0, near) == 1.0
    assert sharpness(picture(500)) > 3 * sharpness(blurred(picture(500)))


def test_the_level_that_three_of_four_stay_below():
    levels = Levels()
    assert levels.high() == 0.0
    for value in [1.0] * 75 + [8.0] * 25:
        levels.add(value)
    assert levels.high() == pytest.approx(1.0, rel=0.1)
    for value in [8.0] * 60:
        levels.add(value)
    assert levels.high() == pytest.approx(8.0, rel=0.1)


@pytest.mark.parametrize("wrong", [{"overlap": 1.0}, {"blur": float("nan")}, {"clipped": -0.1}, {"place": -1}])
def test_settings_out_of_range(wrong):
    with pytest.raises(InputError, match=r"range|negative"):
        Choice(**wrong)

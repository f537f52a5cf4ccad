"""The queue: unsure before sure, new before known, and never the same ground first and second."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.frame import Detection
from swardwright.labels.looks import FrameLook, features, plants_in_short
from swardwright.labels.queue import QueueFrame, order, unsure_bits

KINDS = ("dock", "daisy")


def plant(number: int, probability: float, share: float = 0.95, kind: str = "dock") -> Detection:
    other = "daisy" if kind == "dock" else "dock"
    return Detection(f"d{number}", "f", 50.0, 50.0, 10.0, probability, ((kind, share), (other, 1 - share)))


def frame(name: str, looks=(0.0, 0.0), plants=(), ground=(), group="") -> QueueFrame:
    cells = frozenset((c, 0) for c in ground)
    return QueueFrame(FrameLook(name, tuple(plants), tuple(float(v) for v in looks)), cells, group)


def names(pool, labelled=(), **more):
    return [q.frame_id for q in order(pool, labelled, threshold=0.5, kinds=KINDS, **more)]


def test_unsure_is_one_bit_at_the_threshold_and_none_far_away():
    for threshold in (0.1, 0.5, 0.83):
        assert unsure_bits(threshold, threshold) == pytest.approx(1.0)
        assert unsure_bits(1e-9, threshold) < 1e-3
        assert unsure_bits(1 - 1e-9, threshold) < 1e-3
    assert unsure_bits(0.9, 0.5) == pytest.approx(0.468996, abs=1e-6)  # the binary entropy of 0.9, worked by hand


def test_the_unsure_frame_comes_first():
    pool = [frame("sure", plants=[plant(1, 0.999)]), frame("bare"), frame("unsure", plants=[plant(2, 0.5)])]
    pool = [QueueFrame(p.look, frozenset({(n, 9)})) for n, p in enumerate(pool)]
    assert names(pool)[0] == "unsure"
    torn = [frame("told", plants=[plant(1, 0.9)], ground=[1]), frame("torn", plants=[plant(2, 0.9, 0.5)], ground=[2])]
    assert names(torn)[0] == "torn"


def test_an_odd_picture_does_not_come_first():
    rng = np.random.default_rng(0)
    pool = [frame(f"turf-{n}", rng.normal(0, 0.3, 2), [plant(n, 0.5)], ground=[n]) for n in range(12)]
    pool.insert(0, frame("shoe", (9.0, -7.0), [plant(99, 0.5), plant(98, 0.5)], ground=[99]))
    assert names(pool)[0] != "shoe"


def test_a_crowd_of_plants_that_teach_little_waits():
    sure = [plant(i, 0.999, 0.999) for i in range(1, 31)]
    pool = [frame("crowd", plants=[plant(0, 0.5), *sure], ground=[1]), frame("few", plants=[plant(0, 0.5)], ground=[2])]
    assert names(pool)[0] == "few"
    pool[0] = frame("crowd", plants=[plant(i, 0.5) for i in range(3)], ground=[1])
    assert names(pool)[0] == "crowd"  # three doubts for three marks and one look


def test_a_rare_kind_counts_more():
    pool = [frame("often", plants=[plant(1, 0.6)], ground=[1]),
            frame("seldom", plants=[plant(2, 0.6, kind="daisy")], ground=[2])]  # fmt: skip
    assert names(pool, labels_of_kind={"dock": 40, "daisy": 1})[0] == "seldom"
    assert names(pool, labels_of_kind={"dock": 1, "daisy": 40})[0] == "often"


def test_the_first_frames_are_not_all_of_one_kind():
    pool = [frame(f"dock-{n}", plants=[plant(i, 0.999, 0.999) for i in range(4)], ground=[n]) for n in range(4)]
    pool.append(frame("daisy", plants=[plant(i, 0.999, 0.999, "daisy") for i in range(3)], ground=[9]))
    assert names(pool)[0] == "dock-0"
    assert names(pool)[1] == "daisy"


def test_the_same_ground_does_not_follow_itself():
    doubtful = [plant(n, 0.5) for n in range(6)]
    pool = [frame(f"here-{n}", plants=doubtful, ground=range(10)) for n in range(3)]
    pool += [frame(f"there-{n}", plants=doubtful[:2], ground=range(20 + 10 * n, 30 + 10 * n)) for n in range(3)]
    got = names(pool)
    assert got[0].startswith("here")
    assert all(n.startswith("there") for n in got[1:4])


def test_without_poses_a_copy_comes_last_and_groups_take_turns():
    plants = [plant(1, 0.5)]
    pool = [frame("one", (0, 0), plants, group="a"), frame("copy", (0, 0), plants, group="a"),
            frame("other", (5, 1), plants, group="b"), frame("third", (-4, 3), plants, group="c")]  # fmt: skip
    got = names(pool)
    assert got[-1] in ("one", "copy")
    assert len({"one", "copy"} & set(got[:3])) == 1


def test_what_is_labelled_already_is_not_asked_for_again():
    plants = [plant(1, 0.5)]
    pool = [frame("known", (0, 0), plants, ground=[1]), frame("new", (3, 3), plants, ground=[2])]
    assert names(pool, [frame("labelled", (0, 0), plants, ground=[1])]) == ["new", "known"]


def test_why_says_what_counts():
    [first] = itertools.islice(
        order([frame("x", (1, 1), [plant(1, 0.5), plant(2, 0.9, 0.5)], ground=[1, 2])],
              [frame("y", (0, 0), ground=[1])], threshold=0.5, kinds=KINDS), 1,
    )  # fmt: skip
    assert "unsure of 1 plant" in first.why
    assert "of 1 it cannot tell the kind" in first.why
    assert "50 % new ground" in first.why
    assert first.new_ground == pytest.approx(0.5)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-3, 3), st.floats(-3, 3), st.floats(0.03, 0.999), st.sets(st.integers(0, 5))),
             max_size=12),
    st.randoms(use_true_random=False),
)  # fmt: skip
def test_every_frame_once_and_worth_never_negative(rows, shuffle):
    pool = [frame(f"f{n}", (a, b), [plant(n, p)], ground, group="g") for n, (a, b, p, ground) in enumerate(rows)]
    cut = len(pool) // 3
    got = list(order(pool[cut:], pool[:cut], threshold=0.5, kinds=KINDS))
    assert sorted(q.frame_id for q in got) == sorted(f.look.frame_id for f in pool[cut:])
    for q in got:
        assert 0 < q.worth <= 1
        assert all(0 < v <= 1 for v in (q.unsure, q.novel, q.new_ground, q.like_others))


def test_features_of_a_copy_are_near_and_of_other_ground_far():
    rng = np.random.default_rng(1)
    green = np.clip(rng.normal((70, 120, 50), 18, (300, 400, 3)), 0, 255).astype(np.uint8)
    soil = np.clip(rng.normal((120, 95, 70), 40, (300, 400, 3)), 0, 255).astype(np.uint8)
    noisy = np.clip(green.astype(float) + rng.normal(0, 2, green.shape), 0, 255).astype(np.uint8)
    a, b, c = (np.array(features(x)) for x in (green, noisy, soil))
    assert len(a) == 39
    assert np.isfinite(a).all()
    assert np.linalg.norm(a - b) < 0.2 * np.linalg.norm(a - c)
    for size in ((32, 32), (40, 900), (2000, 1500)):
        assert np.isfinite(features(np.zeros((*size, 3), np.uint8))).all()


def test_plants_in_short():
    got = plants_in_short((plant(1, 1.0, 1.0), plant(2, 0.5, 0.5)), KINDS)
    assert got == pytest.approx((np.sqrt(1.25), np.sqrt(0.25), np.log(10.0)))

"""What counts as a change of a picture's labels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame, Label
from swardwright.domain.label import LabelledFrame
from swardwright.labels.versions import change, told, with_outlines_kept

FRAME = Frame("a/00001", "a", 1, "x.png", (100, 80))
SQUARE = ((10.0, 20.0, 30.0, 20.0, 30.0, 40.0, 10.0, 40.0),)
PLACES = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 7), st.floats(1, 4), st.sampled_from(["dock", "daisy"])),
                  max_size=8, unique_by=lambda r: r[:2])  # fmt: skip


def frame(*labels: Label, **fields) -> LabelledFrame:
    return LabelledFrame(FRAME, "h", labels, **fields)


def label(u: float, v: float, radius: float = 5.0, kind: str = "dock") -> Label:
    return Label(FRAME.id, u, v, radius, kind)


@settings(max_examples=60, deadline=None)
@given(PLACES, st.randoms(use_true_random=False), st.integers(0, 8))
def test_order_and_rounding_are_no_change_and_counts_add_up(rows, shuffle, cut):
    labels = [label(10.0 * u, 10.0 * v, r, k) for u, v, r, k in rows]
    again = [replace(b, u_px=b.u_px + 0.001, radius_px=b.radius_px - 0.001) for b in labels]
    shuffle.shuffle(again)
    assert not change(frame(*labels), frame(*again))
    fewer = again[:cut]
    found = change(frame(*labels), frame(*fewer))
    assert (found.added, found.removed, found.altered) == (0, len(labels) - len(fewer), 0)
    back = change(frame(*fewer), frame(*labels))
    assert (back.added, back.removed, back.altered) == (len(labels) - len(fewer), 0, 0)


def test_each_sort_of_change_is_told_apart():
    old = frame(label(10, 10), label(50, 50))
    assert change(None, frame()).first
    assert change(None, frame())  # bare ground is a word too
    moved = change(old, frame(label(13, 10), label(50, 50)))
    assert (moved.added, moved.removed, moved.altered) == (0, 0, 1)
    other_kind = change(old, frame(label(10, 10, kind="daisy"), label(50, 50)))
    assert (other_kind.added, other_kind.removed, other_kind.altered) == (0, 0, 1)
    elsewhere = change(old, frame(label(80, 10), label(50, 50)))
    assert (elsewhere.added, elsewhere.removed, elsewhere.altered) == (1, 1, 0)
    assert told([moved, elsewhere]) == "2 pictures: 1 added, 1 removed, 1 altered labels"
    assert told([change(None, frame())]) == "1 pictures: bare ground"


def test_ignored_ground_counts_as_well():
    assert change(frame(label(10, 10)), frame(label(10, 10), ignored=(label(40, 40),)))


def test_a_file_without_outlines_takes_none_away():
    old = frame(label(20, 30), outlines=(SQUARE,))
    plain = frame(label(20, 30))
    assert not change(old, plain)
    assert with_outlines_kept(old, frame(label(60, 60), label(20, 30))) == ((), SQUARE)
    other = (tuple(np.add(SQUARE[0], 1.0)),)
    assert change(old, frame(label(20, 30), outlines=(other,)))


def test_outlines_go_with_labels_one_by_one():
    with pytest.raises(InputError, match="one outline for each label"):
        frame(label(1, 1), label(2, 2), outlines=(SQUARE,))


def test_only_what_can_be_taught_is_usable():
    good = label(99.4, 0.0)
    labelled = frame(good, label(99.6, 0.0), label(-0.6, 3.0), label(5, 5, radius=0.0), label(5, 79.6))
    assert labelled.usable() == (good,)

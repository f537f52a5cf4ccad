"""Splits by place: every picture once, no place and no near copy on both sides, labels on both."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from swardwright.domain.errors import InputError
from swardwright.labels.near_copies import NearCopy
from swardwright.labels.splits import Seen, check_split, leaks, merged, place_groups, shared_outlines, split

KINDS = ("dock", "daisy", "clover")


def copy(one, other, shared=0.5):
    return NearCopy(one, other, shared, 1.0, 0.0, 1.0)


@st.composite
def pictures(draw):
    count = draw(st.integers(4, 40))
    seen = [
        Seen(
            f"p{i:02d}",
            {k: n for k in KINDS if (n := draw(st.integers(0, 3)))},
            recording=f"r{draw(st.integers(0, 7))}",
        )
        for i in range(count)
    ]
    names = st.sampled_from([p.name for p in seen])
    pairs = draw(st.lists(st.tuples(names, names).filter(lambda p: p[0] != p[1]), max_size=12))
    return seen, [copy(a, b) for a, b in pairs]


@settings(deadline=None)
@given(pictures(), st.floats(0.05, 0.6), st.integers(0, 1000))
def test_every_picture_once_and_nothing_on_both_sides(given_pictures, fraction, seed):
    seen, copies = given_pictures
    groups = place_groups(seen)
    try:
        got = split(seen, groups, fraction=fraction, seed=seed, copies=copies)
    except InputError:  # too little is labelled, or everything overlaps
        assert len({groups[p.name] for p in seen if p.kinds}) < 2 or copies
        return
    assert Counter((*got.taught, *got.held, *got.aside)) == Counter(p.name for p in seen)
    assert {groups[n] for n in got.taught}.isdisjoint(groups[n] for n in got.held)
    assert leaks(got.taught, got.held, copies) == ()
    check_split(got.taught, got.held, copies)
    labelled = {p.name for p in seen if p.kinds}
    assert labelled & set(got.taught)
    assert labelled & set(got.held)
    assert got == split(seen, groups, fraction=fraction, seed=seed, copies=copies)


@settings(deadline=None)
@given(st.integers(2, 12), st.integers(0, 50))
def test_places_with_labels_can_always_be_split(places, seed):
    seen = [Seen(f"{place}/{i}", {"dock": 1}, recording=f"r{place}") for place in range(places) for i in range(3)]
    got = split(seen, place_groups(seen), seed=seed)
    assert not got.aside
    assert got.taught
    assert got.held


def test_kinds_stand_on_both_sides_where_they_can():
    """Ten places, two of which have the rare kind: one of these two is held out, whatever the seed."""
    seen = [Seen(f"{i}", {"dock": 5} | ({"orchid": 1} if i in (3, 8) else {}), recording=f"r{i}") for i in range(10)]
    for seed in range(20):
        got = split(seen, place_groups(seen), fraction=0.3, seed=seed)
        assert len({"3", "8"} & set(got.held)) == 1


def test_another_seed_can_hold_out_another_place():
    seen = [Seen(f"{i}", {"dock": 1}, recording=f"r{i}") for i in range(10)]
    assert len({split(seen, place_groups(seen), seed=seed).held for seed in range(10)}) > 1


def test_near_copies_join_places_and_the_notes_name_them():
    seen = [Seen(f"{place}/{i}.jpg", {"dock": 1}, recording=f"r{place}") for place in range(5) for i in range(3)]
    got = split(seen, place_groups(seen), seed=1, copies=[copy("0/2.jpg", "1/0.jpg", 0.47)])
    assert ("0/2.jpg" in got.held) == ("1/0.jpg" in got.held)
    assert not got.aside
    assert "0/2.jpg and 1/0.jpg (47 % of the ground)" in got.notes[0]


def test_a_drive_that_overlaps_all_along_is_cut_and_the_seam_set_aside():
    names = [f"{i:03d}" for i in range(40)]
    seen = [Seen(name, {"dock": 1}) for name in names]
    copies = [copy(names[i], names[j]) for i in range(40) for j in (i + 1, i + 2) if j < 40]
    got = split(seen, place_groups(seen, "block"), copies=copies)
    assert 1 <= len(got.aside) <= 4 * len({n[:2] for n in got.held}) + 4
    assert len(got.taught) >= 20
    assert "set aside" in got.notes[-1]
    assert leaks(got.taught, got.held, copies) == ()


def test_refusal_names_both_pictures():
    with pytest.raises(InputError) as caught:
        check_split(["day1/a.jpg"], ["day2/b.jpg"], [copy("day2/b.jpg", "day1/a.jpg", 0.62)])
    assert "day1/a.jpg" in str(caught.value)
    assert "day2/b.jpg" in str(caught.value)
    assert "62 %" in str(caught.value)
    assert "one place" in str(caught.value.remedy)


def test_one_labelled_place_is_refused():
    seen = [Seen("a", {"dock": 1}, recording="r"), Seen("b", {}, recording="s")]
    with pytest.raises(InputError, match="at least two places"):
        split(seen, place_groups(seen))


def test_all_pictures_alike_are_refused():
    seen = [Seen(n, {"dock": 1}, recording=n) for n in "ab"]
    with pytest.raises(InputError, match="overlap so much"):
        split(seen, place_groups(seen), copies=[copy("a", "b")])


def square(x, y):
    return np.array([[x, y], [x + 1, y], [x + 1, y + 1], [x, y + 1]], float)


def test_outlines_that_share_ground_are_one_place_on_any_day():
    seen = [
        Seen("mon/1", recording="mon", outline=square(0, 0)), Seen("mon/2", recording="mon", outline=square(5, 5)),
        Seen("tue/1", recording="tue", outline=square(0.5, 0.2)), Seen("tue/2", recording="tue", outline=square(9, 9)),
        Seen("tue/3", recording="tue", outline=square(0.95, 0)),
    ]  # fmt: skip
    groups = place_groups(seen)
    assert groups["mon/1"] == groups["tue/1"] == groups["tue/3"]  # the third shares ground with the second
    assert len({groups[n] for n in ("mon/1", "mon/2", "tue/2")}) == 3
    assert {(a.name, b.name) for a, b in shared_outlines(seen)} == {("mon/1", "tue/1"), ("tue/1", "tue/3")}


def test_places_without_poses_go_by_ground_of_a_video_then_recording_and_day_then_folder_or_block():
    assert (
        len(set(place_groups([Seen("a", recording="v", ground="1"), Seen("b", recording="v", ground="2")]).values()))
        == 2
    )
    days = place_groups([Seen("a", recording="v", day="2026-05-01"), Seen("b", recording="v", day="2026-05-02")])
    assert days == {"a": "v 2026-05-01", "b": "v 2026-05-02"}
    folders = place_groups([Seen(f"f{i % 4}/{i}.jpg") for i in range(8)])
    assert sorted(set(folders.values())) == ["f0", "f1", "f2", "f3"]
    blocks = place_groups([Seen(f"{i:02d}.jpg") for i in range(16)])
    assert Counter(Counter(blocks.values()).values()) == {2: 8}
    assert blocks["00.jpg"] == blocks["01.jpg"] != blocks["02.jpg"]


def test_bad_input_is_named():
    with pytest.raises(InputError, match="same name"):
        place_groups([Seen("a"), Seen("a")])
    with pytest.raises(InputError, match="no such rule"):
        place_groups([Seen("a")], "weather")


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), max_size=15))
def test_merged_places_are_the_connected_ones(pairs):
    got = merged({str(i): str(i) for i in range(10)}, [(str(a), str(b)) for a, b in pairs])
    a, b = np.array(pairs, int).reshape(-1, 2).T
    _, wanted = connected_components(coo_array((np.ones(len(a)), (a, b)), shape=(10, 10)), directed=False)
    for i in range(10):
        for j in range(10):
            assert (got[str(i)] == got[str(j)]) == (wanted[i] == wanted[j])

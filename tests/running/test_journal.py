from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.event import JournalEntry
from swardwright.running import spared_given, unfinished
from swardwright.running.journal import INTENT, RESULT, SPARED, earlier_treated


def entries(*lines):
    return [JournalEntry(i, 100.0 + i, event, weed, "s", data) for i, (event, weed, data) in enumerate(lines)]


@pytest.mark.parametrize(
    ("lines", "done", "unknown"),
    [
        ([], set(), set()),
        ([(INTENT, "a", {}), (RESULT, "a", {"heated_s": 2.0})], {"a"}, set()),
        ([(INTENT, "a", {})], set(), {"a"}),
        ([(RESULT, "a", {"heated_s": 2.0})], set(), {"a"}),
        ([(INTENT, "a", {}), (RESULT, "a", {"heated_s": 0.0})], set(), set()),
        ([(INTENT, "a", {}), (RESULT, "a", {"heated_s": float("nan")})], set(), {"a"}),
        ([(INTENT, "a", {}), (RESULT, "a", {})], set(), {"a"}),
        ([(INTENT, "a", {}), (RESULT, "a", {"heated_s": True})], set(), {"a"}),
        ([(INTENT, "a", {}), (RESULT, "b", {"heated_s": 1.0})], set(), {"a", "b"}),
        ([(INTENT, "a", {}), (INTENT, "a", {}), (RESULT, "a", {"heated_s": 1.0})], set(), {"a"}),
        ([(INTENT, "a", {}), (RESULT, "a", {"heated_s": 1.0}), (INTENT, "a", {})], set(), {"a"}),
        ([("not-treated", "a", {}), ("round-ended", None, {})], set(), set()),
    ],
)  # fmt: skip
def test_done_and_unknown(lines, done, unknown):
    assert unfinished(entries(*lines)) == (done, unknown)


def test_the_order_is_that_of_the_numbers():
    lines = entries((INTENT, "a", {}), (RESULT, "a", {"heated_s": 2.0}))
    assert unfinished(lines[::-1]) == ({"a"}, frozenset())


def test_an_entry_about_heat_without_a_weed_is_damage():
    with pytest.raises(InputError, match="names no weed"):
        unfinished(entries((INTENT, None, {})))


def test_spared_plants_are_charged_for_every_intent_in_full():
    lines = entries(
        (INTENT, "a", {SPARED + "d1": 2e-4, SPARED + "d2": 1e-4}), (RESULT, "a", {"heated_s": 0.0}),
        (INTENT, "b", {SPARED + "d1": 3e-4}), (INTENT, "c", {SPARED + "d3": None}),
    )  # fmt: skip
    assert spared_given(lines) == {"d1": pytest.approx(5e-4), "d2": 1e-4, "d3": float("inf")}


LINES = st.lists(st.tuples(st.sampled_from([INTENT, RESULT]), st.sampled_from("abc"),
                           st.sampled_from([{"heated_s": 1.0}, {"heated_s": 0.0}, {}])), max_size=12)  # fmt: skip


@given(LINES)
def test_a_weed_with_an_open_intent_is_never_called_done_or_untouched(lines):
    done, unknown = unfinished(entries(*lines))
    assert not done & unknown
    for weed in "abc":
        mine = [line for line in lines if line[1] == weed]
        if mine and mine[-1][0] == INTENT:
            assert weed in unknown
    assert {item.weed_id for item in earlier_treated(entries(*lines))} == done


@given(LINES, st.integers(0, 12))
def test_cutting_the_journal_short_never_makes_heat_vanish(lines, cut):
    # a weed done or unknown by the whole journal's first part is not untouched later
    done, unknown = unfinished(entries(*lines[:cut]))
    later = frozenset.union(*unfinished(entries(*lines)))
    assert done <= later
    assert {w for w in unknown if not any(line[0] == INTENT and line[1] == w for line in lines[:cut])} <= later

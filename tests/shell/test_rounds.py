"""The register as a round leaves it, and a round that a person closes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from swardwright.domain.event import JournalEntry
from swardwright.running import unfinished, with_earlier
from swardwright.shell.rounds import _closed, after_round


def test_heat_is_added_and_belief_in_a_living_plant_falls_by_the_kill(story: Any) -> None:
    given = story.record.treated[0]
    record = replace(story.record, treated=(replace(given, kill=0.9, dose_kg_m2=0.004),))
    before = {w.id: w for w in story.register.weeds}
    after = after_round(story.register, record, revision=5)
    assert after.revision == 5
    assert [w.id for w in after.weeds] == list(before)
    heated = after.weed(given.weed_id)
    assert heated.heat_kg_m2 == pytest.approx(before[given.weed_id].heat_kg_m2 + 0.004)
    assert heated.presence == pytest.approx(0.1 * before[given.weed_id].presence)
    for weed in after.weeds:
        assert weed.control == (weed.id in record.controls)
        if weed.id != given.weed_id:
            assert (weed.heat_kg_m2, weed.presence) == (before[weed.id].heat_kg_m2, before[weed.id].presence)


def test_a_closed_round_counts_only_what_the_journal_saw(story: Any) -> None:
    planned = [h.weed_id for s in story.plan.stops for h in s.holds]
    done, unsure = planned[0], planned[1]
    result: dict[str, float | str | bool | None] = {
        "heated_s": 0.4, "gas_kg": 1e-4, "dose_kg_m2": 0.004, "kill": 0.95, "scorch_m2": 0.007,
    }  # fmt: skip
    journal = (
        JournalEntry(1, 10.0, "heat-intent", done, "s01", {}),
        JournalEntry(2, 11.0, "heat-result", done, "s01", result),
        JournalEntry(3, 12.0, "heat-intent", unsure, "s01", {}),
    )
    record = with_earlier(_closed(story.plan, story.permit, *unfinished(journal)), journal)
    assert [t.weed_id for t in record.treated] == [done]
    assert record.gas_kg == pytest.approx(1e-4)
    assert sorted(n.weed_id for n in record.not_treated) == sorted(set(planned) - {done})
    assert [n.weed_id for n in record.not_treated if n.unknown] == [unsure]
    assert not record.completed

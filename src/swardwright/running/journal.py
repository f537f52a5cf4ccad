"""What the journal of a round says about its weeds, so that a round that was cut short can go on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from swardwright.domain.errors import InputError
from swardwright.domain.event import JournalEntry, RoundRecord, Treated

#: Events that matter for going on; see ``supervisor`` for the others.
INTENT = "heat-intent"
RESULT = "heat-result"
#: Before the id of a spared plant in an intent: the dose that the hold would give it, kg/m2.
SPARED = "spared-kg-m2:"


def unfinished(entries: Sequence[JournalEntry]) -> tuple[frozenset[str], frozenset[str]]:
    """Return the weeds that are done and those whose heat is unknown.

    Parameters
    ----------
    entries : Sequence[JournalEntry]
        The journal of one plan's round, all runs of it.

    Returns
    -------
    done : frozenset[str]
        Weeds with heat given and recorded: never heated again in this round.
    unknown : frozenset[str]
        Weeds with an intent and no credible result, or a result without an intent: nobody knows what they got, so they
        are looked at again and never heated blindly. A weed that is unknown once stays so in this round.

    Raises
    ------
    InputError
        If an entry about heat names no weed.

    Notes
    -----
    A result of exactly 0 s says that no flame touched the weed: it is neither, and may be tried again.
    """
    pending: set[str] = set()
    done: set[str] = set()
    unknown: set[str] = set()
    for entry in sorted(entries, key=lambda e: e.number):
        weed = entry.weed_id
        if weed is None:
            if entry.event in (INTENT, RESULT):
                raise InputError(
                    "an entry about heat names no weed",
                    where=f"journal entry {entry.number}",
                    remedy="treat this journal as damaged: survey again before any more heat",
                )
            continue
        if entry.event == INTENT:
            if weed in pending or weed in done:
                unknown.add(weed)
            pending.add(weed)
        elif entry.event == RESULT:
            heated = _number(entry, "heated_s")
            if weed not in pending or heated is None:
                unknown.add(weed)
            elif heated > 0.0:
                done.add(weed)
            pending.discard(weed)
    unknown |= pending
    return frozenset(done - unknown), frozenset(unknown)


def earlier_treated(entries: Sequence[JournalEntry]) -> tuple[Treated, ...]:
    """Return what the journal says each done weed got, in order."""
    done, _ = unfinished(entries)
    treated = {}
    for entry in sorted(entries, key=lambda e: e.number):
        if entry.event == RESULT and entry.weed_id in done and (_number(entry, "heated_s") or 0.0) > 0.0:
            values = [_number(entry, key) or 0.0 for key in ("heated_s", "gas_kg", "dose_kg_m2", "kill", "scorch_m2")]
            treated[entry.weed_id] = Treated(entry.weed_id, entry.stop_id or "", *values)
    return tuple(treated.values())


def spared_given(entries: Sequence[JournalEntry]) -> dict[str, float]:
    """Return what spared plants have got so far in this round, by id, kg/m2.

    Every intent counts in full, whether or not its result is known and whatever was cut short: the cautious side.
    """
    given: dict[str, float] = {}
    for entry in entries:
        if entry.event != INTENT:
            continue
        for key in entry.data:
            if key.startswith(SPARED):
                weed_id = key.removeprefix(SPARED)
                dose = _number(entry, key)
                given[weed_id] = given.get(weed_id, 0.0) + (math.inf if dose is None else dose)
    return given


def with_earlier(record: RoundRecord, entries: Sequence[JournalEntry]) -> RoundRecord:
    """Return the record of the whole round from the last run's record and the journal of the runs before it.

    Gas of the earlier runs is that of their holds; their pilot flame is not in the journal.
    """
    mine = {item.weed_id for item in record.treated} | {item.weed_id for item in record.not_treated}
    before = tuple(item for item in earlier_treated(entries) if item.weed_id not in mine)
    if not entries:
        return record
    return replace(
        record,
        started_at_s=min(record.started_at_s, min(entry.at_s for entry in entries)),
        treated=(*before, *record.treated),
        gas_kg=record.gas_kg + sum(item.gas_kg for item in before),
        scorch_m2=record.scorch_m2 + sum(item.scorch_m2 for item in before),
    )


def _number(entry: JournalEntry, key: str) -> float | None:
    value = entry.data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) and value >= 0.0 else None

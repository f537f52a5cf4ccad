"""What the journal of a round says about its weeds, so that a round that was cut short can go on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from swardwright.domain.errors import InputError
from swardwright.domain.event import JournalEntry, RoundRecord, Treated

#: Events that matter for going on; see ``supervisor`` for the others.
INTENT = "heat-intent"
RESULT = "heat-result"
#: Before the id of a spared plant in an intent: the dose that the hold would give it, kg/m2.
SPARED = "spared-kg-m2:"
#: In intents and results of a ring: which point, counted from 1, of how many. Without them: the only one.
POINT, POINTS = "point", "points"


def unfinished(entries: Sequence[JournalEntry]) -> tuple[frozenset[str], frozenset[str]]:
    """Return the weeds that are done and those whose heat is unknown.

    Parameters
    ----------
    entries : Sequence[JournalEntry]
        The journal of one plan's round, all runs of it.

    Returns
    -------
    done : frozenset[str]
        Weeds with heat given and recorded, a ring cut short as well: never heated again in this round.
    unknown : frozenset[str]
        Weeds with an intent and no credible result, or a result without an intent: nobody knows what they got, so they
        are looked at again and never heated blindly. A weed that is unknown once stays so in this round.

    Raises
    ------
    InputError
        If an entry about heat names no weed.

    Notes
    -----
    A result of exactly 0 s says that no flame touched the weed at that point: if it had none before, it is neither, and
    may be tried again. The points of a ring come one after the other; a point out of order, or twice, is unknown.
    """
    told = _told(entries)
    done = frozenset(weed for weed, it in told.items() if it.heated and not it.unknown)
    return done, frozenset(weed for weed, it in told.items() if it.unknown)


@dataclass
class _Told:
    """What the journal says of one weed: the entry of each point heated, and whether all of it is known."""

    pending: float | None = None
    points: float = 1.0
    heated: dict[float, JournalEntry] = field(default_factory=dict)
    #: of all results, those of 0 s too
    gas_kg: float = 0.0
    unknown: bool = False

    def intent(self, point: float, points: float) -> None:
        """Take in an intent: of a point after all that were heated, of the same ring, nothing pending."""
        again = bool(self.heated) and (point <= max(self.heated) or points != self.points)
        self.unknown = self.unknown or self.pending is not None or again
        self.pending, self.points = point, points

    def result(self, point: float, points: float, entry: JournalEntry) -> None:
        """Take in a result: of the point that is pending."""
        heated = _number(entry, "heated_s")
        if point != self.pending or points != self.points or heated is None:
            self.unknown = True
        elif heated > 0.0:
            self.heated[point] = entry
        self.gas_kg += _number(entry, "gas_kg") or 0.0
        self.pending = None

    def treated(self, weed_id: str) -> Treated:
        """Return what the weed got, as far as it is known; dose, kill and scorch are stated for all points so far."""
        last = self.heated[max(self.heated)]
        seconds = sum(_number(entry, "heated_s") or 0.0 for entry in self.heated.values())
        dose, kill, scorch = (_number(last, key) or 0.0 for key in ("dose_kg_m2", "kill", "scorch_m2"))
        return Treated(weed_id, last.stop_id or "", seconds, self.gas_kg, dose, kill, scorch,
                       points=len(self.heated), planned=round(self.points))  # fmt: skip


def _told(entries: Sequence[JournalEntry]) -> dict[str, _Told]:
    """Fold the entries about heat, weed by weed, in the order of the first heat."""
    told: dict[str, _Told] = {}
    for entry in sorted(entries, key=lambda e: e.number):
        if entry.event not in (INTENT, RESULT):
            continue
        if entry.weed_id is None:
            raise InputError(
                "an entry about heat names no weed",
                where=f"journal entry {entry.number}",
                remedy="treat this journal as damaged: survey again before any more heat",
            )
        it = told.setdefault(entry.weed_id, _Told())
        point, points = (_number(entry, key) if key in entry.data else 1.0 for key in (POINT, POINTS))
        if point is None or points is None or not 1.0 <= point <= points:
            it.unknown = True
        elif entry.event == INTENT:
            it.intent(point, points)
        else:
            it.result(point, points, entry)
    for it in told.values():
        it.unknown = it.unknown or it.pending is not None
    return told


def earlier_treated(entries: Sequence[JournalEntry]) -> tuple[Treated, ...]:
    """Return what the journal says each done weed got, in order."""
    return tuple(it.treated(weed) for weed, it in _told(entries).items() if it.heated and not it.unknown)


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

    Gas and scorched turf of the earlier runs are those of their holds, of weeds whose heat became unknown too; their
    pilot flame is not in the journal.
    """
    if not entries:
        return record
    told = _told(entries)
    mine = {item.weed_id for item in record.treated} | {item.weed_id for item in record.not_treated}
    return replace(
        record,
        started_at_s=min(record.started_at_s, min(entry.at_s for entry in entries)),
        treated=(*(item for item in earlier_treated(entries) if item.weed_id not in mine), *record.treated),
        gas_kg=record.gas_kg + sum(it.gas_kg for it in told.values()),
        scorch_m2=record.scorch_m2 + sum(it.treated(weed).scorch_m2 for weed, it in told.items() if it.heated),
    )


def _number(entry: JournalEntry, key: str) -> float | None:
    value = entry.data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) and value >= 0.0 else None

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swardwright.domain.event import Drive, JournalEntry, Note
from swardwright.domain.plan import Refused, StopWork
from swardwright.domain.weed import Register, Weed
from swardwright.running import FOUND, found_entry, supervise, swept, unfinished, with_earlier

#: per stop: held, refused and left as controls; w5 is refused at the first stop and held at the second
WORK = {"stop-1": (("w1", "w2"), ("w3", "w5"), ()), "stop-2": (("w5",), ("w3",), ("w4",))}


def decide(kit: Any) -> Any:
    def one(stop: Any, aims: Any, base: Any, settled: frozenset[str]) -> StopWork:
        held, refused, controls = WORK[stop.id]
        holds = tuple(kit.make_hold(w, *kit.holds[stop.id][w]) for w in held if w not in settled)
        return StopWork(holds, tuple(Refused(w, f"not from {stop.id}") for w in refused), controls)

    return one


def sweep(kit: Any, machine: Any = None, earlier: list[JournalEntry] | None = None, faults: Any = None) -> Any:
    plan = replace(kit.plan, sweep=True, controls=(), stops=tuple(replace(s, holds=()) for s in kit.plan.stops))
    machine = machine or kit.machine(faults=faults or {})
    done, unknown = unfinished(earlier or [])
    round_ = supervise(plan, kit.register, kit.permit, kit.site, done=done, unknown=unknown, decide=decide(kit),
                       so_far=swept(earlier or []))  # fmt: skip
    return kit.play(round_, machine), machine


def test_each_stop_is_looked_at_decided_and_treated(kit: Any) -> None:
    record, machine = sweep(kit)
    assert record.completed
    assert [t.weed_id for t in record.treated] == ["w1", "w2", "w5"]
    assert [(n.weed_id, n.reason) for n in record.not_treated] == [("w3", "not from stop-1")]
    assert record.controls == ("w4",)
    assert swept(machine.journal).stops == {"stop-1", "stop-2"}
    assert swept(machine.journal).controls == ("w4",)


def test_a_sweep_without_someone_to_decide_lights_nothing(kit: Any) -> None:
    plan = replace(kit.plan, sweep=True)
    machine = kit.machine()
    record = kit.play(supervise(plan, kit.register, kit.permit, kit.site), machine)
    assert not record.completed
    assert not machine.heated


@pytest.mark.parametrize("fault", ["failed", "raised before", "raised after", "pressed", "cut short", "no report"])
@pytest.mark.parametrize("at", range(3, 40, 2))
def test_gone_on_with_after_any_fault_nothing_is_heated_twice_and_all_is_told_once(
    kit: Any, fault: str, at: int
) -> None:
    first, machine = sweep(kit, faults={at: fault})
    earlier = [replace(e, number=n) for n, e in enumerate(machine.journal)]
    if first.completed:  # the fault hit a command that it does not harm
        assert len(swept(earlier).stops) == 2
        return
    again = kit.machine()
    again.state = replace(again.state, now_s=machine.state.now_s + 60.0, stamp_s=machine.state.now_s + 60.0)
    record, again = sweep(kit, machine=again, earlier=earlier)
    record = with_earlier(record, earlier)
    assert record.completed
    heats = Counter(w for m in (machine, again) for w, times in m.heated.items() for s in times if s > 0.0)
    assert max(heats.values(), default=1) == 1
    told = [t.weed_id for t in record.treated] + [n.weed_id for n in record.not_treated] + list(record.controls)
    assert Counter(told) == Counter(["w1", "w2", "w3", "w4", "w5"])
    driven = Counter(c.stop_id for m in (again,) for c, _ in m.said if isinstance(c, Drive))
    done = {e.stop_id for e in earlier if e.event == "stop-done"}
    assert not done & set(driven)


def test_a_stop_that_could_not_be_looked_at_is_told(kit: Any) -> None:
    _, undisturbed = sweep(kit)
    looks = [i for i, (c, _) in enumerate(undisturbed.said) if type(c).__name__ == "LookAgain"]
    record, machine = sweep(kit, faults={looks[0]: "declined"})
    assert record.completed
    assert ("stop-1", "stop-1") in [(n.weed_id, n.stop_id) for n in record.not_treated]
    assert swept(machine.journal).stops == {"stop-2"}
    assert [c.event for c, _ in machine.said if isinstance(c, Note)].count("stop-done") == 1


def test_found_plants_come_back_from_the_journal_as_they_were(kit: Any) -> None:
    rng = np.random.default_rng(3)
    root = rng.normal(0.0, 0.01, (2, 2))
    weed = Weed("w0007", rng.normal(0.0, 5.0, 2), root @ root.T, 0.031, 0.004, 0.83,
                (("clover", 0.7), ("daisy", 0.3)), looks=2, heat_kg_m2=1e-3)  # fmt: skip
    entries = [JournalEntry(1, 0.0, FOUND, "w0007", "s", found_entry(replace(weed, presence=0.4))),
               JournalEntry(2, 1.0, FOUND, "w0007", "s", found_entry(weed))]  # fmt: skip
    (back,) = swept(entries).weeds
    assert np.array_equal(back.mean_m, weed.mean_m)
    assert np.array_equal(back.covariance_m2, weed.covariance_m2)
    assert (back.kinds, back.presence, back.radius_m, back.looks) == (weed.kinds, 0.83, 0.031, 2)
    assert Register(1, (back,)).weed("w0007").heat_kg_m2 == 1e-3

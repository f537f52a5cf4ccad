from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner

from swardwright.domain.event import JournalEntry, RoundRecord
from swardwright.domain.plan import Plan, Stop, Supplies
from swardwright.domain.poses import BasePose
from swardwright.domain.weed import Register, Weed
from swardwright.running import FOUND, found_entry
from swardwright.shell.command_line import main
from swardwright.shell.store import SiteStore
from swardwright.shell.sweeping import closed_sweep, made_by, register_of

PLAN = Plan("round-1", 0, BasePose(0.0, 0.0, 0.0),
            tuple(Stop(f"round-1-s00{n}", BasePose(float(n), 0.0, 0.0), ()) for n in (1, 2)), 1, (),
            Supplies(0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0), (), (), sweep=True)  # fmt: skip


def weed(name: str) -> Weed:
    return Weed(name, np.array([1.0, 2.0]), 1e-4 * np.eye(2), 0.03, 0.003, 0.9, (("clover", 1.0),))


def test_a_closed_sweep_is_what_its_journal_says_and_names_the_ground_not_done() -> None:
    def entry(number: int, event: str, weed_id: str | None, **data: Any) -> JournalEntry:
        return JournalEntry(number, float(number), event, weed_id, "round-1-s001", data)

    names = ("w0001", "w0002", "w0003", "w0004", "w0005")
    journal = [entry(n, FOUND, name, **found_entry(weed(name))) for n, name in enumerate(names)]
    journal += [
        entry(5, "control", "w0004"),
        entry(6, "not-treated", "w0003", reason="too near", unknown=False),
        entry(7, "not-treated", "w0001", reason="out of reach from here", unknown=False),
        entry(8, "heat-intent", "w0001", seconds=1.0),
        entry(9, "heat-result", "w0001", heated_s=1.0, gas_kg=1e-4, dose_kg_m2=1e-2, kill=0.9, scorch_m2=0.0),
        entry(10, "stop-done", None),
        entry(11, "heat-intent", "w0002", seconds=1.0),
    ]
    empty = RoundRecord("round-1", "p", 0.0, 0.0, (), (), (), 0.0, 0.0, False, "closed by a person")
    record, found = closed_sweep(PLAN, empty, Register(0, ()), journal)
    assert [w.id for w in found.weeds] == list(names)
    assert record.controls == ("w0004",)
    assert [(n.weed_id, n.unknown) for n in record.not_treated] == [
        ("w0003", False), ("w0002", True), ("round-1-s002", False),
    ]  # fmt: skip


def test_a_sweep_stands_on_what_it_found_once_it_ran(tmp_path: Path) -> None:
    store = SiteStore(tmp_path, write=True)
    assert register_of(store, PLAN) == Register(0, ())
    assert register_of(store, replace(PLAN, sweep=False, register_revision=3)) is None
    with store.writer():
        store.add_register(Register(1, (weed("w0001"),)), made_by=made_by(PLAN), recordings=())
        store.add_register(Register(2, ()), made_by="run", recordings=())
    found = register_of(store, PLAN)
    assert found is not None
    assert found.revision == 1
    store.close()


def test_options_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    for words in (["--density", "2"], ["--sweep", "--what-if"], ["--sweep", "--density", "-1"]):
        done = CliRunner().invoke(main, ["plan", str(tmp_path), *words])
        assert done.exit_code == 2
        assert "Traceback" not in done.output

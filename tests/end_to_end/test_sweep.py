"""A sweep of a small piece of the invented green: no survey, no register; cut off in the middle and gone on with."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from swardwright.domain.event import Command, Heat, Observation
from swardwright.running import QUESTIONS
from swardwright.shell.command_line import main
from swardwright.shell.demo import _PERMIT
from swardwright.shell.open_site import opened
from swardwright.shell.sweeping import SweepDriver, register_of

GREEN = 'corners = ["0 m, 0 m", "12 m, 0 m", "12 m, 8 m", "0 m, 8 m"]'
LOW, HIGH = np.array([0.75, 4.5]), np.array([4.75, 7.0])
PIECE = 'corners = ["0.75 m, 4.5 m", "4.75 m, 4.5 m", "4.75 m, 7 m", "0.75 m, 7 m"]'
#: a found plant is the true one within this distance, m (the site's gate)
NEAR_M = 0.05


def call(*words: str | Path, code: int = 0) -> Result:
    done = CliRunner().invoke(main, [str(w) for w in words])
    assert done.exit_code == code, (words, done.stdout, done.stderr)
    return done


def truth(folder: Path) -> tuple[list[dict[str, Any]], np.ndarray]:
    plants = json.loads((folder / "simulation" / "truth.json").read_text())["plants"]
    return plants, np.array([(p["x_m"], p["y_m"]) for p in plants])


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sweep") / "green"
    call("init", folder, "--invented", "--seed", "11")
    path = folder / "site.toml"
    text = path.read_text()
    assert GREEN in text
    path.write_text(text.replace(GREEN, PIECE).replace('control_fraction = "15 %"', 'control_fraction = "0 %"'))
    call("plan", folder, "--sweep", "--density", "2")
    answers = [word for key, _, wanted in QUESTIONS for word in ("--answer", f"{key}={wanted}")]
    call("permit", folder, *_PERMIT, *answers)

    # the power is cut right after the flame burned for the fourth time: its result is in no journal
    count = Counter[str]()
    whole = SweepDriver.carry_out

    def cut(self: SweepDriver, command: Command) -> Observation:
        answer = whole(self, command)
        count["heat"] += isinstance(command, Heat)
        if isinstance(command, Heat) and count["heat"] == 4:
            raise KeyboardInterrupt
        return answer

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SweepDriver, "carry_out", cut)
        call("run", folder, code=130)
    call("run", folder)
    return folder


@pytest.mark.slow
def test_weeds_are_found_and_treated_without_a_survey(swept: Path) -> None:
    plants, places = truth(swept)
    with opened(swept) as at:
        plan, record = at.plan(), at.record()
        assert plan is not None
        assert record is not None
        before = register_of(at.store, plan)
        assert before is not None
        treat = {kind.name for kind in at.site.kinds if kind.treat}
    assert record.completed
    assert plan.left_out_m2 < 0.01 * plan.ground_m2
    place = {weed.id: weed.mean_m for weed in before.weeds}
    heated = np.array([place[t.weed_id] for t in record.treated])
    tried = [*heated, *(place[n.weed_id] for n in record.not_treated if n.unknown)]
    weeds = [k for k, p in enumerate(plants) if p["kind"] in treat and ((places[k] > LOW) & (places[k] < HIGH)).all()]
    near = [min(float(np.linalg.norm(places[k] - at)) for at in tried) < NEAR_M for k in weeds]
    assert len(weeds) >= 15
    assert np.mean(near) >= 0.8
    # no spared plant was taken for a weed
    spared = [k for k, p in enumerate(plants) if p["kind"] not in treat]
    for at_m in heated:
        nearest = int(np.argmin(np.linalg.norm(places - at_m, axis=1)))
        assert nearest not in spared


@pytest.mark.slow
def test_nothing_is_heated_twice_after_a_power_cut(swept: Path) -> None:
    _, places = truth(swept)
    with opened(swept) as at:
        plan = at.plan()
        journal, before = at.journal(), register_of(at.store, plan)
        record = at.record()
    assert before is not None
    assert record is not None
    place = {weed.id: weed.mean_m for weed in before.weeds}
    points = Counter((e.weed_id, e.data.get("point", 1.0)) for e in journal if e.event == "heat-intent")
    assert max(points.values()) == 1
    heated = {e.weed_id for e in journal if e.event == "heat-intent"}
    away = {weed: np.linalg.norm(places - place[str(weed)], axis=1) for weed in heated}
    plants = Counter(int(np.argmin(far)) for far in away.values() if far.min() < NEAR_M)
    assert max(plants.values()) == 1
    assert len(heated) - plants.total() <= 1  # bare ground that the detector took for a weed
    unknown = [n for n in record.not_treated if n.unknown]
    assert len(unknown) == 1
    stops = Counter(e.stop_id for e in journal if e.event == "stop-done")
    assert plan is not None
    assert stops == Counter(stop.id for stop in plan.stops)  # every stop is done once


@pytest.mark.slow
def test_every_plant_found_is_accounted_for_once(swept: Path) -> None:
    with opened(swept) as at:
        plan, record = at.plan(), at.record()
        before = register_of(at.store, plan)
        after = at.register()
    assert record is not None
    assert before is not None
    assert after is not None
    told = [t.weed_id for t in record.treated] + [n.weed_id for n in record.not_treated] + list(record.controls)
    assert max(Counter(told).values()) == 1
    assert {w.id for w in before.weeds} <= set(told)
    assert all(n.reason for n in record.not_treated)
    assert {w.id for w in after.weeds if w.heat_kg_m2 > 0.0} == {t.weed_id for t in record.treated}
    assert after.revision == before.revision + 1


@pytest.mark.slow
def test_status_report_and_score_know_the_sweep(swept: Path) -> None:
    status = json.loads(call("status", swept, "--json").stdout)
    assert {r["state"] for r in status["results"]} == {"stands"}
    assert status["next"] == "survey"
    call("report", swept)
    report = (swept / "reports" / "round-1.html").read_text()
    with opened(swept) as at:
        record = at.record()
        assert record is not None
    assert all(t.weed_id in report for t in record.treated)
    call("survey", swept, "--wait-days", "12")
    call("take-in", swept)
    call("detect", swept)
    call("locate", swept)
    scored = json.loads(call("score", swept, "--json").stdout)
    assert scored["treated"] >= 0.8 * len(record.treated)  # the survey sees less at the zone's edge
    assert scored["kill_rate"] >= 0.7

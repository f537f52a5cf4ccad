"""``demo``: the commands in order on the invented site, then a table in which every row is computed.

Each step is the command itself, so that running them one by one gives the same. A folder on which some steps were done
already is gone on with.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from swardwright.domain.errors import InputError
from swardwright.shell.budget_chart import word
from swardwright.shell.open_site import OpenSite, opened
from swardwright.shell.saying import Said
from swardwright.shell.site_budget import budget_of
from swardwright.shell.truth import read_comparisons

FIRST, SECOND = "survey-1.mcap", "survey-2.mcap"
#: the invented observation and answers of the demonstration's permit
_PERMIT = (
    "--signed-by", "Invented Keeper", "--temperature", "13 C", "--humidity", "78 %", "--wind", "1.5 m/s",
    "--rain", "1 mm", "--codes-before", "75,4,15",
)  # fmt: skip


@dataclass(frozen=True)
class _Step:
    name: str
    arguments: tuple[str, ...]
    done: Callable[[OpenSite], bool]


def _permit_arguments() -> tuple[str, ...]:
    from swardwright.running import QUESTIONS

    answers = [word for key, _, wanted in QUESTIONS for word in ("--answer", f"{key}={wanted}")]
    return (*_PERMIT, *answers)


def _steps(folder: Path, days: float) -> list[_Step]:
    site = str(folder)

    def taken(name: str) -> Callable[[OpenSite], bool]:
        return lambda at: any(r.name == name for r in at.store.recordings())

    def made(result: str) -> Callable[[OpenSite], bool]:
        return lambda at: result in at.store.results()

    def lies(name: str) -> Callable[[OpenSite], bool]:
        return lambda at: (at.folder / "recordings" / name).exists()

    return [
        _Step("survey", ("survey", site), lies(FIRST)),
        _Step("take-in", ("take-in", site), taken(FIRST)),
        _Step("detect", ("detect", site), made(f"detections {FIRST}")),
        _Step("locate", ("locate", site), made("register 1")),
        _Step("plan", ("plan", site), made("plan round-1")),
        _Step("permit", ("permit", site, *_permit_arguments()), made("permit round-1")),
        _Step("run", ("run", site), made("record round-1")),
        _Step("survey-again", ("survey", site, "--wait-days", f"{days:g}"), lies(SECOND)),
        _Step("take-in-again", ("take-in", site), taken(SECOND)),
        _Step("detect-again", ("detect", site), made(f"detections {SECOND}")),
        _Step("locate-again", ("locate", site), made("register 3")),
        _Step("score", ("score", site), made("outcome round-1")),
        _Step("report", ("report", site), lambda _: False),
    ]


def demonstrate(*, seed: int, folder: Path | None, stop_after: str | None) -> Said:
    """Do the whole job on the invented site and return the table."""
    began_s = time.monotonic()
    if folder is None:
        folder = Path(tempfile.mkdtemp(prefix="swardwright-demo-")) / "green"
    names = ["init", *(step.name for step in _steps(folder, 0.0))]
    if stop_after is not None and stop_after not in names:
        raise InputError("there is no such step", where="demo", field="--stop-after", value=stop_after,
                         limit=", ".join(names), remedy="name one of these")  # fmt: skip
    seconds: dict[str, float] = {}
    if not (folder / "site.toml").exists():
        _command(("init", str(folder), "--invented", "--seed", str(seed)), "init", seconds)
    with opened(folder) as at:
        if not at.site.invented:
            raise InputError("this folder is not an invented site", where="demo", field="--site", value=str(folder),
                             remedy="name a new folder")  # fmt: skip
        days = at.site.limits.revisit_days
    if stop_after != "init":
        for step in _steps(folder, days):
            with opened(folder) as at:
                done = step.done(at)
            if not done:
                _command(step.arguments, step.name, seconds)
            if step.name == stop_after:
                break
    with opened(folder) as at:
        figures = measure(at)
    figures |= {"seed": seed, "site": str(folder), "seconds": time.monotonic() - began_s, "seconds_by_step": seconds}
    return Said(tuple(table(figures)), figures)


def _command(arguments: tuple[str, ...], name: str, seconds: dict[str, float]) -> None:
    """Run one command; what it says goes to standard error, so that the table (or JSON) is all of the output."""
    from swardwright.shell.command_line import main

    shown = " ".join(a if " " not in a else f"'{a}'" for a in arguments)
    click.echo(f"$ swardwright {shown if len(shown) < 160 else shown[:157] + '...'}", err=True)
    began_s = time.monotonic()
    with contextlib.redirect_stdout(sys.stderr):
        main.main(list(arguments), prog_name="swardwright", standalone_mode=False)
    seconds[name] = time.monotonic() - began_s


def measure(at: OpenSite) -> dict[str, Any]:
    """Return every figure of the table from what is stored; None where it is not known (yet)."""
    store = at.store
    recordings = {r.name: r for r in store.recordings()}
    plan, record, outcome = store.plan("round-1"), store.record("round-1"), store.outcome("round-1")
    compared = read_comparisons(at.folder)
    first: dict[str, Any] = compared.get("1", {})
    again: dict[str, Any] = compared.get("3", {})
    register = store.register(1)
    treated = 0 if record is None else len(record.treated)
    budget = None if register is None else budget_of(at, register=register, rows=False)
    largest = None if budget is None else budget.landing.parts[0]
    beside = None if budget is None else budget.register
    return {
        "pictures_taken_in": {name: r.pictures_found for name, r in recordings.items()},
        "frames_kept": {name: len(store.frames(name)) for name in recordings},
        "detections": {name: len(store.detections(name)) for name in recordings},
        "register_size": None if register is None else sum(w.presence >= 0.5 for w in register.weeds),
        "plants_true": first.get("plants"),
        "register_recall": first.get("recall"),
        "register_precision": first.get("precision"),
        "register_kinds_right": first.get("kinds_right"),
        "ground_rms_m": first.get("rms_m"),
        "place_expected_m": None if beside is None else beside.learnt_m or beside.predicted_m,
        "place_register_m": None if beside is None else beside.register_m,
        "landing_sigma_m": None if budget is None else budget.landing.sigma_m,
        "landing_largest": None if largest is None else largest.source,
        "landing_largest_share": None if budget is None or largest is None else budget.landing.share(largest),
        "fix_first": None if budget is None else next(iter(budget.steps()), None),
        "second_recall": again.get("recall"),
        "second_precision": again.get("precision"),
        "stops": None if plan is None else len(plan.stops),
        "stops_bound": None if plan is None else plan.stops_bound,
        "planned": None if plan is None else sum(len(s.holds) for s in plan.stops),
        "refused": None if plan is None else len(plan.refused),
        "controls": None if plan is None else len(plan.controls),
        "treated": None if record is None else treated,
        "not_treated": None if record is None else len(record.not_treated),
        "gas_kg": None if record is None else record.gas_kg,
        "scorch_m2_per_weed": record.scorch_m2 / treated if record is not None and treated else None,
        "round_completed": None if record is None else record.completed,
        "kill_rate": None if outcome is None else outcome.kill_rate,
        "kill_low": None if outcome is None else outcome.kill_low,
        "kill_high": None if outcome is None else outcome.kill_high,
        "kill_corrected": None if outcome is None else outcome.corrected,
        "scored": None if outcome is None else outcome.treated,
        "controls_dead": None if outcome is None else outcome.controls_dead,
        "next": at.status().next_command,
    }


def table(figures: dict[str, Any]) -> list[str]:
    """Return the table of the demonstration, one line a row."""

    def share(key: str) -> str:
        value = figures[key]
        return "not known" if value is None else f"{100 * value:.1f} %"

    def number(key: str, factor: float = 1.0, digits: int = 0, unit: str = "") -> str:
        value = figures[key]
        return "not known" if value is None else f"{factor * value:.{digits}f}{unit}"

    rows: list[tuple[str, str]] = []
    for name, found in figures["pictures_taken_in"].items():
        rows.append((f"{name}: pictures taken in, frames kept", f"{found}, {figures['frames_kept'][name]}"))
        rows.append((f"{name}: detections", str(figures["detections"][name])))
    size = number("register_size")
    largest = figures["landing_largest"]
    part = "not known" if largest is None else f"{word(largest)} {share('landing_largest_share')}"
    rows += [
        ("register: plants believed, plants true", f"{size}, {number('plants_true')}"),
        ("register against the truth at 5 cm: recall", share("register_recall")),
        ("register against the truth at 5 cm: precision", share("register_precision")),
        ("register against the truth: kind right", share("register_kinds_right")),
        ("ground error, root mean square", number("ground_rms_m", 1000, 1, " mm")),
        (
            "place of a plant, s.d.: budget, register",
            f"{number('place_expected_m', 1000, 1, ' mm')}, {number('place_register_m', 1000, 1, ' mm')}",
        ),
        ("landing error, s.d.; largest part", f"{number('landing_sigma_m', 1000, 1, ' mm')}; {part}"),
        ("stops, proven bound", f"{number('stops')}, {number('stops_bound')}"),
        ("weeds planned, controls, refused", f"{number('planned')}, {number('controls')}, {number('refused')}"),
        ("weeds heated, not heated", f"{number('treated')}, {number('not_treated')}"),
        ("gas used", number("gas_kg", 1000, 1, " g")),
        ("scorched turf per weed", number("scorch_m2_per_weed", 1e4, 1, " cm2")),
    ]
    rate = share("kill_rate")
    if figures["kill_low"] is not None:
        rate += f" ({100 * figures['kill_low']:.1f} to {100 * figures['kill_high']:.1f} %, 95 %)"
    rows += [
        ("kill rate, interval", rate),
        ("kill rate corrected for controls", share("kill_corrected")),
        ("seconds", f"{figures['seconds']:.0f}"),
    ]
    width = max(len(name) for name, _ in rows)
    lines = [f"Invented site, seed {figures['seed']}: {figures['site']}"]
    lines += [f"  {name:<{width}}  {value}" for name, value in rows]
    return [*lines, f"Next: swardwright {figures['next']} {figures['site']}"]

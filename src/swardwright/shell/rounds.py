"""``permit``, ``run``, ``score`` and ``report``: one round."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from swardwright.domain.errors import RefusedError, StaleError, SwardwrightError
from swardwright.domain.event import NotTreated, RoundRecord
from swardwright.domain.frame import Track
from swardwright.domain.permit import Permit, Refusal, Weather
from swardwright.domain.plan import Plan
from swardwright.domain.weed import Look, Register, Sighting
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.finding import this_visit
from swardwright.shell.open_site import OpenSite
from swardwright.shell.saying import Said
from swardwright.shell.status import (
    OUTCOME_FROM,
    PERMIT_FROM,
    detector_path,
    input_hashes,
    inputs_for,
    model_card,
)
from swardwright.shell.store import need

if TYPE_CHECKING:
    from swardwright.shell.budget_chart import Told


def clock_s(opened: OpenSite) -> float:
    """Return the time that a permit is given at: an invented site has a clock of its own, its robot's."""
    if opened.site.invented:
        from swardwright.shell.driving import load_robot

        return load_robot(opened.folder, opened.site).state().now_s
    return time.time()


def _must_heat(plan: Plan, doing: str, folder: Path) -> None:
    """Refuse a plan without a hold: nobody is to be asked, and no robot called, for nothing."""
    if not plan.sweep and not any(stop.holds for stop in plan.stops):
        raise RefusedError(f"{plan.id} heats nothing, so there is nothing to {doing}", where=folder.name,
                           remedy="mend what its refusals name, or survey again, then plan")  # fmt: skip


def permit_site(
    opened: OpenSite,
    *,
    signed_by: str,
    weather: Callable[[float], Weather],
    codes_before: tuple[float, float, float] | None,
    answers: dict[str, str],
) -> Said:
    """Ask for the hot-work permit of the newest plan; raise ``RefusedError`` with every reason if it is refused."""
    from swardwright.running import START_CODES, fire_weather, grant

    store = opened.store
    with store.writer():
        plan = need(store.plan(), "plan", f"plan {opened.folder}")
        _must_heat(plan, "permit", opened.folder)
        opened.must_stand(f"plan {plan.id}")
        if store.record(plan.id) is not None:
            raise StaleError(f"the round of {plan.id} is over", where=opened.folder.name,
                             remedy="survey again, then plan the next one")  # fmt: skip
        now_s = clock_s(opened)
        observed = weather(now_s)
        month = datetime.fromtimestamp(now_s, UTC).month
        codes = fire_weather(codes_before or START_CODES, observed, month, opened.site.origin.latitude_deg)
        permit_id = f"{plan.id}-permit-{1 + _permits(opened, plan.id)}"
        answer = grant(
            permit_id=permit_id, plan=plan, weather=observed, codes=codes, answers=answers,
            limits=opened.site.limits, now_s=now_s, signed_by=signed_by,
        )  # fmt: skip
        if isinstance(answer, Refusal):
            raise RefusedError(
                f"the permit is refused: {' '.join(answer.reasons)}", where=plan.id,
                remedy="do what each reason says, then ask again; do not light a flame without a permit",
            )  # fmt: skip
        store.add_permit(answer)
        present = input_hashes(opened.folder, opened.site)
        inputs = inputs_for(present, PERMIT_FROM, store, (f"plan {plan.id}",))
        store.set_result(f"permit {plan.id}", answer, inputs)
    said = _permitted(answer)
    doubtful = opened.doubtful(store.register(plan.register_revision))
    return Said((*said.lines, doubtful), said.data | {"doubt": doubtful}) if doubtful else said


def _permits(opened: OpenSite, plan_id: str) -> int:
    last = opened.store.permit(plan_id)
    return 0 if last is None else int(last.id.rsplit("-", 1)[1])


def _permitted(permit: Permit) -> Said:
    until = datetime.fromtimestamp(permit.expires_at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
    codes = permit.fire_weather
    lines = (
        f"{permit.id}: granted to {permit.signed_by} for {permit.plan_id} until {until} "
        f"(FFMC {codes.ffmc:.0f}, FWI {codes.fwi:.1f}).",
        "The permit is a record, not a safety function: stand watch, and stop the round when in doubt.",
    )
    data = {"permit": permit.id, "plan": permit.plan_id, "expires_at_s": permit.expires_at_s,
            "ffmc": codes.ffmc, "fwi": codes.fwi}  # fmt: skip
    return Said(lines, data)


def run_site(opened: OpenSite, *, show: Callable[[str], None], close: bool = False) -> Said:
    """Run the newest plan, or go on with it where an interruption left it.

    A round is over when it completes, or when it is closed (``close``: no robot is called, the journal is the record).
    """
    from swardwright.learning import load_detector
    from swardwright.running import spared_given, supervise, unfinished, with_earlier
    from swardwright.shell.driving import drive_round, load_robot
    from swardwright.shell.sweeping import closed_sweep, drive_sweep, register_of

    store, folder = opened.store, opened.folder
    with store.writer(one_transaction=False):
        plan = need(store.plan(), "plan", f"plan {folder}")
        _must_heat(plan, "run", folder)
        permit = need(store.permit(plan.id), f"permit for {plan.id}", f"permit {folder}")
        if store.record(plan.id) is not None:
            raise StaleError(f"the round of {plan.id} is over", where=folder.name,
                             remedy=f"survey again, or see: swardwright status {folder}")  # fmt: skip
        register = need(register_of(store, plan), "register", f"locate {folder}")
        earlier = store.journal(plan.id)
        done, unknown = unfinished(earlier)
        if close:
            record = _closed(plan, permit, done, unknown)
            if plan.sweep:
                record, register = closed_sweep(plan, record, register, earlier)
            record = with_earlier(record, earlier)
        else:
            opened.must_stand(f"permit {plan.id}")
            if earlier:
                show(f"going on with {plan.id}: {len(done)} weeds done, {len(unknown)} of unknown heat")
            detector = load_detector(detector_path(folder, opened.site))
            for caution in (*CAUTIONS, *filter(None, (opened.doubtful(register),))):
                show(caution)
            robot = load_robot(folder, opened.site)
            begin = partial(supervise, plan, register, permit, opened.site, done=done, unknown=unknown,
                            given_kg_m2=spared_given(earlier))  # fmt: skip
            if plan.sweep:
                record, register = drive_sweep(robot, opened.site, plan, register, store, detector, begin, show)
            else:
                record = drive_round(robot, opened.site, plan, register, store, detector, begin(), show)
            record = with_earlier(record, earlier)
        if record.completed or close:
            with store.transaction():
                _keep_round(opened, plan, register, record)
    return _ran(record, over=record.completed or close)


def _closed(plan: Plan, permit: Permit, done: frozenset[str], unknown: frozenset[str]) -> RoundRecord:
    """Return the record of a round that a person closes: what is not in the journal was not heated."""
    text = "the round was closed before it"
    left = tuple(
        NotTreated(h.weed_id, s.id, "heat unknown: no recorded result" if h.weed_id in unknown else text,
                   h.weed_id in unknown)
        for s in plan.stops for h in s.holds if h.weed_id not in done
    )  # fmt: skip
    at_s = permit.granted_at_s
    return RoundRecord(plan.id, permit.id, at_s, at_s, (), left, plan.controls, 0.0, 0.0, False, "closed by a person")


def _keep_round(opened: OpenSite, plan: Plan, register: Register, record: RoundRecord) -> None:
    """Store the record and the register as the round leaves it."""
    store = opened.store
    present = input_hashes(opened.folder, opened.site)
    store.set_record(record)
    store.set_result(f"record {plan.id}", record, inputs_for(present, (), store, (f"permit {plan.id}",)))
    if plan.sweep:
        from swardwright.shell.sweeping import keep_found

        register = keep_found(opened, plan, register)
    revisions = store.revisions()
    after = after_round(register, record, revision=1 + revisions[-1].revision)
    behind = {r.revision: r.recordings for r in revisions}[register.revision]
    store.add_register(after, made_by="run", recordings=behind)
    results = (f"register {register.revision}", f"record {plan.id}")
    store.set_result(f"register {after.revision}", after, inputs_for(present, (), store, results))


def after_round(register: Register, record: RoundRecord, *, revision: int) -> Register:
    """Return the register as a round leaves it: heat added, controls marked, and less belief in what was heated.

    ``presence`` is the belief that a living plant stands there, so a heated one keeps ``1 - kill`` of it; the next look
    raises or buries that.
    """
    given = {t.weed_id: t for t in record.treated}
    weeds = []
    for weed in register.weeds:
        heat = given.get(weed.id)
        if heat is not None:
            left = weed.presence * (1.0 - min(max(heat.kill, 0.0), 1.0))
            weed = replace(weed, heat_kg_m2=weed.heat_kg_m2 + heat.dose_kg_m2, presence=left)
        weeds.append(replace(weed, control=weed.id in record.controls))
    note = f"{len(given)} weeds heated in {record.plan_id}, {len(record.controls)} left as controls"
    return Register(revision, tuple(weeds), (note,), register.base_poses, based_on=register.revision)


def _ran(record: RoundRecord, *, over: bool) -> Said:
    unknown = [n for n in record.not_treated if n.unknown]
    lines = [
        f"{record.plan_id}: {len(record.treated)} weeds heated, {len(record.not_treated)} not, "
        f"{len(record.controls)} controls; {1000 * record.gas_kg:.1f} g of gas.",
    ]
    cut = [item for item in record.treated if item.points < item.planned]
    if cut:
        lines.append(f"Cut short: {', '.join(f'{t.weed_id} ({t.points} of {t.planned} holds)' for t in cut)}.")
    if unknown:
        lines.append(
            f"Heat unknown for {', '.join(n.weed_id for n in unknown)}: look again before any more heat there."
        )
    lines.append("The round is complete." if record.completed else f"The round ended early: {record.reason}.")
    if not over:
        lines.append("Run it again to go on with the rest, or leave it at that: swardwright run SITE --close.")
    lines.append("Keep the fire watch standing after the last flame, as your local code asks.")
    data = {
        "plan": record.plan_id, "treated": len(record.treated), "not_treated": len(record.not_treated),
        "rings": sum(item.planned > 1 for item in record.treated), "rings_cut_short": len(cut),
        "controls": len(record.controls), "gas_kg": record.gas_kg, "scorch_m2": record.scorch_m2,
        "completed": record.completed, "reason": record.reason,
    }  # fmt: skip
    return Said(tuple(lines), data)


def score_site(opened: OpenSite) -> Said:
    """Score the newest round from the look that came after it."""
    from swardwright.scoring import score
    from swardwright.shell.sweeping import register_of

    store, folder = opened.store, opened.folder
    with store.writer():
        record = need(store.record(), "round", f"run {folder}")
        plan = need(store.plan(record.plan_id), "plan", f"plan {folder}")
        before = need(register_of(store, plan), "register", f"locate {folder}")
        newest = store.revisions()[-1]
        if newest.made_by != "locate" or newest.revision <= before.revision + 1:
            raise StaleError("the ground was not looked at since the round", where=folder.name,
                             remedy="survey again, then take in, detect and locate")  # fmt: skip
        opened.must_stand(f"register {newest.revision}")
        after, after_looks = fresh_register(opened)
        site = opened.site
        outcome = score(
            before, record, after, after_looks, gate_m=site.limits.gate_m,
            taproot_kinds=[kind.name for kind in site.kinds if kind.taproot],
        )  # fmt: skip
        store.set_outcome(outcome)
        present = input_hashes(folder, opened.site)
        results = (f"record {plan.id}", f"register {before.revision}", f"register {newest.revision}")
        store.set_result(f"outcome {plan.id}", outcome, inputs_for(present, OUTCOME_FROM, store, results))
    rate = "not known" if outcome.kill_rate is None else f"{100 * outcome.kill_rate:.1f} %"
    if outcome.kill_low is not None and outcome.kill_high is not None:
        rate += f" (95 % interval {100 * outcome.kill_low:.1f} to {100 * outcome.kill_high:.1f} %)"
    lines = [
        f"{plan.id}: {outcome.treated_dead} of {outcome.treated} treated weeds dead: kill rate {rate}.",
        f"Controls: {outcome.controls_dead} of {outcome.controls} dead untreated.",
        f"{len(outcome.new_weeds)} plants are new.",
        *outcome.notes,
    ]
    if outcome.corrected is not None:
        lines.insert(2, f"Corrected for the controls (Abbott): {100 * outcome.corrected:.1f} %.")
    data = {
        "plan": plan.id, "treated": outcome.treated, "treated_dead": outcome.treated_dead,
        "controls": outcome.controls, "controls_dead": outcome.controls_dead, "kill_rate": outcome.kill_rate,
        "kill_low": outcome.kill_low, "kill_high": outcome.kill_high, "corrected": outcome.corrected,
        "new_weeds": len(outcome.new_weeds),
    }  # fmt: skip
    return Said(tuple(lines), data)


def fresh_register(opened: OpenSite) -> tuple[Register, list[Look]]:
    """Return what the look after the round saw by itself, and its looks.

    The outcome is judged on this, not on the merged register: there the belief from before would speak for weeds that
    are dead.
    """
    from swardwright.locating import looks
    from swardwright.merging import merge

    store = opened.store
    _, names = this_visit(opened)
    card = model_card(opened.folder, opened.site)
    sightings: list[Sighting] = []
    seen: list[Look] = []
    tracks: list[Track] = []
    for name in names:
        sightings += store.sightings(name)
        seen += looks(store.frames(name), opened.site.rig, detection_probability=card.detection_probability,
                      false_alarms_m2=card.false_alarms_m2, bands=card.detection_bands())  # fmt: skip
        track = store.track(name)
        tracks += [] if track is None else [track]
    alone = merge(None, sightings, seen, tracks=tracks)
    return replace(alone, revision=store.revisions()[-1].revision), seen


def report_site(opened: OpenSite, *, out: Path | None = None, plan_id: str | None = None) -> Said:
    """Write the report of a round, as far as it has come."""
    from swardwright.shell.report import write_report
    from swardwright.shell.sweeping import register_of
    from swardwright.shell.truth import report_truth

    store = opened.store
    plan = opened.plan_named(plan_id)
    register = need(register_of(store, plan), "register", f"locate {opened.folder}")
    outcome = None if plan is None else store.outcome(plan.id)
    path = write_report(
        opened.folder / "reports" if out is None else out,
        site=opened.site, register=register, plan=plan,
        permit=None if plan is None else store.permit(plan.id),
        record=None if plan is None else store.record(plan.id),
        journal=() if plan is None else store.journal(plan.id),
        after=None if outcome is None else store.register(outcome.after_revision),
        outcome=outcome, budget=_budget(opened, register),
        truth=report_truth(opened.folder, register.revision),
    )  # fmt: skip
    return Said((f"Written: {path} (GeoJSON and CSV beside it).",), {"report": str(path)})


def _budget(opened: OpenSite, register: Register) -> Told:
    """Return what the report says of the error budget, or why there is none: a report is written all the same."""
    from swardwright.shell.budget_chart import no_budget, told
    from swardwright.shell.site_budget import budget_of

    try:
        return told(budget_of(opened, register=register, rows=False))
    except SwardwrightError as error:
        return no_budget(error)

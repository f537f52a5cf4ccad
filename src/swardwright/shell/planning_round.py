"""``plan``: the next round, planned from the newest register revision, and what is said of it."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime

from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.shell.open_site import OpenSite
from swardwright.shell.report_rows import change_lines, ring_lines
from swardwright.shell.saying import Progress, Said
from swardwright.shell.site_budget import plural
from swardwright.shell.status import PLAN_FROM, input_hashes, inputs_for, model_card
from swardwright.shell.store import need

#: seed of a plan's draws (controls, order searches) where none is given
PLAN_SEED = 1
#: a plan of so many stops is long enough to show how far it is
_LONG = 50


def plan_site(
    opened: OpenSite, *, seed: int = PLAN_SEED, limit: str | None = None, day: datetime | None = None,
    files: bool = False,
) -> Said:  # fmt: skip
    """Plan the next round from the newest register revision.

    Parameters
    ----------
    limit : str | None
        Cut the plan where ``time``, ``gas`` or ``battery`` end.
    day : datetime | None
        Whose daylight counts; None: today's (an invented site has no today: its days have no end).
    files : bool
        Write the plan's files too.
    """
    from swardwright.planning import cut_plan, plan_round
    from swardwright.shell.reach_cache import keep_reach, recall_reach

    store = opened.store
    with store.writer():
        register = need(store.register(), "register", f"locate {opened.folder}")
        opened.must_stand(f"register {register.revision}")
        plan_id = f"round-{1 + len(store.plans())}"
        recall_reach(opened.folder, opened.site.rig)
        plan = plan_round(
            register, opened.site, plan_id=plan_id, seed=seed, at_s=noon_s(opened.site, day),
            found=model_card(opened.folder, opened.site).detection_probability, workers=os.cpu_count() or 1,
            progress=_shown(Progress("ordering the holds of stops")),
        )  # fmt: skip
        if limit is not None:
            plan = cut_plan(plan, opened.site, limit)
        store.add_plan(plan)
        keep_reach(opened.folder, opened.site.rig)
        present = input_hashes(opened.folder, opened.site)
        inputs = inputs_for(present, PLAN_FROM, store, (f"register {register.revision}",))
        store.set_result(f"plan {plan.id}", plan, inputs)
    said = _planned(plan, opened.doubtful(register))
    if files:
        from swardwright.shell.plan_files import write_plan_files

        said = said.then(write_plan_files(opened.folder / "reports" / plan.id, opened.site, register, plan))
    return said


def _shown(holds: Progress) -> Callable[[str, int, int], None]:
    """Return what shows how far a long plan is: inside the stops, which takes the longest."""

    def show(part: str, done: int, of: int) -> None:
        if part == "holds" and of >= _LONG:
            holds(done, of)

    return show


def noon_s(site: Site, day: datetime | None) -> float | None:
    """Return a moment in the day of the round, Unix time: its noon in UTC."""
    if day is None and site.invented:
        return None
    noon = (datetime.now(UTC) if day is None else day).replace(hour=12, minute=0, second=0, tzinfo=UTC)
    return noon.timestamp()


def _drive_gap(plan: Plan) -> str:
    if plan.drive_bound_s <= 0.0:
        return ""
    gap = max(plan.supplies.drive_s / plan.drive_bound_s - 1.0, 0.0)
    if gap < 5e-4:
        return " (proven: no order of these stops takes less)"
    return f" (proven: at most {100.0 * gap:.1f} % over the least for these stops)"


def _nothing(plan: Plan) -> list[str]:
    """Return what is said of a plan that heats nothing."""
    if not plan.refused and not plan.controls:
        return [f"{plan.id}: nothing to treat: the register holds no weed."]
    return [f"{plan.id}: nothing to treat; {len(plan.controls)} controls, {len(plan.refused)} refused."]


def _to_bring(plan: Plan, holds: int) -> list[str]:
    """Return what is said first of a plan: what it does, what to bring, how long it takes, where to change."""
    supplies = plan.supplies
    batteries = f" ({supplies.battery_swaps + 1} batteries)" if supplies.battery_swaps else ""
    controls = f"; {len(plan.controls)} left untreated on purpose, as controls" if plan.controls else ""
    return [
        f"{plan.id}: {plural(holds, 'weed')} from {plural(len(plan.stops), 'stop')} (proven: no fewer than "
        f"{plan.stops_bound} can do), {len(plan.refused)} refused{controls}.",
        f"Bring {1000 * supplies.gas_kg:.0f} g of gas ({plural(supplies.cylinders, 'cylinder')}) and "
        f"{supplies.energy_j / 3600:.0f} Wh of charge{batteries}. "
        f"It takes {supplies.time_s / 60:.0f} min, with {supplies.drive_m:.0f} m of driving{_drive_gap(plan)}.",
        *ring_lines(plan),
        *change_lines(supplies),
    ]


def _planned(plan: Plan, doubtful: str = "") -> Said:
    supplies = plan.supplies
    holds = sum(len(stop.holds) for stop in plan.stops)
    lines = _to_bring(plan, holds) if holds else _nothing(plan)
    reasons: dict[str, int] = {}
    for item in plan.refused:
        group = item.reason.partition(":")[0]  # what stands behind the colon is the item's own
        reasons[group] = reasons.get(group, 0) + 1
    lines += [f"Refused: {count} - {reason}" for reason, count in sorted(reasons.items(), key=lambda r: -r[1])]
    notes = [*supplies.notes, *(note for note in plan.notes if holds or not note.startswith("nothing to treat"))]
    lines += ["To know:", *(f"- {note}" for note in notes)] if notes else []
    data = {
        "plan": plan.id, "weeds": holds, "rings": plan.rings, "stops": len(plan.stops), "stops_bound": plan.stops_bound,
        "controls": len(plan.controls), "refused": {r.item: r.reason for r in plan.refused},
        "gas_kg": supplies.gas_kg, "cylinders": supplies.cylinders, "energy_j": supplies.energy_j,
        "time_s": supplies.time_s, "drive_m": supplies.drive_m,
        "drive_s": supplies.drive_s, "drive_bound_s": plan.drive_bound_s, "overlooked": plan.overlooked,
        "pictures": sum(len(stop.looks_rad or ()) for stop in plan.stops), "notes": list(plan.notes), "doubt": doubtful,
        "batteries": bool(supplies.loads) * (supplies.battery_swaps + 1),
        "days": bool(supplies.loads) * supplies.days,
        "day_s": supplies.day_s, "supply_notes": list(supplies.notes),
        "swaps": [{"what": s.what, "after_stop": s.stop_id or None, "during": s.during} for s in supplies.swaps],
    }  # fmt: skip
    return Said(((doubtful,) if doubtful else ()) + tuple(lines), data)

"""A sweep: planned from site and rig alone, and run by looking, deciding and treating stop by stop."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from swardwright.domain.event import Command, Heat, JournalEntry, LookAgain, NotTreated, Observation, RoundRecord
from swardwright.domain.frame import Frame
from swardwright.domain.plan import Plan, Stop, StopWork
from swardwright.domain.poses import BasePose
from swardwright.domain.robot import Robot, RobotState
from swardwright.domain.site import Site, treat_probability
from swardwright.domain.weed import Aim, Look, Register, Sighting
from swardwright.shell.driving import Driver
from swardwright.shell.open_site import OpenSite
from swardwright.shell.planning_round import PLAN_SEED, noon_s
from swardwright.shell.report_rows import change_lines
from swardwright.shell.saying import Said
from swardwright.shell.status import PLAN_FROM, input_hashes, inputs_for
from swardwright.shell.store import SiteStore

if TYPE_CHECKING:
    from swardwright.learning.detector import Detector
    from swardwright.running import Swept

#: what a sweep plan is made from, beside what every plan is
_SWEEP_FROM = (*PLAN_FROM, "camera", "camera link")


def sweep_site(
    opened: OpenSite, *, seed: int = PLAN_SEED, limit: str | None = None, day: datetime | None = None,
    files: bool = False, density_m2: float | None = None,
) -> Said:  # fmt: skip
    """Plan a sweep and say what it takes.

    Parameters
    ----------
    limit, day, files : str | None, datetime | None, bool
        As of ``plan_site``.
    density_m2 : float | None
        Weeds to treat per square metre; None: as in the newest register, or a usual one where there is none.
    """
    from swardwright.planning.sweep import DENSITY_M2, plan_sweep
    from swardwright.shell.reach_cache import keep_reach, recall_reach

    store = opened.store
    with store.writer():
        register = store.register()
        known = None if register is None else _density_m2(register, opened.site)
        source = "as you say" if density_m2 is not None else "as in the newest register" if known else "assumed"
        density = density_m2 if density_m2 is not None else known or DENSITY_M2
        recall_reach(opened.folder, opened.site.rig)
        plan = plan_sweep(
            opened.site, plan_id=f"round-{1 + len(store.plans())}", seed=seed, at_s=noon_s(opened.site, day),
            density_m2=density,
            register_revision=0 if register is None else register.revision, limit=limit,
        )  # fmt: skip
        store.add_plan(plan)
        keep_reach(opened.folder, opened.site.rig)
        results = () if register is None else (f"register {register.revision}",)
        present = input_hashes(opened.folder, opened.site)
        store.set_result(f"plan {plan.id}", plan, inputs_for(present, _SWEEP_FROM, store, results))
    said = _planned(plan, source)
    if files:
        from swardwright.shell.plan_files import write_plan_files

        before = Register(0, ()) if register is None else register
        said = said.then(write_plan_files(opened.folder / "reports" / plan.id, opened.site, before, plan))
    return said


def _density_m2(register: Register, site: Site) -> float:
    """Return weeds to treat per square metre of the ground to treat, as believed; 0 where there are none."""
    import shapely

    from swardwright.planning.sweep_ground import ground_to_treat

    area = ground_to_treat(site)
    weeds = [w for w in register.weeds if w.presence * treat_probability(w.kinds, site) >= site.limits.presence_min]
    if not weeds or area.area <= 0.0:
        return 0.0
    x, y = np.array([w.mean_m for w in weeds]).T
    return float(np.count_nonzero(shapely.contains_xy(area, x, y)) / area.area)


def _planned(plan: Plan, source: str) -> Said:
    supplies = plan.supplies
    covered = plan.ground_m2 - plan.left_out_m2
    share = covered / plan.ground_m2 if plan.ground_m2 > 0.0 else 0.0
    batteries = f" ({supplies.battery_swaps + 1} batteries)" if supplies.battery_swaps else ""
    lines = [
        f"{plan.id}, a sweep: {len(plan.stops)} stops see and reach {covered:.1f} of {plan.ground_m2:.1f} m2 "
        f"({share:.1%}) of the ground to treat; fewer than {plan.stops_bound} stops cannot do.",
        f"Bring {1000 * supplies.gas_kg:.0f} g of gas ({supplies.cylinders} cylinder"
        f"{'' if supplies.cylinders == 1 else 's'}), {supplies.energy_j / 3600:.0f} Wh{batteries}; "
        f"{supplies.time_s / 60:.0f} min, {supplies.drive_m:.0f} m of driving: for {plan.density_m2:.2g} weeds per m2 "
        f"({source}).",
        *change_lines(supplies),
    ]
    lines += [f"Left out ({item.item}): {item.reason}" for item in plan.refused]
    lines += [*supplies.notes, *plan.notes]
    data = {
        "plan": plan.id, "sweep": True, "stops": len(plan.stops), "stops_bound": plan.stops_bound,
        "ground_m2": plan.ground_m2, "left_out_m2": plan.left_out_m2, "covered_share": share,
        "density_m2": plan.density_m2, "density_from": source, "left_out": {r.item: r.reason for r in plan.refused},
        "gas_kg": supplies.gas_kg, "cylinders": supplies.cylinders, "energy_j": supplies.energy_j,
        "time_s": supplies.time_s, "drive_m": supplies.drive_m, "drive_s": supplies.drive_s,
        "drive_bound_s": plan.drive_bound_s, "notes": list(plan.notes), "supply_notes": list(supplies.notes),
        "days": bool(supplies.loads) * supplies.days, "day_s": supplies.day_s,
        "swaps": [{"what": s.what, "after_stop": s.stop_id or None, "during": s.during} for s in supplies.swaps],
    }  # fmt: skip
    return Said(tuple(lines), data)


def made_by(plan: Plan) -> str:
    """Return who made the register revision that holds what a sweep found."""
    return f"sweep {plan.id}"


def register_of(store: SiteStore, plan: Plan | None) -> Register | None:
    """Return the register that a plan stands on: of a sweep that ran what it found, before any heat.

    A sweep of a site without a register begins with an empty one.
    """
    if plan is None:
        return store.register()
    if plan.sweep:
        found = [r.revision for r in store.revisions() if r.made_by == made_by(plan)]
        if found:
            return store.register(found[-1])
        if plan.register_revision == 0:
            return Register(0, ())
    return store.register(plan.register_revision)


class SweepDriver(Driver):
    """Plays a sweep: keeps the register of what was found, in the journal before anything is heated."""

    def __post_init__(self) -> None:
        """Start with nothing settled."""
        super().__post_init__()
        self.settled: set[str] = set()
        self._new: frozenset[str] = frozenset()

    def carry_out(self, command: Command) -> Observation:
        """Carry out one command; what was heated keeps its entry from then on."""
        if isinstance(command, Heat):
            self.settled.add(command.weed_id)
        return super().carry_out(command)

    def decide(self, stop: Stop, aims: tuple[Aim, ...], base: BasePose, settled: frozenset[str]) -> StopWork:
        """Decide what is done at a stop, from what its look gave."""
        from swardwright.planning.sweep_stop import plan_stop

        self.settled |= settled
        heated = np.array([w.mean_m for w in self.register.weeds if w.id in self.settled]).reshape(-1, 2)
        work = plan_stop(self.site, stop, aims, base=base, done=self.settled, new=self._new, heated_m=heated)
        stops = tuple(replace(s, holds=work.holds) if s.id == stop.id else s for s in self.plan.stops)
        self.plan = replace(self.plan, stops=stops)
        seen = sum(aim.seen for aim in aims)
        self.show(f"{stop.id}: {seen} plants seen, {len(work.holds)} to heat, {len(work.refused)} not")
        return work

    def _aims(
        self, look: LookAgain, frames: list[Frame], sightings: list[Sighting], seen: list[Look], stands: RobotState
    ) -> tuple[Aim, ...]:
        from swardwright.merging import aims, enter
        from swardwright.running import FOUND, found_entry

        covariance = np.reshape(stands.base_covariance, (3, 3))
        answer = aims(self.register, frames, sightings, seen, stop_id=look.stop_id, base=stands.base,
                      base_covariance=covariance)  # fmt: skip
        known = {weed.id for weed in self.register.weeds}
        self.register, named, changed = enter(
            self.register, answer, base=stands.base, base_covariance=covariance, settled=self.settled
        )
        self._new = frozenset(weed.id for weed in self.register.weeds) - known
        for weed in changed:
            self.store.append(self.plan.id, self._now_s, FOUND, weed.id, look.stop_id, found_entry(weed))
        return named


def with_found(register: Register, swept: Swept) -> Register:
    """Return a register with what an interrupted sweep had found."""
    found = {weed.id: weed for weed in swept.weeds}
    kept = [weed for weed in register.weeds if weed.id not in found]
    return replace(register, weeds=(*kept, *found.values()))


def drive_sweep(
    robot: Robot, site: Site, plan: Plan, register: Register, store: SiteStore, detector: Detector,
    supervise: Callable[..., Generator[Command, Observation, RoundRecord]], show: Callable[[str], None],
) -> tuple[RoundRecord, Register]:  # fmt: skip
    """Run a sweep to its end; return its record and the register of what it found, as it was before any heat.

    Parameters
    ----------
    supervise : Callable
        The supervisor with all but ``decide`` and ``so_far`` given.
    """
    from swardwright.running import swept

    so_far = swept(store.journal(plan.id))
    driver = SweepDriver(robot, site, plan, with_found(register, so_far), store, detector, show)
    record = driver.play(supervise(decide=driver.decide, so_far=so_far))
    return record, driver.register


def closed_sweep(
    plan: Plan, record: RoundRecord, register: Register, journal: Sequence[JournalEntry]
) -> tuple[RoundRecord, Register]:
    """Return record and register of a sweep that a person closes: what the journal says, and the ground not done."""
    from swardwright.running import swept, unfinished

    so_far = swept(journal)
    done, unknown = unfinished(journal)
    treated = done | unknown | set(so_far.controls)
    told = tuple(item for item in so_far.not_treated if item.weed_id not in treated)
    lost = tuple(NotTreated(w, "", "heat unknown: no recorded result", True) for w in sorted(unknown))
    ground = tuple(
        NotTreated(stop.id, stop.id, "the round was closed before the ground round this stop was done")
        for stop in plan.stops if stop.id not in so_far.stops
    )  # fmt: skip
    record = replace(record, controls=so_far.controls, not_treated=(*told, *lost, *ground))
    return record, with_found(register, so_far)


def keep_found(opened: OpenSite, plan: Plan, found: Register) -> Register:
    """Store what a sweep found as a register revision of its own, and return it."""
    store = opened.store
    revisions = store.revisions()
    number = 1 + max((r.revision for r in revisions), default=0)
    behind = {r.revision: r.recordings for r in revisions}.get(plan.register_revision, ())
    note = f"{len(found.weeds)} plants known after the sweep {plan.id}, before any heat"
    based_on = plan.register_revision or None
    kept = replace(found, revision=number, notes=(note,), changes=(), based_on=based_on)
    store.add_register(kept, made_by=made_by(plan), recordings=behind)
    present = input_hashes(opened.folder, opened.site)
    results = (f"record {plan.id}", *(() if based_on is None else (f"register {based_on}",)))
    store.set_result(f"register {number}", kept, inputs_for(present, (), store, results))
    return kept


__all__ = [
    "SweepDriver", "closed_sweep", "drive_sweep", "keep_found", "made_by", "register_of", "sweep_site", "with_found",
]  # fmt: skip

"""The round as an I/O-free generator: it yields commands, takes observations and returns the record.

It knows no clock, file or robot; a driver carries the commands out, writes the notes to the journal *before* it answers
them, and sends an ``Observation`` back. A driver whose robot fails throws the ``RobotFaultError`` into the generator
(``generator.throw``) or answers ``ok=False``; either way the flame is put out and the record returned. A driver that
is itself stopped (closed, killed, interrupted) must put the flame out: a closed generator cannot yield any more.

This is not a safety function: the emergency stop, the gas shut-off valve and the dead-man switch are hardware.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from swardwright.domain.dwell import dwell_for
from swardwright.domain.errors import RobotFaultError, SwardwrightError
from swardwright.domain.event import (
    Command,
    Drive,
    Heat,
    Light,
    LookAgain,
    Note,
    NotTreated,
    Observation,
    Reach,
    Report,
    Rest,
    RoundRecord,
    Treated,
)
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Hold, Plan, Stop
from swardwright.domain.robot import RobotState
from swardwright.domain.site import Kind, Site
from swardwright.domain.weed import Aim, Register
from swardwright.running.given import credible, kind_to_treat, treated
from swardwright.running.interlocks import (
    about_aim,
    carried_over,
    may_heat,
    may_light,
    spared_doses_kg_m2,
)
from swardwright.running.journal import INTENT, RESULT, SPARED

T = TypeVar("T")
Talk = Generator[Command, Observation, T]

#: Other events in the journal beside ``heat-intent`` and ``heat-result``.
STARTED, ENDED = "round-started", "round-ended"
AT_STOP, SKIPPED = "at-stop", "not-treated"
LIGHTING, OUT = "lighting", "flame-out"
#: How often the flame is told to go out before a person is told to close the cylinder.
OUT_TRIES = 3


class _RoundEndsError(Exception):
    """The round is over early; the text says why."""


@dataclass
class _Book:
    """What has happened so far."""

    plan: Plan
    done: frozenset[str]
    treated: list[Treated] = field(default_factory=list)
    not_treated: list[NotTreated] = field(default_factory=list)
    given_kg_m2: dict[str, float] = field(default_factory=dict)
    first: RobotState | None = None
    last: RobotState | None = None
    lit: bool = False
    #: the emergency stop was reported, or not known, while the flame was put out
    stopped: bool = False
    #: the hold whose heat was commanded and not yet accounted for
    pending: tuple[Stop, Hold] | None = None

    def see(self, state: RobotState | None) -> None:
        """Take note of a report; raise ``_RoundEndsError`` on the emergency stop or a clock that runs backwards."""
        if state is None:
            return
        if not math.isfinite(state.now_s) or (self.last is not None and state.now_s < self.last.now_s):
            raise _RoundEndsError("the robot's clock runs backwards or is not a number: restart its clock")
        self.first = self.first or state
        self.last = state
        if state.emergency_stop is not False:
            pressed = "is pressed" if state.emergency_stop else "is not known"
            raise _RoundEndsError(f"the emergency stop {pressed}: walk up, find out why, release it by hand")

    def ended(self) -> set[str]:
        """Return the weeds that are accounted for."""
        treated = {item.weed_id for item in self.treated}
        return treated | {item.weed_id for item in self.not_treated} | self.done


def supervise(
    plan: Plan,
    register: Register,
    permit: Permit,
    site: Site,
    *,
    done: frozenset[str] = frozenset(),
    unknown: frozenset[str] = frozenset(),
    given_kg_m2: Mapping[str, float] | None = None,
) -> Generator[Command, Observation, RoundRecord]:
    """Run one round.

    Parameters
    ----------
    register : Register
        The revision planned on, or a later one: spared plants that a fresh look forgets come from it.
    done, unknown : frozenset[str]
        From ``unfinished`` when an interrupted round goes on: ``done`` weeds are left out (they are in the earlier
        runs' journal, see ``with_earlier``), ``unknown`` ones are never heated blindly.
    given_kg_m2 : Mapping[str, float], optional
        From ``spared_given``: what spared plants got in the earlier runs of this round.

    Yields
    ------
    Command
        ``Note`` before and after every ``Heat``; ``Report`` right before the intent. Each wants an ``Observation``.

    Returns
    -------
    RoundRecord
        Every planned weed not in ``done`` is in exactly one of ``treated`` and ``not_treated``. ``gas_kg`` is what the
        cylinder lost, pilot flame included, where the robot reports it, else the sum of the holds.
    """
    book = _Book(plan, done, given_kg_m2=dict(given_kg_m2 or {}))
    reason = ""
    try:
        yield from _round(book, register, permit, site, unknown)
    except _RoundEndsError as end:
        reason = str(end)
    except SwardwrightError as fault:
        said = "the robot reports a fault" if isinstance(fault, RobotFaultError) else "the round cannot go on"
        reason = f"{said}: {fault.sentence().rstrip('.')}"
    except Exception:
        yield from _finish(book, "a fault of this program")
        raise
    reason = yield from _finish(book, reason)
    return _record(book, permit, reason)


def _round(book: _Book, register: Register, permit: Permit, site: Site, unknown: frozenset[str]) -> Talk[None]:
    plan = book.plan
    yield from _note(book, STARTED, data={"plan": plan.id, "permit": permit.id, "signed_by": permit.signed_by})
    yield from _cleared(book, permit, site)
    _preflight(plan, register)
    for stop in plan.stops:
        holds = [hold for hold in stop.holds if hold.weed_id not in book.done]
        for hold in holds:
            if hold.weed_id in unknown:
                text = "an earlier heat command has no recorded result: look at it again in the next survey"
                yield from _skip(book, stop, hold, text, unknown=True)
        holds = [hold for hold in holds if hold.weed_id not in unknown]
        if holds:
            yield from _stop(book, register, permit, site, stop, holds)
    yield from _ask(book, Rest())


def _preflight(plan: Plan, register: Register) -> None:
    if register.revision < plan.register_revision:
        raise _RoundEndsError(
            f"the plan was made from register revision {plan.register_revision}, this one is {register.revision}: "
            "use the register of the plan"
        )
    planned = Counter(hold.weed_id for stop in plan.stops for hold in stop.holds)
    twice = sorted(weed for weed, count in planned.items() if count > 1)
    if twice:
        raise _RoundEndsError(f"the plan heats {twice[0]} more than once: plan again")
    missing = sorted(set(planned) - {weed.id for weed in register.weeds})
    if missing:
        raise _RoundEndsError(f"the plan names {missing[0]}, which the register does not have: plan again")


def _stop(book: _Book, register: Register, permit: Permit, site: Site, stop: Stop, holds: list[Hold]) -> Talk[None]:
    yield from _ask(book, Rest())
    yield from _ask(book, Drive(stop.id, stop.base))
    yield from _note(book, AT_STOP, stop=stop)
    look = yield from _ask(book, LookAgain(stop.id, tuple(hold.weed_id for hold in holds)))
    if not look.ok:
        for hold in holds:
            yield from _skip(book, stop, hold, f"no fresh look at this stop: {look.reason}")
        return
    for hold in holds:
        yield from _hold(book, register, permit, site, stop, hold, look.aims)
    if book.lit:
        if not (yield from _put_out(book)):
            raise _RoundEndsError("the flame could not be confirmed out")
        if book.stopped:
            raise _RoundEndsError("the emergency stop was pressed, or not known, while the flame was put out")
        yield from _note(book, OUT, stop=stop)


def _hold(
    book: _Book, register: Register, permit: Permit, site: Site, stop: Stop, hold: Hold, aims: tuple[Aim, ...]
) -> Talk[None]:
    """Decide again on the fresh aim, reach, check, write the intent, heat, write the result."""
    found = [a for a in aims if a.weed_id == hold.weed_id]
    if len(found) > 1:
        yield from _skip(book, stop, hold, "the fresh look gives it more than one place")
        return
    aim = found[0] if found else None
    text = "the fresh look did not find it" if aim is None else about_aim(aim, site)
    kind = None if aim is None else kind_to_treat(aim, site)
    if aim is None or kind is None or text is not None:
        yield from _skip(book, stop, hold, text or "its kind is not in the site file")
        return
    dwell = dwell_for(site.rig.head, kind, aim.covariance_m2, site.limits)
    if not dwell.worth_giving:
        yield from _skip(book, stop, hold, dwell.reason)
        return
    place = (float(aim.mean_m[0]), float(aim.mean_m[1]))
    hold = replace(hold, aim_base_m=place, hold_s=dwell.hold_s, gas_kg=dwell.gas_kg, kill=dwell.kill,
                   scorch_m2=dwell.scorch_m2)  # fmt: skip
    reached = yield from _ask(book, Reach(hold.weed_id, place))
    if not reached.ok:
        yield from _skip(book, stop, hold, f"out of reach: {reached.reason}")
        return
    if not book.lit:
        yield from _cleared(book, permit, site)
        yield from _note(book, LIGHTING, stop=stop)
        book.lit = True
        yield from _ask(book, Light(True))
    state = yield from _cleared(book, permit, site)
    in_view = (*aims, *carried_over(register, aims, state, site))
    hindrance = may_heat(state, aim, hold, book.plan, permit, site, in_view=in_view, given_kg_m2=book.given_kg_m2)
    if hindrance is not None:
        if hindrance.ends_round:
            raise _RoundEndsError(str(hindrance))
        yield from _skip(book, stop, hold, str(hindrance))
        return
    yield from _heat(book, site, stop, hold, aim, kind, state, in_view)


def _cleared(book: _Book, permit: Permit, site: Site) -> Talk[RobotState]:
    """Ask for a fresh report and end the round unless machine, people, weather and permit allow a flame."""
    state = yield from _report(book)
    hindrance = may_light(state, book.plan, permit, site)
    if hindrance is not None:
        raise _RoundEndsError(str(hindrance))
    return state


def _heat(
    book: _Book, site: Site, stop: Stop, hold: Hold, aim: Aim, kind: Kind, state: RobotState, in_view: tuple[Aim, ...]
) -> Talk[None]:
    intent: dict[str, float | str | bool | None] = {
        "seconds": hold.hold_s,
        "x_base_m": hold.aim_base_m[0],
        "y_base_m": hold.aim_base_m[1],
        "sigma_m": math.sqrt(max(float(np.linalg.eigvalsh(aim.covariance_m2).max()), 0.0)),
        "kill": hold.kill,
    }
    wanted = spared_doses_kg_m2(state, hold.hold_s, site, in_view)
    intent |= {f"{SPARED}{weed_id}": dose for weed_id, dose in wanted.items() if dose > 0.0}
    try:
        yield from _note(book, INTENT, stop=stop, hold=hold, data=intent)
    except _RoundEndsError as end:
        # The journal may hold the intent, but no heat was commanded: say so, so that it does not stay unknown.
        yield from _note(book, RESULT, stop=stop, hold=hold, data={"heated_s": 0.0, "reason": str(end)})
        raise
    book.pending = (stop, hold)
    answer = yield Heat(hold.weed_id, hold.hold_s)
    report = answer.heat
    if report is None or not credible(report, hold, site):
        raise _RoundEndsError(f"what the heat did is not known: {answer.reason or 'no credible report'}")
    got = treated(site, stop, hold, aim, kind, state, report)
    if report.heated_s > 0.0:
        book.treated.append(got)
        for weed_id, dose in spared_doses_kg_m2(state, report.heated_s, site, in_view).items():
            book.given_kg_m2[weed_id] = book.given_kg_m2.get(weed_id, 0.0) + dose
    else:
        why = report.reason or answer.reason or "the robot says that no flame was given"
        book.not_treated.append(NotTreated(hold.weed_id, stop.id, why))
    book.pending = None
    result: dict[str, float | str | bool | None] = {
        "heated_s": report.heated_s,
        "gas_kg": report.gas_kg,
        "dose_kg_m2": got.dose_kg_m2,
        "kill": got.kill,
        "scorch_m2": got.scorch_m2,
        "completed": report.completed,
        "reason": report.reason,
    }
    yield from _note(book, RESULT, stop=stop, hold=hold, data=result)
    book.see(answer.state)
    if not (answer.ok and report.completed):
        raise _RoundEndsError(f"the heat was cut short: {report.reason or answer.reason or 'no reason given'}")


def _ask(book: _Book, command: Command) -> Talk[Observation]:
    """Yield a command; a failure ends the round, a declined reach or look comes back as ``ok`` false."""
    answer = yield command
    book.see(answer.state)
    if not answer.ok and not (answer.declined and isinstance(command, Reach | LookAgain)):
        doing = type(command).__name__
        raise _RoundEndsError(f"{_WORDS.get(doing, doing)} failed: {answer.reason or 'no reason given'}")
    return answer


_WORDS = {
    "Note": "writing the journal",
    "Report": "asking the robot for its state",
    "Drive": "driving",
    "LookAgain": "looking again",
    "Reach": "moving the head over the aim",
    "Light": "lighting the pilot flame",
    "Rest": "folding the arm",
}


def _report(book: _Book) -> Talk[RobotState]:
    answer = yield from _ask(book, Report())
    if answer.state is None:
        raise _RoundEndsError("the robot does not report its state: check the connection")
    return answer.state


def _note(
    book: _Book,
    event: str,
    *,
    stop: Stop | None = None,
    hold: Hold | None = None,
    data: dict[str, float | str | bool | None] | None = None,
) -> Talk[None]:
    weed_id, stop_id = (hold.weed_id if hold else None), (stop.id if stop else None)
    yield from _ask(book, Note(event, weed_id, stop_id, data or {}))


def _skip(book: _Book, stop: Stop, hold: Hold, reason: str, unknown: bool = False) -> Talk[None]:
    book.not_treated.append(NotTreated(hold.weed_id, stop.id, reason, unknown))
    yield from _note(book, SKIPPED, stop=stop, hold=hold, data={"reason": reason, "unknown": unknown})


def _put_out(book: _Book) -> Talk[bool]:
    """Put the flame out and return whether the robot confirms it; nothing that the robot answers stops the trying."""
    for _ in range(OUT_TRIES):
        try:
            answer = yield Light(False)
        except SwardwrightError:
            continue
        if answer.state is not None:
            book.stopped = book.stopped or answer.state.emergency_stop is not False
            if book.last is None or answer.state.now_s >= book.last.now_s:
                book.last = answer.state
        if answer.ok and answer.state is not None and answer.state.flame_lit is False:
            book.lit = False
            return True
    return False


def _finish(book: _Book, reason: str) -> Talk[str]:
    """Put the flame out, account for every hold, write the last note; return the reason, empty if completed."""
    if not (yield from _put_out(book)):
        told = "the flame could not be confirmed out: close the gas at the cylinder"
        reason = f"{reason}; {told}" if reason else told
    if book.pending is not None:
        stop, hold = book.pending
        text = f"heat was commanded and its result is not known: {reason}"
        book.not_treated.append(NotTreated(hold.weed_id, stop.id, text, unknown=True))
        book.pending = None
    ended = book.ended()
    for stop in book.plan.stops:
        for hold in stop.holds:
            if hold.weed_id not in ended:
                book.not_treated.append(NotTreated(hold.weed_id, stop.id, f"the round ended before: {reason}"))
                ended.add(hold.weed_id)
    data: dict[str, float | str | bool | None] = {
        "completed": not reason,
        "reason": reason,
        "treated": float(len(book.treated)),
        "not_treated": float(len(book.not_treated)),
    }
    try:
        answer = yield Note(ENDED, None, None, data)
    except SwardwrightError:
        return reason
    if not answer.ok and not reason:
        return f"writing the journal failed: {answer.reason or 'no reason given'}"
    return reason


def _record(book: _Book, permit: Permit, reason: str) -> RoundRecord:
    held_kg = sum(item.gas_kg for item in book.treated)
    started_s = book.first.now_s if book.first else permit.granted_at_s
    ended_s = max(started_s, book.last.now_s if book.last else started_s)
    return RoundRecord(
        plan_id=book.plan.id,
        permit_id=permit.id,
        started_at_s=started_s,
        ended_at_s=ended_s,
        treated=tuple(book.treated),
        not_treated=tuple(book.not_treated),
        controls=book.plan.controls,
        gas_kg=_cylinder_loss_kg(book, held_kg),
        scorch_m2=sum(item.scorch_m2 for item in book.treated),
        completed=not reason,
        reason=reason,
    )


def _cylinder_loss_kg(book: _Book, held_kg: float) -> float:
    first = book.first.gas_kg if book.first else None
    last = book.last.gas_kg if book.last else None
    if first is None or last is None or not math.isfinite(first) or not math.isfinite(last):
        return held_kg
    return max(first - last, held_kg)

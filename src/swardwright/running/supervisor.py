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
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import replace

from swardwright.domain.errors import RobotFaultError, SwardwrightError
from swardwright.domain.event import (
    Command,
    Drive,
    Light,
    LookAgain,
    Note,
    NotTreated,
    Observation,
    Rest,
    RoundRecord,
)
from swardwright.domain.heat import relight_gap_s
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Hold, Plan, Stop, StopWork
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Site
from swardwright.domain.weed import Aim, Register
from swardwright.running.book import (
    AT_STOP,
    ENDED,
    OUT,
    SKIPPED,
    STARTED,
    Book,
    RoundEndsError,
    Talk,
    ask,
    cleared,
    note,
    skip,
)
from swardwright.running.holding import heat_weed
from swardwright.running.swept import CONTROL, STOP_DONE, Swept

#: how often the flame is told to go out before a person is told to close the cylinder
OUT_TRIES = 3
#: Decides what to do at a stop of a sweep: the stop, its aims, where the base believes to stand, and the plants that
#: were heated or whose heat is unknown, never to be heated again.
Decide = Callable[[Stop, tuple[Aim, ...], BasePose, frozenset[str]], StopWork]


def supervise(
    plan: Plan,
    register: Register,
    permit: Permit,
    site: Site,
    *,
    done: frozenset[str] = frozenset(),
    unknown: frozenset[str] = frozenset(),
    given_kg_m2: Mapping[str, float] | None = None,
    decide: Decide | None = None,
    so_far: Swept | None = None,
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
    decide : Decide, optional
        What to do at each stop of a sweep, pure; needed for one.
    so_far : Swept, optional
        From ``swept`` when an interrupted sweep goes on.

    Yields
    ------
    Command
        ``Note`` before and after every ``Heat``; ``Report`` right before the intent. Each wants an ``Observation``.

    Returns
    -------
    RoundRecord
        Every planned weed not in ``done`` is in exactly one of ``treated`` and ``not_treated``; of a sweep every plant
        that was found, among the controls where it was left as one. ``gas_kg`` is what the cylinder lost, pilot flame
        included, where the robot reports it, else the sum of the holds.
    """
    book = Book(plan, done, given_kg_m2=dict(given_kg_m2 or {}))
    if so_far is not None:
        book.plan = replace(plan, controls=so_far.controls)
        settled = {*done, *unknown, *so_far.controls}
        book.not_treated = [item for item in so_far.not_treated if item.weed_id not in settled]
    reason = ""
    try:
        if plan.sweep:
            yield from _sweep(book, register, permit, site, unknown, decide, so_far or Swept())
        else:
            yield from _round(book, register, permit, site, unknown)
    except RoundEndsError as end:
        reason = str(end)
    except SwardwrightError as fault:
        said = "the robot reports a fault" if isinstance(fault, RobotFaultError) else "the round cannot go on"
        reason = f"{said}: {fault.sentence().rstrip('.')}"
    except Exception:
        yield from _finish(book, "a fault of this program")
        raise
    reason = yield from _finish(book, reason)
    return _record(book, permit, reason)


def _round(book: Book, register: Register, permit: Permit, site: Site, unknown: frozenset[str]) -> Talk[None]:
    yield from _begin(book, register, permit, site)
    for stop in book.plan.stops:
        holds = [hold for hold in stop.holds if hold.weed_id not in book.done]
        for hold in holds:
            if hold.weed_id in unknown:
                yield from skip(book, stop, hold, _UNKNOWN, unknown=True)
        holds = [hold for hold in holds if hold.weed_id not in unknown]
        if holds:
            yield from _stop(book, register, permit, site, stop, holds)
    yield from ask(book, Rest())


_UNKNOWN = "an earlier heat command has no recorded result: look at it again in the next survey"


def _begin(book: Book, register: Register, permit: Permit, site: Site) -> Talk[None]:
    plan = book.plan
    yield from note(book, STARTED, data={"plan": plan.id, "permit": permit.id, "signed_by": permit.signed_by})
    yield from cleared(book, permit, site)
    _preflight(plan, register)


def _preflight(plan: Plan, register: Register) -> None:
    if register.revision < plan.register_revision:
        raise RoundEndsError(
            f"the plan was made from register revision {plan.register_revision}, this one is {register.revision}: "
            "use the register of the plan"
        )
    planned = Counter(hold.weed_id for stop in plan.stops for hold in stop.holds)
    twice = sorted(weed for weed, count in planned.items() if count > 1)
    if twice:
        raise RoundEndsError(f"the plan heats {twice[0]} more than once: plan again")
    missing = sorted(set(planned) - {weed.id for weed in register.weeds})
    if missing:
        raise RoundEndsError(f"the plan names {missing[0]}, which the register does not have: plan again")


def _stop(book: Book, register: Register, permit: Permit, site: Site, stop: Stop, holds: list[Hold]) -> Talk[None]:
    look = yield from _look_at(book, stop, tuple(hold.weed_id for hold in holds))
    if not look.ok:
        for hold in holds:
            yield from skip(book, stop, hold, f"no fresh look at this stop: {look.reason}")
        return
    yield from _treat(book, register, permit, site, stop, holds, look.aims)


def _look_at(book: Book, stop: Stop, weed_ids: tuple[str, ...]) -> Talk[Observation]:
    yield from ask(book, Rest())
    yield from ask(book, Drive(stop.id, stop.base))
    yield from note(book, AT_STOP, stop=stop)
    return (yield from ask(book, LookAgain(stop.id, weed_ids, stop.looks_rad)))


def _treat(
    book: Book, register: Register, permit: Permit, site: Site, stop: Stop, holds: Sequence[Hold], aims: tuple[Aim, ...]
) -> Talk[None]:
    pays_s = relight_gap_s(site.rig.head, site.rig.gas.price, site.limits.hour_price)
    for hold in holds:
        if book.lit and hold.move_s > pays_s:
            yield from _out(book, stop)
        yield from heat_weed(book, register, permit, site, stop, hold, aims)
    if book.lit:
        yield from _out(book, stop)


def _sweep(
    book: Book, register: Register, permit: Permit, site: Site, unknown: frozenset[str], decide: Decide | None,
    so_far: Swept,
) -> Talk[None]:  # fmt: skip
    """Look, decide and treat at each stop; what was settled at one stop is not touched from another."""
    if decide is None:
        raise RoundEndsError("a sweep needs to be told how to decide at its stops: run it with this program's own run")
    yield from _begin(book, register, permit, site)
    for weed_id in sorted(unknown):
        book.not_treated.append(NotTreated(weed_id, "", _UNKNOWN, unknown=True))
    for stop in book.plan.stops:
        if stop.id in so_far.stops:
            continue
        look = yield from _look_at(book, stop, ())
        if not look.ok or book.last is None:
            text = f"the ground round this stop was not looked at: {look.reason}"
            book.not_treated.append(NotTreated(stop.id, stop.id, text))
            yield from note(book, SKIPPED, stop=stop, data={"reason": text})
            continue
        lost = {item.weed_id for item in book.not_treated if item.unknown}
        work = decide(stop, look.aims, book.last.base, book.done | unknown | frozenset(book.treated) | lost)
        yield from _take(book, stop, work)
        yield from _treat(book, register, permit, site, stop, work.holds, look.aims)
        yield from note(book, STOP_DONE, stop=stop)
    yield from ask(book, Rest())


def _take(book: Book, stop: Stop, work: StopWork) -> Talk[None]:
    """Take what was decided at a stop into the plan; a plant refused from an earlier stop may be held from this one."""
    held = {hold.weed_id for hold in work.holds}
    controls = [weed_id for weed_id in work.controls if weed_id not in book.plan.controls]
    stops = tuple(
        replace(stop, holds=work.holds) if other.id == stop.id
        else replace(other, holds=tuple(hold for hold in other.holds if hold.weed_id not in held))
        for other in book.plan.stops
    )  # fmt: skip
    book.plan = replace(book.plan, stops=stops, controls=(*book.plan.controls, *controls))
    again = held | set(work.controls)
    book.not_treated = [item for item in book.not_treated if item.unknown or item.weed_id not in again]
    for weed_id in controls:
        yield from ask(book, Note(CONTROL, weed_id, stop.id, {}))
    told = book.ended() | set(book.plan.controls)
    for item in work.refused:
        if item.item not in told:
            book.not_treated.append(NotTreated(item.item, stop.id, item.reason))
            yield from ask(book, Note(SKIPPED, item.item, stop.id, {"reason": item.reason, "unknown": False}))


def _out(book: Book, stop: Stop) -> Talk[None]:
    """Put the flame out between two holds so far apart that relighting costs less, or before the arm is folded."""
    if not (yield from _put_out(book)):
        raise RoundEndsError("the flame could not be confirmed out")
    if book.stopped:
        raise RoundEndsError("the emergency stop was pressed, or not known, while the flame was put out")
    yield from note(book, OUT, stop=stop)


def _put_out(book: Book) -> Talk[bool]:
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


def _finish(book: Book, reason: str) -> Talk[str]:
    """Put the flame out, account for every hold, write the last note; return the reason, empty if completed."""
    if not (yield from _put_out(book)):
        told = "the flame could not be confirmed out: close the gas at the cylinder"
        reason = f"{reason}; {told}" if reason else told
    book.unknown(reason)
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


def _record(book: Book, permit: Permit, reason: str) -> RoundRecord:
    real = [*book.treated.values(), *book.lost]
    held_kg = sum(item.gas_kg for item in real)
    started_s = book.first.now_s if book.first else permit.granted_at_s
    ended_s = max(started_s, book.last.now_s if book.last else started_s)
    return RoundRecord(
        plan_id=book.plan.id,
        permit_id=permit.id,
        started_at_s=started_s,
        ended_at_s=ended_s,
        treated=tuple(book.treated.values()),
        not_treated=tuple(book.not_treated),
        controls=book.plan.controls,
        gas_kg=_cylinder_loss_kg(book, held_kg),
        scorch_m2=sum(item.scorch_m2 for item in real),
        completed=not reason,
        reason=reason,
    )


def _cylinder_loss_kg(book: Book, held_kg: float) -> float:
    first = book.first.gas_kg if book.first else None
    last = book.last.gas_kg if book.last else None
    if first is None or last is None or not math.isfinite(first) or not math.isfinite(last):
        return held_kg
    return max(first - last, held_kg)

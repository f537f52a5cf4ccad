"""One weed at a stop: decide again on the fresh aim, reach, check, write the intent, heat, write the result."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from swardwright.domain.dwell import Pattern, dwell_for
from swardwright.domain.event import Heat, Light, NotTreated, Reach
from swardwright.domain.pattern import CROWN_SHARE, pattern_for
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Hold, Stop
from swardwright.domain.robot import RobotState
from swardwright.domain.site import Kind, Site
from swardwright.domain.weed import Aim, Register
from swardwright.running.book import CUT, LIGHTING, Book, Data, RoundEndsError, Talk, ask, cleared, note, skip
from swardwright.running.given import Given, credible, kind_to_treat
from swardwright.running.interlocks import about_aim, carried_over, landing_m, may_heat, spared_doses_kg_m2
from swardwright.running.journal import INTENT, POINT, POINTS, RESULT, SPARED


def heat_weed(
    book: Book, register: Register, permit: Permit, site: Site, stop: Stop, planned: Hold, aims: tuple[Aim, ...]
) -> Talk[None]:
    """Treat one weed, or say why not.

    The pattern is decided again on the fresh aim. A ring of which a point is out of reach, or that an interlock refuses
    for this weed, gives way to a single hold where that is worth giving.
    """
    found = [a for a in aims if a.weed_id == planned.weed_id]
    if len(found) > 1:
        yield from skip(book, stop, planned, "the fresh look gives it more than one place")
        return
    aim = found[0] if found else None
    text = "the fresh look did not find it" if aim is None else about_aim(aim, site)
    kind = None if aim is None else kind_to_treat(aim, site)
    if aim is None or kind is None or text is not None:
        yield from skip(book, stop, planned, text or "its kind is not in the site file")
        return
    reason = ""
    for pattern in _offers(aim, kind, site):
        if not pattern.worth_giving:
            reason = reason or pattern.reason
            continue
        hold = _shaped(planned, aim, pattern)
        first, *others = hold.points_m
        reached = yield from ask(book, Reach(hold.weed_id, first, tuple(others)))
        if not reached.ok:
            reason = reason or f"out of reach: {reached.reason}"
            continue
        if not book.lit:
            yield from cleared(book, permit, site)
            yield from note(book, LIGHTING, stop=stop)
            book.lit = True
            yield from ask(book, Light(True))
        state = yield from cleared(book, permit, site)
        in_view = (*aims, *carried_over(register, aims, state, site))
        hindrance = may_heat(state, aim, hold, book.plan, permit, site, in_view=in_view, given_kg_m2=book.given_kg_m2)
        if hindrance is None:
            yield from _heat_points(book, register, permit, site, stop, hold, aim, kind, state, aims)
            return
        if hindrance.ends_round:
            raise RoundEndsError(str(hindrance))
        reason = reason or str(hindrance)
    yield from skip(book, stop, planned, reason)


def _offers(aim: Aim, kind: Kind, site: Site) -> list[Pattern]:
    """Return the pattern wanted, and after a ring the single hold."""
    head, limits, radius_m = site.rig.head, site.limits, CROWN_SHARE * aim.radius_m
    wanted = pattern_for(head, kind, aim.covariance_m2, limits, radius_m)
    if len(wanted.offsets_m) == 1:
        return [wanted]
    return [wanted, dwell_for(head, kind, aim.covariance_m2, limits, radius_m)]


def _shaped(planned: Hold, aim: Aim, pattern: Pattern) -> Hold:
    place = (float(aim.mean_m[0]), float(aim.mean_m[1]))
    return replace(
        planned, aim_base_m=place, offsets_m=pattern.offsets_m, ring_rad=(), ring_s=0.0, hold_s=pattern.hold_s,
        gas_kg=pattern.gas_kg, kill=pattern.kill, scorch_m2=pattern.scorch_m2,
    )  # fmt: skip


def _heat_points(
    book: Book, register: Register, permit: Permit, site: Site, stop: Stop, hold: Hold, aim: Aim, kind: Kind,
    state: RobotState, aims: tuple[Aim, ...],
) -> Talk[None]:  # fmt: skip
    """Heat point after point; the first is reached and checked. What was given stands, however far it came."""
    given = Given()
    yield from _heat(book, register, site, stop, hold, aim, kind, state, aims, given)
    for point, place in enumerate(hold.points_m[1:], start=1):
        reached = yield from ask(book, Reach(hold.weed_id, place))
        text = None if reached.ok else f"out of reach: {reached.reason}"
        if text is None:
            state = yield from cleared(book, permit, site)
            in_view = (*aims, *carried_over(register, aims, state, site))
            hindrance = may_heat(state, aim, hold, book.plan, permit, site, in_view=in_view,
                                 given_kg_m2=book.given_kg_m2, point=point)  # fmt: skip
            if hindrance is not None and hindrance.ends_round:
                raise RoundEndsError(str(hindrance))
            text = None if hindrance is None else str(hindrance)
        if text is not None:
            data: Data = {"reason": text, POINT: float(point + 1), POINTS: float(len(hold.offsets_m))}
            yield from note(book, CUT, stop=stop, hold=hold, data=data)
            return
        yield from _heat(book, register, site, stop, hold, aim, kind, state, aims, given)


def _heat(
    book: Book, register: Register, site: Site, stop: Stop, hold: Hold, aim: Aim, kind: Kind, state: RobotState,
    aims: tuple[Aim, ...], given: Given,
) -> Talk[None]:  # fmt: skip
    point, points = len(given.heated_s), len(hold.offsets_m)
    x, y = hold.points_m[point]
    which: Data = {POINT: float(point + 1), POINTS: float(points)} if points > 1 else {}
    intent: Data = {
        **which,
        "seconds": hold.hold_s,
        "x_base_m": x,
        "y_base_m": y,
        "sigma_m": math.sqrt(max(float(np.linalg.eigvalsh(aim.covariance_m2).max()), 0.0)),
        "kill": hold.kill,
    }
    in_view = (*aims, *carried_over(register, aims, state, site))
    wanted = spared_doses_kg_m2(state, hold.hold_s, site, in_view)
    intent |= {f"{SPARED}{weed_id}": dose for weed_id, dose in wanted.items() if dose > 0.0}
    try:
        yield from note(book, INTENT, stop=stop, hold=hold, data=intent)
    except RoundEndsError as end:
        # The journal may hold the intent, but no heat was commanded: say so, so that it does not stay unknown.
        yield from note(book, RESULT, stop=stop, hold=hold, data={**which, "heated_s": 0.0, "reason": str(end)})
        raise
    book.pending = (stop, hold)
    answer = yield Heat(hold.weed_id, hold.hold_s)
    report = answer.heat
    if report is None or not credible(report, hold, site):
        raise RoundEndsError(f"what the heat did is not known: {answer.reason or 'no credible report'}")
    landing, _, _ = landing_m(state, site)
    given.add(landing, report)
    got = given.treated(site, stop, hold, aim, kind)
    if report.heated_s > 0.0:
        book.treated[hold.weed_id] = got
        for weed_id, dose in spared_doses_kg_m2(state, report.heated_s, site, in_view).items():
            book.given_kg_m2[weed_id] = book.given_kg_m2.get(weed_id, 0.0) + dose
    elif hold.weed_id not in book.treated:
        why = report.reason or answer.reason or "the robot says that no flame was given"
        book.not_treated.append(NotTreated(hold.weed_id, stop.id, why))
    book.pending = None
    result: Data = {
        **which,
        "heated_s": report.heated_s,
        "gas_kg": report.gas_kg,
        "dose_kg_m2": got.dose_kg_m2,
        "kill": got.kill,
        "scorch_m2": got.scorch_m2,
        "completed": report.completed,
        "reason": report.reason,
    }
    yield from note(book, RESULT, stop=stop, hold=hold, data=result)
    book.see(answer.state)
    if not (answer.ok and report.completed):
        raise RoundEndsError(f"the heat was cut short: {report.reason or answer.reason or 'no reason given'}")

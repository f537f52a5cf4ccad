"""Planning: where to park the base, what it reaches from there, how long to hold, what to bring, what is refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from swardwright.domain.plan import Plan, Refused, Stop
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.planning.looks import FOUND, look_offer, looks_note
from swardwright.planning.motion import way_between, way_over
from swardwright.planning.reach import check_rig, posture_over
from swardwright.planning.trajectory import Timed, sample_stop, timed_way


def plan_round(
    register: Register, site: Site, *, plan_id: str, seed: int, at_s: float | None = None,
    controls: Sequence[str] | None = None, found: float | None = None, workers: int = 1,
    progress: Callable[[str, int, int], None] | None = None,
) -> Plan:  # fmt: skip
    """Plan one round from the register.

    Choose the weeds that may be heated and their dwell; leave some as controls; park at the fewest stops that reach
    them; order the drive and the holds; add up gas, battery and time. Every weed of the register comes out exactly
    once: in a hold, among the controls, or refused with its reason.

    Parameters
    ----------
    seed : int
        For the draw of the controls and the order searches; the same seed gives the same plan.
    at_s : float | None
        A moment of the day of the round (Unix time), for its daylight; None: days have no end.
    controls : sequence of str, optional
        Weeds to leave untreated where they could be treated, so that two plans can be compared; None: a draw.
    found : float | None
        Probability that one picture finds a weed that it shows, of the detector's card; None: a usual one.
    workers : int
        Processes that share the work inside many stops (:mod:`planning.share`); the plan is the same for any number.
    progress : callable, optional
        Told which part of the work is on, how many of its pieces are done, and of how many.

    Raises
    ------
    RobotModelError
        If the arm cannot carry the head: links missing, too few joints, postures of another length, look postures that
        it cannot come to without a strike.
    SiteError
        If the base starts on a keep-out, or a look posture does not look at the ground.
    RefusedError
        If the cylinders give no gas, or the day no light.
    """
    from swardwright.planning.choose import choose, draw_controls, places
    from swardwright.planning.daylight import working_day_s
    from swardwright.planning.ground import free_ground
    from swardwright.planning.holds import park, work_stops
    from swardwright.planning.reach_map import reach_map
    from swardwright.planning.remarks import remarks, why_no_stop
    from swardwright.planning.route import drive_round
    from swardwright.planning.stops import offer_stops
    from swardwright.planning.supplies import check_supplies, count_supplies

    tell = progress or (lambda _part, _done, _of: None)
    check_rig(site.rig)
    check_supplies(site)
    day_s = working_day_s(site, at_s)
    rng = np.random.default_rng(seed)
    candidates, refused = choose(register, site)
    tell("reach", 0, 1)
    ground, reach = free_ground(site), reach_map(site.rig)

    tell("places", 0, 1)
    offered = offer_stops(site, ground, reach, places(candidates))
    served = offered.served
    refused += [why_no_stop(c, ground, reach) for c, ok in zip(candidates, served, strict=True) if not ok]
    treatable = np.flatnonzero(served)
    control = draw_controls(len(treatable), site.limits.control_fraction, rng)
    if controls is not None:
        control = np.array([candidates[i].weed.id in controls for i in treatable], dtype=bool)
    left_alone = tuple(candidates[i].weed.id for i in treatable[control])
    heated = treatable[~control]
    weeds = [candidates[i] for i in heated]
    if weeds:
        look_offer(site.rig)  # for all processes, and for its faults

    tell("stops", 0, 1)
    parked = park(site.rig, reach, offered.columns(heated), places(weeds), workers=workers)
    refused += [
        Refused(weeds[i].weed.id, "the arm has no collision-free posture over it from its stop") for i in parked.unposed
    ]
    found = FOUND if found is None else found
    worked = work_stops(site.rig, parked, weeds, rng, found=found, workers=workers,
                        done=lambda k, of: tell("holds", k, of))  # fmt: skip
    refused += worked.refused
    reached = {hold.weed_id for holds in worked.holds for hold in holds}

    tell("route", 0, 1)
    bases = [BasePose(*(float(v) for v in offered.poses[row])) for row in worked.rows]
    drive = drive_round(site.rig.base, ground, site.start, bases, rng)
    stops = tuple(
        Stop(f"{plan_id}-s{number:02d}", bases[place], worked.holds[place], worked.looks[place].joints_rad)
        for number, place in enumerate(drive.order, start=1)
    )
    arm_s = [worked.arm_s[place] for place in drive.order]
    route = [(site.start.x_m, site.start.y_m)]
    route += [(float(x), float(y)) for leg in drive.legs for x, y in leg.way_m[1:]]
    left = [w for w in weeds if w.weed.id in reached]
    notes = remarks(site, left, ground, reach, len(stops), worked.bound)
    return Plan(
        id=plan_id, register_revision=register.revision, start=site.start, stops=stops, stops_bound=worked.bound,
        route_m=tuple(route), supplies=count_supplies(site, stops, drive.legs, arm_s, day_s=day_s),
        refused=tuple(refused), controls=left_alone,
        notes=(*notes, *looks_note(site.rig, worked.looks, len(left), found)), drive_bound_s=drive.bound_s,
        overlooked=sum(way.unseen for way in worked.looks),
    )  # fmt: skip


def cut_plan(plan: Plan, site: Site, limit: str) -> Plan:
    """Return the plan cut where one working day, the gas or the batteries carried end (``time``, ``gas``, ``battery``).

    What is left is among the refused, with the reason.
    """
    from swardwright.planning.supplies import cut_plan

    return cut_plan(plan, site, limit)


def drive_way(site: Site, here: BasePose, target: BasePose) -> tuple[BasePose, ...]:
    """Return the poses to drive through from ``here`` to ``target`` (last), straight between them, round keep-outs.

    Raises
    ------
    RefusedError
        If no way leads round the keep-outs.
    """
    from swardwright.planning.ground import free_ground
    from swardwright.planning.route import way_to

    return way_to(free_ground(site), here, target)


def survey_lanes(site: Site) -> tuple[tuple[BasePose, ...], ...]:
    """Return base poses along parallel lanes, alternating in direction, so that the survey camera sees all zones.

    The base may leave a zone but enters no keep-out.
    """
    from swardwright.planning.lanes import lanes_over

    check_rig(site.rig)
    return lanes_over(site)


__all__ = [
    "Timed", "cut_plan", "drive_way", "plan_round", "posture_over", "sample_stop", "survey_lanes", "timed_way",
    "way_between", "way_over",
]  # fmt: skip

"""The sweep plan: nothing is known yet, so the stops cover the ground, and what is treated is decided at each.

From site and rig alone. What the plan promises: every point of the ground to treat, but for what is reported as left
out, is seen by a look *and* surely reached from one of the stops (:mod:`planning.sweep_cover` says what that rests on),
as long as the base stands where it believes. What it cannot know, how many weeds there are, it assumes and says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError, RefusedError
from swardwright.domain.pattern import CROWN_SHARE, MOVE_S, pattern_for
from swardwright.domain.plan import Hold, Load, Plan, Refused, Stop, Supplies
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Rig, Site
from swardwright.planning.choose import general_refusal
from swardwright.planning.daylight import working_day_s
from swardwright.planning.ground import free_ground
from swardwright.planning.looks import all_looks, look_offer
from swardwright.planning.motion import lift
from swardwright.planning.pace import piece_s
from swardwright.planning.reach import check_rig
from swardwright.planning.reach_map import ReachMap, reach_map
from swardwright.planning.remarks import no_stop_reason
from swardwright.planning.route import Leg, drive_round
from swardwright.planning.supplies import LIMITS, add_up, check_supplies, count_supplies, cut_plan, doubts
from swardwright.planning.sweep_cover import cover_ground
from swardwright.planning.sweep_ground import SweepGround, cut_ground, served_from_stop
from swardwright.planning.view import fresh_look_covariance_m2

#: weeds per square metre that supplies are reckoned for where nobody says better (common practice, no source)
DENSITY_M2 = 1.0
#: radius of the plants that supplies are reckoned for, m (common practice, no source)
_PLANT_M = 0.03
#: pieces of ground left out that are smaller are summed up, m2
_PIECE_M2 = 0.01


def plan_sweep(
    site: Site, *, plan_id: str, seed: int, at_s: float | None = None, density_m2: float = DENSITY_M2,
    register_revision: int = 0, limit: str | None = None,
) -> Plan:  # fmt: skip
    """Plan a round of looking and treating over ground of which nothing is known.

    Parameters
    ----------
    seed : int
        For the places of the lattices and the order of the drive.
    at_s : float | None
        A moment of the day of the round (Unix time), for its daylight; None: days have no end.
    density_m2 : float
        Weeds to treat per square metre, for the supplies.
    register_revision : int
        The register that the run is to start from; 0: an empty one.
    limit : str | None
        Cut the plan where ``time``, ``gas`` or ``battery`` end; the ground of the stops behind is left out.

    Returns
    -------
    Plan
        ``sweep`` true, stops without holds; what no stop can serve among ``refused``, with place, area and reason.

    Raises
    ------
    InputError
        If the density is no number of weeds.
    RefusedError
        If nothing of the ground can be served, with the reason.
    RobotModelError, SiteError
        As ``plan_round``.
    """
    if not 0.0 <= density_m2 < math.inf:
        raise InputError("not a density of weeds", field="--density", value=density_m2, limit="0 or more per m2",
                         remedy="count the weeds in a few square metres")  # fmt: skip
    check_rig(site.rig)
    check_supplies(site)
    day_s = working_day_s(site, at_s)
    rng = np.random.default_rng(seed)
    free, reach = free_ground(site), reach_map(site.rig)
    ground = cut_ground(site, free, served_from_stop(site.rig, reach))
    reason = general_refusal(site)
    if not reason and ground.area.area <= 0.0:
        reason = "there is no ground to treat: keep-outs with their stand-off leave nothing of the zones"
    if not reason and not ground.cells.todo.any():
        reason = no_stop_reason(free, reach, _inside(ground.outline(ground.left_out)))
    if reason:
        raise RefusedError(f"no ground can be swept: {reason}", where=site.name,
                           remedy="see what the reason names: site.toml or robot.urdf")  # fmt: skip
    look_offer(site.rig)  # for its faults
    chosen, bound = cover_ground(ground.cells, rng)
    bases = [BasePose(*(float(v) for v in pose)) for pose in ground.poses(chosen)]
    drive = drive_round(site.rig.base, free, site.start, bases, rng)
    stops = tuple(Stop(f"{plan_id}-s{number:03d}", bases[row], ()) for number, row in enumerate(drive.order, start=1))
    shares = _new_ground_m2(ground, [chosen[row] for row in drive.order])
    refused, left_m2 = _left_out(ground, lambda piece: no_stop_reason(free, reach, _inside(piece)))
    route = [(site.start.x_m, site.start.y_m)]
    route += [(float(x), float(y)) for leg in drive.legs for x, y in leg.way_m[1:]]
    notes = (
        f"{len(stops)} stops are planned; fewer than {bound} cannot do, by area: whole stops overlap",
        f"supplies are reckoned for {density_m2:g} weeds per m2 (--density), a flame lit at every stop: judge by "
        "what the first stops find",
        "the stops cover the ground if the base stands where it believes: off by some centimetres, the seams between "
        "stops stay unseen by as much",
        *(("keep-outs cut the ground: only the part that the base can drive to from its start is swept",)
          if free.cut_off else ()),
        *doubts(site),
    )  # fmt: skip
    plan = Plan(
        id=plan_id, register_revision=register_revision, start=site.start, stops=stops, stops_bound=bound,
        route_m=tuple(route), supplies=_supplies(site, reach, stops, drive.legs, shares * density_m2, day_s),
        refused=refused, controls=(), notes=notes, drive_bound_s=drive.bound_s, sweep=True, density_m2=density_m2,
        ground_m2=float(ground.area.area), left_out_m2=left_m2,
    )  # fmt: skip
    return plan if limit is None else _cut(plan, site, limit, shares)


def _cut(plan: Plan, site: Site, limit: str, shares_m2: Array) -> Plan:
    """Return the plan cut where what is carried ends; the ground behind (of each stop its share, n) is left out."""
    cut = cut_plan(plan, site, limit)
    kept = len(cut.stops)
    if kept == len(plan.stops):
        return cut
    last = cut.stops[-1].id
    refused = tuple(
        Refused(stop.id, f"left for later: the {LIMITS[limit]} ends after stop {last}; {share:.2f} m2")
        for stop, share in zip(plan.stops[kept:], shares_m2[kept:], strict=True)
    )
    left_m2 = float(shares_m2[kept:].sum())
    note = (f"cut after stop {kept} of {len(plan.stops)}, where the {LIMITS[limit]} ends: {left_m2:.1f} m2 are left "
            f"for later; the whole sweep needs at least {plan.stops_bound} stops")  # fmt: skip
    return replace(cut, refused=(*plan.refused, *refused), left_out_m2=plan.left_out_m2 + left_m2,
                   notes=(note, *plan.notes))  # fmt: skip


def _new_ground_m2(ground: SweepGround, poses: list[int]) -> Array:
    """Return the ground (n,) that each stop is the first to serve, m2."""
    left = ground.cells.todo.copy()
    shares = []
    for pose in poses:
        cells = ground.cells.cells(pose)
        shares.append(left[cells].sum() * ground.cell_m**2)
        left[cells] = False
    out = np.array(shares)
    covered_m2 = ground.area.area - (float(ground.outline(ground.left_out).area) if len(ground.left_out) else 0.0)
    share: Array = out * covered_m2 / out.sum()
    return share  # cells at the rim lie only partly on the ground


def _inside(shape: Any) -> Array:
    """Return a point (2,) within a shape."""
    import shapely

    return np.asarray(shapely.get_coordinates(shapely.point_on_surface(shape))[0])


def _left_out(ground: SweepGround, why: Callable[[Any], str]) -> tuple[tuple[Refused, ...], float]:
    """Return the pieces of ground that no stop serves, the largest first, and their area, m2."""
    import shapely

    if not len(ground.left_out):
        return (), 0.0
    shape = ground.outline(ground.left_out)
    pieces = sorted((p for p in shapely.get_parts(shape) if p.area > 0.0), key=lambda p: -p.area)
    large = [p for p in pieces if p.area >= _PIECE_M2]
    refused = []
    for number, piece in enumerate(large, start=1):
        west, south, east, north = piece.bounds
        refused.append(Refused(
            f"ground-{number}",
            f"no stop both sees and reaches this ground: {piece.area:.2f} m2 within x {west:.2f} to {east:.2f} m, "
            f"y {south:.2f} to {north:.2f} m; {why(piece)}",
        ))  # fmt: skip
    rest = sum(p.area for p in pieces[len(large) :])
    if rest > 0.0:
        scraps = f"{rest:.3f} m2 in {len(pieces) - len(large)} scraps; {why(pieces[-1])}"
        refused.append(Refused(f"ground-{len(large) + 1}", f"no stop both sees and reaches this ground: {scraps}"))
    return tuple(refused), float(shape.area)


def _supplies(
    site: Site, reach: ReachMap, stops: tuple[Stop, ...], legs: list[Leg], weeds: Array, day_s: float
) -> Supplies:  # fmt: skip
    """Return what the sweep takes with the expected number of weeds (n,) at each stop.

    What a stop takes grows linearly with its holds, so it is what it takes without any, and so many times what one
    more takes: a hold with the mean gas and dwell of the kinds to treat, after a mean motion of the arm.
    """
    hold = _usual_hold(site, reach)
    looking = all_looks(site.rig).time_s
    rest = np.array(site.rig.rest_joints_rad)
    looking += float(piece_s(site.rig, np.array(site.rig.look_joints_rad[-1]), rest))
    none = count_supplies(site, stops, legs, [looking] * len(stops), day_s=day_s).loads
    treated = tuple(replace(stop, holds=(hold,)) for stop in stops)
    one = count_supplies(site, treated, legs, [looking + hold.move_s] * len(stops), day_s=day_s).loads
    loads = tuple(_between(a, b, float(n)) for a, b, n in zip(none, one, weeds, strict=True))
    return add_up(site, stops, loads, day_s)


def _between(none: Load, one: Load, count: float) -> Load:
    names = ("gas_hold_kg", "gas_pilot_kg", "energy_j", "arm_s", "heat_s")
    more = {n: getattr(none, n) + count * (getattr(one, n) - getattr(none, n)) for n in names}
    return replace(none, **more)


def _usual_hold(site: Site, reach: ReachMap) -> Hold:
    """Return a hold with the mean dwell over the kinds to treat and the mean time from place to place.

    The points of rings are counted into one dwell, and the moves between them into the way to it.
    """
    head, covariance = site.rig.head, fresh_look_covariance_m2(site.rig)
    radius_m = CROWN_SHARE * _PLANT_M
    patterns = [pattern_for(head, kind, covariance, site.limits, radius_m) for kind in site.kinds if kind.treat]
    patterns = [pattern for pattern in patterns if pattern.worth_giving]
    move_s = _usual_move_s(site.rig, reach)
    if not patterns:
        return Hold("usual", (0.0, 0.0), site.rig.rest_joints_rad, 0.0, 0.0, 0.0, 0.0, move_s)
    points = np.array([len(p.offsets_m) for p in patterns])
    heat_s = float(np.mean(points * np.array([p.hold_s for p in patterns])))
    move_s += float(np.mean(np.where(points > 1, (points + 1) * MOVE_S, 0.0)))
    gas_kg, kill, scorch = (float(np.mean([getattr(p, n) for p in patterns])) for n in ("gas_kg", "kill", "scorch_m2"))
    return Hold("usual", (0.0, 0.0), site.rig.rest_joints_rad, heat_s, gas_kg, kill, scorch, move_s)


def _usual_move_s(rig: Rig, reach: ReachMap) -> float:
    """Return the mean time of lifting, going and lowering between neighbours among a score of places in reach, s."""
    cells = np.argwhere(reach.sure)
    some = reach.joints_rad[tuple(cells[:: math.ceil(len(cells) / 20)].T)]
    over = lift(rig, some)
    times = piece_s(rig, some[:-1], over[:-1]) + piece_s(rig, over[:-1], over[1:]) + piece_s(rig, over[1:], some[1:])
    return float(np.mean(times)) if len(times) else 0.0

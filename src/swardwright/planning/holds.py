"""Inside the stops: which stop treats which weed, the exact posture over it, and the order of the holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.dwell import Pattern
from swardwright.domain.plan import Hold, Refused
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.choose import Candidate, turned
from swardwright.planning.looks import FOUND, LookWay, choose_looks
from swardwright.planning.motion import Motion
from swardwright.planning.order import order_work
from swardwright.planning.reach import cones_rad, posture_over, solve, usable
from swardwright.planning.reach_map import ReachMap
from swardwright.planning.rings import ring_about
from swardwright.planning.share import shared
from swardwright.planning.stops import Offered, cover_offered, greedy_cover, in_base_axes, stands_on
from swardwright.planning.tiles import price_bound

#: what there is to do at a stop: weeds with patterns, aims (2,) in base axes, joints (dof,)
Todo = list[tuple[Candidate, Array, Array]]
Assigned = dict[int, list[tuple[int, Array, Array]]]
#: covers solved again with the pairs of stop and weed taken out that have no exact posture, before stops are added
_TRIES = 3


@dataclass(frozen=True, eq=False)
class Parked:
    """Where to park and what is done from there.

    Attributes
    ----------
    chosen : list[int]
        Rows of the offered stops.
    bound : int
        Proven: no fewer of the offered stops serve the weeds of ``work``.
    work : Assigned
        By place in ``chosen``.
    unposed : list[int]
        Weeds that are refused: no offered stop has an exact posture over them.
    yaw_rad : list[float]
        Heading of the base, by place in ``chosen``.
    """

    chosen: list[int]
    bound: int
    work: Assigned
    unposed: list[int]
    yaw_rad: list[float]


def park(rig: Rig, reach: ReachMap, offered: Offered, weeds_m: Array, *, workers: int = 1) -> Parked:
    """Choose stops for which every weed has an exact posture, and prove how few could do.

    The reach map that offers the stops is a grid, so a weed may have no exact posture from the stops chosen. Then those
    pairs of stop and weed are taken out and the cover is solved again. After a few tries, on large sites at once (every
    new cover would bring new misses), the cover is kept and stops are added for the missed weeds; only a weed over
    which no offered stop has an exact posture is refused. The
    bound is the last cover's: a bound that counted a refused weed would prove nothing about the weeds that are left.
    """
    attempt = 0
    while True:
        attempt += 1
        served = np.flatnonzero(offered.served)
        left = offered.columns(served)
        chosen, bound = cover_offered(left, weeds_m[served], workers=workers)
        work, missed = assign(rig, reach, left, chosen, weeds_m[served])
        large, hopeless = left.prices is not None, list[int]()
        if missed and (large or attempt > _TRIES):
            chosen, hopeless = add_stops(rig, reach, left, chosen, work, missed, weeds_m[served])
            missed = []
        if missed or (hopeless and not large):
            stops = chosen if missed else list(range(len(offered.poses)))
            offered = offered.without(stops, [int(served[w]) for w in missed or hopeless])
            continue
        kept = np.setdiff1d(np.arange(len(served)), hopeless)
        if hopeless and left.prices is not None:
            bound = min(price_bound(left.prices[kept]), len(chosen)) if kept.size else 0
        named = {place: [(int(served[w]), aim, q) for w, aim, q in items] for place, items in work.items()}
        yaws = [float(offered.poses[row, 2]) for row in chosen]
        return Parked(chosen, bound, named, sorted(set(range(len(weeds_m))) - set(served[kept].tolist())), yaws)


def add_stops(
    rig: Rig, reach: ReachMap, offered: Offered, chosen: list[int], work: Assigned, missed: list[int], weeds_m: Array
) -> tuple[list[int], list[int]]:
    """Add stops for the weeds that have no exact posture from those chosen; ``work`` gets what is done there.

    Every turn takes out the pairs of the stops tried and the weeds still missed, so it ends.

    Returns
    -------
    tuple[list[int], list[int]]
        Rows of all stops, those chosen first; the weeds that no offered stop has an exact posture over.
    """
    tried, hopeless = list(chosen), list[int]()
    while missed:
        offered = offered.without(tried, missed)
        served = offered.served
        hopeless += [w for w in missed if not served[w]]
        todo = np.array([w for w in missed if served[w]], dtype=np.int64)
        if not todo.size:
            break
        part = offered.columns(todo)
        rows = np.unique(part.good.tocoo().coords[0])
        tried = [int(rows[k]) for k in greedy_cover(part.good[rows].toarray() > 0.0)]
        found, left = assign(rig, reach, part, tried, weeds_m[todo])
        for place, items in found.items():
            work[len(chosen) + place] = [(int(todo[w]), aim, joints) for w, aim, joints in items]
        chosen = [*chosen, *tried]
        missed = [int(todo[w]) for w in left]
    return chosen, sorted(hopeless)


def assign(
    rig: Rig, reach: ReachMap, offered: Offered, chosen: list[int], weeds_m: Array
) -> tuple[Assigned, list[int]]:
    """Give each weed to the chosen stop where it is best reached, and find the posture over it.

    A weed goes to a stop that does not stand on it where there is one. Where no exact posture is found at a stop, the
    next best stop is tried.

    Returns
    -------
    tuple[Assigned, list[int]]
        For each stop (its place in ``chosen``) the weeds' columns, aims (2,) in base axes and joints (dof,);
        the weeds for which no stop has a posture.
    """
    pairs = offered.good[chosen].tocoo()
    place, weed = (axis.astype(np.int64) for axis in pairs.coords)
    aims = in_base_axes(offered.poses[chosen][place], weeds_m[weed][:, None])[:, 0]
    worth = pairs.data - 2.0 * stands_on(rig.base, aims)
    order = np.lexsort((place, -worth, weed))  # weed by weed, the best stop first
    place, weed, aims = place[order], weed[order], aims[order]
    now = np.searchsorted(weed, np.arange(len(weeds_m)))
    end = np.searchsorted(weed, np.arange(len(weeds_m)), side="right")
    result: Assigned = {stop: [] for stop in range(len(chosen))}
    while (todo := np.flatnonzero(now < end)).size:
        joints = _postures(rig, reach, aims[now[todo]])
        for row, pair in enumerate(now[todo]):
            if not np.isnan(joints[row, 0]):
                result[int(place[pair])].append((int(weed[pair]), aims[pair], joints[row]))
        posed = ~np.isnan(joints[:, 0])
        now[todo[~posed]] += 1
        end[todo[posed]] = -1
    return result, [int(w) for w in np.flatnonzero(end >= 0)]


def _postures(rig: Rig, reach: ReachMap, aims_m: Array) -> Array:
    """Return exact postures (n, dof) over aims, started from the reach map's; NaN rows where there is none."""
    starts = np.array([reach.posture(aim) for aim in aims_m])
    out = np.full_like(starts, np.nan)
    for cone in cones_rad(rig):
        left = np.flatnonzero(np.isnan(out[:, 0]))
        if left.size:
            joints, arrived = solve(rig, aims_m[left], starts[left], cone)
            good = usable(rig, joints, arrived)
            out[left[good]] = joints[good]
    for row in np.flatnonzero(np.isnan(out[:, 0])):
        posture = posture_over(rig, (float(aims_m[row, 0]), float(aims_m[row, 1])), tuple(starts[row]))
        if posture is not None:
            out[row] = posture
    return out


@dataclass(frozen=True, eq=False)
class Worked:
    """What is done at the stops.

    Attributes
    ----------
    rows : list[int]
        Rows of the offered stops at which something is done.
    holds : list[tuple[Hold, ...]]
        At each of them, in the order of least arm time; never none.
    looks : list[LookWay]
        The looks before them.
    arm_s : list[float]
        Time of the arm's motions there, looks included.
    refused : list[Refused]
        Weeds to which no motion leads.
    bound : int
        Proven: no fewer of the offered stops serve the weeds of the holds.
    """

    rows: list[int]
    holds: list[tuple[Hold, ...]]
    looks: list[LookWay]
    arm_s: list[float]
    refused: list[Refused]
    bound: int


def work_stops(
    rig: Rig, parked: Parked, weeds: list[Candidate], rng: np.random.Generator, *, found: float = FOUND,
    workers: int = 1, done: Callable[[int, int], None] | None = None,
) -> Worked:  # fmt: skip
    """Order the holds of all stops; a stop to none of whose weeds a motion leads is left out.

    The stops are independent, so they are shared over ``workers`` processes; each has draws of its own, so that the
    result is the same however many processes there are. A weed that is refused could have been the only reason for one
    of the least stops, not for more: so the bound of the others is lower by one for each.
    """
    work = [(place, items) for place, items in parked.work.items() if items]
    given = [[(weeds[w], aim, joints) for w, aim, joints in items] for _, items in work]
    yaws = [parked.yaw_rad[place] for place, _ in work]
    tasks = [(*one, found) for one in zip(given, rng.spawn(len(given)), yaws, strict=True)]
    made = shared(_work, rig, tasks, workers=workers, done=done)
    kept = [k for k, one in enumerate(made) if one.holds]
    refused = [one for each in made for one in each.refused]
    bound = max(parked.bound - len(refused), 1) if kept else 0
    rows = [parked.chosen[work[k][0]] for k in kept]
    each = [made[k] for k in kept]
    return Worked(rows, [m.holds for m in each], [m.looks for m in each], [m.arm_s for m in each], refused, bound)


@dataclass(frozen=True)
class StopHolds:
    """What is done at one stop: looks, holds in the order of least arm time, that time, and weeds without a motion."""

    looks: LookWay
    holds: tuple[Hold, ...]
    arm_s: float
    refused: list[Refused]


def _work(rig: Rig, given: tuple[Todo, np.random.Generator, float, float]) -> StopHolds:
    """Choose the looks of a stop with the order of its holds."""
    work, rng, yaw_rad, found = given
    near = [aim + turned(candidate.spared_m, -yaw_rad) for candidate, aim, _ in work]
    ways = choose_looks(rig, np.array([aim for _, aim, _ in work]), np.concatenate(near), found)
    return order_holds(rig, work, rng, yaw_rad, ways)


def order_holds(
    rig: Rig, work: Todo, rng: np.random.Generator, yaw_rad: float, looks: Sequence[LookWay]
) -> StopHolds:  # fmt: skip
    """Return the holds of one stop in the order of least arm time.

    The arm comes from the last of its looks and ends at rest; looks and the way to the first are counted too. Looks,
    order and postures are chosen together (``order.order_work``), every motion is checked for collision. Where the arm
    cannot go round a ring from the posture chosen, the weed gets its single hold, or is refused and the others are
    ordered anew.

    Parameters
    ----------
    work : Todo
        Weed with its pattern, aim (2,) in base axes, joints (dof,).
    yaw_rad : float
        Heading of the base: patterns are in ground axes.
    looks : Sequence[LookWay]
        Looks on offer, one of them is taken; none: the arm comes from rest.
    """
    rest = np.array(rig.rest_joints_rad)
    ways = list(looks) or [LookWay((), 0.0, 0.0, 0.0)]
    begins = np.array([way.joints_rad[-1] if way.joints_rad else rig.rest_joints_rad for way in ways])
    lead_s = np.array([way.lead_s for way in ways])
    refused: list[Refused] = []
    while True:
        aims, joints = np.array([aim for _, aim, _ in work]), np.array([q for _, _, q in work])
        done = order_work(rig, aims, joints, begins, rest, rng, lead_s)
        holds: list[Hold] = []
        unringed: list[int] = []
        for row, posture, motion in zip(done.order, done.joints_rad, done.motions, strict=False):
            hold = _hold(rig, work[row][0], work[row][1], posture, motion, yaw_rad)
            unringed += [row] if hold is None else []
            holds += [] if hold is None else [hold]
        if not unringed:
            break
        refused += [Refused(work[row][0].weed.id, _NO_RING) for row in unringed]
        work = [one for row, one in enumerate(work) if row not in unringed]
    refused += [Refused(work[row][0].weed.id, reason) for row, reason in sorted(done.refused.items())]
    moving = sum(motion.time_s for motion in done.motions) + sum(hold.ring_s for hold in holds)
    way = ways[done.begin]
    return StopHolds(way, tuple(holds), way.time_s + moving, refused)


_NO_RING = (
    "the arm cannot go round the ring of holds that it needs from its stop, and a single hold is not worth giving or "
    "not allowed: treat it by hand"
)


def _hold(
    rig: Rig, candidate: Candidate, aim_m: Array, posture: Array, motion: Motion, yaw_rad: float
) -> Hold | None:  # fmt: skip
    """Return the hold of one weed, a ring where the arm can go round it; None where nothing can be given."""
    pattern: Pattern | None = candidate.pattern
    ring = None
    if len(candidate.pattern.offsets_m) > 1:
        ring = ring_about(rig, aim_m, posture, candidate, yaw_rad)
        pattern = candidate.single if ring is None else candidate.pattern
    if pattern is None:
        return None
    return Hold(
        candidate.weed.id, (float(aim_m[0]), float(aim_m[1])), tuple(float(q) for q in posture),
        pattern.hold_s, pattern.gas_kg, pattern.kill, pattern.scorch_m2, motion.time_s,
        tuple(tuple(float(q) for q in via) for via in motion.way_rad[1:-1]),
        offsets_m=((0.0, 0.0),) if ring is None else tuple((float(x), float(y)) for x, y in ring.offsets_m),
        ring_rad=() if ring is None else tuple(tuple(float(q) for q in over) for over in ring.joints_rad),
        ring_s=0.0 if ring is None else ring.time_s,
    )  # fmt: skip

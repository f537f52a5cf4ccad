"""Inside a stop: time against a plain order, strikes by an outside judge, and how much of the reach is found."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from benchmarks._arm_oracle import DRAWN, MOUNT_M, OUTSIDE, Replay, Searcher, drawn_rig, outside_rig, outside_urdf
from benchmarks._plan_route import large_site
from swardwright.domain.plan import Plan
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Rig, Site, Zone
from swardwright.domain.weed import Register, Weed
from swardwright.planning import plan_round
from swardwright.planning.cylinder import lightings
from swardwright.planning.looks import (
    FOUND,
    PICTURE_S,
    LookWay,
    all_looks,
    choose_looks,
    look_offer,
    looks_taken,
)
from swardwright.planning.motion import Motion, lift, move
from swardwright.planning.order import exact_path, order_work
from swardwright.planning.pace import Pace, pace, paced_s
from swardwright.planning.reach import (
    cones_rad,
    heat_off_base,
    nearest_starts,
    posture_over,
    postures_over,
    solve,
    travel_s,
    usable,
)
from swardwright.planning.reach_map import CELL_M, reach_map
from swardwright.planning.trajectory import stop_paces
from swardwright.planning.view import seen_from

Figure = dict[str, Any]


#: postures over each weed for ``least_s``, and on how many stops it is asked
_DENSE, _ASKED = 130, 4
_PLAIN = "nearest neighbour, one configuration, all looks"
_STOPPING = "the same stopping at each posture"


def _figure(name: str, value: float, unit: str, bound: Any, holds: bool | None) -> Figure:
    return {"figure": name, "value": float(f"{float(value):.4g}"), "unit": unit, "bound": bound,
            "holds": None if holds is None else bool(holds)}  # fmt: skip


def _rig() -> tuple[Rig, Path, TemporaryDirectory[str]]:
    from swardwright.shell.site_file import load_site
    from swardwright.simulation import write_scenario

    folder = TemporaryDirectory()
    write_scenario(Path(folder.name), 0)
    return load_site(Path(folder.name)).rig, Path(folder.name) / "robot.urdf", folder


def figures(full: bool) -> Iterator[Figure]:
    """Yield the figures of reach and of motions inside a stop."""
    rig, urdf, folder = _rig()
    with folder:
        yield from inside_stops(rig, urdf, 100 if full else 4)
        yield from replayed(rig, urdf, 100 if full else 4)
        yield from reached(rig, urdf, 200 if full else 15)


def draw_stop(rig: Rig, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return random aims (n, 2) in reach of one stop, base axes, and a posture over each."""
    cells = np.argwhere(reach_map(rig).sure)
    first = reach_map(rig).first_m
    aims, joints = [], []
    while len(aims) < count:
        aim = first + CELL_M * (cells[rng.integers(len(cells))] + rng.uniform(-0.5, 0.5, 2))
        posture = posture_over(rig, aim, rig.survey_joints_rad)
        if posture is not None:
            aims.append(aim)
            joints.append(posture)
    return np.array(aims), np.array(joints)


def plain_s(rig: Rig, aims: Array, begin: Array, end: Array) -> tuple[float, float]:
    """Return the arm's time in nearest-neighbour order (by distance on the ground) with one fixed configuration.

    Twice: without stops between the pieces of a motion, as the planner's own motions, and stopping at each. The first
    is the fair one, for it differs from the planner's in order and configuration alone; a plain program stops.

    The configuration is the survey posture's: over each aim the posture nearest to it. The same lift, the same detours;
    where no motion is found, straight through, so that the comparison flatters the plain way.
    """
    fixed = [postures_over(rig, aim, rig.survey_joints_rad)[0] for aim in aims]
    left, order = list(range(len(aims))), []
    here = np.zeros(2)
    while left:
        order.append(min(left, key=lambda i: float(np.linalg.norm(aims[i] - here))))
        here = aims[order[-1]]
        left.remove(order[-1])
    going = stopping = 0.0
    for a, b in pairwise([begin, *(fixed[i] for i in order), end]):
        motion = move(rig, a, b, lit=False)
        way = motion.way_rad if isinstance(motion, Motion) else np.stack([a, b])
        going += pace(rig, way).time_s
        stopping += pace(rig, way, smooth=False).time_s
    return going, stopping


def dense_postures(rig: Rig, aim: Array, given: Array) -> Array:
    """Return ``_DENSE`` at most of the usable postures (k, dof) over an aim (2,), spread as far apart as they go.

    From 500 starts and as many shaken finds, straight down and as far tilted as the head may be, needed or not.
    """
    starts, rng = nearest_starts(rig, aim[None], 500)[0], np.random.default_rng(5)
    found = [given[None]]
    for cone in cones_rad(rig):
        for _ in range(2):
            joints, arrived = solve(rig, np.repeat(aim[None], len(starts), axis=0), starts, cone)
            found.append(joints[usable(rig, joints, arrived)])
            if not len(found[-1]):
                break
            starts = found[-1][rng.integers(len(found[-1]), size=500)]
            starts = starts + 0.4 * rng.standard_normal(starts.shape)
    every = np.concatenate(found)
    kept, away = [0], travel_s(rig, every, every[0])
    while len(kept) < min(_DENSE, len(every)):
        kept.append(int(np.argmax(away)))
        away = np.minimum(away, travel_s(rig, every, every[kept[-1]]))
    return every[kept]


def least_s(rig: Rig, aims: Array, given: Array, begin: Array, end: Array) -> float:
    """Return the arm's time in the best order over very many postures, no motion checked: nearly a lower bound.

    The motions are the planner's own, lifted, carried and lowered without a stop. What they must go round, stop for or
    cannot do is left out, and any weed may be given a tilted head, which the planner gives only where straight down
    does not reach: both make it less than any plan by these rules can be. It is not quite a bound because a posture
    between two of these many may be quicker by a little; order and choice over them are exact.
    """
    groups = [dense_postures(rig, aim, joints) for aim, joints in zip(aims, given, strict=True)]
    joints = np.concatenate([begin[None], *groups, end[None]])
    up = joints.copy()
    up[1:-1] = lift(rig, joints[1:-1])
    rows = np.array_split(np.arange(len(joints)), max(1, len(joints) // 60))  # in parts, for their memory
    cost = np.concatenate([paced_s(rig, [joints[part, None], up[part, None], up[None], joints[None]]) for part in rows])
    first = np.cumsum([1, *(len(group) for group in groups)])
    path = exact_path(cost, [np.arange(a, b) for a, b in pairwise(first)])
    return float(sum(cost[a, b] for a, b in pairwise(path)))


def ordering_s(rig: Rig, plan: Plan) -> float:
    """Return the mean processor time of looks and order inside the stops of a planned round, s."""
    end = np.array(rig.rest_joints_rad)
    look_offer(rig)
    begun = time.process_time()
    for stop in plan.stops:
        aims, joints = np.array([h.aim_base_m for h in stop.holds]), np.array([h.joints_rad for h in stop.holds])
        begins, lead_s = _begins(choose_looks(rig, aims, np.empty((0, 2))))
        order_work(rig, aims, joints, begins, end, np.random.default_rng(0), lead_s)
    return (time.process_time() - begun) / len(plan.stops)


def _begins(looks: list[LookWay]) -> tuple[Array, Array]:
    """Return the postures (k, dof) in which looks may end, and what they count (k,), s."""
    return np.array([way.joints_rad[-1] for way in looks]), np.array([way.lead_s for way in looks])


def planned_stops(site: Site, plan: Plan) -> Iterator[Figure]:
    """Time inside the stops of a planned round as the plan reckons it, but for lighting, against the plain way."""
    rig, lit_s = site.rig, site.rig.head.ignition_s
    begin, end, every = np.array(rig.look_joints_rad[-1]), np.array(rig.rest_joints_rad), all_looks(rig)
    ours = going = stopping = lighting = 0.0
    for stop, load in zip(plan.stops, plan.supplies.loads, strict=True):
        here = max(sum(lightings(site, stop)), 1) * lit_s
        fixed = load.heat_s - here + every.lead_s + sum(hold.ring_s for hold in stop.holds)
        plain = plain_s(rig, np.array([hold.aim_base_m for hold in stop.holds]), begin, end)
        ours, lighting = ours + load.arm_s + load.heat_s - here, lighting + here
        going, stopping = going + plain[0] + fixed, stopping + plain[1] + fixed
    weeds = sum(len(stop.holds) for stop in plan.stops)
    for name, plain_all in ((_PLAIN, going), (_STOPPING, stopping)):
        yield _figure(f"time inside the {len(plan.stops)} stops of a plan of {weeds} weeds against {name}",
                      ours / plain_all, "1", 0.75, ours <= 0.75 * plain_all)  # fmt: skip
        yield _figure(f"the same with the {lit_s:g} s of each lighting, alike in both, {name}",
                      (ours + lighting) / (plain_all + lighting), "1", None, None)  # fmt: skip
    pictures = sum(len(stop.looks_rad or ()) for stop in plan.stops)
    yield _figure("pictures at these stops against all look postures",
                  pictures / (len(plan.stops) * len(rig.look_joints_rad)), "1", None, None)  # fmt: skip
    yield _figure(f"weeds that no picture is expected to find, of {weeds}, where each finds {FOUND:g}",
                  plan.overlooked, "1", None, None)  # fmt: skip
    every_one = replace(plan, stops=tuple(replace(stop, looks_rad=None) for stop in plan.stops))
    yield _figure("the same with all look postures at every stop", overlooked(site, every_one), "1", None, None)


def overlooked(site: Site, plan: Plan) -> float:
    """Return how many weeds no picture at their stop is expected to find, pictures overlooking independently."""
    lost = 0.0
    for stop in plan.stops:
        aims = np.array([hold.aim_base_m for hold in stop.holds])
        pictures = sum(seen_from(site.rig, look, aims).astype(int) for look in looks_taken(site.rig, stop))
        lost += float(((1.0 - FOUND) ** np.asarray(pictures)).sum())
    return lost


def inside_stops(rig: Rig, urdf: Path, stops: int) -> Iterator[Figure]:
    """Time ratios and strikes over random stops of 3 to 9 weeds.

    The plain way takes all of the rig's looks in their order, ours those that its weeds need; a picture takes
    ``PICTURE_S``. A hold takes the mean of two small plans (``small_plan``), valves included. No order saves holds, and
    on the first few stops ``least_s`` says what an order could save at all after our looks: those figures are nearly
    lower bounds of the ratios that are asked for, with these looks and holds.
    """
    from swardwright.shell.site_file import load_site

    rng, judge = np.random.default_rng(11), Replay(rig, urdf)
    begin, end = np.array(rig.look_joints_rad[-1]), np.array(rig.rest_joints_rad)
    every = all_looks(rig)
    planned = [h for seed in range(2) for stop in small_plan(load_site(urdf.parent), seed).stops for h in stop.holds]
    hold_s = float(np.mean([h.heat_s + h.ring_s + 2.0 * rig.head.valve_delay_s for h in planned]))
    ours = going = stopping = holds = cpu = looks = low_looks = 0.0
    strikes = samples = refused = weeds = 0
    low = np.zeros(4)  # on the stops asked: least time, the two plain ones, holds
    for stop in range(stops):
        aims, joints = draw_stop(rig, int(rng.integers(3, 10)), rng)
        begun = time.process_time()
        ways = choose_looks(rig, aims, np.empty((0, 2)))
        begins, lead_s = _begins(ways)
        done = order_work(rig, aims, joints, begins, end, rng, lead_s)
        way = ways[done.begin]
        cpu += time.process_time() - begun
        refused, weeds = refused + len(done.refused), weeds + len(aims)
        kept = sorted(done.order)
        ours += sum(motion.time_s for motion in done.motions)
        looks += way.time_s + PICTURE_S * len(way.joints_rad)
        plain = plain_s(rig, aims[kept], begin, end)
        going, stopping, holds = going + plain[0], stopping + plain[1], holds + hold_s * len(kept)
        if stop < _ASKED:
            low += [least_s(rig, aims[kept], joints[kept], begins[done.begin], end), *plain, hold_s * len(kept)]
            low_looks += way.time_s + PICTURE_S * len(way.joints_rad)
        for motion in done.motions:
            driven = judge.dense(pace(rig, motion.way_rad, smooth=motion.smooth))
            samples += len(driven)
            strikes += judge.strikes(driven)
    for name, plain_all in ((_PLAIN, going), (_STOPPING, stopping)):
        ratio = ours / plain_all
        whole = (ours + looks + holds) / (plain_all + stops * every.lead_s + holds)
        yield _figure(f"arm's moving time between holds against {name}", ratio, "1", 0.75, ratio <= 0.75)
        yield _figure(f"time inside {stops} random stops against {name}", whole, "1", 0.75, whole <= 0.75)
    asked = min(stops, _ASKED)
    for name, plain_low in ((_PLAIN, low[1]), (_STOPPING, low[2])):
        yield _figure(f"nearly the least possible, {asked} stops: arm's moving time against {name}",
                      low[0] / plain_low, "1", None, None)  # fmt: skip
        yield _figure(f"nearly the least possible, {asked} stops: time inside stops against {name}",
                      (low[0] + low_looks + low[3]) / (plain_low + asked * every.lead_s + low[3]), "1", None, None,
                      )  # fmt: skip
    yield _figure("processor time of such a stop's order", cpu / stops, "s", None, None)
    site, register = large_site(1, 100, (14.0, 10.0))
    plan = plan_round(register, site, plan_id="p", seed=1)
    yield from planned_stops(site, plan)
    takes_s = ordering_s(rig, plan)
    yield _figure("processor time of a planned stop's order, 100 weeds", takes_s, "s", 0.08, takes_s <= 0.08)
    yield _figure(
        f"strikes or joint limits passed in {samples} postures of {stops} stops", strikes, "1", 0, strikes == 0
    )
    yield _figure("weeds in reach that no motion leads to", refused / weeds, "1", None, None)


def small_plan(site: Site, seed: int, *, wide: bool = False) -> Plan:
    """Return the plan of a small invented site: eight weeds on a green of 3 m x 2.5 m.

    ``wide``: so large, and known so vaguely, that several holds each take less gas than one.
    """
    rng = np.random.default_rng([seed, 5])
    corners = ((0.0, 0.0), (3.0, 0.0), (3.0, 2.5), (0.0, 2.5))
    site = replace(
        site, zones=(Zone("green", corners),), keep_outs=(), start=BasePose(-1.0, 0.5, 0.0),
        limits=replace(site.limits, control_fraction=0.0),
    )  # fmt: skip
    kind = next(kind.name for kind in site.kinds if kind.treat)
    weeds = tuple(
        Weed(
            f"w{n}",
            rng.uniform((0.1, 0.1), (2.9, 2.4)),
            (0.018 if wide else 0.006) ** 2 * np.eye(2),
            0.09 if wide else 0.03,
            0.004,
            0.98,
            ((kind, 1.0),),
        )
        for n in range(8)
    )
    return plan_round(Register(1, weeds), site, plan_id="p", seed=seed)


def replayed(rig: Rig, urdf: Path, plans: int) -> Iterator[Figure]:
    """Whole plans driven again, densely, before an outside judge: looks, ways, holds, rings, and back to rest.

    Every fourth plan has another arm (``DRAWN``); every second has wide weeds, which get rings. What is replayed is
    what is really driven, corners cut and all.
    """
    from swardwright.shell.site_file import load_site

    site = load_site(urdf.parent)
    with TemporaryDirectory() as folder:
        other, path = drawn_rig(rig, *DRAWN, Path(folder))
        rigs = ((rig, Replay(rig, urdf)), (other, Replay(other, path)))
        strikes = samples = holds = rings = refused = 0
        for seed in range(plans):
            one, judge = rigs[seed % 4 == 3]
            plan = small_plan(replace(site, rig=one), seed, wide=seed % 2 == 1)
            refused += len(plan.refused)
            for stop in plan.stops:
                holds += len(stop.holds)
                rings += sum(bool(hold.ring_rad) for hold in stop.holds)
                for _, _, part in stop_paces(one, stop):
                    if isinstance(part, Pace):
                        driven = judge.dense(part)
                        samples += len(driven)
                        strikes += judge.strikes(driven)
    yield _figure(f"strikes or joint limits passed in {samples} postures of {plans} plans, {holds} holds",
                  strikes, "1", 0, strikes == 0)  # fmt: skip
    yield _figure("rings among these holds", rings, "1", 1, rings >= 1)
    yield _figure("weeds refused in these plans", refused / (8 * plans), "1", None, None)


def reached(rig: Rig, urdf: Path, aims_each: int) -> Iterator[Figure]:
    """Share of the aims that an exhaustive search reaches which the planner reaches too."""
    arms = [(rig, urdf, 0.0)]
    for name, link in OUTSIDE:
        path = outside_urdf(name)
        arms.append((outside_rig(rig, path, link), path, MOUNT_M))
    both = theirs = 0
    for one, path, lifted_m in arms:
        rng, search = np.random.default_rng(3), Searcher(one, path, lifted_m)
        aims = rng.uniform((0.2, -0.7), (0.9, 0.7), (aims_each, 2))
        found = there = 0
        for aim in aims[heat_off_base(one, aims)]:
            if search.reaches(aim, rng, 60):
                there += 1
                found += posture_over(one, aim, one.survey_joints_rad) is not None
        both, theirs = both + found, theirs + there
        yield _figure(f"reached of {there} aims of the search, {path.stem}", found / max(there, 1), "1", 0.995,
                      found >= 0.995 * there)  # fmt: skip
    yield _figure(f"reached of {theirs} aims of the search, all arms", both / max(theirs, 1), "1", 0.995,
                  both >= 0.995 * theirs)  # fmt: skip

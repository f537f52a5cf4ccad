"""Stops and drive of large invented sites: over the proven bound, and over the best known of the same stop set.

The best known is the shortest of long runs of a solver from outside (:mod:`benchmarks._drive_oracle`) and of this
program's own search, twenty times as long. Six keep-outs; every treatable weed is heated (no controls). Two processes.
Memory is the peak of this process and twice that of its largest child. 10,000 weeds on 100 m x 60 m with ``FULL=1``.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

import swardwright
from benchmarks._drive_oracle import best_known_s
from swardwright.domain.plan import Plan
from swardwright.domain.poses import BasePose
from swardwright.domain.site import KeepOut, Site, Zone
from swardwright.domain.weed import Register, Weed
from swardwright.planning import plan_round
from swardwright.planning.ground import free_ground
from swardwright.planning.route import times_s
from swardwright.planning.tour import shortest_path
from swardwright.shell.site_file import load_site

#: as many as the cores that the time is promised for; iterations of the solver from outside
_WORKERS, _OUTSIDE = 2, 20_000
ASSETS = Path(swardwright.__file__).parent / "simulation" / "assets"


def large_site(seed: int, count: int, size_m: tuple[float, float]) -> tuple[Site, Register]:
    """Return an invented site with six keep-outs and ``count`` weeds spread evenly off them."""
    rng = np.random.default_rng(seed)
    site = load_site(ASSETS)
    w, h = size_m
    boxes = []
    for k in range(6):
        x = (k % 3 + 0.5 + rng.uniform(-0.25, 0.25)) * w / 3.0
        y = (k // 3 + 0.5 + rng.uniform(-0.25, 0.25)) * h / 2.0
        a, b = rng.uniform(0.5, 2.0, 2)
        boxes.append((x - a, y - b, x + a, y + b))
    outs = tuple(
        KeepOut(f"bed {k}", ((x0, y0), (x1, y0), (x1, y1), (x0, y1)), 0.15)
        for k, (x0, y0, x1, y1) in enumerate(boxes)
    )  # fmt: skip
    site = replace(
        site, zones=(Zone("green", ((0.0, 0.0), (w, 0.0), (w, h), (0.0, h))),), keep_outs=outs,
        start=BasePose(-1.0, 0.5, 0.0), limits=replace(site.limits, control_fraction=0.0),
    )  # fmt: skip
    kind = next(kind.name for kind in site.kinds if kind.treat)
    weeds: list[Weed] = []
    while len(weeds) < count:
        x, y = rng.uniform((0.05, 0.05), (w - 0.05, h - 0.05))
        if not any(x0 - 0.4 < x < x1 + 0.4 and y0 - 0.4 < y < y1 + 0.4 for x0, y0, x1, y1 in boxes):
            weeds.append(
                Weed(f"w{len(weeds):05d}", np.array([x, y]), 0.006**2 * np.eye(2), 0.03, 0.004, 0.98, ((kind, 1.0),))
            )
    return site, Register(1, tuple(weeds))


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    seeds = range(1, 6) if full else range(1, 3)
    stops, drive, outside, gap, seconds, work, refused = [], [], [], [], [], [], []
    for seed in seeds:
        plan, site, wall_s, cpu_s = _planned(seed, 500, (30.0, 20.0))
        seconds.append(wall_s)
        work.append(cpu_s)
        stops.append(len(plan.stops) / plan.stops_bound)
        refused.append(len(plan.refused))
        gap.append(plan.supplies.drive_s / plan.drive_bound_s)
        cost, _ = times_s(site.rig.base, free_ground(site), site.start, [stop.base for stop in plan.stops])
        other = min(best_known_s(cost, iterations=_OUTSIDE, seed=s)[0] for s in range(3 if full else 1))
        order = shortest_path(cost, 0, None, np.random.default_rng(1000 + seed), kicks=20 * 1200)
        own = float(sum(cost[a, b] for a, b in pairwise(order)))
        outside.append(plan.supplies.drive_s / other)
        drive.append(plan.supplies.drive_s / min(other, own))
    of = f"500 weeds, worst of {len(seeds)} seeds"
    yield _figure(f"stops over the proven bound, {of}", max(stops), "1", 1.03)
    yield _figure(f"drive over the best known (long runs of pyvrp and of the own search), {of}", max(drive), "1", 1.02)
    yield _figure(f"drive over pyvrp's long run alone, {of}", max(outside), "1", None)
    yield _figure(f"drive over the proven bound, {of}", max(gap), "1", None)
    yield _figure(f"whole plan, {_WORKERS} processes, {of}", max(seconds), "s", 30.0)
    yield _figure(f"processor time of the whole plan, {of}", max(work), "s", None)
    yield _figure(f"weeds refused, {of}", max(refused), "1", None)
    if not full:
        return
    plan, _, wall_s, cpu_s = _planned(1, 10_000, (100.0, 60.0))
    yield _figure(f"whole plan, {_WORKERS} processes, 10,000 weeds", wall_s, "s", 300.0)
    yield _figure("processor time of the whole plan, 10,000 weeds", cpu_s, "s", None)
    own_kb, child_kb = (resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    yield _figure("memory, children included, 10,000 weeds", (own_kb + _WORKERS * child_kb) * 1024 / 1e9, "GB", 3.0)
    yield _figure("stops over the proven bound, 10,000 weeds", len(plan.stops) / plan.stops_bound, "1", 1.10)
    yield _figure("weeds refused, 10,000 weeds", len(plan.refused), "1", None)
    yield _figure("drive over the proven bound, 10,000 weeds", plan.supplies.drive_s / plan.drive_bound_s, "1", None)


def _planned(seed: int, count: int, size_m: tuple[float, float]) -> tuple[Plan, Site, float, float]:
    """Return a plan, its site, and the time and the processor time (children included) that it took, s."""
    site, register = large_site(seed, count, size_m)
    begun, worked = time.perf_counter(), _processor_s()
    plan = plan_round(register, site, plan_id="round-1", seed=seed, workers=_WORKERS)
    return plan, site, time.perf_counter() - begun, _processor_s() - worked


def _processor_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def _figure(name: str, value: float, unit: str, bound: float | None) -> dict[str, Any]:
    holds = None if bound is None else bool(value <= bound)
    return {"figure": name, "value": round(float(value), 4), "unit": unit, "bound": bound, "holds": holds}

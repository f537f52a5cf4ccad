"""Stops and drive of large invented sites: over the proven bound, and over the best known of the same stop set.

The best known is a search twenty times as long with another seed, from this program itself: the bound beside it is what
is proven. Six keep-outs; every treatable weed is heated (no controls). 10,000 weeds on 100 m x 60 m with ``FULL=1``.
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
from swardwright.domain.poses import BasePose
from swardwright.domain.site import KeepOut, Site, Zone
from swardwright.domain.weed import Register, Weed
from swardwright.planning import plan_round
from swardwright.planning.ground import free_ground
from swardwright.planning.route import times_s
from swardwright.planning.tour import shortest_path
from swardwright.shell.site_file import load_site

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
    stops, drive, gap, seconds = [], [], [], []
    for seed in seeds:
        site, register = large_site(seed, 500, (30.0, 20.0))
        begun = time.perf_counter()
        plan = plan_round(register, site, plan_id="round-1", seed=seed)
        seconds.append(time.perf_counter() - begun)
        stops.append(len(plan.stops) / plan.stops_bound)
        gap.append(plan.supplies.drive_s / plan.drive_bound_s)
        bases = [stop.base for stop in plan.stops]
        cost, _ = times_s(site.rig.base, free_ground(site), site.start, bases)
        best = plan.supplies.drive_s
        order = shortest_path(cost, 0, None, np.random.default_rng(1000 + seed), kicks=20 * 1200)
        best = min(best, float(sum(cost[a, b] for a, b in pairwise(order))))
        drive.append(plan.supplies.drive_s / best)
    of = f"500 weeds, worst of {len(seeds)} seeds"
    yield _figure(f"stops over the proven bound, {of}", max(stops), "1", 1.03)
    yield _figure(f"drive over the best known (own search, 20 times as long), {of}", max(drive), "1", 1.02)
    yield _figure(f"drive over the proven bound, {of}", max(gap), "1", None)
    yield _figure(f"whole plan, {of}", max(seconds), "s", 30.0)
    if not full:
        return
    site, register = large_site(1, 10_000, (100.0, 60.0))
    begun = time.perf_counter()
    plan = plan_round(register, site, plan_id="round-1", seed=1)
    yield _figure("whole plan, 10,000 weeds", time.perf_counter() - begun, "s", 300.0)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e9
    yield _figure("memory, 10,000 weeds", peak, "GB", 3.0)
    yield _figure("stops over the proven bound, 10,000 weeds", len(plan.stops) / plan.stops_bound, "1", 1.10)
    yield _figure("drive over the proven bound, 10,000 weeds", plan.supplies.drive_s / plan.drive_bound_s, "1", None)


def _figure(name: str, value: float, unit: str, bound: float | None) -> dict[str, Any]:
    holds = None if bound is None else bool(value <= bound)
    return {"figure": name, "value": round(float(value), 4), "unit": unit, "bound": bound, "holds": holds}

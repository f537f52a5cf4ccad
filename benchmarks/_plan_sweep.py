"""The sweep of 20 m x 10 m with keep-outs: stops over the proven bound, and an outside judge of "covers the zones".

The judge knows no cells and no reach map: random points of the ground to treat, each looked for in the pictures of the
stops through the camera with its distortion, and reached by a search for a posture.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from benchmarks._plan_route import large_site
from swardwright.domain.plan import Plan
from swardwright.domain.poses import Array
from swardwright.domain.site import KeepOut, Rig, Site
from swardwright.planning import posture_over
from swardwright.planning.reach import heat_off_base
from swardwright.planning.sweep import plan_sweep

SIZE_M = (20.0, 10.0)
OUTS = (
    KeepOut("bed", ((4.0, 3.0), (6.0, 3.0), (6.0, 4.5), (4.0, 4.5)), 0.15),
    KeepOut("path", ((12.0, -1.0), (12.8, -1.0), (12.8, 6.0), (12.0, 6.0)), 0.1),
    KeepOut("box", ((16.0, 7.0), (16.3, 7.0), (16.3, 7.3), (16.0, 7.3)), 0.15),
)


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    site = replace(large_site(1, 0, SIZE_M)[0], keep_outs=OUTS)
    begun = time.perf_counter()
    plan = plan_sweep(site, plan_id="round-1", seed=1)
    seconds = time.perf_counter() - begun
    points = random_ground(site, 4000 if full else 400, seed=2)
    served = np.array([served_from_a_stop(site, plan, point) for point in points])
    of = "sweep of 20 m x 10 m, three keep-outs"
    yield _figure(f"{of}: stops", len(plan.stops), "1")
    yield _figure(f"{of}: stops over the proven bound", len(plan.stops) / plan.stops_bound, "1")
    yield _figure(f"{of}: ground per stop", (plan.ground_m2 - plan.left_out_m2) / len(plan.stops), "m2")
    yield _figure(f"{of}: share of the ground that the plan says is left out", plan.left_out_m2 / plan.ground_m2, "1")
    short = float((~served).mean() - plan.left_out_m2 / plan.ground_m2)
    yield _figure(f"{of}: drive over the proven bound", plan.supplies.drive_s / plan.drive_bound_s, "1")
    yield _figure(f"{of}: share of {len(points)} random points not seen and reached, beyond what the plan says",
                  max(short, 0.0), "1", 0.0)  # fmt: skip
    yield _figure(f"{of}: whole plan", seconds, "s")


def random_ground(site: Site, count: int, seed: int) -> Array:
    """Return random points (count, 2) of the zones, off the keep-outs and their stand-off."""
    rng = np.random.default_rng(seed)
    zones = shapely.union_all([shapely.Polygon(zone.corners_m) for zone in site.zones])
    west, south, east, north = zones.bounds
    kept: list[Array] = []
    while len(kept) < count:
        point = rng.uniform((west, south), (east, north))
        place = shapely.Point(*point)
        if zones.covers(place) and all(
            shapely.Polygon(k.corners_m).distance(place) > k.standoff_m for k in site.keep_outs
        ):
            kept.append(point)
    return np.array(kept)


def served_from_a_stop(site: Site, plan: Plan, point_m: Array) -> bool:
    """Whether a point (2,), ground axes, is in a picture from a stop and the head comes over it from there."""
    for stop in plan.stops:
        back = stop.base.ground_from_base.inverse
        aim = back.apply(np.array([*point_m, 0.0]))[:2]
        if np.linalg.norm(aim) < 2.0 and heat_off_base(site.rig, aim[None])[0] and in_picture(site.rig, aim):
            for near in (site.rig.look_joints_rad[0], site.rig.look_joints_rad[-1], site.rig.rest_joints_rad):
                if posture_over(site.rig, aim, near) is not None:
                    return True
    return False


def in_picture(rig: Rig, aim_m: Array) -> bool:
    """Whether a point (2,) of the ground, base axes, is in the picture of a look posture."""
    for posture in rig.look_joints_rad:
        base_from_camera = rig.arm.forward(np.array(posture), rig.camera_link)
        point = (np.array([*aim_m, 0.0]) - base_from_camera[:3, 3]) @ base_from_camera[:3, :3]
        u, v = rig.camera.project(point)[0]
        if point[2] > 0.0 and 0.0 <= u <= rig.camera.width_px - 1 and 0.0 <= v <= rig.camera.height_px - 1:
            return True
    return False


def _figure(name: str, value: float, unit: str, bound: float | None = None) -> dict[str, Any]:
    holds = None if bound is None else bool(value <= bound)
    return {"figure": name, "value": round(float(value), 4), "unit": unit, "bound": bound, "holds": holds}

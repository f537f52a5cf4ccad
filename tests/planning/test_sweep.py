from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from swardwright.domain.errors import InputError, RefusedError, SiteError
from swardwright.domain.plan import Plan
from swardwright.domain.poses import Array
from swardwright.domain.site import KeepOut, Rig, Site, Zone
from swardwright.planning.ground import free_ground
from swardwright.planning.reach_map import reach_map
from swardwright.planning.stops import cover, in_base_axes
from swardwright.planning.sweep import plan_sweep
from swardwright.planning.sweep_cover import Ground, cover_ground, lattices_of, least_poses


def _seen(rig: Rig, aims_m: Array) -> np.ndarray:
    """Whether points (n, 2) of the ground, base axes, are in a picture: through the camera with its distortion."""
    seen = np.zeros(len(aims_m), dtype=bool)
    for posture in rig.look_joints_rad:
        base_from_camera = rig.arm.forward(np.array(posture), rig.camera_link)
        points = np.column_stack([aims_m, np.zeros(len(aims_m))]) - base_from_camera[:3, 3]
        points = points @ base_from_camera[:3, :3]
        pixels = rig.camera.project(points)
        inside = (pixels >= 0.0).all(axis=1) & (pixels <= [rig.camera.width_px - 1, rig.camera.height_px - 1]).all(
            axis=1
        )
        seen |= inside & (points[:, 2] > 0.0)
    return seen


def _served(site: Site, plan: Plan, points_m: Array) -> np.ndarray:
    """Whether points (n, 2) are seen and surely reached from one of the stops, by view and reach map themselves."""
    reach = reach_map(site.rig)
    served = np.zeros(len(points_m), dtype=bool)
    for stop in plan.stops:
        aims = in_base_axes(stop.base.as_array()[None], points_m)[0]
        near = np.flatnonzero(reach.look_up(aims)[0])
        served[near[_seen(site.rig, aims[near])]] = True
    return served


def _points(site: Site, count: int, seed: int) -> Array:
    """Random points of the zones outside keep-outs with their stand-off."""
    rng = np.random.default_rng(seed)
    zones = shapely.union_all([shapely.Polygon(zone.corners_m) for zone in site.zones])
    west, south, east, north = zones.bounds
    points = rng.uniform((west, south), (east, north), (count, 2))
    good = shapely.contains_xy(zones, points[:, 0], points[:, 1])
    for keep_out in site.keep_outs:
        polygon = shapely.Polygon(keep_out.corners_m)
        good &= shapely.distance(polygon, shapely.points(points)) > keep_out.standoff_m
    return points[good]


@pytest.fixture(scope="module")
def swept(make: Any) -> tuple[Site, Plan]:
    turned = ((0.0, 0.0), (3.6, 2.1), (2.6, 3.83), (-1.0, 1.73))  # a rectangle turned by about 30 degrees
    site = make.site(
        zones=(Zone("green", turned),),
        keep_outs=(KeepOut("box", ((1.2, 1.6), (1.5, 1.6), (1.5, 1.9), (1.2, 1.9)), 0.15),),
    )
    return site, plan_sweep(site, plan_id="round-1", seed=3)


def test_every_point_of_the_ground_is_seen_and_reached_from_a_stop(swept: tuple[Site, Plan]) -> None:
    site, plan = swept
    points = _points(site, 40_000, 5)
    served = _served(site, plan, points)
    left_m2 = (~served).mean() * plan.ground_m2
    assert plan.sweep
    assert all(not stop.holds for stop in plan.stops)
    assert 1 <= plan.stops_bound <= len(plan.stops)
    assert left_m2 <= plan.left_out_m2
    assert plan.left_out_m2 < 0.02 * plan.ground_m2


def test_stops_stand_on_free_ground_and_a_stop_less_leaves_ground_unserved(swept: tuple[Site, Plan]) -> None:
    site, plan = swept
    places = np.array([(stop.base.x_m, stop.base.y_m) for stop in plan.stops])
    assert free_ground(site).standable(places).all()
    points = _points(site, 20_000, 6)
    every = _served(site, plan, points)
    needed = [
        _served(site, replace(plan, stops=plan.stops[:k] + plan.stops[k + 1 :]), points).sum() < every.sum()
        for k in range(len(plan.stops))
    ]
    # by whole cells each is needed; what it alone serves may be a scrap that no random point hits
    assert np.mean(needed) > 0.7


def test_ground_that_nothing_serves_is_reported_with_its_area(make: Any) -> None:
    # a courtyard whose walls the base cannot pass: the middle of it lies out of reach from everywhere
    walls = tuple(
        KeepOut(f"wall {i}", corners, 0.0)
        for i, corners in enumerate([
            ((2.0, -9.0), (2.05, -9.0), (2.05, 9.0), (2.0, 9.0)), ((9.0, -9.0), (9.05, -9.0), (9.05, 9.0), (9.0, 9.0)),
        ])
    )  # fmt: skip
    site = make.site((8.0, 2.0), keep_outs=walls)
    plan = plan_sweep(site, plan_id="round-1", seed=1)
    points = _points(site, 20_000, 7)
    unserved_m2 = (~_served(site, plan, points)).mean() * plan.ground_m2
    assert plan.left_out_m2 == pytest.approx(unserved_m2, rel=0.03)
    assert plan.left_out_m2 > 8.0
    assert "no stop both sees and reaches this ground" in plan.refused[0].reason
    assert "cut the ground in two" in plan.refused[0].reason
    areas = [float(r.reason.partition(": ")[2].partition(" m2")[0]) for r in plan.refused]
    assert sum(areas) == pytest.approx(plan.left_out_m2, abs=0.02)


def test_supplies_grow_with_the_density(make: Any) -> None:
    site = make.site((3.0, 2.0), keep_outs=())
    none, some, more = (plan_sweep(site, plan_id="r", seed=1, density_m2=d).supplies for d in (0.0, 2.0, 4.0))
    assert none.gas_hold_kg == 0.0
    assert some.gas_hold_kg > 0.0
    assert more.gas_hold_kg == pytest.approx(2.0 * some.gas_hold_kg)
    assert more.time_s - some.time_s == pytest.approx(some.time_s - none.time_s)
    assert none.heat_s == pytest.approx(len(none.loads) * site.rig.head.ignition_s)


def test_a_sweep_is_cut_where_the_day_ends_and_says_what_ground_is_left(make: Any) -> None:
    site = make.site((3.0, 2.0), keep_outs=())
    whole = plan_sweep(site, plan_id="r", seed=1)
    short = replace(site, limits=replace(site.limits, work_day_s=0.5 * whole.supplies.time_s))
    cut = plan_sweep(short, plan_id="r", seed=1, limit="time")
    assert 0 < len(cut.stops) < len(whole.stops)
    assert cut.stops == whole.stops[: len(cut.stops)]
    points = _points(site, 20_000, 8)
    unserved_m2 = (~_served(site, cut, points)).mean() * cut.ground_m2
    assert unserved_m2 - 0.05 < cut.left_out_m2 < unserved_m2 + 0.5  # by whole cells: on the cautious side
    assert [r.item for r in cut.refused] == [s.id for s in whole.stops[len(cut.stops) :]]


def test_what_cannot_be_swept_is_refused(make: Any) -> None:
    site = make.site((3.0, 2.0), keep_outs=())
    with pytest.raises(InputError, match="density"):
        plan_sweep(site, plan_id="r", seed=1, density_m2=-1.0)
    with pytest.raises(SiteError, match="no look posture"):
        plan_sweep(replace(site, rig=replace(site.rig, look_joints_rad=())), plan_id="r", seed=1)
    lawn = KeepOut("all of it", ((-0.5, -1.0), (4.0, -1.0), (4.0, 3.0), (-0.5, 3.0)), 0.1)
    with pytest.raises(RefusedError, match="leave nothing of the zones"):
        plan_sweep(replace(site, keep_outs=(lawn,)), plan_id="r", seed=1)
    steep = replace(site, slope_rad=0.5)
    with pytest.raises(RefusedError, match="too steep"):
        plan_sweep(steep, plan_id="r", seed=1)


def test_the_same_seed_gives_the_same_sweep(make: Any) -> None:
    site = make.site((3.0, 2.0))
    assert plan_sweep(site, plan_id="r", seed=4).stops == plan_sweep(site, plan_id="r", seed=4).stops


def _little(shape: np.ndarray, size: tuple[int, int], rim: int) -> Ground:
    todo = np.zeros((size[0] + 2 * rim, size[1] + 2 * rim), dtype=bool)
    width = todo.shape[1]
    todo[rim:-rim, rim:-rim] = True
    places = np.flatnonzero(np.pad(np.ones((size[0] + rim, size[1] + rim), dtype=bool), rim // 2).ravel())
    masks = tuple(cells[:, 0] * width + cells[:, 1] for cells in (shape, -shape))
    lattices = tuple((0, *lattice) for lattice in lattices_of(shape, 1))
    return Ground(width, todo.ravel(), places, masks, lattices)


@pytest.mark.parametrize("seed", range(6))
def test_cover_and_bound_enclose_the_fewest(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = np.argwhere(rng.random((4, 4)) < 0.7) - 2
    ground = _little(shape, (int(rng.integers(5, 9)), int(rng.integers(5, 9))), 6)
    chosen, bound = cover_ground(ground, rng)
    poses, which = ground.pairs(np.flatnonzero(ground.todo))
    names, row = np.unique(poses, return_inverse=True)
    covers = np.zeros((len(names), int(ground.todo.sum())), dtype=bool)
    covers[row, which] = True
    fewest, proven = cover(covers, np.zeros(len(names)))
    assert (ground.times(chosen)[ground.todo] > 0).all()
    assert bound <= len(fewest)
    assert proven <= len(chosen)
    assert bound == least_poses(ground)


@pytest.mark.parametrize("seed", range(5))
def test_lattices_cover_the_plane(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = np.argwhere(rng.random((9, 9)) < 0.9) - 4
    for step, apart, shift in lattices_of(shape, 1):
        covered = np.zeros((120, 120), dtype=bool)
        for i in range(-40, 40):
            for j in range(-40, 40):
                cells = shape + np.array([60 + i * step + j * shift, 60 + j * apart])
                cells = cells[((cells >= 0) & (cells < 120)).all(axis=1)]
                covered[cells[:, 0], cells[:, 1]] = True
        assert covered[50:70, 50:70].all()

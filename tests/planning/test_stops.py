from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swardwright.domain.poses import BasePose
from swardwright.domain.site import KeepOut
from swardwright.planning.ground import free_ground, turning_radius_m
from swardwright.planning.reach_map import reach_map
from swardwright.planning.stops import _undominated, cover, greedy_cover, in_base_axes, offer_stops


def _fewest(covers: np.ndarray) -> int:
    for size in range(1, covers.shape[0] + 1):
        for rows in itertools.combinations(range(covers.shape[0]), size):
            if covers[list(rows)].any(axis=0).all():
                return size
    raise AssertionError


@pytest.mark.parametrize("seed", range(40))
def test_set_covering_is_the_fewest_and_its_bound_is_true(seed: int) -> None:
    rng = np.random.default_rng(seed)
    covers = rng.random((int(rng.integers(6, 13)), int(rng.integers(5, 16)))) < rng.uniform(0.15, 0.4)
    covers[rng.integers(len(covers), size=covers.shape[1]), np.arange(covers.shape[1])] = True
    fewest = _fewest(covers)
    chosen, bound = cover(covers, rng.random(len(covers)))
    assert covers[chosen].any(axis=0).all()
    assert bound <= fewest <= len(chosen)
    assert len(chosen) == bound == fewest  # small cases are solved to the end
    assert len(greedy_cover(covers)) >= fewest


def test_among_equal_covers_the_least_penalty_wins() -> None:
    covers = np.array([[True, True], [True, True], [True, False]])
    assert cover(covers, np.array([0.9, 0.1, 0.0])) == ([1], 1)
    covers = np.array([[1, 1, 0, 0], [0, 0, 1, 1], [0, 0, 1, 1], [1, 0, 1, 0]], dtype=bool)
    chosen, bound = cover(covers, np.array([0.5, 0.9, 0.2, 0.0]))
    assert (sorted(chosen), bound) == ([0, 2], 2)


def test_with_no_time_the_bound_stays_true_and_the_cover_valid() -> None:
    rng = np.random.default_rng(8)
    covers = rng.random((60, 40)) < 0.1
    covers[rng.integers(60, size=40), np.arange(40)] = True
    best, exact = cover(covers, np.zeros(60))
    assert len(best) == exact
    hurried, bound = cover(covers, np.zeros(60), time_s=0.0)
    assert covers[hurried].any(axis=0).all()
    assert bound <= exact <= len(hurried)


def test_nothing_to_cover_needs_no_stop() -> None:
    assert cover(np.zeros((3, 0), dtype=bool), np.zeros(3)) == ([], 0)


def test_leaving_out_dominated_stops_keeps_the_fewest(make: Any) -> None:
    site = make.site(keep_outs=())
    weeds = np.array([w.mean_m for w in make.register(12).weeds])
    offered = offer_stops(site, free_ground(site), reach_map(site.rig), weeds, grid_m=1.0)
    again = _undominated(offered)
    assert len(again.poses) == len(offered.poses)  # nothing left to leave out
    sets = [frozenset(np.flatnonzero(row)) for row in offered.good.toarray()]
    assert not any(a < b for a in sets for b in sets)
    assert len(set(sets)) == len(sets)


def test_base_axes_undo_the_pose() -> None:
    pose = BasePose(1.0, 2.0, 0.7)
    points = np.array([[1.5, 2.5], [-1.0, 0.0]])
    inverse = pose.ground_from_base.inverse
    wanted = inverse.apply(np.column_stack([points, np.zeros(2)]))[:, :2]
    assert np.allclose(in_base_axes(pose.as_array()[None], points)[0], wanted)


def test_offered_stops_reach_see_and_stand_clear(make: Any) -> None:
    import shapely

    site = make.site()
    weeds = np.array([w.mean_m for w in make.register(20).weeds])
    reach = reach_map(site.rig)
    offered = offer_stops(site, free_ground(site), reach, weeds)
    assert offered.served.sum() >= 18
    aims = in_base_axes(offered.poses, weeds)
    assert reach.look_up(aims)[0][offered.good.toarray() > 0.0].all()
    box = shapely.Polygon(make.box.corners_m)
    centres = shapely.points(offered.poses[:, :2])
    assert (shapely.distance(box, centres) >= turning_radius_m(site) - 1e-9).all()


def test_ways_go_round_keep_outs(make: Any) -> None:
    # a wall from y = -1 to 3 at x = 3 with the base's circle about it: the way over its top is worked by hand below
    wall = KeepOut("wall", ((3.0, -3.0), (3.1, -3.0), (3.1, 3.0), (3.0, 3.0)), 0.0)
    site = make.site(keep_outs=(wall,))
    ground = free_ground(site)
    points = np.array([[1.0, 1.0], [5.0, 1.0], [1.0, 3.0]])
    distance, ways = ground.ways(points)
    assert distance[0, 2] == pytest.approx(2.0)
    radius = turning_radius_m(site)
    # shortest for a string round a circle of that radius at the wall's end is less, for one round its corners more
    direct = math.hypot(2.0, 2.0) + 0.1 + math.hypot(1.9, 2.0)
    assert direct < distance[0, 1] < direct + 4.0 * radius
    import shapely

    line = shapely.LineString(ways[0][1])
    assert line.distance(shapely.Polygon(wall.corners_m)) >= radius - 1e-6
    assert line.length == pytest.approx(distance[0, 1])


def test_ground_cut_in_two_and_a_start_on_a_keep_out(make: Any) -> None:
    from swardwright.domain.errors import SiteError

    wall = KeepOut("wall", ((3.0, -9.0), (3.1, -9.0), (3.1, 9.0), (3.0, 9.0)), 0.0)
    ground = free_ground(make.site(keep_outs=(wall,)))
    assert ground.cut_off
    assert ground.standable(np.array([[1.0, 1.0], [5.0, 1.0]])).tolist() == [True, False]
    with pytest.raises(SiteError, match="starts on the keep-out wall"):
        free_ground(make.site(keep_outs=(wall,), start=BasePose(3.05, 0.0, 0.0)))
    everything = replace(wall, corners_m=((-9.0, -9.0), (-0.95, -9.0), (-0.95, 9.0), (-9.0, 9.0)))
    beside = free_ground(make.site(keep_outs=(everything,), start=BasePose(-0.54, 0.5, 0.0)))
    assert beside.entry_m[0] > -0.54  # a start too near to turn on the spot is led out of there

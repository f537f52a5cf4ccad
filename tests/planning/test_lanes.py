from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import BasePose
from swardwright.domain.site import KeepOut, Zone
from swardwright.planning import survey_lanes
from swardwright.planning.ground import turning_radius_m
from swardwright.planning.lanes import unseen_area
from swardwright.planning.view import ground_view_m


def _check(site: Any) -> tuple[tuple[BasePose, ...], ...]:
    """No ground of the zones unseen, no pose nearer than the turning circle to a keep-out, the way between included."""
    import shapely

    lanes = survey_lanes(site)
    view = ground_view_m(site.rig, site.rig.survey_joints_rad, 0.0)
    assert unseen_area(site, view, lanes).area < 0.01
    driven = shapely.LineString([(p.x_m, p.y_m) for lane in lanes for p in lane])
    for keep_out in site.keep_outs:
        assert driven.distance(shapely.Polygon(keep_out.corners_m)) >= turning_radius_m(site) - 1e-6
    return lanes


def test_lanes_alternate_and_see_everything(make: Any) -> None:
    site = make.site((12.0, 8.0), keep_outs=())
    lanes = _check(site)
    assert 7 <= len(lanes) <= 9
    yaws = [lane[-1].yaw_rad for lane in lanes]
    assert all(abs(math.cos(a) + math.cos(b)) < 1e-9 for a, b in pairwise(yaws))
    middles = [lane[0].y_m for lane in lanes]
    assert max(b - a for a, b in pairwise(middles)) <= 1.05
    assert all(len(lane) == 2 for lane in lanes)


def test_lanes_run_along_the_longer_side(make: Any) -> None:
    lanes = _check(make.site((3.0, 9.0), keep_outs=()))
    assert all(lane[0].x_m == pytest.approx(lane[-1].x_m) for lane in lanes)


def test_a_keep_out_in_the_way_is_driven_round(make: Any) -> None:
    box = KeepOut("box", ((5.0, 2.0), (7.0, 2.0), (7.0, 5.0), (5.0, 5.0)), 0.0)
    lanes = _check(make.site((12.0, 8.0), keep_outs=(box,)))
    assert len(lanes) > 8


def test_a_hedge_along_the_edge_moves_the_lane_not_the_view(make: Any) -> None:
    hedge = KeepOut("hedge", ((-3.0, -1.0), (15.0, -1.0), (15.0, 0.3), (-3.0, 0.3)), 0.0)
    green = Zone("green", ((0.0, 0.3), (12.0, 0.3), (12.0, 6.0), (0.0, 6.0)))
    _check(make.site((12.0, 8.0), keep_outs=(hedge,), zones=(green,), start=BasePose(-1.0, 1.5, 0.0)))


def test_a_green_narrower_than_the_picture_needs_one_lane(make: Any) -> None:
    assert len(_check(make.site((5.0, 0.8), keep_outs=()))) == 1


def test_no_room_or_no_view_is_said(make: Any) -> None:
    all_over = KeepOut("car park", ((-0.5, -9.0), (20.0, -9.0), (20.0, 9.0), (-0.5, 9.0)), 0.0)
    with pytest.raises(SiteError, match="no lane can be driven"):
        survey_lanes(make.site(keep_outs=(all_over,), start=BasePose(-1.2, 0.0, 0.0)))
    up = (0.0, -0.9, 0.0, 0.5, 0.0, 0.0, 0.0)
    with pytest.raises(SiteError, match="does not look at the ground"):
        survey_lanes(make.site(rig=replace(make.rig, survey_joints_rad=up)))

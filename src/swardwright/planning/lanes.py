"""Survey lanes: base poses along parallel lanes so that the survey camera sees all zones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Site
from swardwright.planning.ground import FreeGround, free_ground
from swardwright.planning.view import ground_view_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

#: lanes stand at most this share of the seen width apart: many plants are seen from two lanes, and tie them together
SPACING = 0.65
#: the outermost lanes see at least this far over the edge of the zones, m
OVER_M = 0.05
#: a patch is a lane this long, on a grid this fine, for unseen ground of at least this area
PATCH_M, PATCH_LEAST_M2 = 0.2, 0.01


def lanes_over(site: Site) -> tuple[tuple[BasePose, ...], ...]:
    """Return lanes of alternating direction along the longer side of the zones.

    A lane is a run of base poses to drive through in a straight line from one to the next. Keep-outs interrupt a lane;
    the way round them is put before the piece that follows, and short lanes at the end show what stayed hidden.

    Raises
    ------
    SiteError
        If the survey camera sees no ground, or keep-outs leave no ground to drive on.
    """
    view = ground_view_m(site.rig, site.rig.survey_joints_rad, 0.0)
    # the largest upright rectangle that a four-cornered view surely holds: the middle two of its sorted coordinates
    x, y = np.sort(view[:, 0]), np.sort(view[:, 1])
    rear, front, right, left = float(x[1]), float(x[2]), float(y[1]), float(y[2])
    corners = np.array([corner for zone in site.zones for corner in zone.corners_m])
    low, high = corners.min(axis=0) - OVER_M, corners.max(axis=0) + OVER_M
    along = 0 if high[0] - low[0] >= high[1] - low[1] else 1
    ground = free_ground(site)
    before = BasePose(*ground.entry_m, site.start.yaw_rad)
    lanes: list[tuple[BasePose, ...]] = []
    width = left - right
    centres = _centres(float(low[1 - along]), float(high[1 - along]), width)
    spare = 0.5 * (width - (centres[1] - centres[0])) if len(centres) > 1 else 0.0  # two neighbours may both move
    for n, centre in enumerate(centres):
        forward = n % 2 == 0
        yaw = (0.0 if along == 0 else math.pi / 2.0) + (0.0 if forward else math.pi)
        direction = np.array([math.cos(yaw), math.sin(yaw)])
        sideways = np.array([-direction[1], direction[0]])
        ends = (low[along], high[along]) if forward else (high[along], low[along])
        line = np.empty((2, 2))
        line[:, along] = ends
        line[:, 1 - along] = centre
        line = line - sideways * 0.5 * (left + right)
        line[0] -= direction * rear
        line[1] -= direction * front
        lanes += _driveable(ground, line, yaw, spare, lanes[-1][-1] if lanes else before)
    if not lanes:
        raise SiteError(
            "no lane can be driven: keep-outs leave the base no room", where="site.toml", field="keep_outs",
            remedy="make the keep-outs smaller or survey with another base",
        )  # fmt: skip
    return (*lanes, *_patches(site, ground, view, lanes))


def unseen_area(site: Site, view_m: Array, lanes: Sequence[tuple[BasePose, ...]]) -> BaseGeometry:
    """Return what of the zones, keep-outs left out, no picture along the lanes shows.

    Parameters
    ----------
    view_m : Array
        Shape (k, 2): outline of a picture on the ground, base axes.
    """
    import shapely

    poses = []
    for lane in lanes:
        for a, b in pairwise(lane):
            step = np.array([b.x_m - a.x_m, b.y_m - a.y_m])
            length = float(np.linalg.norm(step))
            yaw = math.atan2(step[1], step[0]) if length > 1e-6 else b.yaw_rad
            share = np.linspace(0.0, 1.0, max(math.ceil(length / 0.3), 1) + 1)
            poses.append(np.column_stack([a.x_m + share * step[0], a.y_m + share * step[1], np.full(len(share), yaw)]))
    wanted: Any = shapely.union_all([shapely.Polygon(zone.corners_m) for zone in site.zones])
    for keep_out in site.keep_outs:
        wanted = wanted.difference(shapely.Polygon(keep_out.corners_m))
    if not poses:
        unseen: BaseGeometry = wanted
        return unseen
    seen = shapely.union_all(shapely.polygons(_views(view_m, np.concatenate(poses))))
    unseen = wanted.difference(seen)
    return unseen


def _views(view_m: Array, poses: Array) -> Array:
    """Return the outlines (n, k, 2), ground axes, of the view from base poses (n, 3)."""
    c, s = np.cos(poses[:, 2])[:, None], np.sin(poses[:, 2])[:, None]
    x, y = view_m[:, 0][None], view_m[:, 1][None]
    return poses[:, None, :2] + np.stack([c * x - s * y, s * x + c * y], axis=-1)


def _patches(
    site: Site, ground: FreeGround, view: Array, lanes: list[tuple[BasePose, ...]]
) -> list[tuple[BasePose, ...]]:  # fmt: skip
    """Return short lanes that show what keep-outs hid from the long ones, as far as the base can get there."""
    import shapely

    patches: list[tuple[BasePose, ...]] = []
    headings = math.pi / 6.0 * np.arange(-5, 7)
    far = float(np.linalg.norm(view, axis=1).max())
    steps = np.arange(-math.ceil(far / PATCH_M), math.ceil(far / PATCH_M) + 1) * PATCH_M
    offsets = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)
    left: Any = unseen_area(site, view, lanes)
    given_up: Any = shapely.Polygon()
    for _ in range(50):
        parts = [part for part in shapely.get_parts(left.difference(given_up)) if part.area > PATCH_LEAST_M2]
        if not parts:
            break
        part = max(parts, key=lambda p: round(p.area, 4))
        places = shapely.get_coordinates(part.representative_point())[0] + offsets
        poses = np.column_stack([np.repeat(places, len(headings), axis=0), np.tile(headings, len(places))])
        back = poses[:, :2] - PATCH_M * np.column_stack([np.cos(poses[:, 2]), np.sin(poses[:, 2])])
        poses = poses[ground.standable(poses[:, :2]) & ground.standable(back)]
        gain: Array = shapely.area(shapely.intersection(shapely.polygons(_views(view, poses)), part))
        if float(gain.max(initial=0.0)) < 0.5 * PATCH_LEAST_M2:
            given_up = given_up.union(part)
            continue
        x, y, yaw = (float(v) for v in poses[int(np.argmax(np.round(gain, 6)))])
        last = [*lanes, *patches][-1][-1]
        begin = np.array([x - PATCH_M * math.cos(yaw), y - PATCH_M * math.sin(yaw)])
        _, ways = ground.ways(np.array([[last.x_m, last.y_m], begin]))
        bends = _facing(ways[0][1][1:-1], last)
        patches.append((*bends, BasePose(float(begin[0]), float(begin[1]), yaw), BasePose(x, y, yaw)))
        left = unseen_area(site, view, [*lanes, *patches])
    return patches


def _centres(low: float, high: float, width: float) -> Array:
    """Return where the middle of the seen strip runs so that strips of ``width`` cover low..high with overlap."""
    if high - low <= width:
        return np.array([0.5 * (low + high)])
    first, last = low + width / 2.0, high - width / 2.0
    return np.linspace(first, last, math.ceil((last - first) / (SPACING * width) - 1e-9) + 1)


def _driveable(
    ground: FreeGround, line: Array, yaw: float, aside_m: float, before: BasePose
) -> list[tuple[BasePose, ...]]:  # fmt: skip
    """Cut one lane to the free ground, moved aside by up to ``aside_m`` if more of it is free there.

    The way round what interrupts it is put before each piece.
    """
    import shapely

    direction = np.array([math.cos(yaw), math.sin(yaw)])
    sideways = np.array([-direction[1], direction[0]])
    shifts = sorted(np.linspace(-aside_m, aside_m, 21), key=lambda shift: (abs(round(shift, 9)), shift))
    free = [shapely.intersection(shapely.LineString(line + shift * sideways), ground.free) for shift in shifts]
    inside = max(free, key=lambda part: round(part.length, 2))  # the first of equals: the least moved
    pieces = [shapely.get_coordinates(part)[[0, -1]] for part in shapely.get_parts(inside) if part.length > 0.1]
    pieces = [piece if (piece[1] - piece[0]) @ direction > 0 else piece[::-1] for piece in pieces]
    pieces.sort(key=lambda piece: float(piece[0] @ direction))
    lanes = []
    for piece in pieces:
        _, ways = ground.ways(np.array([[before.x_m, before.y_m], piece[0]]))
        bends = _facing(ways[0][1][1:-1], before)
        lanes.append((*bends, *(BasePose(float(x), float(y), _wrapped(yaw)) for x, y in piece)))
        before = lanes[-1][-1]
    return lanes


def _facing(points: Array, before: BasePose) -> list[BasePose]:
    """Return base poses at bends, each facing the way it was reached."""
    out, last = [], np.array([before.x_m, before.y_m])
    for point in points:
        out.append(BasePose(float(point[0]), float(point[1]), math.atan2(*(point - last)[::-1])))
        last = point
    return out


def _wrapped(angle: float) -> float:
    return math.atan2(math.sin(angle), math.cos(angle)) if abs(angle) > math.pi else angle

"""Survey lanes: base poses along parallel lanes so that the survey camera sees all zones."""

from __future__ import annotations

import math

import numpy as np

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Site
from swardwright.planning.ground import FreeGround, free_ground
from swardwright.planning.view import ground_view_m

#: lanes stand at most this share of the seen width apart: a plant is seen from two lanes or nearly
SPACING = 0.75
#: the outermost lanes see at least this far over the edge of the zones, m
OVER_M = 0.05


def lanes_over(site: Site) -> tuple[tuple[BasePose, ...], ...]:
    """Return lanes of alternating direction along the longer side of the zones.

    A lane is a run of base poses to drive through in a straight line from one to the next. Keep-outs interrupt a lane;
    the way round them is put before the piece that follows.

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
    for n, centre in enumerate(_centres(float(low[1 - along]), float(high[1 - along]), left - right)):
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
        lanes += _driveable(ground, line, yaw, 0.25 * (left - right), lanes[-1][-1] if lanes else before)
    if not lanes:
        raise SiteError(
            "no lane can be driven: keep-outs leave the base no room", where="site.toml", field="keep_outs",
            remedy="make the keep-outs smaller or survey with another base",
        )  # fmt: skip
    return tuple(lanes)


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
    shifts = [shift for shift in np.linspace(-aside_m, aside_m, 21)]
    shifts.sort(key=lambda shift: (abs(shift), shift))
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

"""The drive: in which order to visit the stops, with turning and the way round keep-outs counted in seconds."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swardwright.domain.errors import RefusedError
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.site import Base
from swardwright.planning.ground import FreeGround, Ways, nearest_free, turned_rad
from swardwright.planning.tour import least_length, shortest_path


@dataclass(frozen=True, eq=False)
class Leg:
    """One drive between two base poses: metres, radians turned on the spot in all, and way points (k, 2)."""

    drive_m: float
    turn_rad: float
    way_m: Array

    def time_s(self, base: Base) -> float:
        """Return the time at the base's speeds (no acceleration: the plan's, not the clock's)."""
        return self.drive_m / base.speed_m_s + self.turn_rad / base.turn_rad_s


def leg(start: BasePose, end: BasePose, way_m: Array) -> Leg:
    """Return the drive along way points, forwards or backwards, whichever turns less."""
    steps = np.diff(way_m, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    steps = steps[lengths > 1e-9]
    along = np.arctan2(steps[:, 1], steps[:, 0])
    if len(along) == 0:
        return Leg(0.0, float(turned_rad(np.array([end.yaw_rad - start.yaw_rad]))[0]), way_m)
    turns = [
        float(turned_rad(np.diff(np.concatenate([[start.yaw_rad], along + back, [end.yaw_rad]]))).sum())
        for back in (0.0, np.pi)
    ]
    return Leg(float(lengths.sum()), min(turns), way_m)


@dataclass(frozen=True, eq=False)
class Drive:
    """The drive through all stops.

    Attributes
    ----------
    order : list[int]
        The stops, by their place in what was given.
    legs : list[Leg]
        From the start to the first stop, and so on (back to the start, where the round is closed).
    time_s, bound_s : float
        Driving and turning time; proven: no order of the same stops takes less than the bound.
    """

    order: list[int]
    legs: list[Leg]
    time_s: float
    bound_s: float


def times_s(base: Base, ground: FreeGround, start: BasePose, stops: list[BasePose]) -> tuple[Array, Ways]:
    """Return the time (n + 1, n + 1) between start (first) and stops along the shortest ways, and the ways, s.

    Metres at the base's speed and radians turned on the spot at its rate, at the start, at each bend and onto the end's
    heading. Symmetric, because a way may be driven backwards. The way is the shortest in metres: one with fewer bends
    that is a little longer is not looked for.
    """
    points = np.array([(p.x_m, p.y_m) for p in (start, *stops)])
    ways = ground.ways_between(points, from_start=True)
    turn = ways.turns_rad(np.array([start.yaw_rad, *(p.yaw_rad for p in stops)]))
    cost = ways.distance_m / base.speed_m_s + turn / base.turn_rad_s
    np.fill_diagonal(cost, 0.0)
    return 0.5 * (cost + cost.T), ways


#: disturbances of the order that are tried: many of few stops, fewer of many
KICKS, LEAST_KICKS = 150_000, 400


def drive_round(
    base: Base, ground: FreeGround, start: BasePose, stops: list[BasePose], rng: np.random.Generator, *,
    closed: bool = False,
) -> Drive:  # fmt: skip
    """Return the drive from the start through all stops with the least time found, and the least that could be.

    The drive ends at the last stop, or back at the start where ``closed``.
    """
    if not stops:
        return Drive([], [], 0.0, 0.0)
    poses = [start, *stops]
    cost, ways = times_s(base, ground, start, stops)
    kicks = int(np.clip(KICKS // len(poses), LEAST_KICKS, 1500))
    order = shortest_path(cost, 0, None, rng, kicks=kicks, closed=closed)
    visits = [*order, 0] if closed else order
    time_s = float(sum(cost[i, j] for i, j in pairwise(visits)))
    steps = int(np.clip(300_000 // len(poses), 100, 300))
    bound_s = min(least_length(cost, 0, time_s, closed=closed, steps=steps), time_s)
    legs = [leg(poses[i], poses[j], ways.way_m(i, j)) for i, j in pairwise(visits)]
    return Drive([i - 1 for i in order[1:]], legs, time_s, bound_s)


def way_to(ground: FreeGround, here: BasePose, target: BasePose) -> tuple[BasePose, ...]:
    """Return the poses to drive through from wherever the base is to ``target``, round keep-outs, ``target`` last.

    Between two way points the base drives straight, forwards or backwards, whichever turns less. A base that stands
    just off the free ground (its belief wanders, or it starts in a stand-off) first drives to the nearest free place.

    Raises
    ------
    RefusedError
        If no way leads round the keep-outs.
    """
    entry = nearest_free(ground, (here.x_m, here.y_m))
    goal = nearest_free(ground, (target.x_m, target.y_m))
    _, ways = ground.ways(np.array([entry, goal]))
    way = np.concatenate([[[here.x_m, here.y_m]], ways[0][1]])
    if len(ways[0][1]) == 0:
        raise RefusedError(
            "no way leads round the keep-outs to the next stop", field="stop", value=(target.x_m, target.y_m),
            remedy="drive the base by hand to where it can reach the stop, or plan again",
        )  # fmt: skip
    poses: list[BasePose] = []
    yaw = here.yaw_rad
    for (x0, y0), (x1, y1) in pairwise(way[:-1] if len(way) > 2 else way[:1]):
        if np.hypot(x1 - x0, y1 - y0) < 1e-3:
            continue
        along = float(np.arctan2(y1 - y0, x1 - x0))
        back = float(turned_rad(np.array([along - yaw]))[0]) > np.pi / 2
        yaw = wrap_angle(along + np.pi if back else along)
        poses.append(BasePose(float(x1), float(y1), yaw))
    return (*poses, target)

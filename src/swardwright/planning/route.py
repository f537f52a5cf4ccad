"""The drive: in which order to visit the stops, with turning and the way round keep-outs counted in seconds."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swardwright.domain.errors import RefusedError
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.site import Base
from swardwright.planning.ground import FreeGround, nearest_free
from swardwright.planning.tour import shortest_path


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
        return Leg(0.0, float(_turned(np.array([end.yaw_rad - start.yaw_rad]))[0]), way_m)
    turns = [
        float(_turned(np.diff(np.concatenate([[start.yaw_rad], along + back, [end.yaw_rad]]))).sum())
        for back in (0.0, np.pi)
    ]
    return Leg(float(lengths.sum()), min(turns), way_m)


def _turned(angle: Array) -> Array:
    turned: Array = np.abs((angle + np.pi) % (2.0 * np.pi) - np.pi)
    return turned


def order_stops(
    base: Base, ground: FreeGround, start: BasePose, stops: list[BasePose], rng: np.random.Generator
) -> tuple[list[int], list[Leg]]:
    """Return the stops' order with the least driving time, ending at the last stop, and the legs driven.

    The drive is the same in both directions because the base may drive backwards, so that the symmetric search of
    ``tour`` serves.
    """
    if not stops:
        return [], []
    poses = [start, *stops]
    points = np.array([ground.entry_m, *((p.x_m, p.y_m) for p in stops)])
    _, ways = ground.ways(points)
    for row in ways:  # from the start itself to where the free ground begins
        row[0] = np.concatenate([row[0], [[start.x_m, start.y_m]]])
    ways[0] = [np.concatenate([[[start.x_m, start.y_m]], way]) for way in ways[0]]
    n = len(poses)
    legs = [[leg(poses[i], poses[j], ways[i][j]) for j in range(n)] for i in range(n)]
    cost = np.array([[legs[i][j].time_s(base) if i != j else 0.0 for j in range(n)] for i in range(n)])
    cost = 0.5 * (cost + cost.T)
    order = shortest_path(cost, 0, None, rng)
    return [i - 1 for i in order[1:]], [legs[i][j] for i, j in pairwise(order)]


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
        back = float(_turned(np.array([along - yaw]))[0]) > np.pi / 2
        yaw = wrap_angle(along + np.pi if back else along)
        poses.append(BasePose(float(x1), float(y1), yaw))
    return (*poses, target)

"""The drive: in which order to visit the stops, with turning and the way round keep-outs counted in seconds."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Base
from swardwright.planning.ground import FreeGround
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

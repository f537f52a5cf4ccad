"""Reach map: where on the ground around the base the head can work, how well, and with which posture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array, frozen
from swardwright.domain.site import Rig
from swardwright.planning.reach import (
    POSITION_TOLERANCE_M,
    SHAKE_RAD,
    cones_rad,
    content_key,
    heat_off_base,
    nearest_starts,
    solve,
    start_pool,
    tilt_rad,
    travel_s,
    usable,
    working_point_m,
)

CELL_M = 0.05
#: starts from the pool, first and second try
_FEW, _MORE = 1, 6
#: how often the cells at the edge are tried again
_SHAKES = 6
#: cells on a side at most: an arm reaches no further than 12 m
_WIDEST = 481


@dataclass(frozen=True, eq=False)
class ReachMap:
    """Reach over a square grid of aims in base axes.

    Attributes
    ----------
    first_m : Array
        Shape (2,): aim of cell (0, 0), base axes, m; cell (i, j) is ``CELL_M * (i, j)`` further.
    reached : NDArray[np.bool_]
        Shape (nx, ny): the head can work here.
    sure : NDArray[np.bool_]
        Shape (nx, ny): and in all eight cells around, so that a stop a few centimetres off still serves.
    quality : Array
        Shape (nx, ny): 0..1, distance of the nearest joint from its limit as a share of half its range, less tilt.
    tilt_rad : Array
        Shape (nx, ny): tilt of the head.
    joints_rad : Array
        Shape (nx, ny, dof): the posture; NaN where there is none.
    limit_share : Array
        Shape (nx, ny): how far the posture's nearest joint is from its limit, as a share of half its range, 0..1;
        only joints on the way to the head.
    """

    first_m: Array
    reached: NDArray[np.bool_]
    sure: NDArray[np.bool_]
    quality: Array
    tilt_rad: Array
    joints_rad: Array
    limit_share: Array

    @property
    def radius_m(self) -> float:
        """Largest distance of a surely reached cell from the base axes, m; 0 if there is none."""
        i, j = np.nonzero(self.sure)
        if i.size == 0:
            return 0.0
        return float(np.hypot(self.first_m[0] + CELL_M * i, self.first_m[1] + CELL_M * j).max())

    def look_up(self, aims_m: Array) -> tuple[NDArray[np.bool_], Array]:
        """Return whether aims (..., 2), base axes, are surely reached, and the quality there, both shape (...)."""
        i, j = self._cell(aims_m)
        inside = (i >= 0) & (j >= 0) & (i < self.sure.shape[0]) & (j < self.sure.shape[1])
        i, j = np.where(inside, i, 0), np.where(inside, j, 0)
        sure: NDArray[np.bool_] = self.sure[i, j] & inside
        return sure, np.where(sure, self.quality[i, j], 0.0)

    def posture(self, aim_m: Array) -> Array:
        """Return the posture (dof,) of the cell of a surely reached aim (2,)."""
        i, j = self._cell(aim_m)
        posture: Array = self.joints_rad[int(i), int(j)]
        return posture

    def _cell(self, aims_m: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        cell = np.rint((np.asarray(aims_m) - self.first_m) / CELL_M).astype(np.int64)
        return cell[..., 0], cell[..., 1]


_MAPS: dict[tuple[object, ...], ReachMap] = {}


def reach_map(rig: Rig) -> ReachMap:
    """Return the reach map of a rig; kept in memory by content, so that it is made once per machine and process."""
    key = content_key(rig)
    if key not in _MAPS:
        _keep(key, _finished(rig, *_search(rig)))
    return _MAPS[key]


def _keep(key: tuple[object, ...], reach: ReachMap) -> None:
    if len(_MAPS) >= 4:
        _MAPS.clear()
    _MAPS[key] = reach


def to_arrays(reach: ReachMap) -> dict[str, Array]:
    """Return what a reach map is to be kept by: all else follows from it."""
    return {"first_m": reach.first_m, "joints_rad": reach.joints_rad}


def from_arrays(rig: Rig, arrays: dict[str, Array]) -> bool:
    """Take a kept reach map for this rig's, if it is one; return whether.

    Nothing is believed: each posture must still bring the head over its cell, be usable, and keep the joints' limits.
    """
    first, joints = arrays.get("first_m"), arrays.get("joints_rad")
    if first is None or joints is None or first.shape != (2,) or joints.ndim != 3:
        return False
    if first.dtype != np.float64 or joints.dtype != np.float64 or not np.isfinite(first).all():
        return False
    side = len(joints)
    if joints.shape != (side, side, len(rig.arm.moving)) or side % 2 == 0 or side > _WIDEST:
        return False
    steps = _steps(side // 2)
    if (first != steps[0]).any():
        return False
    there = np.isfinite(joints).all(axis=2)
    if not (there | np.isnan(joints).all(axis=2)).all():
        return False
    if there.any():
        found = joints[there]
        aims: Array = steps[np.argwhere(there)]
        off = np.linalg.norm(working_point_m(rig, found) - np.column_stack([aims, np.zeros(len(aims))]), axis=1)
        within = ((found >= rig.arm.lower_rad) & (found <= rig.arm.upper_rad)).all()
        if not within or not (off < 2.0 * POSITION_TOLERANCE_M).all() or not heat_off_base(rig, aims).all():
            return False
        if not usable(rig, found, np.ones(len(found), dtype=bool)).all():
            return False
    _keep(content_key(rig), _finished(rig, first, joints))
    return True


def _steps(half: int) -> Array:
    steps: Array = CELL_M * np.arange(-half, half + 1, dtype=float)
    return steps


def _search(rig: Rig) -> tuple[Array, Array]:
    """Return the aim of the first cell (2,) and a posture for each cell (nx, ny, dof), NaN where none was found."""
    arm = rig.arm
    _, points, _ = start_pool(rig)
    near_ground = points[np.abs(points[:, 2]) < 0.3]
    radius = float(np.linalg.norm(near_ground[:, :2], axis=1).max()) if len(near_ground) else 0.0
    steps = _steps(min(math.ceil(radius / CELL_M) + 2, _WIDEST // 2))
    grid = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1)
    shape = grid.shape[:2]
    joints = np.full((*shape, len(arm.moving)), np.nan)
    todo = heat_off_base(rig, grid) & (np.linalg.norm(grid, axis=2) <= radius + CELL_M)
    coarse = np.zeros(shape, dtype=bool)  # every second cell is searched from afar, the others from found neighbours
    coarse[::2, ::2] = True
    home = np.array(rig.look_joints_rad[0] if rig.look_joints_rad else rig.survey_joints_rad)
    for cone in cones_rad(rig):
        for pool in (_FEW, 0, 0, _MORE, 0, 0, 0):
            left = todo & np.isnan(joints[..., 0])
            _fill(rig, grid, joints, left & coarse if pool else left, home, cone, pool)
    rng = np.random.default_rng(21)
    for _ in range(_SHAKES):
        for cone in cones_rad(rig):
            _fill(rig, grid, joints, todo & np.isnan(joints[..., 0]), home, cone, 0, rng)
    return grid[0, 0], joints


def _finished(rig: Rig, first_m: Array, joints: Array) -> ReachMap:
    """Return the map of the postures found."""
    arm = rig.arm
    reached = ~np.isnan(joints[..., 0])
    sure = reached.copy()
    for di in (-1, 0, 1):
        for dj in (-1, 0, 1):
            sure &= np.roll(reached, (di, dj), axis=(0, 1))
    tilt, share = np.zeros(reached.shape), np.zeros(reached.shape)
    if reached.any():
        found = joints[reached]
        way = {joint.name for joint in arm.chain(rig.head.link)}
        used = [i for i, joint in enumerate(arm.moving) if joint.name in way]
        middle, span = 0.5 * (arm.lower_rad + arm.upper_rad), 0.5 * (arm.upper_rad - arm.lower_rad)
        tilt[reached] = tilt_rad(rig, found)
        share[reached] = np.clip(1.0 - (np.abs(found - middle) / span)[:, used].max(axis=1), 0.0, 1.0)
    quality = np.clip(share - tilt, 0.0, 1.0)
    return ReachMap(
        frozen(first_m), reached, sure, frozen(quality), frozen(tilt), frozen(joints), frozen(share)
    )  # fmt: skip


def _fill(
    rig: Rig, grid: Array, joints: Array, todo: NDArray[np.bool_], home: Array, cone: float, pool: int,
    rng: np.random.Generator | None = None,
) -> int:  # fmt: skip
    """Solve the cells to do, keep for each the usable posture nearest to home; return how many were found.

    From the pool, or (0) from the neighbours' postures, shaken by ``rng``: over a cell at the edge of what collision
    leaves, the neighbours' own lead to the same strike again.
    """
    cells = np.argwhere(todo)
    if pool == 0:
        near_found = [_neighbours(joints, i, j) for i, j in cells]
        owner = np.repeat(np.arange(len(cells)), [len(found) for found in near_found])
        starts = np.concatenate([np.empty((0, len(home))), *near_found])
    else:
        owner = np.repeat(np.arange(len(cells)), pool + 1)
        near = nearest_starts(rig, grid[todo], pool)
        turned = np.repeat(home[None, None], len(cells), axis=0)
        starts = np.concatenate([turned, near], axis=1).reshape(-1, len(home))
    if len(starts) == 0:
        return 0
    if rng is not None:
        starts = starts + SHAKE_RAD * rng.standard_normal(starts.shape)
    found, arrived = solve(rig, grid[todo][owner], starts, cone)
    good = usable(rig, found, arrived)
    away = np.where(good, travel_s(rig, home, found), math.inf)
    count = 0
    for n in np.argsort(away, kind="stable"):
        if not good[n]:
            break
        i, j = cells[owner[n]]
        if np.isnan(joints[i, j, 0]):
            joints[i, j] = found[n]
            count += 1
    return count


def _neighbours(joints: Array, i: int, j: int) -> Array:
    around = joints[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].reshape(-1, joints.shape[2])
    return around[~np.isnan(around[:, 0])]

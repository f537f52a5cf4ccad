"""Rings: the arm's postures over several points about one aim, and the moves from one to the next.

The points are a few centimetres apart, so that the arm moves straight between them at working height; where something
is in the way, the run lifts the head and goes round as it does between weeds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.choose import Candidate, turned
from swardwright.planning.motion import Motion, hindrances, way_over
from swardwright.planning.pace import piece_s
from swardwright.planning.reach import cones_rad, heat_off_base, postures_over, solve, travel_s, usable

#: a posture over the next point that takes longer to than this is another arm configuration, s
_NEAR_S = 1.0


@dataclass(frozen=True, eq=False)
class Ring:
    """A ring that the arm can go round: offsets (n, 2), m, about the aim; postures (n, dof); time of the round, s."""

    offsets_m: Array
    joints_rad: Array
    time_s: float


def ring_about(rig: Rig, aim_m: Array, joints_rad: Array, candidate: Candidate, yaw_rad: float) -> Ring | None:
    """Return the ring about an aim as the arm can go round it from its posture over the aim; None where it cannot.

    Straight from the aim to the first point, from point to point, and back; checked for collision all along, no point
    and no flame over the base. Of the turns that are as good the first is taken that can be done.

    Parameters
    ----------
    aim_m : Array
        Shape (2,): base axes, m.
    joints_rad : Array
        Shape (dof,): over the aim.
    yaw_rad : float
        Heading of the base.
    """
    for turn in candidate.turns_rad:
        offsets = turned(candidate.pattern.offsets_m, turn - yaw_rad)
        way = _round(rig, aim_m + offsets, joints_rad)
        if way is not None:
            return Ring(offsets, way[1:-1], float(piece_s(rig, way[:-1], way[1:]).sum()))
    return None


def _round(rig: Rig, points_m: Array, joints_rad: Array) -> Array | None:
    if not heat_off_base(rig, points_m).all():
        return None
    way = [np.asarray(joints_rad, dtype=float)]
    for point in points_m:
        posture = _next(rig, point, way[-1])
        if posture is None:
            return None
        way.append(posture)
    way.append(way[0])
    moves = np.array(way)
    return None if any(hindrances(rig, moves[:-1], moves[1:], lit=True)) else moves


def _next(rig: Rig, point_m: Array, near_rad: Array) -> Array | None:
    """Return the usable posture over a point that is nearest to where the arm is, in the same configuration."""
    for cone in cones_rad(rig):
        joints, arrived = solve(rig, point_m[None], near_rad[None], cone)
        if usable(rig, joints, arrived)[0] and travel_s(rig, near_rad, joints[0]) < _NEAR_S:
            return np.asarray(joints[0])
    found = postures_over(rig, point_m, near_rad)
    return found[0] if len(found) and travel_s(rig, near_rad, found[0]) < _NEAR_S else None


def way_onward(
    rig: Rig, point_m: tuple[float, float], near_joints_rad: tuple[float, ...], *, smooth: bool = False
) -> Motion | str:
    """Return the checked motion from one point of a ring to the next, flame lit; or why there is none."""
    near, point = np.array(near_joints_rad), np.array(point_m, dtype=float)
    if heat_off_base(rig, point):
        posture = _next(rig, point, near)
        if posture is not None and not hindrances(rig, near, posture, lit=True, margin_m=0.0)[0]:
            return Motion(np.array([near, posture]), float(piece_s(rig, near, posture)))
    return way_over(rig, point_m, near_joints_rad, smooth=smooth)


def hindered_round(rig: Rig, points_m: Sequence[tuple[float, float]], near_joints_rad: tuple[float, ...]) -> str:
    """Return why the arm cannot go on from where it is to each of these points in turn; empty: it can."""
    for point in points_m:
        way = way_onward(rig, point, near_joints_rad)
        if isinstance(way, str):
            return way
        near_joints_rad = tuple(way.way_rad[-1].tolist())
    return ""

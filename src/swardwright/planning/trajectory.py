"""The arm's whole trajectory at a stop over time: looks, ways, holds, rings and the way back to rest.

What an export or a controller needs. The times are the plan's own; how long a picture takes is the machine's and is
not in them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swardwright.domain.errors import RobotModelError
from swardwright.domain.plan import Stop
from swardwright.domain.poses import Array
from swardwright.domain.robot import TimedWay
from swardwright.domain.site import Rig
from swardwright.planning.looks import looks_taken
from swardwright.planning.motion import Motion, chord_s, move
from swardwright.planning.pace import Pace, pace

#: a hold's time says whether the arm stops between the pieces of its way: to within this, s
_SAME_S = 1e-6


@dataclass(frozen=True, eq=False)
class Timed:
    """One part of what the arm does at a stop.

    Attributes
    ----------
    what : str
        ``look`` (to a look posture), ``way`` (to a hold), ``hold`` (still, flame full), ``ring`` (to a ring's next
        point and, last, back over the aim), ``rest`` (back).
    weed_id : str
        Empty for looks and the way back.
    time_s : Array
        Shape (n,): since the arm left rest at this stop, increasing.
    joints_rad, speed_rad_s : Array
        Shape (n, dof).
    """

    what: str
    weed_id: str
    time_s: Array
    joints_rad: Array
    speed_rad_s: Array


def motion_pace(rig: Rig, way_rad: Array, time_s: float) -> Pace:
    """Return the pace along a planned way (m, dof) that takes the planned time: without stops, or with."""
    gone = pace(rig, way_rad)
    return gone if abs(gone.time_s - time_s) <= _SAME_S else pace(rig, way_rad, smooth=False)


def stop_paces(rig: Rig, stop: Stop) -> Iterator[tuple[str, str, Pace | float]]:
    """Yield what the arm does at a stop in order: what, the weed, and the pace of a way or how long it stands still.

    From rest over the look postures and the holds back to rest; names as in ``Timed``.
    """
    looks = [rig.rest_joints_rad, *looks_taken(rig, stop)]
    for a, b in pairwise(looks):
        yield "look", "", pace(rig, np.array([a, b], dtype=float))
    here = np.array(looks[-1], dtype=float)
    for hold in stop.holds:
        way = np.array([here, *hold.via_rad, hold.joints_rad], dtype=float)
        yield "way", hold.weed_id, motion_pace(rig, way, hold.move_s)
        here = way[-1]
        if not hold.ring_rad:
            yield "hold", hold.weed_id, hold.hold_s
            continue
        for one, two in pairwise([here, *np.array(hold.ring_rad, dtype=float), here]):
            if one is not here:
                yield "hold", hold.weed_id, hold.hold_s
            if (one != two).any():
                yield "ring", hold.weed_id, pace(rig, np.stack([one, two]))
    rest = np.array(rig.rest_joints_rad, dtype=float)
    back = move(rig, here, rest, lit=False)
    if isinstance(back, str):
        raise RobotModelError(f"the arm finds no way back to rest at {stop.id}: {back}", where=f"stop {stop.id}",
                              remedy="plan the round anew")  # fmt: skip
    yield "rest", "", motion_pace(rig, back.way_rad, back.time_s)


def timed_way(rig: Rig, motion: Motion) -> TimedWay:
    """Return a motion over time, as a robot is to drive it, sampled so closely that chords between samples will do."""
    gone = pace(rig, motion.way_rad, smooth=motion.smooth)
    time = np.linspace(0.0, gone.time_s, max(2, 1 + int(np.ceil(gone.time_s / chord_s(rig)))))
    return TimedWay(time, *gone.at(time))


def sample_stop(rig: Rig, stop: Stop, step_s: float) -> list[Timed]:
    """Return the arm's trajectory at a stop, from rest to rest, sampled at most ``step_s`` apart.

    Parameters
    ----------
    step_s : float
        Largest time between two samples of a part that moves; a still one has its two ends.
    """
    out: list[Timed] = []
    clock = 0.0
    for what, weed_id, part in stop_paces(rig, stop):
        if isinstance(part, Pace):
            time = np.linspace(0.0, part.time_s, max(2, 1 + int(np.ceil(part.time_s / step_s))))
            joints, speed = part.at(time)
        else:
            time = np.array([0.0, part])
            joints, speed = np.repeat(out[-1].joints_rad[-1:], 2, axis=0), np.zeros((2, len(rig.rest_joints_rad)))
        out.append(Timed(what, weed_id, clock + time, joints, speed))
        clock += float(time[-1])
    return out

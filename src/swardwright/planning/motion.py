"""How the arm gets from one posture to another: straight in joint space, checked all along, timed.

A motion is a way of postures. Between holds the head is lifted before it moves sideways. Each piece is straight in
joint space; the arm goes on from piece to piece without a stop where that is clear too (``pace``), else it stops at
each posture. What would strike something, or carry the flame over the base, goes round by one of the rig's own
postures; where none helps there is no motion, and the reason says what is in the way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.pace import SPEED_UP_S, Pace, pace, piece_s
from swardwright.planning.reach import (
    MARGIN_M,
    base_box_m,
    cones_rad,
    content_key,
    gap_m,
    postures_over,
    solve,
    travel_s,
    usable,
    working_point_m,
)

#: the head is lifted by this before it moves sideways, m (common practice, no source)
RETREAT_M = 0.05
#: samples along a piece: at most this far apart in any joint, and refined to this far apart in space where it is close
STEP_RAD, STEP_M = math.radians(1.0), 1e-3
#: where pieces overlap the arm drives a curve; it is checked along chords that it leaves by no more than this, m
_SAG_M = 2e-4


@dataclass(frozen=True, eq=False)
class Motion:
    """A checked way of the arm.

    Attributes
    ----------
    way_rad : Array
        Shape (m, dof): postures to move through, the first where the arm is.
    time_s : float
        Time from first to last.
    smooth : bool
        The arm goes on from piece to piece; False: it stops at each posture.
    """

    way_rad: Array
    time_s: float
    smooth: bool = False


def lift(rig: Rig, joints_rad: Array) -> Array:
    """Return the postures (n, dof) with the working point lifted by ``RETREAT_M``; where it cannot be, as given."""
    joints = np.asarray(joints_rad, dtype=float)
    points = working_point_m(rig, joints)
    out = joints.copy()
    low = np.flatnonzero(points[:, 2] < 0.5 * RETREAT_M)
    for cone in reversed(cones_rad(rig)):
        if not low.size:
            break
        found, arrived = solve(rig, points[low, :2], joints[low], cone, height_m=RETREAT_M)
        arrived = usable(rig, found, arrived) & (travel_s(rig, joints[low], found) < 1.0)
        out[low[arrived]] = found[arrived]
        low = low[~arrived]
    return out


def hindrances(rig: Rig, from_rad: Array, to_rad: Array, *, lit: bool, margin_m: float = MARGIN_M) -> list[str]:
    """Return for each straight move (n of them, from and to (n, dof)) what is in its way; empty: nothing.

    Checked at steps of one degree of the fastest joint. Between two samples no point of the arm goes further than its
    joints' turns times its distance from them; where that is more than the gaps at both ends, the step is halved, down
    to a millimetre. So "nothing" holds all along, not only at the samples.

    Parameters
    ----------
    lit : bool
        The flame may not pass over the base.
    """
    from_rad, to_rad = np.atleast_2d(from_rad), np.atleast_2d(to_rad)
    said = [""] * len(from_rad)
    if not said:
        return said
    span = to_rad - from_rad
    count = np.maximum(np.ceil(np.abs(span).max(axis=1) / STEP_RAD).astype(int), 1)
    goes_on = np.append((to_rad[:-1] == from_rad[1:]).all(axis=1), False)  # its end is the next one's begin
    owner = np.repeat(np.arange(len(span)), count + ~goes_on)
    place = np.arange(len(owner)) - np.searchsorted(owner, owner)
    share = place / count[owner]
    joints = from_rad[owner] + share[:, None] * span[owner]
    if lit:  # first, as it is quick; what is refused already needs no more looking into
        for n in np.unique(owner[_flame_over_base(rig, joints)]):
            said[n] = "the flame would pass over the base"
    asked = np.array([not text for text in said])[owner]
    if not asked.any():
        return said
    asked[1:] |= asked[:-1]
    gap = np.zeros(len(joints))
    gap[asked] = gap_m(rig, joints[asked]) - margin_m
    sweep = np.abs(span) @ _reaches_m(rig)
    a = np.flatnonzero(place < count[owner])
    who = owner[a]
    _strikes(said, who[(gap[a] <= 0.0) | (gap[a + 1] <= 0.0)])
    left = (share[a], share[a] + 1.0 / count[who], gap[a], gap[a + 1], who)
    while left[0].size:
        s, t, g, h, who = left
        length = (t - s) * sweep[who]
        open_ = (g + h < length) & (length > STEP_M) & np.array([not text for text in said])[who]
        s, t, g, h, who = (v[open_] for v in (s, t, g, h, who))
        if not s.size:
            break
        middle = 0.5 * (s + t)
        new = gap_m(rig, from_rad[who] + middle[:, None] * span[who]) - margin_m
        _strikes(said, who[new <= 0.0])
        left = (np.concatenate([s, middle]), np.concatenate([middle, t]), np.concatenate([g, new]),
                np.concatenate([new, h]), np.concatenate([who, who]))  # fmt: skip
    return said


def _strikes(said: list[str], which: NDArray[np.int64]) -> None:
    for n in np.unique(which):
        said[int(n)] = said[int(n)] or "the arm would strike itself, the base or the ground"


def _flame_over_base(rig: Rig, joints: Array) -> NDArray[np.bool_]:
    low, high = base_box_m(rig)
    tip = rig.arm.forward(joints, rig.head.link)[:, :2, 3]
    over = np.zeros(len(joints), dtype=bool)
    for point in (tip, working_point_m(rig, joints)[:, :2]):
        over |= ((point > low[:2]) & (point < high[:2])).all(axis=1)
    return over


@lru_cache(maxsize=8)
def _reaches_m(rig: Rig) -> Array:
    """Return for each joint how far any point that it moves can be from it, m, shape (dof,): 1 for a prismatic one."""
    out = np.ones(len(rig.arm.moving))
    column = {joint.name: i for i, joint in enumerate(rig.arm.moving)}
    beyond: dict[str, float] = {}
    for joint in reversed(rig.arm.joints):
        here = [float(np.linalg.norm(s.link_from_shape[:3, 3]) + np.linalg.norm(s.size_m) / 2.0)
                for s in rig.arm.shapes if s.link == joint.child]  # fmt: skip
        stroke = max(abs(joint.lower_rad), abs(joint.upper_rad)) if joint.kind == "prismatic" else 0.0
        tail = max([0.1, beyond.get(joint.child, 0.0), *here])
        if joint.name in column and joint.kind != "prismatic":
            out[column[joint.name]] = tail
        whole = tail + float(np.linalg.norm(joint.origin[:3, 3])) + stroke
        beyond[joint.parent] = max(beyond.get(joint.parent, 0.0), whole)
    return out


_STOPOVERS: dict[tuple[object, ...], tuple[Array, Array]] = {}


def stopovers(rig: Rig, *, lit: bool) -> tuple[Array, Array]:
    """Return postures (k, dof) to go round by, the rig's own; and the times (k, k) between them, inf: no clear way."""
    key = (lit, *content_key(rig))
    if key not in _STOPOVERS:
        if len(_STOPOVERS) >= 8:
            _STOPOVERS.clear()
        via = np.array([*rig.look_joints_rad, rig.survey_joints_rad, rig.rest_joints_rad], dtype=float)
        one, two = np.divmod(np.arange(len(via) ** 2), len(via))
        clear = np.array([not text for text in hindrances(rig, via[one], via[two], lit=lit)])
        time = np.where(clear, piece_s(rig, via[one], via[two]), np.inf).reshape(len(via), len(via))
        np.fill_diagonal(time, 0.0)
        _STOPOVERS[key] = via, time
    return _STOPOVERS[key]


def chord_s(rig: Rig) -> float:
    """Return how far apart in time samples of what is driven may be, s, so that chords leave it by ``_SAG_M`` only."""
    turning = float(rig.arm.velocity_rad_s @ _reaches_m(rig)) / SPEED_UP_S  # no point is sped up by more, m/s2
    return math.sqrt(8.0 * _SAG_M / turning)


def driven_hindrance(rig: Rig, gone: Pace, *, lit: bool, margin_m: float = MARGIN_M) -> str:
    """Return what is in the way of what is really driven at a pace, corners cut and all; empty: nothing."""
    driven = gone.driven_rad(chord_s(rig))
    if lit and _flame_over_base(rig, driven).any():
        return "the flame would pass over the base"
    said = hindrances(rig, driven[:-1], driven[1:], lit=lit, margin_m=margin_m)
    return next((text for text in said if text), "")


def move(
    rig: Rig, from_rad: Array, to_rad: Array, *, lit: bool, margin_m: float = MARGIN_M, smooth: bool = True
) -> Motion | str:
    """Return a checked motion, the head lifted first and lowered last; or, where there is none, the reason.

    Straight where nothing is in the way, else by one or two of the rig's own postures, the quickest of those.

    Parameters
    ----------
    smooth : bool
        Go on from piece to piece where that is clear.
    """
    start, end = np.asarray(from_rad, dtype=float), np.asarray(to_rad, dtype=float)
    up, down = lift(rig, np.stack([start, end]))
    head, tail = [start, up], [down, end]
    for n, text in enumerate(hindrances(rig, np.array([start, down]), np.array([up, end]), lit=lit, margin_m=margin_m)):
        if text and n == 0:  # no room to lift: straight from or to the hold
            head = [start, start]
        elif text:
            tail = [end, end]
    return between(rig, head, tail, lit=lit, margin_m=margin_m, smooth=smooth)


def between(
    rig: Rig, head: list[Array], tail: list[Array], *, lit: bool, margin_m: float = MARGIN_M, smooth: bool = True
) -> Motion | str:
    """Return a checked motion from the last posture of ``head`` to the first of ``tail``.

    The pieces within both are kept; they must be clear on their own.
    """
    made = _gone(rig, [*head, *tail], lit=lit, margin_m=margin_m) if smooth else None
    if made:
        return made
    first, last = head[-1], tail[0]
    reason = hindrances(rig, first, last, lit=lit, margin_m=margin_m)[0]
    if not reason:
        return _stopping(rig, [*head, *tail])
    via, time = stopovers(rig, lit=lit)
    many = np.repeat(first[None], len(via), axis=0), np.repeat(last[None], len(via), axis=0)
    both = hindrances(rig, np.concatenate([many[0], via]), np.concatenate([via, many[1]]), lit=lit, margin_m=margin_m)
    clear = np.array([not text for text in both])
    into = np.where(clear[: len(via)], piece_s(rig, first, via), np.inf)
    out = np.where(clear[len(via) :], piece_s(rig, via, last), np.inf)
    total = into[:, None] + time + out[None, :]
    i, j = np.unravel_index(int(np.argmin(total)), total.shape)
    if not np.isfinite(total[i, j]):
        return reason
    way = [*head, via[i], *([via[j]] if i != j else []), *tail]
    return (_gone(rig, way, lit=lit, margin_m=margin_m) if smooth else None) or _stopping(rig, way)


def _kept(way: list[Array]) -> Array:
    return np.array([way[0], *(b for a, b in pairwise(way) if (a != b).any())])


def _gone(rig: Rig, way: list[Array], *, lit: bool, margin_m: float) -> Motion | None:
    """Return the motion along a way without stops, if what is driven is clear."""
    gone = pace(rig, _kept(way))
    if driven_hindrance(rig, gone, lit=lit, margin_m=margin_m):
        return None
    return Motion(gone.way_rad, gone.time_s, smooth=True)


def _stopping(rig: Rig, way: list[Array]) -> Motion:
    gone = pace(rig, _kept(way), smooth=False)
    return Motion(gone.way_rad, gone.time_s)


def way_over(
    rig: Rig,
    aim_base_m: tuple[float, float],
    near_joints_rad: tuple[float, ...],
    *,
    planned_rad: tuple[float, ...] | None = None,
    lit: bool = True,
    smooth: bool = False,
) -> Motion | str:
    """Return the checked motion, from where the arm is, that brings the head over an aim; or why there is none.

    Parameters
    ----------
    planned_rad : tuple[float, ...] | None
        The plan's posture over the place where the plant was believed to be: its arm configuration is preferred.
    lit : bool
        The flame may not pass over the base on the way.
    smooth : bool
        The robot can go on from piece to piece without a stop.
    """
    also = None if planned_rad is None else np.array([planned_rad])
    found = postures_over(rig, aim_base_m, near_joints_rad, also)
    if not len(found):
        return "no posture of the arm puts the head over it"
    if planned_rad is not None:
        found = np.concatenate([found[[int(np.argmin(travel_s(rig, np.array(planned_rad), found)))]], found])
    reason = ""
    for posture in found[:6]:
        motion = move(rig, np.array(near_joints_rad), posture, lit=lit, margin_m=0.0, smooth=smooth)
        if isinstance(motion, Motion):
            return motion
        reason = reason or motion
    return f"the arm finds no way there: {reason}"


def way_between(
    rig: Rig, from_rad: tuple[float, ...], to_rad: tuple[float, ...], *, smooth: bool = False
) -> Motion | str:
    """Return the checked motion to one of the rig's own postures, flame out; or why there is none."""
    motion = move(rig, np.array(from_rad), np.array(to_rad), lit=False, margin_m=0.0, smooth=smooth)
    return f"the arm finds no way there: {motion}" if isinstance(motion, str) else motion


__all__ = [
    "RETREAT_M", "Motion", "between", "chord_s", "driven_hindrance", "hindrances", "lift", "move", "piece_s",
    "stopovers", "way_between", "way_over",
]  # fmt: skip

"""How fast the arm goes along a way of postures: each piece straight in joint space, its ends overlapping the next's.

A piece has a trapezoid of speed, all joints starting and stopping together (Biagiotti and Melchiorri 2008, section
5.2, from memory). The arm need not stop between two pieces: the next one speeds up while the last one slows down, and
the arm drives the sum of both. While two overlap, a joint's acceleration is the sum of both too: where they pull it
against each other's slowing, one or both take it slower, whichever costs least; its speed is never more than the larger
of the two, for one falls and the other rises in straight lines. So every joint stays within its limits all along.

A piece begins no sooner than the one before is half done, and is no more than half done when that one ends: a head
that is lifted, carried and lowered does not go sideways below half the retreat height.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.reach import travel_s

#: a joint comes to its full speed in this time, s (common practice, no source: a URDF states no acceleration)
SPEED_UP_S = 0.4
#: a piece that takes less than this at full speed is none, s
_NOTHING_S = 1e-9


@dataclass(frozen=True, eq=False)
class Pace:
    """When the arm is where on a way.

    Attributes
    ----------
    way_rad : Array
        Shape (m, dof).
    begins_s, speeding_s, slowing_s, lasts_s : Array
        Shape (m - 1,): when each piece begins, how long it speeds up and slows down, and how long it takes in all.
    """

    way_rad: Array
    begins_s: Array
    speeding_s: Array
    slowing_s: Array
    lasts_s: Array

    @property
    def time_s(self) -> float:
        """Time from first to last posture."""
        return float((self.begins_s + self.lasts_s).max(initial=0.0))

    def at(self, time_s: Array) -> tuple[Array, Array]:
        """Return joints and joint speeds, each (n, dof), at times (n,) from the start."""
        time = np.asarray(time_s, dtype=float)[:, None]
        lasts = np.maximum(self.lasts_s, 1e-300)
        up, down = np.maximum(self.speeding_s, 1e-300), np.maximum(self.slowing_s, 1e-300)
        top = 1.0 / np.maximum(lasts - 0.5 * (up + down), 1e-300)
        u = np.clip(time - self.begins_s, 0.0, lasts)
        left = lasts - u
        share = np.where(u < up, 0.5 * top * u**2 / up,
                         np.where(left < down, 1.0 - 0.5 * top * left**2 / down, top * (u - 0.5 * up)))  # fmt: skip
        speed = top * np.minimum(1.0, np.minimum(u / up, left / down))
        span = np.diff(self.way_rad, axis=0)
        moves = (self.lasts_s > 0.0).astype(float)
        return self.way_rad[0] + (share * moves) @ span, (speed * moves) @ span

    def driven_rad(self, step_s: float) -> Array:
        """Return postures (k, dof) in order along what is really driven, ``step_s`` apart where pieces overlap.

        Straight between two of them elsewhere.
        """
        ends = self.begins_s + self.lasts_s
        times = [np.array([0.0, self.time_s]), self.begins_s, ends]
        for begin, end in zip(self.begins_s[1:], ends[:-1], strict=True):
            if end > begin:
                times.append(np.linspace(begin, end, int(np.ceil((end - begin) / step_s)) + 1))
        return self.at(np.unique(np.concatenate(times)))[0]


def piece_s(rig: Rig, from_rad: Array, to_rad: Array) -> Array:
    """Return the time of straight moves from standing to standing, s; shapes as ``travel_s``.

    With the slowest joint's time at full speed ``t``, ramps of ``T`` (``SPEED_UP_S``): ``t + T`` where full speed is
    reached, ``2 sqrt(T t)`` where not.
    """
    return _lasting(travel_s(rig, from_rad, to_rad), 1.0, 1.0)[0]


def pace(rig: Rig, way_rad: Array, *, smooth: bool = True) -> Pace:
    """Return the pace along a way (m, dof), without stops between its postures (``smooth``) or standing at each."""
    way = np.asarray(way_rad, dtype=float)
    spans = np.diff(way, axis=0) / rig.arm.velocity_rad_s
    begins, up, down, lasts = _overlapped(list(spans[:, None, :]), smooth=smooth)
    return Pace(way, begins[:, 0], up[:, 0], down[:, 0], lasts[:, 0])


def paced_s(rig: Rig, ways_rad: list[Array]) -> Array:
    """Return the times (...,) of many smooth ways at once: postures (..., dof) that broadcast, one entry for each."""
    rate = rig.arm.velocity_rad_s
    begins, _, _, lasts = _overlapped([(b - a) / rate for a, b in pairwise(ways_rad)])
    out: Array = begins[-1] + lasts[-1]
    return out


def _lasting(t: Array, up: Array | float, down: Array | float) -> tuple[Array, Array, Array]:
    """Return time, speeding-up and slowing-down time of pieces of ``t`` s at full speed, at shares of acceleration."""
    both = 1.0 / np.asarray(up) + 1.0 / np.asarray(down)
    top = np.minimum(1.0, np.sqrt(2.0 * t / (SPEED_UP_S * both)))
    ramps = top * SPEED_UP_S
    lasts = np.where(top < 1.0, ramps * both, t + 0.5 * SPEED_UP_S * both)
    return lasts, ramps / up, ramps / down


def _overlap(t: Array, up: Array, down: Array, lasts: Array, *, late: bool) -> Array:
    """Return how long a piece can share its slowing (``late``) or speeding with its neighbour: not past its middle."""
    ramp = down if late else up
    covered = 0.5 * ramp / np.maximum(lasts - 0.5 * (up + down), 1e-12)
    shared: Array = np.where(t > _NOTHING_S, ramp * np.minimum(1.0, np.sqrt(0.5 / np.maximum(covered, 1e-12))), 0.0)
    return shared


def _corner(x: Array, y: Array, t: Array, s: Array) -> tuple[Array, Array]:
    """Return the shares of acceleration (slowing of the first, speeding of the second) that cost least at a corner.

    ``x``, ``y``: the joints' parts (..., dof) of the two pieces, the slowest joint's 1 or -1; ``t``, ``s``: their times
    at full speed. Shares ``p``, ``r`` are within limits where ``|r y - p x| <= 1`` for each joint. Not a number: the
    pieces do not overlap.
    """
    clash = x * y < 0.0
    ax, ay = np.where(clash, np.abs(x), 0.0), np.where(clash, np.abs(y), 0.0)
    yields = np.min((1.0 - ax) / np.maximum(ay, 1e-9), axis=-1, initial=1.0)
    waits = np.min((1.0 - ay) / np.maximum(ax, 1e-9), axis=-1, initial=1.0)
    half = 1.0 / np.maximum((ax + ay).max(axis=-1), 1.0)
    one = np.ones_like(half)
    best, first, second = np.zeros_like(half), np.full_like(half, np.nan), np.full_like(half, np.nan)
    plain = _lasting(t, one, one)[0] + _lasting(s, one, one)[0]
    for p, r in ((one, yields), (waits, one), (half, half)):
        able = (p > 0.05) & (r > 0.05)
        p, r = np.where(able, p, 1.0), np.where(able, r, 1.0)
        lasts, up, down = _lasting(t, one, p)
        lasts2, up2, down2 = _lasting(s, r, one)
        shared = np.minimum(_overlap(t, up, down, lasts, late=True), _overlap(s, up2, down2, lasts2, late=False))
        gain = np.where(able, plain - (lasts + lasts2 - shared), 0.0)
        better = gain > best
        best, first, second = np.where(better, gain, best), np.where(better, p, first), np.where(better, r, second)
    return first, second


def _overlapped(spans: list[Array], *, smooth: bool = True) -> tuple[Array, Array, Array, Array]:
    """Return begin, speeding, slowing and lasting times (pieces, ...) of pieces with ``spans``, s at full speed."""
    times = [np.max(np.abs(span), axis=-1, initial=0.0) for span in spans]
    shape = np.broadcast_shapes(*(t.shape for t in times)) if times else (1,)
    count = len(spans)
    up, down = np.ones((count, *shape)), np.ones((count, *shape))
    joined = np.zeros((max(count - 1, 0), *shape), dtype=bool)
    if smooth:
        parts = [span / np.maximum(t, 1e-12)[..., None] for span, t in zip(spans, times, strict=True)]
        for k in range(count - 1):
            p, r = _corner(parts[k], parts[k + 1], times[k], times[k + 1])
            joined[k] = np.isfinite(p)
            down[k], up[k + 1] = np.where(joined[k], p, 1.0), np.where(joined[k], r, 1.0)
    made = [_lasting(t, u, d) for t, u, d in zip(times, up, down, strict=True)]
    begins = np.zeros((count, *shape))
    lasts, rise, fall = (
        np.array([np.broadcast_to(m[i], shape) for m in made]).reshape(count, *shape) for i in range(3)
    )
    for k in range(count - 1):
        late = _overlap(times[k], rise[k], fall[k], lasts[k], late=True)
        early = _overlap(times[k + 1], rise[k + 1], fall[k + 1], lasts[k + 1], late=False)
        begins[k + 1] = begins[k] + lasts[k] - np.where(joined[k], np.minimum(late, early), 0.0)
    return begins, rise, fall, lasts

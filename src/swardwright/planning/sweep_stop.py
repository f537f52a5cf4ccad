"""One stop of a sweep, decided after the look: which of the plants seen are heated, how, and in which order."""

from __future__ import annotations

import math
import zlib
from collections.abc import Collection, Sequence

import numpy as np

from swardwright.domain.plan import Hold, Refused, Stop, StopWork
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import Site
from swardwright.domain.weed import Aim, Register, Weed
from swardwright.planning.choose import Candidate, choose
from swardwright.planning.holds import order_holds
from swardwright.planning.looks import all_looks
from swardwright.planning.reach import posture_over
from swardwright.planning.stops import in_base_axes

#: no fresh look is expected any more: what the look left is what counts, m2
_NONE_EXPECTED_M2 = 1e6 * np.eye(2)


def plan_stop(
    site: Site, stop: Stop, aims: Sequence[Aim], *, base: BasePose | None = None, done: Collection[str] = (),
    new: Collection[str] = (), heated_m: Array | None = None,
) -> StopWork:  # fmt: skip
    """Decide what to heat at a stop of a sweep from a fresh look at it.

    Every plant that the look gives comes out once: in a hold, among the controls, refused with its reason, or it is in
    ``done``. Plants that the look did not see, but that were seen from an earlier stop, protect themselves if they are
    to be spared; they are heated only where they are seen.

    Parameters
    ----------
    aims : sequence of Aim
        Every plant known round the stop, base axes.
    base : BasePose | None
        Where the base believes to stand; None: as planned.
    done : collection of str
        Plants that were heated, or whose heat is unknown: never heated again in this round.
    new : collection of str
        Plants that no look before this one knew.
    heated_m : Array | None
        Shape (n, 2): places that got heat in this round, ground axes, m. A new plant within the site's gate of one is
        not heated: it may be the same plant, not recognised.

    Notes
    -----
    Controls are drawn by a plant's id (a sum of its letters, evenly spread), so that the draw is the same whenever the
    stop is worked again.
    """
    pose = stop.base if base is None else base
    weeds = [_on_ground(aim, pose) for aim in aims]
    candidates, refused = choose(Register(0, tuple(weeds)), site, _NONE_EXPECTED_M2)
    seen = {aim.weed_id for aim in aims if aim.seen}
    refused = [r for r in refused if r.item not in done]
    controls, work = [], []
    row = pose.as_array()[None]
    for candidate in candidates:
        weed = candidate.weed
        if weed.id in done:
            continue
        if weed.id in new and heated_m is not None and _nearest_m(weed.mean_m, heated_m) < site.limits.gate_m:
            refused.append(Refused(weed.id, "it stands where this round gave heat already, and may be the same plant"))
        elif weed.id not in seen:
            refused.append(Refused(weed.id, "this stop's look did not see it"))
        elif _drawn(weed.id, site.limits.control_fraction):
            controls.append(weed.id)
        else:
            aim = in_base_axes(row, weed.mean_m[None])[0, 0]
            posture = posture_over(site.rig, (float(aim[0]), float(aim[1])), site.rig.look_joints_rad[-1])
            if posture is None:
                refused.append(Refused(weed.id, "out of reach from here: the arm has no posture over it"))
            else:
                work.append((candidate, aim, np.array(posture)))
    holds, more = _ordered(site, work, zlib.crc32(stop.id.encode()), pose.yaw_rad)
    return StopWork(holds, (*refused, *more), tuple(controls))


def _nearest_m(place_m: Array, places_m: Array) -> float:
    return float(np.linalg.norm(places_m - place_m, axis=1).min(initial=math.inf))


def _ordered(
    site: Site, work: list[tuple[Candidate, Array, Array]], seed: int, yaw_rad: float
) -> tuple[tuple[Hold, ...], list[Refused]]:
    if not work:
        return (), []
    done = order_holds(site.rig, work, np.random.default_rng(seed), yaw_rad, [all_looks(site.rig)])
    return done.holds, done.refused


def _drawn(weed_id: str, fraction: float) -> bool:
    return zlib.crc32(weed_id.encode()) < fraction * 2.0**32


def _on_ground(aim: Aim, base: BasePose) -> Weed:
    """Return an aim as a weed whose covariance is that relative to the base: what counts for heat at this stop."""
    c, s = math.cos(base.yaw_rad), math.sin(base.yaw_rad)
    turn = np.array([[c, -s], [s, c]])
    covariance = turn @ aim.covariance_m2 @ turn.T
    place = np.array([base.x_m, base.y_m]) + turn @ aim.mean_m
    return Weed(aim.weed_id, place, 0.5 * (covariance + covariance.T), aim.radius_m, 0.0, aim.presence, aim.kinds)

"""A fresh look at a stop: the register as prior, one base-pose error for all its pictures, aims in base axes."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.uncertainty import check_covariance
from swardwright.domain.weed import Aim, Look, Register, Sighting
from swardwright.merging.joint import MergeSettings, join
from swardwright.merging.presence import PresenceSettings, fuse_kinds, fuse_radius
from swardwright.merging.problem import PriorWeeds, square_root
from swardwright.merging.revision import GROWTH_SHARE, belief, chances, seen_and_missed

#: Plants of the register within this distance of the base take part in a fresh look (m).
NEAR_M = 2.5


def aims(register: Register, frames: Sequence[Frame], sightings: Sequence[Sighting], looks: Sequence[Look], *,
         stop_id: str, base: BasePose, base_covariance: Array | None = None, weed_ids: Sequence[str] = (),
         spare_ids: Sequence[str] | None = None, settings: MergeSettings | None = None,
         belief_settings: PresenceSettings | None = None) -> tuple[Aim, ...]:  # fmt: skip
    """Return where the plants round a stop are, relative to the base, after fresh looks from it.

    Parameters
    ----------
    frames : Sequence[Frame]
        The stop's frames, ``frame.stop == stop_id``, all with base pose ``base``.
    sightings : Sequence[Sighting]
        Located with those frames, so that base, tilt and ground errors carry the stop's key.
    base, base_covariance : BasePose, Array, optional
        The robot's belief that the sightings were located with, and its covariance (3, 3); None: as in the sightings.
    weed_ids : Sequence[str]
        Weeds that are wanted whatever their distance.
    spare_ids : Sequence[str], optional
        Other plants wanted; None: every plant of the register near the base.

    Returns
    -------
    tuple[Aim, ...]
        Register weeds in register order, then plants that the register lacks as ``new-1``, ``new-2``, ...

    Raises
    ------
    InputError
        If an id is not in the register, or a frame belongs to another stop or has another base pose.

    Notes
    -----
    The camera sees plants relative to the base, the register knows them relative to the ground, and ``base`` ties the
    two: solved jointly. A crown ``x`` lies at ``R' (x - t + J e)`` in true base axes, with ``e`` the base error and
    ``J`` its Jacobian at ``x``; the covariance is that of ``x + J e`` (they are strongly correlated).
    """
    settings, belief_settings = settings or MergeSettings(), belief_settings or PresenceSettings()
    _check(frames, stop_id, base)
    known = {w.id for w in register.weeds}
    for wanted in (*weed_ids, *(spare_ids or ())):
        if wanted not in known:
            raise InputError("the register has no such weed", where=stop_id, field="weed_ids", value=wanted,
                             remedy="plan again with the present register")  # fmt: skip
    place = np.array([base.x_m, base.y_m])
    named = set(weed_ids) | set(spare_ids or ())
    near = [w for w in register.weeds if w.id in named or np.linalg.norm(w.mean_m - place) < NEAR_M]
    if base_covariance is not None:
        prior = check_covariance(base_covariance, "base_covariance")
        sightings = [_with_base(s, stop_id, prior) for s in sightings]
    joint = join(sightings, (), PriorWeeds.of(near), looks, settings)
    problem = joint.problem
    solution = joint.solution
    seen, missed = seen_and_missed(problem, joint, looks, near)
    by_frame = {look.frame_id: look for look in looks}
    likely = chances(problem, by_frame)
    c, s = math.cos(base.yaw_rad), math.sin(base.yaw_rad)
    back = np.array([[c, s], [-s, c]])
    block = problem.blocks.get(("base", stop_id))
    prior_block = np.diag([0.01**2, 0.01**2, 0.01**2]) if base_covariance is None else np.asarray(base_covariance)
    root = _stop_root(sightings, stop_id)
    out: list[Aim] = []
    dropped = {b for _, b in joint.joined}
    new = 0
    for w, crown in enumerate(solution.crowns_m):
        old = near[w] if w < len(near) else None
        if w in dropped or (old is not None and spare_ids is not None and old.id not in named):
            continue
        arm = crown - place
        jacobian = np.array([[1.0, 0.0, -arm[1]], [0.0, 1.0, arm[0]]])
        if block is None:  # no sighting ties this stop: the register and the robot's belief are all there is
            moved, covariance = arm, solution.covariance_m2[w] + jacobian @ prior_block @ jacobian.T
        else:
            columns = np.arange(*block)
            j = jacobian @ root
            mixed = j @ solution.with_errors(np.array([w]), columns)[0].T
            moved = arm + j @ solution.errors[columns]
            covariance = solution.covariance_m2[w] + j @ solution.of_errors(columns) @ j.T - mixed - mixed.T
        value = belief(
            old, solution.covariance_m2[w], seen[w], missed[w], by_frame, likely, settings.gate, belief_settings
        )
        radii = [(s.radius_m, s.radius_sd_m) for s in seen[w]]
        kinds = [s.kinds for s in seen[w]]
        if old is not None:
            radii.append((old.radius_m, math.hypot(old.radius_sd_m, GROWTH_SHARE * old.radius_m)))
            kinds.append(old.kinds)
        else:
            new += 1
        out.append(
            Aim(
                weed_id=f"new-{new}" if old is None else old.id,
                mean_m=back @ moved,
                covariance_m2=back @ (covariance + joint.crown_m2[w]) @ back.T,
                radius_m=fuse_radius(radii)[0],
                kinds=fuse_kinds(kinds, belief_settings.tempering),
                presence=value,
                seen=bool(seen[w]),
            )
        )
    return tuple(out)


def _check(frames: Sequence[Frame], stop_id: str, base: BasePose) -> None:
    for frame in frames:
        if frame.stop != stop_id:
            raise InputError("a frame of another stop was given", where=frame.id, field="stop", value=frame.stop,
                             limit=stop_id)  # fmt: skip
        if frame.base is None or np.abs(frame.base.as_array() - base.as_array()).max() > 1e-6:
            raise InputError("all frames of a stop must be located with the stop's own base pose", where=frame.id,
                             field="base", value=frame.base, limit=base,
                             remedy="give every picture of the stop the base pose reported at its first")  # fmt: skip


def _with_base(sighting: Sighting, stop_id: str, covariance: Array) -> Sighting:
    errors = tuple(
        dataclasses.replace(e, covariance=covariance) if e.source == "base" and e.key == stop_id else e
        for e in sighting.errors
    )
    total = np.sum([e.ground_covariance_m2 for e in errors], axis=0)
    return dataclasses.replace(sighting, errors=errors, covariance_m2=total)


def _stop_root(sightings: Sequence[Sighting], stop_id: str) -> Array:
    """Return the whitening root that ``build`` used for the stop's base error."""
    for sighting in sorted(sightings, key=lambda s: s.id):
        for e in sighting.errors:
            if e.source == "base" and e.key == stop_id:
                return square_root(np.asarray(e.covariance))
    return np.eye(3)

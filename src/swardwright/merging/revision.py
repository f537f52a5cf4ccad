"""From the joint estimate to the next revision of the register: presence, kinds, radius, identity, notes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.weed import Look, Register, Sighting, Weed
from swardwright.merging.joint import Joint, MergeSettings, frame_offsets
from swardwright.merging.presence import PresenceSettings, fuse_kinds, fuse_radius, inside, presence
from swardwright.merging.problem import Problem
from swardwright.merging.solve import shared_loadings

#: Share of its radius by which a plant may have changed since an earlier visit.
GROWTH_SHARE = 0.3


def seen_and_missed(
    problem: Problem, joint: Joint, looks: Sequence[Look]
) -> tuple[list[list[Sighting]], list[list[Look]]]:
    """Return, per weed, its sightings in order and the looks that held it and did not see it."""
    n = len(joint.solution.crowns_m)
    sightings: list[list[Sighting]] = [[] for _ in range(n)]
    frames: list[set[str]] = [set() for _ in range(n)]
    for k, w in enumerate(joint.weed_of):
        sightings[w].append(problem.sightings[k])
        frames[w].add(problem.sightings[k].frame_id)
    missed: list[list[Look]] = [[] for _ in range(n)]
    offsets = frame_offsets(problem, joint.solution, joint.weed_of)
    near = np.zeros(2)
    for look in sorted(looks, key=lambda look: look.frame_id):
        near = offsets.get(look.frame_id, near)
        for w in np.flatnonzero(inside(joint.solution.crowns_m + near, look.corners_m)):
            if look.frame_id not in frames[w]:
                missed[w].append(look)
    return sightings, missed


def belief(weed: Weed | None, covariance_m2: Array, seen: Sequence[Sighting], missed: Sequence[Look],
           looks: dict[str, Look], gate: float, settings: PresenceSettings) -> float:  # fmt: skip
    """Return the presence of one weed after this visit's looks."""
    pd = [looks[s.frame_id].detection_probability if s.frame_id in looks else 0.9 for s in seen]
    alarms = [looks[s.frame_id].false_alarms_m2 for s in seen if s.frame_id in looks]
    alarms += [look.false_alarms_m2 for look in missed]
    chance = math.pi * gate * math.sqrt(max(float(np.linalg.det(covariance_m2)), 0.0)) * max(alarms, default=0.05)
    return presence(
        None if weed is None else weed.presence,
        [(s.probability, p) for s, p in zip(seen, pd, strict=True)],
        [(look.detection_probability, look.false_alarms_m2) for look in missed],
        chance_m2=chance,
        settings=settings,
    )


def revise(register: Register | None, problem: Problem, joint: Joint, looks: Sequence[Look], tracks: Sequence[Track],
           settings: MergeSettings, belief_settings: PresenceSettings) -> Register:  # fmt: skip
    """Return the next revision; weeds of the earlier one keep their id, heat and control mark."""
    earlier = () if register is None else register.weeds
    solution = joint.solution
    seen, missed = seen_and_missed(problem, joint, looks)
    loadings = shared_loadings(solution, settings.modes)
    by_frame = {look.frame_id: look for look in looks}
    duplicates = {b: a for a, b in joint.joined}
    weeds: list[Weed] = []
    fresh: list[tuple[Array, float, int]] = []
    notes: list[str] = []
    forgotten = 0
    for w in range(len(solution.crowns_m)):
        old = earlier[w] if w < len(earlier) else None
        if w in duplicates:
            notes.append(f"{earlier[w].id} was found to be the same plant as {earlier[duplicates[w]].id}")
            continue
        value = belief(old, solution.covariance_m2[w], seen[w], missed[w], by_frame, settings.gate, belief_settings)
        if old is None:
            if value < belief_settings.forget:
                forgotten += 1
                continue
            fresh.append((solution.crowns_m[w], value, w))
            continue
        if value < belief_settings.gone <= old.presence:
            notes.append(f"{old.id} is gone: looked for {len(missed[w])} times and not seen (belief {value:.3f})")
        weeds.append(_weed(old.id, old, joint, w, value, seen[w], missed[w], loadings[w], belief_settings))
    start = 1 + max((int(w.id[1:]) for w in earlier if w.id[1:].isdigit()), default=0)
    for number, (_, value, w) in enumerate(sorted(fresh, key=lambda item: tuple(np.round(item[0], 6))), start):
        weeds.append(_weed(f"w{number:04d}", None, joint, w, value, seen[w], missed[w], loadings[w], belief_settings))
    if fresh:
        notes.append(f"{len(fresh)} new plants")
    if forgotten:
        notes.append(f"{forgotten} places with detections not entered: not seen again where they should have been")
    return Register(
        revision=1 if register is None else register.revision + 1,
        weeds=tuple(weeds),
        notes=tuple(notes),
        base_poses=corrected_poses(problem, joint, tracks),
    )


def _weed(weed_id: str, old: Weed | None, joint: Joint, w: int, value: float, seen: Sequence[Sighting],
          missed: Sequence[Look], loading: Array, settings: PresenceSettings) -> Weed:  # fmt: skip
    radii = [(s.radius_m, s.radius_sd_m) for s in seen]
    kinds = [s.kinds for s in seen]
    ids = tuple(s.id for s in seen)
    looked = len(seen) + len(missed)
    heat, control = 0.0, False
    if old is not None:
        radii.append((old.radius_m, math.hypot(old.radius_sd_m, GROWTH_SHARE * old.radius_m)))
        kinds.append(old.kinds)
        ids = old.sightings + tuple(i for i in ids if i not in old.sightings)
        looked += old.looks
        heat, control = old.heat_kg_m2, old.control
    radius, radius_sd = fuse_radius(radii) if seen or old is None else (radii[0][0], old.radius_sd_m)
    return Weed(
        id=weed_id,
        mean_m=joint.solution.crowns_m[w],
        covariance_m2=joint.solution.covariance_m2[w],
        radius_m=radius,
        radius_sd_m=radius_sd,
        presence=value,
        kinds=fuse_kinds(kinds, settings.tempering),
        sightings=ids,
        looks=looked,
        heat_kg_m2=heat,
        control=control,
        shared_m=loading,
    )


def corrected_poses(problem: Problem, joint: Joint, tracks: Sequence[Track]) -> tuple[tuple[str, BasePose], ...]:
    """Return the base pose of every frame of a track that took part: as recorded, less its estimated error."""
    out = []
    for track in sorted(tracks, key=lambda t: t.frame_ids[:1]):
        for frame_id, pose in zip(track.frame_ids, track.poses, strict=True):
            block = problem.blocks.get(("base", frame_id))
            if block is not None:
                x, y, yaw = pose.as_array() - joint.solution.errors[slice(*block)]
                out.append((frame_id, BasePose(float(x), float(y), wrap_angle(float(yaw)))))
    return tuple(out)

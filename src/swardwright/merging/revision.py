"""From the joint estimate to the next revision of the register: presence, kinds, radius, identity, changes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.weed import Change, Look, Register, Sighting, Weed
from swardwright.merging.changes import changes_of, merged, new, notes, split, taken_for
from swardwright.merging.joint import Joint, MergeSettings, frame_offsets
from swardwright.merging.presence import PresenceSettings, detection_near, fuse_kinds, fuse_radius, presence
from swardwright.merging.problem import Problem, base_errors
from swardwright.merging.solve import shared_loadings
from swardwright.merging.whole import whole_in

#: Share of its radius by which a plant may have changed since an earlier visit.
GROWTH_SHARE = 0.3
#: A look that would have found the plant with less probability than this says nothing about it.
WORTH = 0.05
#: A look counts among a weed's looks if it was this likely to find it.
HELD = 0.5
#: Detection probability where no look is given, and the least where a plant was seen all the same.
USUAL, SEEN_MIN = 0.9, 0.05
#: A look that held a weed's place and did not see it, and how likely it was to.
Missed = tuple[Look, float]


def seen_and_missed(
    problem: Problem, joint: Joint, looks: Sequence[Look], earlier: Sequence[Weed] = ()
) -> tuple[list[list[Sighting]], list[list[Missed]]]:
    """Return, per weed, its sightings in order, and the looks that did not see it with how likely they were to.

    A look whose edge cuts the plant did not miss it, where another look shows it whole. ``earlier``: the register's
    weeds, which come first.

    The probability is the expectation over where the plant may be, with its whole covariance: what it shares with the
    picture's own error cancels in truth, so the edge of the picture is taken as less sharp than it is.
    """
    crowns, covariance = joint.solution.crowns_m, joint.solution.covariance_m2
    n = len(crowns)
    sightings: list[list[Sighting]] = [[] for _ in range(n)]
    frames: list[set[str]] = [set() for _ in range(n)]
    for k, w in enumerate(joint.weed_of):
        sightings[w].append(problem.sightings[k])
        frames[w].add(problem.sightings[k].frame_id)
    missed: list[list[Missed]] = [[] for _ in range(n)]
    cut: list[list[bool]] = [[] for _ in range(n)]
    shown_whole = np.zeros(n, dtype=np.bool_)
    radii = np.array([
        np.median([s.radius_m for s in seen]) if seen else earlier[w].radius_m if w < len(earlier) else 0.0
        for w, seen in enumerate(sightings)
    ])  # fmt: skip
    if not n:
        return sightings, missed
    reach = 2.5 * np.sqrt(np.linalg.eigvalsh(covariance)[:, -1:])
    offsets = frame_offsets(problem, joint.solution, joint.weed_of)
    near = np.zeros(2)
    for look in sorted(looks, key=lambda look: look.frame_id):
        near = offsets.get(look.frame_id, near)
        place = crowns + near
        outline = look.bands[0][0] if look.bands else look.corners_m
        low, high = outline.min(axis=0), outline.max(axis=0)
        some = np.flatnonzero(((place > low - reach) & (place < high + reach)).all(axis=1))
        shown = whole_in(look, place[some], radii[some])
        for w, p, whole in zip(some, detection_near(look, place[some], covariance[some]), shown, strict=True):
            shown_whole[w] |= bool(whole)
            if p >= WORTH and look.frame_id not in frames[w]:
                missed[w].append((look, float(p)))
                cut[w].append(not whole)
    for w in np.flatnonzero(shown_whole):
        missed[w] = [m for m, off in zip(missed[w], cut[w], strict=True) if not off]
    return sightings, missed


def chances(problem: Problem, looks: dict[str, Look]) -> dict[str, float]:
    """Return how likely each sighting was, by its id: the probability of a detection at its place in the picture."""
    out: dict[str, float] = {}
    for frame_id, members in zip(problem.frames, problem.members, strict=True):
        look = looks.get(frame_id)
        seen = [problem.sightings[k] for k in members]
        there = np.full(len(seen), USUAL) if look is None else look.detection_at(np.array([s.mean_m for s in seen]))
        out |= {s.id: max(float(p), SEEN_MIN) for s, p in zip(seen, there, strict=True)}
    return out


def belief(weed: Weed | None, covariance_m2: Array, seen: Sequence[Sighting], missed: Sequence[Missed],
           looks: dict[str, Look], likely: dict[str, float], gate: float, settings: PresenceSettings,
           real_share: float = 0.95) -> float:  # fmt: skip
    """Return the presence of one weed after this visit's looks (``likely``: see ``chances``).

    A weed that was given up is also judged as a place that is seen for the first time: what grows there again is
    believed as much as any new plant.
    """
    mine = [looks[s.frame_id] for s in seen if s.frame_id in looks]
    alarms = [look.false_alarms_m2 for look in (*mine, *(look for look, _ in missed))]
    hits = [(s.probability, likely[s.id]) for s in seen]
    misses = [p for _, p in missed]
    chance = math.pi * gate * math.sqrt(max(float(np.linalg.det(covariance_m2)), 0.0)) * max(alarms, default=0.05)
    usual = float(np.mean([look.detection_probability for look in mine])) if mine else USUAL

    def judged(before: float | None, history: tuple[int, int]) -> float:
        return presence(before, hits, misses, chance=chance, settings=settings, usual=usual, real_share=real_share,
                        history=history)  # fmt: skip

    if weed is None:
        return judged(None, (0, 0))
    value = judged(weed.presence, (len(weed.sightings), max(weed.looks - len(weed.sightings), 0)))
    if weed.presence < settings.gone and hits:
        value = max(value, judged(None, (0, 0)))
    return value


def revise(register: Register | None, problem: Problem, joint: Joint, looks: Sequence[Look], tracks: Sequence[Track],
           settings: MergeSettings, belief_settings: PresenceSettings) -> Register:  # fmt: skip
    """Return the next revision; weeds of the earlier one keep their id, heat and control mark."""
    earlier = () if register is None else register.weeds
    solution = joint.solution
    seen, missed = seen_and_missed(problem, joint, looks, earlier)
    loadings = shared_loadings(solution, settings.modes)
    by_frame = {look.frame_id: look for look in looks}
    likely = chances(problem, by_frame)
    duplicates = {b: a for a, b in joint.joined}
    detections = [s.probability for s in problem.sightings]
    real_share = float(np.clip(np.mean(detections), 0.5, 0.99)) if detections else 0.95
    weeds: list[Weed] = []
    fresh: list[tuple[Array, float, int]] = []
    changes: list[Change] = []
    standing: dict[int, Weed] = {}
    forgotten = 0
    for w in range(len(solution.crowns_m)):
        old = earlier[w] if w < len(earlier) else None
        if w in duplicates:
            changes.append(merged(earlier[w], earlier[duplicates[w]]))
            continue
        value = belief(old, solution.covariance_m2[w], seen[w], missed[w], by_frame, likely, settings.gate,
                       belief_settings, real_share)  # fmt: skip
        if old is None:
            if value < belief_settings.forget:
                forgotten += 1
                continue
            fresh.append((solution.crowns_m[w], value, w))
            continue
        now = _weed(old.id, old, joint, w, value, seen[w], missed[w], loadings[w], belief_settings)
        standing[w] = now
        weeds.append(now)
        changes += changes_of(old, now, len(seen[w]), [p for _, p in missed[w]], belief_settings)
    start = 1 + max((int(w.id[1:]) for w in earlier if w.id[1:].isdigit()), default=0)
    for number, (_, value, w) in enumerate(sorted(fresh, key=lambda item: tuple(np.round(item[0], 6))), start):
        now = _weed(f"w{number:04d}", None, joint, w, value, seen[w], missed[w], loadings[w], belief_settings)
        weeds.append(now)
        frames = {s.frame_id for s in seen[w]}
        beside = {
            v: sum(s.frame_id in frames for s in seen[v])
            for v, other in standing.items()
            if taken_for(earlier[v], other, now, settings.gate)
        }
        v = max(beside, key=lambda v: (beside[v], -v), default=None)
        if v is not None and beside[v]:
            changes.append(split(now, standing[v], beside[v], len(seen[w])))
        else:
            changes.append(new(now, len(seen[w]), len(missed[w])))
    return Register(
        revision=1 if register is None else register.revision + 1,
        weeds=tuple(weeds),
        notes=notes(changes, forgotten),
        base_poses=corrected_poses(problem, joint, tracks),
        changes=tuple(changes),
        based_on=None if register is None else register.revision,
    )


def _weed(weed_id: str, old: Weed | None, joint: Joint, w: int, value: float, seen: Sequence[Sighting],
          missed: Sequence[Missed], loading: Array, settings: PresenceSettings) -> Weed:  # fmt: skip
    radii = [(s.radius_m, s.radius_sd_m) for s in seen]
    kinds = [s.kinds for s in seen]
    ids = tuple(s.id for s in seen)
    looked = len(seen) + sum(p >= HELD for _, p in missed)
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
        covariance_m2=joint.solution.covariance_m2[w] + joint.crown_m2[w],
        crown_m2=joint.crown_m2[w],
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
    off = base_errors(problem, joint.solution.errors)
    for track in sorted(tracks, key=lambda t: t.frame_ids[:1]):
        for frame_id, pose in zip(track.frame_ids, track.poses, strict=True):
            if ("base", frame_id) in off:
                x, y, yaw = pose.as_array() - off[("base", frame_id)]
                out.append((frame_id, BasePose(float(x), float(y), wrap_angle(float(yaw)))))
    return tuple(out)

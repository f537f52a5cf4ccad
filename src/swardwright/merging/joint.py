"""Association and estimate in turns until they agree: walk, then solve, re-associate, join duplicates, solve again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from swardwright.domain.frame import Track
from swardwright.domain.poses import Array
from swardwright.domain.weed import Look, Sighting
from swardwright.merging.association import Pairs, assign, gains
from swardwright.merging.presence import inside
from swardwright.merging.problem import FLOOR_M2, PriorWeeds, Problem, base_errors, build
from swardwright.merging.solve import MARGIN_M, Solution, crown_offsets, reassociate, residuals, robust_weights, solve
from swardwright.merging.stack import Ints, Part, stack
from swardwright.merging.walk import walk

#: Where two weeds lie to each other is certain below this standard deviation (m).
CERTAIN_M = 0.02
#: Pairs of weeds that are tried as one and the same in one turn.
PAIRS_MAX = 250
#: Crowns that move less than this many of their standard deviations from one linearisation to the next have settled.
SETTLED = 0.1


@dataclass(frozen=True)
class MergeSettings:
    """How sightings are joined.

    Attributes
    ----------
    gate : float
        Largest squared Mahalanobis distance; 13.82 is the 99.9 % quantile of chi-square with two degrees of freedom.
    density_m2 : float
        Plants and false alarms per m2 where no looks are given to count them by.
    rounds : int
        Most turns of solving and re-associating.
    modes : int
        Common errors that the register remembers.
    """

    gate: float = 13.82
    density_m2: float = 4.0
    rounds: int = 8
    modes: int = 8


@dataclass(frozen=True, eq=False)
class Joint:
    """The joint estimate with its association; ``joined`` pairs (kept, gone) are weeds of the register found to be
    one.
    """

    problem: Problem
    parts: tuple[Part, ...]
    solution: Solution
    weed_of: Ints
    joined: tuple[tuple[int, int], ...]
    rounds: int

    @cached_property
    def crown_m2(self) -> Array:
        """Covariance (n, 2, 2) between growing points and apparent crowns: what the solution does not hold."""
        return crown_offsets(self.problem, self.weed_of, len(self.solution.crowns_m))


def clutter_density(problem: Problem, looks: Sequence[Look], settings: MergeSettings) -> float:
    """Return detections per m2 of looked-at ground."""
    area = sum(_area(look.corners_m) for look in looks)
    if area <= 0 or not problem.sightings:
        return settings.density_m2
    return max(len(problem.sightings) / area, 0.1)


def _area(corners_m: Array) -> float:
    x, y = corners_m.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def join(sightings: Sequence[Sighting], tracks: Sequence[Track], prior: PriorWeeds, looks: Sequence[Look],
         settings: MergeSettings) -> Joint:  # fmt: skip
    """Return the joint estimate of everything, associations settled, linearised about itself (Gauss-Newton)."""
    ordered, parts = stack(sightings, tracks)
    parts_now = parts
    problem = build(ordered, parts, tracks, prior)
    density = clutter_density(problem, looks, settings)
    detection = float(np.mean([look.detection_probability for look in looks])) if looks else 0.9
    log_ratio = float(np.log(detection) - np.log(density))
    known = len(prior.mean_m)
    weed_of, moved = walk(problem, log_ratio, settings.gate)
    joined: list[tuple[int, int]] = []
    gone: set[int] = set()
    weight: Array | None = None
    seen_before: set[bytes] = set()
    last: Array | None = None
    turn = 0
    for turn in range(1, settings.rounds + 1):
        weed_of, count = compact(weed_of, known)
        solution = solve(problem, weed_of, count, weight, moved)
        moved = (problem.jacobian @ solution.errors).reshape(-1, 2)
        offset = frame_offsets(problem, solution, weed_of)
        again = reassociate(problem, solution, weed_of, log_ratio, settings.gate)
        for kept, dropped in joined:
            again[again == dropped] = kept
        fresh = np.flatnonzero(again < 0)
        again[fresh] = count + np.arange(len(fresh))
        merged, pairs = join_duplicates(
            problem, solution, again, looks, offset, log_ratio, detection, settings.gate, gone
        )
        joined += pairs
        gone |= {b for _, b in pairs}
        weight_before, weight = weight, robust_weights(problem, solution, weed_of)
        merged, _ = compact(merged, known)
        settled = np.array_equal(merged, weed_of)
        steady = last is not None and last.shape == solution.crowns_m.shape and _settled(solution, last)
        if settled and steady and np.allclose(weight, 1.0 if weight_before is None else weight_before, atol=0.05):
            return Joint(problem, parts_now, solution, weed_of, tuple(joined), turn)
        mark = merged.tobytes()
        if not settled and mark in seen_before:
            break
        seen_before.add(mark)
        last = solution.crowns_m
        off, noise = base_errors(problem, solution.errors), residuals(problem, solution, weed_of)
        parts_now = tuple(p.linearised(off, noise[p.members]) for p in parts)
        problem = build(ordered, parts_now, tracks, prior)
        weed_of = merged
    weed_of, count = compact(weed_of, known)
    solution = solve(problem, weed_of, count, weight, moved)
    return Joint(problem, parts_now, solution, weed_of, tuple(joined), turn)


def _settled(solution: Solution, before_m: Array) -> bool:
    step = solution.crowns_m - before_m
    size2 = np.einsum("ni,nij,nj->n", step, np.linalg.inv(solution.covariance_m2 + FLOOR_M2 * np.eye(2)), step)
    return float(size2.max(initial=0.0)) < SETTLED**2


def compact(weed_of: Ints, known: int) -> tuple[Ints, int]:
    """Renumber new weeds by their first sighting, without gaps; the register's keep their numbers."""
    out = weed_of.copy()
    fresh = weed_of >= known
    _, first, inverse = np.unique(weed_of[fresh], return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    out[fresh] = known + rank[inverse]
    return out, known + len(first)


def frame_offsets(problem: Problem, solution: Solution, weed_of: Ints) -> dict[str, Array]:
    """Return, per frame, how far its sightings were moved on average (m): where its look's outline really lies."""
    carried = (problem.jacobian @ solution.errors).reshape(-1, 2)
    return {f: carried[m].mean(axis=0) for f, m in zip(problem.frames, problem.members, strict=True)}


def join_duplicates(problem: Problem, solution: Solution, weed_of: Ints, looks: Sequence[Look],
                    offset: dict[str, Array], log_ratio: float, detection: float, gate: float,
                    gone: set[int]) -> tuple[Ints, list[tuple[int, int]]]:  # fmt: skip
    """Join weeds that are one: close given their joint covariance, and never seen apart in one frame.

    Where drift is large, many a pair is close enough by chance: as with the sightings of one frame, the pairs are
    judged together, under the shift that makes most of them fit. For two plants of which each look saw but one, every
    such look is a miss of the other: that counts for one plant, where it is certain that the look held both.
    Numbers of ``weed_of`` beyond the solution's weeds are sightings that fitted none: tried as weeds of their own
    later.
    """
    n = len(solution.crowns_m)
    frames_of: list[set[str]] = [set() for _ in range(n)]
    for k, w in enumerate(weed_of):
        if w < n:
            frames_of[w].add(problem.sightings[k].frame_id)
    if n < 2:
        return weed_of, []
    deviation = np.sqrt(np.linalg.eigvalsh(solution.covariance_m2)[:, -1])
    reach = min(2.0 * np.sqrt(gate) * float(deviation.max()), 2 * MARGIN_M)
    near = cKDTree(solution.crowns_m).query_pairs(reach, output_type="ndarray")
    if not len(near):
        return weed_of, []
    a, b = near[:, 0].astype(np.int64), near[:, 1].astype(np.int64)
    between = solution.between(a, b)
    covariance = solution.covariance_m2[a] + solution.covariance_m2[b] - between - between.transpose(0, 2, 1)
    apart = solution.crowns_m[a] - solution.crowns_m[b]
    gain = gains(apart, covariance + FLOOR_M2 * np.eye(2), log_ratio, gate)
    open_ = [
        i for i in np.flatnonzero(gain > -np.inf)
        if not frames_of[a[i]] & frames_of[b[i]] and a[i] not in gone and b[i] not in gone
    ]  # fmt: skip
    if not open_:
        return weed_of, []
    outlines = {look.frame_id: look.corners_m for look in looks}
    missed = float(np.log(1.0 / (1.0 - detection)))
    extra = np.zeros(len(a))
    known_apart = np.linalg.det(covariance) < CERTAIN_M**4
    for i in open_:
        for f in frames_of[a[i]] | frames_of[b[i]]:
            if f in outlines:
                place = solution.crowns_m[[a[i], b[i]]] + offset.get(f, np.zeros(2))
                extra[i] += missed * bool(known_apart[i] and inside(place, outlines[f]).all())
    best = np.array(sorted(open_, key=lambda i: -(gain[i] + extra[i]))[:PAIRS_MAX])
    pairs = Pairs(a[best], b[best], apart[best], _joint_covariance(solution, a[best], b[best]), extra[best])
    into = np.arange(max(n, int(weed_of.max(initial=-1)) + 1))
    joined: list[tuple[int, int]] = []
    known = len(problem.prior.mean_m)
    touched: set[int] = set()
    for one, other in sorted(assign(pairs, log_ratio, gate).items()):
        if one in touched or other in touched:
            continue
        touched |= {one, other}
        into[other] = one
        if other < known:
            joined.append((one, other))
    return into[weed_of], joined


def _joint_covariance(solution: Solution, a: Ints, b: Ints) -> Array:
    """Return the joint covariance (p, 2, p, 2) of the distances between weeds a and b (p,)."""
    every, at = np.unique(np.concatenate([a, b]), return_inverse=True)
    full = solution.together(every).reshape(len(every), 2, len(every), 2)
    i = np.arange(len(every))
    full[i, :, i, :] += FLOOR_M2 * np.eye(2)
    first, second = at[: len(a)], at[len(a) :]
    left = full[first] - full[second]
    return np.asarray(left[:, :, first] - left[:, :, second])

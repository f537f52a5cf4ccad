"""Which sighting of one frame is which weed: gate, joint compatibility, global assignment.

Sightings of one frame share its pose error, so their innovations are correlated. Where several weeds lie inside a gate,
each gated pair is tried as an anchor: given the anchor, the shared error shrinks, and the anchor under which most of
the frame fits is kept (a cheap form of the joint compatibility test of Neira and Tardos 2001, from memory). What
remains is an assignment problem, solved exactly (Jonker-Volgenant by SciPy).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from swardwright.domain.poses import Array
from swardwright.merging.stack import Ints

#: Anchors that are tried at most, and how many pairs are fixed one after the other before the assignment.
ANCHORS_MAX, FIXED_MAX = 150, 3
#: Pairs with fewer than CHANCE other plants to be expected inside their gate are believed by themselves; the others
#: only as a group that is SURE: this much more likely than chance (log of 100).
CHANCE, SURE = 0.1, 4.6


@dataclass(frozen=True, eq=False)
class Pairs:
    """Candidate pairs of one frame.

    Attributes
    ----------
    sighting, weed : Ints
        Shape (p,).
    innovation_m : Array
        Shape (p, 2): sighting minus prediction.
    covariance_m2 : Array
        Shape (p, 2, p, 2): joint covariance of the innovations.
    extra : Array
        Shape (p,): log likelihood ratio for each pair from elsewhere than its place.
    """

    sighting: Ints
    weed: Ints
    innovation_m: Array
    covariance_m2: Array
    extra: Array

    def take(self, keep: Ints) -> Pairs:
        """Return a subset."""
        return Pairs(self.sighting[keep], self.weed[keep], self.innovation_m[keep],
                     self.covariance_m2[keep][:, :, keep], self.extra[keep])  # fmt: skip


def gains(innovation_m: Array, covariance_m2: Array, log_ratio: float, gate: float) -> Array:
    """Return the log likelihood ratio of "the same plant" over "another one" (n,), -inf outside the gate.

    ``log_ratio`` is the log of detection probability over the density (1/m2) of other plants and false alarms.
    """
    determinant = covariance_m2[:, 0, 0] * covariance_m2[:, 1, 1] - covariance_m2[:, 0, 1] * covariance_m2[:, 1, 0]
    determinant = np.maximum(determinant, 1e-24)
    x, y = innovation_m.T
    distance2 = (
        covariance_m2[:, 1, 1] * x * x - 2 * covariance_m2[:, 0, 1] * x * y + covariance_m2[:, 0, 0] * y * y
    ) / (determinant)
    gain = log_ratio - 0.5 * distance2 - 0.5 * np.log(determinant) - np.log(2 * np.pi)
    return np.where(distance2 < gate, gain, -np.inf)


def _gains(pairs: Pairs, log_ratio: float, gate: float) -> Array:
    return gains(pairs.innovation_m, _own(pairs), log_ratio, gate) + pairs.extra


def _given(pairs: Pairs, a: int) -> Pairs:
    """Return the pairs' innovations given that pair ``a`` is true."""
    p = len(pairs.sighting)
    flat = pairs.covariance_m2.reshape(2 * p, 2 * p)
    column = flat[:, 2 * a : 2 * a + 2]
    gain = column @ np.linalg.inv(column[2 * a : 2 * a + 2])
    return Pairs(pairs.sighting, pairs.weed, pairs.innovation_m - (gain @ pairs.innovation_m[a]).reshape(p, 2),
                 (flat - gain @ column.T).reshape(p, 2, p, 2), pairs.extra)  # fmt: skip


def _own(pairs: Pairs) -> Array:
    i = np.arange(len(pairs.sighting))
    return pairs.covariance_m2[i, :, i, :]


def _anchor(pairs: Pairs, gain: Array, log_ratio: float, gate: float) -> tuple[int, float]:
    """Return the pair under which most of the frame fits, and the frame's log likelihood ratio under it."""
    p = len(pairs.sighting)
    flat = pairs.covariance_m2.reshape(2 * p, 2 * p)
    own = _own(pairs)
    best, winner = -np.inf, int(np.argmax(gain))
    order = np.argsort(-gain, kind="stable")[:ANCHORS_MAX]
    for a in order:
        column = flat[:, 2 * a : 2 * a + 2]
        k = (column @ np.linalg.inv(column[2 * a : 2 * a + 2])).reshape(p, 2, 2)
        rest = pairs.innovation_m - k @ pairs.innovation_m[a]
        spread = own - k @ column.reshape(p, 2, 2).transpose(0, 2, 1)
        value = gains(rest, spread, log_ratio, gate) + pairs.extra
        value[(pairs.sighting == pairs.sighting[a]) | (pairs.weed == pairs.weed[a])] = -np.inf
        top = np.zeros(int(pairs.sighting.max()) + 1)
        np.maximum.at(top, pairs.sighting, value)
        score = gain[a] + float(top.sum())
        if score > best + 1e-9:
            best, winner = score, int(a)
    return winner, best


def assign(pairs: Pairs, log_ratio: float, gate: float) -> dict[int, int]:
    """Return sighting -> weed, at most one each way, for pairs more likely the same plant than not.

    Pairs whose places are well known to each other come first (what was seen a moment ago). The rest, given those, is
    believed as a group or not at all (a lane that meets an earlier one): a wrong tie is not undone easily, a missing
    one is made good later.

    Parameters
    ----------
    log_ratio : float
        Log of detection probability over the density (1/m2) of other plants and false alarms.
    gate : float
        Largest squared Mahalanobis distance.
    """
    gain = _gains(pairs, log_ratio, gate)
    inside = np.flatnonzero(gain > -np.inf)
    if not len(inside):
        return {}
    whole = pairs = pairs.take(inside)
    gain = gain[inside]
    near = np.flatnonzero((gain > 0) & _tight(pairs, log_ratio, gate))
    sure = best_assignment(pairs.sighting[near], pairs.weed[near], gain[near])
    for sighting, weed in sure.items():
        pairs = _given(pairs, int(np.flatnonzero((pairs.sighting == sighting) & (pairs.weed == weed))[0]))
    fixed = dict(sure)
    for _ in range(FIXED_MAX):
        gain = _gains(pairs, log_ratio, gate)
        open_ = np.flatnonzero((gain > -np.inf) & ~_taken(pairs, fixed))
        s, w = pairs.sighting[open_], pairs.weed[open_]
        alone = len(np.unique(s)) == len(s) and len(np.unique(w)) == len(w) and bool((gain[open_] > 0).all())
        first = len(fixed) == len(sure)
        if not len(open_) or (alone and (not first or float(gain[open_].sum()) > SURE)):
            break
        a, score = _anchor(pairs.take(open_), gain[open_], log_ratio, gate)
        if score <= (SURE if first else 0.0):
            if first:
                return _compatible(whole, sure, log_ratio, gate)
            break
        if alone:
            break
        a = int(open_[a])
        fixed[int(pairs.sighting[a])] = int(pairs.weed[a])
        pairs = _given(pairs, a)
    gain = _gains(pairs, log_ratio, gate)
    open_ = np.flatnonzero((gain > 0) & ~_taken(pairs, fixed))
    chosen = fixed | best_assignment(pairs.sighting[open_], pairs.weed[open_], gain[open_])
    return _compatible(whole, chosen, log_ratio, gate)


def _tight(pairs: Pairs, log_ratio: float, gate: float) -> NDArray[np.bool_]:
    """Say of which pairs the places are so well known that another plant hardly ever lies inside the gate by chance."""
    own = _own(pairs)
    area = np.pi * gate * np.sqrt(np.maximum(np.linalg.det(own), 0.0))
    return np.asarray(area * np.exp(-log_ratio) < CHANCE)


def _taken(pairs: Pairs, chosen: dict[int, int]) -> NDArray[np.bool_]:
    return np.asarray(np.isin(pairs.sighting, list(chosen)) | np.isin(pairs.weed, list(chosen.values())))


def _compatible(pairs: Pairs, chosen: dict[int, int], log_ratio: float, gate: float) -> dict[int, int]:
    """Drop, worst first, pairs that the others contradict; then let what is left find another partner.

    With ``L`` the inverse of the joint covariance and ``q = L innovation``, the innovation of pair i given all others
    has squared Mahalanobis distance ``q_i' L_ii^-1 q_i`` (block inverse).
    """
    at = np.array([i for i in range(len(pairs.sighting)) if chosen.get(int(pairs.sighting[i])) == pairs.weed[i]])
    while len(at) > 1:
        some = pairs.take(at)
        inverse = np.linalg.inv(some.covariance_m2.reshape(2 * len(at), 2 * len(at)))
        q = (inverse @ some.innovation_m.ravel()).reshape(-1, 2)
        i = np.arange(len(at))
        blocks = inverse.reshape(len(at), 2, len(at), 2)[i, :, i, :]
        distance2 = np.einsum("pi,pij,pj->p", q, np.linalg.inv(blocks), q)
        worst = int(np.argmax(distance2))
        if distance2[worst] < gate:
            break
        at = np.delete(at, worst)
    kept = {int(pairs.sighting[i]): int(pairs.weed[i]) for i in at}
    if len(kept) == len(chosen) or not kept:
        return kept
    for sighting, weed in kept.items():
        a = int(np.flatnonzero((pairs.sighting == sighting) & (pairs.weed == weed))[0])
        pairs = _given(pairs, a)
        pairs = pairs.take(np.flatnonzero((np.arange(len(pairs.sighting)) == a) | ~_taken(pairs, {sighting: weed})))
    rest = np.flatnonzero(~_taken(pairs, kept))
    pairs = pairs.take(rest)
    gain = _gains(pairs, log_ratio, gate)
    open_ = np.flatnonzero((gain > 0) & _tight(pairs, log_ratio, gate))
    return kept | best_assignment(pairs.sighting[open_], pairs.weed[open_], gain[open_])


def best_assignment(sighting: Ints, weed: Ints, gain: Array) -> dict[int, int]:
    """Return the pairs, at most one each way, with the largest sum of positive gains."""
    if not len(sighting):
        return {}
    rows, r = np.unique(sighting, return_inverse=True)
    cols, c = np.unique(weed, return_inverse=True)
    cost = np.zeros((len(rows), len(cols) + len(rows)))
    cost[r, c] = np.minimum(-gain, 0.0)
    chosen = linear_sum_assignment(cost)
    return {int(rows[i]): int(cols[j]) for i, j in zip(*chosen, strict=True) if j < len(cols) and cost[i, j] < 0}

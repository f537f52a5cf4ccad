"""First pass: along the recording frame by frame, so that the pose error relative to what was just seen stays small.

A Kalman filter over site errors, the present frame's errors and all weeds so far, with full covariance: absolute errors
may be large (drift) while errors relative to the weeds in view are small, and the gate sees the difference. It yields
the first association; the joint solution and re-association follow.
"""

from __future__ import annotations

import numpy as np

from swardwright.domain.poses import Array
from swardwright.merging.association import Pairs, assign
from swardwright.merging.problem import Problem
from swardwright.merging.stack import Ints, Key

#: Crowns farther than this from a frame's sightings are not updated by them in the first pass (m). With 1.2 m one of
#: 120 sites without position fixes was closed on the wrong plants, with 1.6 m none.
ACTIVE_M = 1.6


class Walk:
    """State of the filter: ``[site errors | errors of the present frame | crowns]``, mean and covariance.

    Only rows of the covariance are kept up to date, those of crowns that an update changed and of the errors: writing
    the columns as well takes longer than all the algebra. ``stamp`` says after which update a row was last right; of
    ``p[i, k]`` and ``p[k, i]`` the one in the younger row holds, and ``refresh`` makes a row right before it is used.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.head = problem.site + max((len(c) for c in problem.columns), default=0)
        self.noise = problem.single_m2
        prior = problem.prior
        n, k = len(prior.mean_m), problem.modes
        self.weeds = n
        self.mean = np.zeros(self.head + 2 * (n + 64))
        self.covariance = np.zeros((self.mean.size, self.mean.size))
        self.covariance[: problem.site, : problem.site] = np.eye(problem.site)
        shared = prior.shared_m.reshape(2 * n, k)
        crowns = slice(self.head, self.head + 2 * n)
        self.mean[crowns] = prior.mean_m.ravel()
        self.covariance[crowns, :k] = shared
        self.covariance[:k, crowns] = shared.T
        block = shared @ shared.T
        for i in range(n):
            block[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += prior.own_m2[i]
        self.covariance[crowns, crowns] = block
        self.slots: dict[Key, tuple[int, int]] = {}
        self.clock = 0
        self.widest = float(np.diagonal(block).reshape(-1, 2).sum(axis=1).max(initial=0.0))
        self.stamp = np.zeros(self.mean.size, dtype=np.int64)
        self.stamp[: self.head] = np.iinfo(np.int64).max

    def refresh(self, rows: Ints) -> None:
        """Make rows right as of now."""
        n = self.size
        for row in rows[self.stamp[rows] < self.clock]:
            younger = np.flatnonzero(self.stamp[:n] > self.stamp[row])
            self.covariance[row, younger] = self.covariance[younger, row]
        self.stamp[rows[rows >= self.head]] = self.clock

    @property
    def size(self) -> int:
        """Number of state entries in use."""
        return self.head + 2 * self.weeds

    @property
    def crowns_m(self) -> Array:
        """Crowns so far, shape (n, 2)."""
        return self.mean[self.head : self.size].reshape(-1, 2)

    def enter(self, number: int) -> None:
        """Move on to a frame: errors of the same stop stay, the base error steps along its chain, others start anew."""
        problem, site = self.problem, self.problem.site
        slots: dict[Key, tuple[int, int]] = {}
        at = site
        for key in problem.frame_blocks[number]:
            start, stop = problem.blocks[key]
            slots[key] = (at, at + stop - start)
            at += stop - start
        if slots == self.slots:
            return
        step = np.zeros((self.head - site, self.head - site))
        noise = np.zeros_like(step)
        for key, (a, b) in slots.items():
            link = problem.chain.get(key)
            here = slice(a - site, b - site)
            if key in self.slots:
                c, d = self.slots[key]
                step[here, c - site : d - site] = np.eye(b - a)
            elif link is not None and link.before in self.slots:
                c, d = self.slots[link.before]
                step[here, c - site : d - site] = link.transition
                noise[here, here] = link.noise
            elif link is not None:
                noise[here, here] = self._marginal(key)
            else:
                noise[here, here] = np.eye(b - a)
        rows, n = slice(site, self.head), self.size
        p = self.covariance
        self.mean[rows] = step @ self.mean[rows]
        p[rows, :n] = step @ p[rows, :n]
        p[: self.head, rows] = p[: self.head, rows] @ step.T
        p[rows, rows] += noise
        self.slots = slots

    def _marginal(self, key: Key) -> Array:
        link = self.problem.chain[key]
        if link.before is None:
            return link.noise
        return link.transition @ self._marginal(link.before) @ link.transition.T + link.noise

    def observe(self, number: int, log_ratio: float, gate: float) -> Ints:
        """Associate a frame's sightings, update with them, add what is new; return the weed of each sighting."""
        problem = self.problem
        members = problem.members[number]
        m, n = len(members), self.size
        jacobian = np.zeros((2 * m, self.head))
        jacobian[:, : problem.dense[number].shape[1]] = problem.dense[number]
        p = self.covariance
        seen = problem.position_m[members] - (jacobian @ self.mean[: self.head]).reshape(m, 2)
        carried = jacobian @ p[: self.head, : self.head]
        spread = carried @ jacobian.T
        for i, member in enumerate(members):
            spread[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += self.noise[member]
        found = assign(self._pairs(seen, spread, jacobian, gate), log_ratio, gate)
        out = np.full(m, -1, dtype=np.int64)
        for sighting, weed in found.items():
            out[sighting] = weed
        known = np.flatnonzero(out >= 0)
        if len(known):
            rows = (2 * known[:, None] + [0, 1]).ravel()
            crowns = (self.head + 2 * out[known][:, None] + [0, 1]).ravel()
            active = self._active(seen.mean(axis=0), out[known])
            self.refresh(active)
            a = jacobian[rows]
            cross = a @ p[: self.head, :n] + p[crowns, :n]
            cross[:, : self.head] = a @ p[: self.head, : self.head] + p[: self.head, crowns].T
            local = np.zeros((len(rows), len(rows)))
            for i, s in enumerate(known):
                local[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = self.noise[members[s]]
            innovation = cross[:, : self.head] @ a.T + cross[:, crowns] + local
            rest = (seen[known] - self.crowns_m[out[known]]).ravel()
            gain = np.linalg.solve(innovation, cross[:, active]).T
            self.mean[active] += gain @ rest
            # crowns are numbered as they were met, so the active ones lie in a few runs: slices need no copies
            cuts = np.flatnonzero(np.diff(active) != 1) + 1
            for first, last in zip([0, *cuts], [*cuts, len(active)], strict=True):
                p[active[first] : active[last - 1] + 1, :n] -= gain[first:last] @ cross
            self.clock += 1
            self.stamp[active[self.head :]] = self.clock
        fresh = np.flatnonzero(out < 0)
        if len(fresh):
            out[fresh] = self.weeds + np.arange(len(fresh))
            self._add(members[fresh], jacobian[(2 * fresh[:, None] + [0, 1]).ravel()])
        return out

    def _active(self, place_m: Array, weeds: Ints) -> Ints:
        """Return state entries that an update may change: errors, and crowns not far away.

        Far crowns keep mean and variance (zero gain: the filter of Schmidt, which stays consistent): they only cost.
        """
        near = np.union1d(np.flatnonzero(((self.crowns_m - place_m) ** 2).sum(axis=1) < ACTIVE_M**2), weeds)
        return np.concatenate([np.arange(self.head), (self.head + 2 * near[:, None] + [0, 1]).ravel()])

    def _pairs(self, seen: Array, spread: Array, jacobian: Array, gate: float) -> Pairs:
        m, head, p = len(seen), self.head, self.covariance
        crowns = self.crowns_m
        own = np.diagonal(spread).reshape(m, 2).sum(axis=1)
        reach = np.sqrt(2 * gate * (float(own.max()) + self.widest))
        box = ((crowns > seen.min(axis=0) - reach) & (crowns < seen.max(axis=0) + reach)).all(axis=1)
        some = np.flatnonzero(box)
        diagonal = p[head + 2 * some, head + 2 * some] + p[head + 2 * some + 1, head + 2 * some + 1]
        offset = seen[:, None] - crowns[None, some]
        s, w = np.nonzero((offset**2).sum(axis=2) < 2 * gate * (own[:, None] + diagonal[None]))
        rest, w = offset[s, w], some[w]
        # exact marginal covariance of each near pair first, the joint one only for pairs inside the gate
        nearby, at = np.unique(w, return_inverse=True)
        columns = np.asarray((head + 2 * nearby[:, None] + [0, 1]).ravel(), dtype=np.int64)
        self.refresh(columns)
        between = (jacobian @ p[:head, columns]).reshape(m, 2, len(nearby), 2)
        crown = p[np.ix_(columns, columns)].reshape(len(nearby), 2, len(nearby), 2)
        part = spread.reshape(m, 2, m, 2)
        mixed = between[s, :, at, :]
        marginal = part[s, :, s, :] + crown[at, :, at, :] + mixed + mixed.transpose(0, 2, 1)
        inside = np.einsum("pi,pij,pj->p", rest, np.linalg.inv(marginal), rest) < gate if len(s) else np.zeros(0, bool)
        s, w, at, rest = s[inside], w[inside], at[inside], rest[inside]
        cross = between[s][:, :, at]
        joint = part[s][:, :, s] + crown[at][:, :, at] + cross + cross.transpose(2, 3, 0, 1)
        return Pairs(s, w, rest, joint, np.zeros(len(s)))

    def _add(self, members: Ints, jacobian: Array) -> None:
        n, added = self.size, 2 * len(members)
        if n + added > self.mean.size:
            size = 5 * (n + added) // 4 + 64
            mean, covariance = np.zeros(size), np.zeros((size, size))
            mean[:n], covariance[:n, :n] = self.mean[:n], self.covariance[:n, :n]
            self.mean, self.covariance = mean, covariance
            self.stamp = np.concatenate([self.stamp[:n], np.zeros(size - n, dtype=np.int64)])
        p, head = self.covariance, self.head
        new = slice(n, n + added)
        self.mean[new] = self.problem.position_m[members].ravel() - jacobian @ self.mean[:head]
        p[new, :n] = -jacobian @ p[:head, :n]
        right = np.flatnonzero(self.stamp[:n] >= self.clock)
        p[right, new] = p[new, right].T
        p[new, new] = jacobian @ p[:head, :head] @ jacobian.T
        self.stamp[new] = self.clock
        for i, member in enumerate(members):
            a = slice(n + 2 * i, n + 2 * i + 2)
            p[a, a] += self.noise[member]
            self.widest = max(self.widest, float(np.trace(p[a, a])))
        self.weeds += len(members)


def walk(problem: Problem, log_ratio: float, gate: float) -> tuple[Ints, Array]:
    """Return the weed of each sighting after one pass (weeds of the register come first, new ones after them), and how
    far the errors known by then moved each sighting (K, 2), m.
    """
    state = Walk(problem)
    out = np.full(len(problem.sightings), -1, dtype=np.int64)
    moved = np.zeros((len(out), 2))
    for number, members in enumerate(problem.members):
        state.enter(number)
        out[members] = state.observe(number, log_ratio, gate)
        dense = problem.dense[number]
        moved[members] = (dense @ state.mean[: dense.shape[1]]).reshape(-1, 2)
    return out, moved

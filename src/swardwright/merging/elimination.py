"""Sparse normal equations of blocks that lie somewhere: solved, and inverted where blocks touch.

Blocks of unknowns (the errors of one frame, of one stop) sit at places on the ground and are coupled to their
neighbours only, but for a few unknowns of the whole site that are coupled to all. Nested dissection by place (George
1973) orders the elimination: a row of blocks that parts the rest in two is eliminated after both parts. Each part is a
dense front (multifrontal Cholesky, Duff and Reid 1983). Going back down gives the inverse on every front, that is, for
all pairs of blocks that touch, exactly (Takahashi, Fagan and Chin 1973). With ``A`` the front's own block, ``C`` its
coupling to the boundary and ``K = A^-1 C``: ``S_ob = -K S_bb`` and ``S_oo = A^-1 + K S_bb K'``.

For blocks spread over a plane the cost grows a little faster than their number instead of with its cube (decision
0006).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve

from swardwright.domain.poses import Array

Ints = NDArray[np.int64]
#: Blocks that are eliminated in one dense front; entries below TINY count as zero: along a chain of frames correlations
#: die out down to denormal numbers, in which processors are slow by a factor of a hundred.
LEAF, TINY = 12, 1e-100


@dataclass(eq=False)
class _Front:
    """One step of the elimination: which blocks it takes out, and which later ones they touch."""

    groups: list[int]
    children: list[_Front]
    boundary: list[int] = field(default_factory=list)
    own: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    rest: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    factor: Any = None
    gain: Array = field(default_factory=lambda: np.zeros((0, 0)))
    update: Array = field(default_factory=lambda: np.zeros((0, 0)))
    inverse: Array = field(default_factory=lambda: np.zeros((0, 0)))


class Elimination:
    """A factored positive definite matrix.

    Parameters
    ----------
    matrix : sparse.csr_array
        Shape (n, n), symmetric.
    groups : Sequence[Ints]
        Columns of each block.
    places_m : Array
        Shape (len(groups), 2).
    neighbours : Sequence[set[int]]
        Blocks that each block touches (at least where the matrix is not zero).
    common : Ints
        Columns that may touch everything.
    """

    def __init__(self, matrix: sparse.csr_array, groups: Sequence[Ints], places_m: Array,
                 neighbours: Sequence[set[int]], common: Ints) -> None:  # fmt: skip
        self.size = matrix.shape[0]
        self.groups, self.neighbours, self.common = groups, neighbours, common
        top = _dissect(list(range(len(groups))), places_m, neighbours)
        self.fronts: list[_Front] = []
        self._order(top)
        rank = np.empty(len(groups), dtype=np.int64)
        rank[[g for f in self.fronts for g in f.groups]] = np.arange(len(groups))
        self._boundaries(rank)
        self._factor(matrix)

    def _order(self, top: _Front) -> None:
        waiting: list[tuple[_Front, bool]] = [(top, False)]
        while waiting:
            front, ready = waiting.pop()
            if ready:
                self.fronts.append(front)
            else:
                waiting.append((front, True))
                waiting += [(child, False) for child in front.children]

    def _boundaries(self, rank: Ints) -> None:
        for front in self.fronts:
            touched = {g for child in front.children for g in child.boundary}
            touched.update(*(self.neighbours[g] for g in front.groups))
            last = max((int(rank[g]) for g in front.groups), default=-1)
            front.boundary = sorted((g for g in touched - set(front.groups) if rank[g] > last), key=lambda g: rank[g])
            front.own = self._columns(front.groups)
            front.rest = np.concatenate([self._columns(front.boundary), self.common])
        top = self.fronts[-1]
        top.own, top.rest = np.concatenate([top.own, self.common]), np.zeros(0, dtype=np.int64)

    def _columns(self, groups: Sequence[int]) -> Ints:
        return np.concatenate([np.zeros(0, dtype=np.int64), *(self.groups[g] for g in groups)])

    def _factor(self, matrix: sparse.csr_array) -> None:
        place = np.full(self.size, -1, dtype=np.int64)
        for front in self.fronts:
            n, m = len(front.own), len(front.rest)
            every = np.concatenate([front.own, front.rest])
            place[every] = np.arange(n + m)
            dense = np.zeros((n + m, n + m))
            rows = matrix[front.own].tocoo()
            at = place[rows.col]
            keep = at >= 0
            dense[rows.row[keep], at[keep]] = rows.data[keep]
            dense[n:, :n] = dense[:n, n:].T
            for child in front.children:
                into = place[child.rest]
                dense[np.ix_(into, into)] += child.update
                child.update = np.zeros((0, 0))
            place[every] = -1
            if n:
                front.factor = cho_factor(dense[:n, :n], lower=True, check_finite=False)
                front.gain = _flushed(cho_solve(front.factor, dense[:n, n:], check_finite=False))
            else:
                front.gain = np.zeros((0, m))
            front.update = _flushed(dense[n:, n:] - dense[n:, :n] @ front.gain)

    def solve(self, right: Array) -> Array:
        """Return x of ``matrix @ x = right``, shape (n,) or (n, k)."""
        out = np.array(right, dtype=float)
        for front in self.fronts:
            if len(front.own):
                out[front.rest] -= front.gain.T @ out[front.own]
        for front in reversed(self.fronts):
            if len(front.own):
                own = cho_solve(front.factor, out[front.own], check_finite=False)
                out[front.own] = own - front.gain @ out[front.rest]
        return out

    def inverse_where_touching(self) -> sparse.csr_array:
        """Return the entries of the inverse for blocks that touch, each other and the common ones."""
        rows: list[Ints] = []
        cols: list[Ints] = []
        values: list[Array] = []
        parent: dict[int, _Front] = {id(c): f for f in self.fronts for c in f.children}
        place = np.full(self.size, -1, dtype=np.int64)
        for front in reversed(self.fronts):
            n = len(front.own)
            above = parent.get(id(front))
            full = np.zeros((n + len(front.rest),) * 2)
            if above is not None:
                known = np.concatenate([above.own, above.rest])
                place[known] = np.arange(len(known))
                at = place[front.rest]
                place[known] = -1
                full[n:, n:] = above.inverse[np.ix_(at, at)]
            if n:
                full[:n, n:] = -front.gain @ full[n:, n:]
                full[n:, :n] = full[:n, n:].T
                full[:n, :n] = cho_solve(front.factor, np.eye(n), check_finite=False) - full[:n, n:] @ front.gain.T
            front.inverse = full = _flushed(0.5 * (full + full.T))
            every = np.concatenate([front.own, front.rest])
            place[every] = np.arange(len(every))
            for g in front.groups:
                mine = self.groups[g]
                near = [h for h in self.neighbours[g] if h != g and place[self.groups[h][:1]].min(initial=0) >= 0]
                own_near = [h for h in near if h in set(front.groups)]
                later = self._columns([h for h in near if h not in set(own_near)])
                same = np.concatenate([mine, self._columns(own_near)])
                later = np.concatenate([later, self.common])
                _emit(rows, cols, values, mine, same, full, place)
                _emit(rows, cols, values, mine, later, full, place)
                _emit(rows, cols, values, later, mine, full, place)
            if above is None:
                _emit(rows, cols, values, self.common, self.common, full, place)
            place[every] = -1
        for front in self.fronts:
            front.inverse = np.zeros((0, 0))
        r, c, v = (np.concatenate(part) if part else np.zeros(0) for part in (rows, cols, values))
        return sparse.csr_array((v, (r.astype(np.int64), c.astype(np.int64))), shape=(self.size, self.size))


def _emit(rows: list[Ints], cols: list[Ints], values: list[Array], a: Ints, b: Ints, full: Array, place: Ints) -> None:
    rows.append(np.repeat(a, len(b)))
    cols.append(np.tile(b, len(a)))
    values.append(full[np.ix_(place[a], place[b])].ravel())


def _flushed(matrix: Array) -> Array:
    matrix[np.abs(matrix) < TINY] = 0.0
    return matrix


def _dissect(groups: list[int], places_m: Array, neighbours: Sequence[set[int]]) -> _Front:
    """Return the tree of fronts: halves first, what parts them last."""
    if len(groups) <= LEAF:
        return _Front(groups, [])
    where = places_m[groups]
    axis = int(np.argmax(np.ptp(where, axis=0)))
    order = np.argsort(where[:, axis], kind="stable")
    low = {groups[i] for i in order[: len(groups) // 2]}
    high = set(groups) - low
    edge_low = {g for g in low if neighbours[g] & high}
    edge_high = {g for g in high if neighbours[g] & low}
    edge = edge_low if len(edge_low) <= len(edge_high) else edge_high
    low, high = low - edge, high - edge
    if not low or not high:
        return _Front(groups, [])
    children = [_dissect(sorted(part), places_m, neighbours) for part in (low, high)]
    return _Front(sorted(edge), children)

"""Sparse normal equations of blocks that lie somewhere: solved, and inverted where blocks touch.

Blocks of unknowns (the errors of one frame, of one stop) sit at places on the ground and are coupled to their
neighbours only, but for a few unknowns of the whole site that are coupled to all. Nested dissection by place (George
1973) orders the elimination: a row of blocks that parts the rest in two is eliminated after both parts. Each part is a
dense front (multifrontal Cholesky, Duff and Reid 1983). Going back down gives the inverse on every front, that is, for
all pairs of blocks that touch, exactly (Takahashi, Fagan and Chin 1973). With ``A`` the front's own block, ``C`` its
coupling to the boundary and ``K = A^-1 C``: ``S_ob = -K S_bb`` and ``S_oo = A^-1 + K S_bb K'``.

For blocks spread over a plane the cost grows a little faster than their number instead of with its cube (decision
0006). Unknowns are ordered: the s common ones, then G blocks of b.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from swardwright.domain.poses import Array
from swardwright.merging.blocks import Blocks
from swardwright.merging.stack import Ints

#: Blocks that are eliminated in one dense front; entries below TINY count as zero: along a chain of frames correlations
#: die out down to denormal numbers, in which processors are slow by a factor of a hundred.
LEAF, TINY = 20, 1e-100


@dataclass(frozen=True, eq=False)
class Bordered:
    """A symmetric matrix: ``corner`` (s, s) of the common unknowns, ``strip`` (G, b, s), ``inner`` blocks (b, b)."""

    corner: Array
    strip: Array
    inner: Blocks

    def times(self, x: Array) -> Array:
        """Return the product with x (s + G b,)."""
        s = len(self.corner)
        flat = self.strip.reshape(self.strip.shape[0] * self.strip.shape[1], s)
        return np.concatenate([self.corner @ x[:s] + flat.T @ x[s:], flat @ x[:s] + self.inner.sparse @ x[s:]])


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
    matrix : Bordered
        What to factor.
    places_m : Array
        Shape (G, 2).
    neighbours : Sequence[set[int]]
        Blocks that each block touches (at least where the matrix is not zero).
    """

    def __init__(self, matrix: Bordered, places_m: Array, neighbours: Sequence[set[int]]) -> None:
        self.common, self.block = len(matrix.corner), matrix.strip.shape[1]
        self.count, self.neighbours = len(neighbours), neighbours
        self.fronts: list[_Front] = []
        self._order(_dissect(list(range(self.count)), places_m, neighbours))
        self._boundaries()
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

    def _boundaries(self) -> None:
        rank = np.empty(self.count, dtype=np.int64)
        rank[[g for f in self.fronts for g in f.groups]] = np.arange(self.count)
        common = np.arange(self.common, dtype=np.int64)
        for front in self.fronts:
            touched = {g for child in front.children for g in child.boundary}
            touched.update(*(self.neighbours[g] for g in front.groups))
            last = max((int(rank[g]) for g in front.groups), default=-1)
            front.boundary = sorted((g for g in touched - set(front.groups) if rank[g] > last), key=lambda g: rank[g])
            front.own = self._columns(front.groups)
            front.rest = np.concatenate([self._columns(front.boundary), common])
        top = self.fronts[-1]
        top.own, top.rest = np.concatenate([top.own, common]), np.zeros(0, dtype=np.int64)

    def _columns(self, groups: Sequence[int]) -> Ints:
        first = self.common + self.block * np.array(groups, dtype=np.int64)
        return np.asarray((first[:, None] + np.arange(self.block)).ravel())

    def _factor(self, matrix: Bordered) -> None:
        b, s = self.block, self.common
        place = np.full(self.count, -1, dtype=np.int64)
        starts = np.searchsorted(matrix.inner.row, np.arange(self.count + 1))
        column = matrix.inner.column
        for front in self.fronts:
            groups = np.array([*front.groups, *front.boundary], dtype=np.int64)
            place[groups] = np.arange(len(groups))
            size = b * len(groups)
            dense = np.zeros((size + s, size + s))
            inner = dense[:size, :size].reshape(len(groups), b, len(groups), b)
            for i, g in enumerate(front.groups):
                index = np.arange(starts[g], starts[g + 1])
                at = place[column[index]]
                index, at = index[at >= 0], at[at >= 0]
                inner[i, :, at, :] = matrix.inner.data[index]
                inner[at, :, i, :] = matrix.inner.data[index].transpose(0, 2, 1)
                dense[b * i : b * (i + 1), size:] = matrix.strip[g]
                dense[size:, b * i : b * (i + 1)] = matrix.strip[g].T
            if front is self.fronts[-1]:
                dense[size:, size:] = matrix.corner
            n = len(front.own)
            for child in front.children:
                into = self._within(place, child, size)
                dense[np.ix_(into, into)] += child.update
                child.update = np.zeros((0, 0))
            place[groups] = -1
            if n:
                front.factor = cho_factor(dense[:n, :n], lower=True, check_finite=False)
                front.gain = _flushed(cho_solve(front.factor, dense[:n, n:], check_finite=False))
            else:
                front.gain = np.zeros((0, len(front.rest)))
            front.update = _flushed(dense[n:, n:] - dense[n:, :n] @ front.gain)

    def _within(self, place: Ints, child: _Front, size: int) -> Ints:
        """Return where the child's boundary lies among the columns of the front whose groups ``place`` tells."""
        at = self.block * place[np.array(child.boundary, dtype=np.int64)]
        return np.concatenate([(at[:, None] + np.arange(self.block)).ravel(), size + np.arange(self.common)])

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

    def inverse_where_touching(self) -> Bordered:
        """Return the entries of the inverse for blocks that touch, each other and the common ones."""
        b, s, count = self.block, self.common, self.count
        keys: list[Ints] = []
        blocks: list[Array] = []
        strip, corner = np.zeros((count, b, s)), np.zeros((s, s))
        parent: dict[int, _Front] = {id(c): f for f in self.fronts for c in f.children}
        place = np.full(count, -1, dtype=np.int64)
        for front in reversed(self.fronts):
            n = len(front.own)
            above = parent.get(id(front))
            full = np.zeros((n + len(front.rest),) * 2)
            if above is not None:
                known = np.array([*above.groups, *above.boundary], dtype=np.int64)
                place[known] = np.arange(len(known))
                at = self._within(place, front, b * len(known))
                place[known] = -1
                full[n:, n:] = above.inverse[np.ix_(at, at)]
            if n:
                full[:n, n:] = -front.gain @ full[n:, n:]
                full[n:, :n] = full[:n, n:].T
                full[:n, :n] = cho_solve(front.factor, np.eye(n), check_finite=False) - full[:n, n:] @ front.gain.T
            front.inverse = full = _flushed(0.5 * (full + full.T))
            groups = np.array([*front.groups, *front.boundary], dtype=np.int64)
            place[groups] = np.arange(len(groups))
            size = b * len(groups)
            inner = full[:size, :size].reshape(len(groups), b, len(groups), b)
            for i, g in enumerate(front.groups):
                near = np.array([g, *self.neighbours[g]], dtype=np.int64)
                near = near[place[near] >= 0]
                at = place[near]
                part = inner[i, :, at, :]
                keys.append(g * count + near)
                blocks.append(part)
                later = at >= len(front.groups)
                keys.append(near[later] * count + g)
                blocks.append(part[later].transpose(0, 2, 1))
                strip[g] = full[b * i : b * (i + 1), size:]
            if above is None:
                corner = full[size:, size:]
            place[groups] = -1
        for front in self.fronts:
            front.inverse = np.zeros((0, 0))
        every = np.concatenate(keys) if keys else np.zeros(0, dtype=np.int64)
        data = np.concatenate(blocks) if blocks else np.zeros((0, b, b))
        return Bordered(corner, strip, Blocks.summed(count, count, every, data))


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

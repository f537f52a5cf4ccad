"""Shortest path through all of a few hundred places: iterated 2-opt and Or-opt.

Local search of Croes 1958 (2-opt) and Or 1976 (moving short runs) with the double-bridge kick of Martin, Otto and
Felten 1991 (all from memory). Judged against brute force and published instances in the tests.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array

_TIE = 1e-9
Order = NDArray[np.int64]


def shortest_path(cost: Array, first: int, last: int | None, rng: np.random.Generator, kicks: int = 200) -> list[int]:
    """Return an order that visits every place once, from ``first`` (to ``last``, if given).

    Parameters
    ----------
    cost : Array
        Shape (n, n), symmetric, finite, not negative.
    kicks : int
        How many times the best order is disturbed and searched again.
    """
    n = len(cost)
    if n <= 2:
        return [first] if n == 1 else [first, 1 - first]
    # A further place, tied to the ends, closes the path to a tour.
    tie = -10.0 * (float(cost.max()) + 1.0)
    closed = np.zeros((n + 1, n + 1))
    closed[:n, :n] = cost
    closed[n, first] = closed[first, n] = tie
    if last is not None:
        closed[n, last] = closed[last, n] = tie
    tour = _improve(closed, _nearest_neighbour(closed, n, first))
    best, length = tour, _length(closed, tour)
    for _ in range(kicks if n > 3 else 0):
        tour = _improve(closed, _kick(best, rng))
        now = _length(closed, tour)
        if now < length - _TIE:
            best, length = tour, now
    start = int(np.flatnonzero(best == n)[0])
    path = [int(v) for v in np.roll(best, -start)[1:]]
    return path if path[0] == first else path[::-1]


def _length(cost: Array, tour: Order) -> float:
    return float(cost[tour, np.roll(tour, -1)].sum())


def _nearest_neighbour(cost: Array, begin: int, then: int) -> Order:
    order, left = [begin, then], set(range(len(cost))) - {begin, then}
    while left:
        here = order[-1]
        order.append(min(left, key=lambda j: (cost[here, j], j)))
        left.remove(order[-1])
    return np.array(order, dtype=np.int64)


def _kick(tour: Order, rng: np.random.Generator) -> Order:
    a, b, c = np.sort(rng.integers(1, len(tour) + 1, 3))
    return np.concatenate([tour[:a], tour[b:c], tour[a:b], tour[c:]])


def _improve(cost: Array, tour: Order) -> Order:
    """Apply the best 2-opt or Or-opt move until none gains."""
    while True:
        gain, move = _best_reversal(cost, tour)
        other_gain, other = _best_shift(cost, tour) if gain < _TIE else (0.0, tour)
        if max(gain, other_gain) < _TIE:
            return tour
        tour = move if gain >= other_gain else other


def _best_reversal(cost: Array, tour: Order) -> tuple[float, Order]:
    after = np.roll(tour, -1)
    edge = cost[tour, after]
    gain = edge[:, None] + edge[None, :] - cost[np.ix_(tour, tour)] - cost[np.ix_(after, after)]
    gain[np.tril_indices(len(tour), k=1)] = -np.inf  # the same or neighbouring edges: nothing to reverse
    i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
    best = float(gain[i, j])
    if best < _TIE:
        return 0.0, tour
    return best, np.concatenate([tour[: i + 1], tour[i + 1 : j + 1][::-1], tour[j + 1 :]])


def _best_shift(cost: Array, tour: Order) -> tuple[float, Order]:
    n = len(tour)
    best, result = 0.0, tour
    index = np.arange(n)
    for run in range(1, min(3, n - 3) + 1):
        head, tail = tour, tour[(index + run - 1) % n]
        before, after = tour[index - 1], tour[(index + run) % n]
        freed = cost[before, head] + cost[tail, after] - cost[before, after]
        left, right = tour[None, :], np.roll(tour, -1)[None, :]
        gap = cost[left, right]
        straight = cost[left, head[:, None]] + cost[tail[:, None], right] - gap
        turned = cost[left, tail[:, None]] + cost[head[:, None], right] - gap
        gain = freed[:, None] - np.minimum(straight, turned)
        position = (index[None, :] - index[:, None]) % n  # the edge must lie outside the run and its two ends
        gain[(position < run) | (position == n - 1)] = -np.inf
        i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
        if gain[i, j] > best + _TIE:
            best = float(gain[i, j])
            rolled = np.roll(tour, -int(i))
            piece, rest = rolled[:run], rolled[run:]
            place = int((j - i) % n) - run + 1
            if turned[i, j] < straight[i, j]:
                piece = piece[::-1]
            result = np.concatenate([rest[:place], piece, rest[place:]])
    return best, result

"""Shortest path or round trip through a few thousand places, and a proven bound on how short it can be.

Search: moves of Lin and Kernighan 1973 to a depth of a few flips (2-opt, Croes 1958, is the first) and Or 1976 (moving
short runs) over lists of near neighbours, from the best tour disturbed by swapping two neighbouring runs (a 3-exchange
after Martin, Otto and Felten 1991). Bound: Held and Karp 1970, 1971. All from memory; judged against brute force and
published instances in the tests.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array

_TIE = 1e-9
#: near neighbours looked at per place; alternatives tried at each depth of a chain of flips
_NEAR, _BREADTH = 8, (5, 3, 1)
_RUN, _SWAP = 3, 50


def shortest_path(
    cost: Array, first: int, last: int | None, rng: np.random.Generator, kicks: int = 200, *, closed: bool = False
) -> list[int]:
    """Return an order that visits every place once, from ``first`` (to ``last``, if given).

    Parameters
    ----------
    cost : Array
        Shape (n, n), symmetric, finite, not negative.
    kicks : int
        How many times the best order is disturbed and searched again.
    closed : bool
        Whether the way back from the last place to ``first`` counts; ``last`` is then not used.
    """
    n = len(cost)
    if n <= 2:
        return [first] if n == 1 else [first, 1 - first]
    if closed:
        tour = _search(np.asarray(cost, dtype=float), first, rng, kicks)
        start = tour.index(first)
        return tour[start:] + tour[:start]
    # A further place, tied to the ends, closes the path to a tour.
    tie = -10.0 * (float(cost.max()) + 1.0)
    ring = np.zeros((n + 1, n + 1))
    ring[:n, :n] = cost
    ring[n, first] = ring[first, n] = tie
    if last is not None:
        ring[n, last] = ring[last, n] = tie
    tour = _search(ring, n, rng, kicks)
    start = tour.index(n)
    path = tour[start + 1 :] + tour[:start]
    return path if path[0] == first else path[::-1]


def _search(cost: Array, begin: int, rng: np.random.Generator, kicks: int) -> list[int]:
    n = len(cost)
    tour = _Tour(cost, _nearest_neighbour(cost, begin))
    tour.improve(range(n))
    if n < 8:
        kicks = min(kicks, 40)
    if n < 5:
        return tour.order
    best, best_place, gained = list(tour.order), list(tour.place), 0.0
    longest = max(min(_SWAP, (n - 2) // 3), 1)
    draws = rng.random((kicks, 3)).tolist()
    for where, a, b in draws:
        one, two = 1 + int(a * longest), 1 + int(b * longest)
        here = int(where * (n - one - two + 1))
        gained = tour.swap(here, one, two)
        if gained > -_TIE:
            best, best_place = list(tour.order), list(tour.place)
        else:
            tour.order, tour.place = list(best), list(best_place)
    return best


def _nearest_neighbour(cost: Array, begin: int) -> list[int]:
    far = np.array(cost, dtype=float)
    order = [begin]
    far[:, begin] = np.inf
    for _ in range(len(cost) - 1):
        order.append(int(np.argmin(far[order[-1]])))
        far[:, order[-1]] = np.inf
    return order


class _Tour:
    """A closed tour as a list, with where each place stands in it."""

    def __init__(self, cost: Array, order: list[int]) -> None:
        self.n = len(order)
        self.order = order
        self.place = [0] * self.n
        for k, v in enumerate(order):
            self.place[v] = k
        self.cost: list[list[float]] = cost.tolist()
        apart = np.array(cost)
        np.fill_diagonal(apart, np.inf)
        k = min(_NEAR, self.n - 1)
        self.near: list[list[int]] = np.argsort(apart, axis=1, kind="stable")[:, :k].tolist()
        self.touched: list[int] = []

    def after(self, v: int) -> int:
        return self.order[self.place[v] + 1 - self.n]

    def before(self, v: int) -> int:
        return self.order[self.place[v] - 1]

    def improve(self, start: Iterable[int]) -> float:
        """Apply moves at the places given, and at those that the moves touch, until none gains; return the gain."""
        queue = list(start)
        waiting = set(queue)
        total = 0.0
        while queue:
            v = queue.pop()
            waiting.discard(v)
            gain = self._move(v)
            if gain > 0.0:
                total += gain
                for u in (v, *self.touched):
                    if u not in waiting:
                        waiting.add(u)
                        queue.append(u)
        return total

    def swap(self, here: int, one: int, two: int) -> float:
        """Swap two neighbouring runs and search again around them; return what was gained in all."""
        order, cost, n = self.order, self.cost, self.n
        middle, end = here + one, here + one + two
        a, b = order[here - 1], order[here]
        c, d = order[middle - 1], order[middle]
        e, f = order[end - 1], order[end - n]
        if a in (e, c) or f in (b, d):
            return 0.0
        change = cost[a][b] + cost[c][d] + cost[e][f] - cost[a][d] - cost[e][b] - cost[c][f]
        order[here:end] = order[middle:end] + order[here:middle]
        for k in range(here, end):
            self.place[order[k]] = k
        return change + self.improve((a, b, c, d, e, f))

    def _move(self, v: int) -> float:
        for follow in (self.after, self.before):
            gain = self._chain(v, follow(v), 0, 0.0)
            if gain > 0.0:
                return gain
        return self._shift(v)

    def _chain(self, t1: int, t2: int, depth: int, gain: float) -> float:
        """Exchange edge t1-t2 by a chain of flips; applied where it gains in all."""
        cost, near = self.cost, self.near
        open_gain = gain + cost[t1][t2]
        forward = self.after(t1) == t2
        tries = []
        row = cost[t2]
        for t3 in near[t2]:
            left = open_gain - row[t3]
            if left < _TIE:
                break
            t4 = self.before(t3) if forward else self.after(t3)
            if t3 in (t1, t2) or t4 == t2:
                continue
            tries.append((-left - cost[t3][t4], t3, t4))
        tries.sort()
        for worth, t3, t4 in tries[: _BREADTH[depth]]:
            closed = -worth - cost[t4][t1]
            if depth + 1 == len(_BREADTH) and closed <= _TIE:
                continue
            self._flip(t1, t2, t3, t4)
            if closed > _TIE:
                self.touched = [t1, t2, t3, t4]
                return closed
            if depth + 1 < len(_BREADTH):
                deeper = self._chain(t1, t4, depth + 1, -worth - cost[t1][t4])
                if deeper > 0.0:
                    self.touched += [t2, t3]
                    return deeper
            self._flip(t1, t4, t3, t2)
        return 0.0

    def _shift(self, s: int) -> float:
        """Move a run of up to three places that begins at ``s`` beside a near neighbour of ``s``."""
        cost, n = self.cost, self.n
        for way in (1, -1):
            order, place = self.order, self.place
            at = place[s]
            p = order[(at - way) % n]
            run: list[int] = []
            for k in range(min(_RUN, n - 3)):
                e = order[(at + way * k) % n]
                run.append(e)
                f = order[(at + way * (k + 1)) % n]
                freed = cost[p][s] + cost[e][f] - cost[p][f]
                for c in self.near[s]:
                    if cost[s][c] > freed - _TIE:
                        break
                    if c in run or c == p:
                        continue
                    d = order[(place[c] + way) % n]
                    if d != p:
                        gain = freed - cost[s][c] - cost[e][d] + cost[c][d]
                        if gain > _TIE:
                            self._flip(p, s, d, c)
                            if f != c:
                                self._flip(p, c, e, f)
                            if k:
                                self._flip(c, e, d, s)
                            self.touched = [p, s, e, f, c, d]
                            return gain
                    b = order[(place[c] - way) % n]
                    if c != f:
                        gain = freed - cost[s][c] - cost[e][b] + cost[b][c]
                        if gain > _TIE:
                            self._flip(p, s, c, b)
                            if f != b:
                                self._flip(p, b, e, f)
                            self.touched = [p, s, e, f, c, b]
                            return gain
        return 0.0

    def _flip(self, t1: int, t2: int, t3: int, t4: int) -> None:
        """Replace the edges t1-t2 and t4-t3 (t1, t2 .. t4, t3 in either direction) by t2-t3 and t1-t4."""
        i, j = (self.place[t2], self.place[t4]) if self.after(t1) == t2 else (self.place[t4], self.place[t2])
        n, order, place = self.n, self.order, self.place
        length = (j - i) % n + 1
        if 2 * length > n:
            i, j, length = (j + 1) % n, (i - 1) % n, n - length
        if i <= j:
            run = order[i : j + 1]
            run.reverse()
            order[i : j + 1] = run
            for k in range(i, j + 1):
                place[order[k]] = k
            return
        for _ in range(length // 2):
            u, v = order[i], order[j]
            order[i], order[j] = v, u
            place[v], place[u] = i, j
            i = i + 1 if i + 1 < n else 0
            j = j - 1 if j else n - 1


def least_length(cost: Array, first: int, upper: float, *, closed: bool = False, steps: int = 300) -> float:
    """Return a proven lower bound on the length of every path from ``first`` through all places (or round trip).

    Parameters
    ----------
    cost : Array
        Shape (n, n), symmetric.
    upper : float
        Length of a known path; it only sets the step size.

    Notes
    -----
    Put a number p on every place and add p_i + p_j to each edge. A path from ``first`` grows by exactly
    ``2 sum(p) - p_first - p_last``, and it is a spanning tree; so for *any* p
    ``MST(c + p) + p_first + min(p) - 2 sum(p)`` (the minimum over possible last places) is a lower bound (Held and Karp
    1970; for a round trip the usual 1-tree at ``first``). p climbs by subgradients; the best value met is returned, so
    that stopping early only weakens it.
    """
    n = len(cost)
    if n < 3:
        return 0.0 if n < 2 else float(cost[0, 1]) * (2.0 if closed else 1.0)
    others = np.array([v for v in range(n) if v != first])
    price, before = np.zeros(n), np.zeros(n)
    best, scale, stuck = -np.inf, 1.0, 0
    for _ in range(steps):
        now = cost + price[:, None] + price[None, :]
        degree = np.zeros(n)
        if closed:
            length, tree = _spanning_tree(now[np.ix_(others, others)])
            degree[others] = tree
            ends = others[np.argsort(now[first, others], kind="stable")[:2]]
            length += float(now[first, ends].sum()) - 2.0 * float(price.sum())
            degree[ends] += 1.0
            degree[first] = 2.0
        else:
            length, degree = _spanning_tree(now)
            end = int(others[np.argmin(price[others])])
            length += float(price[first] + price[end]) - 2.0 * float(price.sum())
            degree[[first, end]] += 1.0
        if length > best + 1e-6 * abs(upper):
            stuck = 0
        else:
            stuck += 1
            if stuck == 10:
                scale, stuck = 0.5 * scale, 0
        best = max(best, length)
        off = degree - 2.0
        square = float(off @ off)
        if square == 0.0 or scale < 1e-4:
            break
        step = scale * max(1.01 * upper - length, 1e-6 * abs(upper)) / square
        price = price + step * (0.7 * off + 0.3 * before)
        before = off
    return max(best, 0.0)


def _spanning_tree(cost: Array) -> tuple[float, NDArray[np.float64]]:
    """Return length and degrees of a minimum spanning tree of a dense graph (Prim 1957)."""
    n = len(cost)
    reach = cost[0].copy()
    link = np.zeros(n, dtype=np.int64)
    reach[0] = np.inf
    gone = np.zeros(n, dtype=bool)
    gone[0] = True
    degree, length = np.zeros(n), 0.0
    for _ in range(n - 1):
        v = int(np.argmin(reach))
        length += float(reach[v])
        degree[v] += 1.0
        degree[link[v]] += 1.0
        gone[v] = True
        reach[v] = np.inf
        row = cost[v]
        nearer = (row < reach) & ~gone
        reach[nearer] = row[nearer]
        link[nearer] = v
    return length, degree

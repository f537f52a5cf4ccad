"""Covering thousands of weeds: prices that prove how few stops could do, and a cover mended tile by tile.

Large sites are too much for the exact solver, and a bound per tile proves nothing for the whole, because a stop at a
tile's edge serves two tiles. Prices of weeds do.

Proof of the bound. Give each weed w a price p_w >= 0 such that no stop pose covers weeds worth more than 1. Any
cover C pays for every weed at least once, so ``sum_w p_w <= sum_{j in C} sum_{w in j} p_w <= |C|``: no cover has fewer
stops than the sum of the prices, rounded up (weak duality of the covering linear program). It stays true for fewer
weeds (leave out their prices) and for stops that cover less. Where the prices came from does not matter; that no stop
pose on the grid is worth more than 1 is seen to at the end, over all poses.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.planning.share import shared
from swardwright.planning.solver import dual_prices

Bools = NDArray[np.bool_]
#: edge of a tile, in weeds that it holds on average; branches of the solver on it, and seconds if the machine is slow
_TILE_WEEDS, _TILE_NODES, _TILE_S = 140, 20, 10.0
#: shifts of the tiles, in tiles; each pass mends the seams of the ones before
_SHIFTS = ((0.0, 0.0), (0.5, 0.5), (0.5, 0.0), (0.0, 0.5), (0.25, 0.25))
_STEPS, _ROUGH_STEPS = 400, 150
#: linear programs solved at most, and how near to the best the prices need come
_ROUNDS, _CLOSE = 10, 5e-4


def worth_trying(sets: Any, penalty: Array, most: int = 8000) -> tuple[NDArray[np.int64], Array]:
    """Return the rows of the stop poses worth trying, and the prices of the weeds.

    The covering linear program is solved over the ``most`` stops that are worth most at rough prices; stops worth more
    than 1 at its prices are let in, and so on until there are none to speak of (column generation: Gilmore and Gomory
    1961, from memory). The prices are then those of the linear program over all stops: no prices prove more.

    Parameters
    ----------
    sets : csr_array
        Shape (m, n): 1 where the weed is covered; every column has one.
    """
    n = sets.shape[1]
    # of equal sets the least penalty stays (two random sums tell them apart: which poses are tried proves nothing)
    marks = sets @ np.random.default_rng(0).random((n, 2))
    order = np.lexsort((penalty, marks[:, 1], marks[:, 0]))
    ahead = np.ones(len(order), dtype=bool)
    ahead[1:] = np.abs(np.diff(marks[order], axis=0)).max(axis=1) > 1e-9
    distinct = order[ahead]
    offered = sets[distinct]
    prices = feasible(offered, subgradient_prices(offered, _ROUGH_STEPS))
    worth = offered @ prices
    tried = np.zeros(len(distinct), dtype=bool)
    tried[np.argsort(-worth, kind="stable")[:most]] = True
    tried[_best_of_each(offered, worth)] = True
    for _ in range(_ROUNDS):
        found = dual_prices(offered[tried])
        least = float(found.sum())  # of the stops tried: the most that prices over all stops can come to
        better = feasible(offered, found)
        prices = better if better.sum() > prices.sum() else prices
        worth = offered @ found
        new = np.flatnonzero((worth > 1.0 + 1e-6) & ~tried)
        if not new.size or least - float(prices.sum()) < _CLOSE * least:
            break
        tried[new[np.argsort(-worth[new], kind="stable")[: most // 2]]] = True
    return np.sort(distinct[tried]), feasible(sets, prices)


def _best_of_each(sets: Any, worth: Array) -> NDArray[np.int64]:
    """Return for every weed the three stops that cover it and are worth most."""
    pairs = sets.tocoo()
    stop, weed = pairs.coords
    order = np.lexsort((-worth[stop], weed))
    first = np.searchsorted(weed[order], np.arange(sets.shape[1]))
    rank = np.arange(len(order)) - first[weed[order]]
    return np.unique(stop[order][rank < 3]).astype(np.int64)


def subgradient_prices(sets: Any, steps: int = _STEPS) -> Array:
    """Return prices near the best ones, by subgradients of ``sum p + sum_j min(0, 1 - worth_j)`` (Held, Karp)."""
    across = sets.T.tocsr()
    size = np.diff(sets.indptr)
    largest = np.maximum.reduceat(size[across.indices], across.indptr[:-1])
    prices = 1.0 / largest.astype(float)  # feasible: no stop is worth more than 1
    best, best_value, scale, stuck = prices, float(prices.sum()), 1.0, 0
    goal = 1.15 * best_value
    for _ in range(steps):
        over = 1.0 - sets @ prices
        taken = over < 0.0
        value = float(prices.sum() + over[taken].sum())
        if value > best_value + 1e-4 * abs(best_value):
            stuck = 0
        else:
            stuck += 1
            if stuck == 15:
                scale, stuck = 0.6 * scale, 0
                prices = best
                continue
        if value > best_value:
            best, best_value = prices, value
        goal = max(goal, 1.03 * best_value)
        slope = 1.0 - across @ taken.astype(np.float32)
        slope[(prices <= 0.0) & (slope < 0.0)] = 0.0
        square = float(slope @ slope)
        if square == 0.0 or scale < 1e-3:
            break
        prices = np.maximum(prices + scale * (goal - value) / square * slope, 0.0)
    return best


def feasible(sets: Any, prices: Array) -> Array:
    """Return prices at which no stop is worth more than 1.

    Each weed's price is divided by the worth of the dearest stop that covers it, if that is above 1: then the worth of
    any stop is at most its old worth over itself. What room that leaves is given back weed by weed.
    """
    across = sets.T.tocsr()
    worth = sets @ prices
    dearest = np.maximum.reduceat(worth[across.indices], across.indptr[:-1])
    prices = prices / np.maximum(dearest, 1.0)
    worth = sets @ prices
    for w in np.argsort(-dearest, kind="stable"):
        mine = across.indices[across.indptr[w] : across.indptr[w + 1]]
        room = 1.0 - float(worth[mine].max())
        if room > 0.0:
            prices[w] += room
            worth[mine] += room
    top = float((sets @ prices).max())
    return np.asarray(prices / max(top, 1.0) * (1.0 - 1e-9))


def price_bound(prices: Array) -> int:
    """Return the number of stops that no cover can do with fewer of."""
    return max(math.ceil(float(prices.sum()) - 1e-6), 1)


def cover_by_tiles(sets: Any, penalty: Array, weeds_m: Array, *, workers: int = 1) -> list[int]:
    """Choose few stops that cover all weeds: tile by tile, then over shifted tiles so that the seams are mended.

    In each tile the stops all of whose own weeds (those that no other chosen stop covers) lie in the tile are taken
    out, and the weeds left over are covered anew by the exact solver, if that takes no more stops. Every other tile, as
    the black fields of a board, is solved at once: taking out never bares a weed of another tile.

    Parameters
    ----------
    sets : csr_array
        Shape (m, n): an entry where the weed is covered.
    workers : int
        Processes that share the tiles; the result is the same for any number.
    """
    by_weed = sets.T.tocsr()
    low, high = weeds_m.min(axis=0), weeds_m.max(axis=0)
    edge = math.sqrt(_TILE_WEEDS * float(np.prod(np.maximum(high - low, 1e-3))) / len(weeds_m))
    times = np.zeros(len(weeds_m), dtype=np.int64)  # how many chosen stops cover it
    chosen: set[int] = set()
    for shift in _SHIFTS:
        tile = np.floor((weeds_m - low) / edge + np.array(shift)).astype(np.int64)
        fields, tile_of = np.unique(tile, axis=0, return_inverse=True)
        for colour in (0, 1):
            taken: list[tuple[list[int], NDArray[np.int64]]] = []
            parts: list[tuple[Bools, Array]] = []
            for number in np.flatnonzero(fields.sum(axis=1) % 2 == colour):
                inside = tile_of == number
                out = _only_inside(sets, by_weed, chosen, times, inside)
                _count(sets, out, times, -1)
                chosen -= set(out)
                todo = np.flatnonzero((times == 0) & inside)
                if todo.size:
                    rows = np.unique(by_weed[todo].indices).astype(np.int64)
                    taken.append((out, rows))
                    parts.append((sets[rows][:, todo].toarray() > 0.0, penalty[rows]))
            for (out, rows), part in zip(taken, shared(_cover_tile, None, parts, workers=workers), strict=True):
                new = [int(rows[r]) for r in part]
                new = out if out and len(new) > len(out) else new
                _count(sets, [row for row in new if row not in chosen], times, 1)
                chosen |= set(new)
    for row in sorted(chosen):  # what has become spare
        mine = sets.indices[sets.indptr[row] : sets.indptr[row + 1]]
        if (times[mine] > 1).all():
            chosen.discard(row)
            times[mine] -= 1
    return sorted(chosen)


def _cover_tile(_: None, part: tuple[Bools, Array]) -> list[int]:
    from swardwright.planning.stops import cover

    return cover(*part, time_s=_TILE_S, nodes=_TILE_NODES)[0]


def _count(sets: Any, rows: list[int], times: NDArray[np.int64], by: int) -> None:
    """Add to how many chosen stops cover each weed."""
    for row in rows:
        times[sets.indices[sets.indptr[row] : sets.indptr[row + 1]]] += by


def _only_inside(sets: Any, by_weed: Any, chosen: set[int], times: NDArray[np.int64], inside: Bools) -> list[int]:
    """Return chosen stops that the weeds outside do not need, alone or together."""
    near = set(by_weed[np.flatnonzero(inside)].indices.tolist()) & chosen
    left = times.copy()
    out = []
    for row in sorted(near):
        mine = sets.indices[sets.indptr[row] : sets.indptr[row + 1]]
        outside = mine[~inside[mine]]
        if (left[outside] > 1).all():
            left[outside] -= 1
            out.append(row)
    return out

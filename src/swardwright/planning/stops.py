"""Where to park the base: set covering over stop poses, with a proven lower bound.

Fewest stops first; among these, stops that leave weeds out from under the base, stand on the zones, and reach well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.domain.site import Base, Site
from swardwright.planning.ground import FreeGround
from swardwright.planning.reach_map import CELL_M, ReachMap
from swardwright.planning.solver import fewest
from swardwright.planning.view import seen_at_stop

Bools = NDArray[np.bool_]
HEADINGS = 12
GRID_M = 0.25
#: more weeds than this are covered by tiles: the whole at once takes the solver too long
WHOLE = 1200


@dataclass(frozen=True, eq=False)
class Offered:
    """Stop poses on offer.

    Attributes
    ----------
    poses : Array
        Shape (m, 3): x_m, y_m, yaw_rad, ground axes.
    good : csr_array
        Shape (m, n): an entry where the weed is reached, and seen by a look, from the stop: 1 + how well, 1..2.
    penalty : Array
        Shape (m,): what is second to the number of stops, 0..1: weeds under the base, off the zones, poor reach.
    prices : Array | None
        Shape (n,), of large sites, where only the stop poses worth trying are kept: prices of the weeds such that no
        stop pose at all, of those kept and those left out, covers weeds worth more than 1 (:mod:`planning.tiles`).
    """

    poses: Array
    good: Any
    penalty: Array
    prices: Array | None = None

    @property
    def served(self) -> Bools:
        """Whether a weed is covered from any stop, (n,)."""
        return np.bincount(self.good.indices, minlength=self.good.shape[1]) > 0

    def rows(self, index: NDArray[np.int64] | Bools) -> Offered:
        """Return some of the stops."""
        return Offered(self.poses[index], self.good[index], self.penalty[index], self.prices)

    def columns(self, index: NDArray[np.int64]) -> Offered:
        """Return the same stops for some of the weeds."""
        prices = None if self.prices is None else self.prices[index]
        return Offered(self.poses, self.good[:, index], self.penalty, prices)

    def without(self, stops: list[int], weeds: list[int]) -> Offered:
        """Return the same stops and weeds, none of these weeds being covered from any of these stops."""
        from scipy.sparse import csr_array

        pairs = self.good.tocoo()
        stop, weed = pairs.coords
        left = ~(np.isin(stop, stops) & np.isin(weed, weeds))
        good = csr_array((pairs.data[left], (stop[left], weed[left])), shape=pairs.shape)
        return Offered(self.poses, good, self.penalty, self.prices)


def in_base_axes(poses: Array, points_m: Array) -> Array:
    """Return points (n, 2) or (m, n, 2), ground axes, in the base axes of each pose (m, 3); shape (m, n, 2)."""
    step = points_m - poses[:, None, :2]
    c, s = np.cos(poses[:, 2])[:, None], np.sin(poses[:, 2])[:, None]
    return np.stack([c * step[..., 0] + s * step[..., 1], -s * step[..., 0] + c * step[..., 1]], axis=-1)


def offer_stops(site: Site, ground: FreeGround, reach: ReachMap, weeds_m: Array, grid_m: float = GRID_M) -> Offered:
    """Return stop poses on a grid of free ground and headings from which at least one weed is covered.

    Parameters
    ----------
    weeds_m : Array
        Shape (n, 2), ground axes.
    """
    from scipy.sparse import csr_array
    from scipy.spatial import cKDTree

    nothing = Offered(np.zeros((0, 3)), csr_array((0, len(weeds_m))), np.zeros(0))
    radius = reach.radius_m
    if len(weeds_m) == 0 or radius == 0.0 or ground.free.is_empty:
        return nothing
    low, high = weeds_m.min(axis=0) - radius, weeds_m.max(axis=0) + radius
    axes = [
        grid_m * np.arange(math.floor(a / grid_m), math.ceil(b / grid_m) + 1) for a, b in zip(low, high, strict=True)
    ]
    places = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    near = cKDTree(weeds_m).query(places)[0] <= radius
    places = places[near]
    places = places[ground.standable(places)] if len(places) else places
    if len(places) == 0:
        return nothing
    pairs = _pairs(site, reach, places, weeds_m)
    if len(pairs.stop) == 0:
        return nothing
    # only stops that cover something
    rows, stop = np.unique(pairs.stop, return_inverse=True)
    poses = pairs.poses[rows]
    good = csr_array((1.0 + pairs.quality.astype(np.float32), (stop, pairs.weed)), shape=(len(rows), len(weeds_m)))
    quality = np.bincount(stop, pairs.quality) / np.bincount(stop)
    offered = Offered(poses, good, _penalty(site, poses, pairs.standing_on[rows], quality))
    if len(weeds_m) <= WHOLE:
        return _undominated(offered)
    from swardwright.planning.tiles import worth_trying

    sets = csr_array((np.ones(good.nnz, dtype=np.float32), good.indices, good.indptr), shape=good.shape)
    kept, prices = worth_trying(sets, offered.penalty)
    return replace(offered.rows(kept), prices=prices)


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Stop poses and weeds that belong together: weed ``weed[k]`` is covered from ``poses[stop[k]]``."""

    poses: Array
    standing_on: NDArray[np.int64]
    stop: NDArray[np.int64]
    weed: NDArray[np.int64]
    quality: Array


def _pairs(site: Site, reach: ReachMap, places: Array, weeds_m: Array) -> _Pairs:
    """Return which weeds are covered from which place with which heading: only weeds within reach are looked at."""
    from scipy.spatial import cKDTree

    headings = 2.0 * math.pi / HEADINGS * (np.arange(HEADINGS) - HEADINGS // 2 + 1)
    poses = np.column_stack([np.repeat(places, HEADINGS, axis=0), np.tile(headings, len(places))])
    base = site.rig.base
    within = max(reach.radius_m + CELL_M, math.hypot(abs(base.offset_m) + base.length_m / 2.0, base.width_m / 2.0))
    close = cKDTree(places).sparse_distance_matrix(cKDTree(weeds_m), within + 1e-6, output_type="ndarray")
    place, weed = close["i"], close["j"]
    step = weeds_m[weed] - places[place]
    standing_on = np.zeros((len(places), HEADINGS), dtype=np.int64)
    found: list[tuple[NDArray[np.int64], NDArray[np.int64], Array]] = []
    for k, yaw in enumerate(headings):
        c, s = math.cos(yaw), math.sin(yaw)
        aims = np.column_stack([c * step[:, 0] + s * step[:, 1], -s * step[:, 0] + c * step[:, 1]])
        standing_on[:, k] = np.bincount(place[stands_on(site.rig.base, aims)], minlength=len(places))
        sure, quality = reach.look_up(aims)
        near = np.flatnonzero(sure)
        near = near[seen_at_stop(site.rig, aims[near])]
        found.append((HEADINGS * place[near].astype(np.int64) + k, weed[near].astype(np.int64), quality[near]))
    stop, which, good = (np.concatenate(part) for part in zip(*found, strict=True))
    return _Pairs(poses, standing_on.ravel(), stop, which, good)


def stands_on(base: Base, aims: Array) -> Bools:
    """Return whether points (..., 2), base axes, are under the base's footprint."""
    under: Bools = (np.abs(aims[..., 0] - base.offset_m) <= base.length_m / 2.0) & (
        np.abs(aims[..., 1]) <= base.width_m / 2.0
    )  # fmt: skip
    return under


def _penalty(site: Site, poses: Array, standing_on: NDArray[np.int64], quality: Array) -> Array:
    import shapely

    zones = shapely.union_all([shapely.Polygon(zone.corners_m) for zone in site.zones])
    off_zone = ~shapely.contains_xy(zones, poses[:, 0], poses[:, 1])
    penalty: Array = 0.5 * np.minimum(standing_on / 4.0, 1.0) + 0.25 * off_zone + 0.25 * (1.0 - quality)
    return penalty


def _undominated(offered: Offered) -> Offered:
    """Leave out stops that cover the same as, or less than, another; of equal ones the least penalty stays."""
    return offered.rows(_largest(offered.good.toarray() > 0.0, offered.penalty))


def _largest(covers: Bools, penalty: Array) -> NDArray[np.int64]:
    order: NDArray[np.int64] = np.lexsort((np.arange(len(covers)), penalty, -covers.sum(axis=1)))
    _, first = np.unique(np.packbits(covers[order], axis=1), axis=0, return_index=True)
    order = order[np.sort(first)]
    counts = covers[order].sum(axis=1)
    sets = covers[order].astype(np.float32)
    keep = np.ones(len(order), dtype=bool)
    for i in range(0, len(order), 1024):
        shared = sets[i : i + 1024] @ sets[: min(i + 1024, len(order))].T
        rows = np.arange(i, min(i + 1024, len(order)))
        within = shared >= counts[rows][:, None]  # all that the row covers, an earlier (larger) stop covers too
        within &= np.arange(shared.shape[1])[None, :] < rows[:, None]
        keep[rows] = ~within.any(axis=1)
    return order[keep]


def cover_offered(offered: Offered, weeds_m: Array, *, workers: int = 1) -> tuple[list[int], int]:
    """Choose the fewest stops that cover all weeds (n, 2), and prove how few could do; large sites by tiles.

    Returns
    -------
    tuple[list[int], int]
        Chosen rows; no fewer of all stop poses on the grid can do.
    """
    if offered.prices is None:
        return cover(offered.good.toarray() > 0.0, offered.penalty)
    from swardwright.planning.tiles import cover_by_tiles, price_bound

    if len(weeds_m) == 0:
        return [], 0
    chosen = cover_by_tiles(offered.good, offered.penalty, weeds_m, workers=workers)
    return chosen, min(price_bound(offered.prices), len(chosen))


def cover(
    covers: Bools, penalties: Array, *, time_s: float = 10.0, nodes: int | None = None
) -> tuple[list[int], int]:  # fmt: skip
    """Choose the fewest stops that cover all weeds, then the least penalty.

    Parameters
    ----------
    covers : NDArray[np.bool_]
        Shape (m, n); every weed (column) is covered by at least one stop.
    penalties : Array
        Shape (m,), 0..1.
    time_s : float
        Limit for the solver; the best cover found stays valid, only its bound is then weaker. Where the limit strikes
        (some hundred weeds that overlap much), the result depends on the speed of the machine.
        It also ends within 1 % of its bound.
    nodes : int, optional
        Limit for the solver's branches, which is the same on any machine.

    Returns
    -------
    tuple[list[int], int]
        Chosen rows; proven lower bound on how many rows any cover needs.

    Notes
    -----
    Cost of a stop is 1 + penalty / (2 u) with u the size of a greedy cover: no cover of up to u stops pays more than
    1/2 for penalties, so that fewer stops always win and ``bound = ceil(dual bound - 1/2)`` holds for the count.
    """
    from scipy.sparse import csr_array

    if covers.shape[1] == 0:
        return [], 0
    greedy = greedy_cover(covers)
    if len(greedy) == 1:
        single = np.flatnonzero(covers.all(axis=1))
        return [int(single[np.argmin(penalties[single])])], 1
    cost = 1.0 + np.clip(penalties, 0.0, 1.0) / (2.0 * len(greedy))
    chosen, dual = fewest(csr_array(covers), cost, time_s, nodes)
    if not chosen or not covers[chosen].any(axis=0).all() or cost[chosen].sum() > cost[greedy].sum():
        chosen = greedy
    chosen = _without_spare(covers, chosen)
    bound = max(math.ceil(dual - 0.5 - 1e-6), 1)
    return chosen, min(bound, len(chosen))


def greedy_cover(covers: Bools) -> list[int]:
    """Return a cover built by taking the stop with most uncovered weeds each time."""
    left = np.ones(covers.shape[1], dtype=bool)
    chosen: list[int] = []
    while left.any():
        gain = covers[:, left].sum(axis=1)
        best = int(np.argmax(gain))
        if gain[best] == 0:
            raise ValueError("a weed is covered by no stop")
        chosen.append(best)
        left &= ~covers[best]
    return _without_spare(covers, chosen)


def _without_spare(covers: Bools, chosen: list[int]) -> list[int]:
    kept = list(chosen)
    for stop in reversed(chosen):
        rest = [s for s in kept if s != stop]
        if rest and covers[rest].any(axis=0).all():
            kept = rest
    return kept

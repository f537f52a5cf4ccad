"""Covering ground, not points: which stop poses together see and reach all of an area, with a proven bound.

The ground is cut into square cells. A stop pose covers a cell only if the *whole* square lies in the ground that it
sees and reaches, so that covered cells leave nothing between them out. Poses stand on the corners of the cells, and
headings are a few fixed ones, so that one list of cells per heading, moved about, says it all.

Cover: lattices of poses that by themselves cover the plane, moved against the ground, what they miss filled up
greedily, what has become spare taken out. The best of them is improved by local search with one stop too few: the least
needed is taken out, the best for some uncovered cell put in, and cells that stay uncovered weigh more and more (row
weighting for set covering; Gao, Weise and Li 2015, from memory). Bound: prices of some of the cells
(``planning.tiles``): any cover covers those too. For ground the bound cannot be close. Poses shared out in fractions
cover the plane without overlap, whole ones of one shape cannot: the bound says, about, what the *area* asks for.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.planning.tiles import feasible, price_bound, subgradient_prices

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
#: places of each lattice that are tried
_TRIES = 6
#: cells that the greedy filling and the bound look at, at most; every so many cells each way for the bound
_AT_ONCE, _APART = 1500, 5
#: steps of the local search per pose, and at most; uncovered cells that choose the pose put in, at most
_STEPS, _MOST_STEPS, _SOME = 12, 500, 60
#: lattices are searched with steps up to so many cells, rows up to so many apart
_STEP, _ROWS = 40, 60


@dataclass(frozen=True, eq=False)
class Ground:
    """Cells to cover and poses to cover them from; cells are counted row by row with a rim that no pose leaves.

    Attributes
    ----------
    width : int
        Cells in a row.
    todo : NDArray[np.bool_]
        Shape (cells,): to be covered.
    places : NDArray[np.int64]
        Shape (m,): the cell at whose lower corner a base may stand.
    masks : tuple[NDArray[np.int64], ...]
        Per heading: cells covered, counted from that cell.
    lattices : tuple[tuple[int, int, int, int], ...]
        Heading, step in a row, rows apart, shift from row to row (cells): such poses by themselves cover the plane.
    """

    width: int
    todo: Bools
    places: Ints
    masks: tuple[Ints, ...]
    lattices: tuple[tuple[int, int, int, int], ...]

    @cached_property
    def row_of(self) -> Ints:
        """Which place a cell is, shape (cells,); -1: none."""
        rows = np.full(len(self.todo), -1, dtype=np.int64)
        rows[self.places] = np.arange(len(self.places))
        return rows

    def cells(self, pose: int) -> Ints:
        """Return the cells that a pose covers (those to be covered only)."""
        place, k = divmod(pose, len(self.masks))
        found: Ints = self.places[place] + self.masks[k]
        return found[self.todo[found]]

    def times(self, poses: list[int]) -> Ints:
        """Return how many of the poses cover each cell."""
        times = np.zeros(len(self.todo), dtype=np.int64)
        for pose in poses:
            times[self.cells(pose)] += 1
        return times

    def pairs(self, cells: Ints) -> tuple[Ints, Ints]:
        """Return which poses cover which of the cells: poses, and places in ``cells``."""
        poses, which = [], []
        for k, mask in enumerate(self.masks):
            for i in range(0, len(cells), 2000):
                row = self.row_of[np.clip(cells[i : i + 2000, None] - mask[None, :], 0, len(self.todo) - 1)]
                at, n = np.nonzero(row >= 0)
                poses.append(row[at, n] * len(self.masks) + k)
                which.append(at + i)
        return np.concatenate(poses), np.concatenate(which)

    def coverable(self) -> Bools:
        """Return which cells any pose covers."""
        found = np.zeros(len(self.todo), dtype=bool)
        for mask in self.masks:
            for offset in mask:
                found[self.places + offset] = True
        return found


def cover_ground(ground: Ground, rng: np.random.Generator) -> tuple[list[int], int]:
    """Return poses that cover every cell to be covered (each must be coverable), and how few any cover needs."""
    if not ground.todo.any():
        return [], 0
    best = min((_finished(ground, start) for start in _starts(ground, rng)), key=len)
    best = _improved(ground, best, rng)
    return sorted(best), min(least_poses(ground), len(best))


def least_poses(ground: Ground) -> int:
    """Return how few poses any cover needs: prices of cells some way apart, at which no pose at all is worth over 1."""
    from scipy.sparse import csr_array

    cells = np.flatnonzero(ground.todo)
    rows, columns = np.divmod(cells, ground.width)
    some = cells[(rows % _APART == 0) & (columns % _APART == 0)]
    some = some if len(some) else cells[:1]
    poses, which = ground.pairs(some)
    rows, pose = np.unique(poses, return_inverse=True)
    sets = csr_array((np.ones(len(pose), dtype=np.float32), (pose, which)), shape=(len(rows), len(some)))
    return price_bound(feasible(sets, subgradient_prices(sets)))


def lattices_of(cells: Ints, grid: int) -> list[tuple[int, int, int]]:
    """Return the thinnest lattices by which copies of a shape cover the plane: step, rows apart, shift, in cells.

    Parameters
    ----------
    cells : NDArray[np.int64]
        Shape (n, 2): the shape.
    grid : int
        All three are multiples of this.
    """
    found: list[tuple[int, int, int, int]] = []
    for step in range(grid, _STEP, grid):
        for apart in range(grid, _ROWS, grid):
            if not 0.6 * len(cells) < step * apart <= len(cells):
                continue
            line = cells[:, 1] // apart
            for shift in range(0, step, grid):
                where = (cells[:, 0] - line * shift) % step * apart + cells[:, 1] % apart
                if len(np.unique(where)) == step * apart:
                    found.append((step * apart, step, apart, shift))
    found.sort(reverse=True)
    return [(step, apart, shift) for area, step, apart, shift in found[:4] if area > 0.9 * found[0][0]]


def _starts(ground: Ground, rng: np.random.Generator) -> list[list[int]]:
    rows, columns = np.divmod(ground.places, ground.width)
    starts: list[list[int]] = [[]]
    for k, step, apart, shift in ground.lattices:
        for place in rng.integers(len(ground.places), size=_TRIES):
            line = (columns - columns[place]) // apart
            on = (columns - columns[place]) % apart == 0
            on &= (rows - rows[place] - shift * line) % step == 0
            starts.append((np.flatnonzero(on) * len(ground.masks) + k).tolist())
    return starts


def _finished(ground: Ground, chosen: list[int]) -> list[int]:
    """Return the poses with what they miss filled up greedily, and without those that are spare."""
    times = ground.times(chosen)
    chosen = list(chosen)
    while True:
        left = np.flatnonzero(ground.todo & (times == 0))
        if len(left) == 0:
            return _without_spare(ground, chosen, times)
        for pose in _greedy(ground, left[:: math.ceil(len(left) / _AT_ONCE)]):
            chosen.append(pose)
            times[ground.cells(pose)] += 1


def _greedy(ground: Ground, cells: Ints) -> list[int]:
    from scipy.sparse import csr_array

    poses, which = ground.pairs(cells)
    rows, pose = np.unique(poses, return_inverse=True)
    sets = csr_array((np.ones(len(pose)), (pose, which)), shape=(len(rows), len(cells)))
    across = sets.T.tocsr()
    gain = np.diff(sets.indptr).astype(float)
    left = np.ones(len(cells), dtype=bool)
    chosen = []
    while left.any():
        best = int(np.argmax(gain))
        chosen.append(int(rows[best]))
        new = sets.indices[sets.indptr[best] : sets.indptr[best + 1]]
        new = new[left[new]]
        left[new] = False
        gain -= np.bincount(across[new].indices, minlength=len(gain))
    return chosen


def _improved(ground: Ground, chosen: list[int], rng: np.random.Generator) -> list[int]:
    """Return a cover with fewer poses where the search finds one."""
    best, here = list(chosen), list(chosen)
    times, weight = ground.times(here), np.ones(len(ground.todo))
    cells = {pose: ground.cells(pose) for pose in here}
    kept = [-1, -1]  # what was put in last is not taken out at once
    for _ in range(min(_STEPS * len(chosen), _MOST_STEPS)):
        left = np.flatnonzero(ground.todo & (times == 0))
        while len(left) == 0:
            best = list(here)
            _take_out(here, _least_needed(here, cells, times, weight, ()), cells, times)
            left = np.flatnonzero(ground.todo & (times == 0))
        if len(here) >= len(best) - 1 and len(here) > 1:
            _take_out(here, _least_needed(here, cells, times, weight, kept), cells, times)
            left = np.flatnonzero(ground.todo & (times == 0))
        some = left if len(left) <= _SOME else rng.choice(left, _SOME, replace=False)
        poses, which = ground.pairs(some)
        names, place = np.unique(poses, return_inverse=True)
        gain = np.bincount(place, weight[some[which]])
        mine = np.zeros(len(names), dtype=bool)
        mine[place[which == int(rng.integers(len(some)))]] = True
        new = int(names[np.argmax(np.where(mine, gain, -1.0))])
        weight[left] += 1.0
        here.append(new)
        cells.setdefault(new, ground.cells(new))
        times[cells[new]] += 1
        kept = [kept[1], new]
    return best


def _least_needed(here: list[int], cells: dict[int, Ints], times: Ints, weight: Array, kept: Collection[int]) -> int:
    loss = [
        math.inf if pose in kept else float(weight[mine[times[mine] == 1]].sum())
        for pose in here for mine in (cells[pose],)
    ]  # fmt: skip
    return here[int(np.argmin(loss))]


def _take_out(here: list[int], pose: int, cells: dict[int, Ints], times: Ints) -> None:
    here.remove(pose)
    times[cells[pose]] -= 1


def _without_spare(ground: Ground, chosen: list[int], times: Ints) -> list[int]:
    alone = {pose: int((times[ground.cells(pose)] == 1).sum()) for pose in chosen}
    kept = []
    for pose in sorted(set(chosen), key=lambda p: (alone[p], p)):
        mine = ground.cells(pose)
        if len(mine) == 0 or (times[mine] > 1).all():
            times[mine] -= 1
        else:
            kept.append(pose)
    return kept

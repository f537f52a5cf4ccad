"""A linear-Gaussian problem as whitened factors: for solvers of others' making (SciPy's and GTSAM's)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import sparse

from swardwright.domain.poses import Array
from swardwright.merging.problem import Problem
from swardwright.merging.stack import Ints

Name = tuple[str, Any]


@dataclass(eq=False)
class Factors:
    """``sum of |A x - b|^2`` over factors, each with blocks A of some variables, noise already a unit normal.

    Attributes
    ----------
    sizes : dict[Name, int]
        Unknowns of each variable, in the order of the stacked system.
    rows : list[tuple[dict[Name, Array], Array]]
        Factors: blocks (r, size) by variable, and right side (r,).
    """

    sizes: dict[Name, int] = field(default_factory=dict)
    rows: list[tuple[dict[Name, Array], Array]] = field(default_factory=list)

    def add(self, blocks: dict[Name, Array], right: Array, covariance: Array) -> None:
        """Add ``right = blocks @ x + noise`` with the noise's covariance (r, r)."""
        whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        for name, block in blocks.items():
            self.sizes.setdefault(name, block.shape[1])
        self.rows.append(({n: whiten @ block for n, block in blocks.items()}, whiten @ right))

    def columns(self) -> dict[Name, Ints]:
        """Return the columns of each variable in the stacked system."""
        stops = np.cumsum(list(self.sizes.values()))
        return {n: np.arange(stop - k, stop) for (n, k), stop in zip(self.sizes.items(), stops, strict=True)}

    def stacked(self) -> tuple[Any, Array]:
        """Return the whole system as a SciPy matrix and its right side."""
        columns, at = self.columns(), 0
        r, c, v = [], [], []
        for blocks, right in self.rows:
            for name, block in blocks.items():
                i, j = np.nonzero(block)
                r.append(at + i)
                c.append(columns[name][j])
                v.append(block[i, j])
            at += len(right)
        place = (np.concatenate(r), np.concatenate(c))
        matrix = sparse.csc_array((np.concatenate(v), place), shape=(at, sum(self.sizes.values())))
        return matrix, np.concatenate([right for _, right in self.rows])

    def graph(self) -> tuple[Any, dict[Name, int]]:
        """Return GTSAM's factor graph, and its key of each variable (three variables to a factor at most)."""
        import gtsam

        keys = {name: i for i, name in enumerate(self.sizes)}
        graph = gtsam.GaussianFactorGraph()
        factor: Any = gtsam.JacobianFactor
        for blocks, right in self.rows:
            unit = gtsam.noiseModel.Unit.Create(len(right))
            terms = [term for name, block in blocks.items() for term in (keys[name], block)]
            graph.add(factor(*terms, right, unit))
        return graph, keys


def factors_of(problem: Problem, weed_of: Ints, count: int) -> Factors:
    """Return the factors of merging's own linear problem: sightings, heights, errors, chain (no register).

    Variables: ("weed", w): crown and height; ("site", 0); ("group", g): the errors of a frame or stop.
    """
    out = Factors({("weed", w): 3 for w in range(count)})
    s, b = problem.site, problem.block
    centre = problem.position_m.mean(axis=0)
    for members, dense, own in zip(problem.members, problem.dense, problem.columns, strict=True):
        at = (own - s) // b
        for i, k in enumerate(members):
            rows = dense[2 * i : 2 * i + 2]
            blocks: dict[Name, Array] = {
                ("weed", int(weed_of[k])): np.column_stack([np.eye(2), problem.height_m[k]]),
                ("site", 0): rows[:, :s],
            }
            for g in np.unique(at):
                wide = np.zeros((2, b))
                wide[:, (own[at == g] - s) % b] = rows[:, s:][:, at == g]
                blocks[("group", int(g))] = wide
            out.add(blocks, problem.position_m[k] - centre, problem.local_m2[k])
    for w in range(count):
        out.add({("weed", w): np.array([[0.0, 0.0, 1.0]])}, np.zeros(1), np.eye(1))
    out.add({("site", 0): np.eye(s)}, np.zeros(s), np.eye(s))
    chained: set[int] = set()
    for key, link in problem.chain.items():
        first, last = problem.blocks[key]
        chained |= set(range(first, last))
        blocks = {("group", (first - s) // b): _wide(np.eye(3), (first - s) % b, b)}
        if link.before is not None:
            before = problem.blocks[link.before][0] - s
            blocks[("group", before // b)] = _wide(-link.transition, before % b, b)
        out.add(blocks, np.zeros(3), link.noise)
    for g in range((problem.width - s) // b):
        free = [i for i in range(b) if s + g * b + i not in chained]
        if free:
            out.add({("group", g): np.eye(b)[free]}, np.zeros(len(free)), np.eye(len(free)))
    return out


def _wide(block: Array, at: int, size: int) -> Array:
    out = np.zeros((len(block), size))
    out[:, at : at + block.shape[1]] = block
    return out

"""Sparse matrices of equal dense blocks, looked up and multiplied block by block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse

from swardwright.domain.poses import Array
from swardwright.merging.stack import Ints


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks (r, c) at some of (rows x count) places.

    Attributes
    ----------
    rows, count : int
        Number of block rows and block columns.
    keys : Ints
        Shape (N,), ascending: block row times ``count`` plus block column.
    data : Array
        Shape (N, r, c).
    """

    rows: int
    count: int
    keys: Ints
    data: Array

    @classmethod
    def summed(cls, rows: int, count: int, keys: Ints, data: Array) -> Blocks:
        """Return blocks given in any order; those at the same place are added up."""
        if not len(keys):
            return cls(rows, count, keys, data)
        order = np.argsort(keys, kind="stable")
        unique, first = np.unique(keys[order], return_index=True)
        return cls(rows, count, unique, np.add.reduceat(data[order], first, axis=0))

    @classmethod
    def product(cls, left: Any, right: Any, shape: tuple[int, int]) -> Blocks:
        """Return the product of two matrices as made by ``sparse``; ``shape`` is that of one block."""
        out: Any = (left @ right).tobsr(blocksize=shape)
        rows = out.shape[0] // shape[0]
        count = out.shape[1] // shape[1]
        keys = np.repeat(np.arange(rows, dtype=np.int64), np.diff(out.indptr)) * count + out.indices
        return cls.summed(rows, count, keys, out.data)

    @property
    def row(self) -> Ints:
        """Block row of each block, (N,)."""
        return self.keys // max(self.count, 1)

    @property
    def column(self) -> Ints:
        """Block column of each block, (N,)."""
        return self.keys % max(self.count, 1)

    @property
    def sparse(self) -> Any:
        """The same as a SciPy matrix."""
        r, c = self.data.shape[1:]
        starts = np.searchsorted(self.row, np.arange(self.rows + 1))
        shape = (self.rows * r, self.count * c)
        return sparse.bsr_array((self.data, self.column, starts), shape=shape)

    def at(self, row: Ints, column: Ints) -> Array:
        """Return the blocks (m, r, c) at places; zero where there is none."""
        out = np.zeros((len(row), *self.data.shape[1:]))
        if not len(self.keys):
            return out
        wanted = row * self.count + column
        place = np.minimum(np.searchsorted(self.keys, wanted), len(self.keys) - 1)
        there = self.keys[place] == wanted
        out[there] = self.data[place[there]]
        return out

    def dot(self, other: Blocks, row: Ints, other_row: Ints) -> Array:
        """Return ``self[row] @ other[other_row]'`` (m, r, r') of block rows, summed over the blocks of ``other``."""
        first = np.searchsorted(other.row, other_row)
        last = np.searchsorted(other.row, other_row, side="right")
        size = last - first
        pair = np.repeat(np.arange(len(row)), size)
        index = np.arange(len(pair)) - np.repeat(np.cumsum(size) - size, size) + np.repeat(first, size)
        part = self.at(row[pair], other.column[index]) @ other.data[index].transpose(0, 2, 1)
        out = np.zeros((len(row), self.data.shape[1], other.data.shape[1]))
        np.add.at(out, pair, part)
        return out

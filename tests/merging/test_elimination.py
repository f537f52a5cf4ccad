"""The sparse elimination against dense algebra, on blocks strewn over a plane."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.merging.blocks import Blocks
from swardwright.merging.elimination import Bordered, Elimination


def bordered(matrix: np.ndarray, common: int, size: int) -> Bordered:
    """Return a dense matrix as what the elimination takes."""
    count = (len(matrix) - common) // size
    inner = matrix[common:, common:].reshape(count, size, count, size).transpose(0, 2, 1, 3)
    there = np.flatnonzero(np.abs(inner).sum(axis=(2, 3)).ravel())
    blocks = Blocks.summed(count, count, there, inner.reshape(count * count, size, size)[there])
    return Bordered(matrix[:common, :common], matrix[common:, :common].reshape(count, size, common), blocks)


def problem(seed: int, count: int, size: int, common: int, reach_m: float) -> tuple[Elimination, np.ndarray]:
    """Return an elimination and its matrix: blocks within reach of each other are coupled, common ones with all."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, [8.0, 4.0], (count, 2))
    near = np.linalg.norm(places[:, None] - places[None], axis=2) < reach_m
    neighbours = [set(np.flatnonzero(row).tolist()) - {i} for i, row in enumerate(near)]
    width = common + size * count
    rows = []
    for i in range(count):
        for j in sorted(neighbours[i] | {i}):
            row = np.zeros(width)
            columns = np.concatenate([np.arange(common), *(common + size * g + np.arange(size) for g in (i, j))])
            row[columns] = rng.normal(size=len(columns))
            rows.append(row)
    dense = np.array(rows).reshape(-1, width)
    matrix = dense.T @ dense + np.eye(width)
    return Elimination(bordered(matrix, common, size), places, neighbours), matrix


def dense_of(part: Bordered) -> np.ndarray:
    common = len(part.corner)
    strip = part.strip.reshape(part.strip.shape[0] * part.strip.shape[1], common)
    return np.block([[part.corner, strip.T], [strip, part.inner.sparse.toarray()]])


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 70), st.integers(1, 4), st.integers(0, 5), st.floats(0.0, 3.0))
def test_solution_and_inverse_are_those_of_dense_algebra(
    seed: int, count: int, size: int, common: int, reach: float
) -> None:
    elimination, matrix = problem(seed, count, size, common, reach)
    right = np.random.default_rng(seed + 1).normal(size=(len(matrix), 2))
    expected = np.linalg.inv(matrix)
    assert np.allclose(elimination.solve(right), expected @ right, atol=1e-9)
    assert np.allclose(bordered(matrix, common, size).times(right[:, 0]), matrix @ right[:, 0])
    found = dense_of(elimination.inverse_where_touching())
    touching = np.ones_like(matrix, dtype=bool)
    for g, near in enumerate(elimination.neighbours):
        for h in set(range(count)) - near - {g}:
            touching[common + size * g : common + size * (g + 1), common + size * h : common + size * (h + 1)] = False
    assert np.abs(found - expected)[touching].max() < 1e-9


def test_fronts_stay_small_along_a_strip() -> None:
    """What the order is for: 200 blocks in a row never make a front of more than a few dozen."""
    neighbours = [{j for j in (i - 1, i + 1) if 0 <= j < 200} for i in range(200)]
    full = np.diag(np.full(600, 10.0)) + np.diag(np.full(597, 1.0), 3) + np.diag(np.full(597, 1.0), -3)
    places = np.column_stack([np.arange(200.0), np.zeros(200)])
    elimination = Elimination(bordered(full, 0, 3), places, neighbours)
    assert max(len(f.own) + len(f.rest) for f in elimination.fronts) < 60
    assert np.allclose(elimination.solve(full @ np.arange(600.0)), np.arange(600.0))


def test_correlations_that_die_out_leave_no_denormal_numbers() -> None:
    """Denormal numbers make processors slow by a factor of a hundred."""
    neighbours = [{j for j in (i - 1, i + 1) if 0 <= j < 600} for i in range(600)]
    full = np.diag(np.full(600, 1e3)) + np.diag(np.full(599, 1.0), 1) + np.diag(np.full(599, 1.0), -1)
    places = np.column_stack([np.arange(600.0), np.zeros(600)])
    elimination = Elimination(bordered(full, 0, 1), places, neighbours)
    for front in elimination.fronts:
        kept = np.abs(front.gain[front.gain != 0])
        assert kept.min(initial=1.0) >= 1e-100
    found = dense_of(elimination.inverse_where_touching())
    assert np.diagonal(found) == pytest.approx(np.full(600, 1e-3), rel=1e-5)


@given(st.integers(0, 1000), st.integers(1, 12), st.integers(1, 12), st.integers(1, 3))
def test_blocks_multiply_as_dense_matrices_do(seed: int, rows: int, count: int, size: int) -> None:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, rows * count, rng.integers(0, 30))
    blocks = Blocks.summed(rows, count, keys, rng.normal(size=(len(keys), 2, size)))
    dense = blocks.sparse.toarray()
    a, b = rng.integers(0, rows, 5), rng.integers(0, rows, 5)
    expected = [dense[2 * i : 2 * i + 2] @ dense[2 * j : 2 * j + 2].T for i, j in zip(a, b, strict=True)]
    assert np.allclose(blocks.dot(blocks, a, b), expected)
    square = Blocks.product(blocks.sparse.T, blocks.sparse, (size, size))
    assert np.allclose(square.sparse.toarray(), dense.T @ dense)

"""The sparse elimination against dense algebra, on blocks strewn over a plane."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse

from swardwright.merging.elimination import Elimination


def problem(seed: int, count: int, size: int, common: int, reach_m: float) -> tuple[Elimination, np.ndarray]:
    """Return an elimination and its matrix: blocks within reach of each other are coupled, common ones with all."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, [8.0, 4.0], (count, 2))
    near = np.linalg.norm(places[:, None] - places[None], axis=2) < reach_m
    neighbours = [set(np.flatnonzero(row).tolist()) - {i} for i, row in enumerate(near)]
    groups = [np.arange(common + size * i, common + size * (i + 1)) for i in range(count)]
    width = common + size * count
    rows = []
    for i in range(count):
        for j in sorted(neighbours[i] | {i}):
            row = np.zeros(width)
            columns = np.concatenate([np.arange(common), groups[i], groups[j]])
            row[columns] = rng.normal(size=len(columns))
            rows.append(row)
    dense = np.array(rows).reshape(-1, width)
    matrix = dense.T @ dense + np.eye(width)
    return Elimination(sparse.csr_array(matrix), groups, places, neighbours, np.arange(common)), matrix


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 70), st.integers(1, 4), st.integers(0, 5), st.floats(0.0, 3.0))
def test_solution_and_inverse_are_those_of_dense_algebra(
    seed: int, count: int, size: int, common: int, reach: float
) -> None:
    elimination, matrix = problem(seed, count, size, common, reach)
    right = np.random.default_rng(seed + 1).normal(size=(len(matrix), 2))
    expected = np.linalg.inv(matrix)
    assert np.allclose(elimination.solve(right), expected @ right, atol=1e-9)
    found = elimination.inverse_where_touching()
    there = (found != 0).toarray()
    assert np.abs(found.toarray() - expected)[there].max() < 1e-9
    touching = np.zeros_like(there)
    touching[:common] = touching[:, :common] = True
    for g, near in zip(elimination.groups, elimination.neighbours, strict=True):
        for h in (g, *(elimination.groups[n] for n in near)):
            touching[np.ix_(g, h)] = True
    assert there[touching & (np.abs(expected) > 1e-12)].all()


def test_fronts_stay_small_along_a_strip() -> None:
    """What the order is for: 200 blocks in a row never make a front of more than a few dozen."""
    groups = [np.arange(3 * i, 3 * i + 3) for i in range(200)]
    neighbours = [{j for j in (i - 1, i + 1) if 0 <= j < 200} for i in range(200)]
    full = sparse.diags_array([np.full(600, 10.0), np.full(597, 1.0), np.full(597, 1.0)], offsets=[0, 3, -3]).tocsr()
    places = np.column_stack([np.arange(200.0), np.zeros(200)])
    elimination = Elimination(full, groups, places, neighbours, np.zeros(0, dtype=np.int64))
    assert max(len(f.own) + len(f.rest) for f in elimination.fronts) < 60
    assert np.allclose(elimination.solve(full @ np.arange(600.0)), np.arange(600.0))


def test_correlations_that_die_out_leave_no_denormal_numbers() -> None:
    """Denormal numbers make processors slow by a factor of a hundred."""
    groups = [np.arange(i, i + 1) for i in range(600)]
    neighbours = [{j for j in (i - 1, i + 1) if 0 <= j < 600} for i in range(600)]
    full = sparse.diags_array([np.full(600, 1e3), np.full(599, 1.0), np.full(599, 1.0)], offsets=[0, 1, -1]).tocsr()
    places = np.column_stack([np.arange(600.0), np.zeros(600)])
    elimination = Elimination(full, groups, places, neighbours, np.zeros(0, dtype=np.int64))
    for front in elimination.fronts:
        kept = np.abs(front.gain[front.gain != 0])
        assert kept.min(initial=1.0) >= 1e-100
    assert elimination.inverse_where_touching().diagonal() == pytest.approx(np.full(600, 1e-3), rel=1e-5)

"""Covers against a solver from outside: CP-SAT of OR-Tools (Apache-2.0), by another method than ours."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from swardwright.planning.stops import cover
from swardwright.planning.tiles import cover_by_tiles, price_bound, worth_trying

cp_model = pytest.importorskip("ortools.sat.python.cp_model")


def _green(seed: int, count: int, side_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return which of many stop poses reach which weeds: a ring sector ahead of the base, as an arm's."""
    rng = np.random.default_rng(seed)
    weeds = rng.uniform(0, side_m, (count, 2))
    count = 40 * int(side_m) ** 2
    poses = np.column_stack([rng.uniform(-1, side_m + 1, (count, 2)), rng.uniform(-3.14, 3.14, count)])
    step = weeds[None] - poses[:, None, :2]
    away = np.hypot(step[..., 0], step[..., 1])
    aside = np.abs((np.arctan2(step[..., 1], step[..., 0]) - poses[:, 2:] + np.pi) % (2 * np.pi) - np.pi)
    covers = (away > 0.5) & (away < 1.3) & (aside < 1.2)
    return np.unique(covers[covers.any(axis=1)], axis=0)[:, covers.any(axis=0)], weeds[covers.any(axis=0)]


def _fewest_from_outside(covers: np.ndarray, time_s: float) -> tuple[float, float]:
    """Return the best number of stops found and the best proven bound."""
    model = cp_model.CpModel()
    taken = [model.NewBoolVar("") for _ in covers]
    for column in covers.T:
        model.AddBoolOr([taken[j] for j in np.flatnonzero(column)])
    model.Minimize(sum(taken))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = time_s
    solver.parameters.num_workers = 1
    solver.parameters.linearization_level = 2
    solver.Solve(model)
    return solver.ObjectiveValue(), solver.BestObjectiveBound()


@pytest.mark.parametrize("seed", range(4))
def test_covers_need_as_few_stops_as_another_solver_proves(seed: int) -> None:
    covers, _ = _green(seed, 16, 3.0)
    found, proven = _fewest_from_outside(covers, 30.0)
    assert found == proven  # so small that it is solved to the end
    chosen, bound = cover(covers, np.zeros(len(covers)))
    assert len(chosen) == bound == found


def test_prices_and_tiles_of_a_larger_green_agree_with_another_solver() -> None:
    covers, weeds = _green(9, 160, 9.0)
    sets = csr_array(covers.astype(np.float32))
    rows, prices = worth_trying(sets, np.zeros(len(covers)), most=400)
    chosen = cover_by_tiles(sets[rows], np.zeros(len(rows)), weeds)
    found, proven = _fewest_from_outside(covers, 5.0)
    assert covers[rows][chosen].any(axis=0).all()
    assert price_bound(prices) <= found  # a bound above a cover would be a lie
    assert proven <= len(chosen) <= 1.05 * found  # 5 %: half of what is allowed above the bound on a large site

from __future__ import annotations

import itertools

import numpy as np
import pytest

from swardwright.planning.tour import shortest_path


def _length(cost: np.ndarray, order: list[int]) -> float:
    return float(sum(cost[a, b] for a, b in itertools.pairwise(order)))


@pytest.mark.parametrize("seed", range(12))
def test_short_paths_match_trying_every_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 9))
    if seed % 2:
        points = rng.uniform(0, 10, (n, 2))
        cost = np.linalg.norm(points[:, None] - points[None], axis=2)
    else:  # no triangle inequality: turning costs break it
        cost = rng.uniform(0, 10, (n, n))
        cost = cost + cost.T
        np.fill_diagonal(cost, 0.0)
    order = shortest_path(cost, 0, None, rng)
    assert sorted(order) == list(range(n))
    assert order[0] == 0
    best = min(_length(cost, [0, *rest]) for rest in itertools.permutations(range(1, n)))
    assert _length(cost, order) == pytest.approx(best, abs=1e-9)
    order = shortest_path(cost, 0, n - 1, rng)
    assert (order[0], order[-1]) == (0, n - 1)
    best = min(_length(cost, [0, *rest, n - 1]) for rest in itertools.permutations(range(1, n - 1)))
    assert _length(cost, order) == pytest.approx(best, abs=1e-9)


def test_points_on_a_circle_are_walked_round() -> None:
    rng = np.random.default_rng(3)
    angle = rng.permutation(60) * 2 * np.pi / 60
    points = np.column_stack([np.cos(angle), np.sin(angle)])
    cost = np.linalg.norm(points[:, None] - points[None], axis=2)
    order = shortest_path(cost, 7, None, rng)
    assert _length(cost, order) == pytest.approx(59 * 2 * np.sin(np.pi / 60), rel=1e-9)  # 59 sides of the 60-gon


def test_the_same_seed_gives_the_same_order_and_small_cases_work() -> None:
    points = np.random.default_rng(0).uniform(0, 1, (40, 2))
    cost = np.linalg.norm(points[:, None] - points[None], axis=2)
    assert shortest_path(cost, 0, None, np.random.default_rng(5)) == shortest_path(
        cost, 0, None, np.random.default_rng(5)
    )
    assert shortest_path(np.zeros((1, 1)), 0, None, np.random.default_rng(0)) == [0]
    assert shortest_path(np.ones((2, 2)), 0, 1, np.random.default_rng(0)) == [0, 1]
    assert shortest_path(np.zeros((5, 5)), 0, 4, np.random.default_rng(0))[0::4] == [0, 4]

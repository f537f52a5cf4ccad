"""Prices that prove a bound, and covers mended tile by tile."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array

from swardwright.planning.stops import cover
from swardwright.planning.tiles import cover_by_tiles, feasible, price_bound, subgradient_prices, worth_trying


def _covers(rng: np.random.Generator, m: int, n: int, share: float) -> np.ndarray:
    covers = rng.random((m, n)) < share
    covers[rng.integers(m, size=n), np.arange(n)] = True
    return covers[covers.any(axis=1)]


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 10), st.integers(1, 14), st.floats(0.1, 0.6), st.integers(0, 2**32))
def test_prices_are_feasible_and_never_above_the_fewest(m: int, n: int, share: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    covers = _covers(rng, m, n, share)
    sets = csr_array(covers.astype(np.float32))
    fewest = next(
        size
        for size in range(1, len(covers) + 1)
        if any(covers[list(rows)].any(axis=0).all() for rows in itertools.combinations(range(len(covers)), size))
    )
    for prices in (subgradient_prices(sets, steps=40), rng.uniform(0.0, 2.0, n)):  # whatever the prices were
        good = feasible(sets, prices)
        assert (good >= 0.0).all()
        assert (covers @ good).max() <= 1.0
        assert price_bound(good) <= fewest
    rows, prices = worth_trying(sets, np.zeros(len(covers)), most=3)
    assert covers[rows].any(axis=0).all()
    some = rng.random(n) < 0.5  # true for fewer weeds as well
    if some.any():
        assert price_bound(prices[some]) <= len(cover(covers[:, some], np.zeros(len(covers)))[0])


def _disks(rng: np.random.Generator, count: int, size: float) -> tuple[np.ndarray, np.ndarray]:
    weeds = rng.uniform(0, size, (count, 2))
    stops = np.stack(np.meshgrid(*[np.arange(0, size + 0.1, 0.5)] * 2), axis=-1).reshape(-1, 2)
    covers = np.linalg.norm(stops[:, None] - weeds[None], axis=2) <= 0.9
    return covers[covers.any(axis=1)], weeds


@pytest.mark.parametrize("seed", [0, 1])
def test_a_cover_by_tiles_is_near_the_exact_one_and_its_bound_below(seed: int) -> None:
    rng = np.random.default_rng(seed)
    covers, weeds = _disks(rng, 220, 11.0)
    sets = csr_array(covers.astype(np.float32))
    best, bound = cover(covers, np.zeros(len(covers)), time_s=5.0)
    rows, prices = worth_trying(sets, np.zeros(len(covers)))
    chosen = cover_by_tiles(sets[rows], np.zeros(len(rows)), weeds)
    assert covers[rows][chosen].any(axis=0).all()
    # 8 %: a third to spare on 1.10, which is asked of sites fifty times as large
    assert bound <= len(chosen) <= 1.08 * len(best)
    assert 0.93 * len(best) <= price_bound(prices) <= len(best)


def test_prices_come_near_the_linear_program_s_own() -> None:
    from scipy.optimize import linprog

    covers, _ = _disks(np.random.default_rng(4), 120, 8.0)
    exact = -linprog(-np.ones(covers.shape[1]), A_ub=covers.astype(float), b_ub=np.ones(len(covers))).fun
    sets = csr_array(covers.astype(np.float32))
    mine = feasible(sets, subgradient_prices(sets)).sum()
    assert 0.97 * exact <= mine <= exact + 1e-6  # 3 %: the subgradients stop early

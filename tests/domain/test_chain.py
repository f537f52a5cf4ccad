from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.chain import chain_marginals, cut_track, keep_nodes, solve_chain
from swardwright.domain.frame import Track
from swardwright.domain.poses import BasePose


def random_chain(seed: int, n: int, k: int = 3):
    rng = np.random.default_rng(seed)
    dense = np.zeros((n * k, n * k))
    for i in range(n):
        low, high = k * i, k * min(i + 2, n)
        rows = rng.normal(size=(2 * k + 1, high - low))
        dense[low:high, low:high] += rows.T @ rows
    diagonal = np.array([dense[k * i : k * i + k, k * i : k * i + k] for i in range(n)])
    upper = np.array([dense[k * i : k * i + k, k * i + k : k * i + 2 * k] for i in range(n - 1)]).reshape(-1, k, k)
    return diagonal, upper, dense


def dense_of(diagonal, upper):
    n, k = diagonal.shape[:2]
    out = np.zeros((n * k, n * k))
    for i in range(n):
        out[k * i : k * i + k, k * i : k * i + k] = diagonal[i]
    for i in range(n - 1):
        out[k * i : k * i + k, k * i + k : k * i + 2 * k] = upper[i]
        out[k * i + k : k * i + 2 * k, k * i : k * i + k] = upper[i].T
    return out


@given(st.integers(0, 10_000), st.integers(1, 9))
@settings(max_examples=40, deadline=None)
def test_solution_and_marginals_match_the_dense_inverse(seed, n):
    diagonal, upper, dense = random_chain(seed, n)
    right = np.random.default_rng(seed + 1).normal(size=(n, 3))
    scale = np.linalg.cond(dense) * 1e-13
    np.testing.assert_allclose(solve_chain(diagonal, upper, right).ravel(), np.linalg.solve(dense, right.ravel()),
                               rtol=1e-6, atol=max(1e-9, scale))  # fmt: skip
    inverse = np.linalg.inv(dense)
    for i, block in enumerate(chain_marginals(diagonal, upper)):
        wanted = inverse[3 * i : 3 * i + 3, 3 * i : 3 * i + 3]
        np.testing.assert_allclose(block, wanted, rtol=1e-6, atol=max(1e-9, scale) * np.abs(wanted).max())


@given(st.integers(0, 10_000), st.integers(1, 9), st.data())
@settings(max_examples=60, deadline=None)
def test_dropping_nodes_is_the_schur_complement(seed, n, data):
    diagonal, upper, dense = random_chain(seed, n)
    keep = sorted(data.draw(st.sets(st.integers(0, n - 1), min_size=1)))
    short = dense_of(*keep_nodes(diagonal, upper, keep))
    chosen = np.concatenate([np.arange(3 * i, 3 * i + 3) for i in keep])
    wanted = np.linalg.inv(np.linalg.inv(dense)[np.ix_(chosen, chosen)])
    np.testing.assert_allclose(short, wanted, atol=1e-7 * np.abs(dense).max())


def test_nothing_to_keep_is_refused():
    diagonal, upper, _ = random_chain(0, 3)
    for keep in ([], [1, 1], [2, 0]):
        with pytest.raises(ValueError, match="ascending"):
            keep_nodes(diagonal, upper, keep)


def test_cutting_a_track_keeps_poses_and_names():
    diagonal, upper, _ = random_chain(5, 4)
    poses = tuple(BasePose(float(i), 0.0, 0.0) for i in range(4))
    track = Track(("a", "b", "c", "d"), poses, diagonal, upper)
    short = cut_track(track, {"d", "b"})
    assert short is not None
    assert short.frame_ids == ("b", "d")
    assert [p.x_m for p in short.poses] == [1.0, 3.0]
    assert short.upper.shape == (1, 3, 3)
    assert cut_track(track, set()) is None
    assert cut_track(track, set("abcd")) is track

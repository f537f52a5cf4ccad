"""Jacobians of the base-pose chain against central differences."""

from __future__ import annotations

import numpy as np

from swardwright.footage.track import ChainProblem


def problem(rng, n=4):
    roots = rng.normal(size=(n - 1, 3, 3)) + 4 * np.eye(3)
    return ChainProblem(
        rng.normal(size=(n - 1, 3)) * 0.4, roots.transpose(0, 2, 1) @ roots, 1,
        rng.normal(size=3), np.diag([3.0, 4, 5.0]),
        np.array([0, 3]), rng.normal(size=(2, 2)), np.array([[[2.0, 0.5], [0.5, 1.0]]] * 2),
    )  # fmt: skip


def test_links_by_either_pose():
    rng = np.random.default_rng(0)
    for _ in range(5):
        chain = problem(rng)
        poses = rng.normal(size=(4, 3)) * 0.5
        _, earlier, later = chain.links(poses)
        for i in range(3):
            for node, given in ((i, earlier[i]), (i + 1, later[i])):
                for k in range(3):
                    up, down = poses.copy(), poses.copy()
                    up[node, k] += 1e-6
                    down[node, k] -= 1e-6
                    slope = (chain.links(up)[0][i] - chain.links(down)[0][i]) / 2e-6
                    np.testing.assert_allclose(given[:, k], slope, atol=1e-7)


def test_gradient_of_the_cost():
    rng = np.random.default_rng(1)
    chain = problem(rng)
    poses = rng.normal(size=(4, 3)) * 0.5
    _, _, gradient, _ = chain.normal(poses)
    for node in range(4):
        for k in range(3):
            up, down = poses.copy(), poses.copy()
            up[node, k] += 1e-6
            down[node, k] -= 1e-6
            slope = (chain.normal(up)[3] - chain.normal(down)[3]) / 2e-6
            np.testing.assert_allclose(2.0 * gradient[node, k], slope, rtol=1e-5, atol=1e-5)

"""The head's tip from touches of one point."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks._mount_cases import random_arm
from scipy.stats import chi2

from swardwright.domain.arm import Arm
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, skew
from swardwright.locating.calibration.mount import joint_noise
from swardwright.locating.calibration.tip import solve_tip


def touches(arm: Arm, tip: Array, rng: np.random.Generator, count: int, touch_m: float,
            only: tuple[int, ...] = (0, 1, 2, 3, 4, 5)) -> Array:  # fmt: skip
    """Postures whose tip is at one point: Newton's method from random postures."""
    home = rng.uniform(-1, 1, 6)
    point = (arm.forward(home, "link5") @ np.append(tip, 1))[:3]
    out: list[Array] = []
    while len(out) < count:
        q = home.copy()
        q[list(only)] += rng.normal(0, 0.5, len(only))
        goal = point + rng.normal(0, touch_m, 3)
        for _ in range(40 if len(only) == 6 else 0):
            pose, jacobian = arm.forward(q, "link5"), arm.jacobian(q, "link5")
            gap = goal - (pose @ np.append(tip, 1))[:3]
            moves = jacobian[3:] - skew(pose[:3, :3] @ tip) @ jacobian[:3]
            q = q + moves.T @ np.linalg.solve(moves @ moves.T + 1e-5 * np.eye(3), gap)
        if len(only) < 6 or np.linalg.norm(gap) < 1e-8:
            out.append(q)
    return np.array(out)


def test_exact_touches_give_the_tip() -> None:
    rng = np.random.default_rng(1)
    arm, tip = random_arm(rng), np.array([0.03, -0.02, 0.16])
    found = solve_tip(arm, "link5", touches(arm, tip, rng, 8, 0.0), joint_noise(6, 1e-6, 0.0), 1e-5)
    np.testing.assert_allclose(found.tip_m, tip, atol=1e-6)
    assert found.unknown == ()
    assert found.residual_m.max() < 1e-6


def test_the_tip_covariance_is_honest() -> None:
    """Average normalised squared error of 20 rigs inside the 99.9 % bounds of its mean (chi-square, 3 a rig)."""
    rng, squared = np.random.default_rng(2), []
    for _ in range(20):
        arm, tip = random_arm(rng), rng.uniform(-0.1, 0.2, 3)
        q = touches(arm, tip, rng, 9, 5e-4)
        read = q - rng.normal(0, 2e-3, 6) - rng.normal(0, 1e-3, q.shape)
        found = solve_tip(arm, "link5", read, joint_noise(6, 1e-3, 2e-3), 5e-4)
        gap = found.tip_m - tip
        squared.append(gap @ np.linalg.solve(found.covariance, gap))
    low, high = chi2.ppf([5e-4, 1 - 5e-4], 60) / 20
    assert low < np.mean(squared) < high


def test_touches_about_one_axis_leave_the_tip_open_along_it() -> None:
    rng = np.random.default_rng(3)
    arm = random_arm(rng)
    # the tip on the last joint's axis stays where it is while that joint (about the link's x axis) turns
    q = touches(arm, np.array([0.15, 0.0, 0.0]), rng, 8, 0.0, only=(5,))
    found = solve_tip(arm, "link5", q, joint_noise(6, 1e-3, 0.0), 1e-3)
    assert (
        "all your touches turn the head about one axis: the tip's place along x of the link is not known"
        in (found.unknown[0])
    )


def test_two_points_may_be_touched() -> None:
    rng = np.random.default_rng(4)
    arm, tip = random_arm(rng), np.array([0.0, 0.05, 0.1])
    q = np.concatenate([touches(arm, tip, rng, 5, 0.0), touches(arm, tip, rng, 5, 0.0)])
    found = solve_tip(arm, "link5", q, joint_noise(6, 1e-6, 0.0), 1e-5, group=[0] * 5 + [1] * 5)
    np.testing.assert_allclose(found.tip_m, tip, atol=1e-6)
    assert len(found.points_m) == 2


def test_too_few_touches_are_refused() -> None:
    arm = random_arm(np.random.default_rng(5))
    with pytest.raises(InputError, match="too few touches"):
        solve_tip(arm, "link5", np.zeros((3, 6)), joint_noise(6, 1e-3, 0.0))
    with pytest.raises(InputError, match="too few touches"):
        solve_tip(arm, "link5", np.zeros((4, 6)), joint_noise(6, 1e-3, 0.0), group=[0, 1, 2, 3])

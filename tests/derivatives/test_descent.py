from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

import swardwright
from swardwright.domain.arm import arm_from_urdf
from swardwright.planning.descent import ROTATION_WEIGHT_M, damped_step, missing

ARM = arm_from_urdf((Path(swardwright.__file__).parent / "simulation" / "assets" / "robot.urdf").read_text())
REACH = np.array([0.01, -0.02, 0.12])


@pytest.mark.parametrize("cone", [0.0, 0.2])
def test_the_jacobian_of_what_is_missing_by_finite_differences(cone: float) -> None:
    """Of the place: exact. Of the direction: how fast the axis turns towards the middle, by the angle itself."""
    rng = np.random.default_rng(6)
    joints = rng.uniform(ARM.lower_rad, ARM.upper_rad, (60, len(ARM.moving)))
    lean = 0.2
    middle = np.tile([math.sin(lean), 0.0, -math.cos(lean)], (60, 1))
    target = rng.uniform(-1.0, 1.0, (60, 3))
    error, jacobian = missing(ARM, "head_tip", REACH, joints, target, middle, cone)
    angle = np.linalg.norm(error[:, 3:], axis=1)
    checked = (angle > 0.01) & (angle < ROTATION_WEIGHT_M * 2.9)
    assert checked.sum() > 40
    toward = error[:, 3:] / np.maximum(angle, 1e-12)[:, None]
    step = 1e-6
    for column in range(joints.shape[1]):
        moved = [joints.copy(), joints.copy()]
        for sign, many in zip((-1.0, 1.0), moved, strict=True):
            many[:, column] += sign * step
        low, high = (missing(ARM, "head_tip", REACH, many, target, middle, cone)[0] for many in moved)
        assert np.allclose((low[:, :3] - high[:, :3]) / (2 * step), jacobian[:, :3, column], atol=1e-7)
        closing = (np.linalg.norm(low[:, 3:], axis=1) - np.linalg.norm(high[:, 3:], axis=1)) / (2 * step)
        told = np.sum(jacobian[:, 3:, column] * toward, axis=1)
        assert np.allclose(closing[checked], told[checked], atol=1e-6)


def test_a_step_leads_nearer() -> None:
    rng = np.random.default_rng(7)
    joints = rng.uniform(0.5 * ARM.lower_rad, 0.5 * ARM.upper_rad, (200, len(ARM.moving)))
    middle = np.tile([0.0, 0.0, -1.0], (200, 1))
    end = ARM.forward(joints, "head_tip")
    target = end[:, :3, 3] + end[:, :3, :3] @ REACH + rng.normal(0.0, 0.01, (200, 3))
    error, jacobian = missing(ARM, "head_tip", REACH, joints, target, middle, 3.2)  # any direction will do
    after = missing(ARM, "head_tip", REACH, joints + damped_step(jacobian, error), target, middle, 3.2)[0]
    assert np.median(np.linalg.norm(after, axis=1) / np.linalg.norm(error, axis=1)) < 0.1

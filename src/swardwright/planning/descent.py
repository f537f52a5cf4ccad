"""One step of inverse kinematics: what is missing to an aim, and damped least squares towards it, batched.

Damped least squares with error-dependent damping: Wampler 1986; Sugihara 2011 (both from memory).
"""

from __future__ import annotations

import numpy as np

from swardwright.domain.arm import Arm
from swardwright.domain.poses import Array

#: a radian of direction counts as so many metres of place
ROTATION_WEIGHT_M = 0.3


def missing(
    arm: Arm, link: str, reach: Array, joints: Array, target: Array, middle: Array, cone: float
) -> tuple[Array, Array]:
    """Return what is missing (n, 6): place (m), then direction (weighted rad), and its Jacobian (n, 6, dof).

    Directions within ``cone`` rad of ``middle`` (n, 3) are as good as that itself.
    """
    end, axes = arm.walk(joints, link)
    axis = end[:, :3, 2]
    point = end[:, :3, 3] + end[:, :3, :3] @ reach
    turn = _cross(axis, middle)
    sine = length(turn)
    angle = np.arctan2(sine, np.einsum("ni,ni->n", axis, middle))
    excess = np.maximum(angle - cone, 0.0)
    direction = np.where(sine[:, None] > 1e-9, turn / np.maximum(sine, 1e-9)[:, None], [1.0, 0.0, 0.0])
    error = np.concatenate([target - point, ROTATION_WEIGHT_M * excess[:, None] * direction], axis=1)
    jacobian = np.zeros((len(joints), 6, joints.shape[1]))
    turning = [column for column, (kind, _, _) in axes.items() if kind != "prismatic"]
    along = np.stack([axes[column][2] for column in turning], axis=1)
    lever = point[:, None] - np.stack([axes[column][1] for column in turning], axis=1)
    spin = along @ axis[:, :, None]
    jacobian[:, :3, turning] = np.swapaxes(_cross(along, lever), 1, 2)
    jacobian[:, 3:, turning] = np.swapaxes(ROTATION_WEIGHT_M * (along - spin * axis[:, None]), 1, 2)
    for column, (kind, _, direct) in axes.items():
        if kind == "prismatic":
            jacobian[:, :3, column] = direct
    if cone > 0.0:
        jacobian[excess <= 0.0, 3:] = 0.0
    return error, jacobian


def _cross(one: Array, two: Array) -> Array:
    """Return the cross products (..., 3): ``np.cross`` spends more on its own checks than on these small ones."""
    a, b, c = one[..., 0], one[..., 1], one[..., 2]
    x, y, z = two[..., 0], two[..., 1], two[..., 2]
    return np.stack([b * z - c * y, c * x - a * z, a * y - b * x], axis=-1)


def length(vectors: Array) -> Array:
    """Return the lengths (...) of vectors (..., 3)."""
    out: Array = np.sqrt(np.einsum("...i,...i->...", vectors, vectors))
    return out


def damped_step(jacobian: Array, error: Array) -> Array:
    """Return the steps (n, dof), rad or m, that damped least squares takes towards what is missing (n, 6)."""
    square = jacobian @ np.swapaxes(jacobian, 1, 2)
    damping = 1e-6 + 0.02 * np.einsum("ni,ni->n", error, error)
    square.reshape(-1, 36)[:, ::7] += damping[:, None]
    return (np.swapaxes(jacobian, 1, 2) @ np.linalg.solve(square, error[..., None]))[..., 0]

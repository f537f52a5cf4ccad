"""The Jacobian of board pixels against central differences of a chain written pose by pose."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks._mount_cases import Case, random_case

from swardwright.domain.poses import Pose, rotation_from_vector
from swardwright.locating.calibration.mount_model import MountState, corrected, residuals


def chain(case: Case, state: MountState) -> np.ndarray:
    """Residuals by ``Pose`` and ``Camera`` alone."""
    out = []
    eye = corrected(case.camera, state.intrinsics_px)
    for i, (points, pixels) in enumerate(zip(case.views.points_m, case.views.pixels, strict=True)):
        read = case.views.base_from_link[i]
        error = case.views.joints[i] @ (state.offset_rad + state.noise_rad[i])
        link = Pose("base", "link", rotation_from_vector(error[:3]) @ read[:3, :3], read[:3, 3] + error[3:])
        seen = (link @ state.mount).inverse @ state.board
        out.append(eye.project(seen.apply(points)) - pixels)
    return np.concatenate(out)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_jacobian_of_pixels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    case = random_case(rng, 4)
    mount, board = case.link_from_camera.perturbed(rng.normal(0, 0.01, 6)), case.base_from_board
    state = MountState(mount, board, rng.normal(0, 0.01, 6), rng.normal(0, 0.01, (4, 6)), rng.normal(0, 3, 4))
    error, jacobian, index = residuals(case.views, case.camera, state)
    np.testing.assert_allclose(error, chain(case, state), atol=1e-8)
    step = 1e-6
    for column in range(22):
        move = np.zeros(22)
        move[column] = step
        plus = chain(case, state.moved(move, np.zeros((4, 6))))
        minus = chain(case, state.moved(-move, np.zeros((4, 6))))
        # central differences of numbers near 1e3 px: rounding 1e-7, curvature 1e-6 px at this step
        np.testing.assert_allclose(jacobian[:, :, column], (plus - minus) / (2 * step), rtol=1e-4, atol=5e-3)
    for joint in range(6):
        noise = np.zeros((4, 6))
        noise[2, joint] = step
        move = np.zeros(22)
        slope = (chain(case, state.moved(move, noise)) - chain(case, state.moved(move, -noise))) / (2 * step)
        np.testing.assert_allclose(slope[index == 2], jacobian[index == 2][:, :, 12 + joint], rtol=1e-4, atol=5e-3)
        assert np.abs(slope[index != 2]).max() < 1e-9

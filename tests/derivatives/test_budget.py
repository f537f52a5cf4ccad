"""Every Jacobian of the flame on the ground against central differences of an independent, pose-by-pose chain."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import swardwright
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Pose, rotation_from_vector
from swardwright.locating.landing import head_jacobians
from swardwright.shell.site_file import load_site

RIG = load_site(Path(swardwright.__file__).parent / "simulation" / "assets").rig
RIG = replace(RIG, head=replace(RIG.head, offset_m=(0.011, -0.007)))
#: over about (0.75, 0.1) m, found with planning.posture_over; bent so that the flame is not upright
POSTURE = np.array([0.10, 0.55, 0.05, 1.90, -0.10, 0.95, 0.20])


def lands(q: np.ndarray, tilt: np.ndarray, ground_m: float) -> np.ndarray:
    """Return where the flame meets the ground at a height, base axes (2,)."""
    body = Pose("level", "base", rotation_from_vector(np.array([*tilt, 0.0])), np.zeros(3))
    head = body @ RIG.arm.pose(q, RIG.head.link, "head")
    start = head.apply(np.array([*RIG.head.offset_m, 0.0]))
    axis = head.rotation[:, 2]
    return (start + axis * (ground_m - start[2]) / axis[2])[:2]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-0.2, 0.2), min_size=7, max_size=7).map(np.array))
def test_head_jacobians(bend: np.ndarray) -> None:
    q = POSTURE + bend
    assume(RIG.arm.forward(q, RIG.head.link)[2, 2] < -0.5)
    analytic = head_jacobians(RIG, q)
    h = 1e-5

    def slope(step: object) -> np.ndarray:
        plus, minus = (step(sign * h) for sign in (1.0, -1.0))  # type: ignore[operator]
        return (plus - minus) / (2 * h)

    zero = np.zeros(2)
    for i in range(7):
        numeric = slope(lambda d, i=i: lands(q + d * np.eye(7)[i], zero, 0.0))
        assert np.allclose(analytic["joints"][:, i], numeric, rtol=1e-4, atol=1e-7)
    for i in range(2):
        numeric = slope(lambda d, i=i: lands(q, d * np.eye(2)[i], 0.0))
        assert np.allclose(analytic["tilt"][:, i], numeric, rtol=1e-4, atol=1e-7)
    assert np.allclose(analytic["ground"][:, 0], slope(lambda d: lands(q, zero, d)), rtol=1e-4, atol=1e-7)
    assert np.array_equal(analytic["joint_offset"], analytic["joints"])
    assert np.array_equal(analytic["plane"], analytic["ground"])


def test_a_flame_that_points_up_has_no_landing() -> None:
    with pytest.raises(InputError, match="does not point at the ground") as caught:
        head_jacobians(RIG, np.array([0.0, -0.9, 0.0, 0.2, 0.0, 0.0, 0.0]))
    assert caught.value.remedy

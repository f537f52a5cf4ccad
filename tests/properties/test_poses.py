import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from swardwright.domain.errors import AxesError, InputError
from swardwright.domain.poses import (
    BasePose,
    Pose,
    quaternion_from_rotation,
    rotation_from_quaternion,
    rotation_from_rpy,
    rotation_from_vector,
    vector_from_rotation,
    wrap_angle,
)

angle = st.floats(-3.1, 3.1)
vector = st.tuples(angle, angle, angle).map(np.array)
place = st.floats(-50, 50)
planar = st.builds(BasePose, place, place, angle)


@given(vector)
def test_rotations_agree_with_scipy(v: np.ndarray) -> None:
    r = rotation_from_vector(v)
    assert np.allclose(r, Rotation.from_rotvec(v).as_matrix(), atol=1e-9)
    assert np.allclose(rotation_from_rpy(v), Rotation.from_euler("xyz", v).as_matrix(), atol=1e-12)
    assert np.allclose(rotation_from_vector(vector_from_rotation(r)), r, atol=1e-7)
    assert np.allclose(rotation_from_quaternion(quaternion_from_rotation(r)), r, atol=1e-9)


@given(vector, vector, vector)
def test_composition_and_inverse_cancel(w: np.ndarray, t: np.ndarray, p: np.ndarray) -> None:
    pose = Pose("ground", "base", rotation_from_vector(w), t)
    assert np.allclose(pose.inverse.apply(pose.apply(p)), p, atol=1e-9)
    assert np.allclose((pose @ pose.inverse).matrix, np.eye(4), atol=1e-9)
    assert np.allclose((pose.inverse @ pose).matrix, np.eye(4), atol=1e-9)


@given(planar, planar)
def test_planar_steps_invert_and_agree_with_space(a: BasePose, b: BasePose) -> None:
    step = b.relative_to(a)
    back = a.compose(step)
    assert math.isclose(back.x_m, b.x_m, abs_tol=1e-9)
    assert math.isclose(back.y_m, b.y_m, abs_tol=1e-9)
    assert abs(wrap_angle(back.yaw_rad - b.yaw_rad)) < 1e-9
    whole = a.ground_from_base.inverse.apply(np.array([b.x_m, b.y_m, 0.0]))
    assert np.allclose(whole[:2], [step.x_m, step.y_m], atol=1e-9)


@given(st.floats(-1e3, 1e3))
def test_wrapped_angles_stay_in_range(a: float) -> None:
    w = wrap_angle(a)
    assert -math.pi < w <= math.pi + 1e-12
    assert math.isclose(math.cos(w), math.cos(a), abs_tol=1e-9)


def test_mismatched_axes_and_bad_numbers_are_refused() -> None:
    a = Pose.identity("ground", "base")
    with pytest.raises(AxesError, match="does not cancel"):
        a @ Pose.identity("ground", "camera")
    with pytest.raises(InputError):
        Pose("ground", "base", np.eye(3), np.array([np.nan, 0, 0]))
    with pytest.raises(InputError):
        Pose("ground", "base", -np.eye(3), np.zeros(3))
    with pytest.raises(InputError):
        rotation_from_quaternion([0, 0, 0, 0])
    with pytest.raises(ValueError, match="read-only"):
        a.translation_m[0] = 1.0

"""Analytical Jacobians of the domain against central differences (relative step 1e-6)."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.poses import vector_from_rotation

URDF = """<robot name="three"><link name="a"/><link name="b"/><link name="c"/><link name="d"/>
<joint name="j1" type="revolute"><parent link="a"/><child link="b"/><origin xyz="0.1 0 0.4" rpy="0.1 0.2 0.3"/>
<axis xyz="0 0 1"/><limit lower="-3" upper="3" velocity="1" effort="1"/></joint>
<joint name="j2" type="prismatic"><parent link="b"/><child link="c"/><origin xyz="0.3 0.1 0" rpy="0 1 0"/>
<axis xyz="1 2 0"/><limit lower="-1" upper="1" velocity="1" effort="1"/></joint>
<joint name="j3" type="continuous"><parent link="c"/><child link="d"/><origin xyz="0 0.2 0.1" rpy="0.5 0 0"/>
<axis xyz="0 1 1"/></joint></robot>"""
q3 = st.tuples(*[st.floats(-0.9, 0.9)] * 3).map(np.array)
lens = st.sampled_from(
    [np.array([-0.12, 0.03, 5e-4, -5e-4, 0]), np.array([0.2, 0.05, 1e-3, 2e-3, 0.01, 0.3, 0.1, 0.02])]
)


@given(q3)
def test_arm_jacobian(q: np.ndarray) -> None:
    arm = arm_from_urdf(URDF)
    analytic = arm.jacobian(q, "d")
    base = arm.forward(q, "d")
    h = 1e-6
    for i in range(3):
        step = np.eye(3)[i] * h
        plus, minus = arm.forward(q + step, "d"), arm.forward(q - step, "d")
        assert np.allclose((plus[:3, 3] - minus[:3, 3]) / (2 * h), analytic[3:, i], atol=1e-7)
        turn = (
            vector_from_rotation(plus[:3, :3] @ base[:3, :3].T) - vector_from_rotation(minus[:3, :3] @ base[:3, :3].T)
        ) / (2 * h)
        assert np.allclose(turn, analytic[:3, i], atol=1e-6)


@settings(max_examples=50)
@given(lens, st.floats(0, 1279), st.floats(0, 959), st.sampled_from([4, 9]))
def test_unprojection_jacobians(distortion: np.ndarray, u: float, v: float, columns: int) -> None:
    camera = Camera(1280, 960, 900.0, 905.0, 640.0, 480.0, distortion, np.eye(columns))
    pixel = np.array([u, v])

    def ideal(step: np.ndarray, moved: np.ndarray) -> np.ndarray:
        return camera.perturbed(step).unproject(moved[None])[0][0]

    nothing = np.zeros(columns)
    _, by_pixel, by_k = camera.unproject(pixel[None])
    assert by_k.shape == (1, 2, columns)
    for i in range(2):
        d = np.eye(2)[i] * 1e-3
        assert np.allclose((ideal(nothing, pixel + d) - ideal(nothing, pixel - d)) / 2e-3, by_pixel[0][:, i], atol=1e-9)
    for i in range(columns):
        h = 1e-3 if i < 4 else 1e-6
        d = np.eye(columns)[i] * h
        assert np.allclose((ideal(d, pixel) - ideal(-d, pixel)) / (2 * h), by_k[0][:, i], atol=1e-8), i


@settings(max_examples=50)
@given(lens, st.floats(-0.7, 0.7), st.floats(-0.5, 0.5))
def test_distortion_jacobian_by_the_lens(distortion: np.ndarray, x: float, y: float) -> None:
    lens8 = np.pad(distortion, (0, 8 - len(distortion)))
    at = np.array([[x, y]])

    def seen(k: np.ndarray) -> np.ndarray:
        return Camera(1280, 960, 900.0, 905.0, 640.0, 480.0, k, np.eye(4)).distort(at)[0][0]

    analytic = Camera(1280, 960, 900.0, 905.0, 640.0, 480.0, lens8, np.eye(4)).distort_by_lens(at)[0]
    for i in range(8):
        d = np.eye(8)[i] * 1e-6
        assert np.allclose((seen(lens8 + d) - seen(lens8 - d)) / 2e-6, analytic[:, i], atol=1e-8), i

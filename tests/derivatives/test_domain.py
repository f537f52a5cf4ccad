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
@given(lens, st.floats(0, 1279), st.floats(0, 959))
def test_unprojection_jacobians(distortion: np.ndarray, u: float, v: float) -> None:
    def ideal(k: np.ndarray, pixel: np.ndarray) -> np.ndarray:
        return Camera(1280, 960, *k, distortion, np.eye(4)).unproject(pixel[None])[0][0]

    k, pixel = np.array([900.0, 905.0, 640.0, 480.0]), np.array([u, v])
    _, by_pixel, by_k = Camera(1280, 960, *k, distortion, np.eye(4)).unproject(pixel[None])
    h = 1e-3
    for i in range(2):
        d = np.eye(2)[i] * h
        assert np.allclose((ideal(k, pixel + d) - ideal(k, pixel - d)) / (2 * h), by_pixel[0][:, i], atol=1e-9)
    for i in range(4):
        d = np.eye(4)[i] * h
        assert np.allclose((ideal(k + d, pixel) - ideal(k - d, pixel)) / (2 * h), by_k[0][:, i], atol=1e-9)

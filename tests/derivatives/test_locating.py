"""Every Jacobian of the pixel-to-ground chain against central differences of an independent, pose-by-pose chain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.frame import Frame
from swardwright.domain.poses import BasePose, Pose, rotation_from_vector
from swardwright.domain.site import ErrorSources, Rig
from swardwright.locating.chain import meet_ground, stations

URDF = """<robot name="rig"><link name="base_link"/><link name="a"/><link name="b"/><link name="c"/><link name="plate"/>
<link name="eye"/>
<joint name="turn" type="revolute"><parent link="base_link"/><child link="a"/><origin xyz="0.2 0 0.4"/>
<axis xyz="0 0 1"/><limit lower="-3" upper="3" velocity="1" effort="1"/></joint>
<joint name="lift" type="prismatic"><parent link="a"/><child link="b"/><origin xyz="0.1 0 0.2" rpy="0 0.2 0"/>
<axis xyz="0 0 1"/><limit lower="-1" upper="1" velocity="1" effort="1"/></joint>
<joint name="nod" type="revolute"><parent link="b"/><child link="c"/><origin xyz="0.3 0.05 0.3"/><axis xyz="0 1 0"/>
<limit lower="-3" upper="3" velocity="1" effort="1"/></joint>
<joint name="bracket" type="fixed"><parent link="c"/><child link="plate"/><origin xyz="0.05 0.02 0" rpy="0.1 0 0.3"/>
</joint>
<joint name="optics" type="fixed"><parent link="plate"/><child link="eye"/><origin xyz="0 0.01 0.03" rpy="ROLL 0 YAW"/>
</joint></robot>"""
#: the second one looks down with the picture upside down
MOUNTS = [("2.9", "-1.5"), ("2.9", "1.64")]
K = np.array([900.0, 905.0, 640.0, 480.0])
LENS = np.array([-0.12, 0.03, 5e-4, -5e-4, 0.0])
ZERO = ErrorSources(*[0.0] * 13)


def rig_of(mount: int, k: np.ndarray = K) -> Rig:
    roll, yaw = MOUNTS[mount]
    arm = arm_from_urdf(URDF.replace("ROLL", roll).replace("YAW", yaw))
    camera = Camera(1280, 960, *k, LENS, np.eye(4))
    return Rig(arm, camera, "eye", None, None, None, None, ZERO, (), (), ())  # type: ignore[arg-type]


def slow_chain(mount: int, base: np.ndarray, q: np.ndarray, pixel: np.ndarray,
               error: dict[str, np.ndarray] | None = None) -> np.ndarray:  # fmt: skip
    """Return the ground point (2,), one pose after the other."""
    error = error or {}
    rig = rig_of(mount, K + error.get("intrinsics", np.zeros(4)))
    base = base + error.get("base", np.zeros(3))
    tilt = error.get("tilt", np.zeros(2))
    q = q + error.get("joints", np.zeros(3)) + error.get("joint_offset", np.zeros(3))
    upright = BasePose(*base).ground_from_base
    tilted = upright @ Pose("base", "body", rotation_from_vector(np.array([*tilt, 0.0])), np.zeros(3))
    plate = rig.arm.forward(q, "plate")
    bracket = np.linalg.inv(plate) @ rig.arm.forward(q, "eye")
    mounted = Pose("plate", "camera", bracket[:3, :3], bracket[:3, 3]).perturbed(error.get("mount", np.zeros(6)))
    pose = tilted @ Pose("body", "plate", plate[:3, :3], plate[:3, 3]) @ mounted
    pose = pose.perturbed(error.get("camera_pose", np.zeros(6)))
    ideal = rig.camera.unproject((pixel + error.get("pixel", np.zeros(2)))[None])[0][0]
    ray = pose.rotation @ np.array([*ideal, 1.0])
    height = float(sum(error.get(name, np.zeros(1))[0] for name in ("ground", "plane", "roughness")))
    scale = (height - pose.translation_m[2]) / ray[2]
    return (pose.translation_m + scale * ray)[:2] + error.get("crown", np.zeros(2))


SIZES = {"pixel": 2, "crown": 2, "intrinsics": 4, "mount": 6, "joints": 3, "tilt": 2, "base": 3, "ground": 1,
         "camera_pose": 6, "joint_offset": 3, "plane": 1, "roughness": 1}  # fmt: skip


@pytest.mark.parametrize("source", sorted(SIZES))
@settings(max_examples=40, deadline=None)
@given(
    mount=st.integers(0, 1),
    base=st.tuples(st.floats(-20, 20), st.floats(-20, 20), st.floats(-3, 3)).map(np.array),
    q=st.tuples(st.floats(-1, 1), st.floats(-0.1, 0.1), st.floats(-0.3, 0.3)).map(np.array),
    pixel=st.tuples(st.floats(20, 1260), st.floats(20, 940)).map(np.array),
)
def test_jacobian(source: str, mount: int, base: np.ndarray, q: np.ndarray, pixel: np.ndarray) -> None:
    rig = rig_of(mount)
    frame = Frame("f", "r", 0, "p", (1280, 960), base=BasePose(*base), joints_rad=tuple(q))
    meeting = meet_ground(stations([frame], rig), np.array([0]), pixel[None], rig)
    assert meeting.reason == ("",)
    assert np.allclose(meeting.point_m[0], slow_chain(mount, base, q, pixel), atol=1e-9)
    size = SIZES[source]
    h = 1e-2 if source in ("pixel", "intrinsics") else 1e-5
    analytic = meeting.jacobians[source][0]
    assert analytic.shape == (2, size)
    for i in range(size):
        step = np.eye(size)[i] * h
        plus, minus = (slow_chain(mount, base, q, pixel, {source: d}) for d in (step, -step))
        numeric = (plus - minus) / (2 * h)
        assert np.allclose(analytic[:, i], numeric, rtol=1e-4, atol=1e-7), (source, i)

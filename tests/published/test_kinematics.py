"""Forward kinematics and geometric Jacobian against Pinocchio, on arms of the package example-robot-data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf

pin = pytest.importorskip("pinocchio", reason="the package pin is not installed")
ROBOTS = Path(pin.__file__).parents[4] / "share" / "example-robot-data" / "robots"
ARMS = [
    ("panda_description/urdf/panda.urdf", "panda_link8"),
    ("ur_description/urdf/ur5_robot.urdf", "tool0"),
    ("ur_description/urdf/ur10_robot.urdf", "tool0"),
    ("z1_description/urdf/z1.urdf", "link06"),
    ("so_arm_description/urdf/so101.urdf", "gripper_frame_link"),
]


def urdf(name: str) -> Path:
    path = ROBOTS / name
    if not path.exists():
        pytest.skip("the package example-robot-data is not installed")
    return path


@pytest.mark.parametrize(("name", "link"), ARMS)
def test_pose_and_jacobian_are_pinocchios(name: str, link: str) -> None:
    path = urdf(name)
    model = pin.buildModelFromUrdf(str(path))
    data = model.createData()
    arm = arm_from_urdf(path.read_text(), path.name)
    assert link in arm.links
    rng = np.random.default_rng(8)
    frame = model.getFrameId(link)
    root = model.getFrameId(arm.root)
    order = [arm.joint_names.index(n) for n in list(model.names)[1:]]
    assert sorted(order) == list(range(model.nv))
    for _ in range(20):
        q = rng.uniform(np.maximum(arm.lower_rad, -2), np.minimum(arm.upper_rad, 2))
        theirs = pin.neutral(model)
        for i, column in enumerate(order):
            joint = model.joints[i + 1]
            if joint.nq == 1:
                theirs[joint.idx_q] = q[column]
            else:  # continuous joints are (cos, sin) there
                theirs[joint.idx_q : joint.idx_q + 2] = np.cos(q[column]), np.sin(q[column])
        pin.computeJointJacobians(model, data, theirs)
        pin.updateFramePlacements(model, data)
        expected = (data.oMf[root].inverse() * data.oMf[frame]).homogeneous
        assert np.allclose(arm.forward(q, link), expected, atol=1e-9)
        jacobian = pin.getFrameJacobian(model, data, frame, pin.ReferenceFrame.LOCAL_WORLD_ALIGNED)
        mine = arm.jacobian(q, link)
        assert np.allclose(mine[3:, order], jacobian[:3], atol=1e-9)
        assert np.allclose(mine[:3, order], jacobian[3:], atol=1e-9)


def test_seven_axis_arm_at_zero() -> None:
    """link8 at (0.088, 0, 0.926) m: the figure of the public description (REFERENCES, checked there with Pinocchio)."""
    path = urdf(ARMS[0][0])
    arm = arm_from_urdf(path.read_text(), path.name)
    at = arm.forward(np.zeros(len(arm.moving)), "panda_link8")[:3, 3]
    assert np.allclose(at, [0.088, 0.0, 0.926], atol=5e-4)

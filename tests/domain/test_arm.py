import time

import numpy as np
import pytest

from swardwright.domain.arm import MAX_URDF_BYTES, arm_from_urdf
from swardwright.domain.errors import RobotModelError

GOOD = """<robot name="two"><link name="a"/><link name="b"/><link name="c"/>
<joint name="j1" type="revolute"><parent link="a"/><child link="b"/><origin xyz="0 0 1" rpy="0 0 0"/>
<axis xyz="0 0 1"/><limit lower="-1" upper="1" velocity="2" effort="1"/></joint>
<joint name="j2" type="prismatic"><parent link="b"/><child link="c"/><origin xyz="1 0 0"/>
<axis xyz="1 0 0"/><limit lower="0" upper="0.5" velocity="0.1" effort="1"/></joint></robot>"""


def test_a_hand_worked_two_joint_arm() -> None:
    # turned by 90 degrees about z at height 1, then 1 + 0.5 m out along the turned x axis: (0, 1.5, 1)
    end = arm_from_urdf(GOOD).forward(np.array([np.pi / 2, 0.5]), "c")
    assert np.allclose(end[:3, 3], [0, 1.5, 1.0], atol=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("<robot", "<robot><robot", "XML"),
        ('lower="-1" upper="1"', 'lower="1" upper="1"', "range"),
        ('lower="-1"', 'lower="nan"', "range"),
        ('velocity="2"', 'velocity="0"', "speed"),
        ('xyz="0 0 1" rpy', 'xyz="0 0 x" rpy', "three numbers"),
        ('xyz="0 0 1" rpy', 'xyz="0 0 inf" rpy', "finite"),
        ('<axis xyz="0 0 1"/>', '<axis xyz="0 0 0"/>', "direction"),
        ('type="prismatic"', 'type="floating"', "not supported"),
        ('<limit lower="-1" upper="1" velocity="2" effort="1"/>', "", "joint j1 limit.*no limits"),
        ('upper="0.5" velocity="0.1"', 'upper="0.5" velocity="nan"', "joint j2 velocity.*no speed"),
        ('<parent link="b"/>', '<parent link="zz"/>', "joint j2.*not there.*zz"),
        ('<link name="c"/>', '<link name="c"/><link name="d"/>', "one root.*a, d"),
        ('<link name="c"/>', '<link name="c"/><link name="c"/>', "name of its own.*c"),
        ('<joint name="j2"', '<joint name="j1"', "name of its own.*j1"),
        ('<joint name="j2"', "<joint ", "name of its own"),
        ('<child link="b"/>', '<child link="c"/>', "loop.*two joints.*c"),
        ('<parent link="a"/>', '<parent link="c"/>', "one root|loop"),
        ('<parent link="b"/><child link="c"/>', '<parent link="c"/><child link="c"/>', "one root|loop"),
        (
            "</robot>",
            '<link name="d"/><link name="e"/><joint name="j3" type="fixed"><parent link="d"/><child link="e"/>'
            '</joint><joint name="j4" type="fixed"><parent link="e"/><child link="d"/></joint></robot>',
            "loop.*j3|j3.*loop",
        ),
    ],
)
def test_a_wrong_urdf_is_named(old: str, new: str, says: str) -> None:
    assert arm_from_urdf(GOOD).joint_names == ("j1", "j2")
    text = GOOD.replace(old, new, 1)
    with pytest.raises(RobotModelError, match=says):
        arm_from_urdf(text)


def test_entity_bombs_and_missing_links_are_refused() -> None:
    bomb = '<!DOCTYPE r [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><robot name="&b;"/>'
    with pytest.raises(RobotModelError, match="entities"):
        arm_from_urdf(bomb)
    with pytest.raises(RobotModelError, match="no links"):
        arm_from_urdf("<robot/>")
    with pytest.raises(RobotModelError, match="no such link"):
        arm_from_urdf(GOOD).chain("tip")


def test_a_huge_or_endless_description_is_answered_soon() -> None:
    with pytest.raises(RobotModelError, match="too large"):
        arm_from_urdf("<robot>" + " " * MAX_URDF_BYTES + "</robot>")
    count = 5000  # a chain of so many links: each is looked at once, not once for each other
    links = "".join(f'<link name="l{i}"/>' for i in range(count))
    joints = "".join(
        f'<joint name="j{i}" type="fixed"><parent link="l{i}"/><child link="l{i + 1}"/></joint>'
        for i in reversed(range(count - 1))
    )
    began = time.process_time()
    arm = arm_from_urdf(f"<robot>{links}{joints}</robot>")
    assert time.process_time() - began < 5.0
    assert [joint.name for joint in arm.joints[:2]] == ["j0", "j1"]
    assert len(arm.chain(f"l{count - 1}")) == count - 1


def test_a_hose_narrows_the_joints_after_its_link() -> None:
    arm = arm_from_urdf(GOOD)
    held = arm.narrowed("a", "c", np.array([0.5, 0.2]), 0.75)
    assert held.lower_rad.tolist() == [-0.25, 0.0]  # the sliding joint is left alone
    assert held.upper_rad.tolist() == [1.0, 0.5]  # the URDF's own limit is nearer
    assert [j.lower_rad for j in held.joints] == [-0.25, 0.0]
    assert arm.narrowed("b", "c", np.zeros(2), 0.75).lower_rad.tolist() == arm.lower_rad.tolist()
    with pytest.raises(RobotModelError, match=r"on the way.*one of: a, b"):
        arm.narrowed("c", "b", np.zeros(2), 0.75)

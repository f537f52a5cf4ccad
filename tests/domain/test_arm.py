import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
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
        ('<parent link="b"/>', '<parent link="zz"/>', "one root|not there"),
        ('<link name="c"/>', '<link name="c"/><link name="d"/>', "one root"),
    ],
)
def test_a_wrong_urdf_is_named(old: str, new: str, says: str) -> None:
    assert arm_from_urdf(GOOD).joint_names == ("j1", "j2")
    text = GOOD.replace(old, new, 1)
    with pytest.raises(RobotModelError, match=says):
        arm_from_urdf(text)


def test_entity_bombs_and_missing_links_are_refused() -> None:
    bomb = '<!DOCTYPE r [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><robot name="&b;"/>'
    with pytest.raises(RobotModelError):
        arm_from_urdf(bomb)
    with pytest.raises(RobotModelError, match="no such link"):
        arm_from_urdf(GOOD).chain("tip")

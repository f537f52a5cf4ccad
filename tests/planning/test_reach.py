from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.errors import RobotModelError
from swardwright.domain.site import Bottle
from swardwright.planning.reach import (
    check_rig,
    clear_of_collision,
    content_key,
    heat_off_base,
    leans,
    posture_over,
    solve,
    start_pool,
    tilt_rad,
    travel_s,
    working_point_m,
)
from swardwright.planning.reach_map import CELL_M, reach_map


def test_a_posture_puts_the_head_straight_above_the_aim(make: Any) -> None:
    for aim in ((0.75, 0.0), (0.6, 0.5), (0.65, -0.6), (0.2, 0.7)):
        posture = posture_over(make.rig, aim, make.rig.survey_joints_rad)
        assert posture is not None
        end = make.rig.arm.forward(np.array(posture), "head_tip")
        assert np.allclose(end[:3, 3], [*aim, make.rig.head.standoff_m], atol=1e-3)
        assert -end[2, 2] > math.cos(3e-3)
        assert (np.array(posture) >= make.rig.arm.lower_rad).all()
        assert (np.array(posture) <= make.rig.arm.upper_rad).all()


def test_where_the_head_cannot_work_there_is_no_posture(make: Any) -> None:
    near = make.rig.survey_joints_rad
    assert posture_over(make.rig, (3.0, 0.0), near) is None  # out of reach
    assert posture_over(make.rig, (0.0, 0.0), near) is None  # under the base
    assert posture_over(make.rig, (0.42, 0.0), near) is None  # 2 cm ahead of the tracks: heat would touch them
    assert posture_over(make.rig, (math.nan, 0.0), near) is None


def test_the_nearest_posture_is_taken(make: Any) -> None:
    first = posture_over(make.rig, (0.7, 0.2), make.rig.survey_joints_rad)
    assert first is not None
    again = posture_over(make.rig, (0.72, 0.2), first)
    assert again is not None
    assert float(travel_s(make.rig, np.array(first), np.array(again))) < 0.2


def test_at_the_rim_the_flame_axis_still_meets_the_aim(make: Any) -> None:
    reach = reach_map(make.rig)
    tilted = np.argwhere(reach.reached & (reach.tilt_rad > 0.1))
    assert len(tilted) > 20
    for i, j in tilted[::25]:
        aim = reach.first_m + CELL_M * np.array([i, j])
        joints = reach.joints_rad[i, j]
        assert np.allclose(working_point_m(make.rig, joints), [*aim, 0.0], atol=1e-3)
        assert float(tilt_rad(make.rig, joints)) <= make.rig.head.tilt_max_rad


def test_the_reach_map_is_honest_and_kept_by_content(make: Any) -> None:
    reach = reach_map(make.rig)
    assert reach_map(replace(make.rig)) is reach
    higher = replace(make.rig, head=replace(make.rig.head, standoff_m=0.2))
    assert content_key(higher) != content_key(make.rig) == content_key(replace(make.rig))
    found = reach.joints_rad[reach.reached]
    assert clear_of_collision(make.rig, found).all()
    assert ((found >= make.rig.arm.lower_rad) & (found <= make.rig.arm.upper_rad)).all()
    i, j = np.nonzero(reach.reached)
    aims = reach.first_m + CELL_M * np.column_stack([i, j])
    assert heat_off_base(make.rig, aims).all()
    # the sector in front that the machine was drawn for: 0.65 to 0.95 m from the base centre
    for radius in (0.65, 0.8, 0.95):
        for angle in (-0.6, 0.0, 0.6):
            sure, quality = reach.look_up(np.array([radius * math.cos(angle), radius * math.sin(angle)]))
            assert bool(sure), (radius, angle)
            assert 0.0 <= float(quality) <= 1.0
    assert not reach.look_up(np.array([[2.5, 0.0], [0.0, 0.0]]))[0].any()


def test_many_starts_miss_few_places_that_a_long_search_finds(make: Any) -> None:
    # an exhaustive reference: 60 random starts for each of 40 random places around the base
    rng = np.random.default_rng(4)
    reach = reach_map(make.rig)
    aims = rng.uniform(-1.2, 1.2, (40, 2))
    aims = aims[heat_off_base(make.rig, aims)]
    pool, _, _ = start_pool(make.rig)
    starts = pool[rng.integers(len(pool), size=60 * len(aims))]
    joints, arrived = solve(make.rig, np.repeat(aims, 60, axis=0), starts, 0.0)
    arrived &= clear_of_collision(make.rig, joints)
    possible = arrived.reshape(len(aims), 60).any(axis=1)
    assert possible.sum() > 10
    i, j = reach._cell(aims)
    assert (reach.reached[i, j] | ~possible).mean() >= 0.97


def test_collision_sees_folded_and_sunken_arms(make: Any) -> None:
    assert clear_of_collision(make.rig, np.array([make.rig.survey_joints_rad]))[0]
    folded = np.array([make.rig.survey_joints_rad])
    folded[0, 3] = 2.7  # forearm along the upper arm
    into_ground = np.array([[0.0, 2.1, 0.0, 0.0, 0.0, 0.0, 0.0]])  # stretched forward and down
    into_base = np.array([[math.pi * 0.9, 1.9, 0.0, 0.0, 0.0, 0.0, 0.0]])  # laid back over the base's deck
    for bad in (folded, into_ground, into_base):
        assert not clear_of_collision(make.rig, bad)[0]


def test_a_rig_that_cannot_carry_the_head_is_named(make: Any) -> None:
    with pytest.raises(RobotModelError, match="no such link"):
        check_rig(replace(make.rig, head=replace(make.rig.head, link="nozzle")))
    with pytest.raises(RobotModelError, match="no such link"):
        check_rig(replace(make.rig, camera_link="eye"))
    with pytest.raises(RobotModelError, match="five moving joints"):
        check_rig(replace(make.rig, head=replace(make.rig.head, link="elbow_link")))
    with pytest.raises(RobotModelError, match="one number for each moving joint"):
        check_rig(replace(make.rig, rest_joints_rad=(0.0, 0.0)))


def _outside_arms() -> list[tuple[str, str]]:
    pinocchio = pytest.importorskip("pinocchio")
    robots = Path(pinocchio.__file__).parents[4] / "share" / "example-robot-data" / "robots"
    return [
        (str(robots / "panda_description/urdf/panda.urdf"), "panda_hand_tcp"),
        (str(robots / "ur_description/urdf/ur5_joint_limited_robot.urdf"), "ee_link"),
    ]


@pytest.mark.parametrize("which", [0, 1])
def test_inverse_kinematics_holds_in_pinocchio(make: Any, which: int) -> None:
    """Outside reference: Pinocchio's forward kinematics of two arms of example-robot-data puts the link on the aim."""
    pinocchio = pytest.importorskip("pinocchio")
    path, link = _outside_arms()[which]
    text = Path(path).read_text()
    arm = arm_from_urdf(text)
    model = pinocchio.buildModelFromXML(text)
    if not model.existFrame(link):
        link = "panda_link8"
    rig = replace(make.rig, arm=arm, head=replace(make.rig.head, link=link))
    rng = np.random.default_rng(1)
    aims = rng.uniform((0.25, -0.3), (0.5, 0.3), (30, 2))
    starts = rng.uniform(arm.lower_rad, arm.upper_rad, (30 * 20, len(arm.moving)))
    joints, arrived = solve(rig, np.repeat(aims, 20, axis=0), starts, 0.0)
    assert arrived.reshape(30, 20).any(axis=1).mean() > 0.9
    data = model.createData()
    target = np.repeat(aims, 20, axis=0)
    for n in np.flatnonzero(arrived)[:60]:
        q = pinocchio.neutral(model)
        for joint, value in zip(arm.moving, joints[n], strict=True):
            q[model.joints[model.getJointId(joint.name)].idx_q] = value
        pinocchio.framesForwardKinematics(model, data, q)
        place = data.oMf[model.getFrameId(link)]
        assert np.allclose(place.translation, [*target[n], rig.head.standoff_m], atol=1.5e-3)
        assert -place.rotation[2, 2] > math.cos(3e-3)


def test_the_heads_own_offset_is_taken_off_the_aim(make: Any) -> None:
    """Where the head points, moved by the offset in head axes, is the aim; without it the head points at the aim."""
    aim = (0.72, 0.15)
    head = replace(make.rig.head, offset_m=(0.012, -0.007))
    rig = replace(make.rig, head=head)
    joints = np.array(posture_over(rig, aim, rig.survey_joints_rad))
    end = rig.arm.forward(joints, head.link)
    pointed = end[:3, 3] + head.standoff_m * end[:3, 2]
    moved = pointed + end[:3, 0] * 0.012 - end[:3, 1] * 0.007  # by hand, column by column
    assert np.allclose(moved, [*aim, 0.0], atol=1e-3)
    assert np.linalg.norm(pointed[:2] - aim) > 0.008
    plain = np.array(posture_over(make.rig, aim, rig.survey_joints_rad))
    assert np.allclose(working_point_m(make.rig, plain), [*aim, 0.0], atol=1e-3)
    assert content_key(rig) != content_key(make.rig)  # a reach map without the offset is not used for it


def test_a_tilted_head_throws_the_flame_outwards(make: Any) -> None:
    """Whatever tilts, leans away from the base's nearest point, but for three degrees; worked out here from the box."""
    reach = reach_map(make.rig)
    tilted = reach.joints_rad[reach.reached & (reach.tilt_rad > math.radians(3.5))]
    assert len(tilted) > 100
    axes = make.rig.arm.forward(tilted, "head_tip")[:, :3, 2]
    points = working_point_m(make.rig, tilted)[:, :2]
    half = np.array([make.rig.base.length_m, make.rig.base.width_m]) / 2.0
    away = points - np.clip(points, -half, half)
    outward = (axes[:, :2] * away).sum(axis=1) / np.linalg.norm(away, axis=1)
    assert (outward >= -math.sin(math.radians(3.0)) - 1e-6).all()
    assert (outward > math.sin(math.radians(1.0))).mean() > 0.95


@pytest.mark.parametrize(
    ("lean_deg", "about_deg", "allowed"),
    [(0, 0, True), (24, 0, True), (26, 0, False), (2.5, 180, True), (4, 180, False), (15, 180, False), (8, 90, True),
     (24, 90, False), (24, -60, False)],
)  # fmt: skip
def test_which_way_the_head_may_lean(make: Any, lean_deg: float, about_deg: float, allowed: bool) -> None:
    """A stand-in arm of one link per case: the head leans by so much, about so many degrees from straight outwards."""
    lean, about = math.radians(lean_deg), math.radians(about_deg)
    axis = np.array([math.sin(lean) * math.cos(about), math.sin(lean) * math.sin(about), -math.cos(lean)])
    across = np.cross(axis, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    end = np.eye(4)
    end[:3, :3] = np.column_stack([across, np.cross(axis, across), axis])
    end[:3, 3] = np.array([0.8, 0.0, 0.0]) - end[:3, :3] @ make.rig.head.working_point_m

    class Still:
        def forward(self, joints_rad: Any, link: str) -> Any:
            return np.broadcast_to(end, (len(joints_rad), 4, 4))

    assert leans(replace(make.rig, arm=Still()), np.zeros((1, 7)))[0] == allowed


def test_the_arm_and_the_flame_keep_off_the_gas_bottle(make: Any) -> None:
    """A bottle before the shoulder: nothing within its clearance is heated, no posture comes within its wall.

    Judged by points on the walls of the URDF's own cylinders, not by capsules.
    """
    bottle = Bottle(0.0, 0.24, 0.40, 0.10, 0.50, 0.35)
    rig = replace(make.rig, bottle=bottle)
    check_rig(rig)
    assert content_key(rig) != content_key(make.rig)
    circle = np.array([0.0, 0.24]) + 0.44 * np.array([[0.0, 1.0], [0.5, 0.866]])
    assert not heat_off_base(rig, circle).any()
    assert heat_off_base(make.rig, circle).all()
    assert posture_over(rig, (0.1, 0.66), rig.survey_joints_rad) is None
    rng = np.random.default_rng(5)
    arm = rig.arm
    joints = rng.uniform(arm.lower_rad, arm.upper_rad, (4000, 7))
    both, without = clear_of_collision(rig, joints), clear_of_collision(make.rig, joints)
    assert not (both & ~without).any()
    assert (without & ~both).sum() > 20
    inside = np.zeros(len(joints), dtype=bool)
    turn = np.linspace(0.0, 2.0 * math.pi, 12)
    for shape in (s for s in arm.shapes if s.kind == "cylinder"):
        ring = 0.5 * shape.size_m[0] * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
        wall = (ring + np.linspace(-0.5, 0.5, 21)[:, None, None] * [0.0, 0.0, shape.size_m[2]]).reshape(-1, 3)
        end = arm.forward(joints, shape.link) @ shape.link_from_shape
        points = end[:, :3, :3] @ wall.T + end[:, :3, 3:]
        from_axis = np.hypot(points[:, 0] - bottle.x_m, points[:, 1] - bottle.y_m)
        level = (points[:, 2] > bottle.z_m) & (points[:, 2] < bottle.z_m + bottle.height_m)
        inside |= (level & (from_axis < bottle.radius_m)).any(axis=1)
    assert inside.sum() > 20
    assert not (inside & both).any()
    blocked = replace(rig, bottle=replace(bottle, x_m=0.25, y_m=0.0, z_m=0.6))
    with pytest.raises(RobotModelError, match="strike the gas bottle"):
        check_rig(blocked)

"""Outside judges of arm motion and inverse kinematics: Pinocchio (``pin``) and Coal on the URDF, none of our own code.

What is ours here is only what they are asked: which pairs may touch (neighbours, and the pairs that the collision model
names), and which rig.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from swardwright.domain.arm import Arm, arm_from_urdf
from swardwright.domain.errors import RobotModelError
from swardwright.domain.poses import Array, frozen
from swardwright.domain.site import Rig
from swardwright.planning.looks import look_motions
from swardwright.planning.pace import Pace
from swardwright.planning.reach import base_box_m, collision_model, solve, usable

#: how high the outside arms are mounted over the ground, m (invented)
MOUNT_M = 0.40
OUTSIDE = (
    ("panda_description/urdf/panda.urdf", "panda_hand_tcp"),
    ("ur_description/urdf/ur5_joint_limited_robot.urdf", "tool0"),
    ("xarm_description/urdf/xarm7.urdf", "link_eef"),
)


def outside_urdf(name: str) -> Path:
    """Return the path of a URDF of the package example-robot-data."""
    import pinocchio

    return Path(pinocchio.__file__).parents[4] / "share" / "example-robot-data" / "robots" / name


def outside_rig(rig: Rig, path: Path, link: str) -> Rig:
    """Return the rig with another arm on it, the same head at its end, mounted ``MOUNT_M`` high at the base's front.

    Without the gas bottle, which stands where the invented arm leaves room for it.
    """
    arm = mounted(arm_from_urdf(path.read_text(), path.name))
    middle = tuple(float(v) for v in 0.5 * (arm.lower_rad + arm.upper_rad))
    base = replace(rig.base, offset_m=0.15 - rig.base.length_m / 2.0)
    return replace(
        rig, arm=arm, head=replace(rig.head, link=link), camera_link=link, base=base, look_joints_rad=(middle,),
        rest_joints_rad=middle, survey_joints_rad=middle, bottle=None,
    )  # fmt: skip


#: an outside arm whose collision shapes are mostly boxes, cylinders and spheres, so that planner and judge read the
#: same; the link and where on it the head is fixed: xyz, m, and rpy, rad
DRAWN = ("z1_description/urdf/z1.urdf", "link06", "0.14 0 0", "0 1.5707963 0")


def drawn_rig(rig: Rig, name: str, link: str, xyz: str, rpy: str, folder: Path) -> tuple[Rig, Path]:
    """Return the rig with an outside arm on it, and its URDF: lifted by ``MOUNT_M``, meshes left out, with postures.

    Without the gas bottle.

    Rest and look are the first postures found with the head over the ground before the base that are clear all along.
    """
    tree = ElementTree.parse(outside_urdf(name))
    root = tree.getroot()
    for element in root.findall("link"):
        for shape in element.findall("collision"):
            if shape.find("geometry/mesh") is not None:
                element.remove(shape)
        for shape in element.findall("visual"):
            element.remove(shape)
    children = {joint.find("child").get("link") for joint in root.findall("joint")}
    foot = next(e.get("name") for e in root.findall("link") if e.get("name") not in children)
    for joint, parent, child, place, turn in (
        ("site_mount", "site_root", str(foot), f"0 0 {MOUNT_M}", "0 0 0"), ("site_tool", link, "site_head", xyz, rpy),
    ):  # fmt: skip
        ElementTree.SubElement(root, "link", name=child if child == "site_head" else parent)
        fixed = ElementTree.SubElement(root, "joint", name=joint, type="fixed")
        ElementTree.SubElement(fixed, "parent", link=parent)
        ElementTree.SubElement(fixed, "child", link=child)
        ElementTree.SubElement(fixed, "origin", xyz=place, rpy=turn)
    path = folder / Path(name).name
    tree.write(path)
    arm = arm_from_urdf(path.read_text(), path.name)
    middle = tuple(float(v) for v in 0.5 * (arm.lower_rad + arm.upper_rad))
    base = replace(rig.base, offset_m=0.15 - rig.base.length_m / 2.0)
    one = replace(
        rig, arm=arm, head=replace(rig.head, link="site_head"), camera_link="site_head", base=base,
        look_joints_rad=(middle,), rest_joints_rad=middle, survey_joints_rad=middle, mount_covariance=None, bottle=None,
    )  # fmt: skip
    starts = np.random.default_rng(4).uniform(arm.lower_rad, arm.upper_rad, (400, len(arm.moving)))
    found = []
    for aim, height in (((0.45, 0.0), 0.30), ((0.45, 0.15), 0.25), ((0.45, -0.15), 0.25)):
        joints, arrived = solve(one, np.repeat([aim], len(starts), axis=0), starts, 0.0, height_m=height)
        gaps = collision_model(one).gaps_m(arm, joints)
        found.append(joints[arrived & (gaps > 0.01).all(axis=1)])
    for rest in found[0] if all(len(part) for part in found) else ():
        looks = tuple(min(found[k], key=lambda q: float(np.abs(q - rest).max())) for k in (1, 2))
        asked = replace(
            one, rest_joints_rad=tuple(rest.tolist()), survey_joints_rad=tuple(rest.tolist()),
            look_joints_rad=tuple(tuple(q.tolist()) for q in looks),
        )  # fmt: skip
        try:
            look_motions(asked)
        except RobotModelError:
            continue
        return asked, path
    raise RuntimeError(f"{name}: no postures found")


def mounted(arm: Arm) -> Arm:
    """Return the arm with everything that hangs on its root lifted by ``MOUNT_M``."""
    lifted = np.eye(4)
    lifted[2, 3] = MOUNT_M
    changed = {j.name: replace(j, origin=frozen(lifted @ j.origin)) for j in arm.joints if j.parent == arm.root}
    return replace(
        arm, joints=tuple(changed.get(j.name, j) for j in arm.joints),
        moving=tuple(changed.get(j.name, j) for j in arm.moving),
    )  # fmt: skip


@dataclass
class Replay:
    """Counts strikes along postures with Coal: the URDF's shapes, the base's box, the gas bottle, the ground.

    Two links that the rig's own postures let overlap may overlap as far as there and 2 cm more, by Coal's own distance.
    """

    rig: Rig
    urdf: Path

    def __post_init__(self) -> None:
        import coal
        import pinocchio as pin

        self._pin = pin
        self.model = pin.buildModelFromUrdf(str(self.urdf))
        names = list(self.rig.arm.joint_names)
        self.column = [names.index(name) for name in list(self.model.names)[1:]]
        shapes = pin.buildGeomFromUrdf(self.model, str(self.urdf), pin.GeometryType.COLLISION)
        low, high = base_box_m(self.rig)
        solids = [
            ("site_base", coal.Box(*(high - low)), 0.5 * (low + high)),
            ("ground", coal.Box(20.0, 20.0, 1.0), np.array([0.0, 0.0, -0.5])),
        ]
        if (stands := self.rig.bottle) is not None:
            middle = np.array([stands.x_m, stands.y_m, stands.z_m + stands.height_m / 2.0])
            solids.append(("site_bottle", coal.Cylinder(stands.radius_m, stands.height_m), middle))
        for name, solid, middle in solids:
            shapes.addGeometryObject(pin.GeometryObject(name, 0, pin.SE3(np.eye(3), middle), solid))
        model = collision_model(self.rig)
        ignored, excused = set(model.ignored), set(model.excused)
        self.shapes, self.near = shapes, []
        objects = list(shapes.geometryObjects)
        for i, one in enumerate(objects):
            for j in range(i):
                two = objects[j]
                links = two.name.rsplit("_", 1)[0], one.name.rsplit("_", 1)[0]
                parents = sorted((one.parentJoint, two.parentJoint))
                if parents[0] == parents[1] or self._next(*parents) or links in ignored or links[::-1] in ignored:
                    continue
                if links in excused or links[::-1] in excused:
                    self.near.append((j, i))
                else:
                    shapes.addCollisionPair(pin.CollisionPair(j, i))
        self.close = shapes.copy()
        self.close.removeAllCollisionPairs()
        for j, i in self.near:
            self.close.addCollisionPair(pin.CollisionPair(j, i))
        self.data, self.geometry = self.model.createData(), pin.GeometryData(shapes)
        self.close_data = pin.GeometryData(self.close)
        own = (self.rig.rest_joints_rad, self.rig.survey_joints_rad, *self.rig.look_joints_rad)
        stand = np.array([self._apart(np.array(q)[self.column]) for q in own])
        self.least = stand.min(axis=0) - 0.021 if self.near else np.empty(0)

    def dense(self, gone: Pace, step_m: float = 1e-3) -> Array:
        """Return postures of what is really driven, no joint over one degree and the head no more than a step apart."""
        frame = self.model.getFrameId(self.rig.head.link)
        time = np.linspace(0.0, gone.time_s, 60)
        for _ in range(2):  # the second time to be sure
            joints = gone.at(time)[0]
            points = []
            for q in joints:
                self._pin.framesForwardKinematics(self.model, self.data, q[self.column])
                points.append(self.data.oMf[frame].translation.copy())
            far = np.linalg.norm(np.diff(points, axis=0), axis=1) / step_m
            turned = np.abs(np.diff(joints, axis=0)).max(axis=1) / math.radians(1.0)
            parts = np.maximum(np.ceil(1.1 * np.maximum(far, turned)), 1).astype(int)
            time = np.append(np.concatenate([np.linspace(a, b, n, endpoint=False) for a, b, n in
                                             zip(time, time[1:], parts, strict=False)]), gone.time_s)  # fmt: skip
        return gone.at(time)[0]

    def _next(self, one: int, two: int) -> bool:
        """Return whether joint ``one`` carries ``two`` directly, joints at the same place counted as one."""
        way = [two]
        while way[-1] > one:
            way.append(int(self.model.parents[way[-1]]))
        spans = [np.linalg.norm(self.model.jointPlacements[joint].translation) for joint in way[:-2]]
        return way[-1] == one and all(span <= 0.01 for span in spans)

    def _apart(self, q: Array) -> Array:
        self._pin.computeDistances(self.model, self.data, self.close, self.close_data, q)
        return np.array([r.min_distance for r in self.close_data.distanceResults])

    def strikes(self, joints_rad: Array) -> int:
        """Return how many postures (n, dof) strike something or leave the joints' limits in the URDF."""
        low, high = self.model.lowerPositionLimit, self.model.upperPositionLimit
        count = 0
        for q in np.asarray(joints_rad)[:, self.column]:
            bad = bool((q < low - 1e-9).any() or (q > high + 1e-9).any())
            bad = bad or self._pin.computeCollisions(self.model, self.data, self.shapes, self.geometry, q, True)
            bad = bad or (len(self.least) > 0 and bool((self._apart(q) < np.minimum(self.least, 0.0)).any()))
            count += int(bad)
        return count

    def samples(self, from_rad: Array, to_rad: Array, step_m: float = 1e-3) -> Array:
        """Return postures along a straight move, no joint over one degree and the head no more than a step apart."""
        rough = from_rad + np.linspace(0.0, 1.0, 200)[:, None] * (to_rad - from_rad)
        frame = self.model.getFrameId(self.rig.head.link)
        points = []
        for q in rough[:, self.column]:
            self._pin.framesForwardKinematics(self.model, self.data, q)
            points.append(self.data.oMf[frame].translation.copy())
        travel = 1.1 * float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
        count = math.ceil(max(travel / step_m, float(np.abs(to_rad - from_rad).max()) / math.radians(1.0), 1.0))
        return from_rad + np.linspace(0.0, 1.0, count + 1)[:, None] * (to_rad - from_rad)


class Searcher:
    """An exhaustive inverse kinematics: Pinocchio's Jacobian, damped least squares from very many random starts."""

    def __init__(self, rig: Rig, urdf: Path, lifted_m: float) -> None:
        import pinocchio as pin

        self._pin, self.rig, self._lifted = pin, rig, lifted_m
        self.model = pin.buildModelFromUrdf(str(urdf))
        self.data = self.model.createData()
        self.frame = self.model.getFrameId(rig.head.link)
        names = list(rig.arm.joint_names)
        self.column = [names.index(name) for name in list(self.model.names)[1:]]

    def reaches(self, aim_m: Array, rng: np.random.Generator, starts: int) -> bool:
        """Return whether some start ends in a posture over the aim that the planner's own rules allow."""
        arm, tilt = self.rig.arm, 0.95 * self.rig.head.tilt_max_rad
        target = np.array([*aim_m, -self._lifted])
        for n in range(starts):
            lean, about = (0.0 if n % 2 else rng.uniform(0.0, tilt)), rng.uniform(-math.pi, math.pi)
            axis = np.array([math.sin(lean) * math.cos(about), math.sin(lean) * math.sin(about), -math.cos(lean)])
            q = rng.uniform(arm.lower_rad, arm.upper_rad)
            found = self._search(q, target, axis)
            if found is not None and usable(self.rig, found[None], np.array([True]))[0]:
                return True
        return False

    def _search(self, joints: Array, target: Array, axis: Array) -> Array | None:
        low, high = self.rig.arm.lower_rad, self.rig.arm.upper_rad
        for _ in range(80):
            ordered = joints[self.column]
            self._pin.computeJointJacobians(self.model, self.data, ordered)
            self._pin.updateFramePlacements(self.model, self.data)
            place = self.data.oMf[self.frame]
            jac = self._pin.getFrameJacobian(
                self.model, self.data, self.frame, self._pin.ReferenceFrame.LOCAL_WORLD_ALIGNED
            )
            arm_m = place.rotation @ self.rig.head.working_point_m
            off = target - place.translation - arm_m
            turn = np.cross(place.rotation[:, 2], axis)
            if place.rotation[:, 2] @ axis < 0.0:
                turn = turn / max(float(np.linalg.norm(turn)), 1e-6)
            if np.linalg.norm(off) < 1e-4 and np.linalg.norm(turn) < 1e-3:
                return joints
            z = place.rotation[:, 2]
            linear = jac[:3] - np.cross(arm_m, jac[3:], axisa=0, axisb=0, axisc=0)
            angular = jac[3:] - np.outer(z, z @ jac[3:])
            whole = np.zeros((6, len(joints)))
            whole[:, self.column] = np.concatenate([linear, 0.3 * angular])
            error = np.concatenate([off, 0.3 * turn])
            step = whole.T @ np.linalg.solve(whole @ whole.T + (1e-6 + 0.02 * error @ error) * np.eye(6), error)
            joints = np.clip(joints + step * min(1.0, 0.5 / max(float(np.abs(step).max()), 1e-12)), low, high)
        return None

"""Serial arms from URDF: batched forward kinematics and the geometric Jacobian.

Joint and link conventions: the URDF specification (fixed-axis roll-pitch-yaw origins, joint axis in joint axes).
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from defusedxml import DefusedXmlException, ElementTree  # type: ignore[import-untyped,unused-ignore]

from swardwright.domain.errors import RobotModelError
from swardwright.domain.places import Places
from swardwright.domain.poses import Array, Pose, frozen, rotation_from_rpy

MAX_URDF_BYTES = 20_000_000


@dataclass(frozen=True, eq=False)
class Joint:
    """One joint of the chain; a fixed joint has no limits.

    Attributes
    ----------
    origin : Array
        Shape (4, 4): parent link from joint axes at position zero.
    axis : Array
        Unit vector (3,) in joint axes.
    lower_rad, upper_rad, velocity_rad_s : float
        Limits; radians (metres for a prismatic joint).
    """

    name: str
    kind: str
    parent: str
    child: str
    origin: Array
    axis: Array
    lower_rad: float
    upper_rad: float
    velocity_rad_s: float


@dataclass(frozen=True, eq=False)
class Shape:
    """One collision shape of a link: what a collision model may be built from.

    Attributes
    ----------
    kind : str
        ``box``, ``cylinder`` (along z) or ``sphere``. Meshes are not read: their files lie outside the URDF.
    link_from_shape : Array
        Shape (4, 4).
    size_m : Array
        Shape (3,): the shape's extent along its own x, y and z.
    """

    link: str
    kind: str
    link_from_shape: Array
    size_m: Array


@dataclass(frozen=True, eq=False)
class Arm:
    """A tree of joints described by a URDF, of which the moving ones are the coordinates.

    Attributes
    ----------
    root : str
        Link that stands for base axes.
    moving : tuple[Joint, ...]
        Moving joints in the order of the joint vector.
    shapes : tuple[Shape, ...]
        Collision boxes, cylinders and spheres of the links.
    """

    name: str
    root: str
    joints: tuple[Joint, ...]
    moving: tuple[Joint, ...]
    shapes: tuple[Shape, ...] = ()

    @property
    def joint_names(self) -> tuple[str, ...]:
        """Names of the moving joints in joint-vector order."""
        return tuple(j.name for j in self.moving)

    @cached_property
    def lower_rad(self) -> Array:
        """Lower limits, shape (dof,)."""
        return frozen([j.lower_rad for j in self.moving])

    @cached_property
    def upper_rad(self) -> Array:
        """Upper limits, shape (dof,)."""
        return frozen([j.upper_rad for j in self.moving])

    @cached_property
    def velocity_rad_s(self) -> Array:
        """Speed limits, shape (dof,)."""
        return frozen([j.velocity_rad_s for j in self.moving])

    @property
    def links(self) -> tuple[str, ...]:
        """All link names, the root first."""
        return (self.root, *(j.child for j in self.joints))

    def chain(self, link: str) -> tuple[Joint, ...]:
        """Return the joints from the root to ``link``.

        Raises
        ------
        RobotModelError
            If the URDF has no such link.
        """
        parent_of = {j.child: j for j in self.joints}
        if link not in self.links:
            raise RobotModelError(
                "the robot description has no such link",
                where="robot.urdf",
                field="link",
                value=link,
                limit="one of: " + ", ".join(self.links),
                remedy="name an existing link in site.toml, or add it to the URDF",
            )
        chain: list[Joint] = []
        while link != self.root:
            joint = parent_of[link]
            chain.append(joint)
            link = joint.parent
        return tuple(reversed(chain))

    def narrowed(self, start: str, end: str, middle_rad: Array, turn_max_rad: float) -> Arm:
        """Return the arm whose turning joints between two links stay within a turn either way of given places.

        Parameters
        ----------
        start, end : str
            Links; the joints after ``start`` on the way to ``end`` are narrowed. The root: all of them.
        middle_rad : Array
            Shape (dof,).

        Raises
        ------
        RobotModelError
            If a link is missing, or ``start`` does not lie on the way to ``end``.
        """
        way = self.chain(end)
        links = [self.root, *(joint.child for joint in way)]
        if start not in links:
            raise RobotModelError(
                "the link does not lie on the way from the base to the head", where="robot.urdf", field="link",
                value=start, limit="one of: " + ", ".join(links), remedy="name one of these",
            )  # fmt: skip
        turning = {joint.name for joint in way[links.index(start) :] if joint.kind in ("revolute", "continuous")}
        kept: dict[str, Joint] = {}
        for joint, middle in zip(self.moving, np.asarray(middle_rad, dtype=float).tolist(), strict=True):
            if joint.name in turning:
                low, high = max(joint.lower_rad, middle - turn_max_rad), min(joint.upper_rad, middle + turn_max_rad)
                kept[joint.name] = replace(joint, lower_rad=low, upper_rad=high)
        joints, moving = (tuple(kept.get(j.name, j) for j in many) for many in (self.joints, self.moving))
        return replace(self, joints=joints, moving=moving)

    def forward(self, joints_rad: Array, link: str) -> Array:
        """Return ``base_from_link`` matrices.

        Parameters
        ----------
        joints_rad : Array
            Shape (..., dof).
        link : str
            Link name.

        Returns
        -------
        Array
            Shape (..., 4, 4), metres.
        """
        return self._forward(np.asarray(joints_rad, dtype=float), link)[0]

    def pose(self, joints_rad: Array, link: str, source: str) -> Pose:
        """Return ``base_from_<source>`` for one joint vector (dof,)."""
        matrix = self.forward(np.asarray(joints_rad, dtype=float), link)
        u, _, vt = np.linalg.svd(matrix[:3, :3])
        return Pose("base", source, u @ vt, matrix[:3, 3])

    def jacobian(self, joints_rad: Array, link: str) -> Array:
        """Return the geometric Jacobian of ``link`` in base axes.

        Parameters
        ----------
        joints_rad : Array
            Shape (..., dof).

        Returns
        -------
        Array
            Shape (..., 6, dof); rows 0-2 rotation (rad), rows 3-5 translation of the link's origin (m).
        """
        q = np.asarray(joints_rad, dtype=float)
        end, axes = self._forward(q, link)
        out = np.zeros((*q.shape[:-1], 6, len(self.moving)))
        for column, (kind, position, direction) in axes.items():
            if kind == "prismatic":
                out[..., 3:, column] = direction
            else:
                out[..., :3, column] = direction
                out[..., 3:, column] = np.cross(direction, end[..., :3, 3] - position)
        return out

    def walk(self, joints_rad: Array, link: str) -> tuple[Array, dict[int, tuple[str, Array, Array]]]:
        """Return ``base_from_link`` (..., 4, 4) and, by column, each moving joint's kind, origin and direction.

        Origins (m) and directions have shape (..., 3), base axes, in order from the root: what inverse kinematics and
        collision checks need in one pass.
        """
        return self._forward(np.asarray(joints_rad, dtype=float), link)

    def place(self, joints_rad: Array, links: tuple[str, ...]) -> Array:
        """Return ``base_from_link`` of several links, shape (..., links, 4, 4), of joints (..., dof)."""
        return self._places.of(np.asarray(joints_rad, dtype=float), links)

    def _forward(self, q: Array, link: str) -> tuple[Array, dict[int, tuple[str, Array, Array]]]:
        self.chain(link)
        total = self._places.totals(q, (link,))
        axes: dict[int, tuple[str, Array, Array]] = {}
        for i, matrix in total.items():
            joint = self.moving[i]
            along = matrix[..., :3, :3] @ joint.axis
            slid = q[..., i, None] * along if joint.kind == "prismatic" else 0.0
            axes[i] = (joint.kind, matrix[..., :3, 3] - slid, along)
        return self._places.on(total, q, link), axes

    @cached_property
    def _places(self) -> Places:
        return Places(self.root, self.joints, self.moving)


def arm_from_urdf(text: str, where: str = "robot.urdf") -> Arm:
    """Read an arm from the text of a URDF.

    Raises
    ------
    RobotModelError
        If the text is not URDF, is too large, or a joint is malformed, has no range, or closes a loop.
    """
    if len(text) > MAX_URDF_BYTES:
        raise RobotModelError("the robot description is too large", where=where, limit=f"{MAX_URDF_BYTES} bytes")
    try:
        root = ElementTree.fromstring(text)
    except DefusedXmlException as error:
        raise RobotModelError(
            "the robot description defines entities, which are not read", where=where,
            remedy="export the URDF as plain XML, without <!DOCTYPE ...>",
        ) from error  # fmt: skip
    except Exception as error:
        raise RobotModelError(
            f"the robot description is not readable XML: {error}", where=where, remedy="export the URDF again"
        ) from error
    if root.tag != "robot":
        raise RobotModelError("the robot description must start with <robot>", where=where, value=root.tag)
    links = [link.get("name", "") for link in root.findall("link")]
    joints = tuple(_joint(element, where) for element in root.findall("joint"))
    for kind, names in (("link", links), ("joint", [j.name for j in joints])):
        twice = [name for name, count in Counter(names).items() if count > 1 or not name]
        if twice:
            raise RobotModelError(f"each {kind} needs a name of its own", where=where, field=kind, value=twice[0],
                                  remedy=f"give every {kind} another name")  # fmt: skip
    ordered, base = _tree(links, joints, where)
    moving = tuple(j for j in ordered if j.kind != "fixed")
    shapes = tuple(shape for link in root.findall("link") for shape in _shapes(link, where))
    return Arm(root.get("name", "robot"), base, ordered, moving, shapes)


def _tree(links: list[str], joints: tuple[Joint, ...], where: str) -> tuple[tuple[Joint, ...], str]:
    """Return the joints, parents before children, and the root link; refuse what is not one tree."""
    there = set(links)
    for joint in joints:
        for link in (joint.parent, joint.child):
            if link not in there:
                raise RobotModelError(
                    "a joint names a link that is not there", where=where, field=f"joint {joint.name}", value=link,
                    remedy=f'add <link name="{link}"/>, or mend the joint',
                )  # fmt: skip
    moved = Counter(joint.child for joint in joints)
    twice = [link for link, count in moved.items() if count > 1]
    if twice:
        raise RobotModelError(
            "the links form a loop: one hangs on two joints", where=where, field=f"link {twice[0]}",
            limit="one joint for each link", remedy="cut the loop: take out one of its joints",
        )  # fmt: skip
    roots = [link for link in links if link not in moved]
    if not links:
        raise RobotModelError("the robot description has no links", where=where, remedy="export the URDF again")
    if len(roots) > 1:
        raise RobotModelError("the links must form one tree with one root", where=where,
                              value=", ".join(roots[:5]), limit="one link that hangs on nothing",
                              remedy="join the others to it with fixed joints")  # fmt: skip
    below: dict[str, list[Joint]] = {}
    for joint in joints:
        below.setdefault(joint.parent, []).append(joint)
    ordered, ready = [], list(below.get(roots[0], [])) if roots else []
    while ready:
        ordered += ready
        ready = [joint for parent in ready for joint in below.get(parent.child, [])]
    if len(ordered) < len(joints):
        reached = {joint.name for joint in ordered}
        loose = next(joint.name for joint in joints if joint.name not in reached)
        raise RobotModelError("the links form a loop", where=where, field=f"joint {loose}",
                              remedy="cut the loop: take out one of its joints")  # fmt: skip
    return tuple(ordered), roots[0]


def _shapes(link: ElementTree.Element, where: str) -> list[Shape]:
    """Read the collision boxes, cylinders and spheres of one link; meshes are passed over."""
    name, shapes = link.get("name", ""), []
    for element in link.findall("collision"):
        field = f"link {name} collision"
        box, round_, ball = (element.find(f"geometry/{kind}") for kind in ("box", "cylinder", "sphere"))
        if box is not None:
            kind, size = "box", _numbers(box.get("size"), (math.nan, 0, 0), where, f"{field} box size")
        elif round_ is not None:
            radius, length = (_length(round_, key, where, field) for key in ("radius", "length"))
            kind, size = "cylinder", np.array([2.0 * radius, 2.0 * radius, length])
        elif ball is not None:
            kind, size = "sphere", np.full(3, 2.0 * _length(ball, "radius", where, field))
        else:
            continue
        if not (size > 0.0).all():
            raise RobotModelError("a collision shape needs lengths above zero", where=where, field=field,
                                  value=size.tolist(), remedy="write its size into the URDF, m")  # fmt: skip
        shapes.append(Shape(name, kind, frozen(_origin(element, where, field)), frozen(size)))
    return shapes


def _length(element: ElementTree.Element, key: str, where: str, field: str) -> float:
    return float(_numbers(f"{element.get(key, '')} 0 0", (math.nan, 0, 0), where, f"{field} {key}")[0])


def _origin(element: ElementTree.Element, where: str, field: str) -> Array:
    """Return the 4 x 4 matrix of an element's ``origin``; identity without one."""
    place, matrix = element.find("origin"), np.eye(4)
    if place is not None:
        matrix[:3, 3] = _numbers(place.get("xyz"), (0, 0, 0), where, f"{field} origin xyz")
        matrix[:3, :3] = rotation_from_rpy(_numbers(place.get("rpy"), (0, 0, 0), where, f"{field} origin rpy"))
    return matrix


def _numbers(text: str | None, default: tuple[float, float, float], where: str, field: str) -> Array:
    try:
        values = np.array([float(v) for v in text.split()]) if text else np.array(default)
    except ValueError as error:
        raise RobotModelError("three numbers are needed", where=where, field=field, value=text) from error
    if values.shape != (3,) or not np.isfinite(values).all():
        raise RobotModelError("three finite numbers are needed", where=where, field=field, value=text)
    return values


def _joint(element: ElementTree.Element, where: str) -> Joint:
    name = element.get("name", "")
    field = f"joint {name}"
    kind = element.get("type", "")
    if kind not in ("revolute", "continuous", "prismatic", "fixed"):
        raise RobotModelError("this type of joint is not supported", where=where, field=field, value=kind,
                              limit="revolute, continuous, prismatic or fixed")  # fmt: skip
    parent, child = element.find("parent"), element.find("child")
    if parent is None or child is None:
        raise RobotModelError("a joint needs a parent and a child", where=where, field=field)
    origin = _origin(element, where, field)
    lower, upper, velocity, axis = 0.0, 0.0, 0.0, np.array([1.0, 0, 0])
    if kind != "fixed":
        node = element.find("axis")
        axis = _numbers(None if node is None else node.get("xyz"), (1, 0, 0), where, f"{field} axis")
        if np.linalg.norm(axis) < 1e-9:
            raise RobotModelError("a joint needs an axis with a direction", where=where, field=f"{field} axis")
        axis = axis / np.linalg.norm(axis)
        limit = element.find("limit")
        if limit is None and kind != "continuous":
            raise RobotModelError("the joint has no limits", where=where, field=f"{field} limit",
                                  remedy="write its limits (lower, upper, velocity) into the URDF")  # fmt: skip
        try:
            lower = float(limit.get("lower", "0")) if limit is not None else 0.0
            upper = float(limit.get("upper", "0")) if limit is not None else 0.0
            velocity = float(limit.get("velocity", "1")) if limit is not None else 1.0
        except ValueError as error:
            raise RobotModelError("limits must be numbers", where=where, field=f"{field} limit") from error
        if kind == "continuous":
            lower, upper = -math.pi, math.pi
        if not (math.isfinite(lower) and math.isfinite(upper) and lower < upper):
            raise RobotModelError("the joint has no range", where=where, field=f"{field} limit", value=(lower, upper),
                                  limit="lower < upper", remedy="write the joint's limits into the URDF")  # fmt: skip
        if not (math.isfinite(velocity) and velocity > 0):
            raise RobotModelError("the joint has no speed", where=where, field=f"{field} velocity", value=velocity,
                                  limit="more than 0", remedy="write the joint's velocity into the URDF")  # fmt: skip
    return Joint(name, kind, parent.get("link", ""), child.get("link", ""), frozen(origin), frozen(axis),
                 lower, upper, velocity)  # fmt: skip

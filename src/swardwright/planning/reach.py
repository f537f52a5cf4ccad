"""Where the head can work: batched inverse kinematics over the URDF arm, and a simple collision check.

The head's working point is the point ``standoff_m`` along the head link's z axis, moved along its x and y by the head's
offset (where heat really lands): it must come to lie on the aim, with the axis within a cone about straight down and
free spin about the axis. With the axis straight down the head link stands exactly ``standoff_m`` above the ground.

Collision, first version: the arm is a string of spheres between joint origins, the base a box under the arm's first
joint, the ground a plane. It is meant to be replaced by meshes of the URDF.

Damped least squares with error-dependent damping: Wampler 1986; Sugihara 2011 (both from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.arm import Arm
from swardwright.domain.errors import RobotModelError
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig

#: half thickness of an arm link, m (common practice, no source)
ARM_RADIUS_M = 0.05
#: points of the arm further apart than this along it must not come nearer than two radii, m
SELF_ARC_M = 0.30
#: joint origins past the shoulder and the camera stay this far above ground, m
GROUND_CLEAR_M = 0.08
#: heat stays this far outside the base's footprint, m: three standard deviations of a 30 mm footprint
BASE_HEAT_CLEAR_M = 0.09
POSITION_TOLERANCE_M = 2e-4
ANGLE_TOLERANCE_RAD = 2e-3
_ROTATION_WEIGHT_M = 0.3
_POOL = 6000
#: a search still this far off after that many steps is given up
_HOPELESS_M, _HOPELESS_AFTER = 0.03, 20


def check_rig(rig: Rig) -> None:
    """Raise ``RobotModelError`` if the arm cannot carry the head at all: links missing, or too few axes.

    A posture of another length than the arm's joints is refused too.
    """
    moving = {joint.name for joint in rig.arm.moving}
    axes = [joint for joint in rig.arm.chain(rig.head.link) if joint.name in moving]
    rig.arm.chain(rig.camera_link)
    if len(axes) < 5:
        raise RobotModelError(
            "the head needs an arm with at least five moving joints: three for the place, two for the direction",
            where="robot.urdf", field=f"link {rig.head.link}", value=f"{len(axes)} joints", limit="5 or more",
            remedy="name the head link at the end of the arm in site.toml",
        )  # fmt: skip
    postures = {"rest": rig.rest_joints_rad, "survey": rig.survey_joints_rad}
    postures |= {f"look {i + 1}": look for i, look in enumerate(rig.look_joints_rad)}
    for name, posture in postures.items():
        if len(posture) != len(rig.arm.moving):
            raise RobotModelError(
                "a posture needs one number for each moving joint", where="site.toml", field=f"{name} posture",
                value=len(posture), limit=len(rig.arm.moving), remedy="list: " + ", ".join(rig.arm.joint_names),
            )  # fmt: skip


def solve(
    rig: Rig, aims_m: Array, starts_rad: Array, cone_rad: float, iterations: int = 60
) -> tuple[Array, NDArray[np.bool_]]:
    """Bring the head's working point onto each aim by damped least squares.

    Parameters
    ----------
    aims_m : Array
        Shape (n, 2): aims on the ground, base axes, m.
    starts_rad : Array
        Shape (n, dof): where each search starts.
    cone_rad : float
        Largest angle between the head's axis and straight down; 0: straight down.

    Returns
    -------
    tuple[Array, NDArray[np.bool_]]
        Joints (n, dof), always within their limits; whether the search came to rest on its aim (n,), bool.
    """
    arm, reach = rig.arm, rig.head.working_point_m
    low, high = arm.lower_rad, arm.upper_rad
    joints = np.clip(np.array(starts_rad, dtype=float), low, high)
    target = np.concatenate([np.asarray(aims_m, dtype=float), np.zeros((len(aims_m), 1))], axis=1)
    done = np.zeros(len(joints), dtype=bool)
    active = np.arange(len(joints))
    for turn in range(iterations):
        error, jacobian = _error(arm, rig.head.link, reach, joints[active], target[active], cone_rad)
        arrived = np.linalg.norm(error[:, :3], axis=1) < POSITION_TOLERANCE_M
        arrived &= np.linalg.norm(error[:, 3:], axis=1) < ANGLE_TOLERANCE_RAD * _ROTATION_WEIGHT_M
        done[active[arrived]] = True
        hopeless = (np.linalg.norm(error[:, :3], axis=1) > _HOPELESS_M) & (turn == _HOPELESS_AFTER)
        going = ~arrived & ~hopeless
        active, error, jacobian = active[going], error[going], jacobian[going]
        if active.size == 0:
            break
        here = joints[active]
        step = _damped(jacobian, error)
        outward = ((here <= low + 1e-9) & (step < 0)) | ((here >= high - 1e-9) & (step > 0))
        stuck = outward.any(axis=1)
        if stuck.any():
            step[stuck] = _damped(jacobian[stuck] * ~outward[stuck][:, None, :], error[stuck])
        largest = np.abs(step).max(axis=1, keepdims=True)
        joints[active] = np.clip(here + step * np.minimum(1.0, 0.4 / np.maximum(largest, 1e-12)), low, high)
    return joints, done


def _error(arm: Arm, link: str, reach: Array, joints: Array, target: Array, cone: float) -> tuple[Array, Array]:
    """Return what is missing (n, 6): place (m), then direction (weighted rad), and its Jacobian (n, 6, dof)."""
    end, axes = arm.walk(joints, link)
    axis = end[:, :3, 2]
    point = end[:, :3, 3] + end[:, :3, :3] @ reach
    down = np.array([0.0, 0.0, -1.0])
    turn = np.cross(axis, down)
    sine = np.linalg.norm(turn, axis=1)
    angle = np.arctan2(sine, axis @ down)
    excess = np.maximum(angle - cone, 0.0)
    direction = np.where(sine[:, None] > 1e-9, turn / np.maximum(sine, 1e-9)[:, None], [1.0, 0.0, 0.0])
    error = np.concatenate([target - point, _ROTATION_WEIGHT_M * excess[:, None] * direction], axis=1)
    jacobian = np.zeros((len(joints), 6, joints.shape[1]))
    for column, (kind, position, along) in axes.items():
        if kind == "prismatic":
            jacobian[:, :3, column] = along
        else:
            jacobian[:, :3, column] = np.cross(along, point - position)
            spin = np.sum(along * axis, axis=1, keepdims=True)
            jacobian[:, 3:, column] = _ROTATION_WEIGHT_M * (along - spin * axis)
    if cone > 0.0:
        jacobian[excess <= 0.0, 3:] = 0.0
    return error, jacobian


def _damped(jacobian: Array, error: Array) -> Array:
    square = jacobian @ np.swapaxes(jacobian, 1, 2)
    damping = 1e-6 + 0.02 * np.sum(np.square(error), axis=1)
    square[:, range(6), range(6)] += damping[:, None]
    return (np.swapaxes(jacobian, 1, 2) @ np.linalg.solve(square, error[..., None]))[..., 0]


def tilt_rad(rig: Rig, joints_rad: Array) -> Array:
    """Return the angle between the head's axis and straight down, shape (...,), of joints (..., dof)."""
    return np.arccos(np.clip(-rig.arm.forward(joints_rad, rig.head.link)[..., 2, 2], -1.0, 1.0))


def working_point_m(rig: Rig, joints_rad: Array) -> Array:
    """Return the head's working point (..., 3), base axes, m, of joints (..., dof)."""
    end = rig.arm.forward(joints_rad, rig.head.link)
    point: Array = end[..., :3, 3] + end[..., :3, :3] @ rig.head.working_point_m
    return point


def clear_of_collision(rig: Rig, joints_rad: Array) -> NDArray[np.bool_]:
    """Return whether each posture keeps the arm off itself, the base and the ground.

    Parameters
    ----------
    joints_rad : Array
        Shape (n, dof).

    Returns
    -------
    Array
        Shape (n,), bool.
    """
    end, axes = rig.arm.walk(joints_rad, rig.head.link)
    tip = end[:, :3, 3]
    knots = np.stack([*(position for _, position, _ in axes.values()), tip], axis=1)
    camera = rig.arm.forward(joints_rad, rig.camera_link)[:, :3, 3]
    shoulder = knots[:, 0]
    far = np.linalg.norm(knots - shoulder[:, None], axis=2) > 1e-6
    clear = np.where(far[:, :-1], knots[:, :-1, 2] > GROUND_CLEAR_M, True).all(axis=1)
    clear &= (tip[:, 2] > 0.5 * rig.head.standoff_m) & (camera[:, 2] > GROUND_CLEAR_M)
    # spheres strung along the arm
    share = np.linspace(0.0, 1.0, 4)[None, None, :, None]
    string = (knots[:, :-1, None] * (1.0 - share) + knots[:, 1:, None] * share).reshape(len(knots), -1, 3)
    string = np.concatenate([string, camera[:, None]], axis=1)
    box_low, box_high = base_box_m(rig)
    outside = np.maximum(np.maximum(box_low - string, string - box_high), 0.0)
    away = np.linalg.norm(string - shoulder[:, None], axis=2) > 0.2
    clear &= np.where(away, np.linalg.norm(outside, axis=2) > ARM_RADIUS_M, True).all(axis=1)
    string = string[:, :-1]
    arc = np.cumsum(np.linalg.norm(np.diff(string, axis=1, prepend=string[:, :1]), axis=2), axis=1)
    for i in range(string.shape[1] - 1):
        apart = np.linalg.norm(string[:, i + 1 :] - string[:, i : i + 1], axis=2)
        distant = arc[:, i + 1 :] - arc[:, i : i + 1] > SELF_ARC_M
        clear &= np.where(distant, apart > 2.0 * ARM_RADIUS_M, True).all(axis=1)
    result: NDArray[np.bool_] = clear
    return result


def base_box_m(rig: Rig) -> tuple[Array, Array]:
    """Return the lowest and highest corner of the base's box, base axes, m: its footprint up to the arm's foot."""
    base = rig.base
    names = {joint.name for joint in rig.arm.moving}
    foot = np.eye(4)
    for joint in rig.arm.chain(rig.head.link):
        foot = foot @ joint.origin
        if joint.name in names:
            break
    top = max(float(foot[2, 3]) - ARM_RADIUS_M, 0.0)
    low = np.array([base.offset_m - base.length_m / 2.0, -base.width_m / 2.0, -1.0])
    return low, np.array([base.offset_m + base.length_m / 2.0, base.width_m / 2.0, top])


def heat_off_base(rig: Rig, aims_m: Array) -> NDArray[np.bool_]:
    """Return whether each aim (..., 2), base axes, keeps the flame off the base's own footprint."""
    low, high = base_box_m(rig)
    outside = np.maximum(np.maximum(low[:2] - aims_m, aims_m - high[:2]), 0.0)
    off: NDArray[np.bool_] = np.linalg.norm(outside, axis=-1) >= BASE_HEAT_CLEAR_M
    return off


def content_key(rig: Rig) -> tuple[object, ...]:
    """Return what reach depends on, as a hashable value: two rigs with the same key reach the same ground."""
    joints = tuple((j.name, j.kind, j.parent, j.origin.tobytes(), j.axis.tobytes(), j.lower_rad, j.upper_rad,
                    j.velocity_rad_s) for j in rig.arm.joints)  # fmt: skip
    base = (rig.base.length_m, rig.base.width_m, rig.base.offset_m)
    head = (rig.head.link, rig.head.standoff_m, rig.head.tilt_max_rad, rig.head.offset_m)
    return joints, base, head, rig.camera_link, rig.survey_joints_rad, rig.look_joints_rad, rig.rest_joints_rad


_POOLS: dict[tuple[object, ...], tuple[Array, Array, Array]] = {}


def start_pool(rig: Rig) -> tuple[Array, Array, Array]:
    """Return postures (k, dof) to start searches from, their working points (k, 3) and tilts (k,).

    A fixed draw over the joint ranges, those in collision left out, the rig's own postures first. Kept by content.
    """
    key = content_key(rig)
    if key not in _POOLS:
        if len(_POOLS) >= 4:
            _POOLS.clear()
        _POOLS[key] = _draw_pool(rig)
    return _POOLS[key]


def _draw_pool(rig: Rig) -> tuple[Array, Array, Array]:
    arm = rig.arm
    own = np.array([rig.survey_joints_rad, *rig.look_joints_rad, rig.rest_joints_rad], dtype=float)
    draw = np.random.default_rng(20).uniform(arm.lower_rad, arm.upper_rad, (_POOL, len(arm.moving)))
    draw = draw[clear_of_collision(rig, draw)]
    pool = np.concatenate([np.clip(own, arm.lower_rad, arm.upper_rad), draw])
    return pool, working_point_m(rig, pool), tilt_rad(rig, pool)


def nearest_starts(rig: Rig, aims_m: Array, count: int) -> Array:
    """Return for each aim (n, 2) the ``count`` pool postures whose head is nearest to it, shape (n, count, dof)."""
    pool, points, tilts = start_pool(rig)
    out = np.empty((len(aims_m), count, pool.shape[1]))
    height = np.square(points[:, 2]) + np.square(_ROTATION_WEIGHT_M * tilts)
    for i in range(0, len(aims_m), 256):
        part = aims_m[i : i + 256]
        gap = np.square(points[None, :, :2] - part[:, None, :]).sum(axis=2) + height
        nearest = np.argpartition(gap, count, axis=1)[:, :count]
        out[i : i + 256] = pool[nearest]
    return out


def usable(rig: Rig, joints_rad: Array, arrived: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which of the solved postures (n, dof) may be used: arrived, tilt within the head's limit, no collision."""
    good = np.asarray(arrived, dtype=bool).copy()
    index = np.flatnonzero(good)
    if index.size:
        tilted = tilt_rad(rig, joints_rad[index])
        good[index] = clear_of_collision(rig, joints_rad[index]) & (
            tilted <= max(rig.head.tilt_max_rad, ANGLE_TOLERANCE_RAD)
        )
    return good


def cones_rad(rig: Rig) -> tuple[float, ...]:
    """Return the cones to try, in order: straight down first, then as far as the head may tilt."""
    return (0.0, 0.95 * rig.head.tilt_max_rad) if rig.head.tilt_max_rad > 0.02 else (0.0,)


def travel_s(rig: Rig, from_rad: Array, to_rad: Array) -> Array:
    """Return the time of a joint-space move at the joints' speed limits, the slowest joint deciding, s.

    Shapes (..., dof) broadcast; accelerations are not in a URDF and are left out.
    """
    moved: Array = np.max(np.abs(np.asarray(to_rad) - np.asarray(from_rad)) / rig.arm.velocity_rad_s, axis=-1)
    return moved


def posture_over(
    rig: Rig, aim_base_m: tuple[float, float] | Array, near_joints_rad: tuple[float, ...] | Array
) -> tuple[float, ...] | None:
    """Return the arm posture that brings the head over an aim, the one nearest in time to a given posture.

    Parameters
    ----------
    aim_base_m : tuple[float, float] | Array
        Aim on the ground, base axes, m.
    near_joints_rad : tuple[float, ...] | Array
        Posture the arm is in.

    Returns
    -------
    tuple[float, ...] | None
        Joints within their limits; None where the head cannot work (out of reach, in collision, or over the base).
    """
    aim = np.array(aim_base_m, dtype=float)
    near = np.array(near_joints_rad, dtype=float)
    if not (np.isfinite(aim).all() and np.isfinite(near).all()) or not heat_off_base(rig, aim):
        return None
    starts = np.concatenate([near[None], nearest_starts(rig, aim[None], 24)[0]])
    aims = np.repeat(aim[None], len(starts), axis=0)
    for cone in cones_rad(rig):
        joints, arrived = solve(rig, aims, starts, cone)
        good = usable(rig, joints, arrived)
        if good.any():
            best = int(np.argmin(np.where(good, travel_s(rig, near, joints), math.inf)))
            return tuple(float(v) for v in joints[best])
    return None

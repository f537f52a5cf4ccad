"""Where the head can work: batched inverse kinematics over the URDF arm, and a simple collision check.

The head's working point is the point ``standoff_m`` along the head link's z axis, moved along its x and y by the head's
offset (where heat really lands): it must come to lie on the aim, with the axis straight down or leaning so that the
flame is thrown outwards, away from the base, and free spin about the axis. With the axis straight down the head link
stands exactly ``standoff_m`` above the ground.

Collision: see ``collision``.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RobotModelError
from swardwright.domain.lean import lean_axes, thrown_outwards
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.collision import ARM_RADIUS_M, GROUND_CLEAR_M, CollisionModel, build_model
from swardwright.planning.descent import ROTATION_WEIGHT_M, damped_step, length, missing

#: heat stays this far outside the base's footprint, m: three standard deviations of a 30 mm footprint
BASE_HEAT_CLEAR_M = 0.09
#: what planned postures and motions keep off everything, on top of the collision model's own clearances, m
MARGIN_M = 0.002
POSITION_TOLERANCE_M = 2e-4
ANGLE_TOLERANCE_RAD = 2e-3
_POOL = 6000
#: postures over the aim that strike something are shaken by this and solved again
SHAKE_RAD, _SHAKES, _SHAKEN = 0.3, 3, 60
#: a search still this far off after that many steps is given up
_HOPELESS_M, _HOPELESS_AFTER = 0.03, 20


def check_rig(rig: Rig) -> None:
    """Raise ``RobotModelError`` if the arm cannot carry the head at all: links missing, or too few axes.

    A posture of another length than the arm's joints, or one that strikes the gas bottle, is refused too.
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
    if rig.bottle is not None:
        for name, posture in postures.items():
            if collision_model(rig).bottle_gap_m(rig.arm, np.array([posture]))[0] <= MARGIN_M:
                raise RobotModelError(
                    "the arm would strike the gas bottle", where="site.toml", field=f"{name} posture",
                    remedy="mend the posture, or the bottle's place and size under [bottle]",
                )  # fmt: skip


def solve(
    rig: Rig, aims_m: Array, starts_rad: Array, cone_rad: float, iterations: int = 60, height_m: float = 0.0
) -> tuple[Array, NDArray[np.bool_]]:
    """Bring the head's working point onto each aim by damped least squares.

    Parameters
    ----------
    aims_m : Array
        Shape (n, 2): aims on the ground, base axes, m.
    starts_rad : Array
        Shape (n, dof): where each search starts.
    cone_rad : float
        Largest tilt of the head, only outwards (see ``leans``); 0: straight down.
    height_m : float
        Height to which the working point is brought: 0 to heat, more to lift the head.

    Returns
    -------
    tuple[Array, NDArray[np.bool_]]
        Joints (n, dof), always within their limits; whether the search came to rest on its aim (n,), bool.
    """
    arm, reach = rig.arm, rig.head.working_point_m
    low, high = arm.lower_rad, arm.upper_rad
    joints = np.clip(np.array(starts_rad, dtype=float), low, high)
    target = np.concatenate([np.asarray(aims_m, dtype=float), np.full((len(aims_m), 1), height_m)], axis=1)
    middle = lean_axes(rig.base, target[:, :2], 0.5 * cone_rad)
    done = np.zeros(len(joints), dtype=bool)
    active = np.arange(len(joints))
    for turn in range(iterations):
        error, jacobian = missing(
            arm, rig.head.link, reach, joints[active], target[active], middle[active], 0.5 * cone_rad
        )
        off = length(error[:, :3])
        arrived = (off < POSITION_TOLERANCE_M) & (length(error[:, 3:]) < ANGLE_TOLERANCE_RAD * ROTATION_WEIGHT_M)
        done[active[arrived]] = True
        going = ~arrived & ((off <= _HOPELESS_M) | (turn != _HOPELESS_AFTER))
        if not going.all():
            active, error, jacobian = active[going], error[going], jacobian[going]
        if active.size == 0:
            break
        here = joints[active]
        step = damped_step(jacobian, error)
        outward = ((here <= low + 1e-9) & (step < 0)) | ((here >= high - 1e-9) & (step > 0))
        stuck = outward.any(axis=1)
        if stuck.any():
            step[stuck] = damped_step(jacobian[stuck] * ~outward[stuck][:, None, :], error[stuck])
        largest = np.abs(step).max(axis=1, keepdims=True)
        joints[active] = np.clip(here + step * np.minimum(1.0, 0.4 / np.maximum(largest, 1e-12)), low, high)
    return joints, done


def leans(rig: Rig, joints_rad: Array) -> NDArray[np.bool_]:
    """Return whether the head of each posture (n, dof) stands upright or leans as it may: to throw outwards.

    By no more than ``tilt_max`` from straight down, and as ``lean.thrown_outwards`` says.
    """
    limit = max(rig.head.tilt_max_rad, ANGLE_TOLERANCE_RAD)
    end = rig.arm.forward(joints_rad, rig.head.link)
    point = end[:, :3, 3] + end[:, :3, :3] @ rig.head.working_point_m
    good: NDArray[np.bool_] = -end[:, 2, 2] >= math.cos(limit)
    return good & thrown_outwards(rig.base, rig.head.tilt_max_rad, end[:, :3, 2], point[:, :2])


def tilt_rad(rig: Rig, joints_rad: Array) -> Array:
    """Return the angle between the head's axis and straight down, shape (...,), of joints (..., dof)."""
    return np.arccos(np.clip(-rig.arm.forward(joints_rad, rig.head.link)[..., 2, 2], -1.0, 1.0))


def working_point_m(rig: Rig, joints_rad: Array) -> Array:
    """Return the head's working point (..., 3), base axes, m, of joints (..., dof)."""
    end = rig.arm.forward(joints_rad, rig.head.link)
    point: Array = end[..., :3, 3] + end[..., :3, :3] @ rig.head.working_point_m
    return point


def clear_of_collision(rig: Rig, joints_rad: Array, margin_m: float = 0.0) -> NDArray[np.bool_]:
    """Return whether each posture keeps the arm off itself, the base and the ground by more than a margin.

    Parameters
    ----------
    joints_rad : Array
        Shape (n, dof).

    Returns
    -------
    Array
        Shape (n,), bool.
    """
    clear: NDArray[np.bool_] = gap_m(rig, joints_rad) > margin_m
    return clear


def gap_m(rig: Rig, joints_rad: Array) -> Array:
    """Return how far each posture (n, dof) is from the nearest strike, m, shape (n,), tip and camera included."""
    model = collision_model(rig)
    placed = rig.arm.place(joints_rad, (*model.links, rig.head.link, rig.camera_link))
    tip = placed[:, -2, 2, 3] - 0.5 * rig.head.standoff_m
    camera = placed[:, -1, 2, 3] - GROUND_CLEAR_M
    gap: Array = np.minimum(model.gaps_placed_m(placed[:, :-2]).min(axis=1), np.minimum(tip, camera))
    return gap


_MODELS: dict[tuple[object, ...], CollisionModel] = {}


def collision_model(rig: Rig) -> CollisionModel:
    """Return the collision model of a rig, kept by content."""
    key = content_key(rig)
    if key not in _MODELS:
        if len(_MODELS) >= 4:
            _MODELS.clear()
        _MODELS[key] = build_model(rig, base_box_m(rig))
    return _MODELS[key]


def base_box_m(rig: Rig) -> tuple[Array, Array]:
    """Return the lowest and highest corner of the base's box, base axes, m: its footprint up to the arm's foot."""
    base = rig.base
    names = {joint.name for joint in rig.arm.moving}
    foot = np.eye(4)
    for joint in rig.arm.chain(rig.head.link):
        foot = foot @ joint.origin
        if joint.name in names:
            break
    top = max(float(foot[2, 3]) - ARM_RADIUS_M - 2.0 * MARGIN_M, 0.0)
    low = np.array([base.offset_m - base.length_m / 2.0, -base.width_m / 2.0, -1.0])
    return low, np.array([base.offset_m + base.length_m / 2.0, base.width_m / 2.0, top])


def heat_off_base(rig: Rig, aims_m: Array) -> NDArray[np.bool_]:
    """Return whether each aim (..., 2), base axes, keeps the flame off the base's own footprint and the gas bottle."""
    low, high = base_box_m(rig)
    outside = np.maximum(np.maximum(low[:2] - aims_m, aims_m - high[:2]), 0.0)
    off: NDArray[np.bool_] = np.linalg.norm(outside, axis=-1) >= BASE_HEAT_CLEAR_M
    if rig.bottle is not None:
        away = np.linalg.norm(np.asarray(aims_m) - [rig.bottle.x_m, rig.bottle.y_m], axis=-1)
        off &= away >= rig.bottle.radius_m + rig.bottle.clear_m
    return off


@lru_cache(maxsize=16)
def content_key(rig: Rig) -> tuple[object, ...]:
    """Return what reach depends on, as a hashable value: two rigs with the same key reach the same ground."""
    joints = tuple((j.name, j.kind, j.parent, j.origin.tobytes(), j.axis.tobytes(), j.lower_rad, j.upper_rad,
                    j.velocity_rad_s) for j in rig.arm.joints)  # fmt: skip
    shapes = tuple((s.link, s.kind, s.link_from_shape.tobytes(), s.size_m.tobytes()) for s in rig.arm.shapes)
    base = (rig.base.length_m, rig.base.width_m, rig.base.offset_m)
    head = (rig.head.link, rig.head.standoff_m, rig.head.tilt_max_rad, rig.head.offset_m)
    postures = (rig.survey_joints_rad, rig.look_joints_rad, rig.rest_joints_rad)
    return joints, shapes, base, rig.bottle, head, rig.camera_link, *postures


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
    """Return for each aim (n, 2) the pool postures whose head is nearest to it, the nearest first.

    Shape (n, count, dof), fewer than ``count`` where the pool is smaller.
    """
    pool, points, tilts = start_pool(rig)
    count = min(count, len(pool))
    out = np.empty((len(aims_m), count, pool.shape[1]))
    height = np.square(points[:, 2]) + np.square(ROTATION_WEIGHT_M * tilts)
    for i in range(0, len(aims_m), 256):
        part = aims_m[i : i + 256]
        gap = np.square(points[None, :, :2] - part[:, None, :]).sum(axis=2) + height
        nearest = np.argpartition(gap, min(count, len(pool) - 1), axis=1)[:, :count]
        nearest = np.take_along_axis(nearest, np.argsort(np.take_along_axis(gap, nearest, axis=1), axis=1), axis=1)
        out[i : i + 256] = pool[nearest]
    return out


def usable(rig: Rig, joints_rad: Array, arrived: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which of the solved postures (n, dof) may be used: arrived, tilted as it may be, no collision."""
    good = np.asarray(arrived, dtype=bool).copy()
    index = np.flatnonzero(good)
    if index.size:
        good[index] = leans(rig, joints_rad[index])
        index = index[good[index]]
        if index.size:
            good[index] = clear_of_collision(rig, joints_rad[index], MARGIN_M)
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
    found = postures_over(rig, aim_base_m, near_joints_rad)
    return tuple(float(v) for v in found[0]) if len(found) else None


#: starts from the pool, tried in turn until there is a posture: few, then more, then very many
_STARTS = (24, 120, 480)


def postures_over(
    rig: Rig,
    aim_base_m: tuple[float, float] | Array,
    near_joints_rad: tuple[float, ...] | Array,
    also_rad: Array | None = None,
) -> Array:
    """Return the usable postures found over an aim, shape (n, dof), the nearest in time to a given posture first.

    Straight down where there is one; only where there is none as far tilted as the head may be. Not all that there
    are: more starts are only drawn while nothing is found.

    Parameters
    ----------
    also_rad : Array | None
        Shape (m, dof): further postures to start the search from.
    """
    aim = np.array(aim_base_m, dtype=float)
    near = np.array(near_joints_rad, dtype=float)
    none = np.empty((0, len(rig.arm.moving)))
    if not (np.isfinite(aim).all() and np.isfinite(near).all()) or not heat_off_base(rig, aim):
        return none
    if not within_armslength(rig, aim):
        return none
    own = near[None] if also_rad is None else np.concatenate([near[None], np.atleast_2d(also_rad)])
    before = 0
    for count in _STARTS:
        drawn = nearest_starts(rig, aim[None], count)[0][before:]
        starts = np.concatenate([own, drawn]) if before == 0 else drawn
        before = count
        any_arrived = False
        for cone in cones_rad(rig):
            found, good = _sought(rig, aim, starts, cone)
            if len(good):
                return good[np.argsort(travel_s(rig, near, good), kind="stable")]
            any_arrived |= found
        if not any_arrived and count > _STARTS[0]:
            break  # not even a striking posture: out of reach
    return none


def _sought(rig: Rig, aim: Array, starts: Array, cone: float) -> tuple[bool, Array]:
    """Return whether any start (n, dof) leads over the aim (2,), and the usable postures there, shape (k, dof).

    Where all that arrive strike something, they are shaken and solved again, a few times.
    """
    rng = np.random.default_rng(22)
    found = False
    for _ in range(1 + _SHAKES):
        joints, arrived = solve(rig, np.repeat(aim[None], len(starts), axis=0), starts, cone)
        found |= bool(arrived.any())
        good = joints[usable(rig, joints, arrived)]
        if len(good) or not arrived.any():
            break
        starts = joints[arrived][:_SHAKEN] + SHAKE_RAD * rng.standard_normal(
            (min(arrived.sum(), _SHAKEN), len(joints[0]))
        )
    return found, good


def within_armslength(rig: Rig, aim_m: Array) -> bool:
    """Return whether an aim (2,), base axes, is no further from the first joint than the arm is long, head included."""
    joints = rig.arm.chain(rig.head.link)
    names = {joint.name for joint in rig.arm.moving}
    first = next(i for i, joint in enumerate(joints) if joint.name in names)
    foot = np.eye(4)
    for joint in joints[: first + 1]:
        foot = foot @ joint.origin
    length = float(np.linalg.norm(rig.head.working_point_m))
    for joint in joints[first:]:
        stroke = max(abs(joint.lower_rad), abs(joint.upper_rad)) if joint.kind == "prismatic" else 0.0
        length += stroke + (float(np.linalg.norm(joint.origin[:3, 3])) if joint is not joints[first] else 0.0)
    return float(np.linalg.norm(np.array([*aim_m, 0.0]) - foot[:3, 3])) <= length

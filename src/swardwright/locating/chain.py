"""Where the camera of each frame was, and how far each error moves the point where a ray meets the ground.

Chain: ``ground_from_base(x, y, yaw) @ tilt(roll, pitch) @ base_from_link(joints) @ link_from_camera(mount)``; the
ground is the plane ``z = height`` (0 when nothing better is known).

One identity carries every Jacobian. Let a ray leave the camera at ``c`` in direction ``d`` and meet the ground at
``g = c + s d``. If an error displaces the material point at ``g`` that is carried along with the camera by ``v`` (m),
then the meeting point moves by ``P v`` with ``P = I - d n' / (n' d)``, ``n`` the ground's normal: the displacement is
slid back to the plane along the ray. Raising the ground by ``h`` moves it by ``d h / (n' d)``. (Differential of
ray-plane intersection; derived here and confirmed by central differences in ``tests/derivatives/test_locating.py``.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig

#: A ray that meets the ground farther away than this is not worth a sighting (m): cameras look down from about 1 m.
RANGE_MAX_M = 6.0
#: Rays flatter than this are refused: there the position error grows without bound (sine of about 6 deg).
GRAZING_SINE_MIN = 0.1


@dataclass(frozen=True, eq=False)
class Stations:
    """Camera geometry of n frames, ground axes, metres.

    Attributes
    ----------
    rotation : Array
        Shape (n, 3, 3): ground from camera.
    centre_m : Array
        Shape (n, 3): camera centre.
    mount : Array
        Shape (n, 3, 3): ground from the link that the camera is fixed to; mount errors live in that link's axes.
    base_m : Array
        Shape (n, 3): base origin on the ground.
    base : Array
        Shape (n, 3, 3): ground from base.
    joints : Array
        Shape (n, 6, dof): geometric Jacobian of the camera link (rotation rows first), ground axes.
    direct : NDArray[bool]
        Shape (n,): True where the frame brought its own camera pose (no base, arm or mount in the chain).
    """

    rotation: Array
    centre_m: Array
    mount: Array
    base_m: Array
    base: Array
    joints: Array
    direct: np.ndarray[tuple[int], np.dtype[np.bool_]]


def stations(frames: Sequence[Frame], rig: Rig) -> Stations:
    """Return the camera geometry of frames.

    Raises
    ------
    InputError
        If a frame has neither a base pose with joints nor a camera pose, or another number of joints than the arm.
    """
    n, dof = len(frames), len(rig.arm.moving)
    rotation, centre = np.broadcast_to(np.eye(3), (n, 3, 3)).copy(), np.zeros((n, 3))
    mount, base = rotation.copy(), rotation.copy()
    base_m, jacobian = np.zeros((n, 3)), np.zeros((n, 6, dof))
    direct = np.zeros(n, dtype=bool)
    q = np.zeros((n, dof))
    for i, frame in enumerate(frames):
        if frame.base is not None and frame.joints_rad is not None:
            joints = np.asarray(frame.joints_rad, dtype=float)
            if joints.shape != (dof,) or not np.isfinite(joints).all():
                raise InputError("a frame needs one finite position per joint of the arm", where=frame.id,
                                 field="joints_rad", value=frame.joints_rad, limit=f"{dof} numbers",
                                 remedy="check the joint names of the recording against the URDF")  # fmt: skip
            q[i] = joints
            pose = frame.base.ground_from_base
            base[i], base_m[i] = pose.rotation, pose.translation_m
        elif frame.ground_from_camera is not None:
            direct[i] = True
            rotation[i], centre[i] = frame.ground_from_camera.rotation, frame.ground_from_camera.translation_m
        else:
            raise InputError("the frame has no pose, so nothing in it can be placed on the ground", where=frame.id,
                             remedy="take in a recording with joints and base motion, or add poses.csv to the folder "
                             "of pictures; frames without poses serve for teaching only")  # fmt: skip
    robot = ~direct
    if robot.any():
        last = rig.arm.chain(rig.camera_link)
        link = last[-1].parent if last and last[-1].kind == "fixed" else rig.camera_link
        base_from_camera = rig.arm.forward(q[robot], rig.camera_link)
        turn = base[robot]
        rotation[robot] = turn @ base_from_camera[:, :3, :3]
        centre[robot] = np.einsum("nij,nj->ni", turn, base_from_camera[:, :3, 3]) + base_m[robot]
        mount[robot] = turn @ rig.arm.forward(q[robot], link)[:, :3, :3]
        geometric = rig.arm.jacobian(q[robot], rig.camera_link)
        jacobian[robot, :3] = turn @ geometric[:, :3]
        jacobian[robot, 3:] = turn @ geometric[:, 3:]
    return Stations(rotation, centre, mount, base_m, base, jacobian, direct)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where n rays meet the ground, with Jacobians (metres per pixel, radian, metre).

    Attributes
    ----------
    point_m : Array
        Shape (n, 2), ground axes; meaningless where ``reason`` is not empty.
    jacobians : dict[str, Array]
        Source -> (n, 2, k): ``pixel`` (u v), ``crown`` (x y), ``intrinsics`` (fx fy cx cy), ``mount`` (rotation vector,
        then translation, in the axes of the link that the camera is fixed to), ``joints``, ``joint_offset``,
        ``tilt`` (roll, pitch about base axes), ``base`` (x y yaw), ``ground``, ``plane`` and ``roughness`` (height),
        ``camera_pose`` (rotation vector about the camera's
        centre, then translation, ground axes).
    sampling_m_px : Array
        Shape (n,): local ground sampling distance: square root of the determinant of the pixel Jacobian.
    reason : tuple[str, ...]
        Why a ray has no usable meeting point; empty where it has.
    """

    point_m: Array
    jacobians: dict[str, Array]
    sampling_m_px: Array
    reason: tuple[str, ...]


def _cross_columns(vectors: Array) -> Array:
    """Return (n, 3, 3) matrices M with ``M w == cross(w, vectors)``."""
    x, y, z = vectors[:, 0], vectors[:, 1], vectors[:, 2]
    zero = np.zeros_like(x)
    return np.stack([np.stack([zero, z, -y], 1), np.stack([-z, zero, x], 1), np.stack([y, -x, zero], 1)], 1)


def meet_ground(place: Stations, index: np.ndarray[tuple[int], np.dtype[np.int64]], pixels: Array, rig: Rig,
                ground_m: float = 0.0) -> Meeting:  # fmt: skip
    """Carry pixels to the ground.

    Parameters
    ----------
    index : NDArray[int]
        Shape (n,): station of each pixel.
    pixels : Array
        Shape (n, 2).
    ground_m : float
        Height of the ground plane over the plane that the base stands on.
    """
    ideal, by_pixel, by_k = rig.camera.unproject(pixels)
    n = len(ideal)
    turn, centre = place.rotation[index], place.centre_m[index]
    ray = np.einsum("nij,nj->ni", turn, np.concatenate([ideal, np.ones((n, 1))], axis=1))
    sine = -ray[:, 2] / np.linalg.norm(ray, axis=1) if n else np.zeros(0)
    usable = (sine > GRAZING_SINE_MIN) & (centre[:, 2] > ground_m)
    down = np.where(usable, ray[:, 2], -1.0)
    scale = np.where(usable, (ground_m - centre[:, 2]) / down, 0.0)
    arm_m = scale[:, None] * ray
    point = centre + arm_m
    far = usable & (np.linalg.norm(arm_m, axis=1) > RANGE_MAX_M)
    reason = tuple(
        "the camera is not above the ground" if centre[i, 2] <= ground_m
        else "the ray does not meet the ground, or too flat" if not usable[i]
        else f"the ray meets the ground more than {RANGE_MAX_M:g} m away" if far[i]
        else ""
        for i in range(n)
    )  # fmt: skip
    slide = np.broadcast_to(np.eye(3)[:2], (n, 2, 3)).copy()
    slide[:, :, 2] -= ray[:, :2] / down[:, None]
    image = scale[:, None, None] * (slide @ turn[:, :, :2])
    lever = point - place.base_m[index]
    around = _cross_columns(arm_m)
    joints = place.joints[index]
    carried = joints[:, 3:] + np.einsum("nij,njk->nik", around, joints[:, :3])
    mount = place.mount[index]
    flat = np.zeros((n, 2, 3))
    flat[:, 0, 0] = flat[:, 1, 1] = 1.0
    flat[:, 0, 2], flat[:, 1, 2] = -lever[:, 1], lever[:, 0]
    height = (ray[:, :2] / down[:, None])[:, :, None]
    jacobians = {
        "pixel": image @ by_pixel,
        "crown": np.broadcast_to(np.eye(2), (n, 2, 2)),
        "intrinsics": image @ by_k,
        "mount": np.concatenate([slide @ around @ mount, slide @ mount], axis=2),
        "joints": slide @ carried,
        "joint_offset": slide @ carried,
        "tilt": slide @ _cross_columns(lever) @ place.base[index][:, :, :2],
        "base": flat,
        "ground": height,
        "plane": height,
        "roughness": height,
        "camera_pose": np.concatenate([slide @ around, slide], axis=2),
    }
    sampling = np.sqrt(np.abs(np.linalg.det(jacobians["pixel"])))
    return Meeting(point[:, :2], jacobians, sampling, reason)


def jacobian_gradients(place: Stations, index: np.ndarray[tuple[int], np.dtype[np.int64]], pixels: Array, rig: Rig,
                       meeting: Meeting, sources: Sequence[str]) -> dict[str, Array]:  # fmt: skip
    """Return, per source, the derivative (n, 2, k, 2) of its Jacobian with respect to the ground position, per metre.

    Central differences of the analytical Jacobians over one pixel, carried to metres by the inverse pixel Jacobian.
    """
    by_pixel: dict[str, list[Array]] = {source: [] for source in sources}
    for axis in range(2):
        step = 0.5 * np.eye(2)[axis]
        plus, minus = (meet_ground(place, index, pixels + d, rig).jacobians for d in (step, -step))
        for source in sources:
            by_pixel[source].append(plus[source] - minus[source])
    usable = np.array([not reason for reason in meeting.reason])
    image = np.where(usable[:, None, None], meeting.jacobians["pixel"], np.eye(2))
    inverse = np.linalg.inv(image)
    return {source: np.stack(parts, axis=3) @ inverse[:, None] for source, parts in by_pixel.items()}

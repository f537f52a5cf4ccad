"""What the views do not say about the mount, in words, and which arm poses to take next.

A direction is "not known" where the views alone leave it less certain than the site's stated error: there, calibrating
taught nothing. With all link rotations about one axis the rotation about it or the shift along it cannot be found (Tsai
and Lenz 1989, section II; Chen 1991, "A screw motion approach"): the information matrix shows it, the words name it.
Poses are proposed one after the other, each the one that lessens most the ground variance that the mount causes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.arm import Arm
from swardwright.domain.camera import Camera
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array, BasePose, vector_from_rotation
from swardwright.domain.site import Rig
from swardwright.locating.calibration.mount import (
    MountEstimate,
    MountNoise,
    added_information,
    shared_covariance,
)
from swardwright.locating.calibration.mount_model import BoardViews, views_of_arm
from swardwright.locating.chain import meet_ground, stations

#: turns about other axes of less than this (root mean square) count as none
TURN_MIN_RAD = math.radians(3.0)
#: corners of the board must keep this share of the picture's side away from its edge
_EDGE = 0.03
#: a board seen flatter than this says little and is badly found (cosine of 60 deg)
_FACING_MIN = 0.5
#: the camera and the link stay this high above the ground in a proposed pose
_CLEAR_M = 0.15


def ground_jacobians(rig: Rig, link: str) -> Array:
    """Return d(ground)/d(mount), shape (m, 2, 6), of five rays in every posture from which the camera looks at ground.

    Rays: picture centre and half way to the corners; those that do not meet the ground are left out. ``link`` is the
    link that carries the camera; Jacobians are in its axes, as ``Rig.mount_covariance``.
    """
    postures = dict.fromkeys((rig.survey_joints_rad, *rig.look_joints_rad))
    frames = [Frame(f"posture {n}", "", 0, "", (rig.camera.width_px, rig.camera.height_px), BasePose(0.0, 0.0, 0.0),
                    joints_rad=q) for n, q in enumerate(postures)]  # fmt: skip
    w, h = rig.camera.width_px - 1, rig.camera.height_px - 1
    pixels = np.array([[0.5, 0.5], [0.25, 0.25], [0.75, 0.25], [0.25, 0.75], [0.75, 0.75]]) * [w, h]
    index = np.repeat(np.arange(len(frames)), len(pixels))
    met = meet_ground(stations(frames, rig), index, np.tile(pixels, (len(frames), 1)), rig)
    good = [not reason for reason in met.reason]
    return np.asarray(met.jacobians["mount"][good])


def ground_rms_m(covariance: Array, ground: Array) -> float:
    """Return the root-mean-square ground error (m, both axes together) that a mount covariance causes."""
    return float(np.sqrt(max(np.einsum("mij,jk,mik->m", ground, covariance[:6, :6], ground).mean(), 0.0)))


@dataclass(frozen=True, eq=False)
class Unknown:
    """A direction of the mount that the views leave less certain than it was.

    Attributes
    ----------
    direction : Array
        Shape (6,): rotation vector (rad) and translation (m) of one standard deviation, link axes.
    sentence : str
        For a person.
    """

    direction: Array
    sentence: str


def unknown_directions(views: BoardViews, covariance: Array, stated: Array) -> tuple[Unknown, ...]:
    """Return the directions in which the views teach nothing.

    Parameters
    ----------
    covariance : Array
        Shape (6, 6): of the calibrated mount.
    stated : Array
        Shape (6, 6): of the mount before, the site's stated error.
    """
    scale = np.sqrt(np.diag(stated))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    axis, others = turning(views.base_from_link[:, :3, :3])
    out = []
    for value, vector in sorted(zip(values, vectors.T, strict=True), key=lambda pair: -float(pair[0])):
        if value < 1.0:
            continue
        direction = math.sqrt(float(value)) * vector * scale
        out.append(Unknown(direction, _sentence(direction, vector, axis, others)))
    return tuple(out)


def turning(rotations: Array) -> tuple[Array, float]:
    """Return the axis (own axes) about which rotations (n, 3, 3) turn most, and the rms turn about the next (rad)."""
    vectors = np.array([vector_from_rotation(a.T @ b) for a in rotations for b in rotations])
    values, axes = np.linalg.eigh(vectors.T @ vectors / max(len(vectors), 1))
    return np.asarray(axes[:, 2], dtype=np.float64), float(np.sqrt(max(values[1], 0.0)))


def _sentence(direction: Array, whitened: Array, axis: Array, others_rad: float) -> str:
    turns = np.linalg.norm(whitened[:3]) >= np.linalg.norm(whitened[3:])
    part = direction[:3] if turns else direction[3:]
    size = float(np.linalg.norm(part))
    unit = part / max(size, 1e-12)
    if turns:
        known = f"{min(math.degrees(size), 60.0):.2g} degrees" + (" or worse" if size > 1.0 else "")
        what = f"rotation about {axis_name(unit)} of the link"
    else:
        known = f"{1000 * size:.{0 if size > 0.01 else 1}f} mm" if size < 0.5 else "half a metre or worse"
        what = f"the shift along {axis_name(unit)} of the link"
    why = ""
    if others_rad < TURN_MIN_RAD and abs(float(unit @ axis)) > 0.9:
        why = f"all your poses turn about one axis ({axis_name(axis)} of the link): "
        what = "rotation about it" if turns else "the shift along it"
    return f"{why}{what} is not known (to {known} only)"


def axis_name(unit: Array) -> str:
    """Name a direction: x, y or z where it is near one, otherwise its three numbers."""
    largest = int(np.argmax(np.abs(unit)))
    if abs(unit[largest]) > 0.95:
        return "xyz"[largest]
    unit = unit * np.sign(unit[largest])
    return "(" + ", ".join(f"{v:.1f}" for v in unit) + ")"


@dataclass(frozen=True, eq=False)
class NextPose:
    """An arm pose to take a picture of the board from.

    Attributes
    ----------
    joints_rad : tuple[float, ...]
        In the arm's joint order.
    ground_m : float
        Ground error by the mount (m, root mean square) once this and the poses before it are taken.
    """

    joints_rad: tuple[float, ...]
    ground_m: float


def candidate_postures(arm: Arm, joints_rad: Array, rng: np.random.Generator, count: int = 3000) -> Array:
    """Return joint vectors (m, dof) inside the limits, spread around those given in steps from small to large."""
    lower, upper = arm.lower_rad, arm.upper_rad
    home = joints_rad[rng.integers(len(joints_rad), size=count)]
    size = rng.choice([0.15, 0.3, 0.6, 1.0], (count, 1))
    q = home + size * rng.normal(0, 1, home.shape) * (rng.random(home.shape) < 0.7)
    margin = 0.02 * (upper - lower)
    inside = (q > lower + margin) & (q < upper - margin)
    return np.asarray(np.where(inside, q, np.clip(home, lower, upper)))


def next_poses(
    views: BoardViews, arm: Arm, link: str, camera: Camera, estimate: MountEstimate, noise: MountNoise, ground: Array,
    candidates: Array, count: int = 3,
) -> tuple[NextPose, ...]:  # fmt: skip
    """Return the arm poses whose pictures would lessen most the ground error that the mount causes.

    Only whether the whole board is in the picture, faced and above the ground is judged, not collision: a person moves
    the arm there slowly.

    Parameters
    ----------
    ground : Array
        Shape (m, 2, 6): see ``ground_jacobians``; empty: the mount's six numbers count, in mrad and mm.
    candidates : Array
        Shape (c, dof): see ``candidate_postures``.
    """
    points = views.points_m[int(np.argmax([len(p) for p in views.points_m]))]
    q = candidates[_shows_board(arm, link, camera, estimate, points, candidates)][:400]
    if not len(q):
        return ()
    k = len(noise.offset)
    few = points[_spread(points)]
    pixels = (np.zeros((len(few), 2)),) * len(q)
    seen = views_of_arm(arm, link, q, (few,) * len(q), pixels, tuple(map(str, range(len(q)))))
    if seen.joints.shape[2] != k:
        return ()
    px = float(np.median(estimate.corner_px)) * math.sqrt(len(few) / len(points))
    plain = _predicted(seen, camera, estimate)
    added = added_information(plain, camera, estimate.state, noise, px)
    weigh = ground if len(ground) else np.eye(6)[None]
    information, chosen = np.array(estimate.information), []
    for _ in range(min(count, len(q))):
        after = [ground_rms_m(shared_covariance(information + more), weigh) for more in added]
        best = int(np.argmin(after))
        information = information + added[best]
        chosen.append(NextPose(tuple(float(v) for v in q[best]), after[best] * math.sqrt(estimate.inflated)))
    return tuple(chosen)


def _spread(points: Array) -> Sequence[int]:
    """Return the outermost points in eight directions of the board's plane."""
    middle = points - points.mean(axis=0)
    angles = np.arange(8) * math.pi / 4
    return list(dict.fromkeys(int(np.argmax(middle[:, 0] * math.cos(a) + middle[:, 1] * math.sin(a))) for a in angles))


def _in_camera(arm: Arm, link: str, estimate: MountEstimate, q: Array) -> Array:
    return np.asarray(np.linalg.inv(arm.forward(q, link) @ estimate.link_from_camera.matrix)
                      @ estimate.base_from_board.matrix)  # fmt: skip


def _shows_board(arm: Arm, link: str, camera: Camera, estimate: MountEstimate, points: Array, q: Array) -> Array:
    inside = _in_camera(arm, link, estimate, q)
    few = points[_spread(points)]
    seen = np.einsum("nij,pj->npi", inside[:, :3, :3], few) + inside[:, None, :3, 3]
    size = np.array([camera.width_px, camera.height_px])
    pixels = camera.project(seen.reshape(-1, 3)).reshape(len(q), len(few), 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        straight = seen[:, :, :2] / seen[:, :, 2:] * [camera.fx_px, camera.fy_px] + [camera.cx_px, camera.cy_px]
        shown = ((pixels > _EDGE * size) & (pixels < (1 - _EDGE) * size)).all(axis=(1, 2))
        shown &= ((straight > -0.2 * size) & (straight < 1.2 * size)).all(axis=(1, 2))  # not folded back by the lens
    middle = seen.mean(axis=1)
    facing = np.abs(np.einsum("ni,ni->n", inside[:, :3, 2], middle)) / np.linalg.norm(middle, axis=1)
    first = np.asarray(estimate.base_from_board.rotation[2, 2])
    base_from_link = arm.forward(q, link)
    eye = base_from_link @ np.append(estimate.link_from_camera.translation_m, 1.0)
    lowest = min(float(estimate.base_from_board.translation_m[2]), 0.0) if abs(float(first)) > 0.9 else 0.0
    high = (eye[:, 2] > lowest + _CLEAR_M) & (base_from_link[:, 2, 3] > lowest + _CLEAR_M)
    return np.asarray(shown & (facing > _FACING_MIN) & high)


def _predicted(views: BoardViews, camera: Camera, estimate: MountEstimate) -> BoardViews:
    """Return the views with the pixels at which the estimate puts the corners (so that none counts as an outlier)."""
    pixels = []
    for pose, points in zip(views.base_from_link, views.points_m, strict=True):
        inside = np.linalg.inv(pose @ estimate.link_from_camera.matrix) @ estimate.base_from_board.matrix
        pixels.append(camera.project(points @ inside[:3, :3].T + inside[:3, 3]))
    return BoardViews(views.base_from_link, views.joints, views.points_m, tuple(pixels), views.names, views.joints_rad)

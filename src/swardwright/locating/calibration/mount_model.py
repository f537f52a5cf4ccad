"""Pixels of a board seen by a camera on an arm, as a function of mount, board pose, joint errors and intrinsics.

Chain: ``pixel = camera(link_from_camera^-1 @ base_from_link(joints)^-1 @ base_from_board @ point)``. Perturbations act
on the left as in ``domain.poses``: rotation vector, then translation, in target axes. A joint error ``d`` turns the
link by ``exp(J_w d)`` about its origin and moves it by ``J_v d``, J being the geometric Jacobian at the reading: first
order in ``d`` (an error of 5 mrad leaves out about 10 um on an arm of 1 m).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.arm import Arm
from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, Pose, frozen, rotation_from_vector


@dataclass(frozen=True, eq=False)
class BoardViews:
    """n pictures of one standing board from a camera on the arm.

    Attributes
    ----------
    base_from_link : Array
        Shape (n, 4, 4), metres: where the arm's readings put the link that carries the camera.
    joints : Array
        Shape (n, 6, k): that link's geometric Jacobian in base axes, rotation rows first (k error terms per view).
    points_m : tuple[Array, ...]
        One (m, 3) per view, board axes.
    pixels : tuple[Array, ...]
        One (m, 2) per view.
    names : tuple[str, ...]
        What to call each view.
    joints_rad : Array | None
        Shape (n, dof): the readings.
    """

    base_from_link: Array
    joints: Array
    points_m: tuple[Array, ...]
    pixels: tuple[Array, ...]
    names: tuple[str, ...]
    joints_rad: Array | None = None

    def __post_init__(self) -> None:
        n = len(self.names)
        if not (len(self.base_from_link) == len(self.joints) == len(self.points_m) == len(self.pixels) == n):
            raise InputError("every view needs an arm pose, board points and pixels", where="mount calibration")
        for name, points, pixels in zip(self.names, self.points_m, self.pixels, strict=True):
            if len(points) != len(pixels) or len(points) < 4:
                raise InputError("a view needs at least four board points with their pixels", where=name,
                                 value=f"{len(points)} points, {len(pixels)} pixels",
                                 remedy="leave the picture out")  # fmt: skip
            if not (np.isfinite(points).all() and np.isfinite(pixels).all()):
                raise InputError("points and pixels must be finite", where=name, remedy="leave the picture out")
        if not (np.isfinite(self.base_from_link).all() and np.isfinite(self.joints).all()):
            raise InputError("arm poses must be finite", where="mount calibration", remedy="mend the joint positions")

    def __len__(self) -> int:
        return len(self.names)

    def only(self, keep: Sequence[int] | NDArray[np.int64]) -> BoardViews:
        """Return the views numbered in ``keep``."""
        at = [int(i) for i in keep]
        return BoardViews(
            self.base_from_link[at], self.joints[at], tuple(self.points_m[i] for i in at),
            tuple(self.pixels[i] for i in at), tuple(self.names[i] for i in at),
            None if self.joints_rad is None else self.joints_rad[at],
        )  # fmt: skip


def views_of_arm(
    arm: Arm, link: str, joints_rad: Array, points_m: Sequence[Array], pixels: Sequence[Array], names: Sequence[str]
) -> BoardViews:
    """Return the views of an arm whose ``link`` carries the camera; ``joints_rad`` has shape (n, dof)."""
    q = np.asarray(joints_rad, dtype=float).reshape(-1, len(arm.moving))
    return BoardViews(arm.forward(q, link), arm.jacobian(q, link), tuple(points_m), tuple(pixels), tuple(names), q)


@dataclass(frozen=True, eq=False)
class MountState:
    """What is solved for.

    Attributes
    ----------
    mount, board : Pose
        ``link_from_camera`` and ``base_from_board``.
    offset_rad : Array
        Shape (k,): error of the arm that every view shares (joint zero offsets).
    noise_rad : Array
        Shape (n, k): error of the arm in each view.
    intrinsics_px : Array
        Shape (4,): correction of fx fy cx cy.
    """

    mount: Pose
    board: Pose
    offset_rad: Array
    noise_rad: Array
    intrinsics_px: Array

    def moved(self, step: Array, noise: Array) -> MountState:
        """Return the state after a step ``(mount 6, board 6, offset k, intrinsics 4)`` and one (n, k) of the noise."""
        k = len(self.offset_rad)
        return MountState(self.mount.perturbed(step[:6]), self.board.perturbed(step[6:12]),
                          self.offset_rad + step[12 : 12 + k], self.noise_rad + noise,
                          self.intrinsics_px + step[12 + k :])  # fmt: skip


def corrected(camera: Camera, intrinsics_px: Array) -> Camera:
    """Return the camera with fx fy cx cy corrected."""
    fx, fy, cx, cy = np.array([camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px]) + intrinsics_px
    return replace(camera, fx_px=float(fx), fy_px=float(fy), cx_px=float(cx), cy_px=float(cy))


def residuals(views: BoardViews, camera: Camera, state: MountState) -> tuple[Array, Array, NDArray[np.int64]]:
    """Return predicted less measured pixels with their Jacobian.

    Returns
    -------
    tuple[Array, Array, NDArray]
        Residuals (N, 2), px, NaN for points behind the camera; Jacobian (N, 2, 16 + k) with respect to ``(mount 6,
        board 6, joints k, intrinsics 4)`` where the joint columns serve the shared offset and the view's own noise
        alike; view of each point (N,).
    """
    sizes = [len(p) for p in views.pixels]
    index = np.repeat(np.arange(len(views)), sizes)
    points, pixels = np.concatenate(views.points_m), np.concatenate(views.pixels)
    error = state.offset_rad + state.noise_rad
    turn_by = np.einsum("nij,nj->ni", views.joints[:, :3], error)
    turned = np.array([rotation_from_vector(v) for v in turn_by]) @ views.base_from_link[:, :3, :3]
    place = views.base_from_link[:, :3, 3] + np.einsum("nij,nj->ni", views.joints[:, 3:], error)
    rx, tx = state.mount.rotation, state.mount.translation_m
    spoke = points @ state.board.rotation.T
    lever = spoke + state.board.translation_m - place[index]  # board point from the link's origin, base axes
    in_link = np.einsum("nji,nj->ni", turned[index], lever)
    arm = in_link - tx
    seen = arm @ rx
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.where(seen[:, 2] > 1e-6, seen[:, 2], np.nan)
    ideal = seen[:, :2] / depth[:, None]
    distorted, lens = camera.distort(ideal)
    focal = np.array([camera.fx_px, camera.fy_px]) + state.intrinsics_px[:2]
    centre = np.array([camera.cx_px, camera.cy_px]) + state.intrinsics_px[2:]
    flat = np.zeros((len(points), 2, 3))
    flat[:, 0, 0] = flat[:, 1, 1] = 1.0 / depth
    flat[:, :, 2] = -ideal / depth[:, None]
    by_seen = focal[:, None] * (lens @ flat)
    by_arm = by_seen @ rx.T  # with respect to the point in link axes
    by_base = by_arm @ turned[index].transpose(0, 2, 1)
    k = len(state.offset_rad)
    jacobian = np.zeros((len(points), 2, 16 + k))
    jacobian[:, :, :3] = by_arm @ cross_matrices(arm)
    jacobian[:, :, 3:6] = -by_arm
    jacobian[:, :, 6:9] = -by_base @ cross_matrices(spoke)
    jacobian[:, :, 9:12] = by_base
    left = np.array([_left_jacobian(v) for v in turn_by])
    motion = np.concatenate([left @ views.joints[:, :3], views.joints[:, 3:]], axis=1)[index]
    jacobian[:, :, 12 : 12 + k] = by_base @ cross_matrices(lever) @ motion[:, :3] - by_base @ motion[:, 3:]
    jacobian[:, 0, 12 + k], jacobian[:, 1, 13 + k] = distorted[:, 0], distorted[:, 1]
    jacobian[:, 0, 14 + k] = jacobian[:, 1, 15 + k] = 1.0
    return distorted * focal + centre - pixels, jacobian, index


def cross_matrices(vectors: Array) -> Array:
    """Return (n, 3, 3) matrices M with ``M w == cross(vectors, w)``."""
    x, y, z = vectors.T
    zero = np.zeros_like(x)
    rows = [np.stack([zero, -z, y], 1), np.stack([z, zero, -x], 1), np.stack([-y, x, zero], 1)]
    return np.asarray(np.stack(rows, 1), dtype=np.float64)


def _left_jacobian(vector_rad: Array) -> Array:
    """Left Jacobian of the rotation vector: ``exp(v + d) = exp(J d) exp(v)`` to first order.

    Chirikjian, Stochastic Models, Information Theory, and Lie Groups, vol. 2 (2012), section 10.7: the closed form.
    """
    angle = float(np.linalg.norm(vector_rad))
    k = cross_matrices(vector_rad[None])[0]
    if angle < 1e-6:
        return frozen(np.eye(3) + 0.5 * k)
    one, two = (1 - math.cos(angle)) / angle**2, (angle - math.sin(angle)) / angle**3
    return frozen(np.eye(3) + one * k + two * (k @ k))

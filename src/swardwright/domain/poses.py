"""Rigid transforms that know which axes they connect.

``ground_from_camera`` takes coordinates in camera axes to coordinates in ground axes; names cancel:
``ground_from_base @ base_from_camera``. Perturbations ``xi = (rotation vector rad, translation m)`` act on the left, in
target axes: ``R <- exp(w) R``, ``t <- t + v``.
Formulas: Rodrigues' rotation formula; quaternion order ``wxyz``, Hamilton convention.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import AxesError, InputError

Array = NDArray[np.float64]


def frozen(values: Any) -> Array:
    """Return a read-only float64 copy of ``values``."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def skew(v: Array) -> Array:
    """Return the 3 x 3 matrix with ``skew(v) @ u == cross(v, u)``."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def rotation_from_vector(vector_rad: Array) -> Array:
    """Return the rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector_rad))
    k = skew(np.asarray(vector_rad, dtype=float))
    if angle < 1e-8:
        return np.eye(3) + k + 0.5 * k @ k
    return np.eye(3) + math.sin(angle) / angle * k + (1.0 - math.cos(angle)) / angle**2 * (k @ k)


def vector_from_rotation(rotation: Array) -> Array:
    """Return the rotation vector (rad, norm <= pi) of a rotation matrix."""
    w, x, y, z = quaternion_from_rotation(rotation)
    axis = np.array([x, y, z])
    sine = float(np.linalg.norm(axis))
    if sine < 1e-12:
        return 2.0 * axis
    return axis / sine * (2.0 * math.atan2(sine, w))


def rotation_from_quaternion(quaternion_wxyz: Any) -> Array:
    """Return the rotation matrix of a quaternion ``(w, x, y, z)``; it is normalised first.

    Raises
    ------
    InputError
        If the quaternion is not finite or has no length.
    """
    q = np.asarray(quaternion_wxyz, dtype=float)
    norm = float(np.linalg.norm(q))
    if q.shape != (4,) or not math.isfinite(norm) or norm < 1e-6:
        raise InputError("a rotation needs a finite quaternion of length 1", value=q.tolist())
    w, x, y, z = q / norm
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def quaternion_from_rotation(rotation: Array) -> Array:
    """Return the quaternion ``(w, x, y, z)`` with ``w >= 0`` of a rotation matrix (largest-pivot method)."""
    m = np.asarray(rotation, dtype=float)
    squares = np.array(
        [1 + m[0, 0] + m[1, 1] + m[2, 2], 1 + m[0, 0] - m[1, 1] - m[2, 2],
         1 - m[0, 0] + m[1, 1] - m[2, 2], 1 - m[0, 0] - m[1, 1] + m[2, 2]]
    )  # fmt: skip
    pivot = int(np.argmax(squares))
    s = 2.0 * math.sqrt(max(float(squares[pivot]), 1e-300))
    if pivot == 0:
        q = [s / 4, (m[2, 1] - m[1, 2]) / s, (m[0, 2] - m[2, 0]) / s, (m[1, 0] - m[0, 1]) / s]
    elif pivot == 1:
        q = [(m[2, 1] - m[1, 2]) / s, s / 4, (m[0, 1] + m[1, 0]) / s, (m[0, 2] + m[2, 0]) / s]
    elif pivot == 2:
        q = [(m[0, 2] - m[2, 0]) / s, (m[0, 1] + m[1, 0]) / s, s / 4, (m[1, 2] + m[2, 1]) / s]
    else:
        q = [(m[1, 0] - m[0, 1]) / s, (m[0, 2] + m[2, 0]) / s, (m[1, 2] + m[2, 1]) / s, s / 4]
    out = np.array(q)
    return -out if out[0] < 0 else out


def rotation_from_rpy(rpy_rad: Any) -> Array:
    """Return ``Rz(yaw) Ry(pitch) Rx(roll)``: fixed-axis roll, pitch, yaw, as URDF and REP-103 define them."""
    (sr, sp, sy), (cr, cp, cy) = np.sin(np.asarray(rpy_rad, float)), np.cos(np.asarray(rpy_rad, float))
    return np.array(
        [
            [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
            [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
            [-sp, cp * sr, cp * cr],
        ]
    )


def wrap_angle(angle_rad: float) -> float:
    """Return the angle in (-pi, pi]."""
    return math.pi - (math.pi - angle_rad) % (2.0 * math.pi)


@dataclass(frozen=True, eq=False)
class Pose:
    """Rigid transform from ``source`` axes to ``target`` axes.

    Attributes
    ----------
    target, source : str
        Names of axes, such as ``"ground"``, ``"base"``, ``"camera"``, ``"head"``.
    rotation : Array
        Shape (3, 3); columns are the source axes in target coordinates.
    translation_m : Array
        Shape (3,); origin of the source axes in target coordinates, metres.
    """

    target: str
    source: str
    rotation: Array
    translation_m: Array

    def __post_init__(self) -> None:
        rotation, translation = frozen(self.rotation), frozen(self.translation_m)
        if rotation.shape != (3, 3) or translation.shape != (3,):
            raise InputError("a pose needs a 3 x 3 rotation and a 3-vector", value=rotation.shape)
        if not (np.isfinite(rotation).all() and np.isfinite(translation).all()):
            raise InputError("a pose must be finite", where=f"{self.target}_from_{self.source}")
        if np.abs(rotation @ rotation.T - np.eye(3)).max() > 1e-6 or np.linalg.det(rotation) < 0:
            raise InputError("a rotation must be orthonormal and right-handed", where=str(self))
        object.__setattr__(self, "rotation", rotation)
        object.__setattr__(self, "translation_m", translation)

    def __str__(self) -> str:
        return f"{self.target}_from_{self.source}"

    @classmethod
    def identity(cls, target: str, source: str) -> Pose:
        """Return the pose whose axes coincide."""
        return cls(target, source, np.eye(3), np.zeros(3))

    @classmethod
    def from_quaternion(cls, target: str, source: str, translation_m: Any, quaternion_wxyz: Any) -> Pose:
        """Return the pose of a translation (m) and a quaternion ``wxyz``."""
        return cls(target, source, rotation_from_quaternion(quaternion_wxyz), frozen(translation_m))

    @classmethod
    def from_rpy(cls, target: str, source: str, translation_m: Any, rpy_rad: Any) -> Pose:
        """Return the pose of a translation (m) and fixed-axis roll, pitch, yaw (rad)."""
        return cls(target, source, rotation_from_rpy(rpy_rad), frozen(translation_m))

    def __matmul__(self, other: Pose) -> Pose:
        if self.source != other.target:
            raise AxesError(f"{self} @ {other} does not cancel: {self.source} is not {other.target}")
        return Pose(
            self.target,
            other.source,
            self.rotation @ other.rotation,
            self.rotation @ other.translation_m + self.translation_m,
        )

    @property
    def inverse(self) -> Pose:
        """The transform the other way round."""
        back = self.rotation.T
        return Pose(self.source, self.target, back, -back @ self.translation_m)

    def apply(self, points_m: Array) -> Array:
        """Return points (..., 3) of source axes in target axes, metres."""
        return np.asarray(points_m) @ self.rotation.T + self.translation_m

    def perturbed(self, xi: Any) -> Pose:
        """Return the pose disturbed by ``xi = (rotation vector rad, translation m)`` in target axes.

        ``R <- exp(w) R``, ``t <- t + v``: the source's origin is moved by ``v`` alone.
        """
        xi = np.asarray(xi, dtype=float)
        return Pose(self.target, self.source, rotation_from_vector(xi[:3]) @ self.rotation, self.translation_m + xi[3:])

    @property
    def matrix(self) -> Array:
        """Homogeneous 4 x 4 matrix."""
        out = np.eye(4)
        out[:3, :3], out[:3, 3] = self.rotation, self.translation_m
        return out


@dataclass(frozen=True)
class BasePose:
    """Planar pose of the base on the ground: metres and radians, ground axes (x east, y north, yaw from east)."""

    x_m: float
    y_m: float
    yaw_rad: float

    def __post_init__(self) -> None:
        if not all(math.isfinite(v) for v in (self.x_m, self.y_m, self.yaw_rad)):
            raise InputError("a base pose must be finite", value=(self.x_m, self.y_m, self.yaw_rad))

    @property
    def ground_from_base(self) -> Pose:
        """The base standing upright on the plane z = 0."""
        return Pose.from_rpy("ground", "base", (self.x_m, self.y_m, 0.0), (0.0, 0.0, self.yaw_rad))

    def as_array(self) -> Array:
        """Return ``(x_m, y_m, yaw_rad)``."""
        return np.array([self.x_m, self.y_m, self.yaw_rad])

    def compose(self, step: BasePose) -> BasePose:
        """Return the pose reached by ``step`` expressed in this pose's base axes."""
        c, s = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        return BasePose(
            self.x_m + c * step.x_m - s * step.y_m,
            self.y_m + s * step.x_m + c * step.y_m,
            wrap_angle(self.yaw_rad + step.yaw_rad),
        )

    def relative_to(self, origin: BasePose) -> BasePose:
        """Return this pose in the base axes of ``origin``, so that ``origin.compose(result) == self``."""
        c, s = math.cos(origin.yaw_rad), math.sin(origin.yaw_rad)
        dx, dy = self.x_m - origin.x_m, self.y_m - origin.y_m
        return BasePose(c * dx + s * dy, -s * dx + c * dy, wrap_angle(self.yaw_rad - origin.yaw_rad))

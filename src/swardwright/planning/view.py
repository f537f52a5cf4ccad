"""What ground a picture shows, and how well a fresh look at a stop is going to place a plant."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig

#: share of the picture on each side that is not counted on
MARGIN = 0.05
#: fields of ``ErrorSources`` that a look at a stop has in it
LOOK_ERRORS = ("pixel_px", "crown_m", "mount_rad", "mount_m", "joint_rad", "tilt_rad", "ground_m")


def ground_view_m(rig: Rig, joints_rad: tuple[float, ...], margin: float = MARGIN) -> Array:
    """Return the outline on the ground of what the camera sees from a posture.

    Returns
    -------
    Array
        Shape (4, 2): corners in base axes, m, anticlockwise.

    Raises
    ------
    SiteError
        If a corner of the picture shows no ground (the camera looks at the horizon or up).
    """
    camera = rig.camera
    u = np.array([margin, 1.0 - margin]) * camera.width_px - 0.5
    v = np.array([margin, 1.0 - margin]) * camera.height_px - 0.5
    corners = np.array([[u[0], v[0]], [u[1], v[0]], [u[1], v[1]], [u[0], v[1]]])
    ideal, _, _ = camera.unproject(corners)
    base_from_camera = rig.arm.forward(np.array(joints_rad), rig.camera_link)
    rays = np.concatenate([ideal, np.ones((4, 1))], axis=1) @ base_from_camera[:3, :3].T
    if base_from_camera[2, 3] <= 0.0 or (rays[:, 2] > -0.05 * np.linalg.norm(rays, axis=1)).any():
        raise SiteError(
            "the camera does not look at the ground in this posture", where="site.toml", field="postures",
            value=[round(float(q), 3) for q in joints_rad],
            remedy="choose postures in which the whole picture is ground",
        )  # fmt: skip
    corners_m: Array = base_from_camera[:2, 3] - rays[:, :2] * (base_from_camera[2, 3] / rays[:, 2:])
    x, y = corners_m.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return corners_m if area > 0 else corners_m[::-1]


def seen_at_stop(rig: Rig, aims_m: Array) -> NDArray[np.bool_]:
    """Return whether each aim (..., 2), base axes, lies in a picture of a look posture; all do if there is none."""
    if not rig.look_joints_rad:
        return np.ones(aims_m.shape[:-1], dtype=bool)
    seen = np.zeros(aims_m.shape[:-1], dtype=bool)
    for posture in rig.look_joints_rad:
        seen |= seen_from(rig, posture, aims_m)
    return seen


def seen_from(rig: Rig, posture: tuple[float, ...], aims_m: Array) -> NDArray[np.bool_]:
    """Return whether each aim (..., 2), base axes, lies in the picture taken from a posture, its edges left out."""
    return within(ground_view_m(rig, posture), aims_m)


def within(corners_m: Array, aims_m: Array) -> NDArray[np.bool_]:
    """Return whether each aim (..., 2) lies within a convex outline (n, 2), anticlockwise."""
    inside = np.ones(aims_m.shape[:-1], dtype=bool)
    for a, b in zip(corners_m, np.roll(corners_m, -1, axis=0), strict=True):
        edge = b - a
        inside &= edge[0] * (aims_m[..., 1] - a[1]) - edge[1] * (aims_m[..., 0] - a[0]) >= 0.0
    return inside


def fresh_look_covariance_m2(rig: Rig) -> Array:
    """Return the covariance (2, 2) of a crown relative to the base after one look from straight above, m2.

    Every error source of the site file carried to the ground at the height of the first look posture: pixel and joints
    and tilt grow with the height, crown and mount do not shrink. First order; one picture; no help from the register.
    """
    return sum(_look_variances_m2(rig)) * np.eye(2)


def after_look_covariance_m2(rig: Rig, covariance_m2: Array) -> Array:
    """Return the covariance (2, 2) of a crown, known so well relative to the base, after one more look at the stop, m2.

    Mount, tilt of the standing base, height of the ground there and the plant's own crown err alike in all looks of a
    stop: only pixel and joints are drawn anew. What is known already is taken to err with the new look as far as it
    can, so that the gain is never promised too large: along each principal axis ``s + (v - s) i / (v - s + i)`` with
    the present variance v, the shared one s and the new look's own one i (best linear estimate); no gain where v <= s.
    """
    shared, own = _look_variances_m2(rig)
    variance, axes = np.linalg.eigh(np.asarray(covariance_m2, dtype=float))
    beyond = np.maximum(variance - shared, 0.0)
    gain = np.square(beyond) / np.maximum(beyond + own, 1e-300)
    after: Array = (axes * (variance - gain)) @ axes.T
    return 0.5 * (after + after.T)


def _look_variances_m2(rig: Rig) -> tuple[float, float]:
    """Return the variances per axis that all looks at a stop share, and that one look has to itself, m2."""
    errors = rig.errors
    posture = rig.look_joints_rad[0] if rig.look_joints_rad else rig.survey_joints_rad
    height = float(rig.arm.forward(np.array(posture), rig.camera_link)[2, 3])
    focal = math.sqrt(rig.camera.fx_px * rig.camera.fy_px)
    slant = 0.5 * math.hypot(rig.camera.width_px, rig.camera.height_px) / focal / 2.0
    shared = (
        errors.crown_m**2
        + errors.mount_m**2
        + height**2 * (errors.mount_rad**2 + errors.tilt_rad**2)
        + (slant * errors.ground_m) ** 2
    )
    own = (errors.pixel_px * height / focal) ** 2 + height**2 * len(rig.arm.moving) * errors.joint_rad**2
    return shared, own

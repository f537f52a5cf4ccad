"""Outline of the ground that a picture shows, and what lies in an outline."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, Pose


def footprint(
    camera: Camera, ground_from_camera: Pose, *, farthest_m: float = 20.0, edge_points: int = 1
) -> Array | None:
    """Return the outline on the plane z = 0 of what the picture shows, anticlockwise seen from above.

    Parameters
    ----------
    farthest_m : float
        A picture whose outline goes beyond this distance from the camera (or meets the horizon) has no outline.
    edge_points : int
        Points per picture edge (1: the corners only).

    Returns
    -------
    Array | None
        Shape (4 * edge_points, 2), ground axes, metres.
    """
    w, h = camera.width_px - 0.5, camera.height_px - 0.5
    corners = np.array([[-0.5, -0.5], [w, -0.5], [w, h], [-0.5, h]])
    share = np.arange(edge_points) / edge_points
    pixels = np.concatenate(
        [a + share[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    )
    ideal, _, _ = camera.unproject(pixels)
    rays = np.column_stack([ideal, np.ones(len(ideal))]) @ ground_from_camera.rotation.T
    height = float(ground_from_camera.translation_m[2])
    if height <= 0 or (rays[:, 2] >= -1e-9).any():
        return None
    points = ground_from_camera.translation_m[:2] + rays[:, :2] * (height / -rays[:, 2])[:, None]
    if np.linalg.norm(points - ground_from_camera.translation_m[:2], axis=1).max() > farthest_m:
        return None
    x, y = points.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return np.asarray(points if area > 0 else points[::-1])


def inside(points_m: Array, outline_m: Array) -> NDArray[np.bool_]:
    """Return which points (n, 2) lie in a polygon (k, 2): even-odd rule."""
    low, high = outline_m.min(axis=0), outline_m.max(axis=0)
    out = np.zeros(len(points_m), dtype=bool)
    box = np.flatnonzero(((points_m >= low) & (points_m <= high)).all(axis=1))
    if not len(box):
        return out
    x, y = points_m[box, 0][:, None], points_m[box, 1][:, None]
    ax, ay = outline_m.T
    bx, by = np.roll(ax, -1), np.roll(ay, -1)
    straddles = (ay > y) != (by > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = ax + (y - ay) * (bx - ax) / (by - ay)
    out[box] = (straddles & (x < crossing)).sum(axis=1) % 2 == 1
    return out

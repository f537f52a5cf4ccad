"""The ground that a picture shows: its outline, what is new in it, and the picture laid onto the ground."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.footprint import footprint
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array, Pose
from swardwright.domain.site import Rig

Image = NDArray[np.uint8]
MAX_VIEW_PIXELS = 100_000_000


def camera_pose(frame: Frame, rig: Rig | None) -> Pose | None:
    """Return ``ground_from_camera`` of a frame (base standing on z = 0), or None if its pose is not known."""
    if frame.ground_from_camera is not None:
        return frame.ground_from_camera
    if rig is None or frame.base is None or frame.joints_rad is None:
        return None
    return frame.base.ground_from_base @ rig.arm.pose(np.array(frame.joints_rad), rig.camera_link, "camera")


def shared_ground(a: Array, b: Array) -> float:
    """Return the area common to two convex outlines (k, 2), as a share of the smaller, 0 to 1."""
    import cv2

    centre = a.mean(axis=0)  # single precision: keep the numbers small
    left, right = (a - centre).astype(np.float32), (b - centre).astype(np.float32)
    smaller = min(float(cv2.contourArea(left)), float(cv2.contourArea(right)))
    if smaller <= 0.0:
        return 0.0
    common, _ = cv2.intersectConvexConvex(left, right)
    return float(common) / smaller


def new_ground(pairs: Sequence[tuple[Frame, Pose]], camera: Camera, overlap: float) -> list[Frame]:
    """Return the frames to keep so that successive ones share at least ``overlap`` of their ground where they can.

    A picture that shows the horizon has no outline and is kept.
    """
    if not 0.0 <= overlap < 1.0:
        raise InputError("the overlap must be a share", field="overlap", value=overlap, limit="0 to less than 1")
    outlines = [footprint(camera, pose) for _, pose in pairs]
    kept: list[int] = []
    for i, outline in enumerate(outlines):
        last = outlines[kept[-1]] if kept else None
        if last is None or outline is None:
            kept.append(i)
            continue
        following = outlines[i + 1] if i + 1 < len(outlines) else None
        if i + 1 < len(outlines) and following is not None and shared_ground(last, following) >= overlap:
            continue  # the next one still joins on: this one is not needed
        if i + 1 == len(outlines) and shared_ground(last, outline) > 0.999:
            continue  # standing still at the end
        kept.append(i)
    return [pairs[i][0] for i in kept]


def sampling_distance_m(sensor_width_m: float, height_m: float, focal_length_m: float, width_px: int) -> float:
    """Return the ground covered by one pixel of a camera that looks straight down, m.

    Parameters
    ----------
    sensor_width_m, width_px : float, int
        Of the same side of sensor and picture.
    height_m : float
        Of the camera above the ground.

    Notes
    -----
    Ground sampling distance = sensor width x height / (focal length x picture width), as photogrammetry handbooks have
    it: similar triangles before and behind the lens.

    Raises
    ------
    InputError
        If a value is not positive and finite.
    """
    for name, value in (("sensor width", sensor_width_m), ("height", height_m), ("focal length", focal_length_m),
                        ("picture width", float(width_px))):  # fmt: skip
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"the {name} must be more than 0", field=name, value=value, remedy="measure it again")
    return sensor_width_m * height_m / (focal_length_m * width_px)


def undistorted(image: Image, camera: Camera) -> Image:
    """Return the picture as a camera with the same K and no lens distortion would have taken it."""
    import cv2

    return np.asarray(cv2.undistort(image, camera.matrix, camera.distortion), dtype=np.uint8)


def ground_view(
    image: Image, camera: Camera, ground_from_camera: Pose, low_m: tuple[float, float], high_m: tuple[float, float],
    pixel_m: float,
) -> Image:  # fmt: skip
    """Return the picture laid onto the plane z = 0, north up.

    Parameters
    ----------
    low_m, high_m : tuple[float, float]
        South-west and north-east corner of the view, ground axes.
    pixel_m : float
        Size of a pixel of the view.

    Returns
    -------
    Image
        Shape (rows, columns, 3); black where the picture does not reach.

    Raises
    ------
    InputError
        If the view is empty or beyond ``MAX_VIEW_PIXELS``.
    """
    import cv2

    columns, rows = (round((b - a) / pixel_m) for a, b in zip(low_m, high_m, strict=True))
    if columns < 1 or rows < 1 or columns * rows > MAX_VIEW_PIXELS:
        raise InputError("the ground view has no usable size", value=f"{columns} x {rows}", limit=MAX_VIEW_PIXELS)
    x = low_m[0] + (np.arange(columns) + 0.5) * pixel_m
    y = high_m[1] - (np.arange(rows) + 0.5) * pixel_m
    grid = np.stack([*np.meshgrid(x, y), np.zeros((rows, columns))], axis=-1).reshape(-1, 3)
    with np.errstate(invalid="ignore"):
        pixels = camera.project(ground_from_camera.inverse.apply(grid))
    pixels = np.nan_to_num(pixels, nan=-1e4).reshape(rows, columns, 2).astype(np.float32)
    return np.asarray(cv2.remap(image, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR), dtype=np.uint8)

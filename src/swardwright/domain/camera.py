"""Pinhole camera with the lens model of ROS ``plumb_bob`` / ``rational_polynomial`` (OpenCV's).

Pixel (0, 0) is the centre of the top-left pixel. Camera axes: z forward, x right, y down.
Formulas: Brown-Conrady radial and tangential distortion as in OpenCV's ``calib3d`` documentation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, frozen


@dataclass(frozen=True, eq=False)
class Camera:
    """Intrinsics of one camera.

    Attributes
    ----------
    width_px, height_px : int
        Picture size.
    fx_px, fy_px, cx_px, cy_px : float
        Focal lengths and principal point.
    distortion : Array
        Shape (5,) ``k1 k2 p1 p2 k3`` or (8,) with ``k4 k5 k6`` (rational); unitless.
    covariance : Array
        Shape (4, 4), px2: covariance of the estimate of ``fx fy cx cy``.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: Array
    covariance: Array

    def __post_init__(self) -> None:
        numbers = (self.fx_px, self.fy_px, self.cx_px, self.cy_px)
        if not all(math.isfinite(v) for v in numbers):
            raise InputError("the camera's K must be finite", field="K", value=numbers)
        if self.fx_px <= 0 or self.fy_px <= 0:
            raise InputError(
                "the camera is not calibrated: K[0] must be a focal length in pixels",
                field="K[0]",
                value=self.fx_px,
                limit="more than 0",
                remedy="calibrate the camera and write its K into the camera file",
            )
        if self.width_px <= 0 or self.height_px <= 0:
            raise InputError("a picture needs a size", field="width, height", value=(self.width_px, self.height_px))
        distortion = np.zeros(5) if np.size(self.distortion) == 0 else np.asarray(self.distortion, dtype=float)
        if distortion.shape not in ((4,), (5,), (8,)) or not np.isfinite(distortion).all():
            raise InputError("lens distortion needs 0, 4, 5 or 8 finite numbers", field="D", value=distortion.tolist())
        covariance = np.asarray(self.covariance, dtype=float)
        if covariance.shape != (4, 4) or not np.isfinite(covariance).all():
            raise InputError("the covariance of K must be a finite 4 x 4 matrix", field="covariance")
        object.__setattr__(self, "distortion", frozen(np.concatenate([distortion, np.zeros(8 - distortion.size)])))
        object.__setattr__(self, "covariance", frozen(covariance))

    @property
    def matrix(self) -> Array:
        """K, shape (3, 3), pixels."""
        return np.array([[self.fx_px, 0, self.cx_px], [0, self.fy_px, self.cy_px], [0, 0, 1.0]])

    def distort(self, normalised: Array) -> tuple[Array, Array]:
        """Apply the lens to ideal image points.

        Parameters
        ----------
        normalised : Array
            Shape (n, 2): x/z and y/z.

        Returns
        -------
        tuple[Array, Array]
            Distorted points (n, 2) and their Jacobian (n, 2, 2).
        """
        k1, k2, p1, p2, k3, k4, k5, k6 = self.distortion
        x, y = normalised[:, 0], normalised[:, 1]
        r2 = x * x + y * y
        above = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        below = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        radial = above / below
        d_above = k1 + r2 * (2 * k2 + 3 * r2 * k3)
        d_below = k4 + r2 * (2 * k5 + 3 * r2 * k6)
        d_radial = (d_above - radial * d_below) / below  # derivative with respect to r2
        out = np.stack(
            [x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y],
            axis=1,
        )
        jacobian = np.empty((len(x), 2, 2))
        jacobian[:, 0, 0] = radial + 2 * x * x * d_radial + 2 * p1 * y + 6 * p2 * x
        jacobian[:, 0, 1] = 2 * x * y * d_radial + 2 * p1 * x + 2 * p2 * y
        jacobian[:, 1, 0] = jacobian[:, 0, 1]
        jacobian[:, 1, 1] = radial + 2 * y * y * d_radial + 6 * p1 * y + 2 * p2 * x
        return out, jacobian

    def project(self, points_m: Array) -> Array:
        """Return pixels (n, 2) of points (n, 3) in camera axes; points behind the camera give NaN."""
        points = np.asarray(points_m, dtype=float).reshape(-1, 3)
        with np.errstate(divide="ignore", invalid="ignore"):
            normalised = np.where(points[:, 2:] > 0, points[:, :2] / points[:, 2:], np.nan)
        distorted, _ = self.distort(normalised)
        return distorted * [self.fx_px, self.fy_px] + [self.cx_px, self.cy_px]

    def unproject(self, pixels: Array) -> tuple[Array, Array, Array]:
        """Carry pixels to ideal image points by Newton's method.

        Parameters
        ----------
        pixels : Array
            Shape (n, 2).

        Returns
        -------
        tuple[Array, Array, Array]
            Ideal points (n, 2) (x/z, y/z); Jacobian with respect to the pixel (n, 2, 2); Jacobian with respect to
            ``fx fy cx cy`` (n, 2, 4).

        Raises
        ------
        InputError
            If a pixel has no pre-image under the lens model (far outside the picture).
        """
        pixels = np.asarray(pixels, dtype=float).reshape(-1, 2)
        focal = np.array([self.fx_px, self.fy_px])
        target = (pixels - [self.cx_px, self.cy_px]) / focal
        ideal = target.copy()
        for _ in range(20):
            value, jacobian = self.distort(ideal)
            step = np.linalg.solve(jacobian, (target - value)[..., None])[..., 0]
            ideal = ideal + np.clip(step, -0.5, 0.5)
            if step.size == 0 or np.abs(step).max() < 1e-12:
                break
        value, jacobian = self.distort(ideal)
        if pixels.size and not np.abs(target - value).max() < 1e-6:
            raise InputError(
                "a pixel lies where the lens model cannot be inverted",
                field="pixel",
                value=pixels[np.abs(target - value).max(axis=1).argmax()].tolist(),
                remedy="check the lens distortion in the camera file",
            )
        inverse = np.linalg.inv(jacobian)
        by_pixel = inverse / focal
        by_intrinsics = np.empty((len(pixels), 2, 4))
        by_intrinsics[:, :, :2] = -inverse * (target / focal)[:, None, :]
        by_intrinsics[:, :, 2:] = -by_pixel
        return ideal, by_pixel, by_intrinsics

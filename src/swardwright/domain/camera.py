"""Pinhole camera with the lens model of ROS ``plumb_bob`` / ``rational_polynomial`` (OpenCV's).

Pixel (0, 0) is the centre of the top-left pixel. Camera axes: z forward, x right, y down.
Formulas: Brown-Conrady radial and tangential distortion as in OpenCV's ``calib3d`` documentation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

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
        Covariance of the estimate: (4, 4) of ``fx fy cx cy`` (px2), the lens taken as exact; or (9, 9) of
        ``fx fy cx cy k1 k2 p1 p2 k3`` (px, unitless). Every Jacobian by the intrinsics has the same number of columns.
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
        if covariance.shape not in ((4, 4), (9, 9)) or not np.isfinite(covariance).all():
            raise InputError("the covariance of the intrinsics must be a finite 4 x 4 or 9 x 9 matrix",
                             field="covariance", value=covariance.shape)  # fmt: skip
        object.__setattr__(self, "distortion", frozen(np.concatenate([distortion, np.zeros(8 - distortion.size)])))
        object.__setattr__(self, "covariance", frozen(covariance))

    @property
    def matrix(self) -> Array:
        """K, shape (3, 3), pixels."""
        return np.array([[self.fx_px, 0, self.cx_px], [0, self.fy_px, self.cy_px], [0, 0, 1.0]])

    @property
    def covariance_9(self) -> Array:
        """Covariance of ``fx fy cx cy k1 k2 p1 p2 k3``, (9, 9): padded with zeros where the lens is taken as exact."""
        room = 9 - len(self.covariance)
        return frozen(np.pad(self.covariance, ((0, room), (0, room))))

    def perturbed(self, step: Array) -> Camera:
        """Return the camera with ``step``, (4,) or (9,), added to ``fx fy cx cy`` (px) ``k1 k2 p1 p2 k3``."""
        step = np.pad(np.asarray(step, dtype=float), (0, 9 - len(step)))
        fx, fy, cx, cy = np.array([self.fx_px, self.fy_px, self.cx_px, self.cy_px]) + step[:4]
        lens = np.concatenate([self.distortion[:5] + step[4:], self.distortion[5:]])
        return replace(self, fx_px=float(fx), fy_px=float(fy), cx_px=float(cx), cy_px=float(cy), distortion=lens)

    def resized(self, width_px: int, height_px: int) -> Camera:
        """Return the camera of pictures that were resized as a whole.

        A pixel's centre at ``u`` moves to ``(u + 0.5) s - 0.5``, since the picture's edge, at -0.5, stays the edge
        (pixel (0, 0) is the centre of the top-left pixel); so ``f' = s f`` and ``c' = (c + 0.5) s - 0.5``. The
        covariance is carried along: rows and columns of ``fx cx`` and ``fy cy`` are scaled.

        Raises
        ------
        InputError
            If the new size has another aspect ratio (beyond rounding to whole pixels): then something was cropped.
        """
        size = (width_px, height_px)
        if width_px <= 0 or height_px <= 0:
            raise InputError("a picture needs a size", field="width, height", value=size)
        if not self._same_aspect(size):
            raise InputError("resizing keeps the aspect ratio; these pictures were cropped as well",
                             field="width x height", value=f"{width_px}x{height_px}",
                             limit=f"the aspect ratio of {self.width_px}x{self.height_px}",
                             remedy="find out which part was kept and crop first")  # fmt: skip
        across, down = width_px / self.width_px, height_px / self.height_px
        by = np.ones(len(self.covariance))
        by[:4] = across, down, across, down
        return replace(
            self, width_px=width_px, height_px=height_px, fx_px=self.fx_px * across, fy_px=self.fy_px * down,
            cx_px=(self.cx_px + 0.5) * across - 0.5, cy_px=(self.cy_px + 0.5) * down - 0.5,
            covariance=self.covariance * np.outer(by, by),
        )  # fmt: skip

    def cropped(self, left_px: int, top_px: int, width_px: int, height_px: int) -> Camera:
        """Return the camera of pictures cut to ``width_px x height_px`` from column ``left_px`` and row ``top_px``.

        Raises
        ------
        InputError
            If the part does not lie inside the picture.
        """
        inside = left_px >= 0 and top_px >= 0 and width_px > 0 and height_px > 0
        if not (inside and left_px + width_px <= self.width_px and top_px + height_px <= self.height_px):
            raise InputError("the part to keep must lie inside the picture", field="left, top, width x height",
                             value=f"{left_px}, {top_px}, {width_px}x{height_px}",
                             limit=f"inside {self.width_px}x{self.height_px}",
                             remedy="count columns and rows from 0 at the picture's top left corner")  # fmt: skip
        return replace(self, width_px=width_px, height_px=height_px, cx_px=self.cx_px - left_px,
                       cy_px=self.cy_px - top_px)  # fmt: skip

    def _same_aspect(self, size_px: tuple[int, int]) -> bool:
        """Say whether a size is this one's, resized as a whole and rounded to whole pixels."""
        width, height = size_px
        exact = width * self.height_px / self.width_px, height * self.width_px / self.height_px
        return abs(exact[0] - height) <= 1.0 or abs(exact[1] - width) <= 1.0

    def size_remedy(self, size_px: tuple[int, int]) -> str:
        """Return what to do about pictures of another size: never rescale without being told to."""
        size = f"{size_px[0]}x{size_px[1]}"
        if self._same_aspect(size_px):
            return (f"if the pictures were resized as a whole: swardwright calibrate camera camera.yaml "
                    f"--rescale {size} (writes a new file); otherwise calibrate at their size")  # fmt: skip
        return (f"the aspect ratio differs, so the pictures were cropped: swardwright calibrate camera camera.yaml "
                f"--crop LEFT,TOP,WIDTHxHEIGHT of the part that was kept, and --rescale {size} where it was resized "
                f"after that; or calibrate at their size")  # fmt: skip

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
            the intrinsics, ``fx fy cx cy`` (n, 2, 4) or with ``k1 k2 p1 p2 k3`` (n, 2, 9), as the covariance has them.

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
        by_intrinsics = np.empty((len(pixels), 2, len(self.covariance)))
        by_intrinsics[:, :, :2] = -inverse * (target / focal)[:, None, :]
        by_intrinsics[:, :, 2:4] = -by_pixel
        if len(self.covariance) == 9:
            by_intrinsics[:, :, 4:] = -inverse @ self.distort_by_lens(ideal)[:, :, :5]
        return ideal, by_pixel, by_intrinsics

    def distort_by_lens(self, normalised: Array) -> Array:
        """Return the Jacobian of ``distort`` by ``k1 k2 p1 p2 k3 k4 k5 k6``, (n, 2, 8)."""
        k1, k2, _, _, k3, k4, k5, k6 = self.distortion
        x, y = normalised[:, 0], normalised[:, 1]
        r2 = x * x + y * y
        below = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / below
        out = np.empty((len(x), 2, 8))
        for axis, v in enumerate((x, y)):
            for column, power in ((0, r2), (1, r2**2), (4, r2**3)):
                out[:, axis, column] = v * power / below
            for column, power in ((5, r2), (6, r2**2), (7, r2**3)):
                out[:, axis, column] = -v * radial * power / below
        out[:, 0, 2] = out[:, 1, 3] = 2 * x * y
        out[:, 0, 3], out[:, 1, 2] = r2 + 2 * x * x, r2 + 2 * y * y
        return out

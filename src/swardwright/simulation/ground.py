"""Ground pictures with plants on them, pictures of them through a camera, and the truth about what is in view."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.heat import footprint_density_m2
from swardwright.domain.poses import Array, Pose
from swardwright.domain.site import Polygon
from swardwright.simulation.decoys import blend
from swardwright.simulation.plants import Plant, draw_plant
from swardwright.simulation.turf import Ground, Image, TurfLook, render_turf, smooth_noise

__all__ = ["Ground", "Light", "Scorch", "ViewLabel", "labels_in_view", "paint_plants", "paint_scorch", "render_ground",
           "render_view"]  # fmt: skip


@dataclass(frozen=True)
class Scorch:
    """Heat that landed: centre (m), peak dose (kg/m2), footprint sigma (m) and age (days)."""

    x_m: float
    y_m: float
    peak_kg_m2: float
    sigma_m: float
    age_days: float


@dataclass(frozen=True)
class Light:
    """Light and camera state of one picture.

    Attributes
    ----------
    exposure : float
        Factor on brightness.
    white_balance : tuple[float, float, float]
        Factors on red, green, blue.
    gamma_contrast : float
        Contrast about mid grey.
    noise : float
        Standard deviation of pixel noise, 0..255.
    blur_px : float
        Standard deviation of defocus.
    motion_px : tuple[float, float]
        Motion during exposure, pixels along the picture's x and y.
    """

    exposure: float = 1.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gamma_contrast: float = 1.0
    noise: float = 4.0
    blur_px: float = 0.5
    motion_px: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def draw(cls, rng: np.random.Generator, *, spread: float = 1.0) -> Light:
        """Return a random light; ``spread`` widens or narrows it (teach with more than 1)."""
        return cls(
            exposure=float(np.exp(rng.normal(0.0, 0.10 * spread))),
            white_balance=tuple(float(v) for v in np.exp(rng.normal(0, 0.025 * spread, 3))),  # type: ignore[arg-type]
            gamma_contrast=float(np.exp(rng.normal(0, 0.06 * spread))),
            noise=float(rng.uniform(2.0, 4.0 + 2.5 * spread)),
            blur_px=float(rng.uniform(0.3, 0.5 + 0.35 * spread)),
            motion_px=(float(rng.normal(0, 0.4 * spread)), float(rng.normal(0, 0.9 * spread))),
        )


@dataclass(frozen=True)
class ViewLabel:
    """Truth about one plant in a picture: crown and radius in pixels."""

    plant_id: str
    u_px: float
    v_px: float
    radius_px: float
    kind: str
    alive: bool


def render_ground(
    rng: np.random.Generator,
    size_m: tuple[float, float],
    margin_m: float | tuple[float, float] = 0.5,
    plants: Iterable[Plant] = (),
    resolution_m: float = 0.0015,
    *,
    look: TurfLook | None = None,
    features: Sequence[tuple[str, Polygon]] = (),
    scorches: Iterable[Scorch] = (),
) -> Ground:
    """Return turf with plants on it; see ``render_turf``, ``paint_scorch`` and ``paint_plants``."""
    look = look or TurfLook()
    ground = render_turf(rng, size_m, margin_m, look, features, resolution_m)
    paint_scorch(ground, scorches)
    paint_plants(ground, plants, look.brightness)
    return ground


def paint_plants(ground: Ground, plants: Iterable[Plant], light: float = 1.0) -> None:
    """Draw plants on the ground picture, in place; a plant with no cover left is not drawn."""
    for plant in plants:
        if plant.cover <= 0:
            continue
        colours, cover, shadow = draw_plant(plant, ground.resolution_m, light)
        blend(ground, plant.x_m, plant.y_m, np.full_like(colours, 14.0), 0.5 * shadow)
        blend(ground, plant.x_m, plant.y_m, colours, cover)


def paint_scorch(ground: Ground, scorches: Iterable[Scorch], limit_kg_m2: float = 0.003) -> None:
    """Brown the turf where the dose was above its limit, in place; it greens again in about three weeks."""
    for number, scorch in enumerate(scorches):
        fresh = math.exp(-((scorch.age_days / 18.0) ** 2))
        if scorch.peak_kg_m2 <= 0.5 * limit_kg_m2 or fresh < 0.03:
            continue
        rng = np.random.default_rng([number, 23])
        half = int(2.6 * scorch.sigma_m / ground.resolution_m)
        axis = np.arange(-half, half + 1) * ground.resolution_m
        offset2 = axis[:, None] ** 2 + axis[None, :] ** 2
        density = footprint_density_m2(offset2, scorch.sigma_m) / footprint_density_m2(0.0, scorch.sigma_m)
        ragged = 0.25 * smooth_noise(rng, 2 * half + 1, 2 * half + 1, 5.0, 2)
        above = np.log(np.maximum(scorch.peak_kg_m2 * density / limit_kg_m2, 1e-6))
        cover = np.clip(0.5 + 1.2 * above + ragged, 0, 1) * 0.75 * fresh
        column, row = ground.pixel(scorch.x_m, scorch.y_m)
        a, c = round(float(row)) - half, round(float(column)) - half
        below = np.full((2 * half + 1, 2 * half + 1, 3), 90.0, np.float32)
        a0, c0 = max(a, 0), max(c, 0)
        a1, c1 = min(a + 2 * half + 1, ground.image.shape[0]), min(c + 2 * half + 1, ground.image.shape[1])
        if a0 >= a1 or c0 >= c1:
            continue
        below[a0 - a : a1 - a, c0 - c : c1 - c] = ground.image[a0:a1, c0:c1]
        grey = below.mean(axis=2, keepdims=True)
        brown = (grey * 0.95 + 14) * np.array([1.16, 0.98, 0.68], np.float32)
        blend(ground, scorch.x_m, scorch.y_m, brown.astype(np.float32), cover.astype(np.float32))


@functools.lru_cache(maxsize=4)
def _rays(key: tuple[float, ...], distortion: tuple[float, ...]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return ideal image points x/z and y/z of every pixel, shape (height, width) each."""
    from scipy.interpolate import RectBivariateSpline

    width, height = int(key[0]), int(key[1])
    camera = Camera(width, height, key[2], key[3], key[4], key[5], np.array(distortion), np.zeros((4, 4)))
    step = 8
    columns, rows = np.arange(0, width + step, step), np.arange(0, height + step, step)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2).astype(float)
    ideal, _, _ = camera.unproject(grid)
    coarse = ideal.reshape(len(rows), len(columns), 2)
    x, y = (
        RectBivariateSpline(rows, columns, coarse[..., i])(np.arange(height), np.arange(width)).astype(np.float32)
        for i in range(2)
    )
    return x, y


@functools.cache
def _noise_bank(width: int, height: int) -> NDArray[np.int16]:
    """Return pixel noise, 1/16 grey level units at deviation 1, a little larger than a picture."""
    rng = np.random.default_rng(20260512)
    return (16.0 * rng.standard_normal((height + 96, width + 96, 3), dtype=np.float32)).astype(np.int16)


@functools.cache
def _vignette(width: int, height: int) -> NDArray[np.float32]:
    x = (np.arange(width, dtype=np.float32) - width / 2) / width
    y = (np.arange(height, dtype=np.float32) - height / 2) / width
    return np.asarray(1.0 - 0.45 * (x[None, :] ** 2 + y[:, None] ** 2), dtype=np.float32)


def render_view(
    ground: Ground, camera: Camera, ground_from_camera: Pose, rng: np.random.Generator, light: Light | None = None
) -> Image:
    """Return the camera's picture of the ground plane z = 0, shape (height, width, 3), red-green-blue.

    Parameters
    ----------
    ground_from_camera : Pose
        True camera pose; it must look down at the ground. A ground higher than z = 0 is a camera lower by as much.
    rng : numpy.random.Generator
        Draws the pixel noise (and the light, where none is given).
    """
    light = light or Light.draw(rng)
    width, height = camera.width_px, camera.height_px
    x, y = _rays(
        (width, height, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px), tuple(camera.distortion.tolist())
    )
    # homography: ground pixel (column, row, 1) ~ H (x, y, 1), from the ray R (x, y, 1) meeting z = 0
    rotation, origin = ground_from_camera.rotation, ground_from_camera.translation_m
    meet = np.stack([
        -origin[2] * rotation[0] + origin[0] * rotation[2],
        -origin[2] * rotation[1] + origin[1] * rotation[2],
        rotation[2],
    ])  # fmt: skip
    res = ground.resolution_m
    to_pixel = np.array(
        [[1 / res, 0, -ground.west_m / res - 0.5], [0, -1 / res, ground.north_m / res - 0.5], [0, 0, 1]]
    )
    h = (to_pixel @ meet / rotation[2, 2]).astype(np.float64)
    corners = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1], [width // 2, height // 2]])
    image_points = np.stack([x[corners[:, 1], corners[:, 0]], y[corners[:, 1], corners[:, 0]], np.ones(5)])
    hit = h @ image_points
    hit = hit[:2] / hit[2]
    left, top = np.floor(hit.min(axis=1)).astype(int) - 40
    right, bottom = np.ceil(hit.max(axis=1)).astype(int) + 41
    part, left, top = _cut(ground.image, int(left), int(top), int(right), int(bottom))
    shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]]) @ h
    f = shift.astype(np.float32)
    below = f[2, 0] * x + f[2, 1] * y + f[2, 2]
    u = (f[0, 0] * x + f[0, 1] * y + f[0, 2]) / below
    v = (f[1, 0] * x + f[1, 1] * y + f[1, 2]) / below
    picture = cv2.remap(part, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return _expose(picture, light, rng)


def _cut(image: Image, left: int, top: int, right: int, bottom: int) -> tuple[Image, int, int]:
    """Return the part of the ground picture in view; beyond its edge all is plain green."""
    rows, columns = image.shape[:2]
    a, b, c, d = max(top, 0), min(bottom, rows), max(left, 0), min(right, columns)
    if (a, b, c, d) == (top, bottom, left, right):
        return image[a:b, c:d], left, top
    part: Image = np.empty((min(bottom - top, 30000), min(right - left, 30000), 3), np.uint8)
    part[:] = (84, 112, 52)
    if a < b and c < d:
        part[a - top : b - top, c - left : d - left] = image[a:b, c:d]
    return part, left, top


def _expose(picture: Image, light: Light, rng: np.random.Generator) -> Image:
    height, width = picture.shape[:2]
    mx, my = light.motion_px
    if math.hypot(mx, my) > 0.6:
        picture = cv2.filter2D(picture, -1, _motion_kernel(mx, my))
    if light.blur_px > 0.2:
        picture = cv2.GaussianBlur(picture, (5, 5), light.blur_px)
    gains = light.exposure * light.gamma_contrast * np.array(light.white_balance)
    offset = 110.0 * (1.0 - light.gamma_contrast)
    a, b = (int(i) for i in rng.integers(0, 96, 2))
    noise = _noise_bank(width, height)[a : a + height, b : b + width]
    vignette = _vignette(width, height)
    out: Image = np.empty_like(picture)
    for channel in range(3):
        plane = cv2.multiply(picture[..., channel], vignette, scale=float(gains[channel]), dtype=cv2.CV_32F)
        out[..., channel] = cv2.addWeighted(
            plane, 1.0, noise[..., channel].astype(np.float32), light.noise / 16.0, offset, dtype=cv2.CV_8U
        )
    return out


def _motion_kernel(mx: float, my: float) -> Array:
    length = math.hypot(mx, my)
    half = max(math.ceil(length / 2), 1)
    kernel = np.zeros((2 * half + 1, 2 * half + 1))
    for s in np.linspace(-0.5, 0.5, 21):
        cx, cy = half + s * mx, half + s * my
        x0, y0 = math.floor(cx), math.floor(cy)
        for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
            weight = (1 - abs(cx - x0 - dx)) * (1 - abs(cy - y0 - dy))
            if 0 <= x0 + dx <= 2 * half and 0 <= y0 + dy <= 2 * half:
                kernel[y0 + dy, x0 + dx] += weight
    return np.asarray(kernel / kernel.sum())


def labels_in_view(
    plants: Iterable[Plant], camera: Camera, ground_from_camera: Pose, *, margin_px: float = 0.0
) -> list[ViewLabel]:
    """Return truth labels of the living plants whose crown is in the picture.

    ``margin_px`` is how far inside the picture's edge the crown must lie (negative: outside is taken too).
    """
    standing: list[Any] = [p for p in plants if p.alive and p.cover > 0]
    if not standing:
        return []
    crowns = np.array([[p.x_m, p.y_m, 0.0] for p in standing])
    camera_from_ground = ground_from_camera.inverse
    in_camera = camera_from_ground.apply(crowns)
    pixels = camera.project(in_camera)
    rim = camera.project(in_camera + np.array([p.radius_m for p in standing])[:, None] * [1.0, 0.0, 0.0])
    out = []
    for plant, (u, v), edge in zip(standing, pixels, rim, strict=True):
        inside = (
            margin_px <= u <= camera.width_px - 1 - margin_px and margin_px <= v <= camera.height_px - 1 - margin_px
        )
        if math.isfinite(u) and inside:
            radius = float(np.hypot(*(edge - (u, v))))
            out.append(ViewLabel(plant.id, float(u), float(v), radius, plant.kind, plant.alive))
    return out

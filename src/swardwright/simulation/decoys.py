"""Things on turf that are not plants but may fool a detector, and the built things around the green."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.domain.site import Polygon

if TYPE_CHECKING:
    from swardwright.simulation.turf import Ground, TurfLook

_SUPER = 4


def scatter_decoys(
    rng: np.random.Generator,
    ground: Ground,
    look: TurfLook,
    size_m: tuple[float, float],
    features: Sequence[tuple[str, Polygon]],
) -> None:
    """Draw bare spots, straws, fallen leaves and built things into the ground picture, in place."""
    rows, columns = ground.image.shape[:2]
    area = rows * columns * ground.resolution_m**2
    west, north, res = ground.west_m, ground.north_m, ground.resolution_m

    def place() -> tuple[float, float]:
        return west + rng.uniform(0, columns * res), north - rng.uniform(0, rows * res)

    for _ in range(rng.poisson(look.bare_m2 * area)):
        bare_spot(rng, ground, *place(), float(rng.uniform(0.015, 0.07)))
    for _ in range(rng.poisson(look.straws_m2 * area)):
        _straw(rng, ground, *place(), look.brightness)
    for _ in range(rng.poisson(look.leaves_m2 * area)):
        fallen_leaf(rng, ground, *place(), look.brightness)
    for name, corners in features:
        _feature(rng, ground, name, corners)


def blend(ground: Ground, x_m: float, y_m: float, sprite: NDArray[np.float32], alpha: NDArray[np.float32]) -> None:
    """Lay a sprite (h, w, 3) with cover ``alpha`` (h, w) on the ground, centred at ground (x_m, y_m), in place."""
    column, row = ground.pixel(x_m, y_m)
    height, width = alpha.shape
    left, top = round(float(column) - (width - 1) / 2), round(float(row) - (height - 1) / 2)
    a, b = max(top, 0), min(top + height, ground.image.shape[0])
    c, d = max(left, 0), min(left + width, ground.image.shape[1])
    if a >= b or c >= d:
        return
    cover = alpha[a - top : b - top, c - left : d - left, None]
    below = ground.image[a:b, c:d].astype(np.float32)
    mixed = below * (1 - cover) + sprite[a - top : b - top, c - left : d - left] * cover
    ground.image[a:b, c:d] = np.clip(mixed + 0.5, 0, 255).astype(np.uint8)


def bare_spot(rng: np.random.Generator, ground: Ground, x_m: float, y_m: float, radius_m: float) -> None:
    """Draw a ragged spot of soil with some blades left."""
    from swardwright.simulation.turf import smooth_noise

    half = int(1.6 * radius_m / ground.resolution_m) + 3
    axis = np.arange(-half, half + 1)
    distance = np.hypot(axis[:, None], axis[None, :] * rng.uniform(0.7, 1.4)) * ground.resolution_m / radius_m
    ragged = smooth_noise(rng, 2 * half + 1, 2 * half + 1, 9.0, 3)
    fine = smooth_noise(rng, 2 * half + 1, 2 * half + 1, 2.0, 1)
    alpha = np.clip((1.0 - distance + 0.28 * ragged + 0.12 * fine) * 4, 0, 1) * rng.uniform(0.6, 0.95)
    soil = np.array([108, 92, 62]) * rng.uniform(0.7, 1.2) * (1 + rng.normal(0, 0.02, 3))
    grain = 1 + 0.14 * fine + 0.08 * ragged
    blend(ground, x_m, y_m, (soil * grain[..., None]).astype(np.float32), alpha.astype(np.float32))


def _straw(rng: np.random.Generator, ground: Ground, x_m: float, y_m: float, light: float) -> None:
    column, row = ground.pixel(x_m, y_m)
    turn, length = rng.uniform(0, math.pi), rng.uniform(8, 40)
    colour = np.array([178, 164, 112]) * rng.uniform(0.7, 1.15) * light
    end = (round(float(column) + length * math.cos(turn)), round(float(row) + length * math.sin(turn)))
    cv2.line(ground.image, (round(float(column)), round(float(row))), end, colour.clip(0, 255).tolist(), 1, cv2.LINE_AA)


def fallen_leaf(rng: np.random.Generator, ground: Ground, x_m: float, y_m: float, light: float) -> None:
    """Draw one fallen tree leaf: brown, yellow or still green, with a stalk and a shadow."""
    length = rng.uniform(0.018, 0.06) / ground.resolution_m
    width = length * rng.uniform(0.35, 0.75)
    half = int(length * 0.9) + 6
    size = (2 * half + 1) * _SUPER
    t = np.linspace(0, 1, 24)
    side = np.sin(math.pi * t**0.8) ** 0.9 * (1 + rng.uniform(0, 0.15) * np.sin(t * rng.uniform(20, 60)))
    bend = rng.normal(0, 0.12) * np.sin(math.pi * t)
    x = (t - 0.5) * length
    upper = np.stack([x, width / 2 * side + bend * length], 1)
    lower = np.stack([x, -width / 2 * side * rng.uniform(0.6, 1) + bend * length], 1)
    outline = np.concatenate([upper, lower[::-1]])
    middle = np.stack([np.append(x, x[-1] + 0.25 * length), np.append(bend, bend[-1]) * length], 1)
    turn = rng.uniform(0, 2 * math.pi)
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    palette = [(122, 84, 48), (150, 112, 60), (176, 150, 62), (96, 70, 48), (120, 124, 58), (140, 62, 40)]
    colour = np.array(palette[int(rng.integers(len(palette)))]) * rng.uniform(0.75, 1.2) * light

    def fixed(points: NDArray[Any], shift: float = 0.0) -> NDArray[np.int32]:
        return np.asarray(np.round((points @ spin.T + half + shift) * _SUPER * 8), dtype=np.int32)

    paint = np.zeros((size, size, 3), np.float32) + 12
    cover = np.zeros((size, size), np.float32)
    cv2.fillPoly(cover, [fixed(outline, 1.4)], 0.45, cv2.LINE_8, 3)
    cover = cv2.GaussianBlur(cover, (0, 0), 4)
    cv2.fillPoly(paint, [fixed(outline)], colour.tolist(), cv2.LINE_8, 3)
    cv2.fillPoly(
        paint, [fixed(np.concatenate([outline[:24], middle[:24][::-1]]))], (colour * 0.88).tolist(), cv2.LINE_8, 3
    )
    cv2.fillPoly(cover, [fixed(outline)], 1.0, cv2.LINE_8, 3)
    cv2.polylines(paint, [fixed(middle)], False, (colour * 1.25).tolist(), 3, cv2.LINE_8, 3)
    cv2.polylines(cover, [fixed(middle)], False, 1.0, 3, cv2.LINE_8, 3)
    shape = (2 * half + 1, 2 * half + 1)
    blend(ground, x_m, y_m, cv2.resize(paint, shape, interpolation=cv2.INTER_AREA),
          cv2.resize(cover, shape, interpolation=cv2.INTER_AREA))  # fmt: skip


def _feature(rng: np.random.Generator, ground: Ground, name: str, corners: Polygon) -> None:
    from swardwright.simulation.turf import smooth_noise

    points = np.array([[float(v) for v in ground.pixel(x, y)] for x, y in corners])
    rows, columns = ground.image.shape[:2]
    left, top = np.clip(points.min(0).astype(int), 0, [columns, rows])
    right, bottom = np.clip(points.max(0).astype(int) + 1, 0, [columns, rows])
    if right <= left or bottom <= top:
        return
    mask = np.zeros((bottom - top, right - left), np.uint8)
    cv2.fillPoly(mask, [np.round(points - [left, top]).astype(np.int32)], 255)
    shape = (bottom - top, right - left)
    texture = smooth_noise(rng, *shape, 6.0, 3)
    y = np.arange(shape[0])[:, None] + np.zeros(shape)
    if "pavilion" in name.lower():
        board = (y * ground.resolution_m / 0.12) % 1.0
        shade = np.where(board < 0.05, 0.35, 1.0) * (1 + 0.06 * texture)
        colour = np.array([134, 112, 86])
    elif "hedge" in name.lower():
        shade = np.clip(0.7 + 0.35 * texture + 0.2 * smooth_noise(rng, *shape, 25.0, 2), 0.15, 1.6)
        colour = np.array([44, 66, 34])
    else:
        edge = cv2.distanceTransform(mask, cv2.DIST_L2, 3) * ground.resolution_m
        shade = np.where(edge < 0.012, 0.5, 1.0) * (1 + 0.03 * texture)
        colour = np.array([52, 74, 60])
    paint = np.clip(colour * shade[..., None], 0, 255).astype(np.uint8)
    part = ground.image[top:bottom, left:right]
    part[mask > 0] = paint[mask > 0]

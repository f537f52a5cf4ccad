"""Grounds of teaching scenes other than a kept lawn: soil, gravel, moss, mulch, long grass, litter, frost.

Surfaces are heights drawn from seeds (cells about random points, smooth noise), lit by one sun, so that grains have a
light and a dark side. Looks from memory; no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.simulation.decoys import fallen_leaf
from swardwright.simulation.shapes import Sunlight
from swardwright.simulation.turf import Floats, Ground, Image, TurfLook, render_turf, smooth_noise

#: grounds drawn alike often
GROUNDS = ("turf", "thin", "long", "moss", "soil", "wet", "sand", "gravel", "straw", "mulch", "leaves", "frost")
#: those on which blades of grass stand through a plant's leaves, and how much of it they hide
GRASSY = {"turf": 0.45, "thin": 0.25, "long": 0.6, "moss": 0.2, "leaves": 0.25, "frost": 0.45}
SOILS = ((112, 92, 66), (92, 72, 54), (70, 58, 48), (134, 104, 72), (120, 112, 100), (140, 96, 70), (84, 80, 72))
Rng = np.random.Generator


def cells(rng: Rng, rows: int, columns: int, spacing_px: float) -> tuple[Floats, NDArray[np.int32]]:
    """Return distance (px) to the nearest of jittered points, and that point's number, shape (rows, columns)."""
    spacing_px = max(spacing_px, 2.0)
    y, x = np.mgrid[0:rows:spacing_px, 0:columns:spacing_px]
    y, x = (np.clip(a + rng.uniform(-0.5, 0.5, a.shape) * spacing_px, 0, n - 1) for a, n in ((y, rows), (x, columns)))
    seeds = np.full((rows, columns), 255, np.uint8)
    seeds[y.astype(int), x.astype(int)] = 0
    distance, number = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL)
    return np.asarray(distance, np.float32), np.asarray(number, np.int32)


def lit(height_px: Floats, sun: Sunlight, strength: float = 1.0) -> Floats:
    """Return the brightness (about 1) of a surface of heights under the sun: lit and dark sides, cast shadows."""
    to_shadow = np.array([math.cos(sun.direction_rad), -math.sin(sun.direction_rad)])  # columns, rows
    along = (to_shadow[0] * cv2.Sobel(height_px, cv2.CV_32F, 1, 0, scale=0.125)
             + to_shadow[1] * cv2.Sobel(height_px, cv2.CV_32F, 0, 1, scale=0.125))  # fmt: skip
    out = np.clip(1.0 + 0.55 * strength * along, 0.35, 1.7)
    if sun.depth > 0.15:
        fall = 1.0 / max(sun.reach, 0.2)
        rows, columns = height_px.shape
        for step in (2, 4, 7):
            matrix = np.array([[1.0, 0, -step * to_shadow[0]], [0, 1.0, -step * to_shadow[1]]])
            above = cv2.warpAffine(height_px, matrix, (columns, rows), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
                                   borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
            out *= 1.0 - 0.4 * sun.depth * np.clip(above - height_px - fall * step, 0, 1)
    return np.asarray(out, np.float32)


def _speckle(rng: Rng, rows: int, columns: int) -> Floats:
    """Return pixel noise of deviation 1 (one drawn tile, laid at random offsets)."""
    tile = rng.standard_normal((512, 512), dtype=np.float32)
    out = np.tile(tile, (rows // 512 + 1, columns // 512 + 1))[:rows, :columns]
    return np.asarray(0.8 * out + 0.6 * np.roll(out, (173, 311), (0, 1)), np.float32)


def _painted(colour: NDArray[np.float64] | Floats, shade: Floats) -> Image:
    return np.asarray(np.clip(np.asarray(colour, np.float32) * shade[..., None], 0, 255), np.uint8)


def _tone(rng: Rng, base: tuple[float, ...], spread: float = 0.15) -> NDArray[np.float64]:
    return np.array(base, float) * float(np.exp(rng.normal(0, spread))) * (1 + rng.normal(0, 0.05, 3))


def soil(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight, *, wet: bool = False) -> Image:
    """Return bare soil: clods and crumbs, dry or dark and smooth with wet."""
    mm = 1e-3 / res
    height = np.zeros((rows, columns), np.float32)
    for size_mm in (rng.uniform(14, 40), rng.uniform(3, 9)):
        distance, number = cells(rng, rows, columns, size_mm * mm)
        tall = rng.uniform(0.2, 1.0, int(number.max()) + 1).astype(np.float32)[number]
        dome = np.clip(1 - (distance / (0.62 * size_mm * mm + 1)) ** 2, 0, 1)
        height += np.asarray(0.3 * size_mm * mm * tall * dome, np.float32)
    height += 0.5 * smooth_noise(rng, rows, columns, max(4 * mm, 2.5), 2)
    height *= float(rng.uniform(0.25, 0.6) if wet else rng.uniform(0.5, 1.3))
    height = cv2.GaussianBlur(height, (0, 0), max(0.5 * mm, 0.7))
    drift = 1 + 0.08 * smooth_noise(rng, rows, columns, 250 * mm, 3)
    shade = lit(height, sun) * drift * (1 + 0.06 * _speckle(rng, rows, columns))
    colour = _tone(rng, SOILS[int(rng.integers(len(SOILS)))])
    if wet:
        colour *= 0.55
        damp = np.clip(smooth_noise(rng, rows, columns, 180 * mm, 3), 0, 1)
        shade *= 1.25 - 0.35 * damp
    return _painted(colour, np.asarray(shade, np.float32))


def _sand(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    mm = 1e-3 / res
    height = 2.2 * smooth_noise(rng, rows, columns, 30 * mm, 3) + 0.8 * _speckle(rng, rows, columns)
    shade = lit(cv2.GaussianBlur(height, (0, 0), 0.8), sun) * (1 + 0.05 * _speckle(rng, rows, columns))
    return _painted(_tone(rng, (176, 154, 120)), np.asarray(shade, np.float32))


def _gravel(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    mm, size_mm = 1e-3 / res, float(rng.uniform(4, 22))
    distance, number = cells(rng, rows, columns, size_mm * mm)
    count = int(number.max()) + 1
    palette = np.array(
        [[150, 146, 138], [118, 114, 110], [172, 162, 144], [134, 116, 100], [92, 92, 94], [196, 192, 184]]
    )
    pick = (
        palette[rng.integers(len(palette), size=count)]
        if rng.random() < 0.6
        else palette[[int(rng.integers(6))] * count]
    )
    colours = (pick * rng.uniform(0.75, 1.2, (count, 1))).astype(np.float32)[number]
    dome = np.clip(1 - (distance / (rng.uniform(0.62, 0.8) * size_mm * mm)) ** 2.5, 0, 1)
    dome *= rng.uniform(0.5, 1.0, count).astype(np.float32)[number]
    height = np.asarray(cv2.GaussianBlur(0.3 * size_mm * mm * dome, (0, 0), 0.8), np.float32)
    gap = np.clip(dome * 4.0, 0.25, 1)
    shade = lit(height, sun) * gap * (1 + 0.05 * _speckle(rng, rows, columns))
    return _painted(colours, np.asarray(shade, np.float32))


def _moss(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    mm = 1e-3 / res
    height = 2.0 * mm * smooth_noise(rng, rows, columns, 14 * mm, 3) + 0.7 * _speckle(rng, rows, columns)
    distance, _ = cells(rng, rows, columns, rng.uniform(2.0, 4.0) * mm)
    height += 0.8 * mm * np.clip(1 - distance / (2.0 * mm + 1), 0, 1)
    shade = lit(np.asarray(cv2.GaussianBlur(height, (0, 0), 0.6), np.float32), sun)
    patches = np.clip(0.5 + 0.5 * smooth_noise(rng, rows, columns, 120 * mm, 3), 0, 1)[..., None]
    colour = _tone(rng, (110, 124, 44)) * patches + _tone(rng, (74, 96, 46)) * (1 - patches)
    return _painted(colour, shade)


def strokes(
    rng: Rng, image: Image, count: int, length_px: tuple[float, float], width_px: float, colours: NDArray[np.float64],
    *, curl: float = 0.15, spread: float = 0.2, turn: float | None = None,
) -> None:  # fmt: skip
    """Draw curved strokes (straws, blades, twigs) with their shadows, in place; ``turn``: mostly in that direction."""
    rows, columns = image.shape[:2]
    x, y = rng.uniform(0, columns, count), rng.uniform(0, rows, count)
    angle = rng.uniform(0, 2 * math.pi, count) if turn is None else rng.normal(turn, 0.5, count)
    length = rng.uniform(*length_px, count)
    paint = colours[rng.integers(len(colours), size=count)] * np.exp(rng.normal(0, spread, (count, 1)))
    bends = rng.normal(0, curl, count)
    s = np.linspace(0, 1, 5)
    px = x[:, None] + length[:, None] * (s * np.cos(angle)[:, None] - (bends[:, None] * s**2) * np.sin(angle)[:, None])
    py = y[:, None] + length[:, None] * (s * np.sin(angle)[:, None] + (bends[:, None] * s**2) * np.cos(angle)[:, None])
    points = np.round(np.stack([px, py], -1) * 8).astype(np.int32)
    widths = np.maximum(np.round(width_px * rng.uniform(0.7, 1.3, count)), 1).astype(int)
    tones = np.clip(paint, 0, 255)
    for line, width, tone in zip(points, widths.tolist(), tones.tolist(), strict=True):
        cv2.polylines(image, [line + 8], False, [0.35 * v for v in tone], width, cv2.LINE_8, 3)
        cv2.polylines(image, [line], False, tone, width, cv2.LINE_AA if width < 3 else cv2.LINE_8, 3)


def _cover(rng: Rng, image: Image, res: float, share: float, length_mm: tuple[float, float], width_mm: float,
           colours: NDArray[np.float64], **how: float) -> None:  # fmt: skip
    """Cover about this share (times area; more than 1 overlaps) of the ground with strokes, 14,000 at most."""
    mm = 1e-3 / res
    each = 0.5 * (length_mm[0] + length_mm[1]) * mm * max(width_mm * mm, 1.0)
    count = min(int(share * image.shape[0] * image.shape[1] / each), 14_000)
    strokes(rng, image, count, (length_mm[0] * mm, length_mm[1] * mm), width_mm * mm, colours, **how)


def _straw(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    image = soil(rng, rows, columns, res, sun)
    tones = np.array([[196, 174, 116], [170, 146, 92], [214, 200, 150], [150, 130, 92]], float) * rng.uniform(0.7, 1.1)
    _cover(rng, image, res, float(rng.uniform(0.4, 2.2)), (40, 160), float(rng.uniform(1.8, 4.0)), tones, curl=0.06)
    return image


def _mulch(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    stretch = float(rng.uniform(1.6, 3.2))
    tall = int(rows * stretch / 2)
    mm, size_mm = 1e-3 / res, float(rng.uniform(8, 22))
    distance, number = cells(rng, tall, columns // 2, size_mm * mm)
    distance = cv2.resize(distance, (columns, rows), interpolation=cv2.INTER_LINEAR)
    number = cv2.resize(number.astype(np.float32), (columns, rows), interpolation=cv2.INTER_NEAREST).astype(np.int32)
    count = int(number.max()) + 1
    palette = np.array([[110, 74, 50], [86, 60, 44], [140, 100, 70], [70, 54, 46], [156, 122, 90]])
    pick = palette[rng.integers(len(palette), size=count)] * rng.uniform(0.7, 1.15, (count, 1))
    tilt = rng.normal(0, 0.12, (count, 2)).astype(np.float32)
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    height = 0.35 * size_mm * mm * rng.uniform(0, 1, count).astype(np.float32)[number]
    height += (tilt[number, 0] * x + tilt[number, 1] * y) % (0.2 * size_mm * mm)
    shade = lit(np.asarray(cv2.GaussianBlur(height, (0, 0), 0.8), np.float32), sun, 0.5)
    shade *= np.clip(1.3 - distance / (0.8 * size_mm * mm), 0.35, 1.05) * (1 + 0.07 * _speckle(rng, rows, columns))
    return _painted(pick.astype(np.float32)[number], np.asarray(shade, np.float32))


def _grass_tones(rng: Rng) -> NDArray[np.float64]:
    base = np.array([[92, 126, 52], [70, 104, 44], [118, 146, 72], [150, 150, 92], [54, 82, 36]], float)
    return np.asarray(base * _tone(rng, (1.0, 1.0, 1.0), 0.12))


def _lawn(rng: Rng, rows: int, columns: int, res: float) -> Image:
    """Return turf at this resolution, in a colour of its own, without built things."""
    look = TurfLook.draw(rng, 1.3)
    fineness = float(np.clip(look.fineness * rng.uniform(0.8, 1.5) * 0.0015 / res, 0.28, 2.6))
    tint = np.array(look.tint) * np.exp(rng.normal(0, [0.12, 0.05, 0.1]))
    wide = TurfLook(
        tint=(float(tint[0]), float(tint[1]), float(tint[2])), brightness=float(rng.uniform(0.7, 1.3)),
        contrast=float(rng.uniform(0.6, 1.35)), drought=max(look.drought, 0.0), stripe=max(look.stripe, 0.0),
        stripe_m=max(look.stripe_m, 0.2), stripe_rad=look.stripe_rad, fineness=fineness, leaves_m2=0, bare_m2=0,
        straws_m2=0, shade_m2=0,
    )  # fmt: skip
    return render_turf(rng, (columns * res, rows * res), 0.0, wide, (), res).image[:rows, :columns]


def _thin(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    mm = 1e-3 / res
    below, above = soil(rng, rows, columns, res, sun), _lawn(rng, rows, columns, res)
    patches = smooth_noise(rng, rows, columns, float(rng.uniform(60, 220)) * mm, 3)
    fine = _speckle(rng, rows, columns) + smooth_noise(rng, rows, columns, 3.5, 1)
    mask = np.clip(2.5 * (patches + 0.55 * fine + rng.uniform(-0.6, 0.6)) + 0.5, 0, 1)[..., None].astype(np.float32)
    image = np.asarray(below * (1 - mask) + above * mask, np.uint8)
    _cover(rng, image, res, 0.12, (15, 60), 1.4, _grass_tones(rng))
    return image


def _long(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    image = np.asarray(_lawn(rng, rows, columns, res) * np.float32(0.7), np.uint8)
    lie = float(rng.uniform(0, 2 * math.pi)) if rng.random() < 0.5 else None
    tones = _grass_tones(rng)
    for width in (1.6, 2.6):
        _cover(rng, image, res, 0.5, (40, 150), width, tones, curl=0.25, **({} if lie is None else {"turn": lie}))
    return image


def _leaves(rng: Rng, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    image = _thin(rng, rows, columns, res, sun) if rng.random() < 0.7 else soil(rng, rows, columns, res, sun)
    ground = Ground(image, 0.0, rows * res, res)
    area = rows * columns * res**2
    for _ in range(min(int(rng.uniform(30, 260) * area), 420)):
        fallen_leaf(rng, ground, float(rng.uniform(0, columns * res)), float(rng.uniform(0, rows * res)),
                    float(rng.uniform(0.8, 1.2)))  # fmt: skip
    return ground.image


def frosted(rng: Rng, image: Image, res: float, depth: float) -> Image:
    """Return the ground with rime on what stands up: bright grain, less colour."""
    rows, columns = image.shape[:2]
    patches = 0.7 + 0.3 * smooth_noise(rng, rows, columns, 150e-3 / res, 3)
    grain = np.clip(0.55 + 0.45 * _speckle(rng, rows, columns), 0, 1)
    rime = np.asarray(
        np.clip(depth * patches * (0.5 + 0.6 * cv2.GaussianBlur(grain, (0, 0), 0.7)), 0, 0.85), np.float32
    )
    light = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32)
    white = np.clip(0.55 * light[..., None] + np.array([104, 112, 118], np.float32), 0, 255)
    return np.asarray(image * (1 - rime[..., None]) + white * rime[..., None], np.uint8)


def base_ground(rng: Rng, name: str, rows: int, columns: int, res: float, sun: Sunlight) -> Image:
    """Return the picture of one of ``GROUNDS`` without plants, shape (rows, columns, 3); ``res`` metres per pixel."""
    made: dict[str, Callable[[], Image]] = {
        "turf": lambda: _lawn(rng, rows, columns, res),
        "thin": lambda: _thin(rng, rows, columns, res, sun),
        "long": lambda: _long(rng, rows, columns, res, sun),
        "moss": lambda: _moss(rng, rows, columns, res, sun),
        "soil": lambda: soil(rng, rows, columns, res, sun),
        "wet": lambda: soil(rng, rows, columns, res, sun, wet=True),
        "sand": lambda: _sand(rng, rows, columns, res, sun),
        "gravel": lambda: _gravel(rng, rows, columns, res, sun),
        "straw": lambda: _straw(rng, rows, columns, res, sun),
        "mulch": lambda: _mulch(rng, rows, columns, res, sun),
        "leaves": lambda: _leaves(rng, rows, columns, res, sun),
        "frost": lambda: _lawn(rng, rows, columns, res) if rng.random() < 0.7 else _thin(rng, rows, columns, res, sun),
    }  # fmt: skip
    return np.ascontiguousarray(made[name]())

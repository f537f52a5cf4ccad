"""More plants than the five kinds, for teaching: other weeds as seen from above, in any leaf colour.

All of them carry the kind name ``other``. Shapes from memory of common weeds; no source.
"""

from __future__ import annotations

import colorsys
import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.simulation.plants import (
    DRAW,
    KINDS,
    STAGES,
    Canvas,
    Colour,
    Plant,
    Points,
    bent,
    draw_leaf,
    turned,
)

#: kind name of every shape that is none of the five kinds
OTHER = "other"
GOLDEN = 2.39996
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class VariedPlant(Plant):
    """A plant of a teaching scene: of the five kinds or another, in a colour and state of its own.

    Attributes
    ----------
    shape : str
        One of ``SHAPES`` or a kind's name.
    colour : tuple[float, float, float] | None
        Leaf colour, red-green-blue; None: the kind's own.
    yellow : float
        0 healthy .. 1 yellowed.
    mown_m : float | None
        Cut off so far from the crown, if it was mown.
    bitten : int
        Number of holes.
    """

    shape: str = ""
    colour: tuple[float, float, float] | None = None
    yellow: float = 0.0
    mown_m: float | None = None
    bitten: int = 0


@dataclass(frozen=True)
class Sunlight:
    """Where the shadows fall on a scene: direction on the picture (rad), length (1: as high as long) and depth."""

    direction_rad: float = 0.0
    reach: float = 1.0
    depth: float = 0.5


def leaf_colour(rng: np.random.Generator) -> tuple[float, float, float]:
    """Return a leaf colour: yellow-green to blue-green, now and then reddish or grey."""
    hue, pick = float(rng.normal(0.27, 0.045)), rng.random()
    saturation, value = float(rng.uniform(0.28, 0.68)), float(rng.uniform(0.32, 0.78))
    if pick < 0.07:
        hue, saturation = float(rng.uniform(-0.06, 0.08)) % 1.0, float(rng.uniform(0.25, 0.55))
    elif pick < 0.15:
        hue, saturation = float(rng.uniform(0.3, 0.42)), float(rng.uniform(0.12, 0.3))
    r, g, b = colorsys.hsv_to_rgb(hue % 1.0 if pick < 0.07 else float(np.clip(hue, 0.15, 0.42)), saturation, value)
    return 255 * r, 255 * g, 255 * b


def _rosette(
    canvas: Canvas, rng: np.random.Generator, radius: float, colour: Colour, count: int,
    outline: Callable[[NDArray[np.float64]], NDArray[np.float64]], *, short: float = 0.7, ribs: int = 1,
    rib_light: float = 1.25, points: int = 40,
) -> None:  # fmt: skip
    """Draw leaves about the crown, each as wide (share of its length, half) as ``outline`` says along 0..1."""
    t = np.linspace(0, 1, points)
    turn = rng.uniform(0, 2 * math.pi)
    for i in range(count):
        length = radius * rng.uniform(short, 1.0) * (1.0 if i < count * 0.7 else rng.uniform(0.45, 0.9))
        half = length * np.maximum(outline(t), 0.012) * (t < 1)
        draw_leaf(canvas, rng, turn + i * GOLDEN + rng.normal(0, 0.2), length, half, t, colour, ribs=ribs,
                  rib_light=rib_light)  # fmt: skip


def _lobed(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    lobes, width = rng.uniform(2.5, 5.5), rng.uniform(0.16, 0.28)
    depth = rng.uniform(0.4, 0.75)

    def outline(t: NDArray[np.float64]) -> NDArray[np.float64]:
        whole = np.sin(math.pi * t**1.4) ** 0.7
        return np.asarray(width * whole * (1 - depth * (0.5 + 0.5 * np.cos(2 * math.pi * lobes * t))))

    _rosette(canvas, rng, radius, colour, int(rng.integers(5, 8 + 5 * stage)), outline, rib_light=1.35)


def _toothed(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    teeth, width, depth = rng.uniform(6, 14), rng.uniform(0.16, 0.3), rng.uniform(0.15, 0.35)

    def outline(t: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(width * np.sin(math.pi * t**1.2) ** 0.8 * (1 - depth * ((t * teeth) % 1.0)))

    _rosette(canvas, rng, radius, colour, int(rng.integers(5, 9 + 4 * stage)), outline)


def _narrow(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    width = rng.uniform(0.05, 0.11)
    _rosette(canvas, rng, radius, colour, int(rng.integers(6, 12 + 6 * stage)),
             lambda t: width * np.sin(math.pi * t) ** 0.6, points=16)  # fmt: skip


def _broad(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    width, wave = rng.uniform(0.2, 0.38), rng.uniform(0, 0.1)

    def outline(t: NDArray[np.float64]) -> NDArray[np.float64]:
        blade = np.clip((t - 0.15) / 0.85, 0, 1)
        return np.asarray(width * np.sin(math.pi * blade**0.9) ** 0.7 * (1 + wave * np.sin(30 * t)) + 0.02 * (t < 0.3))

    _rosette(canvas, rng, radius, colour, int(rng.integers(3, 6 + 3 * stage)), outline, rib_light=1.4)


def _hairy(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    pale = 0.6 * colour + 0.4 * np.array([150.0, 160.0, 136.0])
    width = rng.uniform(0.16, 0.26)
    _rosette(canvas, rng, radius, pale, int(rng.integers(5, 9 + 4 * stage)),
             lambda t: width * np.sin(math.pi * t**0.9) ** 0.7, points=20)  # fmt: skip
    for _ in range(60 + 70 * stage):
        at = radius * math.sqrt(rng.uniform(0, 0.85)) * _direction(rng)
        hair = np.stack([at, at + rng.normal(0, 0.02 * radius + 0.6, 2)])
        if canvas.covered(at):
            canvas.line(hair, pale * 1.35, 0.2, cover=False)


def _direction(rng: np.random.Generator) -> Points:
    angle = rng.uniform(0, 2 * math.pi)
    return np.array([math.cos(angle), math.sin(angle)])


def _oval(canvas: Canvas, at: Points, angle: float, length: float, width: float, colour: Colour, lift: float) -> None:
    """Draw a plain oval leaf from ``at`` outwards, with a lighter half and a rib."""
    t = np.linspace(0, 2 * math.pi, 16, endpoint=False)
    whole = np.stack([length * 0.5 * (1 - np.cos(t)), width * 0.5 * np.sin(t)], 1)
    canvas.polygon(turned(whole, angle, at), colour, lift)
    lit = 1.0 + 0.14 * math.cos(angle + math.pi / 2 - canvas.sun)
    canvas.polygon(turned(whole[:9], angle, at), colour * lit, 0.0)
    canvas.line(turned(np.array([[0.05 * length, 0], [0.85 * length, 0]]), angle, at), colour * 1.18, 0.3, cover=False)


def _mat(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    leaf = float(np.clip(radius * rng.uniform(0.1, 0.2), 1.2, 7.0))
    stem = colour * rng.choice([[0.9, 0.85, 0.8], [1.5, 0.7, 0.7]])
    runners = int(rng.integers(5, 8 + 5 * stage))
    turn = rng.uniform(0, 2 * math.pi)
    for i in range(runners):
        angle = turn + 2 * math.pi * i / runners + rng.normal(0, 0.25)
        length = radius * rng.uniform(0.65, 0.98)
        line = turned(bent(np.linspace(0, length, 12), np.zeros(12), rng.normal(0, 0.25), length), angle)
        canvas.line(line, stem, max(0.25 * leaf, 0.5))
        for k in range(max(int(length / (0.7 * leaf)), 3)):
            where = line[min(int(12 * (k + rng.uniform()) * 0.7 * leaf / length), 11)]
            for side in (-1, 1):
                _oval(canvas, where, angle + side * rng.uniform(0.5, 1.4), leaf * rng.uniform(0.7, 1.15),
                      leaf * rng.uniform(0.5, 0.9), colour * rng.uniform(0.84, 1.16), 0.08 * leaf + 0.15)  # fmt: skip


def _tuft(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    t = np.linspace(0, 1, 14)
    width = max(radius * rng.uniform(0.018, 0.045), 0.5)
    for _ in range(int(rng.integers(10, 22 + 16 * stage))):
        length = radius * rng.uniform(0.5, 1.05)
        half = width * rng.uniform(0.7, 1.3) * np.clip(1 - t**2.5, 0, 1)
        at = 0.06 * radius * rng.normal(0, 1, 2)
        draw_leaf(canvas, rng, rng.uniform(0, 2 * math.pi), length, half, t, colour, rib_light=rng.uniform(0.75, 1.35),
                  at=(float(at[0]), float(at[1])))  # fmt: skip


def _seedling(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    turn, slim = rng.uniform(0, 2 * math.pi), rng.uniform(0.55, 0.95)
    stalk = radius * rng.uniform(0.05, 0.35)
    for pair in range(1 + int(rng.integers(0, 2 + (stage > 0)))):
        size = (radius - stalk) * (1.0 if pair == 0 else rng.uniform(0.35, 0.7))
        for side in (0.0, math.pi):
            angle = turn + side + pair * math.pi / 2 + rng.normal(0, 0.12)
            away = stalk * np.array([math.cos(angle), math.sin(angle)])
            canvas.line(np.stack([np.zeros(2), away]), colour * 1.1, max(0.08 * radius, 0.5))
            _oval(canvas, away, angle, size, slim * size * (1.0 if pair == 0 else rng.uniform(0.5, 0.9)),
                  colour * (1.0 + 0.15 * pair), 0.15 * radius + 0.2)  # fmt: skip


def _feathery(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    turn, thin = rng.uniform(0, 2 * math.pi), max(radius * rng.uniform(0.02, 0.05), 0.4)
    for i in range(int(rng.integers(4, 7 + 4 * stage))):
        length, angle = radius * rng.uniform(0.65, 1.0), turn + i * GOLDEN + rng.normal(0, 0.2)
        axis = bent(np.linspace(0, length, 14), np.zeros(14), rng.normal(0, 0.15), length)
        tone = colour * rng.uniform(0.82, 1.15)
        canvas.line(turned(axis + 0.25, angle), tone * 0.35, thin, cover=False)
        canvas.line(turned(axis, angle), tone, thin)
        for k in range(3, 14):
            spread = length * 0.3 * math.sin(math.pi * (k / 14) ** 1.3) * rng.uniform(0.7, 1.1)
            for side in (-1.0, 1.0):
                tip = axis[k] + spread * np.array([0.6, side])
                canvas.line(turned(np.stack([axis[k], tip]), angle), tone * 1.06, 0.8 * thin)
                for share in (0.5, 0.8):
                    knot = axis[k] + share * (tip - axis[k])
                    twig = np.stack([knot, knot + 0.4 * spread * np.array([0.9, 0.25 * side])])
                    canvas.line(turned(twig, angle), tone * 1.1, 0.7 * thin)


def _thistle(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    t = np.linspace(0, 1, 60)
    turn, spines = rng.uniform(0, 2 * math.pi), rng.uniform(7, 12)
    tone = 0.8 * colour + 0.2 * np.array([120.0, 140.0, 120.0])
    for i in range(int(rng.integers(6, 9 + 4 * stage))):
        length, angle = radius * rng.uniform(0.7, 1.0), turn + i * GOLDEN + rng.normal(0, 0.15)
        width = length * rng.uniform(0.17, 0.25)
        saw = np.abs(2 * ((t * spines) % 1.0) - 1.0)
        half = np.maximum(width * np.sin(math.pi * t**1.1) ** 0.6 * (0.35 + 0.65 * saw), 0.02 * length) * (t < 1)
        draw_leaf(canvas, rng, angle, length, half, t, tone, rib_light=1.55)
        for k in range(4, 58, 5):
            for side in (-1.0, 1.0):
                foot = np.array([t[k] * length, side * half[k]])
                spine = np.stack([foot, foot + np.array([0.03, side * 0.05]) * length])
                canvas.line(turned(spine, angle), np.array([196.0, 198, 170]), 0.3)


def _buttercup(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    lobes, depth = int(rng.integers(3, 7)), rng.uniform(0.35, 0.7)
    theta = np.linspace(-2.5, 2.5, 60)
    for i in range(int(rng.integers(4, 8 + 5 * stage))):
        size = radius * rng.uniform(0.24, 0.4)
        away = (radius - size) * (rng.uniform(0.35, 1.0) if i else 0.1) * _direction(rng)
        angle = math.atan2(away[1], away[0]) + rng.normal(0, 0.3)
        tone = colour * rng.uniform(0.82, 1.18)
        canvas.line(np.stack([np.zeros(2), away]), tone * np.array([1.15, 0.95, 0.8]), max(0.03 * radius, 0.6))
        out = 1 - depth * (0.5 + 0.5 * np.cos(theta / 5.0 * 2 * math.pi * lobes + math.pi * (lobes % 2 == 0)))
        out = out * (1 + 0.12 * np.abs(np.sin(9 * theta))) / 1.1
        blade = size * out[:, None] * np.stack([np.cos(theta), np.sin(theta)], 1)
        canvas.polygon(turned(np.concatenate([blade, [[0.0, 0.0]]]), angle, away), tone, 0.08 * size + 0.3)
        for k in range(lobes):
            ray = 5.0 * ((k + 0.5) / lobes - 0.5)
            vein = 0.8 * size * np.array([[0, 0], [math.cos(ray), math.sin(ray)]])
            canvas.line(turned(vein, angle, away), tone * 1.2, 0.35, cover=False)
    if stage == 2 and rng.random() < 0.4:
        _flower(canvas, rng, 0.5 * radius * _direction(rng), rng.uniform(6, 10), 5, np.array([236.0, 206, 40]))


def _flower(canvas: Canvas, rng: np.random.Generator, at: Points, size: float, petals: int, colour: Colour) -> None:
    for i in range(petals):
        _oval(canvas, at, 2 * math.pi * i / petals + rng.normal(0, 0.1), size, 0.8 * size, colour, 0.3 if i == 0 else 0)
    canvas.disc(at, 0.25 * size, np.array([222.0, 190, 60]))


def _chickweed(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    leaf = float(np.clip(radius * rng.uniform(0.14, 0.24), 1.5, 10.0))
    stems = int(rng.integers(4, 7 + 4 * stage))
    for i in range(stems):
        angle, at = 2 * math.pi * i / stems + rng.normal(0, 0.3), np.zeros(2)
        for _ in range(4 + 2 * stage):
            step = radius * rng.uniform(0.14, 0.26)
            ahead = at + step * np.array([math.cos(angle), math.sin(angle)])
            if float(np.hypot(*ahead)) > radius - 0.6 * leaf:
                break
            canvas.line(np.stack([at, ahead]), colour * np.array([1.15, 1.0, 0.8]), max(0.15 * leaf, 0.5))
            for side in (-1, 1):
                _oval(canvas, ahead, angle + side * rng.uniform(0.8, 1.5), leaf * rng.uniform(0.7, 1.1),
                      leaf * rng.uniform(0.45, 0.65), colour * rng.uniform(0.85, 1.18), 0.1 * leaf + 0.2)  # fmt: skip
            at, angle = ahead, angle + float(rng.normal(0, 0.45))
        _oval(canvas, at, angle, 0.8 * leaf, 0.5 * leaf, colour * 1.2, 0.3)
        if stage and rng.random() < 0.25:
            _flower(canvas, rng, at, min(0.5 * leaf, 3.5), 5, np.array([236.0, 236, 230]))


def _hearts(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    s = np.linspace(0, 2 * math.pi, 28)
    heart = np.stack([-(13 * np.cos(s) - 5 * np.cos(2 * s) - 2 * np.cos(3 * s) - np.cos(4 * s)) / 30,
                      16 * np.sin(s) ** 3 / 30], 1)  # fmt: skip
    for i in range(int(rng.integers(4, 8 + 6 * stage))):
        size = radius * rng.uniform(0.35, 0.55)
        angle = i * GOLDEN + rng.normal(0, 0.3)
        away = (radius - 0.6 * size) * rng.uniform(0.3, 1.0) * np.array([math.cos(angle), math.sin(angle)])
        tone = colour * rng.uniform(0.84, 1.16)
        canvas.line(np.stack([np.zeros(2), away]), tone, max(0.03 * radius, 0.5))
        canvas.polygon(turned(heart * size, angle, away), tone, 0.1 * size + 0.2)
        canvas.polygon(turned(heart[:14] * size, angle, away), tone * (1.0 + 0.12 * math.sin(angle - canvas.sun)), 0.0)


Drawer = Callable[[Canvas, np.random.Generator, float, int, Colour], None]
SHAPES: dict[str, Drawer] = {
    "lobed": _lobed, "toothed": _toothed, "narrow": _narrow, "broad": _broad, "hairy": _hairy, "mat": _mat,
    "tuft": _tuft, "seedling": _seedling, "feathery": _feathery, "thistle": _thistle, "buttercup": _buttercup,
    "chickweed": _chickweed, "hearts": _hearts,
}  # fmt: skip


def stage_of(kind: str, radius_m: float) -> int:
    """Return the stage that a plant of this size draws like: 0 seedling, 1 young, 2 grown."""
    (_, small), (_, middle), _ = STAGES.get(kind, ((0.0, 0.016), (0.0, 0.04), (0.0, 0.15)))
    return 0 if radius_m < small else 1 if radius_m < middle else 2


def draw_varied(
    plant: VariedPlant, resolution_m: float, light: float, sun: Sunlight, through: float
) -> tuple[Floats, Floats, Floats]:
    """Return colours (h, w, 3), cover (h, w) and shadow (h, w), 0..1, of a plant centred in an odd-sized sprite.

    ``through`` is the share of it that blades of the ground stand through (0: bare soil).
    """
    rng = np.random.default_rng([plant.seed, 19])
    size_px = plant.radius_m / resolution_m
    canvas = Canvas(plant.radius_m, resolution_m, rng, 4 if size_px < 40 else 3 if size_px < 80 else 2)
    canvas.sun, canvas.reach = sun.direction_rad, sun.reach
    if plant.kind in KINDS:
        draw, own = DRAW[plant.kind]
    else:
        draw, own = SHAPES[plant.shape], (100.0, 140.0, 70.0)
    colour = np.array(plant.colour or own) * rng.uniform(0.9, 1.12) * (1 + rng.normal(0, 0.025, 3))
    colour = colour * (1 - plant.yellow) + plant.yellow * np.array([186.0, 172.0, 84.0])
    draw(canvas, rng, plant.radius_m * 1e3, plant.stage, colour)
    for _ in range(plant.bitten):
        hole = (plant.radius_m * 1e3) * math.sqrt(rng.uniform(0.05, 0.9)) * _direction(rng)
        centre = tuple(int(v) for v in (hole * [canvas.per_mm, -canvas.per_mm] + canvas.middle))
        cv2.circle(canvas.cover, centre, max(int(size_px * canvas.per_mm * resolution_m * 1e3 * 0.1), 1), 0, -1)
    shape = (2 * canvas.half + 1, 2 * canvas.half + 1)
    whole = canvas.cover.astype(np.float32) / 255.0
    cover = np.asarray(cv2.resize(whole, shape, interpolation=cv2.INTER_AREA), np.float32)
    paint = cv2.resize(canvas.colour * whole[..., None], shape, interpolation=cv2.INTER_AREA)
    paint = paint / np.maximum(cover, 1e-3)[..., None]
    shadow = cv2.resize(canvas.shadow, shape, interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    sharp = cv2.GaussianBlur(shadow, (0, 0), 1.0)
    soft = cv2.GaussianBlur(np.maximum(shadow, cover), (0, 0), float(np.clip(0.08 * size_px, 1.0, 6.0)))
    shade = np.asarray(sun.depth * sharp + 0.45 * soft, np.float32)
    rough = rng.standard_normal(cover.shape).astype(np.float32)
    if through > 0:
        blades = cv2.GaussianBlur(rng.standard_normal(cover.shape).astype(np.float32), (0, 0), 1.1)
        cover = np.asarray(cover * np.where(blades > 0.30, 1 - through, 1.0), np.float32)
    if plant.brown > 0:
        patches = cv2.GaussianBlur(rough, (0, 0), float(np.clip(0.1 * size_px, 1.0, 6.0)))
        patches /= max(float(patches.std()), 1e-6)
        share = np.clip(0.5 + 2.0 * (plant.brown - 0.5) + 0.4 * patches * (plant.brown < 0.95), 0, 1)[..., None]
        burnt = (0.35 * paint.mean(axis=2, keepdims=True) + 42.0) * np.array([1.18, 0.94, 0.66], np.float32)
        paint = paint * (1 - share) + burnt * share
    if plant.cover < 1:
        holes = cv2.GaussianBlur(rough, (0, 0), 1.5)
        limit = float(np.quantile(holes, 1 - plant.cover))
        cover = np.asarray(cover * (holes > limit), np.float32)
        shade = shade * np.float32(plant.cover)
    if plant.mown_m is not None:
        axis = np.arange(-canvas.half, canvas.half + 1, dtype=np.float32) * np.float32(resolution_m)
        far = np.hypot(axis[:, None], axis[None, :]) / plant.mown_m + 0.06 * cv2.GaussianBlur(rough, (0, 0), 2.0) / 0.14
        keep = (far < 1.0).astype(np.float32)
        paint = np.where((far > 0.88)[..., None], 0.5 * paint + 0.5 * np.array([168.0, 160.0, 104.0]), paint)
        cover, shade = np.asarray(cover * keep, np.float32), np.asarray(shade * keep, np.float32)
    colours = np.clip(paint * (1.0 + 0.05 * rough[..., None]) * light, 0, 255)
    return np.asarray(colours, np.float32), cover, np.clip(shade, 0, 1)

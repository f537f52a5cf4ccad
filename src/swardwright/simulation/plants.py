"""Plants drawn leaf by leaf, seen from above, and a seeded stand of them.

Kinds: dandelion (toothed rosette), plantain (broad ribbed rosette), clover (prostrate patch of trifoliate leaves),
daisy (small spoon-leaved rosette) and woodrush (tuft of narrow leaves, coarser and darker than turf).
Shapes from memory of common lawn plants; no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

KINDS = ("dandelion", "plantain", "clover", "woodrush", "daisy")

#: smallest and largest radius (m) of seedling, young and grown plants
STAGES: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "dandelion": ((0.016, 0.024), (0.024, 0.042), (0.044, 0.070)),
    "plantain": ((0.014, 0.021), (0.022, 0.038), (0.040, 0.062)),
    "clover": ((0.015, 0.023), (0.026, 0.042), (0.044, 0.070)),
    "woodrush": ((0.016, 0.023), (0.024, 0.036), (0.038, 0.055)),
    "daisy": ((0.013, 0.018), (0.018, 0.028), (0.028, 0.042)),
}
STAGE_NAMES = ("seedling", "young", "grown")
_SUPER = 4  # drawn at four times the ground resolution, then averaged down
_FIX = 3  # fractional bits of OpenCV's drawing coordinates

Colour = NDArray[np.float64]
Points = NDArray[np.float64]


@dataclass(frozen=True)
class Plant:
    """One plant on the ground.

    Attributes
    ----------
    x_m, y_m : float
        Crown, ground axes.
    stage : int
        0 seedling, 1 young, 2 grown.
    seed : int
        Draws the same leaves every time.
    brown : float
        0 green .. 1 burnt brown.
    cover : float
        How much of it is still there (1 whole .. 0 gone).
    alive : bool
        Whether it counts as a plant that stands there.
    """

    id: str
    kind: str
    x_m: float
    y_m: float
    radius_m: float
    stage: int
    seed: int
    brown: float = 0.0
    cover: float = 1.0
    alive: bool = True


class Canvas:
    """Supersampled colours and cover, drawn in millimetres about the crown (x right, y up)."""

    def __init__(
        self, radius_m: float, resolution_m: float, rng: np.random.Generator, oversampling: int = _SUPER
    ) -> None:
        self.half = math.ceil((1.25 * radius_m + 0.012) / resolution_m)
        size = (2 * self.half + 1) * oversampling
        self.per_mm = oversampling * 1e-3 / resolution_m
        self.middle = (size - 1) / 2
        self.colour = np.zeros((size, size, 3), np.float32)
        self.cover = np.zeros((size, size), np.uint8)
        self.shadow = np.zeros((size, size), np.uint8)
        self.sun = rng.uniform(0, 2 * math.pi)
        self.reach = 1.0  # length of the leaves' shadows, relative

    def pixels(self, points_mm: Points) -> NDArray[np.int32]:
        """Return drawing coordinates (fractional bits ``_FIX``) of points, shape (n, 1, 2)."""
        scaled = np.asarray(points_mm) * [self.per_mm, -self.per_mm] + self.middle
        return np.round(scaled * (1 << _FIX)).astype(np.int32).reshape(-1, 1, 2)

    def polygon(self, points_mm: Points, colour: Colour, shadow_mm: float = 1.0) -> None:
        """Fill a polygon; it lies ``shadow_mm`` above what is under it."""
        if shadow_mm > 0:
            shift = self.reach * shadow_mm * np.array([math.cos(self.sun), math.sin(self.sun)])
            under = self.pixels(points_mm + shift)
            cv2.fillPoly(self.shadow, [under], 255, cv2.LINE_8, _FIX)
            box = cv2.boundingRect(under)
            self._darken(under, box)
        cv2.fillPoly(self.colour, [self.pixels(points_mm)], colour.tolist(), cv2.LINE_8, _FIX)
        cv2.fillPoly(self.cover, [self.pixels(points_mm)], 255, cv2.LINE_8, _FIX)

    def _darken(self, under: NDArray[np.int32], box: tuple[int, int, int, int]) -> None:
        """Shade what is already drawn under a new leaf."""
        x, y, w, h = (box[0] >> _FIX, box[1] >> _FIX, (box[2] >> _FIX) + 2, (box[3] >> _FIX) + 2)
        x0, y0 = max(x, 0), max(y, 0)
        part = self.colour[y0 : y + h, x0 : x + w]
        if part.size == 0:
            return
        mask = np.zeros(part.shape[:2], np.uint8)
        cv2.fillPoly(mask, [under - np.array([x0 << _FIX, y0 << _FIX], np.int32)], 1, cv2.LINE_8, _FIX)
        part[mask > 0] *= 0.62

    def covered(self, point_mm: Points) -> bool:
        """Return whether something is drawn at a point."""
        column, row = (int(v) for v in np.asarray(point_mm) * [self.per_mm, -self.per_mm] + self.middle)
        return bool(0 <= row < len(self.cover) and 0 <= column < len(self.cover) and self.cover[row, column])

    def line(self, points_mm: Points, colour: Colour, width_mm: float, cover: bool = True) -> None:
        """Draw a line; without ``cover`` it only shows on what is covered already."""
        width = max(round(width_mm * self.per_mm), 1)
        cv2.polylines(self.colour, [self.pixels(points_mm)], False, colour.tolist(), width, cv2.LINE_8, _FIX)
        if cover:
            cv2.polylines(self.cover, [self.pixels(points_mm)], False, 255, width, cv2.LINE_8, _FIX)

    def disc(self, centre_mm: Points, radius_mm: float, colour: Colour) -> None:
        """Fill a disc."""
        angle = np.linspace(0, 2 * math.pi, 20, endpoint=False)
        self.polygon(centre_mm + radius_mm * np.stack([np.cos(angle), np.sin(angle)], 1), colour, 0.0)


def turned(points: Points, angle: float, at: Points | tuple[float, float] = (0.0, 0.0)) -> Points:
    """Return points (n, 2) turned by an angle (rad) and moved to ``at``."""
    c, s = math.cos(angle), math.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]) + np.asarray(at))


def bent(x: Points, y: Points, bend: float, length: float) -> Points:
    """Return points of a leaf along x, its middle line bent sideways."""
    return np.stack([x, y + bend * length * (x / length) ** 2], 1)


def draw_leaf(
    canvas: Canvas, rng: np.random.Generator, angle: float, length: float, half_width: Points, t: Points,
    colour: Colour, *, ribs: int = 1, rib_light: float = 1.25, start: float = 0.0, at: tuple[float, float] = (0.0, 0.0),
) -> None:  # fmt: skip
    """Draw one leaf with two shaded halves and ribs; ``half_width`` (mm) along ``t`` (0..1) of its length (mm)."""
    bend = rng.normal(0, 0.10)
    x = start * length + t * length * (1 - start)
    left = bent(x, half_width, bend, length)
    right = bent(x, -half_width, bend, length)
    middle = bent(x, 0 * half_width, bend, length)
    colour = colour * rng.uniform(0.86, 1.14) * (1 + rng.normal(0, 0.02, 3))
    canvas.polygon(turned(np.concatenate([left, right[::-1]]), angle, at), colour, 0.05 * length + 0.4)
    lit = 1.0 + 0.12 * math.cos(angle + math.pi / 2 - canvas.sun)
    canvas.polygon(turned(np.concatenate([left, middle[::-1]]), angle, at), colour * lit, 0.0)
    for k in range(ribs):
        offset = 0.0 if ribs == 1 else (k / (ribs - 1) - 0.5) * 1.2
        rib = bent(x, offset * half_width, bend, length)
        light = rib_light if abs(offset) < 0.05 else 1 + 0.6 * (rib_light - 1)
        canvas.line(turned(rib, angle, at), colour * light, 0.8 if offset == 0 else 0.5, cover=False)


def _dandelion(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    count = int(rng.integers(*((6, 9), (8, 13), (12, 19))[stage]))
    t = np.linspace(0, 1, 40)
    turn = rng.uniform(0, 2 * math.pi)
    for i in range(count):
        angle = turn + i * 2.39996 + rng.normal(0, 0.15)
        length = radius * rng.uniform(0.76, 1.0)
        width = length * rng.uniform(0.17, 0.23) * (1.25 if stage == 0 else 1.0)
        shape = np.sin(math.pi * np.clip(t, 0, 1) ** 1.6) ** 0.8 * (0.35 + 0.65 * t)
        teeth = (t * rng.uniform(3.6, 5.5) + rng.uniform()) % 1.0
        depth = (0.15, 0.5, 0.72)[stage] * rng.uniform(0.8, 1.2)
        half = width * np.clip(shape * (1 - depth * teeth * (t < 0.82)), 0.06, 1) * (t < 1)
        draw_leaf(canvas, rng, angle, length, half, t, colour * (0.92 + 0.02 * i / count * 8), rib_light=1.45)
    if stage == 2 and rng.uniform() < 0.4:
        for _ in range(int(rng.integers(1, 3))):
            at = turned(np.array([[rng.uniform(0.1, 0.7) * radius, 0.0]]), rng.uniform(0, 2 * math.pi))[0]
            _dandelion_flower(canvas, rng, at)


def _dandelion_flower(canvas: Canvas, rng: np.random.Generator, at: Points) -> None:
    size = rng.uniform(11, 17)
    if rng.uniform() < 0.2:  # seed head
        canvas.disc(at, size, np.array([188.0, 190, 176]))
        for _ in range(40):
            canvas.disc(at + rng.normal(0, size / 2.2, 2), 0.8, np.array([222.0, 222, 214]) * rng.uniform(0.8, 1.1))
        return
    petals = 34
    for ring, shade in ((1.0, 0.86), (0.75, 0.95), (0.5, 1.05)):
        for i in range(petals):
            angle = 2 * math.pi * i / petals + rng.normal(0, 0.06)
            tip = size * ring * rng.uniform(0.88, 1.05)
            petal = np.array([[0, -0.4], [tip, -1.0], [tip, 1.0], [0, 0.4]])
            canvas.polygon(turned(petal, angle, at), np.array([238.0, 198, 36]) * shade * rng.uniform(0.92, 1.05), 0.0)
    canvas.disc(at, size * 0.22, np.array([222.0, 160, 24]))


def _plantain(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    count = int(rng.integers(*((4, 7), (5, 9), (7, 11))[stage]))
    t = np.linspace(0, 1, 24)
    turn = rng.uniform(0, 2 * math.pi)
    for i in range(count):
        angle = turn + i * 2.39996 + rng.normal(0, 0.15)
        length = radius * rng.uniform(0.78, 1.0)
        width = length * rng.uniform(0.26, 0.34) * (1.2 if stage == 0 else 1.0)
        blade = np.clip((t - 0.25) / 0.75, 0, 1)
        half = np.maximum(width * np.sin(math.pi * blade**0.85) ** 0.75, 0.9 * (t < 0.4)) * (t < 1)
        draw_leaf(canvas, rng, angle, length, half, t, colour, ribs=5 if stage else 3, rib_light=1.22)
    if stage == 2 and rng.uniform() < 0.4:
        for _ in range(int(rng.integers(1, 4))):
            line = bent(np.linspace(0, radius, 12), np.zeros(12), rng.normal(0, 0.2), radius)
            angle = rng.uniform(0, 2 * math.pi)
            canvas.line(turned(line, angle), np.array([120.0, 132, 74]), 1.0)
            canvas.line(turned(line[5:], angle), np.array([112.0, 96, 62]), 3.0)


def _clover(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    leaf = (3.4, 4.6, 5.6)[stage] * rng.uniform(0.85, 1.15)
    count = int((0.95, 0.95, 0.9)[stage] * (radius / leaf) ** 2 * rng.uniform(0.75, 1.0)) + 3
    t = np.linspace(0, 1, 12)
    half_shape = np.sin(math.pi * t**1.25) ** 0.65
    vee = np.array([[0.45, 0.34], [0.72, 0.0], [0.45, -0.34]])
    for _ in range(int(count / 3)):  # runners
        angle, length = rng.uniform(0, 2 * math.pi), radius * rng.uniform(0.4, 0.85)
        line = bent(np.linspace(0, length, 8), np.zeros(8), rng.normal(0, 0.3), length)
        canvas.line(turned(line, angle), colour * np.array([1.0, 0.85, 0.8]), 0.8)
    for _ in range(count):
        distance = (radius - leaf) * math.sqrt(rng.uniform(0, 1)) * rng.uniform(0.85, 1.0)
        where = turned(np.array([[distance, 0.0]]), rng.uniform(0, 2 * math.pi))[0]
        at = (float(where[0]), float(where[1]))
        turn, tone = rng.uniform(0, 2 * math.pi), colour * rng.uniform(0.82, 1.16)
        for k in range(3):
            angle = turn + 2 * math.pi * k / 3 + rng.normal(0, 0.12)
            size = leaf * rng.uniform(0.9, 1.1)
            draw_leaf(canvas, rng, angle, size, 0.46 * size * half_shape, t, tone, rib_light=1.08, at=at)
            canvas.line(turned(vee * size, angle, at), tone * 0.72 + 52.0, 0.6, cover=False)
    if stage > 0 and rng.uniform() < 0.35:
        for _ in range(int(rng.integers(1, 2 + 2 * stage))):
            at_mm = turned(np.array([[0.8 * radius * math.sqrt(rng.uniform()), 0.0]]), rng.uniform(0, 6.28))[0]
            head = rng.uniform(5, 8)
            for _ in range(36):
                petal = np.array([[0, -0.5], [head * 0.5, -0.8], [head * 0.5, 0.8], [0, 0.5]])
                white = np.array([214.0, 206, 196]) * rng.uniform(0.8, 1.08)
                canvas.polygon(turned(petal, rng.uniform(0, 6.28), at_mm + rng.normal(0, head * 0.33, 2)), white, 0.0)


def _daisy(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    count = int(rng.integers(*((7, 10), (10, 16), (14, 22))[stage]))
    t = np.linspace(0, 1, 18)
    turn = rng.uniform(0, 2 * math.pi)
    for i in range(count):
        angle = turn + i * 2.39996 + rng.normal(0, 0.2)
        length = radius * rng.uniform(0.6, 0.98)
        width = length * rng.uniform(0.19, 0.25)
        spoon = np.clip((t - 0.4) / 0.6, 0, 1)
        half = np.maximum(width * np.sin(math.pi * spoon**0.9) ** 0.6, 0.11 * width + 0.4) * (t < 1)
        draw_leaf(canvas, rng, angle, length, half, t, colour, rib_light=1.15)
    flowers = int(rng.integers(*((0, 1), (0, 3), (1, 6))[stage]))
    for _ in range(flowers):
        at = turned(np.array([[radius * rng.uniform(0.1, 0.85), 0.0]]), rng.uniform(0, 2 * math.pi))[0]
        size, petals = rng.uniform(7, 11), int(rng.integers(18, 28))
        for i in range(petals):
            petal = np.array([[1.0, -0.3], [size * 0.8, -0.75], [size, 0], [size * 0.8, 0.75], [1.0, 0.3]])
            white = np.array([240.0, 238, 232]) * rng.uniform(0.88, 1.02)
            canvas.polygon(
                turned(petal, 2 * math.pi * i / petals + rng.normal(0, 0.05), at), white, 0.4 if i == 0 else 0
            )
        canvas.disc(at, size * 0.36, np.array([232.0, 186, 30]))


def _woodrush(canvas: Canvas, rng: np.random.Generator, radius: float, stage: int, colour: Colour) -> None:
    count = int(rng.integers(*((13, 18), (20, 30), (30, 46))[stage]))
    t = np.linspace(0, 1, 16)
    for _ in range(count):
        length = radius * rng.uniform(0.6, 1.02)
        half = (1.35, 1.7, 2.1)[stage] * rng.uniform(0.8, 1.15) * np.clip(1 - t**2.2, 0, 1) ** 0.8
        draw_leaf(canvas, rng, rng.uniform(0, 2 * math.pi), length, half, t, colour, rib_light=0.7)
    if stage > 0 and rng.uniform() < 0.75:
        for _ in range(int(rng.integers(2, 4 + 2 * stage))):
            at = turned(np.array([[radius * rng.uniform(0.05, 0.6), 0.0]]), rng.uniform(0, 2 * math.pi))[0]
            for _ in range(int(rng.integers(4, 9))):
                brown = np.array([84.0, 56, 36]) * rng.uniform(0.75, 1.25)
                canvas.disc(at + rng.normal(0, 2.2, 2), rng.uniform(1.0, 1.9), brown)


DRAW: dict[str, tuple[Callable[[Canvas, np.random.Generator, float, int, Colour], None], tuple[float, ...]]] = {
    "dandelion": (_dandelion, (84.0, 138.0, 52.0)),
    "plantain": (_plantain, (118.0, 156.0, 76.0)),
    "clover": (_clover, (92.0, 146.0, 84.0)),
    "daisy": (_daisy, (104.0, 162.0, 64.0)),
    "woodrush": (_woodrush, (46.0, 84.0, 40.0)),
}


def draw_plant(
    plant: Plant, resolution_m: float, light: float = 1.0
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return colours (h, w, 3), cover (h, w) and shadow (h, w), 0..1, of a plant centred in an odd-sized sprite."""
    rng = np.random.default_rng([plant.seed, 17])
    canvas = Canvas(plant.radius_m, resolution_m, rng)
    draw, base = DRAW[plant.kind]
    colour = np.array(base) * rng.uniform(0.9, 1.15) * (1 + rng.normal(0, 0.02, 3))
    draw(canvas, rng, plant.radius_m * 1e3, plant.stage, colour)
    shape = (2 * canvas.half + 1, 2 * canvas.half + 1)
    cover8 = canvas.cover.astype(np.float32) / 255.0
    cover = cv2.resize(cover8, shape, interpolation=cv2.INTER_AREA)
    paint = cv2.resize(canvas.colour * cover8[..., None], shape, interpolation=cv2.INTER_AREA)
    paint = paint / np.maximum(cover, 1e-3)[..., None]
    shadow = cv2.resize(canvas.shadow.astype(np.float32) / 255.0, shape, interpolation=cv2.INTER_AREA)
    shadow = (
        cv2.GaussianBlur(shadow, (0, 0), 1.3) * 0.6 + cv2.GaussianBlur(np.maximum(shadow, cover), (0, 0), 4.0) * 0.5
    )
    grain = 1.0 + 0.07 * rng.standard_normal(cover.shape).astype(np.float32)
    blades = cv2.GaussianBlur(rng.standard_normal(cover.shape).astype(np.float32), (0, 0), 1.1)
    cover = cover * np.where(blades > 0.30, 0.5, 1.0)  # grass blades standing through it
    if plant.brown > 0:
        patches = cv2.GaussianBlur(rng.standard_normal(cover.shape).astype(np.float32), (0, 0), 4.0)
        patches /= max(float(patches.std()), 1e-6)
        share = np.clip(0.5 + 2.0 * (plant.brown - 0.5) + 0.4 * patches * (plant.brown < 0.95), 0, 1)[..., None]
        grey = paint.mean(axis=2, keepdims=True)
        burnt = (0.35 * grey + 42.0) * np.array([1.18, 0.94, 0.66], np.float32)
        paint = paint * (1 - share) + burnt * share
    if plant.cover < 1:
        holes = cv2.GaussianBlur(rng.standard_normal(cover.shape).astype(np.float32), (0, 0), 1.5)
        rank = np.argsort(np.argsort(holes, axis=None)).reshape(holes.shape) / max(holes.size - 1, 1)
        cover = cover * np.clip((plant.cover - rank) * 6 + 0.5, 0, 1)
        shadow = shadow * plant.cover
    colours = np.asarray(np.clip(paint * grain[..., None] * light, 0, 255), dtype=np.float32)
    return colours, np.asarray(cover, dtype=np.float32), np.asarray(shadow, dtype=np.float32)


def stand_of_plants(
    rng: np.random.Generator,
    size_m: tuple[float, float],
    count: int = 120,
    *,
    mix: tuple[float, ...] = (0.27, 0.23, 0.17, 0.15, 0.18),
    stages: tuple[float, float, float] = (0.2, 0.42, 0.38),
    clusters: float = 0.55,
    spacing_m: float = 0.08,
    edge_m: float = 0.12,
    closed: Callable[[float, float], bool] = lambda x, y: False,
    prefix: str = "p",
    standing: tuple[Plant, ...] = (),
) -> list[Plant]:
    """Return a stand of plants on ``[0, size_m]``, some clustered about parents, none nearer than ``spacing_m``.

    Parameters
    ----------
    mix : tuple[float, ...]
        Share of each of ``KINDS``.
    clusters : float
        Share of plants that stand near a parent point (spread 0.35 m).
    closed : callable
        Where no plant can stand (built things).
    standing : tuple[Plant, ...]
        Plants already there, to keep clear of.
    """
    parents = rng.uniform((0, 0), size_m, (max(count // 9, 1), 2))
    kind_of = rng.choice(len(KINDS), len(parents), p=np.array(mix) / sum(mix))
    plants: list[Plant] = []
    places = [(p.x_m, p.y_m, p.radius_m) for p in standing]
    for _ in range(60 * count):
        if len(plants) == count:
            break
        kind_index = int(rng.choice(len(KINDS), p=np.array(mix) / sum(mix)))
        if rng.uniform() < clusters:
            parent = int(rng.integers(len(parents)))
            x, y = parents[parent] + rng.normal(0, 0.35, 2)
            if rng.uniform() < 0.6:
                kind_index = int(kind_of[parent])
        else:
            x, y = rng.uniform((0, 0), size_m)
        kind = KINDS[kind_index]
        stage = int(rng.choice(3, p=np.array(stages) / sum(stages)))
        radius = float(rng.uniform(*STAGES[kind][stage]))
        seed = int(rng.integers(2**31))
        inside = edge_m < x < size_m[0] - edge_m and edge_m < y < size_m[1] - edge_m
        if not inside or closed(float(x), float(y)):
            continue
        if any(math.hypot(x - a, y - b) < max(spacing_m, 0.85 * (r + radius)) for a, b, r in places):
            continue
        places.append((float(x), float(y), radius))
        plants.append(Plant(f"{prefix}{len(plants):03d}", kind, float(x), float(y), radius, stage, seed))
    return plants

"""Turf without plants: a seeded ground picture from a real grass photograph, with things that fool a detector.

The photograph is ``grass.png`` of the scikit-image wheel (CC0 as its documentation says), read as a file: its clean
parts are laid as small turned patches over each other, so no repetition is visible.
All colours are red-green-blue, 0..255.
"""

from __future__ import annotations

import functools
import importlib.util
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.site import Polygon

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

#: parts of the photograph without leaves: x0, y0, x1, y1 in its pixels (chosen by eye)
_CLEAN = ((340, 185, 512, 320), (0, 150, 62, 400), (180, 390, 262, 512), (330, 425, 512, 512), (160, 285, 250, 362))
_MASTER_PX = 1024
_CELL_PX, _OVERLAP_PX = 320, 80


@dataclass(frozen=True)
class TurfLook:
    """How the turf looks; ``draw`` gives a random one (season, light, wear).

    Attributes
    ----------
    tint : tuple[float, float, float]
        Factors on red, green, blue.
    brightness, contrast : float
        Factors on the turf's brightness and on its texture.
    drought : float
        0 lush .. 1 straw-coloured patches.
    stripe : float
        Relative brightness step of the mowing stripes (0: none).
    stripe_m, stripe_rad : float
        Width and direction of the stripes.
    fineness : float
        Ground pixels per pixel of the grass photograph, at 1.5 mm: smaller is finer turf.
    leaves_m2, bare_m2, straws_m2, shade_m2 : float
        Number per square metre of fallen leaves, bare spots, straws and shadow blobs.
    shade : float
        Depth of the shadow blobs (0..1).
    """

    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    brightness: float = 1.0
    contrast: float = 1.0
    drought: float = 0.15
    stripe: float = 0.10
    stripe_m: float = 0.9
    stripe_rad: float = 0.0
    fineness: float = 0.5
    leaves_m2: float = 0.5
    bare_m2: float = 0.12
    straws_m2: float = 14.0
    shade_m2: float = 0.10
    shade: float = 0.35

    @classmethod
    def draw(cls, rng: np.random.Generator, spread: float = 1.0) -> TurfLook:
        """Return a random look; ``spread`` 1 is wide enough to teach a detector that has to work on others."""
        plain = cls()

        def near(low: float, high: float, usual: float) -> float:
            return usual + spread * (float(rng.uniform(low, high)) - usual)

        return cls(
            tint=tuple(float(v) for v in 1.0 + spread * rng.normal(0, 0.05, 3)),  # type: ignore[arg-type]
            brightness=near(0.78, 1.22, plain.brightness),
            contrast=near(0.7, 1.3, plain.contrast),
            drought=plain.drought + spread * (float(rng.beta(1.2, 3.0)) - plain.drought),
            stripe=near(0.0, 0.2, plain.stripe),
            stripe_m=near(0.5, 1.4, plain.stripe_m),
            stripe_rad=float(rng.choice([0.0, math.pi / 2]) + spread * rng.normal(0, 0.1)),
            fineness=near(0.42, 0.62, plain.fineness),
            leaves_m2=near(0.1, 2.0, plain.leaves_m2),
            bare_m2=near(0.0, 0.5, plain.bare_m2),
            straws_m2=near(3, 40, plain.straws_m2),
            shade_m2=near(0.0, 0.4, plain.shade_m2),
            shade=near(0.1, 0.55, plain.shade),
        )


@dataclass(frozen=True, eq=False)
class Ground:
    """A ground picture and where it lies: row 0 is north, column 0 is west.

    Attributes
    ----------
    image : Image
        Shape (rows, columns, 3).
    west_m, north_m : float
        Ground coordinates of the outer edges of column 0 and row 0.
    """

    image: Image
    west_m: float
    north_m: float
    resolution_m: float

    def pixel(self, x_m: Any, y_m: Any) -> tuple[Any, Any]:
        """Return column and row (pixel centres are whole numbers) of ground points."""
        return (np.asarray(x_m) - self.west_m) / self.resolution_m - 0.5, (
            self.north_m - np.asarray(y_m)
        ) / self.resolution_m - 0.5

    def with_image(self, image: Image) -> Ground:
        """Return the same place with another picture."""
        return replace(self, image=image)


def grass_photograph() -> Path:
    """Return the path of scikit-image's grass photograph without importing scikit-image."""
    spec = importlib.util.find_spec("skimage")
    for folder in (spec.submodule_search_locations or ()) if spec is not None else ():
        path = Path(folder) / "data" / "grass.png"
        if path.is_file():
            return path
    raise InputError(
        "the grass photograph of scikit-image is missing", where="skimage/data/grass.png", remedy="install scikit-image"
    )


@functools.cache
def _photograph() -> Floats:
    grey = cv2.imread(str(grass_photograph()), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise InputError("the grass photograph cannot be read", where="skimage/data/grass.png")
    out = grey.astype(np.float32)
    out -= cv2.GaussianBlur(out, (0, 0), 30)
    return np.asarray(out / out.std(), dtype=np.float32)


def _master(rng: np.random.Generator, fineness: float) -> Floats:
    """Return a tile of turf texture: mean 0, variance 1, shape (1024, 1024)."""
    photo, size, half = _photograph(), _MASTER_PX, 22
    total = np.zeros((size + 2 * half, size + 2 * half), np.float32)
    weight2 = np.full_like(total, 1e-6)
    axis = np.arange(-half, half + 1, dtype=np.float32) / half
    window = np.clip(1.0 - np.hypot(axis[:, None], axis[None, :]), 0, 1) ** 0.6
    window = window.astype(np.float32)
    reach = int(half / fineness * 0.72)  # the window's corners fade to nothing: a little overlap with unclean parts
    parts = [(x0 + reach, y0 + reach, x1 - reach, y1 - reach) for x0, y0, x1, y1 in _CLEAN]
    parts = [(min(a, c), min(b, d), max(a, c) + 1, max(b, d) + 1) for a, b, c, d in parts]
    for y in range(0, size + 2 * half - 2 * half, 15):
        for x in range(0, size + 2 * half - 2 * half, 15):
            x0, y0, x1, y1 = parts[int(rng.integers(len(parts)))]
            cx, cy = rng.integers(x0, x1), rng.integers(y0, y1)
            turn, scale = rng.uniform(0, 2 * math.pi), fineness * rng.uniform(0.85, 1.15)
            c, s = math.cos(turn) / scale, math.sin(turn) / scale
            matrix = np.array([[c, -s, cx - (c - s) * half], [s, c, cy - (s + c) * half]])
            patch = cv2.warpAffine(
                photo, matrix, (2 * half + 1, 2 * half + 1),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT_101,
            )  # fmt: skip
            jitter = rng.integers(0, 8, 2)
            a, b = min(y + int(jitter[0]), size - 1), min(x + int(jitter[1]), size - 1)
            total[a : a + 2 * half + 1, b : b + 2 * half + 1] += window * patch
            weight2[a : a + 2 * half + 1, b : b + 2 * half + 1] += window * window
    out = (total / np.sqrt(weight2))[half:-half, half:-half]
    for _ in range(9000):  # single blades, lit or shaded
        u, v, turn, length = rng.uniform((0, 0, 0, 4), (size, size, math.pi, 14))
        end = (round(u + length * math.cos(turn)), round(v + length * math.sin(turn)))
        cv2.line(out, (round(u), round(v)), end, float(rng.normal(0.5, 1.0)), 1)
    out = cv2.GaussianBlur(out, (0, 0), 0.45)
    return np.asarray((out - out.mean()) / out.std(), dtype=np.float32)


def smooth_noise(rng: np.random.Generator, rows: int, columns: int, cell: float, octaves: int = 3) -> Floats:
    """Return slowly varying noise, mean about 0 and deviation about 1, shape (rows, columns); ``cell`` in pixels."""
    out = np.zeros((rows, columns), np.float32)
    gain, norm = 1.0, 0.0
    for _ in range(octaves):
        small = rng.standard_normal((max(int(rows / cell) + 3, 4), max(int(columns / cell) + 3, 4))).astype(np.float32)
        out += gain * cv2.resize(small, (columns, rows), interpolation=cv2.INTER_CUBIC)
        norm += gain * gain
        gain, cell = gain * 0.6, max(cell / 2.2, 1.0)
    return np.asarray(out / math.sqrt(0.6 * norm), dtype=np.float32)


def _ramp(look: TurfLook) -> Floats:
    """Return the turf colour of 256 texture values (-3..3), shape (256, 3)."""
    stops = np.array([-3.0, -1.6, -0.6, 0.2, 1.0, 2.0, 3.0])
    colours = np.array(
        [[22, 34, 14], [40, 62, 24], [66, 96, 38], [88, 122, 50], [112, 146, 66], [140, 168, 88], [176, 194, 124]],
        float,
    )
    t = np.linspace(-3, 3, 256)
    ramp = np.stack([np.interp(t, stops, colours[:, i]) for i in range(3)], axis=1)
    mean = np.array([88.0, 120.0, 50.0])
    ramp = mean + (ramp - mean) * look.contrast
    return np.asarray(ramp * np.array(look.tint) * look.brightness, dtype=np.float32)


def _quilt(rng: np.random.Generator, master: Floats, rows: int, columns: int) -> NDArray[np.uint8]:
    """Lay turned pieces of the tile over a large field; returns texture coded 0..255 for -3..3."""
    step, lap = _CELL_PX, _OVERLAP_PX
    size = step + lap
    edge = np.ones(size, np.float32)
    edge[:lap] = np.sin(np.linspace(0, math.pi / 2, lap, dtype=np.float32))
    edge[-lap:] = edge[:lap][::-1]
    window = edge[:, None] * edge[None, :]  # squares of overlapping windows add up to 1: variance is kept
    out = np.empty((rows, columns), np.uint8)
    wide = (columns // step + 2) * step + lap
    band = np.zeros((size, wide), np.float32)
    for row in range(-lap, rows, step):
        for column in range(0, wide - size + 1, step):
            y, x = rng.integers(0, _MASTER_PX - size, 2)
            piece = np.rot90(master[y : y + size, x : x + size], int(rng.integers(4)))
            band[:, column : column + size] += window * piece
        top, bottom = max(row, 0), min(row + step, rows)
        done = band[top - row : bottom - row, lap : lap + columns]
        out[top:bottom] = cv2.convertScaleAbs(done, alpha=255 / 6.0, beta=127.5)
        band[:lap] = band[step:]
        band[lap:] = 0.0
    return out


def render_turf(
    rng: np.random.Generator,
    size_m: tuple[float, float],
    margin_m: float | tuple[float, float] = 0.5,
    look: TurfLook | None = None,
    features: Sequence[tuple[str, Polygon]] = (),
    resolution_m: float = 0.0015,
) -> Ground:
    """Return the ground picture of ``[0, size_m]`` and a margin, without plants.

    Parameters
    ----------
    size_m : tuple[float, float]
        East and north extent of the turf, metres.
    margin_m : float or tuple
        Ground around it, metres (east-west, north-south).
    features : sequence of (name, polygon)
        Built things: a name with "pavilion" is drawn as timber, "hedge" as a hedge, anything else as a lid.

    Raises
    ------
    InputError
        If the ground would be larger than 150 million pixels or has no size.
    """
    look = look or TurfLook()
    margin = (margin_m, margin_m) if isinstance(margin_m, int | float) else margin_m
    columns = round((size_m[0] + 2 * margin[0]) / resolution_m)
    rows = round((size_m[1] + 2 * margin[1]) / resolution_m)
    if not (columns > 0 and rows > 0 and rows * columns <= 150_000_000):
        raise InputError("the ground picture has an impossible size", value=(columns, rows), limit="150 million pixels")
    texture = _quilt(rng, _master(rng, look.fineness), rows, columns)
    ground = Ground(np.empty((rows, columns, 3), np.uint8), -margin[0], size_m[1] + margin[1], resolution_m)
    ramp = np.clip(_ramp(look), 0, 255)
    gain = _colour_drift(rng, look, ground)
    small = np.empty_like(ground.image[:1])
    table = np.ascontiguousarray(np.round(ramp).astype(np.uint8)[:, None, :]).reshape(1, 256, 3)
    for top in range(0, rows, 512):
        bottom = min(top + 512, rows)
        small = cv2.LUT(cv2.merge([texture[top:bottom]] * 3), table)
        part = _stretch(gain, top, bottom, rows, columns)
        ground.image[top:bottom] = cv2.multiply(small, part, dtype=cv2.CV_8U)
    from swardwright.simulation.decoys import scatter_decoys

    scatter_decoys(rng, ground, look, size_m, features)
    return ground


def _stretch(gain: Floats, top: int, bottom: int, rows: int, columns: int) -> Floats:
    """Return rows ``top..bottom`` of a coarse map stretched to (rows, columns)."""
    sy, sx = gain.shape[0] / rows, gain.shape[1] / columns
    matrix = np.array([[sx, 0, 0.5 * sx - 0.5], [0, sy, (top + 0.5) * sy - 0.5]])
    return np.asarray(
        cv2.warpAffine(
            gain, matrix, (columns, bottom - top),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.float32,
    )  # fmt: skip


def _colour_drift(rng: np.random.Generator, look: TurfLook, ground: Ground) -> Floats:
    """Return a coarse (12 mm) map of factors on red, green, blue: drift, drought, mowing stripes, shade."""
    rows, columns = ground.image.shape[0] // 8, ground.image.shape[1] // 8
    cell_m = 8 * ground.resolution_m
    light = (
        1.0 + 0.05 * smooth_noise(rng, rows, columns, 0.8 / cell_m) + 0.035 * smooth_noise(rng, rows, columns, 5.0, 2)
    )
    hue = 0.022 * smooth_noise(rng, rows, columns, 0.6 / cell_m)
    dry = np.clip(smooth_noise(rng, rows, columns, 0.45 / cell_m) - 1.4 + 2.2 * look.drought, 0, 1.5) / 1.5
    y, x = np.mgrid[:rows, :columns].astype(np.float32) * np.float32(cell_m)
    along = x * math.sin(look.stripe_rad) + y * math.cos(look.stripe_rad)
    wobble = 0.03 * smooth_noise(rng, rows, columns, 0.5 / cell_m, 2)
    light *= 1.0 + 0.5 * look.stripe * np.tanh(8 * np.sin(math.pi * (along + wobble) / look.stripe_m))
    for _ in range(rng.poisson(look.shade_m2 * rows * columns * cell_m**2)):
        cx, cy = rng.uniform(0, columns), rng.uniform(0, rows)
        a, b, turn = rng.uniform(0.04, 0.35) / cell_m, rng.uniform(0.03, 0.2) / cell_m, rng.uniform(0, math.pi)
        u = (x / cell_m - cx) * math.cos(turn) + (y / cell_m - cy) * math.sin(turn)
        v = -(x / cell_m - cx) * math.sin(turn) + (y / cell_m - cy) * math.cos(turn)
        inside = 1 / (1 + np.exp(np.clip((np.hypot(u / a, v / b) - 1) * min(a, b) / 1.2, -30, 30)))
        light *= 1 - look.shade * rng.uniform(0.5, 1.0) * inside
    straw = np.array([1.30, 1.08, 1.10], np.float32)
    out = np.stack([light * (1 + hue), light, light * (1 - hue)], axis=2)
    return np.asarray(out * (1 + dry[..., None] * (straw - 1) * 0.8), dtype=np.float32)

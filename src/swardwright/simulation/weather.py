"""Light on a teaching scene and what a camera makes of it: sun, shadows, flash, spectrum, blur, noise, exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.simulation.turf import Floats, Image, smooth_noise

#: colour; one channel of grey; one channel of near infra-red; near infra-red, red and green shown as red, green, blue
SPECTRA = ("colour", "grey", "infrared", "false colour")
_SPECTRUM_SHARE = (0.78, 0.05, 0.11, 0.06)
SKIES = ("overcast", "sun", "low sun", "dapple", "flash")
_SKY_SHARE = (0.32, 0.28, 0.18, 0.14, 0.08)
Rng = np.random.Generator


@dataclass(frozen=True)
class Weather:
    """The light of a scene: sky, relative length and depth (0..1) of shadows, and the light's colour."""

    sky: str
    reach: float
    depth: float
    cast: tuple[float, float, float]

    @classmethod
    def draw(cls, rng: Rng) -> Weather:
        """Return random weather."""
        sky = str(rng.choice(SKIES, p=_SKY_SHARE))
        reach, depth = {
            "overcast": (0.6, rng.uniform(0.0, 0.2)), "sun": (rng.uniform(0.5, 1.3), rng.uniform(0.45, 0.75)),
            "low sun": (rng.uniform(1.8, 4.5), rng.uniform(0.5, 0.8)), "dapple": (1.0, rng.uniform(0.3, 0.6)),
            "flash": (0.3, rng.uniform(0.5, 0.8)),
        }[sky]  # fmt: skip
        warm = {"low sun": rng.uniform(0.05, 0.28), "overcast": rng.uniform(-0.12, 0.03)}.get(sky, rng.normal(0, 0.06))
        cast = np.exp(np.array([warm, rng.normal(0, 0.03), -warm]) + rng.normal(0, 0.03, 3))
        return cls(sky, float(reach), float(depth), (float(cast[0]), float(cast[1]), float(cast[2])))


@dataclass(frozen=True)
class Spectrum:
    """What the camera is sensitive to; ``leaf`` and ``soil`` are brightnesses in the near infra-red, 0..1."""

    name: str = "colour"
    leaf: float = 0.75
    soil: float = 0.3

    @classmethod
    def draw(cls, rng: Rng) -> Spectrum:
        """Return a random one; most are colour cameras."""
        name = str(rng.choice(SPECTRA, p=_SPECTRUM_SHARE))
        return cls(name, float(rng.uniform(0.6, 0.9)), float(rng.uniform(0.15, 0.45)))

    def seen(self, picture: Image) -> Image:
        """Return what such a camera shows of a colour picture: leaves bright and soil dark in the near infra-red."""
        if self.name == "colour":
            return picture
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        if self.name == "grey":
            return np.asarray(cv2.merge([grey] * 3), np.uint8)
        small = picture.astype(np.float32)
        green = (2 * small[..., 1] - small[..., 0] - small[..., 2]) / (small.sum(axis=2) + 30.0)
        leaf = cv2.GaussianBlur(np.clip((green - 0.02) / 0.16, 0, 1), (0, 0), 0.8)
        lightness = grey.astype(np.float32)
        near = lightness * (2.0 * self.leaf * leaf + 2.0 * self.soil * (1 - leaf)) + 46.0 * leaf * self.leaf
        channel = np.asarray(np.clip(near, 0, 255), np.uint8)
        if self.name == "infrared":
            return np.asarray(cv2.merge([channel] * 3), np.uint8)
        return np.asarray(cv2.merge([channel, picture[..., 0], picture[..., 1]]), np.uint8)


def sky_shadows(rng: Rng, image: Image, res: float, weather: Weather) -> Image:
    """Return the ground with shadows of what stands about it: posts, rails, a hedge's edge, leaves of trees."""
    rows, columns = image.shape[:2]
    quarter = (columns // 4, rows // 4)
    dark = np.zeros(quarter[::-1], np.float32)
    if weather.sky == "dapple":
        noise = smooth_noise(rng, quarter[1], quarter[0], float(rng.uniform(0.03, 0.2)) / res / 4, 2)
        dark = np.clip(1.6 * (noise + rng.uniform(-0.4, 0.6)) + 0.5, 0, 1).astype(np.float32)
    elif weather.sky in ("sun", "low sun") and rng.random() < 0.6:
        for _ in range(int(rng.integers(1, 5))):
            if rng.random() < 0.3:  # an edge of something large
                x, y, turn = rng.uniform(0, quarter[0]), rng.uniform(0, quarter[1]), rng.uniform(0, 2 * math.pi)
                far = 3 * max(quarter)
                along, away = (np.array([math.cos(a), math.sin(a)]) for a in (turn, turn + math.pi / 2))
                corners = np.array([x, y]) + far * np.array([along, along + away, away - along, -along])
                cv2.fillPoly(dark, [np.round(corners).astype(np.int32)], 1.0)
            else:  # a post, rail or leg
                a, b = rng.uniform((0, 0), quarter, (2, 2))
                ends = (np.round(a - 2 * (b - a)).astype(int), np.round(b + 2 * (b - a)).astype(int))
                wide = max(round(float(rng.uniform(0.008, 0.12)) / res / 4), 1)
                cv2.line(dark, tuple(map(int, ends[0])), tuple(map(int, ends[1])), 1.0, min(wide, 255))
    if not dark.any():
        return image
    soft = float(rng.uniform(0.5, 0.012 / res / 4 + 1.0))
    dark = cv2.resize(cv2.GaussianBlur(dark, (0, 0), soft), (columns, rows), interpolation=cv2.INTER_LINEAR)
    depth = float(rng.uniform(0.3, 0.62))
    blue = np.array([1.06, 1.0, 0.9])
    out = np.empty_like(image)
    for channel in range(3):
        gain = 1.0 - np.float32(depth * blue[channel]) * dark
        out[..., channel] = cv2.multiply(image[..., channel].astype(np.float32), gain, dtype=cv2.CV_8U)
    return out


def _kernel(length_px: float, angle: float) -> NDArray[np.float32]:
    half = max(math.ceil(length_px / 2), 1)
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    reach = 0.5 * length_px * np.array([math.cos(angle), math.sin(angle)])
    ends = [tuple(int(v) for v in np.round((half + sign * reach) * 8)) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_8, 3)
    return np.asarray(kernel / max(float(kernel.sum()), 1e-6), np.float32)


def _falloff(rng: Rng, rows: int, columns: int, flash: bool) -> Floats:
    """Return the brightness over the picture: darker corners, or the spot of a lamp."""
    x = (np.arange(columns, dtype=np.float32) - columns / 2) / columns
    y = (np.arange(rows, dtype=np.float32) - rows / 2) / columns
    if flash:
        cx, cy = rng.normal(0, 0.12, 2)
        away = (x[None, :] - cx) ** 2 + (y[:, None] - cy) ** 2
        return np.asarray(rng.uniform(1.2, 1.7) / (1 + float(rng.uniform(2, 7)) * away) ** 1.5, np.float32)
    return np.asarray(1 - float(rng.uniform(0, 0.6)) * (x[None, :] ** 2 + y[:, None] ** 2), np.float32)


def shot(rng: Rng, picture: Image, weather: Weather, spectrum: Spectrum, res: float, height_m: float) -> Image:
    """Return the picture as a camera of its own takes it: robot's shadow, blur, exposure, contrast, noise."""
    rows, columns = picture.shape[:2]
    if weather.sky in ("sun", "low sun") and rng.random() < 0.25:
        picture = _machine_shadow(rng, picture)
    picture = spectrum.seen(picture)
    if rng.random() < 0.25:
        picture = np.asarray(cv2.filter2D(picture, -1, _kernel(rng.uniform(1.5, 9), rng.uniform(0, math.pi))), np.uint8)
    blur = float(rng.uniform(0.3, 1.0)) if rng.random() < 0.8 else float(rng.uniform(1.0, 2.6))
    out = cv2.GaussianBlur(picture, (0, 0), blur).astype(np.float32)
    exposure = float(np.exp(rng.normal(0.0, 0.18)))
    if rng.random() < 0.85:  # the camera sets its exposure itself, to about a middle grey
        exposure *= float(np.clip(105.0 / max(float(out[::8, ::8].mean()), 1.0), 0.5, 2.6))
    if rng.random() < 0.08:
        exposure *= float(rng.uniform(1.4, 2.1))
    colourful = spectrum.name == "colour"
    balance = np.array(weather.cast) * np.exp(rng.normal(0, 0.05, 3)) if colourful else np.ones(3)
    contrast = float(np.exp(rng.normal(0.0, 0.16)))
    light = exposure * _falloff(rng, rows, columns, weather.sky == "flash")
    middle = float(rng.uniform(90, 125))
    if colourful and rng.random() < 0.5:
        vivid = np.float32(np.clip(rng.normal(1.0, 0.25), 0.4, 1.6))
        grey = out.mean(axis=2, keepdims=True)
        out = grey + vivid * (out - grey)
    out = out * light[..., None] * balance.astype(np.float32)
    out = middle + np.float32(contrast) * (out - middle)
    noise = _noise(
        rng, rows, columns, float(rng.uniform(0.5, 5.0)) if rng.random() < 0.8 else float(rng.uniform(5, 12))
    )
    if not colourful and spectrum.name != "false colour":
        noise = noise[..., :1]
    return np.asarray(np.clip(out + noise, 0, 255), np.uint8)


def _noise(rng: Rng, rows: int, columns: int, deviation: float) -> Floats:
    """Return pixel noise; half of the cameras smear it over neighbours, as reading colours from a mosaic does."""
    noise = rng.standard_normal((rows, columns, 3), dtype=np.float32)
    if rng.random() < 0.5:
        noise = 1.9 * cv2.GaussianBlur(noise, (0, 0), 0.7)
    return np.asarray(deviation * noise, np.float32)


def _machine_shadow(rng: Rng, picture: Image) -> Image:
    """Return the picture with the shadow of whoever carries the camera, from one of its edges."""
    rows, columns = picture.shape[:2]
    dark = np.zeros((rows // 4, columns // 4), np.float32)
    width, deep = rng.uniform(0.2, 0.7) * columns / 4, rng.uniform(0.15, 0.6) * rows / 4
    left = rng.uniform(0, columns / 4 - width)
    lean = rng.normal(0, 0.2) * deep
    body = [[left, -5], [left + width, -5], [left + width + lean, deep], [left + lean, deep]]
    cv2.fillPoly(dark, [np.round(np.array(body)).astype(np.int32)], 1.0)
    if rng.random() < 0.5:
        x = int(left + lean + rng.uniform(0.2, 0.8) * width)
        cv2.line(dark, (x, int(deep)), (x + int(rng.normal(0, 40)), rows // 4), 1.0, int(rng.integers(3, 25)))
    if rng.random() < 0.5:
        dark = dark[::-1]
    dark = cv2.resize(cv2.GaussianBlur(dark, (0, 0), float(rng.uniform(0.5, 4))), (columns, rows))
    return np.asarray(picture * (1 - float(rng.uniform(0.35, 0.6)) * dark[..., None]), np.uint8)

"""Small invented videos, written with PyAV, whose truth is known because it is written here."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np

SIZE = (320, 240)


def turf(seed: int = 0, width: int = 2400, height: int = 1600) -> np.ndarray:
    """Return a grey-green picture with blades and spots of many sizes: nowhere alike twice."""
    rng = np.random.default_rng(seed)
    fine = rng.normal(0, 28, (height, width)).astype(np.float32)
    coarse = cv2.resize(rng.normal(0, 28, (height // 6, width // 6)).astype(np.float32), (width, height))
    base = 110 + cv2.GaussianBlur(fine, (0, 0), 0.8) * 1.6 + coarse
    spots = np.zeros_like(base)
    for _ in range(width * height // 1500):
        at = (int(rng.integers(width)), int(rng.integers(height)))
        cv2.circle(spots, at, int(rng.integers(2, 7)), float(rng.uniform(-60, 60)), -1)
    grey = np.clip(base + spots, 20, 225)
    return np.clip(np.stack([0.8 * grey, grey, 0.6 * grey], axis=-1), 0, 255).astype(np.uint8)


def seen_from(ground: np.ndarray, x: float, y: float, yaw: float = 0.0, scale: float = 1.0,
              size: tuple[int, int] = SIZE) -> np.ndarray:  # fmt: skip
    """Return what a camera over (x, y) px of the ground sees."""
    c, s = scale * math.cos(yaw), scale * math.sin(yaw)
    matrix = np.array([[c, -s, x - c * size[0] / 2 + s * size[1] / 2], [s, c, y - s * size[0] / 2 - c * size[1] / 2]])
    return cv2.warpAffine(ground, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def write(
    path: Path,
    pictures: Iterable[np.ndarray],
    *,
    rate: int = 20,
    times_ms: Sequence[int] | None = None,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    prepare: Any = None,
) -> Path:
    """Write red-green-blue pictures as a video; ``prepare`` may change each frame before it is coded."""
    pictures = list(pictures)
    height, width = pictures[0].shape[:2]
    with av.open(str(path), "w", options=container_options or {}) as container:
        stream = container.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
        stream.options = {"preset": "ultrafast", "crf": "12", "g": "10"} | (options or {}) if codec == "libx264" else {}
        if times_ms is not None:
            stream.codec_context.time_base = Fraction(1, 1000)
        for number, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            if times_ms is not None:
                frame.pts, frame.time_base = times_ms[number], Fraction(1, 1000)
            if prepare is not None:
                frame = prepare(frame)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path


def walk(
    ground: np.ndarray, count: int, *, start: float = 200.0, step: float = 8.0, y: float = 400.0
) -> list[np.ndarray]:
    """Return a camera that walks along x, ``step`` px a picture."""
    return [
        seen_from(ground, start + step * n, y + 6 * math.sin(0.3 * n), 0.02 * math.sin(0.2 * n)) for n in range(count)
    ]


def with_matrix(path: Path, a: int, b: int, c: int, d: int) -> Path:
    """Write a display matrix (ISO 14496-12) into the track header."""
    data = bytearray(path.read_bytes())
    at = data.find(b"tkhd") + 44
    one = 1 << 16
    assert data[at : at + 4] == one.to_bytes(4, "big")
    for i, value in enumerate([a * one, b * one, 0, c * one, d * one, 0]):
        data[at + 4 * i : at + 4 * i + 4] = value.to_bytes(4, "big", signed=True)
    path.write_bytes(bytes(data))
    return path

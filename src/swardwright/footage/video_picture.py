"""One decoded video frame to a picture: upright, 8 bit, whole pixels square, without interlacing combs."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.footage.streams import Image
from swardwright.footage.tone import HLG, PQ, grey_table, to_sdr

#: colorspace, range and primaries codes of ISO/IEC 23091-2 as the decoder gives them
_BT709, _UNKNOWN, _FULL = 1, 2, 2
_DISPLAY_MATRIX = "DISPLAYMATRIX"
#: luma formats whose first plane is luma, one sample a pixel
_LUMA_FIRST = ("yuv", "yuvj", "nv", "gray", "p0")


@dataclass(frozen=True)
class Grey:
    """A frame's brightness, reduced, for measuring.

    Attributes
    ----------
    half : NDArray[np.uint8]
        Half of the frame's width and height, as recorded (not turned).
    bright, dark : float
        Share of the frame that is clipped at the top and at the bottom, of every eighth pixel each way.
    """

    half: NDArray[np.uint8]
    bright: float
    dark: float


def turn(frame: Any) -> tuple[int, bool]:
    """Return quarter turns anticlockwise and whether the picture is mirrored first, from the display matrix.

    The matrix is that of ISO 14496-12 (x' = a x + c y, y' = b x + d y); angles between are rounded to quarters.
    """
    data = frame.side_data.get(_DISPLAY_MATRIX) if hasattr(frame, "side_data") else None
    if data is not None:
        a, b, _, c, d = struct.unpack("=5i", bytes(data)[:20])
        mirrored = a * d - b * c < 0
        if mirrored:  # left and right swapped before turning
            a, b = -a, -b
        return round(np.degrees(np.arctan2(-b, a)) / 90.0) % 4, mirrored
    return round(float(getattr(frame, "rotation", 0) or 0) / 90.0) % 4, False


def upright(frame: Any) -> Image:
    """Return a decoded frame red-green-blue (height, width, 3), 8 bit, turned as its rotation flag says.

    PQ and HLG are brought to 8 bit by ``tone.to_sdr``. Of an interlaced frame one field is kept, its lines doubled by
    interpolation: half the height's detail, and no combs. Pixels that are not square are widened or narrowed.
    """
    import cv2

    hdr = int(getattr(frame, "color_trc", 0) or 0) in (PQ, HLG)
    if hdr:
        image: Image = to_sdr(_signal(frame), int(frame.color_trc))
    else:
        if getattr(frame, "colorspace", None) == _UNKNOWN and frame.height >= 720:
            frame.colorspace = _BT709  # what players take high definition for (common practice, no source)
        image = np.asarray(frame.to_ndarray(format="rgb24"), dtype=np.uint8)
    if getattr(frame, "interlaced_frame", False) and image.shape[0] >= 4:
        image = np.asarray(cv2.resize(image[::2], (image.shape[1], image.shape[0]), interpolation=cv2.INTER_LINEAR))
    quarters, mirrored = turn(frame)
    if mirrored:
        image = image[:, ::-1]
    return np.ascontiguousarray(np.rot90(image, quarters), dtype=np.uint8)


def squared(image: Image, aspect: float, quarters: int) -> Image:
    """Return a picture whose pixels were ``aspect`` times as wide as high (before turning) with square pixels."""
    import cv2

    if not 0.2 < aspect < 5.0 or abs(aspect - 1.0) < 1e-3:
        return image
    height, width = image.shape[:2]
    size = (width, max(1, round(height * aspect))) if quarters % 2 else (max(1, round(width * aspect)), height)
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA if aspect < 1 else cv2.INTER_LINEAR))


def _signal(frame: Any) -> NDArray[np.float32]:
    """Return the coded red-green-blue signal of an HDR frame, 0..1."""
    if getattr(frame, "colorspace", None) == _UNKNOWN:
        frame.colorspace = 9  # BT.2020, which both HDR systems use
    return np.asarray(frame.to_ndarray(format="rgb48le"), np.float32) / np.float32(65535.0)


def _luma(frame: Any) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], int] | None:
    """Return the luma plane as stored (no copy) and its bits; None where the format has none or is exotic."""
    name = frame.format.name
    if not name.startswith(_LUMA_FIRST) or name.endswith("be") or name.startswith("yuyv"):
        return None
    plane = frame.planes[0]
    bits = int(frame.format.components[0].bits)
    if bits == 8:
        rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
        return rows[:, : plane.width], 8
    wide = np.frombuffer(plane, "<u2").reshape(plane.height, plane.line_size // 2)[:, : plane.width]
    # P0xx formats keep their bits at the top
    return wide, 16 if name.startswith("p0") else bits


def grey(frame: Any) -> Grey:
    """Return a frame's brightness for measuring; of an interlaced frame, that of one field."""
    import cv2

    found = _luma(frame)
    if found is None:
        plain = frame.reformat(format="gray")
        found = _luma(plain)
        if found is None:  # pragma: no cover - gray always has a luma plane
            raise ValueError(plain.format.name)
        limited = False
    else:
        limited = int(getattr(frame, "color_range", 0) or 0) != _FULL and not frame.format.name.startswith("yuvj")
    luma, bits = found
    transfer = int(getattr(frame, "color_trc", 0) or 0)
    height, width = luma.shape
    if getattr(frame, "interlaced_frame", False):
        luma = luma[::2]
    half = cv2.resize(luma, (max(1, width // 2), max(1, height // 2)), interpolation=cv2.INTER_AREA)
    some = np.ascontiguousarray(luma[::8, ::8])
    table = grey_table(transfer, bits, limited)
    shown = table[some]
    if bits != 8:
        half = table[half]
    count = max(1, shown.size)
    bright, dark = np.count_nonzero(shown >= 250) / count, np.count_nonzero(shown <= 5) / count
    return Grey(np.asarray(half, np.uint8), bright, dark)

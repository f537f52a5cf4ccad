"""Compressed and raw pictures to arrays, with their size checked before they are unpacked."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.footage.streams import MAX_PIXELS, Image

#: raw encodings (sensor_msgs image_encodings): channels and OpenCV's name of the conversion to red-green-blue
RAW_ENCODINGS: dict[str, tuple[int, str | None]] = {
    "rgb8": (3, None),
    "bgr8": (3, "COLOR_BGR2RGB"),
    "rgba8": (4, "COLOR_RGBA2RGB"),
    "bgra8": (4, "COLOR_BGRA2RGB"),
    "mono8": (1, "COLOR_GRAY2RGB"),
    "8UC1": (1, "COLOR_GRAY2RGB"),
    "8UC3": (3, "COLOR_BGR2RGB"),
    # OpenCV names a Bayer pattern by the second row's second and third pixel, ROS by the first row's first two
    "bayer_rggb8": (1, "COLOR_BayerBG2RGB"),
    "bayer_bggr8": (1, "COLOR_BayerRG2RGB"),
    "bayer_gbrg8": (1, "COLOR_BayerGR2RGB"),
    "bayer_grbg8": (1, "COLOR_BayerGB2RGB"),
}


class UnreadablePictureError(Exception):
    """One picture cannot be decoded: it is left out and counted, the rest of the recording is used."""


def compressed_size(data: bytes) -> tuple[int, int, int]:
    """Return width, height and EXIF orientation (1 to 8) from the picture's header alone.

    Raises
    ------
    UnreadablePictureError
        If the data is no picture, or is cut.
    RecordingError
        If it has more than ``MAX_PIXELS`` pixels.
    """
    import PIL.Image

    try:
        with PIL.Image.open(io.BytesIO(data)) as header:
            width, height = header.size
            orientation = int(header.getexif().get(0x0112, 1))
            jpeg = header.format == "JPEG"
    except PIL.Image.DecompressionBombError as error:
        raise _too_large("a picture") from error
    except Exception as error:
        raise UnreadablePictureError from error
    check_pixels(width, height)
    if jpeg and data.rfind(b"\xff\xd9", max(0, len(data) - 4096)) < 0:
        raise UnreadablePictureError  # no end-of-image marker: the data is cut
    return width, height, orientation if 1 <= orientation <= 8 else 1


def _too_large(value: object) -> RecordingError:
    return RecordingError("a picture is too large", field="picture", value=value, limit=f"{MAX_PIXELS} pixels")


def check_pixels(width: int, height: int) -> None:
    """Raise ``RecordingError`` if a picture has no size or is beyond ``MAX_PIXELS``."""
    if width <= 0 or height <= 0 or width * height > MAX_PIXELS:
        raise _too_large(f"{width} x {height}")


def decode(data: bytes, *, upright: bool = False) -> Image:
    """Return a compressed picture (JPEG, PNG, ...) as red-green-blue (height, width, 3) of 8 bits.

    ``upright`` applies the EXIF orientation, for photographs; a calibrated camera's pictures stay as they came. One
    channel is repeated three times; of more than 8 bits the top ones are kept (:func:`eight_bits`).
    """
    import cv2

    compressed_size(data)
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_ANYDEPTH | (0 if upright else cv2.IMREAD_IGNORE_ORIENTATION)
    return eight_bits(cv2.imdecode(np.frombuffer(data, np.uint8), flags))


def eight_bits(image: NDArray[Any] | None) -> Image:
    """Return a decoded picture in 8 bits: of 16, the top 8 of as many (8, 10, 12, 14 or 16) as its values need.

    Cameras of 10 to 14 bits write them into the low bits of 16, and the top 8 of all 16 would be all but black.

    Raises
    ------
    UnreadablePictureError
        If there is no picture, or its values are no whole numbers of 8 or 16 bits.
    """
    if image is None or image.dtype not in (np.uint8, np.uint16):
        raise UnreadablePictureError
    if image.dtype == np.uint16:
        used = max(8, int(image.max()).bit_length())
        image = image >> (used + used % 2 - 8)
    return np.asarray(image, dtype=np.uint8)


def decode_or_tell(data: bytes, upright: bool, where: str, field: str | None, remedy: str) -> Image:
    """Return :func:`decode` of a picture that could be read when it was taken in.

    Raises
    ------
    RecordingError
        If it cannot be read now.
    """
    try:
        return decode(data, upright=upright)
    except UnreadablePictureError as error:
        raise RecordingError("a picture cannot be decoded", where=where, field=field, remedy=remedy) from error


def sharpness(data: bytes) -> float:
    """Return the variance of the Laplacian of a compressed picture decoded in grey at half size (unitless)."""
    import cv2

    flags = cv2.IMREAD_REDUCED_GRAYSCALE_2 | cv2.IMREAD_ANYDEPTH
    grey = eight_bits(cv2.imdecode(np.frombuffer(data, np.uint8), flags))
    return float(cv2.Laplacian(grey, cv2.CV_16S, ksize=1).std() ** 2)


def image_sharpness(image: Image) -> float:
    """Return the variance of the Laplacian at half size of an array (height, width, 3) or (height, width)."""
    import cv2

    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image
    half = cv2.resize(grey, (max(1, grey.shape[1] // 2), max(1, grey.shape[0] // 2)), interpolation=cv2.INTER_AREA)
    return float(cv2.Laplacian(half, cv2.CV_16S, ksize=1).std() ** 2)


def decode_raw(encoding: str, width: int, height: int, step: int, data: Image, where: str) -> Image:
    """Return an uncompressed ``sensor_msgs/Image`` as red-green-blue (height, width, 3).

    Raises
    ------
    RecordingError
        If the encoding is not one of ``RAW_ENCODINGS`` or the sizes contradict each other.
    """
    import cv2

    if encoding not in RAW_ENCODINGS:
        raise RecordingError("pictures of this encoding cannot be read", where=where, field="encoding", value=encoding,
                             limit="one of: " + ", ".join(RAW_ENCODINGS),
                             remedy="record 8-bit colour, or record compressed pictures")  # fmt: skip
    check_pixels(width, height)
    channels, conversion = RAW_ENCODINGS[encoding]
    if step < width * channels or data.size != step * height:
        raise RecordingError("a picture's data does not fit its stated size", where=where, field="step",
                             value=f"{data.size} bytes for {width} x {height}, step {step}",
                             limit=f"step of at least {width * channels}, {height} rows")  # fmt: skip
    rows = np.ascontiguousarray(data.reshape(height, step)[:, : width * channels])
    image = rows if channels == 1 else rows.reshape(height, width, channels)
    if conversion is None:
        return image
    return np.asarray(cv2.cvtColor(image, getattr(cv2, conversion)), dtype=np.uint8)

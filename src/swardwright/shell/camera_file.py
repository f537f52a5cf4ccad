"""``camera.yaml``: intrinsics in the fields of ROS ``CameraInfo`` files, with the covariance of the estimate."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError, SiteError
from swardwright.domain.poses import Array

MAX_BYTES = 100_000
#: covariance taken where a camera file states none: 2 px standard deviation for each of fx fy cx cy; common
#: practice, no source (a target calibration usually does better)
DEFAULT_SIGMA_PX = 2.0
FIELD = "covariance_fx_fy_cx_cy"
LENS_FIELD = f"{FIELD}_k1_k2_p1_p2_k3"
MODELS = ("plumb_bob", "rational_polynomial")


def read_text(path: Path, limit_bytes: int, remedy: str) -> str:
    """Return a small UTF-8 text file's content.

    Raises
    ------
    SiteError
        If it is absent, too large, or not text.
    """
    try:
        if path.stat().st_size > limit_bytes:
            raise SiteError("the file is too large", where=path.name, value=f"{path.stat().st_size} bytes",
                            limit=f"at most {limit_bytes} bytes", remedy=remedy)  # fmt: skip
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise SiteError("there is no such file", where=path.name, remedy=remedy) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SiteError(f"the file cannot be read as text ({error})", where=path.name, remedy=remedy) from error


def load_camera(path: Path) -> Camera:
    """Read a camera file.

    Raises
    ------
    SiteError
        If the file or one of its fields cannot be used.
    """
    import yaml

    remedy = "write the fields of a ROS camera calibration: image_width, image_height, camera_matrix, ..."
    try:
        data: Any = yaml.safe_load(read_text(path, MAX_BYTES, remedy))
    except (yaml.YAMLError, RecursionError) as error:
        raise SiteError("the camera file is not YAML", where=path.name, remedy=remedy) from error
    if not isinstance(data, dict):
        raise SiteError("the camera file holds no fields", where=path.name, remedy=remedy)
    k = _numbers(data, "camera_matrix", path.name, (9,))
    width, height = _size(data, "image_width", path.name), _size(data, "image_height", path.name)
    model = data.get("distortion_model", "plumb_bob")
    if model not in MODELS:
        raise SiteError("this lens model is not known", where=path.name, field="distortion_model", value=model,
                        limit=" or ".join(MODELS), remedy="calibrate with one of these models")  # fmt: skip
    distortion = _numbers(data, "distortion_coefficients", path.name, (0, 4, 5, 8), default=())
    covariance = _covariance(data, path.name)
    try:
        return Camera(width, height, k[0], k[4], k[2], k[5], np.array(distortion), covariance)
    except InputError as error:
        raise SiteError(error.what, where=path.name, field=error.field, value=error.value, limit=error.limit,
                        remedy=error.remedy or "calibrate the camera again") from error  # fmt: skip


def _covariance(data: dict[str, Any], where: str) -> Array:
    """Return the covariance of the estimate: with the lens (9, 9) where the file has it, otherwise (4, 4)."""
    field, size = (LENS_FIELD, 9) if data.get(LENS_FIELD) is not None else (FIELD, 4)
    spread = _numbers(data, field, where, (size**2,), default=tuple((DEFAULT_SIGMA_PX**2 * np.eye(size)).ravel()))
    covariance = np.reshape(spread, (size, size))
    scale = np.sqrt(np.abs(np.diag(covariance)))
    scale[scale == 0] = 1.0
    one = covariance / np.outer(scale, scale)  # focal lengths and lens coefficients have very different sizes
    if np.abs(one - one.T).max() > 1e-9 or np.diag(covariance).min() < 0 or np.linalg.eigvalsh(one).min() < -1e-9:
        raise SiteError("a covariance must be symmetric and not negative", where=where, field=field,
                        remedy="copy it again from the calibration")  # fmt: skip
    return np.asarray((covariance + covariance.T) / 2)


def _size(data: dict[str, Any], field: str, where: str) -> int:
    value: object = data.get(field)
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 20_000:
        return value
    raise SiteError("a picture size must be a whole number of pixels", where=where, field=field, value=value,
                    limit="1 to 20000", remedy="write the size of the camera's pictures")  # fmt: skip


def _numbers(
    data: dict[str, Any], field: str, where: str, sizes: tuple[int, ...], default: tuple[float, ...] | None = None
) -> list[float]:
    value: object = data.get(field)
    if value is None and default is not None:
        return list(default)
    if isinstance(value, dict):
        value = value.get("data")
    if isinstance(value, list) and len(value) in sizes:
        numbers = [n for n in map(_number, value) if n is not None]
        if len(numbers) == len(value) and bool(np.isfinite(numbers).all()):
            return numbers
    raise SiteError("finite numbers are needed", where=where, field=field, value=value,
                    limit=f"{' or '.join(map(str, sizes))} numbers",
                    remedy="copy them from the calibration")  # fmt: skip


def _number(value: object) -> float | None:
    """Return a YAML value as a number; ``1e-05`` without a point is text to YAML 1.1, and meant as a number."""
    if isinstance(value, str) and re.fullmatch(r"[-+]?\d{1,20}[eE][-+]?\d{1,3}", value):
        return float(value)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _listed(values: Array) -> str:
    """Return numbers as a YAML list; each reads back as the same number, also where YAML wants a point."""
    texts = (repr(float(v)) for v in np.ravel(values))
    return "[" + ", ".join(t if "." in t else t.replace("e", ".0e") for t in texts) + "]"


def camera_text(camera: Camera, comment: str) -> str:
    """Return the text of a camera file."""
    model = "rational_polynomial" if any(camera.distortion[5:]) else "plumb_bob"
    distortion = camera.distortion if model == "rational_polynomial" else camera.distortion[:5]
    field = FIELD if len(camera.covariance) == 4 else LENS_FIELD
    of = field.removeprefix("covariance_").replace("_", " ")
    return (
        f"# {comment}\n# Fields of sensor_msgs/CameraInfo, pixels.\n"
        f"image_width: {camera.width_px}\nimage_height: {camera.height_px}\n"
        f"distortion_model: {model}\n"
        f"distortion_coefficients: {{rows: 1, cols: {len(distortion)}, data: {_listed(distortion)}}}\n"
        f"camera_matrix: {{rows: 3, cols: 3, data: {_listed(camera.matrix)}}}\n"
        f"# covariance of the estimate of {of} (px, unitless), row-major\n{field}: {_listed(camera.covariance)}\n"
    )

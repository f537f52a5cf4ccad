"""Calibration against the outside: camera, mount, aim and the base's track, each from a module of its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchmarks import _calibrate_aim, _calibrate_camera, _calibrate_mount, _calibrate_track


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures of every calibration."""
    for part in (_calibrate_camera, _calibrate_mount, _calibrate_aim, _calibrate_track):
        yield from part.figures(full)

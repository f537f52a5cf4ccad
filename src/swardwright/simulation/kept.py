"""The turf picture kept in the site's folder, so that every command does not draw it anew."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path

import cv2
import numpy as np

from swardwright.domain.errors import InputError
from swardwright.simulation.turf import Ground, render_turf
from swardwright.simulation.world import World, write_bytes

#: changes whenever the turf of the same parameters would look different
TURF_VERSION = 1
_JPEG_QUALITY = 93


def kept_turf(folder: Path, world: World) -> Ground:
    """Return the turf without plants: drawn once, kept as a picture named by the hash of all it was drawn from.

    It is always read back from the picture, so that the first time is no different from the others.

    Raises
    ------
    InputError
        If the kept picture is not readable.
    """
    w = world
    parts = {"version": TURF_VERSION, "opencv": cv2.__version__, "seed": w.seed, "size": w.size_m, "margin": w.margin_m,
             "resolution": w.resolution_m, "look": asdict(w.look), "features": w.features}  # fmt: skip
    key = hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:16]
    path = folder / f"turf-{key}.jpg"
    if not path.is_file():
        rng = np.random.default_rng([w.seed, 3])
        turf = render_turf(rng, w.size_m, w.margin_m, w.look, w.features, w.resolution_m)
        _, data = cv2.imencode(".jpg", turf.image, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
        write_bytes(path, data.tobytes())
    image = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if image is None:
        raise InputError("the kept picture of the simulated turf is not readable", where=str(path),
                         remedy="delete the file: it is drawn anew")  # fmt: skip
    return Ground(image, -w.margin_m[0], w.size_m[1] + w.margin_m[1], w.resolution_m)

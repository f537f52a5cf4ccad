"""What each frame could have seen: nested outlines on the ground, each with the probability that a plant is found.

A plant at the picture's edge is cut by it, and the network sees less round it: it is found less often. The detector's
card may carry the share found by distance from the edge; where it does not, a stated default stands in.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.domain.weed import Look
from swardwright.locating.chain import meet_ground, stations

#: Share of the smaller picture side at the edge in which a place does not count as looked at (common practice, no
#: source): absence there is weak evidence, and a weed is not called dead on it.
EDGE_SHARE = 0.04
#: Points along each side of a picture's outline.
SIDE_POINTS = 6
#: Without measured bands: from which distance to the edge on (share of the smaller side), and by which factor the odds
#: of being found differ from those in the middle (common practice, no source).
DEFAULT_BANDS = ((0.0, 0.1), (0.01, 0.3), (0.03, 1.0))
#: Most bands of a card.
BANDS_MAX = 20

#: (distance from the picture's edge from which on it holds, px; probability), from the edge inwards
Bands = Sequence[tuple[float, float]]


def looks(frames: Sequence[Frame], rig: Rig, *, detection_probability: float, false_alarms_m2: float,
          bands: Bands | None = None) -> list[Look]:  # fmt: skip
    """Return what each frame could have seen: outlines on the ground with detection probabilities.

    Parameters
    ----------
    detection_probability : float
        Mean over the picture.
    bands : Sequence[tuple[float, float]], optional
        Measured: distance from the picture's edge from which on it holds (px, the first 0, rising), and probability.
        None: ``default_bands``.

    Notes
    -----
    A frame of which less than a triangle of outline points meets the ground gives no look: absence in it says nothing.

    Raises
    ------
    InputError
        If a frame has no pose, or a number is out of range.
    """
    if not 0.0 < detection_probability < 1.0:
        raise InputError("the detection probability must lie between 0 and 1", field="detection_probability",
                         value=detection_probability, limit="more than 0, less than 1")  # fmt: skip
    if not (np.isfinite(false_alarms_m2) and false_alarms_m2 >= 0.0):
        raise InputError("the false-alarm density must be finite and not negative", field="false_alarms_m2",
                         value=false_alarms_m2)  # fmt: skip
    bands = default_bands(rig.camera, detection_probability) if bands is None else _checked(bands)
    if not frames:
        return []
    half = 0.5 * min(rig.camera.width_px, rig.camera.height_px)
    bands = [band for band in bands if band[0] < half]
    rings = [picture_outline(rig), *(outline_at(rig.camera, distance - 0.5) for distance, _ in bands)]
    points, size = np.concatenate(rings), len(rings[0])
    index = np.repeat(np.arange(len(frames)), len(points))
    meeting = meet_ground(stations(frames, rig), index, np.tile(points, (len(frames), 1)), rig)
    met = np.array([not reason for reason in meeting.reason]).reshape(len(frames), len(rings), size)
    ground = meeting.point_m.reshape(len(frames), len(rings), size, 2)
    out = []
    for frame, good, place in zip(frames, met, ground, strict=True):
        if good[0].sum() < 3:
            continue
        nested = tuple(
            (_anticlockwise(place[r][good[r]]), p) for r, (_, p) in enumerate(bands, 1) if good[r].sum() >= 3
        )
        out.append(Look(frame.id, _anticlockwise(place[0][good[0]]), detection_probability, false_alarms_m2, nested))
    return out


def ground_sampling(frames: Sequence[Frame], rig: Rig) -> float | None:
    """Return the ground that a pixel in the middle of the pictures covers (m), their median; None without poses."""
    posed = [f for f in frames if f.ground_from_camera is not None or (f.base is not None and f.joints_rad is not None)]
    if not posed:
        return None
    middle = 0.5 * np.array([rig.camera.width_px - 1.0, rig.camera.height_px - 1.0])
    meeting = meet_ground(stations(posed, rig), np.arange(len(posed)), np.tile(middle, (len(posed), 1)), rig)
    good = [m for m, reason in zip(meeting.sampling_m_px, meeting.reason, strict=True) if not reason]
    return float(np.median(good)) if good else None


def default_bands(camera: Camera, detection_probability: float) -> list[tuple[float, float]]:
    """Return bands of the default shape whose mean over the picture is the detection probability.

    The odds in the middle are found by bisection: the mean rises with them.
    """
    width, height = camera.width_px, camera.height_px
    edges = [share * min(width, height) for share, _ in DEFAULT_BANDS]
    factor = np.array([f for _, f in DEFAULT_BANDS])
    areas = np.array([(width - 2 * d) * (height - 2 * d) for d in edges] + [0.0])
    weight = -np.diff(areas) / areas[0]
    low, high = -40.0, 40.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        odds = factor * np.exp(middle)
        mean = float(weight @ (odds / (1.0 + odds)))
        low, high = (middle, high) if mean < detection_probability else (low, middle)
    odds = factor * np.exp(0.5 * (low + high))
    return [(d, float(p)) for d, p in zip(edges, odds / (1.0 + odds), strict=True)]


def _checked(bands: Bands) -> list[tuple[float, float]]:
    at = [float(d) for d, _ in bands]
    good = bool(at) and at[0] == 0.0 and all(np.isfinite(at)) and at == sorted(set(at))
    if not good or len(at) > BANDS_MAX:
        raise InputError("bands begin at the picture's edge (0 px) and lie one within the other", field="bands",
                         value=tuple(at)[:6], limit=f"1 to {BANDS_MAX} rising distances from 0 px",
                         remedy="leave the bands out of the detector's card, or teach it again")  # fmt: skip
    wrong = next((p for _, p in bands if not 0.0 < p < 1.0), None)
    if wrong is not None:
        raise InputError("a band's detection probability must lie between 0 and 1", field="bands", value=wrong,
                         limit="more than 0, less than 1")  # fmt: skip
    return [(float(d), float(p)) for d, p in bands]


def picture_outline(rig: Rig) -> Array:
    """Return pixels (n, 2) round the picture's edge, ``EDGE_SHARE`` of the smaller side inside it."""
    return outline_at(rig.camera, EDGE_SHARE * min(rig.camera.width_px, rig.camera.height_px))


def outline_at(camera: Camera, margin_px: float) -> Array:
    """Return pixels (n, 2) of a rectangle ``margin_px`` inside the outermost pixels' centres."""
    m = margin_px
    u = np.linspace(m, camera.width_px - 1 - m, SIDE_POINTS)
    v = np.linspace(m, camera.height_px - 1 - m, SIDE_POINTS)
    rest = SIDE_POINTS - 1
    sides = [
        np.column_stack([u[:-1], np.full(rest, v[0])]),
        np.column_stack([np.full(rest, u[-1]), v[:-1]]),
        np.column_stack([u[:0:-1], np.full(rest, v[-1])]),
        np.column_stack([np.full(rest, u[0]), v[:0:-1]]),
    ]
    return np.concatenate(sides)


def _anticlockwise(corners: Array) -> Array:
    x, y = corners.T
    return corners[::-1] if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) < 0 else corners


__all__ = [
    "BANDS_MAX", "DEFAULT_BANDS", "EDGE_SHARE", "default_bands", "ground_sampling", "looks", "outline_at",
    "picture_outline",
]  # fmt: skip

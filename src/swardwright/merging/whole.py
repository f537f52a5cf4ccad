"""Which pictures show a plant whole: those whose edge cuts it neither place it nor miss it.

Of a plant that the edge cuts the detector sees a part, and takes the middle of that part for the plant's: it is off
towards the picture's middle, at the front of a drive and at its back in opposite directions. Where wide plants are
many, that looks like a base that went less far than it did.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.footprint import inside
from swardwright.domain.poses import Array
from swardwright.domain.uncertainty import Scope
from swardwright.domain.weed import Look, Sighting


def whole_in(look: Look, middles_m: Array, radii_m: Array) -> NDArray[np.bool_]:
    """Return which discs (n,) lie whole within a picture's outline on the ground.

    Parameters
    ----------
    middles_m, radii_m : Array
        Shapes (n, 2), (n,), where the look has them.
    """
    corners = look.bands[0][0] if look.bands else look.corners_m
    middles = np.asarray(middles_m, dtype=float).reshape(-1, 2)
    side = np.roll(corners, -1, axis=0) - corners
    away = middles[:, None] - corners
    along = np.einsum("nki,ki->nk", away, side) / np.maximum(np.einsum("ki,ki->k", side, side), 1e-18)
    nearest = away - np.clip(along, 0.0, 1.0)[..., None] * side
    gap2 = np.einsum("nki,nki->nk", nearest, nearest).min(axis=1)
    return np.asarray(inside(middles, corners) & (gap2 >= np.square(np.maximum(radii_m, 0.0))))


def seen_whole(sightings: Sequence[Sighting], looks: Sequence[Look]) -> list[Sighting]:
    """Return the sightings without those cut by their picture's edge whose whole disc another picture shows.

    A disc has the sighting's radius and one standard deviation of it: of a plant that is cut the detector says the
    radius of the part. The middle of that is off by half of what is cut away: where that is less than one standard
    deviation of the sighting's own noise, it stays.
    """
    by_frame = {look.frame_id: look for look in looks}
    middles = np.array([s.mean_m for s in sightings]).reshape(-1, 2)
    radii = np.array([s.radius_m + s.radius_sd_m for s in sightings])
    cut = np.zeros(len(sightings), dtype=np.bool_)
    members: dict[str, list[int]] = {}
    for i, sighting in enumerate(sightings):
        members.setdefault(sighting.frame_id, []).append(i)
    for frame_id, mine in members.items():
        if frame_id in by_frame:
            noise = np.array([_own_noise(sightings[i]) for i in mine])
            cut[mine] = ~whole_in(by_frame[frame_id], middles[mine], radii[mine] - 2.0 * noise)
    elsewhere = np.zeros(len(sightings), dtype=np.bool_)
    for look in looks:
        low, high = look.corners_m.min(axis=0), look.corners_m.max(axis=0)
        some = np.flatnonzero(cut & ~elsewhere & ((middles > low) & (middles < high)).all(axis=1))
        elsewhere[some] = whole_in(look, middles[some], radii[some])
    return [s for s, left in zip(sightings, cut & elsewhere, strict=True) if not left]


def _own_noise(sighting: Sighting) -> float:
    """Return the standard deviation per axis (m) of what errs in this sighting alone."""
    own = [np.trace(e.ground_covariance_m2) for e in sighting.errors if e.scope is Scope.PIXEL]
    return float(np.sqrt(0.5 * sum(own)))

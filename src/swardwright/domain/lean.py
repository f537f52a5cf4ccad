"""Which way the head may lean: so that it throws the flame outwards, away from the base."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.domain.site import Base

#: the head's axis may lean this far towards the base, where a tilt is used: what arm and base stand off true by, and
#: room for the search (common practice, no source)
INWARD_RAD = math.radians(3.0)


def lean_axes(base: Base, points_m: Array, lean_rad: float) -> Array:
    """Return the directions (n, 3) down that lean by so much away from the base, over points (n, 2), base axes, m."""
    out = np.empty((len(points_m), 3))
    out[:, :2] = math.sin(lean_rad) * base.away_from(np.asarray(points_m, dtype=float))
    out[:, 2] = -math.cos(lean_rad)
    return out


def thrown_outwards(
    base: Base, tilt_max_rad: float, axes: Array, points_m: Array, slack_rad: float = 0.0
) -> NDArray[np.bool_]:
    """Return whether the head's axes (n, 3) over points (n, 2), base axes, stand upright or lean outwards.

    Allowed are the directions within ``tilt_max / 2 + INWARD_RAD`` of the one that leans away from the base by
    ``tilt_max / 2``: outwards all of the tilt, sideways less, towards the base (its nearest point) no more than
    ``INWARD_RAD``. ``slack_rad`` is added to that. How far it leans outwards is not judged here.
    """
    half = 0.5 * tilt_max_rad
    off = np.sum(axes * lean_axes(base, points_m, half), axis=1)
    good: NDArray[np.bool_] = off >= math.cos(half + INWARD_RAD + slack_rad)
    return good

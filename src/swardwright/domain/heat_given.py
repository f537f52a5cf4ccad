"""What holds really given do to a plant: dose, kill and scorched turf of one hold, a ring, or part of a ring."""

from __future__ import annotations

import math

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.heat import Head, footprint_density_m2, kill_probability, scorched_area_m2
from swardwright.domain.pattern import normal_draws
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind
from swardwright.domain.uncertainty import check_covariance

_DRAWS = 4096
#: points of the rim: part of a ring leaves one side of the crown cold, where 12 are not enough
_RIM = 36
#: cells of the scorched area, in footprint standard deviations
_CELL = 1.0 / 30.0


def crown_points_m(crown_radius_m: float, count: int = _RIM) -> Array:
    """Return growing points about the crown, shape (count + 1, 2), m: its centre and its rim; one where it has none."""
    if crown_radius_m <= 0.0:
        return np.zeros((1, 2))
    angle = 2.0 * math.pi * np.arange(count) / count
    return np.vstack([np.zeros((1, 2)), crown_radius_m * np.column_stack([np.cos(angle), np.sin(angle)])])


def dose_and_kill(
    head: Head, kind: Kind, covariance_m2: Array, landings_m: Array, heated_s: Array, crown_radius_m: float = 0.0
) -> tuple[float, float]:
    """Return the dose expected on the least heated growing point, kg/m2, and the expected kill probability.

    Parameters
    ----------
    covariance_m2 : Array
        Shape (2, 2): crown relative to the base, m2. The head's offset error is added (the same in all holds); its
        landing scatter is drawn anew for each.
    landings_m : Array
        Shape (n, 2): where the head pointed at each hold, about the believed crown, m.
    heated_s : Array
        Shape (n,): time at full flame of each.
    crown_radius_m : float
        The least dose within this distance of the crown counts.

    Notes
    -----
    ``E[K(min_c sum_i m t_i g(c - a_i - e_i))]`` by the draws of ``pattern_for``, so that a ring given as it was
    planned has the kill that it was planned for; 0.2 % of a probability at 4096 draws.
    """
    landings = np.asarray(landings_m, dtype=float).reshape(-1, 2)
    times = np.asarray(heated_s, dtype=float).reshape(-1)
    if len(landings) != len(times) or not np.isfinite(landings).all() or not (times >= 0.0).all():
        raise InputError("holds given need a finite place and a time of 0 or more each", field="heated_s",
                         value=times.tolist())  # fmt: skip
    n = len(times)
    if n == 0:
        return 0.0, 0.0
    common = check_covariance(covariance_m2, "covariance_m2") + head.offset_sigma_m**2 * np.eye(2)
    variance, axes = np.linalg.eigh(common)
    major = axes[:, ::-1]
    normal = normal_draws(2 + 2 * n, _DRAWS)
    crown = normal[:, :2] * np.sqrt(np.maximum(variance[::-1], 0.0))
    scatter = head.landing_sigma_m * normal[:, 2:].reshape(-1, n, 2)
    away = crown[:, None, :] - scatter - landings @ major  # (draws, holds, 2), principal axes
    if n == 1:  # the least heated point lies on the far side
        farthest = np.linalg.norm(away[:, 0], axis=1) + max(crown_radius_m, 0.0)
        dose = head.flow_kg_s * footprint_density_m2(np.square(farthest), head.footprint_sigma_m) * times[0]
    else:
        dose = np.full(len(normal), np.inf)
        for point in crown_points_m(crown_radius_m):
            density = footprint_density_m2(np.square(away + point).sum(axis=2), head.footprint_sigma_m)
            dose = np.minimum(dose, head.flow_kg_s * density @ times)
    kill = kill_probability(dose, kind.ed50_kg_m2, kind.slope)
    return float(dose.mean()), float(kill.mean())


def scorched_by_holds_m2(head: Head, landings_m: Array, heated_s: Array, turf_limit_kg_m2: float) -> float:
    """Return the area in which holds of any times and places together give more than the turf's limit, m2.

    Exact for one hold; several by cells of 1/30 of the footprint's standard deviation (1 % and better), the footprint
    widened by what their landings scatter about their mean, as in ``scorched_by_pattern_m2``.
    """
    landings = np.asarray(landings_m, dtype=float).reshape(-1, 2)
    times = np.asarray(heated_s, dtype=float).reshape(-1)
    if len(times) == 1:
        return scorched_area_m2(head, float(times[0]), turf_limit_kg_m2)
    s = math.hypot(head.footprint_sigma_m, head.landing_sigma_m * math.sqrt(1.0 - 1.0 / max(len(times), 1)))
    peak = head.flow_kg_s * float(times.sum()) * float(footprint_density_m2(0.0, s))
    if peak <= turf_limit_kg_m2:
        return 0.0
    reach, cell = s * math.sqrt(2.0 * math.log(peak / turf_limit_kg_m2)), _CELL * s
    low, high = landings.min(axis=0) - reach, landings.max(axis=0) + reach
    x, y = (np.arange(a, b + cell, cell) for a, b in zip(low, high, strict=True))
    dose = np.zeros((len(x), len(y)))
    for (ax, ay), time in zip(landings, times, strict=True):  # the footprint is a product of its two axes
        own = np.outer(np.exp(-0.5 * np.square((x - ax) / s)), np.exp(-0.5 * np.square((y - ay) / s)))
        dose += head.flow_kg_s * time * float(footprint_density_m2(0.0, s)) * own
    return float(cell * cell * np.count_nonzero(dose > turf_limit_kg_m2))

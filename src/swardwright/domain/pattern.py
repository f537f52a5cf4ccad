"""Hold patterns: one hold on the aim or a ring of holds around it, whichever takes the least gas.

The run carries out one hold per weed (``dwell``). This module says what a ring would take instead: a ring pays where
the place is uncertain or the crown wide against the footprint, since one hold must then be long to reach the rim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from swardwright.domain.dwell import dwell_for, gas_of_hold_kg
from swardwright.domain.heat import Head, footprint_density_m2, scorched_area_m2
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Limits
from swardwright.domain.uncertainty import check_covariance

#: holds of a ring
RINGS = (3, 4, 5, 6, 7)
#: share of a plant's radius within which growing points are taken to sit (common practice, no source)
CROWN_SHARE = 0.5
#: patterns within this share of the least gas count as equal, and the least scorched of them is taken
EQUAL_GAS = 0.01
#: time from one hold of a ring to the next, s (common practice, no source): the pilot burns meanwhile
MOVE_S = 1.0
#: ring radii tried first, in footprint standard deviations
_RADII = np.arange(0.3, 3.31, 0.3)
#: step of the table, in footprint standard deviations; it only chooses, the dwell is worked out on the true figures
_CELL = 0.1
_COARSE, _FINE = 512, 4096
_RIM = 12


@dataclass(frozen=True)
class Pattern:
    """One hold or a ring of equal holds.

    Attributes
    ----------
    offsets_m : tuple[tuple[float, float], ...]
        Aims of the holds about the believed crown, in the axes of the covariance.
    hold_s : float
        Time at full flame of each hold.
    gas_kg : float
        Fuel of all holds with the valve delay at both ends of each, and of the pilot from ignition to the last hold.
    kill : float
        Expected kill probability.
    scorch_m2 : float
        Turf that gets more than its limit from all holds together.
    reached : bool
        Whether ``kill`` reaches the target.
    reason : str
        Why not; empty where it is.
    revisit : bool
        Not reached, but the longest hold kills more likely than not: give it, and treat again at the next visit.
    """

    offsets_m: tuple[tuple[float, float], ...]
    hold_s: float
    gas_kg: float
    kill: float
    scorch_m2: float
    reached: bool
    reason: str
    revisit: bool = False

    @property
    def worth_giving(self) -> bool:
        """Whether it may be planned and given: it reaches the target, or is the first of several."""
        return self.reached or self.revisit


def gas_of_pattern_kg(head: Head, holds: int, hold_s: float) -> float:
    """Return the fuel of ``holds`` holds with valve delays, and of the pilot from ignition to the last hold, kg."""
    lit_s = head.ignition_s + holds * (hold_s + 2.0 * head.valve_delay_s) + (holds - 1) * MOVE_S
    return holds * gas_of_hold_kg(head, hold_s) + head.pilot_kg_s * lit_s


def ring_m(holds: int, radius_m: float, turn_rad: float = 0.0) -> Array:
    """Return the aims of a ring, shape (holds, 2), m; one hold is at the centre."""
    angle = turn_rad + 2.0 * math.pi * np.arange(holds) / holds
    return (radius_m if holds > 1 else 0.0) * np.column_stack([np.cos(angle), np.sin(angle)])


def pattern_for(head: Head, kind: Kind, covariance_m2: Array, limits: Limits, crown_radius_m: float = 0.0) -> Pattern:
    """Return the pattern whose expected kill reaches ``limits.kill_target`` for the least gas.

    Parameters
    ----------
    covariance_m2 : Array
        Shape (2, 2): crown relative to the base, m2. The head's offset error is added to it (the same in all holds);
        its landing scatter is drawn anew for each hold.
    crown_radius_m : float
        The least dose within this distance of the crown counts: growing points sit anywhere in it, and the plant lives
        on as long as the least heated of them does.

    Notes
    -----
    One hold: the product rule of ``dwell_for``. Ring of n at radius R: ``E[K(m t min_c sum_i g(c - a_i - e_i))]`` over
    crown place and n landing errors ``e_i`` by a rank-1 quasi-Monte Carlo rule, c over centre and rim of the crown.
    The kill grows with t, so that t is found by bisection. n and R come from a table by (place, scatter, crown
    radius, all over the footprint; slope; target), R is then improved on the weed's own figures. Of patterns within
    1 % of the least gas the least scorched is taken.
    """
    single = dwell_for(head, kind, covariance_m2, limits, crown_radius_m)
    one = Pattern(((0.0, 0.0),), single.hold_s, gas_of_pattern_kg(head, 1, single.hold_s), single.kill,
                  single.scorch_m2, single.reached, single.reason, single.revisit)  # fmt: skip
    s = head.footprint_sigma_m
    common = check_covariance(covariance_m2, "covariance_m2") + head.offset_sigma_m**2 * np.eye(2)
    variance, axes = np.linalg.eigh(common)
    spread = np.sqrt(np.maximum(variance[::-1], 0.0)) / s
    major = axes[:, ::-1]
    turn = math.atan2(major[1, 0], major[0, 0])
    cell = (
        _near(math.sqrt(float(np.mean(spread**2)))), _near(head.landing_sigma_m / s), _near(crown_radius_m / s),
        float(kind.slope), float(limits.kill_target),
    )  # fmt: skip
    level = _table(*cell)
    second_per_level = kind.ed50_kg_m2 * 2.0 * math.pi * s**2 / head.flow_kg_s
    offers = [one] if one.reached else []
    for row in _promising(head, level, second_per_level, limits, one):
        holds = RINGS[row]

        def worth(radius: float, n: int = holds) -> float:
            f = _factors(n, np.array([radius]), spread, head.landing_sigma_m / s, crown_radius_m / s, _COARSE)
            return float(_level(f, kind.slope, limits.kill_target)[0])

        radius = _improve(worth, float(_RADII[int(np.argmin(level[row]))]))
        ring = _ring(head, kind, limits, holds, radius, spread, crown_radius_m, turn, second_per_level)
        if ring.reached:
            offers.append(ring)
    if not offers:
        return one
    least = min(offer.gas_kg for offer in offers)
    return min((o for o in offers if o.gas_kg <= least * (1.0 + EQUAL_GAS)), key=lambda o: (o.scorch_m2, o.gas_kg))


def scorched_by_pattern_m2(head: Head, offsets_m: Array, hold_s: float, turf_limit_kg_m2: float) -> float:
    """Return the area in which all holds together give more than the turf's limit, m2.

    A ring of n is the same in each of its 2 n mirrored sectors: one is counted, by the midpoint rule in angle and
    outward from the centre in steps of 1/120 of the footprint's standard deviation (1 % and better).
    """
    offsets = np.asarray(offsets_m, dtype=float).reshape(-1, 2)
    s, n = head.footprint_sigma_m, len(offsets)
    if n == 1:
        return scorched_area_m2(head, hold_s, turf_limit_kg_m2)
    radius = float(np.hypot(*offsets[0]))
    start = math.atan2(offsets[0, 1], offsets[0, 0])
    peak = n * head.flow_kg_s * hold_s * float(footprint_density_m2(0.0, s))
    if peak <= turf_limit_kg_m2:
        return 0.0
    step = s / 120.0
    reach = radius + s * math.sqrt(2.0 * math.log(peak / turf_limit_kg_m2))
    r = step * (np.arange(math.ceil(reach / step) + 1) + 0.5)
    angle = start + math.pi / n * (np.arange(12) + 0.5) / 12.0
    x, y = r[:, None] * np.cos(angle), r[:, None] * np.sin(angle)
    d2 = np.square(x[..., None] - offsets[:, 0]) + np.square(y[..., None] - offsets[:, 1])
    hot = head.flow_kg_s * hold_s * footprint_density_m2(d2, s).sum(axis=-1) > turf_limit_kg_m2
    return float(2.0 * math.pi * step * np.sum(r[:, None] * hot) / 12.0)


def _near(ratio: float) -> float:
    return round(round(ratio / _CELL) * _CELL, 6)


def _ring(
    head: Head, kind: Kind, limits: Limits, holds: int, radius: float, spread: Array, crown_radius_m: float,
    turn_rad: float, second_per_level: float,
) -> Pattern:  # fmt: skip
    s = head.footprint_sigma_m
    f = _factors(holds, np.array([radius]), spread, head.landing_sigma_m / s, crown_radius_m / s, _FINE)
    hold_s = float(_level(f, kind.slope, limits.kill_target)[0]) * second_per_level
    aims = ring_m(holds, radius * s, turn_rad)
    reached = hold_s <= limits.hold_max_s
    offsets = tuple((float(x), float(y)) for x, y in aims)
    scorch = scorched_by_pattern_m2(head, aims, hold_s, limits.turf_dose_kg_m2) if reached else math.inf
    return Pattern(offsets, hold_s, gas_of_pattern_kg(head, holds, hold_s), limits.kill_target, scorch, reached, "")


def _promising(head: Head, level: Array, second_per_level: float, limits: Limits, one: Pattern) -> list[int]:
    """Return the rows of ``RINGS`` worth working out: by the table within 4 % of the least gas, three at most."""
    holds_s = level.min(axis=1) * second_per_level
    gas = np.array([gas_of_pattern_kg(head, n, t) for n, t in zip(RINGS, holds_s, strict=True)])
    gas[holds_s > 1.1 * limits.hold_max_s] = np.inf
    least = min(float(gas.min()), one.gas_kg if one.reached else math.inf)
    return [int(row) for row in np.argsort(gas)[:3] if gas[row] <= 1.04 * least and math.isfinite(gas[row])]


def _improve(worth: object, start: float) -> float:
    """Return the radius of least level near ``start``: golden section over one step of the table to each side."""
    assert callable(worth)
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    low, high = max(start - 0.3, 0.0), start + 0.3
    a, b = high - golden * (high - low), low + golden * (high - low)
    at_a, at_b = worth(a), worth(b)
    for _ in range(4):
        if at_a <= at_b:
            high, b, at_b = b, a, at_a
            a = high - golden * (high - low)
            at_a = worth(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + golden * (high - low)
            at_b = worth(b)
    return a if at_a <= at_b else b


@lru_cache(maxsize=4096)
def _table(place: float, scatter: float, crown: float, slope: float, target: float) -> Array:
    """Return the level needed, shape (rings, radii): dose at the centre of one hold over ED50."""
    spread = np.array([place, place])
    rows = [_level(_factors(n, _RADII, spread, scatter, crown, _COARSE), slope, target) for n in RINGS]
    out = np.array(rows)
    out.setflags(write=False)
    return out


def _level(factors: Array, slope: float, target: float) -> Array:
    """Return the level (rows,) at which the mean kill over the draws (rows, draws) is the target; the upper end."""
    logs = slope * np.log(np.maximum(factors, 1e-300))
    low = np.full(len(logs), -700.0)
    high = np.full(len(logs), 700.0)
    for _ in range(36):
        middle = 0.5 * (low + high)
        kill = np.mean(1.0 / (1.0 + np.exp(np.clip(-(logs + middle[:, None]), -700.0, 700.0))), axis=1)
        enough = kill >= target
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return np.asarray(np.exp(np.minimum(high / slope, 700.0)))


def _factors(holds: int, radii: Array, spread: Array, scatter: float, crown: float, draws: int) -> Array:
    """Return the least relative dose on the crown, shape (radii, draws); lengths in footprint standard deviations.

    1 is the dose at the centre of one hold. ``spread`` (2,) is along the principal axes, the first hold on the first.
    """
    normal = normal_draws(2 + 2 * holds, draws)
    where = normal[:, :2] * spread
    landing = scatter * normal[:, 2:].reshape(draws, holds, 2)
    angle = 2.0 * math.pi * np.arange(_RIM) / _RIM
    rim = crown * np.column_stack([np.cos(angle), np.sin(angle)])
    points = np.vstack([np.zeros((1, 2)), rim]) if crown > 0.0 else np.zeros((1, 2))
    out = np.empty((len(radii), draws))
    for row, radius in enumerate(radii):
        away = where[:, None, :] - landing - ring_m(holds, float(radius))  # (draws, holds, 2)
        # exp(-|away + p|^2 / 2) in factors, so that one small product replaces most exponentials
        own = np.exp(-0.5 * np.square(away).sum(axis=2))
        tilt = np.exp(np.clip(-(away @ points.T), -60.0, 60.0))  # (draws, holds, points)
        dose = np.einsum("dh,dhp->dp", own, tilt) * np.exp(-0.5 * np.square(points).sum(axis=1))
        out[row] = dose.min(axis=1)
    return out


@lru_cache(maxsize=32)
def normal_draws(dimensions: int, draws: int) -> Array:
    """Return normal draws (draws, dimensions) of low discrepancy.

    Kronecker sequence of the generalised golden ratio (common practice, no source), in pairs through Box and Muller's
    transform (1958, from memory).
    """
    phi = 2.0
    for _ in range(60):
        phi = (1.0 + phi) ** (1.0 / (dimensions + 1))
    alpha = phi ** -np.arange(1.0, dimensions + 1.0)
    u = (0.5 + np.outer(np.arange(1, draws + 1), alpha)) % 1.0
    length = np.sqrt(-2.0 * np.log(np.maximum(u[:, 0::2], 1e-12)))
    turn = 2.0 * math.pi * u[:, 1::2]
    out = np.empty((draws, dimensions))
    out[:, 0::2], out[:, 1::2] = length * np.cos(turn), length * np.sin(turn)
    out.setflags(write=False)
    return out

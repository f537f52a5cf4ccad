"""Hold patterns: one hold on the aim, several on it, two on a line, a ring, a ring with one in its middle.

Several holds pay where one must be long: a place that is uncertain or a crown that is wide against the footprint (they
spread the heat), and a flame that lands unsurely (each lands anew, so that their sum is surer than one).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np

from swardwright.domain.dwell import Pattern, dwell_for, gas_of_hold_kg
from swardwright.domain.heat import Head, footprint_density_m2, scorched_area_m2
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Limits
from swardwright.domain.uncertainty import check_covariance

#: patterns of several holds: on the ring (two are a line) and in its middle
SHAPES = ((2, 0), (3, 0), (4, 0), (5, 0), (6, 0), (7, 0), (6, 1), (7, 1))
#: share of a plant's radius within which growing points are taken to sit (common practice, no source)
CROWN_SHARE = 0.5
#: time from one hold of a pattern to the next, s (common practice, no source): the pilot burns meanwhile
MOVE_S = 1.0
#: ring radii tried first, in footprint standard deviations; at 0 all holds are on the aim
_RADII = np.arange(0.0, 3.31, 0.3)
#: step of the table, in footprint standard deviations; it only chooses, the dwell is worked out on the true figures
_CELL = 0.1
_TABLE, _COARSE, _FINE = 256, 512, 4096
_RIM = 12
Shape = tuple[int, int]


def gas_of_pattern_kg(head: Head, holds: int, hold_s: float) -> float:
    """Return the fuel of ``holds`` holds with valve delays, and of the pilot from ignition to the last hold, kg."""
    lit_s = head.ignition_s + holds * (hold_s + 2.0 * head.valve_delay_s) + (holds - 1) * MOVE_S
    return holds * gas_of_hold_kg(head, hold_s) + head.pilot_kg_s * lit_s


def ring_m(holds: int, radius_m: float, turn_rad: float = 0.0, middle: int = 0) -> Array:
    """Return the aims of a ring, shape (middle + holds, 2), m; ``middle`` holds (0 or 1) at its centre come first."""
    angle = turn_rad + 2.0 * math.pi * np.arange(holds) / holds
    return np.vstack([np.zeros((middle, 2)), radius_m * np.column_stack([np.cos(angle), np.sin(angle)])])


def pattern_for(head: Head, kind: Kind, covariance_m2: Array, limits: Limits, crown_radius_m: float = 0.0) -> Pattern:
    """Return the pattern whose expected kill reaches ``limits.kill_target`` for the least cost in gas and turf.

    Parameters
    ----------
    covariance_m2 : Array
        Shape (2, 2): crown relative to the base, m2. The head's offset error is added to it (the same in all holds);
        its landing scatter is drawn anew for each hold.
    crown_radius_m : float
        The least dose within this distance of the crown counts: growing points sit anywhere in it, and the plant lives
        on as long as the least heated of them does.

    Returns
    -------
    Pattern
        The single longest hold, with the reason and whether to revisit, where no pattern reaches the target.

    Notes
    -----
    Cost: gas, pilot included, and ``limits.turf_worth_kg_m2`` times the scorched area. One hold: the product rule of
    ``dwell_for``. n holds at radius R, the first on the covariance's major axis: ``E[K(m t min_c sum_i g(c - a_i -
    e_i))]`` over crown place and n landing errors ``e_i`` by a rank-1 quasi-Monte Carlo rule, c over centre and rim of
    the crown. The kill grows with t, so that t is found by bisection. n and R come from a table by (place, scatter,
    crown radius, all over the footprint; slope; target; turf's limit over ED50), R is then improved on the weed's own
    figures. Nowhere is the dose larger than under the longest single hold. Shapes are left out where one hold costs
    less than what no pattern of as many holds can go below.
    """
    one = dwell_for(head, kind, covariance_m2, limits, crown_radius_m)
    s = head.footprint_sigma_m

    def cost(holds: int, hold_s: float, scorch_m2: float) -> float:
        return gas_of_pattern_kg(head, holds, hold_s) + limits.turf_worth_kg_m2 * scorch_m2

    best, least = one, cost(1, one.hold_s, one.scorch_m2) if one.reached else math.inf
    sure_s = _sure_s(head, kind, limits.kill_target)
    floor_m2 = scorched_area_m2(head, sure_s, limits.turf_dose_kg_m2)
    hopeful = [shape for shape in SHAPES if cost(sum(shape), sure_s / sum(shape), floor_m2) < least]
    if not hopeful or sure_s > limits.hold_max_s:
        return one
    common = check_covariance(covariance_m2, "covariance_m2") + head.offset_sigma_m**2 * np.eye(2)
    variance, axes = np.linalg.eigh(common)
    spread = np.sqrt(np.maximum(variance[::-1], 0.0)) / s
    turn = math.atan2(axes[1, 1], axes[0, 1])
    scatter, crown = head.landing_sigma_m / s, crown_radius_m / s
    turf = limits.turf_dose_kg_m2 / kind.ed50_kg_m2
    second_per_level = kind.ed50_kg_m2 * 2.0 * math.pi * s**2 / head.flow_kg_s

    def level(shape: Shape, radius: float, draws: int) -> float:
        factors = _factors(shape, np.array([radius]), spread, scatter, crown, draws)
        return float(_level(factors, kind.slope, limits.kill_target)[0])

    def priced(shape: Shape, radius: float) -> float:
        needed = level(shape, radius, _COARSE)
        scorch = _scorch(shape, radius, needed, turf, scatter) * s**2 if limits.turf_worth_kg_m2 > 0.0 else 0.0
        return cost(sum(shape), needed * second_per_level, scorch)

    cell = (_near(float(spread[0])), _near(float(spread[1])), _near(scatter), _near(crown))

    def first(shape: Shape) -> tuple[float, float]:
        """Return the least cost of this shape in the table, and at which radius."""
        levels, areas = _table(shape, *cell, float(kind.slope), float(limits.kill_target), float(turf))
        costs = [math.inf if level * second_per_level * _peak(shape, float(radius)) > 1.1 * limits.hold_max_s
                 else cost(sum(shape), level * second_per_level, area * s**2)
                 for radius, level, area in zip(_RADII, levels, areas, strict=True)]  # fmt: skip
        at = int(np.argmin(costs))
        return costs[at], float(_RADII[at])

    tried = sorted((*first(shape), shape) for shape in hopeful)
    near = 1.04 * min(tried[0][0], least)
    for about, start, shape in tried[:3]:
        if not about <= near < math.inf:
            break
        holds, radius = sum(shape), _least_at(partial(priced, shape), start)
        hold_s = level(shape, radius, _FINE) * second_per_level
        if hold_s * _peak(shape, radius) > limits.hold_max_s:
            continue
        aims = ring_m(shape[0], radius * s, turn, shape[1])
        scorch = scorched_by_pattern_m2(head, aims, hold_s, limits.turf_dose_kg_m2)
        if cost(holds, hold_s, scorch) < least:
            least = cost(holds, hold_s, scorch)
            offsets = tuple((float(x), float(y)) for x, y in aims)
            best = Pattern(hold_s, holds * gas_of_hold_kg(head, hold_s), limits.kill_target, scorch, reached=True,
                           reason="", offsets_m=offsets)  # fmt: skip
    return best


def scorched_by_pattern_m2(head: Head, offsets_m: Array, hold_s: float, turf_limit_kg_m2: float) -> float:
    """Return the area in which all holds of a ring together give more than the turf's limit, m2.

    Each hold lands anew, so that their sum is wider than one: the footprint's variance grows by what the landings
    scatter about their mean (within 1.5 % of draws where holds overlap, up to 3 % too much where they lie apart).
    """
    offsets = np.asarray(offsets_m, dtype=float).reshape(-1, 2)
    if len(offsets) == 1:
        return scorched_area_m2(head, hold_s, turf_limit_kg_m2)
    s = head.footprint_sigma_m
    away = np.hypot(offsets[:, 0], offsets[:, 1])
    middle = int(away[0] == 0.0 < away[-1])
    peak = head.flow_kg_s * hold_s * float(footprint_density_m2(0.0, s))
    return s**2 * _scorch(
        (len(offsets) - middle, middle), float(away[-1]) / s, peak, turf_limit_kg_m2, head.landing_sigma_m / s
    )


def _scorch(shape: Shape, radius: float, peak: float, limit: float, scatter: float) -> float:
    """Return the area, in squared footprint standard deviations, with more than ``limit`` under holds of ``peak`` each.

    A ring of n is the same in each of its 2 n mirrored sectors: one is counted, by the midpoint rule in angle and
    outward from the centre: where the dose crosses the limit on a ray is found on steps of 1/20 and interpolated.
    """
    ring, holds = shape[0], sum(shape)
    wider = 1.0 + scatter**2 * (1.0 - 1.0 / holds)
    radius, peak = radius / math.sqrt(wider), peak / wider
    if holds * peak <= limit:
        return 0.0
    far = radius + math.sqrt(2.0 * math.log(holds * peak / limit))
    r = np.linspace(0.0, far + 0.05, math.ceil(20.0 * far) + 2)
    angle = math.pi / ring * (np.arange(6) + 0.5) / 6.0
    dose = np.zeros((6, len(r)))
    for x, y in ring_m(ring, radius, 0.0, shape[1]):
        along = x * np.cos(angle) + y * np.sin(angle)
        dose += np.exp(along[:, None] * r - 0.5 * (r**2 + x**2 + y**2))
    over = np.log(np.maximum(dose * peak / limit, 1e-300))
    inner, outer = over[:, :-1], over[:, 1:]
    step = inner - outer
    crossing2 = np.square(r[:-1] + (r[1] - r[0]) * inner / np.where(step == 0.0, 1.0, step))
    left, entered = (inner > 0.0) & (outer <= 0.0), (inner <= 0.0) & (outer > 0.0)
    return float(math.pi * wider * (crossing2 * left - crossing2 * entered).sum(axis=1).mean())


@lru_cache(maxsize=1024)
def _peak(shape: Shape, radius: float) -> float:
    """Return the largest dose under a pattern over that at the centre of one hold: sought from its middle to a hold."""
    aims = ring_m(shape[0], radius, 0.0, shape[1])
    away2 = np.square(radius * np.linspace(0.0, 1.0, 13)[:, None] - aims[:, 0]) + np.square(aims[:, 1])
    return float(np.exp(-0.5 * away2).sum(axis=1).max())


def _sure_s(head: Head, kind: Kind, target: float) -> float:
    """Return the time at full flame below which no pattern reaches the target: that of one growing point dead centre.

    The kill is an expectation, so that somewhere the dose must be the one that kills with the target's probability; it
    takes this time, and from there it falls no faster than the footprint itself (the logarithm of a sum of equal
    Gaussians is their own plus a convex function), so that no pattern scorches less either.
    """
    wanted = kind.ed50_kg_m2 * (target / (1.0 - target)) ** (1.0 / kind.slope)
    return float(wanted / (head.flow_kg_s * footprint_density_m2(0.0, head.footprint_sigma_m)))


def _near(ratio: float) -> float:
    return round(round(ratio / _CELL) * _CELL, 6)


def _least_at(cost: Callable[[float], float], start: float) -> float:
    """Return the radius of least cost near ``start``: golden section over one step of the table to each side."""
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    low, high = max(start - 0.3, 0.0), start + 0.3
    a, b = high - golden * (high - low), low + golden * (high - low)
    at_a, at_b = cost(a), cost(b)
    for _ in range(4):
        if at_a <= at_b:
            high, b, at_b = b, a, at_a
            a = high - golden * (high - low)
            at_a = cost(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + golden * (high - low)
            at_b = cost(b)
    return a if at_a <= at_b else b


@lru_cache(maxsize=16384)
def _table(
    shape: Shape, major: float, minor: float, scatter: float, crown: float, slope: float, target: float, turf: float
) -> tuple[Array, Array]:  # fmt: skip
    """Return the level needed (dose at the centre of one hold over ED50) and the scorched area of ``_RADII``.

    Lengths are in footprint standard deviations, ``major`` and ``minor`` those of the place; ``turf`` is the turf's
    limit over ED50.
    """
    levels = _level(_factors(shape, _RADII, np.array([major, minor]), scatter, crown, _TABLE), slope, target)
    areas = np.array([_scorch(shape, float(radius), float(level), turf, scatter)
                      for radius, level in zip(_RADII, levels, strict=True)])  # fmt: skip
    levels.setflags(write=False)
    areas.setflags(write=False)
    return levels, areas


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


def _factors(shape: Shape, radii: Array, spread: Array, scatter: float, crown: float, draws: int) -> Array:
    """Return the least relative dose on the crown, shape (radii, draws); lengths in footprint standard deviations.

    1 is the dose at the centre of one hold. ``spread`` (2,) is along the principal axes, the first hold on the first.
    """
    holds = sum(shape)
    normal = normal_draws(2 + 2 * holds, draws)
    where = normal[:, :2] * spread
    landing = scatter * normal[:, 2:].reshape(draws, holds, 2)
    angle = 2.0 * math.pi * np.arange(_RIM) / _RIM
    rim = crown * np.column_stack([np.cos(angle), np.sin(angle)])
    points = np.vstack([np.zeros((1, 2)), rim]) if crown > 0.0 else np.zeros((1, 2))
    out = np.empty((len(radii), draws))
    for row, radius in enumerate(radii):
        away = where[:, None, :] - landing - ring_m(shape[0], float(radius), 0.0, shape[1])  # (draws, holds, 2)
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

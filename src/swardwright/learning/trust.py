"""Whether a detector can be trusted with fire: what it misses and what it would wrongly burn, per square metre."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.shares import wilson
from swardwright.learning.bootstrap import Interval, rate_by_place, share_by_place
from swardwright.learning.card import EdgeBand, ModelCard
from swardwright.learning.cost_curve import (
    CostCurve,
    Prices,
    compares_kinds,
    cost_curve,
    plants_to_treat,
    would_burn,
)
from swardwright.learning.judged import Judged, stated_probability
from swardwright.learning.measure import calibrate, edge_bands, expected_calibration_error
from swardwright.learning.precision import box_average_precision, interpolated
from swardwright.learning.size_calibration import calibrate_by_size
from swardwright.learning.trust_parts import Row, found_plants, per_m2, rows_of, said_kind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
FOLDS = 5
#: candidates below are left out of reliability, as in ``expected_calibration_error``
LEAST = 0.05


@dataclass(frozen=True)
class Bin:
    """One bar of the reliability diagram: candidates, mean of what was stated, share found, its Wilson interval."""

    count: int
    stated: float
    found: float
    low95: float
    high95: float


@dataclass(frozen=True)
class AtThreshold:
    """What comes of burning at a threshold.

    Attributes
    ----------
    threshold : float
        Mean of the folds' where each place was judged by the threshold of the others.
    found : Interval
        Share of all plants reported, whatever kind was said: the detection probability.
    treated : Interval
        Share of the plants to treat that would be burnt.
    right : Interval
        Share of burns that would hit a plant to treat.
    missed, wrong, wrong_turf, wrong_spared, false_alarms : Interval
        Per square metre of ground (or per picture): plants to treat left, burns on anything else (on bare ground, on a
        plant to spare), and reports of any kind where no plant is.
    cost : float
        In the user's prices, per 100 m2 (or per 100 pictures).
    """

    threshold: float
    found: Interval
    treated: Interval
    right: Interval
    missed: Interval
    wrong: Interval
    wrong_turf: Interval
    wrong_spared: Interval
    false_alarms: Interval
    cost: float


@dataclass(frozen=True, eq=False)
class Trust:
    """All figures of one judgement.

    Attributes
    ----------
    per_m2 : bool
        Rates are per square metre; else per picture, because a picture does not state its sampling distance.
    as_is : AtThreshold
        At the card's calibration and threshold.
    elsewhere : AtThreshold | None
        Calibrated and thresholded anew, each place by what the others say (None: one place only).
    temperature, bias, threshold : float
        Calibration and threshold that all the pictures together say.
    error_as_is, error_elsewhere : float
        Expected calibration error of the card's probabilities, and of those calibrated on the other places (NaN: one
        place).
    error_by_chance : float
        What perfect probabilities would reach by chance one time in twenty with so few pictures.
    error_by_size : float
        The same calibrated on the other places with corrections by size and kind: used nowhere unless it is lower.
    cost_ratio_elsewhere : float
        Cost at thresholds chosen on other places over the least cost found afterwards (NaN: one place).
    """

    pictures: int
    places: int
    plants: int
    to_treat: int
    area_m2: float
    per_m2: bool
    as_is: AtThreshold
    elsewhere: AtThreshold | None
    temperature: float
    bias: float
    threshold: float
    error_as_is: float
    error_by_chance: float
    error_elsewhere: float
    error_by_size: float
    cost_ratio_elsewhere: float
    precision_points: float
    precision_boxes_50: float
    precision_boxes: float
    crown_error_m: float
    crown_error_px: float
    bins: tuple[Bin, ...]
    bins_elsewhere: tuple[Bin, ...]
    rows: tuple[Row, ...]
    curve: CostCurve
    bands: tuple[EdgeBand, ...]


def trust_of(judged: Judged, card: ModelCard, prices: Prices, *, seed: int = 0) -> Trust:
    """Return every figure of a judgement: the recipe after :func:`swardwright.learning.judged.judge`."""
    rng = np.random.default_rng([seed, 61])
    stated = stated_probability(judged, card.temperature, card.bias)
    as_is = at_threshold(judged, stated >= card.threshold, card.threshold, prices, rng)
    temperature, bias = calibrate(judged.logit, judged.hit)
    again = stated_probability(judged, temperature, bias)
    curve = cost_curve(judged, again, prices)
    elsewhere, error_elsewhere, by_size, ratio = None, math.nan, math.nan, math.nan
    bins_elsewhere: tuple[Bin, ...] = ()
    if len(judged.places) > 1:
        probability, sized, kept, threshold = crossed(judged, prices, seed=seed)
        elsewhere = at_threshold(judged, kept, threshold, prices, rng)
        error_elsewhere = expected_calibration_error(probability, judged.hit)
        by_size = expected_calibration_error(sized, judged.hit)
        bins_elsewhere = reliability(probability, judged.hit)
        least = float(curve.cost[curve.best]) * _per_100(judged)
        ratio = elsewhere.cost / least if least > 0 else math.nan
    boxes = box_average_precision(judged.boxes(stated))
    order = np.argsort(-judged.logit, kind="stable")
    hit, row = judged.hit, judged.plant
    error_px = np.hypot(judged.u_px[hit] - judged.plant_u_px[row[hit]], judged.v_px[hit] - judged.plant_v_px[row[hit]])
    scale = np.array([math.nan if p.metres_per_px is None else p.metres_per_px for p in judged.pictures])
    good = stated[hit] >= card.threshold
    return Trust(
        pictures=len(judged.pictures), places=len(judged.places), plants=len(judged.plant_kind),
        to_treat=int(plants_to_treat(judged, prices).sum()), area_m2=judged.area_m2, per_m2=per_m2(judged), as_is=as_is,
        elsewhere=elsewhere, temperature=temperature, bias=bias, threshold=float(curve.threshold[curve.chosen]),
        error_as_is=expected_calibration_error(stated, judged.hit),
        error_by_chance=chance_error(stated, rng), error_elsewhere=error_elsewhere,
        error_by_size=by_size, cost_ratio_elsewhere=ratio,
        precision_points=interpolated(hit[order], len(judged.plant_kind)),
        precision_boxes_50=float(boxes[0]), precision_boxes=float(boxes.mean()),
        crown_error_m=_rms(error_px[good] * scale[judged.picture[hit]][good]), crown_error_px=_rms(error_px[good]),
        bins=reliability(stated, hit), bins_elsewhere=bins_elsewhere,
        rows=rows_of(judged, stated, card.threshold, rng), curve=curve,
        bands=edge_bands(judged.plant_edge_px, found_plants(judged, stated >= card.threshold)),
    )  # fmt: skip


def chance_error(probability: Floats, rng: np.random.Generator, draws: int = 200) -> float:
    """Return the calibration error that perfect probabilities of these values exceed one time in twenty."""
    near = probability[probability >= LEAST]
    errors = [expected_calibration_error(near, rng.uniform(size=len(near)) < near) for _ in range(draws)]
    return float(np.quantile(errors, 0.95))


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else math.nan


def _per_100(judged: Judged) -> float:
    return 100.0 / (judged.area_m2 if per_m2(judged) else len(judged.pictures))


def crossed(judged: Judged, prices: Prices, *, seed: int = 0) -> tuple[Floats, Floats, Bools, float]:
    """Calibrate and choose the threshold on other places: each fold of places is judged by what the rest say.

    Returns
    -------
    tuple
        Probability of each candidate (n,), the same corrected by size and kind, whether it is kept (n,), and the mean
        threshold.
    """
    folds = fold_of_place(len(judged.places), seed)
    of_row = folds[judged.place_of_picture()[judged.picture]]
    probability, sized, kept = (
        np.zeros(len(judged.logit)),
        np.zeros(len(judged.logit)),
        np.zeros(len(judged.logit), bool),
    )
    thresholds = []
    for fold in np.unique(folds):
        rest = judged.of_places([name for name, f in zip(judged.places, folds, strict=True) if f != fold])
        temperature, bias = calibrate(rest.logit, rest.hit)
        curve = cost_curve(rest, stated_probability(rest, temperature, bias), prices)
        threshold = float(curve.threshold[curve.chosen])
        mine = of_row == fold
        probability[mine] = stated_probability(judged, temperature, bias)[mine]
        by_size = calibrate_by_size(rest.logit, rest.hit, rest.radius_px, said_kind(rest), len(rest.kinds))
        sized[mine] = by_size.probability(judged.logit, judged.radius_px, said_kind(judged))[mine]
        kept[mine] = probability[mine] >= threshold
        thresholds.append(threshold)
    return probability, sized, kept, float(np.mean(thresholds))


def fold_of_place(places: int, seed: int) -> NDArray[np.int64]:
    """Return the fold (places,) of each place: as many as places, at most ``FOLDS``, of equal size."""
    order = np.random.default_rng([seed, 67]).permutation(places)
    folds = np.zeros(places, np.int64)
    folds[order] = np.arange(places) % min(FOLDS, places)
    return folds


def at_threshold(
    judged: Judged, kept: Bools, threshold: float, prices: Prices, rng: np.random.Generator
) -> AtThreshold:
    """Return what comes of reporting the candidates ``kept`` (n,) and burning those whose kinds are to be treated."""
    of_picture, places = judged.place_of_picture(), len(judged.places)
    burn = kept & would_burn(judged, prices)
    treat = plants_to_treat(judged, prices)
    row, hit = judged.plant, judged.hit
    right = burn & hit
    right[right] = treat[row[right]]
    on_spared = burn & hit & ~right
    burnt_plants = found_plants(judged, burn) & treat
    row_place, plant_place = of_picture[judged.picture], of_picture[judged.plant_picture]

    def rows_by(mask: Bools) -> Floats:
        return np.bincount(row_place[mask], minlength=places).astype(float)

    def plants_by(mask: Bools) -> Floats:
        return np.bincount(plant_place[mask], minlength=places).astype(float)

    ground = ground_by_place(judged)
    every = np.ones(len(treat), bool)
    spared = sum(prices.spared.get(judged.kinds[k], prices.other) for k in judged.plant_kind[row[on_spared]])
    left = treat & ~burnt_plants
    missed_price = (
        sum(prices.miss[judged.kinds[k]] for k in judged.plant_kind[left]) if compares_kinds(judged)
        else prices.other * float(left.sum())
    )  # fmt: skip
    turf = burn & ~hit
    cost = missed_price + spared + prices.hold * float(burn.sum()) + prices.scorch * float(turf.sum())
    return AtThreshold(
        threshold,
        found=share_by_place(plants_by(found_plants(judged, kept)), plants_by(every), rng),
        treated=share_by_place(plants_by(burnt_plants), plants_by(treat), rng),
        right=share_by_place(rows_by(right), rows_by(burn), rng),
        missed=rate_by_place(plants_by(left), ground, rng),
        wrong=rate_by_place(rows_by(turf | on_spared), ground, rng),
        wrong_turf=rate_by_place(rows_by(turf), ground, rng),
        wrong_spared=rate_by_place(rows_by(on_spared), ground, rng),
        false_alarms=rate_by_place(rows_by(kept & ~hit), ground, rng),
        cost=float(cost) * _per_100(judged),
    )


def ground_by_place(judged: Judged) -> Floats:
    """Return square metres (or pictures) of each place."""
    area = [p.area_m2 if per_m2(judged) else 1.0 for p in judged.pictures]
    return np.bincount(judged.place_of_picture(), weights=area, minlength=len(judged.places)).astype(float)


def reliability(probability: Floats, hit: Bools, bins: int = 10) -> tuple[Bin, ...]:
    """Return the reliability diagram's bars over equal-width bins; empty bins are left out."""
    kept = probability >= LEAST
    p, h = probability[kept], hit[kept]
    which = np.minimum((p * bins).astype(int), bins - 1)
    out = []
    for b in range(bins):
        inside = which == b
        n, k = int(inside.sum()), int(h[inside].sum())
        if n:
            out.append(Bin(n, float(p[inside].mean()), k / n, *wilson(k, n)))
    return tuple(out)

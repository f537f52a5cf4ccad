"""How good is a detector: matching, calibration, the threshold of least expected cost, and what it misses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.shares import wilson
from swardwright.learning.card import EdgeBand
from swardwright.learning.samples import Sample, TeachSettings

Floats = NDArray[np.float64]
#: Bands of the picture from its edge inwards begin here (px): the network sees cells of 4 px.
BANDS_FROM_PX = (0.0, 4.0, 8.0, 32.0)
#: A band's share found is drawn to the share of the whole picture as if this many plants more had been seen in it.
BAND_PRIOR_PLANTS = 5.0

#: one picture's share of ``Matched``: its arrays in order (edge and plant logits last but two), plants, ground (m2)
Part = tuple[Floats, NDArray[np.bool_], Floats, Floats, Floats, Floats, NDArray[np.int64], Floats, Floats, int, float]


@dataclass(frozen=True, eq=False)
class Matched:
    """Candidates of the held-out pictures against their labels.

    Attributes
    ----------
    logit : Floats
        Shape (n,): heat logit of each candidate that counts.
    hit : NDArray[bool_]
        Shape (n,): whether it is a labelled plant (each plant is hit once, by the strongest candidate).
    error_px, radius_px, log_radius : Floats
        Shape (hits,): distance to the crown, stated radius, log of stated over labelled radius.
    kind_logits : Floats
        Shape (hits, kinds).
    kind : NDArray[int64]
        Shape (hits,): labelled kind.
    edge_px, best_logit : Floats
        Shape (plants,): distance of each labelled crown from the picture's edge, and heat logit of the candidate that
        hit it (minus infinity: none).
    plants : int
        Labelled plants in all.
    area_m2 : float
        Ground shown, 0 if the sampling distance is not known.
    """

    logit: Floats
    hit: NDArray[np.bool_]
    error_px: Floats
    radius_px: Floats
    log_radius: Floats
    kind_logits: Floats
    kind: NDArray[np.int64]
    edge_px: Floats
    best_logit: Floats
    plants: int
    pictures: int
    area_m2: float


def match_picture(
    crowns_px: Floats, plants_px: Floats, gates_px: Floats, ignored_px: Floats
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Give each candidate, strongest first, the nearest free plant within that plant's gate.

    Parameters
    ----------
    crowns_px : Floats
        Shape (n, 2), strongest first.
    plants_px : Floats
        Shape (m, 2).
    gates_px : Floats
        Shape (m,): largest distance.
    ignored_px : Floats
        Shape (k, 3): discs; an unmatched candidate inside one does not count.

    Returns
    -------
    tuple
        Shape (n,): index of the plant or -1; shape (n,): whether the candidate counts.
    """
    given = np.full(len(crowns_px), -1)
    counts = np.ones(len(crowns_px), np.bool_)
    free = np.ones(len(plants_px), np.bool_)
    for i, crown in enumerate(crowns_px):
        if len(plants_px):
            distance = np.hypot(*(plants_px - crown).T)
            distance[~free | (distance > gates_px)] = np.inf
            j = int(np.argmin(distance))
            if np.isfinite(distance[j]):
                given[i], free[j] = j, False
                continue
        if len(ignored_px):
            counts[i] = bool((np.hypot(*(ignored_px[:, :2] - crown).T) > ignored_px[:, 2] + 4).all())
    return given, counts


def gates_px(sample: Sample, settings: TeachSettings) -> Floats:
    """Return the largest distance in pixels at which a detection counts, per label."""
    radii = np.array([label.radius_px for label in sample.labels])
    if sample.metres_per_px is not None:
        return np.full(len(radii), settings.match_m / sample.metres_per_px)
    return np.maximum(settings.match_min_px, settings.match_radii * radii)


def logistic(z: Floats) -> Floats:
    """Return 1 / (1 + exp(-z)), safe for large values."""
    return np.asarray(0.5 * (1.0 + np.tanh(0.5 * np.asarray(z, dtype=float))), dtype=float)


def calibrate(logit: Floats, hit: NDArray[np.bool_], least: float = 0.01) -> tuple[float, float]:
    """Return (temperature, bias) so that ``logistic(logit / temperature + bias)`` is the hit rate.

    Fitted (``platt``) to the candidates that come out at ``least`` or more, found by fitting in turn: fifty thousand
    candidates that are plainly nothing would otherwise bend the line at their end and make it wrong where it is read.
    Measured on rendered ground of other places, two halves of 40 scenes: calibration error 0.033-0.035 over all
    candidates, 0.016-0.019 so, which is what chance alone gives perfect probabilities there. A fit that would find
    plants among the rest that are not there is not taken.
    """
    best = platt(logit, hit)
    for _ in range(5):
        near = logistic(logit / best[0] + best[1]) >= least
        yes, no = int(hit[near].sum()), int((~hit[near]).sum())
        if near.all() or yes < 10 or no < 10:
            break
        tried = platt(logit[near], hit[near])
        foretold = float(logistic(logit[~near] / tried[0] + tried[1]).sum())
        if foretold > int(hit[~near].sum()) + 2.0 + 0.02 * yes:
            break
        if abs(tried[0] - best[0]) + abs(tried[1] - best[1]) < 1e-9:
            break
        best = tried
    return best


def platt(logit: Floats, hit: NDArray[np.bool_]) -> tuple[float, float]:
    """Return (temperature, bias) of greatest likelihood over all candidates.

    By Newton's method with the smoothed targets of Platt 1999, "Probabilistic outputs for support vector machines"
    (section 2.2); with fewer than two outcomes of each sort, (1, 0).
    """
    yes, no = int(hit.sum()), int((~hit).sum())
    if yes < 2 or no < 2:
        return 1.0, 0.0
    target = np.where(hit, (yes + 1) / (yes + 2), 1 / (no + 2))
    a, b = 1.0, 0.0
    for _ in range(100):
        p = logistic(a * logit + b)
        gradient = np.array([((target - p) * logit).sum() - 1e-3 * (a - 1), (target - p).sum()])
        w = np.maximum(p * (1 - p), 1e-9)
        cross = (w * logit).sum()
        hessian = np.array([[(w * logit**2).sum() + 1e-3, cross], [cross, w.sum() + 1e-6]])
        step = np.linalg.solve(hessian, gradient)
        size = min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-12))
        a, b = a + size * step[0], b + size * step[1]
        if float(np.abs(step).max()) < 1e-8:
            break
    a = min(max(a, 0.05), 20.0)
    return 1.0 / a, float(b)


def kind_temperature(logits: Floats, kind: NDArray[np.int64]) -> float:
    """Return the softmax temperature of least cross entropy (Guo et al. 2017, arXiv:1706.04599) by grid search."""
    if len(kind) < 5 or logits.shape[1] < 2:
        return 1.0
    best, least = 1.0, math.inf
    for t in np.geomspace(0.2, 8.0, 60):
        z = logits / t
        z = z - z.max(axis=1, keepdims=True)
        nll = float(np.mean(np.log(np.exp(z).sum(axis=1)) - z[np.arange(len(kind)), kind]))
        if nll < least:
            best, least = float(t), nll
    return best


def cheapest_threshold(
    probability: Floats, hit: NDArray[np.bool_], plants: int, miss_price: float, false_alarm_price: float
) -> tuple[float, float]:
    """Return (threshold, cost per labelled plant) of least cost on the held-out pictures.

    The empirical cost is averaged with the one that the calibrated probabilities expect, so that a lucky gap between
    two candidates of a small hold-out does not set the threshold; between two candidates the middle is taken.
    """
    if len(probability) == 0:
        return 0.5, miss_price
    order = np.argsort(-probability)
    p, h = probability[order], hit[order].astype(float)
    kept_hits = np.concatenate([[0.0], np.cumsum(0.5 * h + 0.5 * p)])
    kept_false = np.concatenate([[0.0], np.cumsum(0.5 * (1 - h) + 0.5 * (1 - p))])
    cost = miss_price * (plants - kept_hits) + false_alarm_price * kept_false
    k = int(np.argmin(cost))
    above = p[k - 1] if k > 0 else 1.0
    below = p[k] if k < len(p) else 0.0
    threshold = float(np.clip(0.5 * (above + below), 0.02, 0.98))
    return threshold, float(max(cost[k], 0.0)) / max(plants, 1)


def scores(matched: Matched, probability: Floats, threshold: float) -> dict[str, float]:
    """Return precision, recall, F1, false alarms and errors of the candidates at or above the threshold."""
    kept = probability >= threshold
    hits, false = int((kept & matched.hit).sum()), int((kept & ~matched.hit).sum())
    chosen = kept[matched.hit]
    precision = hits / max(hits + false, 1)
    recall = hits / max(matched.plants, 1)
    right = matched.kind_logits[chosen].argmax(axis=1) == matched.kind[chosen] if hits else np.zeros(0)
    error = matched.error_px[chosen]
    low, high = wilson(hits, matched.plants) if matched.plants else (0.0, 1.0)
    return {
        "precision": precision,
        "recall": recall,
        "recall_low95": low,
        "recall_high95": high,
        "f1": 2 * precision * recall / max(precision + recall, 1e-12),
        "false_alarms_per_picture": false / max(matched.pictures, 1),
        "kind_accuracy": float(np.mean(right)) if hits else 0.0,
        "crown_rms_px": float(np.sqrt(np.mean(error**2))) if hits else 0.0,
        "crown_sd_px": float(np.sqrt(np.mean(error**2) / 2)) if hits else 0.0,
        "log_radius_rms": float(np.sqrt(np.mean(matched.log_radius[chosen] ** 2))) if hits else 0.0,
        "plants": float(matched.plants),
        "hits": float(hits),
        "false_alarms": float(false),
    }


def crown_scatter(error_px: Floats, radius_px: Floats) -> tuple[float, float]:
    """Return (floor px, share): the crown's standard deviation per axis is ``hypot(floor, share radius)``.

    Where the middle of a wide plant lies is found less well than that of a small one. Maximum likelihood of distances
    of a round Gaussian (variance per axis ``floor^2 + share^2 radius^2``), by scoring; (0, 0) for fewer than ten.
    """
    if len(error_px) < 10:
        return 0.0, 0.0
    half = 0.5 * np.square(error_px)
    design = np.column_stack([np.ones(len(half)), np.square(radius_px)])
    values = np.array([max(float(half.mean()), 1e-9), 0.0])
    for _ in range(50):
        weight = 1.0 / np.maximum(design @ values, 1e-9) ** 2
        before, values = values, _not_negative(design, half, weight)
        if np.allclose(before, values, rtol=1e-9, atol=1e-12):
            break
    return float(np.sqrt(values[0])), float(np.sqrt(values[1]))


def _not_negative(design: Floats, wanted: Floats, weight: Floats) -> Floats:
    """Return the weighted least-squares values (2,), neither below 0."""
    root = np.sqrt(weight)
    from scipy.optimize import nnls

    scale = np.sqrt((weight[:, None] * design**2).sum(axis=0))
    return np.asarray(nnls(root[:, None] * design / scale, root * wanted)[0] / scale, dtype=float)


def edge_bands(edge_px: Floats, found: NDArray[np.bool_]) -> tuple[EdgeBand, ...]:
    """Return the share of plants found by distance of their crown from the picture's edge, with 95 % intervals.

    Parameters
    ----------
    edge_px : Floats
        Shape (plants,).
    found : NDArray[bool_]
        Shape (plants,).

    Returns
    -------
    tuple[EdgeBand, ...]
        From the edge inwards; none without plants. The probability is the share found, drawn to that of the whole
        picture where a band has few plants (so it is never 0 or 1 unless the whole is).
    """
    if not len(found):
        return ()
    whole = (float(found.sum()) + 0.5) / (len(found) + 1.0)
    which = np.searchsorted(BANDS_FROM_PX, np.maximum(edge_px, 0.0), side="right") - 1
    out = []
    for band, start in enumerate(BANDS_FROM_PX):
        n, k = int((which == band).sum()), int(found[which == band].sum())
        probability = (k + BAND_PRIOR_PLANTS * whole) / (n + BAND_PRIOR_PLANTS)
        low, high = wilson(k, n) if n else (0.0, 1.0)
        out.append(EdgeBand(start, n, k, round(probability, 4), round(low, 4), round(high, 4)))
    return tuple(out)


def expected_calibration_error(
    probability: Floats, hit: NDArray[np.bool_], bins: int = 10, least: float = 0.05
) -> float:
    """Return the gap between stated and found hit rate, over equal-width bins weighted by count (Guo et al. 2017).

    Candidates below ``least`` are left out: the many that are plainly nothing would hide any gap.
    """
    probability, hit = probability[probability >= least], hit[probability >= least]
    if len(probability) == 0:
        return 0.0
    which = np.minimum((probability * bins).astype(int), bins - 1)
    total = 0.0
    for b in range(bins):
        inside = which == b
        if inside.any():
            total += abs(float(probability[inside].mean()) - float(hit[inside].mean())) * float(inside.mean())
    return total


def best_f1(matched: Matched) -> float:
    """Return the best F1 over all thresholds: how checkpoints are compared."""
    if matched.plants == 0 or len(matched.logit) == 0:
        return 0.0
    hit = matched.hit[np.argsort(-matched.logit)]
    hits = np.cumsum(hit)
    return float(np.max(2 * hits / (np.arange(1, len(hit) + 1) + matched.plants)))


def gather(
    parts: Sequence[Part],
    kinds: int,
) -> Matched:
    """Join the matches of single pictures."""
    if not parts:
        return Matched(
            np.zeros(0), np.zeros(0, bool), np.zeros(0), np.zeros(0), np.zeros(0), np.zeros((0, kinds)),
            np.zeros(0, int), np.zeros(0), np.zeros(0), 0, 0, 0.0,
        )  # fmt: skip
    logit, hit, error, radius, log_radius, kind_logits, kind, edge, best, plants, area = zip(*parts, strict=True)
    return Matched(
        np.concatenate(logit), np.concatenate(hit), np.concatenate(error), np.concatenate(radius),
        np.concatenate(log_radius), np.concatenate(kind_logits), np.concatenate(kind), np.concatenate(edge),
        np.concatenate(best), sum(plants), len(parts), float(sum(area)),
    )  # fmt: skip

"""Intervals of shares and rates when what happens at one place is alike: whole places are drawn again.

Plants of one place share light, turf and season, so counting them as independent gives intervals that are too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.shares import wilson

Floats = NDArray[np.float64]
Counts = Sequence[float] | NDArray[Any]


@dataclass(frozen=True)
class Interval:
    """A share or rate with its 95 % interval.

    Attributes
    ----------
    value, low, high : float
        NaN, 0 and infinity (a share: 1) where there is nothing to count.
    places : int
        Places behind it; with one, what differs between places is not in the interval.
    """

    value: float
    low: float
    high: float
    places: int


def poisson_interval(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a Poisson mean (Garwood 1936)."""
    from scipy.special import gammaincinv

    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return low, float(gammaincinv(count + 1, 1.0 - tail))


def share_by_place(counted: Counts, of: Counts, rng: np.random.Generator, *, resamples: int = 2000) -> Interval:
    """Return the share of sums (counted of trials) over places with its interval.

    Parameters
    ----------
    counted, of : Counts
        Shape (places,): successes and trials at each place.

    Notes
    -----
    The wider, at each end, of Wilson's interval on the sums and the place-wise bootstrap: percentiles, expanded for few
    places as Hesterberg 2015 ("What teachers should know about the bootstrap", The American Statistician 69, section on
    expanded percentile intervals; from memory).
    """
    k, n = _checked(counted, of)
    total = round(float(n.sum()))
    if total == 0:
        return Interval(math.nan, 0.0, 1.0, 0)
    low, high = wilson(round(float(k.sum())), total)
    a, b = _resampled(k, n, rng, resamples)
    return Interval(float(k.sum() / n.sum()), max(min(low, a), 0.0), min(max(high, b), 1.0), int((n > 0).sum()))


def rate_by_place(counted: Counts, area: Counts, rng: np.random.Generator, *, resamples: int = 2000) -> Interval:
    """Return the rate of sums (counts per area) over places with its interval; as ``share_by_place``, on Poisson's."""
    k, n = _checked(counted, area)
    total = float(n.sum())
    if total <= 0:
        return Interval(math.nan, 0.0, math.inf, 0)
    low, high = poisson_interval(round(float(k.sum())))
    a, b = _resampled(k, n, rng, resamples)
    return Interval(float(k.sum()) / total, max(min(low / total, a), 0.0), max(high / total, b), int((n > 0).sum()))


def _checked(counted: Counts, of: Counts) -> tuple[Floats, Floats]:
    k, n = np.asarray(counted, dtype=float), np.asarray(of, dtype=float)
    if k.shape != n.shape or k.ndim != 1 or not (np.isfinite(k).all() and np.isfinite(n).all()) or min(
        k.min(initial=0.0), n.min(initial=0.0)) < 0:  # fmt: skip
        raise InputError("counts by place must be finite, not negative, and as many as trials", field="places",
                         value=(k.shape, n.shape))  # fmt: skip
    return k, n


def _resampled(k: Floats, n: Floats, rng: np.random.Generator, resamples: int) -> tuple[float, float]:
    """Return expanded percentiles of the ratio of sums; (inf, -inf), which widens nothing, with one place."""
    used = n > 0
    k, n = k[used], n[used]
    places = len(k)
    if places < 2:
        return math.inf, -math.inf
    from scipy.special import ndtr, stdtrit

    drawn = rng.integers(0, places, size=(resamples, places))
    ratio = k[drawn].sum(axis=1) / n[drawn].sum(axis=1)
    tail = float(ndtr(-math.sqrt(places / (places - 1)) * float(stdtrit(places - 1, 0.975))))
    low, high = np.quantile(ratio, [tail, 1.0 - tail])
    return float(low), float(high)

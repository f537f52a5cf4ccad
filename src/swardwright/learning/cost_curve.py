"""The operating point of least expected cost, in the user's prices, as a curve over all thresholds.

A candidate is burnt when its probability reaches the threshold and the kinds to treat are together at least as probable
as the kinds to spare.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.learning.judged import Judged

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
#: no lower threshold is tried
LOWEST = 0.02


@dataclass(frozen=True)
class Prices:
    """The user's prices, in any one currency.

    Attributes
    ----------
    miss : Mapping[str, float]
        Of a missed plant, by kind to treat.
    spared : Mapping[str, float]
        Of a burnt plant, by kind to spare.
    hold : float
        Gas and minutes of one hold, on whatever it is.
    scorch : float
        Turf scorched by one hold on bare ground.
    other : float
        Of a missed plant of a kind named nowhere (kinds are not compared).
    """

    miss: Mapping[str, float]
    spared: Mapping[str, float]
    hold: float
    scorch: float
    other: float = 1.0

    def __post_init__(self) -> None:
        values = [*self.miss.values(), *self.spared.values(), self.hold, self.scorch, self.other]
        if not all(math.isfinite(v) and 0 <= v <= 1e9 for v in values):
            raise InputError("a price is a number of 0 or more", field="prices", value=values, limit="0 to 1e9")
        if not self.miss and not self.spared and self.other <= 0:
            raise InputError("no kind is to be treated", field="prices", remedy="name a kind to treat")

    def treats(self, kind: str) -> bool:
        """Return whether a kind is one to treat."""
        return kind in self.miss


@dataclass(frozen=True, eq=False)
class CostCurve:
    """Cost, misses and wrong burns at every threshold.

    Attributes
    ----------
    threshold : Floats
        Shape (n,), falling: everything of at least this probability is burnt.
    cost : Floats
        Shape (n,): as it came out on the pictures, all of them.
    expected : Floats
        Shape (n,): as the calibrated probabilities foretell the burning, and the labels the missing.
    missed, wrong : Floats
        Shape (n,): plants to treat that are not burnt; holds on bare ground or on a plant to spare.
    chosen : int
        Row of least mean of ``cost`` and ``expected``, so that a lucky gap between two candidates does not choose.
    best : int
        Row of least cost, found afterwards.
    nothing : float
        Cost of burning nothing at all.
    """

    threshold: Floats
    cost: Floats
    expected: Floats
    missed: Floats
    wrong: Floats
    chosen: int
    best: int
    nothing: float


def treat_shares(judged: Judged, prices: Prices) -> Floats:
    """Return the probability (n,) that each candidate, if it is a plant, is one to treat."""
    if not compares_kinds(judged):
        return np.ones(len(judged.logit))
    treated = np.array([prices.treats(k) for k in judged.kinds])
    return np.asarray(judged.kind_share @ treated.astype(float))


def compares_kinds(judged: Judged) -> bool:
    """Return whether labels and candidates were compared by kind."""
    return not bool((judged.plant_kind < 0).any())


def would_burn(judged: Judged, prices: Prices) -> Bools:
    """Return whether each candidate is burnt if it is believed to be a plant."""
    return treat_shares(judged, prices) >= 0.5


def plants_to_treat(judged: Judged, prices: Prices) -> Bools:
    """Return whether each labelled plant is one to treat."""
    if not compares_kinds(judged):
        return np.ones(len(judged.plant_kind), bool)
    treated = np.array([prices.treats(k) for k in judged.kinds], dtype=bool)
    return np.asarray(treated[judged.plant_kind])


def _price_of_plant(judged: Judged, prices: Prices) -> Floats:
    """Return what burning each plant changes: minus the miss saved, or plus the price of burning a spared one."""
    if not compares_kinds(judged):
        return np.full(len(judged.plant_kind), -prices.other)
    by_kind = [-prices.miss[k] if prices.treats(k) else prices.spared.get(k, prices.other) for k in judged.kinds]
    return np.asarray(np.array(by_kind)[judged.plant_kind])


def cost_curve(judged: Judged, probability: Floats, prices: Prices) -> CostCurve:
    """Return cost, misses and wrong burns over all thresholds, and the chosen one.

    Parameters
    ----------
    probability : Floats
        Shape (n,): calibrated probability of each candidate.

    Notes
    -----
    Between two candidates the threshold in the middle stands for the gap; the first row burns nothing.
    """
    burn = would_burn(judged, prices)
    treat, of_plant = plants_to_treat(judged, prices), _price_of_plant(judged, prices)
    row = judged.plant[burn]
    found = row >= 0
    right = np.zeros(len(row), bool)
    delta = np.full(len(row), prices.hold + prices.scorch)
    if found.any():
        right[found] = treat[row[found]]
        delta[found] = prices.hold + of_plant[row[found]]
    p = probability[burn]
    if compares_kinds(judged):
        by_kind = np.array([-prices.miss[k] if prices.treats(k) else prices.spared.get(k, prices.other)
                            for k in judged.kinds])  # fmt: skip
        foretold = p * (prices.hold + judged.kind_share[burn] @ by_kind) + (1 - p) * (prices.hold + prices.scorch)
    else:
        foretold = p * (prices.hold - prices.other) + (1 - p) * (prices.hold + prices.scorch)
    order = np.argsort(-p, kind="stable")
    p = p[order]
    nothing = float(-of_plant[treat].sum())
    cost = nothing + np.concatenate([[0.0], np.cumsum(delta[order])])
    expected = nothing + np.concatenate([[0.0], np.cumsum(foretold[order])])
    missed = float(treat.sum()) - np.concatenate([[0.0], np.cumsum(right[order])])
    wrong = np.concatenate([[0.0], np.cumsum(~right[order])])
    threshold = np.concatenate([[1.0], p]) if len(p) else np.array([1.0])
    between = 0.5 * (threshold + np.append(threshold[1:], 0.0))
    between[0] = 0.5 * (1.0 + (p[0] if len(p) else 0.0))
    # equal probabilities cannot be told apart by a threshold: only the last of them is a row
    last = np.append(threshold[1:] < threshold[:-1], True)
    last[0] = True
    at = np.flatnonzero(last & (threshold >= LOWEST))
    cost, expected, missed, wrong = cost[at], expected[at], missed[at], wrong[at]
    between = np.maximum(between[at], LOWEST)
    chosen = int(np.argmin(0.5 * (cost + expected)))
    return CostCurve(between, cost, expected, missed, wrong, chosen, int(np.argmin(cost)), nothing)


def cost_at(judged: Judged, probability: Floats, prices: Prices, threshold: float) -> float:
    """Return what a threshold set elsewhere costs on these pictures, all of them."""
    burn = would_burn(judged, prices) & (probability >= threshold)
    treat, of_plant = plants_to_treat(judged, prices), _price_of_plant(judged, prices)
    row = judged.plant[burn]
    found = row >= 0
    return float(-of_plant[treat].sum() + prices.hold * len(row) + of_plant[row[found]].sum()
                 + prices.scorch * int((~found).sum()))  # fmt: skip

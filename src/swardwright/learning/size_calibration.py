"""Probabilities calibrated by size and kind too, drawn to the calibration of the whole where examples are few.

``logistic(logit / temperature + bias + slope (log radius - centre) + by_kind)``: the whole has no prior, the
corrections have a normal one about 0, so a kind with three examples keeps the whole's calibration.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.learning.measure import calibrate, logistic

Floats = NDArray[np.float64]
#: standard deviation of the prior of a correction, in log odds
PRIOR_SD = 0.5
#: candidates below this probability of the whole are not fitted, as in ``calibrate``
LEAST = 0.01


@dataclass(frozen=True)
class Calibration:
    """How heat logits become probabilities.

    Attributes
    ----------
    temperature, bias : float
        Of the whole.
    slope : float
        Log odds per unit of log radius about ``centre`` (log px).
    by_kind : tuple[float, ...]
        Log odds per most probable kind; empty: the same for all.
    """

    temperature: float
    bias: float
    slope: float = 0.0
    centre: float = 0.0
    by_kind: tuple[float, ...] = ()

    def probability(self, logit: Floats, radius_px: Floats, kind: NDArray[np.int64]) -> Floats:
        """Return the calibrated probability of candidates, each array of shape (n,)."""
        z = logit / self.temperature + self.bias
        if self.slope:
            z = z + self.slope * (np.log(np.maximum(radius_px, 0.5)) - self.centre)
        if self.by_kind and len(kind):
            z = z + np.asarray(self.by_kind)[kind]
        return logistic(z)


def calibrate_by_size(
    logit: Floats, hit: NDArray[np.bool_], radius_px: Floats, kind: NDArray[np.int64], kinds: int
) -> Calibration:
    """Fit a calibration with corrections by size and kind (Platt 1999, with a normal prior on the corrections).

    Newton's method on the penalised likelihood; with fewer than two outcomes of each sort the whole's calibration.
    """
    temperature, bias = calibrate(logit, hit)
    near = logistic(logit / temperature + bias) >= LEAST
    logit, hit, radius_px, kind = logit[near], hit[near], radius_px[near], kind[near]
    yes, no = int(hit.sum()), int((~hit).sum())
    if yes < 10 or no < 10:
        return Calibration(temperature, bias)
    size = np.log(np.maximum(radius_px, 0.5))
    centre = float(size.mean())
    columns = [logit, np.ones(len(logit)), size - centre, *(np.eye(kinds)[kind].T if kinds > 1 else [])]
    x = np.stack(columns, axis=1)
    target = np.where(hit, (yes + 1) / (yes + 2), 1 / (no + 2))
    start = np.zeros(x.shape[1])
    start[:2] = 1 / temperature, bias
    prior = np.full(x.shape[1], 1 / PRIOR_SD**2)
    prior[:2] = 1e-6
    w = start.copy()
    for _ in range(200):
        p = logistic(x @ w)
        gradient = x.T @ (target - p) - prior * (w - np.where(prior < 1, start, 0.0))
        hessian = (x * np.maximum(p * (1 - p), 1e-9)[:, None]).T @ x + np.diag(prior)
        step = np.linalg.solve(hessian, gradient)
        w = w + step * min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-12))
        if float(np.abs(step).max()) < 1e-9:
            break
    if not (math.isfinite(float(w.sum())) and 0.05 <= w[0] <= 20):
        return Calibration(temperature, bias)
    return Calibration(1 / float(w[0]), float(w[1]), float(w[2]), centre, tuple(map(float, w[3:])))

"""How many more labels would help: a power law through the errors of a few teaching runs, with an honest interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError

Floats = NDArray[np.float64]
#: what another seed changes in the error of a short run, beside counting (measured on real photographs: about 0.02)
RUN_SD = 0.02


@dataclass(frozen=True, eq=False)
class LearningCurve:
    """The power laws ``error = a n^-b + c`` that agree with the runs, each with its weight (they add up to 1).

    Attributes
    ----------
    labels, error, sd : Floats
        Shape (runs,): labels taught, error found and its standard deviation.
    a, b, c, weight : Floats
        Shape (laws,).
    """

    labels: Floats
    error: Floats
    sd: Floats
    a: Floats
    b: Floats
    c: Floats
    weight: Floats

    def at(self, labels: float) -> tuple[float, float, float]:
        """Return (median, low, high) of the error with so many labels, 95 %, of the law (not of one more run)."""
        values = np.minimum(self.a * float(labels) ** -self.b + self.c, 1.0)
        order = np.argsort(values)
        total = np.cumsum(self.weight[order])
        low, middle, high = (values[order][min(int(np.searchsorted(total, q)), len(total) - 1)]
                             for q in (0.025, 0.5, 0.975))  # fmt: skip
        return float(middle), float(low), float(high)


def fit_learning_curve(labels: Sequence[float], error: Sequence[float], sd: Sequence[float]) -> LearningCurve:
    """Fit ``error = a n^-b + c`` to the errors of teaching runs.

    Parameters
    ----------
    labels : Sequence[float]
        Labels taught in each run; at least three different numbers.
    error : Sequence[float]
        Error of each run on the same pictures of other places (1 - F1, or a share missed): 0 to 1.
    sd : Sequence[float]
        Standard deviation of each error (counting, and what another seed changes).

    Notes
    -----
    Learning curves fall as power laws to a floor (Hestness et al. 2017, arXiv:1712.00409). Three runs do not fix three
    numbers, so no single law is believed: laws on a grid of b (0.1 to 1.5) and c (0 to the least error) with the best
    a >= 0 are weighted by their likelihood, and the interval is that of all of them.
    """
    n, y, s = (np.asarray(v, dtype=float) for v in (labels, error, sd))
    if not (n.shape == y.shape == s.shape) or len(np.unique(n)) < 3:
        raise InputError("a learning curve needs runs with at least three different numbers of labels", field="labels",
                         value=sorted(set(np.ravel(n).tolist())),
                         remedy="teach with a quarter, half and all of the labels")  # fmt: skip
    if not (np.isfinite([n, y, s]).all() and (n > 0).all() and (s > 0).all() and (y >= 0).all() and (y <= 1).all()):
        raise InputError("runs need labels above 0, an error of 0 to 1 and its standard deviation", field="error",
                         value=y.tolist())  # fmt: skip
    grid = np.meshgrid(np.linspace(0.1, 1.5, 57), np.linspace(0.0, float(y.min()), 41), indexing="ij")
    b, c = np.ravel(grid[0]), np.ravel(grid[1])
    # a is integrated over too: about its best value, in steps of its own standard deviation
    power = n[None, :] ** -b[:, None]
    information = (power**2 / s**2).sum(axis=1)
    best = (power * (y[None, :] - c[:, None]) / s**2).sum(axis=1) / information
    step = np.linspace(-3.0, 3.0, 25)
    a = best[:, None] + step[None, :] / np.sqrt(information)[:, None]
    misfit = ((a[..., None] * power[:, None, :] + c[:, None, None] - y) / s) ** 2
    log = -0.5 * misfit.sum(axis=2)
    log[a < 0] = -np.inf
    weight = np.exp(log - log.max())
    keep = weight > 1e-9
    each_b, each_c = np.broadcast_to(b[:, None], a.shape)[keep], np.broadcast_to(c[:, None], a.shape)[keep]
    return LearningCurve(n, y, s, a[keep], each_b, each_c, weight[keep] / weight[keep].sum())

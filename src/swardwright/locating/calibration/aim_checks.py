"""Statistical tests on scorch marks: which mark does not belong, and what one offset does not explain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array
from swardwright.locating.calibration.restricted import fit

#: chance that a sheet of sound marks has one called an outlier
OUTLIER_P = 0.01
#: largest share of the marks that may be outliers
OUTLIER_SHARE = 0.25


@dataclass(frozen=True)
class Outlier:
    """A mark that is left out, how far it lies from where the others put it (m), and the chance of that."""

    aim: str
    distance_m: float
    p: float


@dataclass(frozen=True)
class Finding:
    """One test: what was tested, probability of chance, whether it was found, in words, and its size."""

    what: str
    p: float
    found: bool
    text: str
    size: float


def find_outliers(names: Sequence[str], place_m: Array) -> tuple[Outlier, ...]:
    """Return the marks that do not belong to the others.

    Each mark is held against mean and covariance of all others: ``d' [S (1 + 1/(n-1))]^-1 d`` is
    ``2 (n-2)/(n-3) F(2, n-3)`` for a sound mark (Hotelling's T2 for one new observation; Johnson and Wichern section
    5.6, from memory). Marks are taken out one after the other up to a quarter of them, and as many are outliers as the
    last step that was significant at 1 % shared among the marks (the sequence of Rosner 1983, so that two wrong marks
    cannot hide each other).

    Parameters
    ----------
    place_m : Array
        Shape (n, 2): landing less aim, head axes.
    """
    from scipy.stats import f

    left = list(range(len(names)))
    order: list[Outlier] = []
    count = 0
    for _ in range(int(OUTLIER_SHARE * len(names))):
        n = len(left)
        if n < 6:
            break
        worst, worst_p, worst_far = left[0], math.inf, 0.0
        for i in left:
            others = place_m[[j for j in left if j != i]]
            d = place_m[i] - others.mean(axis=0)
            covariance = np.cov(others.T) * (1.0 + 1.0 / (n - 1))
            t2 = float(d @ np.linalg.solve(covariance + 1e-18 * np.eye(2), d))
            p = float(f.sf(t2 * (n - 3) / (2.0 * (n - 2)), 2, n - 3))
            if p < worst_p:
                worst, worst_p, worst_far = i, p, float(np.hypot(*d))
        order.append(Outlier(names[worst], worst_far, worst_p))
        if worst_p < OUTLIER_P / n:
            count = len(order)
        left.remove(worst)
    return tuple(order[:count])


def chance_of_mean(values: Array) -> tuple[Array, float] | None:
    """Return mean (2,) and chance of so large a mean if the true one is zero (Hotelling's T2), values (n, 2)."""
    from scipy.stats import f

    n = len(values)
    if n < 4:
        return None
    mean = values.mean(axis=0)
    covariance = np.cov(values.T) / n
    if np.linalg.matrix_rank(covariance) < 2:
        return None
    t2 = float(mean @ np.linalg.solve(covariance, mean))
    return mean, float(f.sf(t2 * (n - 2) / (2.0 * (n - 1)), 2, n - 2))


def chance_of_part(place_m: Array, part: Array, known: Array) -> tuple[Array, float] | None:
    """Return the value (q,) of an extra part of the offset and the chance of it if there is none.

    Parameters
    ----------
    part : Array
        Shape (n, 2, q): design of the extra part, beside the constant offset.

    Returns
    -------
    tuple[Array, float] | None
        None where the data do not carry it. F test on the extra part with the degrees that the whole fit leaves.
    """
    from scipy.stats import f

    n, _, q = part.shape
    if n - 1 - q / 2.0 < q + 1:
        return None
    design = np.concatenate([np.broadcast_to(np.eye(2), (n, 2, 2)), part], axis=2)
    values = np.linalg.svd(design.reshape(2 * n, -1), compute_uv=False)
    if values[-1] < 1e-3 * values[0]:
        return None
    found = fit(place_m, design, known)
    extra = found.value[2:]
    f_value = float(extra @ np.linalg.solve(found.covariance[2:, 2:], extra)) / q
    return extra, float(f.sf(f_value, q, float(found.freedom[2:].min())))

"""Linear model with one unknown scatter common to all observations: restricted maximum likelihood.

``y_i = A_i b + s_i + e_i`` with ``s_i ~ N(0, S)``, S unknown, and ``e_i ~ N(0, E_i)``, E_i known. The restricted
likelihood (Patterson and Thompson 1971; Harville 1977, from memory) takes the estimation of b into account, so that S
is not too small with few observations. Expected-information steps, S kept positive semi-definite.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array

#: Satterthwaite's degrees come out far too few where the scatter is hardly told from the errors: not below this share
#: of what equal errors would leave (common practice, no source; ``make bench NAME=calibrate`` checks the coverage)
LEAST_FREEDOM = 0.5


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted model.

    Attributes
    ----------
    value, covariance : Array
        Shapes (q,), (q, q).
    freedom : Array
        Shape (q,): degrees of freedom of each value's variance (Satterthwaite's method as Giesbrecht and Burns 1985 use
        it, from memory): twice its square over its own variance. Equal errors and one mean: n - 1.
    scatter : Array
        Shape (d, d).
    scatter_covariance : Array
        Shape (k, k): of the scatter's elements on and above the diagonal, row by row: the inverse information. With
        equal errors that is the Wishart distribution's.
    total : Array
        Shape (d, d): scatter and error of a typical observation (inverse of the mean weight).
    """

    value: Array
    covariance: Array
    freedom: Array
    scatter: Array
    scatter_covariance: Array
    total: Array

    def interval(self) -> tuple[float, float]:
        """Return the 95 % interval of the root mean scatter, ``sqrt(trace(scatter) / d)``.

        The trace of scatter and error is nearly chi-square with twice its square over its variance degrees of freedom
        (Satterthwaite 1946, from memory; exact for a round scatter with equal errors).
        """
        from scipy.stats import chi2

        d = len(self.scatter)
        rows, columns = np.triu_indices(d)
        on = (rows == columns).astype(float)
        trace = float(np.trace(self.total))
        degrees = 2.0 * trace**2 / max(float(on @ self.scatter_covariance @ on), 1e-300)
        measured = trace - float(np.trace(self.scatter))
        low, high = (trace * degrees / float(chi2.ppf(p, degrees)) - measured for p in (0.975, 0.025))
        return math.sqrt(max(low, 0.0) / d), math.sqrt(max(high, 0.0) / d)


def fit(observed: Array, design: Array, known: Array, iterations: int = 200) -> Fit:
    """Fit the model.

    Parameters
    ----------
    observed : Array
        Shape (n, d).
    design : Array
        Shape (n, d, q).
    known : Array
        Shape (n, d, d): E_i.
    """
    d = observed.shape[1]
    # in units of the observations' own spread, so that steps and tolerances mean something
    unit = float(np.abs(observed - observed.mean(axis=0)).max()) or 1.0
    y, a, e = observed / unit, design / unit, known / unit**2
    flat = np.linalg.lstsq(a.reshape(-1, a.shape[2]), y.reshape(-1), rcond=None)[0]
    rest = y - a @ flat
    spare = max(len(y) - a.shape[2] / d, 1.0)
    scatter = _positive(rest.T @ rest / spare - e.mean(axis=0))
    best = restricted_likelihood(scatter, y, a, e)[0]
    for _ in range(iterations):
        _, gradient, information = restricted_likelihood(scatter, y, a, e)
        step = np.asarray(np.linalg.solve(information, gradient))
        share = 1.0
        while share > 1e-4:
            tried = _positive(scatter + share * _symmetric(step, d))
            value = restricted_likelihood(tried, y, a, e)[0]
            if value >= best:
                break
            share *= 0.5
        else:
            break
        gained = value - best
        scatter, best = tried, value
        if gained < 1e-10:  # of the log-likelihood: 1e-5 standard deviations
            break
    estimate, covariance, weight = _generalised(scatter, y, a, e)
    spread = np.linalg.inv(restricted_likelihood(scatter, y, a, e)[2])
    by = np.array([
        np.diag(covariance @ np.einsum("nia,nij,jk,nkl,nlb->ab", a, weight, _unit(k, d), weight, a) @ covariance)
        for k in range(d * (d + 1) // 2)
    ])  # of each value's variance, by the scatter's elements  # fmt: skip
    own = np.einsum("kq,kl,lq->q", by, spread, by)
    freedom = 2.0 * np.square(np.diag(covariance)) / np.maximum(own, 1e-12 * np.square(np.diag(covariance)))
    freedom = np.maximum(freedom, LEAST_FREEDOM * max(len(y) - a.shape[2] / d, 1.0))
    total = np.linalg.inv(weight.mean(axis=0))
    return Fit(
        estimate, covariance, freedom, scatter * unit**2, np.asarray(spread * unit**4), np.asarray(total * unit**2)
    )


def restricted_likelihood(scatter: Array, observed: Array, design: Array, known: Array) -> tuple[float, Array, Array]:
    """Return the log of the restricted likelihood (less a constant), its gradient and the expected information.

    Parameters
    ----------
    scatter : Array
        Shape (d, d).

    Returns
    -------
    tuple[float, Array, Array]
        Gradient (k,) and information (k, k) with respect to the elements on and above the diagonal, row by row.
    """
    d = scatter.shape[0]
    value, covariance, weight = _generalised(scatter, observed, design, known)
    rest = observed - design @ value
    whitened = np.einsum("nij,nj->ni", weight, rest)
    log_det = -np.linalg.slogdet(weight)[1].sum() - np.linalg.slogdet(covariance)[1]
    likelihood = -0.5 * float(log_det + np.sum(rest * whitened))
    units = [_unit(k, d) for k in range(d * (d + 1) // 2)]
    by = np.array([weight @ unit for unit in units])  # (k, n, d, d)
    spread = np.array([
        np.einsum("nia,nij,njb->ab", design, b @ weight, design) for b in by
    ])  # sum of A' W E W A  # fmt: skip
    gradient = 0.5 * np.array([
        -np.trace(b, axis1=1, axis2=2).sum() + np.einsum("ni,ij,nj->", whitened, unit, whitened)
        + np.trace(covariance @ s)
        for b, unit, s in zip(by, units, spread, strict=True)
    ])  # fmt: skip
    k = len(units)
    information = np.empty((k, k))
    for i, j in itertools.product(range(k), range(k)):
        both = np.einsum("nia,nij,njb->ab", design, by[i] @ by[j] @ weight, design)
        information[i, j] = 0.5 * (
            np.einsum("nij,nji->", by[i], by[j])
            - 2.0 * np.trace(covariance @ both)
            + np.trace(covariance @ spread[i] @ covariance @ spread[j])
        )
    return likelihood, gradient, information


def _generalised(scatter: Array, observed: Array, design: Array, known: Array) -> tuple[Array, Array, Array]:
    """Return generalised least squares: value (q,), covariance (q, q), weights (n, d, d)."""
    weight = np.linalg.inv(scatter + known)
    covariance = np.linalg.inv(np.einsum("nia,nij,njb->ab", design, weight, design))
    value = covariance @ np.einsum("nia,nij,nj->a", design, weight, observed)
    return np.asarray(value), np.asarray(covariance), np.asarray(weight)


def _unit(k: int, d: int) -> Array:
    """Return the symmetric matrix by which the scatter moves with its element ``k``."""
    return _symmetric(np.eye(d * (d + 1) // 2)[k], d)


def _symmetric(elements: Array, d: int) -> Array:
    out = np.zeros((d, d))
    out[np.triu_indices(d)] = elements
    return out + np.triu(out, 1).T


def _positive(matrix: Array) -> Array:
    """Return the nearest positive matrix with eigenvalues of at least 1e-12 (unit scale)."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vectors * np.maximum(values, 1e-12)) @ vectors.T)

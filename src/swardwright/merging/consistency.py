"""What the joint estimate learnt of errors that all sightings share, and whether the stated errors explain it."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from swardwright.domain.weed import Fit, SiteError
from swardwright.merging.problem import Problem
from swardwright.merging.solve import Solution

#: Directions of an error about which the sightings say less than this share of its variance do not count.
SAID = 1e-7


def site_errors(problem: Problem, solution: Solution) -> tuple[SiteError, ...]:
    """Return every error of the whole site as estimated, and how surprising it is.

    Notes
    -----
    The whitened estimate has prior covariance I and posterior covariance P; if the stated errors are right, it is
    spread by ``I - P`` (law of total variance), so ``e' (I - P)^-1 e`` is chi-square. For an error that is stated to be
    (nearly) zero this is the score test of adding it to the model (Rao 1948).
    """
    out = []
    for (source, _), (start, stop) in problem.blocks.items():
        if start < problem.modes or stop > problem.site or start == stop:
            continue
        columns = np.arange(start, stop)
        e, spread = solution.errors[columns], solution.of_errors(columns)
        values, vectors = np.linalg.eigh(np.eye(len(e)) - spread)
        told = values > SAID
        statistic = float(np.sum((vectors[:, told].T @ e) ** 2 / values[told]))
        degrees = int(told.sum())
        root = next(r for k, r in problem.roots.items() if problem.blocks[k] == (start, stop))
        out.append(
            SiteError(source, root @ e, root @ spread @ root.T, root @ root.T, statistic, degrees,
                      float(chi2.sf(statistic, degrees)) if degrees else 1.0)
        )  # fmt: skip
    return tuple(out)


def fit(problem: Problem, solution: Solution) -> Fit:
    """Return how well sightings and stated errors agree: chi-square, two degrees of freedom less per new weed."""
    new = len(solution.crowns_m) - len(problem.prior.mean_m)
    return Fit(solution.statistic, 2 * len(problem.sightings) - 2 * new)

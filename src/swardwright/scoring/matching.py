"""Before and after matched on the ground."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.weed import Look, Weed

#: Mahalanobis distance squared beyond which a match is worth a remark: chi-square 99.9 %, two degrees of freedom.
SURPRISING = -2.0 * float(np.log(1e-3))


def match(before: Sequence[Weed], after: Sequence[Weed], gate_m: float) -> dict[str, tuple[str, float]]:
    """Return the partner of each weed that has one: ``before id -> (after id, Mahalanobis distance squared)``.

    Parameters
    ----------
    before, after : Sequence[Weed]
        Places with covariances, the same ground axes.
    gate_m : float
        Farther apart than this, two are never the same weed.

    Notes
    -----
    Global assignment (``scipy.optimize.linear_sum_assignment``): as many pairs as the gate allows, and among those the
    least sum of Mahalanobis distances squared with the summed covariances. The gate is a distance on purpose: a
    plant alive within ``gate_m`` of a heated place counts against the kill rate even if the stated covariances say
    that it is another one, since covariances that are too small must not make dead weeds.
    """
    from scipy.optimize import linear_sum_assignment

    if not before or not after:
        return {}
    here, there = np.array([w.mean_m for w in before]), np.array([w.mean_m for w in after])
    total = np.array([w.covariance_m2 for w in before])[:, None] + np.array([w.covariance_m2 for w in after])[None]
    total = total + 1e-8 * np.eye(2)  # 0.1 mm: keeps places that claim to be exact comparable
    offset = here[:, None] - there[None]
    distance2: Array = np.einsum("ijk,ijk->ij", offset, np.linalg.solve(total, offset[..., None])[..., 0])
    allowed = np.linalg.norm(offset, axis=-1) <= gate_m
    # One forbidden pair must cost more than all allowed ones together.
    forbidden = 1.0 + float(np.where(allowed, distance2, 0.0).sum())
    rows, columns = linear_sum_assignment(np.where(allowed, distance2, forbidden))
    return {
        before[i].id: (after[j].id, float(distance2[i, j]))
        for i, j in zip(rows.tolist(), columns.tolist(), strict=True)
        if allowed[i, j]
    }


def times_looked_at(weeds: Sequence[Weed], looks: Sequence[Look]) -> tuple[Array, Array]:
    """Return in how many looks each weed's place lay, and the probability that all of them miss a plant there.

    Returns
    -------
    counts, missed : Array
        Shape (n,); ``missed`` is the product of ``1 - look.detection_at(place)``, taking looks as independent.
    """
    from shapely import Polygon, contains_xy, prepare

    counts, missed = np.zeros(len(weeds)), np.ones(len(weeds))
    if not weeds:
        return counts, missed
    places = np.array([w.mean_m for w in weeds])
    for look in looks:
        outline = Polygon(look.corners_m)
        prepare(outline)
        inside = contains_xy(outline, places[:, 0], places[:, 1])
        counts += inside
        missed = np.where(inside, missed * (1.0 - look.detection_at(places)), missed)
    return counts, missed

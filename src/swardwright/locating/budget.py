"""Error budget: the ground covariance of one look or many, split by source, and what no number of looks removes.

``budget`` is the recipe. Looks are combined with the weights that make the error smallest (best linear unbiased; the
Gauss-Markov theorem with the covariance of all looks together, errors that looks share included), so that the result
is the Cramer-Rao bound of a linear Gaussian model: what any estimate from these looks can reach at best. What the looks
share does not average away, and the split says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.domain.uncertainty import Scope
from swardwright.locating.landing import landing_seen
from swardwright.locating.views import Errors, Seen, check_places, stop_views, survey_views

#: a whole budget smaller than this (m) means that every source was set to zero
NOTHING_M = 2e-5
#: added to the covariance of all looks, as a share of its mean: errors that all looks share make it singular
_JITTER = 1e-10

WHATS = ("survey", "stop", "landing")


@dataclass(frozen=True, eq=False)
class Part:
    """What one source adds: covariance (2, 2), m2, base axes, and who shares one draw of it."""

    source: str
    scope: Scope
    covariance_m2: Array

    @property
    def variance_m2(self) -> float:
        """Per axis: half the trace."""
        return 0.5 * float(np.trace(self.covariance_m2))

    @property
    def sigma_m(self) -> float:
        """Standard deviation per axis (root of the mean of both variances)."""
        return math.sqrt(max(self.variance_m2, 0.0))


@dataclass(frozen=True, eq=False)
class ErrorBudget:
    """The error of one or several places, by source.

    Attributes
    ----------
    what : str
        ``"survey"``, ``"stop"`` or ``"landing"``; see ``views.Seen``.
    looks : float
        At each place; infinite: the floor.
    places_m : Array
        Shape (k, 2), base axes; the parts are means over them.
    parts : tuple[Part, ...]
        Largest first; they add up to ``covariance_m2``.
    """

    what: str
    looks: float
    places_m: Array
    parts: tuple[Part, ...]

    @property
    def covariance_m2(self) -> Array:
        """All sources together, shape (2, 2), m2."""
        total: Array = np.sum([part.covariance_m2 for part in self.parts], axis=0)
        return total

    @property
    def sigma_m(self) -> float:
        """Standard deviation per axis (root of the mean of both variances)."""
        return math.sqrt(0.5 * float(np.trace(self.covariance_m2)))

    def share(self, part: Part) -> float:
        """Return a part's share of the variance, 0 to 1; all shares add up to 1."""
        return part.variance_m2 / self.sigma_m**2

    def part(self, source: str) -> Part | None:
        """Return the part of a source, or None."""
        return next((part for part in self.parts if part.source == source), None)


def budget(rig: Rig, at_m: Array, *, what: str = "stop", looks: float = 1, head_joints_rad: Array | None = None,
           base_covariance: Array | None = None) -> ErrorBudget:  # fmt: skip
    """Return the error budget at places on the ground.

    Parameters
    ----------
    at_m : Array
        Shape (2,) or (k, 2): places in base axes (x forward, y left), m; with several, the mean over them.
    what : str
        ``"survey"``: the crown in ground axes from survey pictures; ``"stop"``: the crown relative to the base from
        looks at a stop; ``"landing"``: where heat lands relative to the crown (needs ``head_joints_rad``).
    looks : float
        Looks at each place; infinite: what no number of looks removes.
    head_joints_rad : Array, optional
        Shape (k, dof): posture with which each place is heated.
    base_covariance : Array, optional
        Shape (3, 3): of base poses while surveying; None: of the start pose.

    Raises
    ------
    InputError
        If a place is not in the picture, a number is not usable, or every error source is zero.
    """
    places = check_places(at_m)
    if what == "survey":
        seen = survey_views(rig, places, base_covariance).seen(looks)
    elif what == "stop":
        seen = stop_views(rig, places).seen(looks)
    elif what == "landing" and head_joints_rad is not None:
        seen = landing_seen(rig, stop_views(rig, places).seen(looks), np.atleast_2d(head_joints_rad))
    else:
        raise InputError("there is no such budget", field="what", value=what, limit=", ".join(WHATS),
                         remedy="name one of these; a landing needs the posture of the arm too")  # fmt: skip
    return split(seen)


def split(seen: Seen, factors: Mapping[str, float] | None = None) -> ErrorBudget:
    """Return the budget of looks, with the variance of some sources multiplied.

    Parameters
    ----------
    factors : mapping of str to float, optional
        Source -> factor on its covariance: 0.25 halves its standard deviation, 0 removes it.

    Raises
    ------
    InputError
        If every source is zero (before ``factors``).
    """
    total: dict[tuple[str, Scope], Array] = {}
    for views in seen.views:
        for key, covariance in combine(views, factors or {}).items():
            total[key] = total.get(key, np.zeros((2, 2))) + covariance / len(seen.views)
    parts = sorted((Part(source, scope, c) for (source, scope), c in total.items()), key=lambda p: -p.variance_m2)
    result = ErrorBudget(seen.what, seen.looks, seen.places_m, tuple(parts))
    if not factors and not math.isinf(seen.looks) and (not parts or result.sigma_m < NOTHING_M):
        raise InputError("every error source is zero, so there is no error to split", where="site.toml",
                         field="[errors]", value=f"{1e3 * result.sigma_m if parts else 0:.2g} mm in all",
                         remedy="write the standard deviations of your rig there; swardwright calibrate measures "
                         "some of them")  # fmt: skip
    return result


def combine(views: Sequence[Errors], factors: Mapping[str, float]) -> dict[tuple[str, Scope], Array]:
    """Return (source, scope) -> covariance (2, 2) of the best estimate from several looks.

    Notes
    -----
    Looks ``z_i = x + sum_s J_is e_s`` have the joint covariance ``V_ij = sum_s J_is C_s J_js'`` over the sources whose
    draw ``i`` and ``j`` share. The weights ``W = (1' V^-1 1)^-1 1' V^-1`` make the error of ``sum_i W_i z_i`` smallest
    (Gauss-Markov), and a source's part is ``(sum_i W_i J_i) C (sum_i W_i J_i)'``.
    """
    n = len(views)
    groups: dict[tuple[str, str], tuple[Scope, Array, Array]] = {}
    for i, errors in enumerate(views):
        for e in errors:
            if (e.source, e.key) not in groups:
                covariance = factors.get(e.source, 1.0) * np.asarray(e.covariance)
                groups[e.source, e.key] = (e.scope, covariance, np.zeros((2 * n, covariance.shape[0])))
            groups[e.source, e.key][2][2 * i : 2 * i + 2] += e.jacobian
    joint = np.zeros((2 * n, 2 * n))
    for _, covariance, jacobian in groups.values():
        joint += jacobian @ covariance @ jacobian.T
    weights = best_weights(joint)
    out: dict[tuple[str, Scope], Array] = {}
    for (source, _), (scope, covariance, jacobian) in groups.items():
        moved = weights @ jacobian
        out[source, scope] = out.get((source, scope), np.zeros((2, 2))) + moved @ covariance @ moved.T
    return _one_scope(out)


def _one_scope(parts: dict[tuple[str, Scope], Array]) -> dict[tuple[str, Scope], Array]:
    """Join parts of one source that differ in scope only; the scope of the larger one names it."""
    largest: dict[str, tuple[str, Scope]] = {}
    for key, covariance in parts.items():
        if key[0] not in largest or np.trace(covariance) > np.trace(parts[largest[key[0]]]):
            largest[key[0]] = key
    return {key: np.sum([c for k, c in parts.items() if k[0] == key[0]], axis=0) for key in largest.values()}


def best_weights(joint_m2: Array) -> Array:
    """Return the weights (2, 2n) of n looks whose joint covariance is (2n, 2n), m2; they add up to the identity."""
    n = len(joint_m2) // 2
    if n == 1:
        return np.eye(2)
    scale = float(np.trace(joint_m2)) / len(joint_m2)
    one = np.tile(np.eye(2), (n, 1))
    if scale <= 0.0:
        return one.T / n
    solved = np.linalg.solve(joint_m2 / scale + _JITTER * np.eye(2 * n), one)
    weights: Array = np.linalg.solve(one.T @ solved, solved.T)
    return weights


def sources(budgets: Iterable[ErrorBudget]) -> list[str]:
    """Return every source of several budgets, the largest over all of them first."""
    total: dict[str, float] = {}
    for one in budgets:
        for part in one.parts:
            total[part.source] = max(total.get(part.source, 0.0), one.share(part))
    return sorted(total, key=lambda source: -total[source])


__all__ = ["ErrorBudget", "Part", "best_weights", "budget", "combine", "sources", "split"]

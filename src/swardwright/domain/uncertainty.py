"""Gaussians, error sources and their scopes, chi-square gates and ellipses."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, frozen


class Scope(enum.StrEnum):
    """Within which group of sightings one draw of an error is shared (and so does not average away)."""

    PIXEL = "pixel"
    PLANT = "plant"
    FRAME = "frame"
    STOP = "stop"
    SITE = "site"


@dataclass(frozen=True, eq=False)
class SharedError:
    """Linear effect of one error source on a ground position.

    ``position = truth + jacobian @ e + ...`` with ``e ~ N(0, covariance)``; sightings with the same ``source`` and
    ``key`` share the same draw of ``e``.

    Attributes
    ----------
    source : str
        ``"pixel"``, ``"crown"``, ``"intrinsics"``, ``"mount"``, ``"joints"``, ``"tilt"``, ``"base"``, ``"ground"``,
        ``"roughness"``, ``"joint_offset"`` or ``"plane"``.
    scope : Scope
        Who shares the draw; of ``PLANT`` only merging knows who that is, and the key is the sighting's own.
    key : str
        Identity of the draw, for example the frame's id.
    jacobian : Array
        Shape (2, k): metres on the ground per unit of the error.
    covariance : Array
        Shape (k, k): prior covariance of the error.
    gradient : Array | None
        Shape (2, k, 2): derivative of the Jacobian with respect to the ground position (per metre), so that it can be
        evaluated where the plant is and not where noise put it; None: taken as zero.
    """

    source: str
    scope: Scope
    key: str
    jacobian: Array
    covariance: Array
    gradient: Array | None = None

    def __post_init__(self) -> None:
        if self.gradient is not None:
            object.__setattr__(self, "gradient", frozen(self.gradient))
        object.__setattr__(self, "jacobian", frozen(self.jacobian))
        object.__setattr__(self, "covariance", frozen(self.covariance))

    @property
    def ground_covariance_m2(self) -> Array:
        """Its share of the ground covariance, shape (2, 2), m2."""
        return self.jacobian @ self.covariance @ self.jacobian.T


def check_covariance(matrix: Array, field: str) -> Array:
    """Return ``matrix`` frozen, or raise ``InputError`` if it is not finite, symmetric and positive semi-definite."""
    matrix = np.asarray(matrix, dtype=float)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1] or not np.isfinite(matrix).all():
        raise InputError("a covariance must be a finite square matrix", field=field)
    scale = max(float(np.abs(matrix).max()), 1e-300)
    if np.abs(matrix - matrix.T).max() > 1e-6 * scale or np.linalg.eigvalsh(matrix).min() < -1e-9 * scale:
        raise InputError("a covariance must be symmetric and not negative", field=field)
    return frozen(0.5 * (matrix + matrix.T))


#: chi-square 95 % quantile with two degrees of freedom: -2 ln(0.05) (exact)
CHI2_2_95 = -2.0 * math.log(0.05)


def ellipse(covariance_m2: Array, probability: float = 0.95) -> tuple[float, float, float]:
    """Return semi-axes (m, larger first) and direction of the larger (rad from x) of a 2 x 2 covariance's ellipse.

    The radius is ``sqrt(-2 ln(1 - p))`` standard deviations (chi-square with two degrees of freedom, exact).
    """
    values, vectors = np.linalg.eigh(np.asarray(covariance_m2, dtype=float))
    scale = math.sqrt(-2.0 * math.log(1.0 - probability))
    small, large = scale * np.sqrt(np.maximum(values, 0.0))
    return float(large), float(small), math.atan2(vectors[1, 1], vectors[0, 1])


def mahalanobis2(offset_m: Array, covariance_m2: Array) -> float:
    """Return ``d' C^-1 d`` (unitless)."""
    d = np.asarray(offset_m, dtype=float)
    return float(d @ np.linalg.solve(covariance_m2, d))

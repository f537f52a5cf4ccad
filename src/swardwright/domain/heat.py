"""Heat on the ground and what it does: footprint, dose, kill probability.

Heat is fuel per ground area (kg/m2; 1 kg/ha = 1e-4 kg/m2), the unit of the dose-response literature.
Log-logistic dose response: P = 1 / (1 + (D / ED50)^-slope) (two-parameter form of Seefeldt et al. 1995, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from swardwright.domain.poses import Array

#: net heating value of propane, J/kg: 19,770 BTU/lb (torch handbook figure, REFERENCES section 2)
PROPANE_NET_J_KG = 19_770 * 1055.05585262 / 0.45359237


@dataclass(frozen=True)
class Head:
    """The thermal tool at the arm's end.

    Attributes
    ----------
    link : str
        URDF link at the flame's working point; its z axis is the direction of the flame.
    flow_kg_s : float
        Fuel flow while lit.
    pilot_kg_s : float
        Fuel flow of the pilot flame.
    footprint_sigma_m : float
        Standard deviation of the round Gaussian spread of heat on the ground.
    standoff_m : float
        Height of the head link above the ground while heating.
    landing_sigma_m : float
        Standard deviation, per axis, of where heat lands about the aim, wind and flame wander included.
    tilt_max_rad : float
        Largest angle between the flame and straight down.
    valve_delay_s : float
        From command to full flame, each way.
    ignition_s : float
        Time to light.
    """

    link: str
    flow_kg_s: float
    pilot_kg_s: float
    footprint_sigma_m: float
    standoff_m: float
    landing_sigma_m: float
    tilt_max_rad: float
    valve_delay_s: float
    ignition_s: float


def footprint_density_m2(offset2_m2: Any, sigma_m: Any) -> Any:
    """Return g, 1/m2, at squared distance ``offset2_m2`` of a round Gaussian footprint; it integrates to 1."""
    return np.exp(-np.asarray(offset2_m2) / (2.0 * np.square(sigma_m))) / (2.0 * math.pi * np.square(sigma_m))


def dose_kg_m2(head: Head, hold_s: Any, offset2_m2: Any) -> Any:
    """Return the dose ``m t g(x - a)`` at squared distance ``offset2_m2`` (m2) from the landing point."""
    return head.flow_kg_s * np.asarray(hold_s) * footprint_density_m2(offset2_m2, head.footprint_sigma_m)


def kill_probability(dose: Any, ed50_kg_m2: Any, slope: Any) -> Any:
    """Return the log-logistic kill probability of ``dose`` (kg/m2); 0 at zero dose."""
    dose = np.asarray(dose, dtype=float)
    with np.errstate(divide="ignore", over="ignore"):
        return 1.0 / (1.0 + np.exp(np.clip(-slope * np.log(np.maximum(dose, 1e-300) / ed50_kg_m2), -700, 700)))


def scorched_area_m2(head: Head, hold_s: float, turf_limit_kg_m2: float) -> float:
    """Return the area in which one hold's dose exceeds the turf's limit: ``2 pi s^2 ln(peak / limit)``, m2."""
    peak = float(dose_kg_m2(head, hold_s, 0.0))
    if peak <= turf_limit_kg_m2:
        return 0.0
    return 2.0 * math.pi * head.footprint_sigma_m**2 * math.log(peak / turf_limit_kg_m2)


def expected_kill(
    head: Head, hold_s: Any, offset_covariance_m2: Array, ed50_kg_m2: float, slope: float, nodes: int = 24
) -> Any:
    """Return the expected kill probability of one hold aimed at the believed crown.

    Parameters
    ----------
    hold_s : float or array
        Dwell at full flame.
    offset_covariance_m2 : Array
        Shape (2, 2): covariance of crown minus landing point, m2.
    nodes : int
        Gauss-Hermite nodes per axis.

    Notes
    -----
    ``E[K(m t g(d))]`` with ``d ~ N(0, C)``, by the product Gauss-Hermite rule on the principal axes of ``C``
    (Golub and Welsch 1969; nodes from ``numpy.polynomial.hermite_e``).
    """
    values = np.maximum(np.linalg.eigvalsh(np.asarray(offset_covariance_m2, dtype=float)), 0.0)
    x, w = np.polynomial.hermite_e.hermegauss(nodes)
    w = w / w.sum()
    offset2 = values[0] * np.square(x)[:, None] + values[1] * np.square(x)[None, :]
    weight = w[:, None] * w[None, :]
    hold = np.asarray(hold_s, dtype=float)[..., None, None]
    return np.sum(weight * kill_probability(dose_kg_m2(head, hold, offset2), ed50_kg_m2, slope), axis=(-2, -1))

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
    offset_m : tuple[float, float]
        Where heat lands on average against where the head points, along the head link's x and y axes.
    offset_sigma_m : float
        Standard deviation of that offset, per axis: the same in every hold.
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
    offset_m: tuple[float, float] = (0.0, 0.0)
    offset_sigma_m: float = 0.0

    @property
    def working_point_m(self) -> Array:
        """Where heat lands on average, axes of the head link, shape (3,), m, at the stand-off."""
        return np.array([*self.offset_m, self.standoff_m])

    @property
    def aim_sigma_m(self) -> float:
        """Standard deviation, per axis, of one landing about its aim: scatter and what is left of the offset."""
        return math.hypot(self.landing_sigma_m, self.offset_sigma_m)


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


def relight_gap_s(head: Head, gas_price: float, hour_price: float) -> float:
    """Return the gap between two holds from which relighting the pilot costs less than keeping it lit, s.

    Parameters
    ----------
    gas_price : float
        Of one kilogram, in the site's own currency.
    hour_price : float
        Of one hour of the round, in the same.

    Notes
    -----
    Keeping: the gap's pilot gas. Relighting: the ignition's pilot gas, and its time, in which nothing else is done.
    Infinite where the pilot costs nothing.
    """
    lit_price_s = head.pilot_kg_s * gas_price
    if lit_price_s <= 0.0:
        return math.inf
    return head.ignition_s * (1.0 + hour_price / 3600.0 / lit_price_s)


def expected_kill(head: Head, hold_s: Any, offset_covariance_m2: Array, ed50_kg_m2: float, slope: float) -> Any:
    """Return the expected kill probability of one hold aimed at the believed crown.

    Parameters
    ----------
    hold_s : float or array
        Dwell at full flame, shape (...).
    offset_covariance_m2 : Array
        Shape (2, 2): covariance of crown minus landing point, m2.

    Returns
    -------
    float or array
        Shape (...).

    Notes
    -----
    ``E[K(m t g(d))]`` with ``d ~ N(0, C)``, by the product trapezoidal rule on the principal axes of ``C``: the
    integrand is analytic and dies off, so the rule converges exponentially (Trefethen and Weideman 2014, from memory).
    A Gauss-Hermite rule of 24 nodes, tried first, was wrong by up to 0.15 where the place is much less certain than
    the footprint is wide.
    """
    hold = np.asarray(hold_s, dtype=float)
    offset2, weight = kill_nodes(head, float(np.max(hold, initial=0.0)), offset_covariance_m2, ed50_kg_m2, slope)
    return np.sum(weight * kill_probability(dose_kg_m2(head, hold[..., None], offset2), ed50_kg_m2, slope), axis=-1)


def kill_nodes(
    head: Head, hold_s: float, offset_covariance_m2: Array, ed50_kg_m2: float, slope: float
) -> tuple[Array, Array]:
    """Return squared offsets (m2) and weights, each shape (n,), that integrate the kill of holds up to ``hold_s``."""
    sigma = head.footprint_sigma_m
    variances = np.maximum(np.linalg.eigvalsh(np.asarray(offset_covariance_m2, dtype=float)), 0.0)
    peak = max(float(dose_kg_m2(head, hold_s, 0.0)) / ed50_kg_m2, 1.0)
    # Beyond this distance the kill probability is below 1e-9; the nearest pole of K lies pi s^2 / (slope r50) off axis.
    farthest = sigma * math.sqrt(2.0 * (math.log(peak) + 9.0 * math.log(10.0) / slope))
    half_kill = sigma * math.sqrt(2.0 * math.log(peak) + 2.0 * math.pi / slope)
    finest = min(0.25 * sigma, math.pi * sigma**2 / (slope * half_kill) / 2.0)
    nodes, weights = [], []
    for deviation in np.sqrt(variances):
        if deviation < 1e-9 * sigma:
            nodes.append(np.zeros(1))
            weights.append(np.ones(1))
            continue
        reach = min(8.0 * deviation, farthest)
        step = max(min(0.5 * deviation, finest), reach / 400.0)
        x = step * np.arange(math.ceil(reach / step) + 1)
        w = 2.0 * step * np.exp(-0.5 * np.square(x / deviation)) / (deviation * math.sqrt(2.0 * math.pi))
        w[0] /= 2.0
        nodes.append(x)
        weights.append(w)
    offset2 = np.square(nodes[0])[:, None] + np.square(nodes[1])[None, :]
    return offset2.ravel(), (weights[0][:, None] * weights[1][None, :]).ravel()

"""What a heat command really gave: is its report credible, and what did the weed get."""

from __future__ import annotations

import math

import numpy as np

from swardwright.domain.dwell import landing_covariance_m2
from swardwright.domain.event import Treated
from swardwright.domain.heat import expected_kill, scorched_area_m2
from swardwright.domain.plan import Hold, Stop
from swardwright.domain.poses import Array
from swardwright.domain.robot import HeatReport, RobotState
from swardwright.domain.site import Kind, Site
from swardwright.domain.weed import Aim
from swardwright.running.interlocks import landing_m


def credible(report: HeatReport, hold: Hold, site: Site) -> bool:
    """Return whether the robot's report of a heat makes sense; if not, what the weed got is unknown."""
    longest_s = hold.hold_s + 2.0 * site.rig.head.valve_delay_s
    numbers = 0.0 <= report.heated_s <= 1.05 * longest_s and 0.0 <= report.gas_kg < math.inf
    return numbers and not (report.completed and report.heated_s < 0.5 * hold.hold_s)


def treated(site: Site, stop: Stop, hold: Hold, aim: Aim, kind: Kind, state: RobotState, report: HeatReport) -> Treated:
    """Return what the weed got: expected over crown and landing, at the time the flame really burned."""
    head, limits = site.rig.head, site.limits
    offset = landing_covariance_m2(head, aim.covariance_m2)
    landing, _, _ = landing_m(state, site)
    dose = expected_dose_kg_m2(head.flow_kg_s * report.heated_s, landing - aim.mean_m, offset, head.footprint_sigma_m)
    kill = float(expected_kill(head, report.heated_s, offset, kind.ed50_kg_m2, kind.slope))
    scorch = scorched_area_m2(head, report.heated_s, limits.turf_dose_kg_m2)
    return Treated(hold.weed_id, stop.id, report.heated_s, report.gas_kg, dose, kill, scorch)


def expected_dose_kg_m2(fuel_kg: float, offset_m: Array, covariance_m2: Array, footprint_sigma_m: float) -> float:
    """Return the dose expected on the crown, kg/m2.

    A round Gaussian footprint averaged over a Gaussian offset is a Gaussian of the summed covariances (product of
    Gaussians, exact): ``fuel N(offset; 0, C + s^2 I)``.
    """
    total = np.asarray(covariance_m2, dtype=float) + footprint_sigma_m**2 * np.eye(2)
    exponent = -0.5 * float(offset_m @ np.linalg.solve(total, offset_m))
    return fuel_kg * math.exp(exponent) / (2.0 * math.pi * math.sqrt(float(np.linalg.det(total))))


def kind_to_treat(aim: Aim, site: Site) -> Kind | None:
    """Return the most probable kind to treat."""
    for name, _ in sorted(aim.kinds, key=lambda item: -item[1]):
        kind = site.kind(name)
        if kind is not None and kind.treat:
            return kind
    return None

"""How long to hold the flame: what a pattern of holds is, and the least dwell of a single one that kills as wanted.

Needed twice: by the plan (from the register's belief) and by the run (from the fresh look at a stop), so it is domain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.heat import (
    Head,
    dose_kg_m2,
    footprint_density_m2,
    kill_nodes,
    kill_probability,
    scorched_area_m2,
)
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Limits
from swardwright.domain.uncertainty import check_covariance

#: a hold that cannot reach the target is given, and the place revisited, if it kills at least so probably (common
#: practice, no source)
WORTH_GIVING = 0.5


@dataclass(frozen=True)
class Pattern:
    """One hold, or several equal holds about one aim, as the dose model wants them.

    Attributes
    ----------
    hold_s : float
        Time at full flame at each point; the longest allowed where the target is not reached.
    gas_kg : float
        Fuel of all holds and of the valve delay at both ends of each; the pilot's is counted with the stop's.
    kill : float
        Expected kill probability over the places of crown and landing points.
    scorch_m2 : float
        Ground that gets more than the turf's limit from all holds together.
    reached : bool
        Whether ``kill`` reaches the user's target within the longest hold.
    reason : str
        Why not, and what to do instead: revisit, look again, calibrate; empty where it is.
    revisit : bool
        One treatment cannot reach the target, but the longest hold kills more likely than not: give it, and treat
        again at the next visit.
    offsets_m : tuple[tuple[float, float], ...]
        Aims of the holds about the believed crown, in the axes of the covariance; one at zero: a single hold.
    """

    hold_s: float
    gas_kg: float
    kill: float
    scorch_m2: float
    reached: bool
    reason: str
    revisit: bool = False
    offsets_m: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    @property
    def worth_giving(self) -> bool:
        """Whether it may be planned and given: it reaches the target, or is the first of several treatments."""
        return self.reached or self.revisit

    @property
    def heat_s(self) -> float:
        """Time at full flame at all points, s."""
        return len(self.offsets_m) * self.hold_s


def gas_of_hold_kg(head: Head, hold_s: float) -> float:
    """Return the fuel of one hold, valve delay at both ends counted at full flow (the cautious side), kg."""
    return head.flow_kg_s * (hold_s + 2.0 * head.valve_delay_s)


def landing_covariance_m2(head: Head, covariance_m2: Array) -> Array:
    """Return the covariance (2, 2) of crown minus landing point from the crown's, relative to the base, m2."""
    return check_covariance(covariance_m2, "covariance_m2") + head.aim_sigma_m**2 * np.eye(2)


def dwell_for(
    head: Head, kind: Kind, covariance_m2: Array, limits: Limits, crown_radius_m: float = 0.0
) -> Pattern:  # fmt: skip
    """Return the least single hold whose expected kill reaches ``limits.kill_target``.

    Parameters
    ----------
    covariance_m2 : Array
        Shape (2, 2): crown relative to the base, m2; the head's own landing spread and offset error are added here.
    crown_radius_m : float
        The least dose within this distance of the crown counts (a plant with growing points all over it lives on as
        long as one of them does): the dose at ``d + radius``. 0: a single growing point.

    Returns
    -------
    Pattern
        Of one point; with ``reached`` false and a reason where the longest hold is not enough.

    Raises
    ------
    InputError
        If the covariance is not finite, symmetric and positive semi-definite, or the radius no length.

    Notes
    -----
    Expected kill ``E[K(m t g(d))]`` (DESIGN section 6, Dose) grows with ``t``: bisection to 1 part in 1e6. The upper
    end is returned, so that the target is reached and not nearly reached.
    """
    if not 0.0 <= crown_radius_m < math.inf:
        raise InputError("not a crown's radius", field="crown_radius_m", value=crown_radius_m, limit="0 or more",
                         remedy="take the plant's radius from the register")  # fmt: skip
    offset = landing_covariance_m2(head, covariance_m2)
    offset2, weight = kill_nodes(head, limits.hold_max_s, offset, kind.ed50_kg_m2, kind.slope)
    offset2 = np.square(np.sqrt(offset2) + crown_radius_m)
    per_second = head.flow_kg_s * footprint_density_m2(offset2, head.footprint_sigma_m)

    def kill(hold_s: float) -> float:
        return float(weight @ kill_probability(hold_s * per_second, kind.ed50_kg_m2, kind.slope))

    best = kill(limits.hold_max_s)
    if best < limits.kill_target:
        reason, weak = _why_not(head, kind, covariance_m2, limits, best, crown_radius_m)
        dwell = _dwell(head, limits, limits.hold_max_s, best, reason)
        return replace(dwell, revisit=weak and best >= WORTH_GIVING)
    low, high = 0.0, limits.hold_max_s
    while high - low > 1e-6 * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if kill(middle) >= limits.kill_target else (middle, high)
    return _dwell(head, limits, high, kill(high), "")


def _dwell(head: Head, limits: Limits, hold_s: float, kill: float, reason: str) -> Pattern:
    scorch = scorched_area_m2(head, hold_s, limits.turf_dose_kg_m2)
    return Pattern(hold_s, gas_of_hold_kg(head, hold_s), kill, scorch, not reason, reason)


def _why_not(
    head: Head, kind: Kind, covariance_m2: Array, limits: Limits, best: float, crown_radius_m: float
) -> tuple[str, bool]:
    """Return why the longest hold is not enough, with the way out, and whether heat is what lacks (not the place)."""
    at_best = dose_kg_m2(head, limits.hold_max_s, crown_radius_m**2)
    on_target = float(kill_probability(at_best, kind.ed50_kg_m2, kind.slope))
    if on_target < limits.kill_target:
        return (
            f"the dose is out of reach: a hold of {limits.hold_max_s:.3g} s kills {kind.name} with probability "
            f"{on_target:.2f} even dead centre, {limits.kill_target:.2f} is wanted; one treatment cannot do it: "
            f"treat and revisit in {limits.revisit_days:g} days, or allow a longer hold"
        ), True
    sigma_m = math.sqrt(float(np.linalg.eigvalsh(np.asarray(covariance_m2, dtype=float)).max()))
    if sigma_m < head.aim_sigma_m:
        return (
            f"the flame lands too unsurely: with {head.aim_sigma_m * 1e3:.0f} mm of landing spread, a hold of "
            f"{limits.hold_max_s:.3g} s kills {kind.name} with probability {best:.2f}, "
            f"{limits.kill_target:.2f} is wanted; calibrate the aim first"
        ), False
    return (
        f"the place is not known well enough: with a standard deviation of {sigma_m * 1e3:.0f} mm a hold of "
        f"{limits.hold_max_s:.3g} s kills {kind.name} with probability {best:.2f}, {limits.kill_target:.2f} is wanted; "
        "look again first"
    ), False

"""Which weeds may be heated at all, for how long, and why the others may not: everything but reach."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.dwell import Dwell, dwell_for
from swardwright.domain.heat import footprint_density_m2
from swardwright.domain.plan import Refused
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Site, treat_probability
from swardwright.domain.weed import Register, Weed
from swardwright.planning.view import fresh_look_covariance_m2

#: one-sided 95 % quantile of the normal distribution: how far a place may really be off, in standard deviations
CAUTION = 1.645


@dataclass(frozen=True, eq=False)
class Candidate:
    """A weed that may be heated, with the dwell it needs.

    ``covariance_m2`` is what is expected of its place relative to the base when the flame is lit.
    """

    weed: Weed
    kind: Kind
    dwell: Dwell
    covariance_m2: Array


def expected_covariance_m2(weed: Weed, fresh_m2: Array) -> Array:
    """Return the covariance expected when the flame is lit, the smaller of the register's and a fresh look's, m2.

    The run looks again at each stop with the register as prior, so that neither bound is exceeded.
    """
    smaller = np.linalg.eigvalsh(weed.covariance_m2).max() <= np.linalg.eigvalsh(fresh_m2).max()
    return weed.covariance_m2 if smaller else fresh_m2


def choose(register: Register, site: Site) -> tuple[list[Candidate], list[Refused]]:
    """Sort the register into weeds that may be heated and weeds that are refused, each with its reason."""
    fresh = fresh_look_covariance_m2(site.rig)
    spared = [weed for weed in register.weeds if _protected(weed, site)]
    general = _general_refusal(site)
    candidates: list[Candidate] = []
    refused: list[Refused] = []
    for weed in register.weeds:
        covariance = expected_covariance_m2(weed, fresh)
        kind = _kind_to_treat(weed, site)
        reason = general or _belief_refusal(weed, site) or _place_refusal(weed, covariance, site)
        if not reason and kind is not None:
            dwell = dwell_for(site.rig.head, kind, covariance, site.limits)
            reason = "" if dwell.worth_giving else dwell.reason
            reason = reason or _spare_refusal(weed, covariance, dwell, spared, fresh, site)
            if not reason:
                candidates.append(Candidate(weed, kind, dwell, covariance))
        if reason:
            refused.append(Refused(weed.id, reason))
    return candidates, refused


def _protected(weed: Weed, site: Site) -> bool:
    """Whether a plant to spare may well stand here: the complement of the belief that heat needs."""
    return weed.presence * (1.0 - treat_probability(weed.kinds, site)) > 1.0 - site.limits.presence_min


def _kind_to_treat(weed: Weed, site: Site) -> Kind | None:
    kinds = [(p, kind) for name, p in weed.kinds if (kind := site.kind(name)) is not None and kind.treat]
    return max(kinds, key=lambda pair: pair[0])[1] if kinds else None


def _general_refusal(site: Site) -> str:
    rig = site.rig
    if rig.gas.cylinder_kg * rig.gas.usable * (1.0 - site.limits.gas_reserve) <= rig.gas.purge_kg:
        return "the cylinder is empty: no usable gas after purge and reserve; bring a full one"
    if rig.head.flow_kg_s <= 0.0:
        return "the head gives no heat: its flow is zero"
    if site.slope_rad > rig.base.slope_max_rad:
        return (
            f"the ground is too steep: {math.degrees(site.slope_rad):.0f} degrees, "
            f"the base's limit is {math.degrees(rig.base.slope_max_rad):.0f}"
        )
    return ""


def _belief_refusal(weed: Weed, site: Site) -> str:
    wanted = site.limits.presence_min
    if weed.presence < wanted:
        return f"not sure enough that it is there: probability {weed.presence:.2f}, {wanted:.2f} is wanted"
    treat = treat_probability(weed.kinds, site)
    if weed.presence * treat >= wanted:
        return ""
    kind = site.kind(weed.kind)
    if kind is None:
        return f"its kind '{weed.kind}' is not one the site treats; add it to site.toml to treat it"
    if not kind.treat:
        return f"{weed.kind} is a kind to spare: probability of a kind to treat {treat:.2f}"
    return f"not sure enough that it is one to treat: probability {weed.presence * treat:.2f}, {wanted:.2f} is wanted"


def _place_refusal(weed: Weed, covariance: Array, site: Site) -> str:
    from shapely import Point, Polygon

    sigma = math.sqrt(max(float(np.linalg.eigvalsh(covariance).max()), 0.0))
    if sigma > site.limits.aim_sigma_max_m:
        return (
            f"the place is not known well enough: a standard deviation of {sigma * 1e3:.0f} mm is expected "
            f"at the stop, {site.limits.aim_sigma_max_m * 1e3:.0f} mm is the limit; look again first"
        )
    crown = Point(*weed.mean_m)
    for keep_out in site.keep_outs:
        distance = Polygon(keep_out.corners_m).distance(crown)
        if distance == 0.0:
            return f"inside the keep-out {keep_out.name}"
        if distance - CAUTION * sigma < keep_out.standoff_m:
            return (
                f"too near the keep-out {keep_out.name}: {distance:.2f} m known to {sigma * 1e3:.0f} mm, "
                f"the stand-off is {keep_out.standoff_m:.2f} m"
            )
    if not any(Polygon(zone.corners_m).covers(crown) for zone in site.zones):
        return "outside the zones to treat"
    return ""


def spared_dose_kg_m2(site: Site, weed: Weed, covariance: Array, other: Weed, other_m2: Array, hold_s: float) -> float:
    """Return the dose on a spared plant's crown while ``weed`` is heated, on the cautious side, kg/m2.

    Dose ``m t g(x - a)`` at the distance of the crowns less 1.645 standard deviations along the line between them,
    both covariances and the landing spread added (95 % one-sided).
    """
    head = site.rig.head
    between = other.mean_m - weed.mean_m
    distance = float(np.linalg.norm(between))
    total = covariance + other_m2 + head.aim_sigma_m**2 * np.eye(2)
    along = between / distance if distance > 1e-9 else np.array([1.0, 0.0])
    near = max(distance - CAUTION * math.sqrt(float(along @ total @ along)), 0.0)
    return head.flow_kg_s * hold_s * float(footprint_density_m2(near * near, head.footprint_sigma_m))


def _spare_refusal(
    weed: Weed, covariance: Array, dwell: Dwell, spared: list[Weed], fresh: Array, site: Site
) -> str:  # fmt: skip
    for other in spared:
        if other.id == weed.id:
            continue
        other_m2 = expected_covariance_m2(other, fresh)
        dose = spared_dose_kg_m2(site, weed, covariance, other, other_m2, dwell.hold_s)
        if dose > site.limits.spare_dose_kg_m2:
            away = float(np.linalg.norm(other.mean_m - weed.mean_m))
            return (
                f"a plant to spare stands too near: {other.id} ({other.kind}) at {away * 100:.0f} cm would get up to "
                f"{dose * 1e4:.1f} kg/ha, the limit is {site.limits.spare_dose_kg_m2 * 1e4:.1f}"
            )
    return ""


def places(candidates: list[Candidate]) -> Array:
    """Return the believed crowns, shape (n, 2), ground axes, m."""
    return np.array([c.weed.mean_m for c in candidates]).reshape(-1, 2)


def draw_controls(count: int, fraction: float, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Return which of ``count`` treatable weeds are left untreated on purpose: a random share, rounded."""
    chosen = np.zeros(count, dtype=bool)
    chosen[rng.permutation(count)[: round(fraction * count)]] = True
    return chosen

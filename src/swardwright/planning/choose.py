"""Which weeds may be heated at all, how, and why the others may not: everything but reach."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.dwell import Pattern, dwell_for
from swardwright.domain.heat import footprint_density_m2
from swardwright.domain.pattern import CROWN_SHARE, pattern_for
from swardwright.domain.plan import Refused
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Site, treat_probability
from swardwright.domain.weed import Register, Weed
from swardwright.planning.view import fresh_look_covariance_m2

if TYPE_CHECKING:
    from scipy.spatial import KDTree

#: one-sided 95 % quantile of the normal distribution: how far a place may really be off, in standard deviations
CAUTION = 1.645
#: a covariance whose standard deviations differ by no more than this share is as good as round: its ring may be turned
ROUND = 0.02
#: turns of a ring on offer then, as shares of the angle between its points
TURNS = (0.0, 0.5, 0.25, 0.75)


@dataclass(frozen=True, eq=False)
class Candidate:
    """A weed that may be heated, with the pattern of holds it needs.

    Attributes
    ----------
    pattern : Pattern
        One hold or a ring; offsets in ground axes.
    covariance_m2 : Array
        Shape (2, 2): what is expected of its place relative to the base when the flame is lit, m2.
    single : Pattern | None
        What to give where the arm cannot go round the ring: one hold, if that is allowed and worth giving.
    turns_rad : tuple[float, ...]
        Turns of the ring that are as good, 0 first.
    spared_m : Array
        Shape (n, 2): plants to spare that are near enough to be asked about, from the weed, ground axes, m.
    """

    weed: Weed
    kind: Kind
    pattern: Pattern
    covariance_m2: Array
    single: Pattern | None = None
    turns_rad: tuple[float, ...] = (0.0,)
    spared_m: Array = field(default_factory=lambda: np.empty((0, 2)))


def turned(offsets_m: Array | tuple[tuple[float, float], ...], turn_rad: float) -> Array:
    """Return points (n, 2) turned about the origin, anticlockwise."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    out: Array = np.asarray(offsets_m, dtype=float) @ np.array([[c, s], [-s, c]])
    return out


def expected_covariance_m2(weed: Weed, fresh_m2: Array) -> Array:
    """Return the covariance expected when the flame is lit, the smaller of the register's and a fresh look's, m2.

    The run looks again at each stop with the register as prior, so that neither bound is exceeded.
    """
    smaller = np.linalg.eigvalsh(weed.covariance_m2).max() <= np.linalg.eigvalsh(fresh_m2).max()
    return weed.covariance_m2 if smaller else fresh_m2


def choose(register: Register, site: Site, fresh_m2: Array | None = None) -> tuple[list[Candidate], list[Refused]]:
    """Sort the register into weeds that may be heated and weeds that are refused, each with its reason.

    Parameters
    ----------
    fresh_m2 : Array | None
        Shape (2, 2): covariance that a fresh look at the stop is expected to leave at most, m2; None: as reckoned from
        the rig. Where the look has been, none is expected any more: give something large.
    """
    fresh = fresh_look_covariance_m2(site.rig) if fresh_m2 is None else fresh_m2
    spared = _Spared.of([weed for weed in register.weeds if _protected(weed, site)], fresh)
    general = general_refusal(site)
    candidates: list[Candidate] = []
    refused: list[Refused] = []
    for weed in register.weeds:
        covariance = expected_covariance_m2(weed, fresh)
        kind = _kind_to_treat(weed, site)
        reason = general or _belief_refusal(weed, site) or _sigma_refusal(covariance, site)
        if not reason and kind is not None:
            chosen = _pattern(weed, kind, covariance, spared, site)
            if isinstance(chosen, Candidate):
                candidates.append(replace(chosen, spared_m=_near(chosen, spared, site)))
            else:
                reason = chosen
        if reason:
            refused.append(Refused(weed.id, reason))
    return candidates, refused


def _pattern(weed: Weed, kind: Kind, covariance: Array, spared: _Spared, site: Site) -> Candidate | str:
    """Return the weed with the best pattern that may be given, or why not even one hold may."""

    def refusal(pattern: Pattern, turn_rad: float = 0.0) -> str:
        offsets = turned(pattern.offsets_m, turn_rad)
        reason = _place_refusal(weed, offsets, covariance, site)
        if not reason and not pattern.worth_giving:
            reason = pattern.reason
        return reason or _spare_refusal(weed, covariance, offsets, pattern.hold_s, spared, site)

    # where no flame may go at all, the dose need not be asked for
    reason = _place_refusal(weed, np.zeros((1, 2)), covariance, site)
    if reason:
        return reason
    radius_m = CROWN_SHARE * weed.radius_m
    wanted = pattern_for(site.rig.head, kind, covariance, site.limits, radius_m)
    if len(wanted.offsets_m) == 1:
        reason = refusal(wanted)
        return reason or Candidate(weed, kind, wanted, covariance)
    single = dwell_for(site.rig.head, kind, covariance, site.limits, radius_m)
    instead = None if refusal(single) else single
    sigmas = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance), 0.0))
    shares = TURNS if sigmas[1] - sigmas[0] <= ROUND * sigmas[1] else TURNS[:1]
    step = 2.0 * math.pi / len(wanted.offsets_m)
    turns = tuple(share * step for share in shares if not refusal(wanted, share * step))
    if turns:
        return Candidate(weed, kind, wanted, covariance, instead, turns)
    return refusal(wanted) if instead is None else Candidate(weed, kind, instead, covariance)


def _near(candidate: Candidate, spared: _Spared, site: Site) -> Array:
    """Return the plants to spare (n, 2) that the weed's heat was asked about, from the weed, ground axes."""
    weed, pattern = candidate.weed, candidate.pattern
    far_m = _farthest_m(candidate.covariance_m2, np.array(pattern.offsets_m), pattern.hold_s, spared, site)
    near = [other.mean_m - weed.mean_m for other, _ in spared.within(weed.mean_m, far_m) if other.id != weed.id]
    return np.array(near).reshape(-1, 2)


def _protected(weed: Weed, site: Site) -> bool:
    """Whether a plant to spare may well stand here: the complement of the belief that heat needs."""
    return weed.presence * (1.0 - treat_probability(weed.kinds, site)) > 1.0 - site.limits.presence_min


def _kind_to_treat(weed: Weed, site: Site) -> Kind | None:
    kinds = [(p, kind) for name, p in weed.kinds if (kind := site.kind(name)) is not None and kind.treat]
    return max(kinds, key=lambda pair: pair[0])[1] if kinds else None


def general_refusal(site: Site) -> str:
    """Return why nothing at all may be heated on the site; empty where it may."""
    rig = site.rig
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


def _sigma_refusal(covariance: Array, site: Site) -> str:
    sigma = math.sqrt(max(float(np.linalg.eigvalsh(covariance).max()), 0.0))
    if sigma > site.limits.aim_sigma_max_m:
        return (
            f"the place is not known well enough: a standard deviation of {sigma * 1e3:.0f} mm is expected "
            f"at the stop, {site.limits.aim_sigma_max_m * 1e3:.0f} mm is the limit; look again first"
        )
    return ""


def _place_refusal(weed: Weed, offsets_m: Array, covariance: Array, site: Site) -> str:
    """Return why the flame may not come to the points about a weed (n, 2), ground axes; empty where it may."""
    from shapely import Point, Polygon

    sigma = math.sqrt(max(float(np.linalg.eigvalsh(covariance).max()), 0.0))
    for x, y in weed.mean_m + offsets_m:
        point = Point(float(x), float(y))
        for keep_out in site.keep_outs:
            distance = Polygon(keep_out.corners_m).distance(point)
            if distance == 0.0:
                return f"inside the keep-out {keep_out.name}"
            if distance - CAUTION * sigma < keep_out.standoff_m:
                return (
                    f"too near the keep-out {keep_out.name}: {distance:.2f} m known to {sigma * 1e3:.0f} mm, "
                    f"the stand-off is {keep_out.standoff_m:.2f} m"
                )
        if not any(Polygon(zone.corners_m).covers(point) for zone in site.zones):
            return "outside the zones to treat"
    return ""


def spared_dose_kg_m2(
    site: Site, weed: Weed, covariance: Array, other: Weed, other_m2: Array, hold_s: float,
    offsets_m: Array | tuple[tuple[float, float], ...] = ((0.0, 0.0),),
) -> float:  # fmt: skip
    """Return the dose on a spared plant's crown while ``weed`` is heated, on the cautious side, kg/m2.

    The sum over the points about the weed (n, 2), ground axes, of ``m t g(x - a)`` at the distance of the crown from
    the point less 1.645 standard deviations along the line between them, both covariances and the landing spread added
    (95 % one-sided).
    """
    head = site.rig.head
    total = covariance + other_m2 + head.aim_sigma_m**2 * np.eye(2)
    dose = 0.0
    for offset in np.asarray(offsets_m, dtype=float):
        between = other.mean_m - weed.mean_m - offset
        distance = float(np.linalg.norm(between))
        along = between / distance if distance > 1e-9 else np.array([1.0, 0.0])
        near = max(distance - CAUTION * math.sqrt(float(along @ total @ along)), 0.0)
        dose += head.flow_kg_s * hold_s * float(footprint_density_m2(near * near, head.footprint_sigma_m))
    return dose


@dataclass(frozen=True, eq=False)
class _Spared:
    """Plants to spare, found by place: of many thousands only the few near a flame need be looked at.

    Attributes
    ----------
    covariances_m2 : list[Array]
        What is expected of each one's place (2, 2).
    sigma_m : float
        The largest standard deviation of them.
    """

    weeds: list[Weed]
    covariances_m2: list[Array]
    sigma_m: float
    tree: KDTree | None

    @classmethod
    def of(cls, weeds: list[Weed], fresh_m2: Array) -> _Spared:
        """Return the plants with what is expected of their places."""
        from scipy.spatial import KDTree

        if not weeds:
            return cls([], [], 0.0, None)
        expected = [expected_covariance_m2(weed, fresh_m2) for weed in weeds]
        largest = max(float(np.linalg.eigvalsh(covariance).max()) for covariance in expected)
        return cls(weeds, expected, math.sqrt(largest), KDTree(np.array([weed.mean_m for weed in weeds])))

    def within(self, place_m: Array, distance_m: float) -> list[tuple[Weed, Array]]:
        """Return the plants within a distance of a place (2,), with their covariances, in the register's order."""
        if self.tree is None:
            return []
        rows = sorted(self.tree.query_ball_point(place_m, distance_m))
        return [(self.weeds[row], self.covariances_m2[row]) for row in rows]


def _farthest_m(covariance: Array, offsets_m: Array, hold_s: float, spared: _Spared, site: Site) -> float:
    """Return the distance beyond which no plant can get the dose that spared ones may have, m.

    All holds at the pattern's nearest point, and the caution of the vaguest place: an upper bound of what
    ``spared_dose_kg_m2`` says.
    """
    head, limit = site.rig.head, site.limits.spare_dose_kg_m2
    if limit <= 0.0:
        return math.inf
    own = max(float(np.linalg.eigvalsh(covariance).max()), 0.0)
    caution = CAUTION * math.sqrt(own + spared.sigma_m**2 + head.aim_sigma_m**2)
    peak = len(offsets_m) * head.flow_kg_s * hold_s * float(footprint_density_m2(0.0, head.footprint_sigma_m))
    hot = head.footprint_sigma_m * math.sqrt(2.0 * math.log(max(peak / limit, 1.0)))
    return float(np.linalg.norm(offsets_m, axis=1).max()) + caution + hot + 1e-9


def _spare_refusal(
    weed: Weed, covariance: Array, offsets_m: Array, hold_s: float, spared: _Spared, site: Site
) -> str:  # fmt: skip
    for other, other_m2 in spared.within(weed.mean_m, _farthest_m(covariance, offsets_m, hold_s, spared, site)):
        if other.id == weed.id:
            continue
        dose = spared_dose_kg_m2(site, weed, covariance, other, other_m2, hold_s, offsets_m)
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

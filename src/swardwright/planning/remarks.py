"""What a person should know beside the plan: revisits, doubts, and why no stop serves a weed."""

from __future__ import annotations

import math
from collections import Counter

from swardwright.domain.dwell import dwell_for
from swardwright.domain.pattern import CROWN_SHARE
from swardwright.domain.plan import Refused
from swardwright.domain.poses import Array
from swardwright.domain.site import Site
from swardwright.planning.choose import Candidate, places
from swardwright.planning.ground import FreeGround
from swardwright.planning.reach_map import ReachMap
from swardwright.planning.supplies import doubts

#: weeds on which the note about wide crowns is judged, at most
_SAMPLE = 200


def why_no_stop(candidate: Candidate, ground: FreeGround, reach: ReachMap) -> Refused:
    """Return the refusal of a weed that no stop on offer covers."""
    return Refused(candidate.weed.id, no_stop_reason(ground, reach, candidate.weed.mean_m))


def no_stop_reason(ground: FreeGround, reach: ReachMap, place_m: Array | None = None) -> str:
    """Return why no stop on offer covers a place (2,), ground axes, m; None: any of several places."""
    from shapely import Point

    if reach.radius_m == 0.0:
        return "the arm reaches no ground with the head at its stand-off: check the URDF, the stand-off and the tilt"
    if ground.free.is_empty:
        return "there is no ground to stand on: keep-outs leave the base no room"
    if place_m is None and ground.cut_off:
        return "no stop reaches it, keep-outs cut the ground in two or stand where the base would: treat it by hand"
    if place_m is not None and ground.beyond is not None and ground.beyond.distance(Point(*place_m)) <= reach.radius_m:
        return (
            "no way leads there, keep-outs cut the ground in two: open a way, start on that side, or treat it by hand"
        )
    return "no stop reaches it, keep-outs stand where the base would: treat it by hand"


def remarks(
    site: Site, heated: list[Candidate], ground: FreeGround, reach: ReachMap, stops: int, bound: int
) -> tuple[str, ...]:
    """Return the plan's notes."""
    notes: list[str] = []
    taproots = Counter(candidate.kind.name for candidate in heated if candidate.kind.taproot)
    for kind, count in sorted(taproots.items()):
        notes.append(
            f"revisit in {site.limits.revisit_days:g} days: {count} {kind} will be treated, and taproots regrow "
            "from one treatment whatever the dose (UC IPM PN 7469): plan revisits, not longer dwell"
        )
    weak = Counter(candidate.kind.name for candidate in heated if candidate.pattern.revisit)
    for kind, count in sorted(weak.items()):
        least = min(c.pattern.kill for c in heated if c.pattern.revisit and c.kind.name == kind)
        notes.append(
            f"treat and revisit in {site.limits.revisit_days:g} days: {count} {kind} get the longest hold, "
            f"{site.limits.hold_max_s:.3g} s, which kills with probability {least:.2f} or more only, "
            f"{site.limits.kill_target:.2f} is wanted; one treatment cannot do it"
        )
    notes += _crowns(site, heated)
    notes += _crowded(site, heated) + _unserved(site, ground, reach)
    if ground.cut_off:
        notes.append("keep-outs cut the ground: only the part that the base can drive to from its start is served")
    if not heated:
        return ("nothing to treat: no weed of the register may be heated", *notes, *doubts(site))
    if stops > bound:
        notes.append(f"{stops} stops are planned; fewer than {bound} cannot do over the stop poses on offer")
    if reach.reached.any() and float(reach.tilt_rad[reach.sure].max(initial=0.0)) > 0.01:
        notes.append("at the rim of the reach the head is tilted: the flame's axis, not the nozzle, is over the aim")
    notes.append(
        "collision is checked with simple shapes, and the hose's own shape not at all ([hose] in site.toml only keeps "
        "the joints from winding it up): watch the first moves"
    )
    return (*notes, *doubts(site))


def _unserved(site: Site, ground: FreeGround, reach: ReachMap) -> list[str]:
    """Return which zones lie out of reach from everywhere that the base can drive to."""
    from shapely import Polygon

    if reach.radius_m == 0.0:
        return []
    out = []
    for zone in site.zones:
        if ground.free.is_empty or ground.free.distance(Polygon(zone.corners_m)) > reach.radius_m:
            out.append(f"no base pose serves the zone {zone.name}: the base cannot drive within {reach.radius_m:.1f} m "
                       "of it; move or open keep-outs, or start on its side")  # fmt: skip
    return out


def _crowded(site: Site, heated: list[Candidate]) -> list[str]:
    """Return how many weeds stand so near others that the same turf is heated for each."""
    from scipy.spatial import KDTree

    near_m = site.rig.head.footprint_sigma_m
    pairs = KDTree(places(heated)).query_pairs(near_m) if len(heated) > 1 else ()
    crowded = len({weed for pair in pairs for weed in pair})
    if not crowded:
        return []
    return [f"{crowded} weeds stand within {1e3 * near_m:.0f} mm of another, less than the flame is wide: each gets "
            "its own hold, so that gas and scorched turf there are counted too high; are they one plant?"]  # fmt: skip


def _crowns(site: Site, heated: list[Candidate]) -> list[str]:
    """Return what it takes that plants may grow from all over their crown, judged on ``_SAMPLE`` of them."""
    some = heated[:: math.ceil(len(heated) / _SAMPLE) or 1]
    planned_kg = sum(c.pattern.gas_kg for c in some)
    point_kg = sum(dwell_for(site.rig.head, c.kind, c.covariance_m2, site.limits).gas_kg for c in some)
    if not some or planned_kg <= 1.05 * point_kg:
        return []
    return [
        f"growing points are taken to sit within {CROWN_SHARE:.0%} of a plant's radius (no source): that takes "
        f"{planned_kg / point_kg:.1f} times the gas of one growing point at the crown: judge by your own outcomes"
    ]

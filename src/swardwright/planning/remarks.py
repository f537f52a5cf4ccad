"""What a person should know beside the plan: revisits, doubts, and why no stop serves a weed."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

from swardwright.domain.dwell import dwell_for
from swardwright.domain.pattern import CROWN_SHARE, gas_of_pattern_kg, pattern_for
from swardwright.domain.plan import Refused
from swardwright.domain.site import Site
from swardwright.planning.choose import Candidate
from swardwright.planning.ground import FreeGround
from swardwright.planning.reach_map import ReachMap
from swardwright.planning.supplies import doubts

#: weeds on which the note about wide crowns is judged, at most
_SAMPLE = 200


def why_no_stop(candidate: Candidate, ground: FreeGround, reach: ReachMap) -> Refused:
    """Return the refusal of a weed that no stop on offer covers."""
    if reach.radius_m == 0.0:
        reason = "the arm reaches no ground with the head at its stand-off: check the URDF, the stand-off and the tilt"
    elif ground.free.is_empty:
        reason = "there is no ground to stand on: keep-outs leave the base no room"
    elif ground.cut_off:
        reason = "no stop reaches it: keep-outs cut the ground in two, or stand where the base would; treat it by hand"
    else:
        reason = "no stop reaches it: keep-outs stand where the base would; treat it by hand"
    return Refused(candidate.weed.id, reason)


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
    weak = Counter(candidate.kind.name for candidate in heated if candidate.dwell.revisit)
    for kind, count in sorted(weak.items()):
        least = min(c.dwell.kill for c in heated if c.dwell.revisit and c.kind.name == kind)
        notes.append(
            f"treat and revisit in {site.limits.revisit_days:g} days: {count} {kind} get the longest hold, "
            f"{site.limits.hold_max_s:.3g} s, which kills with probability {least:.2f} or more only, "
            f"{site.limits.kill_target:.2f} is wanted; one treatment cannot do it"
        )
    notes += _crowns(site, heated)
    if not heated:
        notes.append("nothing to treat: no weed of the register may be heated")
    if ground.cut_off:
        notes.append("keep-outs cut the ground: only the part that the base can drive to from its start is served")
    if stops > bound:
        notes.append(f"{stops} stops are planned; fewer than {bound} cannot do over the stop poses on offer")
    if reach.reached.any() and float(reach.tilt_rad[reach.sure].max(initial=0.0)) > 0.01:
        notes.append("at the rim of the reach the head is tilted: the flame's axis, not the nozzle, is over the aim")
    notes.append("collision is checked with simple shapes, and the hose not at all: watch the first moves")
    return (*notes, *doubts(site))


def _crowns(site: Site, heated: list[Candidate]) -> list[str]:
    """Return what the plan's holds do to plants that grow from all over their crown, judged on ``_SAMPLE`` of them."""
    some = heated[:: math.ceil(len(heated) / _SAMPLE) or 1]
    head, limits = site.rig.head, site.limits
    kills, gas_kg, planned_kg, rings = [], 0.0, 0.0, 0
    for candidate in some:
        radius = CROWN_SHARE * candidate.weed.radius_m
        given = replace(limits, hold_max_s=candidate.dwell.hold_s)
        kills.append(dwell_for(head, candidate.kind, candidate.covariance_m2, given, radius).kill)
        pattern = pattern_for(head, candidate.kind, candidate.covariance_m2, limits, radius)
        gas_kg += gas_of_pattern_kg(head, len(pattern.offsets_m), pattern.hold_s)
        planned_kg += gas_of_pattern_kg(head, 1, candidate.dwell.hold_s)
        rings += len(pattern.offsets_m) > 1
    if not some or gas_kg <= 1.05 * planned_kg:
        return []
    ring = (
        f", with rings of holds for {rings / len(some):.0%} of the weeds, which the run does not do yet"
        if rings
        else ""
    )
    return [
        "each hold is meant for one growing point at the crown: should growing points sit within "
        f"{CROWN_SHARE:.0%} of a plant's radius (no source), these holds kill with probability "
        f"{sum(kills) / len(kills):.2f} on average; {limits.kill_target:.2f} takes {gas_kg / planned_kg:.1f} times "
        f"the gas{ring}: judge by your own outcomes"
    ]

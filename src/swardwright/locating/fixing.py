"""What to fix first: what each error source costs in gas and scorched turf, through the dose model, and what helps.

A plant whose place is less certain needs a longer hold for the same kill probability. So every error has a price in
grams and square centimetres per weed, and the first step is the one that saves most of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from swardwright.domain.dwell import dwell_for
from swardwright.domain.errors import InputError
from swardwright.domain.heat import Head
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Limits
from swardwright.locating.budget import NOTHING_M, ErrorBudget, split
from swardwright.locating.landing import landing_seen
from swardwright.locating.views import Seen, StopViews, survey_views

#: factor on a covariance when its standard deviation is halved
HALF = 0.25
#: a calibration of the mount with a board over well spread postures leaves about this (common practice, no source)
BOARD_RAD, BOARD_M = math.radians(0.05), 0.0005
#: real-time kinematic satellite fixes: 8 mm horizontal near the reference station (receiver datasheet)
RTK_M = 0.008

#: what a person can do about a source: a phrase that begins a sentence
REMEDIES: Mapping[str, str] = {
    "pixel": "Teach the detector on more labelled crowns, or look from lower down",
    "crown": "Label growing points and not leaf centres",
    "intrinsics": "Calibrate the camera with a board",
    "mount": "Calibrate the camera's mount with a board",
    "joints": "Read the joints more finely",
    "joint_offset": "Find the joints' zeros, in one go with the mount",
    "tilt": "Measure the base's tilt at each stop",
    "base": "Know the base's pose better",
    "ground": "Measure the ground's height at each stop",
    "plane": "Measure how high the turf stands against the wheels, once",
    "roughness": "Look at plants from straighter above",
    "landing": "Keep the flame steadier, above all out of the wind",
    "head_offset": "Measure on a test board where heat lands",
    "camera_pose": "Give pictures with better poses",
}


@dataclass(frozen=True)
class Price:
    """Gas and scorched turf per weed, mean over kinds; ``reached``: share of weeds that get the wanted kill at all."""

    gas_kg: float
    scorch_m2: float
    reached: float


@dataclass(frozen=True)
class Fix:
    """One thing to do, and what it would do.

    Attributes
    ----------
    what : str
        A source, or a short name of an action.
    step : str
        ``"halve"``, ``"remove"`` or ``"do"``.
    sigma_m : float
        Standard deviation per axis of the landing afterwards.
    price : Price
        Per weed, afterwards.
    saves_kg, saves_m2 : float
        Gas and scorched turf per weed against now.
    sentence : str
        In plain words with numbers.
    """

    what: str
    step: str
    sigma_m: float
    price: Price
    saves_kg: float
    saves_m2: float
    sentence: str


def price(covariance_m2: Array, head: Head, kinds: Sequence[tuple[Kind, float]], limits: Limits) -> Price:
    """Return what one weed costs whose crown-to-landing error has this covariance.

    Parameters
    ----------
    covariance_m2 : Array
        Shape (2, 2): crown less landing point, the head's landing spread included, m2.
    kinds : sequence of (Kind, float)
        Kinds to treat and their weights.

    Raises
    ------
    InputError
        If no kind has a weight above 0.
    """
    total = sum(weight for _, weight in kinds)
    if not total > 0.0:
        raise InputError("no kind of plant to treat is known, so an error cannot be priced", where="site.toml",
                         field="kinds", remedy="add a kind with treat = true")  # fmt: skip
    still = replace(head, landing_sigma_m=0.0, offset_sigma_m=0.0)
    gas = scorch = reached = 0.0
    for kind, weight in kinds:
        if weight > 0.0:
            dwell = dwell_for(still, kind, covariance_m2, limits)
            gas += weight / total * dwell.gas_kg
            scorch += weight / total * dwell.scorch_m2
            reached += weight / total * dwell.reached
    return Price(gas, scorch, reached)


def source_fixes(seen: Seen, head: Head, kinds: Sequence[tuple[Kind, float]], limits: Limits) -> list[Fix]:
    """Return, for each source, what halving and what removing it would save, the most gas by halving first.

    Parameters
    ----------
    seen : Seen
        Of a landing.
    """
    now = split(seen)
    base = price(now.covariance_m2, head, kinds, limits)
    halves: list[Fix] = []
    removals: list[Fix] = []
    for part in now.parts:
        if part.sigma_m < NOTHING_M:
            continue
        for step, factor, out in (("halve", HALF, halves), ("remove", 0.0, removals)):
            after = split(seen, {part.source: factor})
            cost = price(after.covariance_m2, head, kinds, limits)
            fix = _fix(part.source, step, after, cost, base)
            out.append(replace(fix, sentence=_source_sentence(fix, part.sigma_m, now.sigma_m)))
    halves.sort(key=lambda fix: (-fix.saves_kg, -fix.saves_m2))
    order = {fix.what: n for n, fix in enumerate(halves)}
    return [*halves, *sorted(removals, key=lambda fix: order[fix.what])]


def actions(stop: StopViews, head_joints_rad: Array, looks: float, base_covariance: Array, survey: Seen,
            kinds: Sequence[tuple[Kind, float]], limits: Limits) -> list[Fix]:  # fmt: skip
    """Return what some things to do would change: another look, a look from another stop, a calibration, better fixes.

    Parameters
    ----------
    stop : StopViews
        What the look postures show of the places.
    head_joints_rad : Array
        Shape (k, dof), as for the landing.
    looks : float
        Looks at a stop now.
    base_covariance : Array
        Shape (3, 3): of base poses while surveying.
    survey : Seen
        Looks of the survey, for what better fixes do to the register.
    """
    rig = stop.rig

    def landing(seen: Seen) -> Seen:
        return landing_seen(rig, seen, head_joints_rad)

    now = landing(stop.seen(looks))
    before = split(now)
    base = price(before.covariance_m2, rig.head, kinds, limits)

    def done(what: str, doing: str, after: Seen) -> Fix:
        new = split(after)
        fix = _fix(what, "do", new, price(new.covariance_m2, rig.head, kinds, limits), base)
        change = f"the landing error goes from {1e3 * before.sigma_m:.1f} to {1e3 * new.sigma_m:.1f} mm"
        return replace(fix, sentence=f"{doing}: {change}; that saves {_saving(fix)}.")

    again = landing(stop.seen(looks + 1))
    out = [done("one more look", "Look once more at each stop, from the next look posture", again)]
    if looks == 1:
        other = "Look once from another stop too, on the way"
        out.append(done("another stop", other, landing(stop.from_other_stops(2))))
    mount = next((e.covariance for e in now.views[0][0] if e.source == "mount"), None)
    if mount is not None:
        known = with_covariances(now, {"mount": with_board(mount)})
        text = "calibrated again" if rig.mount_covariance is not None else "calibrated"
        doing = (
            f"Have the mount {text} with a board, to {math.degrees(BOARD_RAD):.2f} degrees and {1e3 * BOARD_M:.1f} mm"
        )
        out.append(done("board calibration", doing, known))
    out.sort(key=lambda fix: -fix.saves_kg)
    old = split(survey).sigma_m
    new = split(survey_views(rig, survey.places_m, with_fixes(base_covariance)).seen(survey.looks)).sigma_m
    fix = Fix("RTK fixes", "do", before.sigma_m, base, 0.0, 0.0, "")
    return [*out, replace(fix, sentence=(
        f"Fix the base's place to {1e3 * RTK_M:.0f} mm by satellite while surveying: a crown in ground axes goes from "
        f"{1e3 * old:.1f} to {1e3 * new:.1f} mm; no gas is saved, because the flame is aimed by the look at the stop."
    ))]  # fmt: skip


def with_covariances(seen: Seen, known: Mapping[str, Array]) -> Seen:
    """Return the same looks with other prior covariances of some sources (those of another size are left alone)."""
    views = tuple(
        tuple(
            tuple(
                replace(e, covariance=known[e.source])
                if e.source in known and np.shape(known[e.source]) == e.covariance.shape
                else e
                for e in errors
            )
            for errors in place
        )
        for place in seen.views
    )
    return replace(seen, views=views)


def with_board(covariance: Array) -> Array:
    """Return the mount's covariance (6, 6) after a calibration with a board, what is known already kept."""
    board = np.diag([BOARD_RAD**-2] * 3 + [BOARD_M**-2] * 3)
    return _joined(covariance, board)


def with_fixes(covariance: Array) -> Array:
    """Return a base pose's covariance (3, 3) after a real-time kinematic fix of its place."""
    return _joined(covariance, np.diag([RTK_M**-2, RTK_M**-2, 0.0]))


def _joined(covariance: Array, information: Array) -> Array:
    """Return ``(C^-1 + I)^-1`` without inverting C, which may be singular: ``C (1 + I C)^-1``."""
    covariance = np.asarray(covariance, dtype=float)
    joined: Array = covariance @ np.linalg.inv(np.eye(len(covariance)) + information @ covariance)
    return 0.5 * (joined + joined.T)


def _fix(what: str, step: str, after: ErrorBudget, cost: Price, base: Price) -> Fix:
    return Fix(what, step, after.sigma_m, cost, base.gas_kg - cost.gas_kg, base.scorch_m2 - cost.scorch_m2, "")


def _source_sentence(fix: Fix, part_m: float, total_m: float) -> str:
    doing = REMEDIES.get(fix.what, f"Shrink the error of {fix.what}")
    verb = "halving" if fix.step == "halve" else "removing"
    return f"{doing}: {1e3 * part_m:.1f} mm of {1e3 * total_m:.1f} mm comes from it; {verb} it saves {_saving(fix)}."


def _saving(fix: Fix) -> str:
    if fix.saves_kg < 5e-7 and fix.saves_m2 < 5e-6:
        return "next to nothing"
    return f"{mass_text(fix.saves_kg)} and {1e4 * fix.saves_m2:.1f} cm2 per weed"


def mass_text(mass_kg: float) -> str:
    """Return a mass with its unit: milligrams below 1 g."""
    if abs(mass_kg) < 1e-3:
        return f"{1e6 * mass_kg:.{0 if abs(mass_kg) >= 1e-4 else 1}f} mg"
    return f"{1e3 * mass_kg:.1f} g"


__all__ = [
    "Fix", "Price", "actions", "mass_text", "price", "source_fixes", "with_board", "with_covariances", "with_fixes",
]  # fmt: skip

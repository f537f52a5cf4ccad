"""What a judgement says in plain words: misses and wrong burns, whether that is good enough for fire, what to do."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from swardwright.learning.bootstrap import Interval
from swardwright.learning.cost_curve import Prices
from swardwright.learning.optimism import Optimism
from swardwright.learning.trust import AtThreshold, Trust
from swardwright.learning.trust_parts import Row
from swardwright.shell.trust_prices import told_prices

#: less is too little to say anything (common practice, no source)
PLACES_LEAST, PLANTS_LEAST = 5, 50
#: probabilities further off than this are not to be read as probabilities (common practice, no source)
CALIBRATION_MOST = 0.05
#: another threshold is worth having when it saves more than this share of the cost
WORTH_CHANGING = 0.03
#: a detector that burns less than this share is taught, not adjusted
HOPELESS = 0.3
CAUTION = (
    "This is a measurement on pictures, never a safety function: it says nothing of people, animals or anything else"
    " that a flame must not meet."
)


@dataclass(frozen=True)
class Demands:
    """What is good enough for fire: least share of plants burnt, least share of burns that are right."""

    found_least: float = 0.8
    right_least: float = 0.9


@dataclass(frozen=True)
class Verdict:
    """``good enough``, ``not good enough`` or ``not enough pictures to say``, with the reasons and what to do next."""

    word: str
    reasons: tuple[str, ...]
    next: tuple[str, ...]


def percent(i: Interval) -> str:
    """Return a share with its interval."""
    if math.isnan(i.value):
        return "nothing to count"
    return f"{100 * i.value:.1f} % (95 %: {100 * i.low:.1f} to {100 * i.high:.1f})"


def rate(i: Interval) -> str:
    """Return a rate with its interval."""
    if math.isnan(i.value):
        return "unknown"
    return f"{i.value:.3g} (95 %: {i.low:.2g} to {i.high:.2g})"


def optimism_told(found: Optimism) -> str:
    """Return by how much pictures of taught ground would have flattered."""
    return (
        f"On the {found.taught_ground.places} pictures of taught ground F1 is {found.taught_ground.value:.3f}, on the"
        f" {found.new_ground.places} of new ground {found.new_ground.value:.3f}: a split by chance would flatter by"
        f" {found.gap.value:+.3f} (95 %: {found.gap.low:+.3f} to {found.gap.high:+.3f}), how hard each ground is"
        " included."
    )


def verdict(trust: Trust, at: AtThreshold, calibration_error: float, demands: Demands) -> Verdict:
    """Return whether burning at a threshold is good enough for fire."""
    thin, bad, unsure = [], [], []
    if trust.places < PLACES_LEAST:
        thin.append(f"only {trust.places} place{'s' * (trust.places != 1)} of {PLACES_LEAST} wanted")
    if trust.to_treat < PLANTS_LEAST:
        thin.append(f"only {trust.to_treat} plants to treat of {PLANTS_LEAST} wanted")
    if not trust.per_m2:
        thin.append("the ground that the pictures show is not known, so a hit was judged in radii of the plant")
    for what, share, least in (
        ("of the plants to treat would be burnt", at.treated, demands.found_least),
        ("of the burns would be right", at.right, demands.right_least),
    ):
        if math.isnan(share.value) or share.value < least:
            bad.append(f"{percent(share)} {what}, {100 * least:g} % are wanted")
        elif share.low < least:
            unsure.append(f"{percent(share)} {what}: it may be less than the {100 * least:g} % wanted")
    per_100 = 100.0 / (trust.area_m2 if trust.per_m2 else trust.pictures)
    if at.cost >= trust.curve.nothing * per_100:
        bad.append("in your prices it costs more than leaving every weed where it is")
    if calibration_error > max(CALIBRATION_MOST, trust.error_by_chance):
        bad.append(f"its probabilities are off by {calibration_error:.3f} on average, {CALIBRATION_MOST:g} at most "
                   "are wanted")  # fmt: skip
    if bad:
        return Verdict("not good enough", (*bad, *unsure, *thin), ())
    if thin or unsure:
        return Verdict("not enough pictures to say", (*thin, *unsure), ())
    return Verdict("good enough", (), ())


def judged_verdict(trust: Trust, demands: Demands, *, adopted: bool) -> Verdict:
    """Return the verdict on the detector (or on it as adopted: calibrated and thresholded anew) with the next steps."""
    again = None if trust.elsewhere is None else verdict(trust, trust.elsewhere, trust.error_elsewhere, demands)
    found = again if adopted and again is not None else verdict(trust, trust.as_is, trust.error_as_is, demands)
    at = trust.elsewhere if adopted and trust.elsewhere is not None else trust.as_is
    todo: list[str] = []
    hopeless = max(at.treated.value, 0.0 if trust.elsewhere is None else trust.elsewhere.treated.value) < HOPELESS
    if hopeless:
        todo.append("teach it on labelled pictures of ground like this (swardwright teach), then judge it again on"
                    " others")  # fmt: skip
    if not adopted and not hopeless and trust.elsewhere is not None:
        saves = 1.0 - trust.elsewhere.cost / trust.as_is.cost if trust.as_is.cost > 0 else 0.0
        if saves > WORTH_CHANGING or trust.error_as_is > max(
            CALIBRATION_MOST, trust.error_by_chance, trust.error_elsewhere
        ):
            todo.append(f"take the threshold and calibration found here (--adopt): {100 * saves:.0f} % cheaper on "
                        "places that did not choose it")  # fmt: skip
    if trust.places < PLACES_LEAST or trust.to_treat < PLANTS_LEAST:
        todo.append("film and label more places that the detector has not seen")
    if not trust.per_m2:
        todo.append("say how much ground a pixel covers (--metres-per-px, or take pictures in with poses)")
    if at.treated.low < demands.found_least and not hopeless:
        part = weakest(trust.rows)
        where = "" if part is None else f", above all {part.what} {part.name} (finds {percent(part.found)})"
        todo.append(f"label more of what it misses{where}")
    if at.right.low < demands.right_least:
        spared = at.wrong_spared.value > at.wrong_turf.value
        todo.append("label more plants to spare: it takes them for weeds" if spared
                    else "label more pictures with what it takes for weeds, its false alarms")  # fmt: skip
    todo.append("look at the sheet of mistakes" + ("" if todo else
                ", then go on: heat needs a permit and a person standing watch whatever this says"))  # fmt: skip
    return dataclasses.replace(found, next=tuple(todo))


def weakest(rows: Sequence[Row], least: int = 10) -> Row | None:
    """Return the kind, size or light with enough plants of which the least are found, by its interval's upper end."""
    parts = [r for r in rows if r.plants >= least and r.what != "place"]
    return min(parts, key=lambda r: (r.found.high, r.found.value), default=None)


def sentences(trust: Trust, prices: Prices, within: str) -> list[str]:
    """Return the judgement in plain words, without the verdict."""
    unit = "m2" if trust.per_m2 else "picture"
    ground = f", {trust.area_m2:.4g} m2" if trust.per_m2 else ""
    at = trust.as_is
    lines = [
        f"Judged on {trust.pictures} pictures of {trust.places} places{ground}, {trust.plants} plants "
        f"({trust.to_treat} to treat); a hit lies within {within} of the crown.",
        *_burning(at, unit, f"At the detector's threshold of {at.threshold:.2f}"),
        f"It finds {percent(at.found)} of all plants, burns {percent(at.treated)} of those to treat, and "
        f"{percent(at.right)} of its burns are right.",
    ]  # fmt: skip
    least = weakest(trust.rows)
    if least is not None and least.found.high < at.found.value:
        lines.append(f"It finds least of {least.what} {least.name}: {percent(least.found)}.")
    if math.isfinite(trust.crown_error_m):
        lines.append(f"Crowns are {1000 * trust.crown_error_m:.1f} mm off (root mean square).")
    lines.append(
        f"Its probabilities are off by {trust.error_as_is:.3f} on average (expected calibration error; "
        f"perfect ones would reach {trust.error_by_chance:.3f} by chance here)"
        + (f"; calibrated anew, on other places, by {trust.error_elsewhere:.3f}"
           f" (by size and kind too: {trust.error_by_size:.3f})." if trust.elsewhere else ".")
    )  # fmt: skip
    lines.append(f"Average precision: {trust.precision_points:.3f} by distance; {trust.precision_boxes_50:.3f} on "
                 f"boxes of half overlap, {trust.precision_boxes:.3f} as COCO's mean over overlaps.")  # fmt: skip
    lines.append(f"Prices: {told_prices(prices)}.")
    per_100 = f"100 {unit}" if trust.per_m2 else "100 pictures"
    row = trust.curve
    best = "burning nothing" if row.chosen == 0 else f"threshold {trust.threshold:.2f}"
    lines.append(f"Least expected cost: {best}; the detector's own costs {at.cost:.3g} per {per_100}, "
                 f"burning nothing {row.nothing * _per_100(trust):.3g}.")  # fmt: skip
    if trust.elsewhere is not None:
        lines += _burning(trust.elsewhere, unit, "Calibrated and thresholded anew, each place by what the others say")
        more = (
            f", {100 * (trust.cost_ratio_elsewhere - 1):.1f} % above the best found afterwards"
            if math.isfinite(trust.cost_ratio_elsewhere) else ""
        )  # fmt: skip
        lines.append(f"That costs {trust.elsewhere.cost:.3g} per {per_100}{more}.")
    if trust.places < 2:
        lines.append("All pictures are of one place: what differs from place to place is in none of the intervals.")
    return lines


def _burning(at: AtThreshold, unit: str, when: str) -> list[str]:
    return [
        f"{when}, per {unit}: it will miss {rate(at.missed)} plants to treat and wrongly burn {rate(at.wrong)} times: "
        f"{rate(at.wrong_turf)} on bare ground, {rate(at.wrong_spared)} on plants to spare."
    ]


def _per_100(trust: Trust) -> float:
    return 100.0 / (trust.area_m2 if trust.per_m2 else trust.pictures)


def told_verdict(found: Verdict) -> list[str]:
    """Return the verdict in sentences."""
    word = found.word[0].upper() + found.word[1:]
    lines = [f"{word}{' for fire' if 'good' in found.word else ' whether it is good enough for fire'}"
             + (": " + "; ".join(found.reasons) if found.reasons else "") + "."]  # fmt: skip
    return [*lines, *(f"Next: {step}." for step in found.next), CAUTION]


def as_data(trust: Trust) -> dict[str, Any]:
    """Return all figures as plain data; the curve thinned to at most 200 rows."""
    data: dict[str, Any] = {
        f.name: _plain(getattr(trust, f.name)) for f in dataclasses.fields(trust) if f.name != "curve"
    }
    curve = trust.curve
    n = len(curve.threshold)
    rows = sorted({0, n - 1, curve.chosen, curve.best, *range(0, n, max(1, n // 190))})
    data["curve"] = {
        "threshold": curve.threshold[rows].tolist(), "missed": curve.missed[rows].tolist(),
        "wrong": curve.wrong[rows].tolist(), "cost": curve.cost[rows].tolist(),
        "expected_cost": curve.expected[rows].tolist(), "burning_nothing": curve.nothing,
    }  # fmt: skip
    return data


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return value

"""What a round achieved: the fate of every weed, the kill rate with its interval, the controls beside it."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.event import RoundRecord
from swardwright.domain.outcome import Fate, Outcome
from swardwright.domain.weed import Look, Register, Weed
from swardwright.scoring.matching import SURPRISING, match, times_looked_at
from swardwright.scoring.rates import abbott, wilson

#: From this presence on, a plant of the later register counts as alive (more probably there than not). Raising it
#: makes more weeds "dead": the choice is the same for treated weeds and controls, and printed with the outcome.
ALIVE_PRESENCE = 0.5
#: Weeds of the earlier register believed less than this were false alarms more probably than not: they explain a
#: later plant at their place (it is not new), but have no fate.
STOOD_PRESENCE = 0.5

ALIVE, DEAD, NOT_SEEN = "alive", "dead", "not seen"


def score(
    before: Register,
    record: RoundRecord,
    after: Register,
    after_looks: Sequence[Look],
    *,
    gate_m: float,
    taproot_kinds: Collection[str] = (),
) -> Outcome:
    """Return what became of the weeds of a round.

    Parameters
    ----------
    before, after : Register
        The revision that the round was planned on, and the one of the later survey.
    record : RoundRecord
        What was treated; a weed whose heat is unknown is in no rate.
    after_looks : Sequence[Look]
        What the later survey could have seen.
    gate_m : float
        Farther apart than this, two are never the same weed, metres.
    taproot_kinds : Collection[str], optional
        Names of kinds that regrow from the root: counted in a note.

    Returns
    -------
    Outcome
        ``fates`` covers the treated weeds, then the controls; in ``treated`` and ``controls`` (the counts) are those
        whose place was looked at again. ``dead``: looked at and no plant with presence of at least
        ``ALIVE_PRESENCE`` there.

    Raises
    ------
    InputError
        If the gate is not positive, or the record names weeds that the register before does not have.
    """
    if not 0.0 < gate_m < np.inf:
        raise InputError("the gate must be a positive distance", field="gate_m", value=gate_m)
    stood = {weed.id: weed for weed in before.weeds}
    treated = [item.weed_id for item in record.treated]
    controls = [weed_id for weed_id in record.controls if weed_id not in set(treated)]
    missing = sorted({*treated, *controls} - set(stood))
    if missing:
        raise InputError(
            "the record of the round names a weed that the register before it does not have",
            field="treated, controls",
            value=missing[0],
            remedy="score the round against the register revision that it was planned on",
        )
    alive = [weed for weed in after.weeds if weed.presence >= ALIVE_PRESENCE]
    of_round = {*treated, *controls}
    first = [w for w in before.weeds if w.id in of_round or w.presence >= STOOD_PRESENCE]
    pairs = match(first, alive, gate_m)
    rest = [weed for weed in alive if weed.id not in {partner for partner, _ in pairs.values()}]
    doubtful = match([w for w in before.weeds if w.id not in {f.id for f in first}], rest, gate_m)
    new = sorted({weed.id for weed in rest} - {partner for partner, _ in doubtful.values()})

    ordered = [stood[weed_id] for weed_id in (*treated, *controls)]
    counts, missed = times_looked_at(ordered, after_looks)
    fates = tuple(
        Fate(weed.id, i < len(treated), ALIVE if weed.id in pairs else DEAD if counts[i] else NOT_SEEN)
        for i, weed in enumerate(ordered)
    )
    n_treated, k_treated = _tally(fates[: len(treated)])
    n_controls, k_controls = _tally(fates[len(treated) :])
    rate, low, high, corrected = _rates(n_treated, k_treated, n_controls, k_controls)
    notes = [
        f"A plant counts as alive from presence {ALIVE_PRESENCE:.2f} on, the same for treated weeds and controls.",
        *_notes(record, fates, ordered, missed, pairs, gate_m),
        *_about_controls(n_controls, k_controls),
        *_about_taproots(fates, stood, taproot_kinds),
    ]
    return Outcome(
        record.plan_id, before.revision, after.revision, n_treated, k_treated, n_controls, k_controls, rate, low, high,
        corrected, fates, tuple(new), tuple(notes),
    )  # fmt: skip


def _tally(fates: Sequence[Fate]) -> tuple[int, int]:
    return sum(f.fate != NOT_SEEN for f in fates), sum(f.fate == DEAD for f in fates)


def _rates(n: int, k: int, n_controls: int, k_controls: int) -> tuple[float | None, ...]:
    if n == 0:
        return None, None, None, None
    low, high = wilson(k, n)
    corrected = None
    if n_controls > k_controls:
        corrected = abbott(1.0 - k_controls / n_controls, 1.0 - k / n)
    return k / n, low, high, corrected


def _notes(
    record: RoundRecord,
    fates: Sequence[Fate],
    ordered: Sequence[Weed],
    missed: np.ndarray,
    pairs: dict[str, tuple[str, float]],
    gate_m: float,
) -> list[str]:
    notes = []
    not_seen = sum(f.fate == NOT_SEEN for f in fates)
    if not_seen:
        notes.append(f"{not_seen} places were not looked at again; they are in no rate.")
    unknown = sum(item.unknown for item in record.not_treated)
    if unknown:
        notes.append(f"{unknown} weeds got an unknown heat (an intent without a result); they are in no rate.")
    expected = float(sum(p for f, p in zip(fates, missed, strict=True) if f.fate == DEAD))
    if expected >= 0.05:
        notes.append(
            f"Of the weeds counted dead, up to {expected:.1f} may be alive and missed by the later looks, going by the "
            "detection probability."
        )
    surprising = sum(d2 > SURPRISING for weed_id, (_, d2) in pairs.items() if weed_id in {f.weed_id for f in fates})
    if surprising:
        notes.append(
            f"{surprising} matches lie farther apart than the stated uncertainties allow (beyond 99.9 %): the "
            "register's errors are larger than it says, or another plant stands there. They count as alive."
        )
    vague = sum(2.448 * float(np.sqrt(np.linalg.eigvalsh(w.covariance_m2).max())) > gate_m for w in ordered)
    if vague:
        notes.append(
            f"{vague} weeds are known less well than the gate of {gate_m * 100:.0f} cm (95 %): one alive may have been "
            "counted as dead beside a new one."
        )
    return notes


def _about_controls(n: int, k: int) -> list[str]:
    if n == 0:
        return ["No control was looked at again: what would have died anyway is not known."]
    if k == n:
        return ["Every control is gone: the kill rate says nothing about the heat."]
    if n < 10:
        return [f"Only {n} controls: the corrected rate is uncertain, and its interval is wider than the one shown."]
    return []


def _about_taproots(fates: Sequence[Fate], stood: dict[str, Weed], kinds: Collection[str]) -> list[str]:
    dead = [f for f in fates if f.treated and f.fate == DEAD and stood[f.weed_id].kind in set(kinds)]
    if not dead:
        return []
    return [
        f"{len(dead)} of the dead are of kinds with a taproot: dead above the ground only. They regrow from the root "
        "after one treatment whatever the dose, so plan revisits, not longer dwell."
    ]

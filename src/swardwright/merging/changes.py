"""What happened to weeds from one revision to the next, as data with a sentence each."""

from __future__ import annotations

import math
from collections.abc import Sequence

from swardwright.domain.uncertainty import mahalanobis2
from swardwright.domain.weed import Change, Weed
from swardwright.merging.presence import PresenceSettings, all_missed

#: A crown that moves farther than this many standard deviations of what was known is worth a remark.
MOVED_SIGMA = 3.0
#: From this belief on two plants beside each other are two.
BELIEVED = 0.5
#: A heated weed is expected to be gone before anyone has looked: that it is, is told when a look confirms it this far.
SURELY_GONE = 0.02
#: Sentences of one sort that the notes give in full.
TOLD_MAX = 5


def merged(gone: Weed, kept: Weed) -> Change:
    """Return that two weeds of the register are one plant."""
    mm = 1000 * math.dist(gone.mean_m, kept.mean_m)
    return Change("merged", gone.id, f"{gone.id} was found to be the same plant as {kept.id} ({mm:.0f} mm apart)",
                  (kept.id,), (("apart_m", mm / 1000),))  # fmt: skip


def new(weed: Weed, seen: int, missed: int) -> Change:
    """Return that a plant was not known before."""
    looks = f"seen {_times(seen)}" + (f", missed {_times(missed)}" if missed else "")
    return Change("new", weed.id, f"{weed.id} is new: {looks} (belief {weed.presence:.2f})", (),
                  (("seen", float(seen)), ("missed", float(missed)), ("belief", weed.presence)))  # fmt: skip


def split(weed: Weed, kept: Weed, together: int, seen: int) -> Change:
    """Return that what was one weed are two, of which ``kept`` keeps the identity."""
    mm = 1000 * math.dist(weed.mean_m, kept.mean_m)
    reason = (
        f"{kept.id} was two plants, {mm:.0f} mm apart, seen together in {together} picture{'s' * (together > 1)}: the "
        f"one that fits its old place better keeps the name, {weed.id} is the other"
    )
    return Change("split", weed.id, reason, (kept.id,), (("apart_m", mm / 1000), ("together", float(together)),
                  ("seen", float(seen))))  # fmt: skip


def taken_for(old: Weed, now: Weed, weed: Weed, gate: float) -> bool:
    """Return whether a new weed stands where the old one was believed to: then one was taken for two."""
    if min(now.presence, weed.presence) < BELIEVED:
        return False
    return mahalanobis2(weed.mean_m - old.mean_m, old.covariance_m2 + weed.covariance_m2) < gate


def changes_of(old: Weed, now: Weed, seen: int, missed: Sequence[float], settings: PresenceSettings) -> list[Change]:
    """Return what happened to a weed of the register.

    Parameters
    ----------
    seen : int
        Sightings in this visit.
    missed : Sequence[float]
        Detection probability of each look that did not see it.
    """
    out = []
    beliefs = (("belief_before", old.presence), ("belief", now.presence))
    looked = (("seen", float(seen)), ("missed", float(len(missed))))
    heated = old.heat_kg_m2 > 0.0 and old.presence > SURELY_GONE >= now.presence and not seen
    if now.presence < settings.gone <= old.presence or heated:
        chance = all_missed(missed, settings)
        reason = (
            f"{old.id} is gone{' after heat' * heated}: looked for {_times(len(missed))} and "
            + ("not seen" if not seen else f"seen {_times(seen)} only")
            + f" (belief {now.presence:.3f}); that a plant there is missed so often has probability {chance:.2g}"
        )
        out.append(Change("gone", old.id, reason, (), (*beliefs, *looked, ("all_missed_probability", chance))))
    if old.presence < settings.gone and now.presence >= settings.back:
        before = "stands after all: it was doubted"
        if old.heat_kg_m2 > 0.0:
            before = "is back: it was heated and taken for dead"
        elif old.presence < settings.forget:
            before = "is back: it was given up"
        reason = f"{old.id} {before} (belief {old.presence:.3f}) and was seen {_times(seen)} again"
        out.append(Change("returned", old.id, reason, (), (*beliefs, *looked)))
    sigma = math.sqrt(mahalanobis2(now.mean_m - old.mean_m, old.covariance_m2))
    if sigma > MOVED_SIGMA:
        mm = 1000 * math.dist(now.mean_m, old.mean_m)
        reason = (
            f"{old.id} moved by {mm:.0f} mm, {sigma:.1f} standard deviations of what was known: its errors were larger "
            "than stated, or another plant was taken for it"
        )
        out.append(Change("moved", old.id, reason, (), (("moved_m", mm / 1000), ("moved_sigma", sigma))))
    if now.kinds and old.kinds and now.kind != old.kind:
        share = now.kinds[0][1]
        reason = f"{old.id} is now taken for {now.kind} ({share:.2f}), before for {old.kind} ({old.kinds[0][1]:.2f})"
        out.append(Change("kind changed", old.id, reason, (), (("probability", share),)))
    return out


def notes(changes: Sequence[Change], forgotten: int) -> tuple[str, ...]:
    """Return the changes in plain words: each by itself where they are few, counted where they are many."""
    out = []
    for what, counted in (
        ("merged", "{} weeds were found to be the same plant as another"),
        ("split", "{} weeds were two plants each"),
        ("gone", "{} weeds are gone"),
        ("returned", "{} weeds are back"),
        ("moved", "{} weeds moved by more than was known of their place"),
        ("kind changed", "{} weeds are taken for another kind than before"),
    ):
        told = [c.reason for c in changes if c.what == what]
        few = told if len(told) <= TOLD_MAX else [counted.format(len(told))]
        out += few
    count = sum(c.what == "new" for c in changes)
    if count:
        out.append(f"{count} new plant{'s' * (count > 1)}")
    if forgotten:
        out.append(f"{forgotten} places with detections not entered: not seen again where they should have been")
    return tuple(out)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"

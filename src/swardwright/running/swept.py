"""What the journal says of a sweep, so that one that was cut short can go on: ground done, plants found, refusals.

A sweep finds its weeds as it goes, so the journal holds them: each plant, where it was found, as an entry before any
heat is decided. After an interruption the register of the sweep comes from there and nowhere else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.event import JournalEntry, NotTreated
from swardwright.domain.weed import Weed
from swardwright.running.book import SKIPPED

#: events of a sweep: a plant was found, a weed was left as a control, all that a stop can do was done
FOUND, CONTROL, STOP_DONE = "found", "control", "stop-done"
#: before a kind's name in a found plant's entry
_KIND = "kind:"


@dataclass(frozen=True)
class Swept:
    """How far a sweep has come.

    Attributes
    ----------
    stops : frozenset[str]
        Stops at which all was done: not driven to again.
    weeds : tuple[Weed, ...]
        Plants found, ground axes, as last believed.
    controls : tuple[str, ...]
        Weeds left untreated on purpose.
    not_treated : tuple[NotTreated, ...]
        Plants refused, the first reason of each.
    """

    stops: frozenset[str] = frozenset()
    weeds: tuple[Weed, ...] = ()
    controls: tuple[str, ...] = ()
    not_treated: tuple[NotTreated, ...] = ()


def found_entry(weed: Weed) -> dict[str, float | str | bool | None]:
    """Return what the journal keeps of a plant that was found: ground axes, metres."""
    data: dict[str, float | str | bool | None] = {
        "x_m": float(weed.mean_m[0]),
        "y_m": float(weed.mean_m[1]),
        "cxx_m2": float(weed.covariance_m2[0, 0]),
        "cxy_m2": float(weed.covariance_m2[0, 1]),
        "cyy_m2": float(weed.covariance_m2[1, 1]),
        "radius_m": weed.radius_m,
        "radius_sd_m": weed.radius_sd_m,
        "presence": weed.presence,
        "looks": float(weed.looks),
        "heat_kg_m2": weed.heat_kg_m2,
    }
    return data | {_KIND + name: p for name, p in weed.kinds}


def swept(entries: Sequence[JournalEntry]) -> Swept:
    """Read how far a sweep has come from its journal, all runs of it."""
    stops: set[str] = set()
    weeds: dict[str, Weed] = {}
    controls: dict[str, None] = {}
    refused: dict[str, NotTreated] = {}
    for entry in sorted(entries, key=lambda e: e.number):
        if entry.event == STOP_DONE and entry.stop_id is not None:
            stops.add(entry.stop_id)
        if entry.weed_id is None:
            continue
        if entry.event == FOUND:
            weeds[entry.weed_id] = _weed(entry.weed_id, entry)
        elif entry.event == CONTROL:
            controls[entry.weed_id] = None
        elif entry.event == SKIPPED and entry.weed_id not in refused:
            reason = str(entry.data.get("reason", ""))
            unknown = entry.data.get("unknown") is True
            refused[entry.weed_id] = NotTreated(entry.weed_id, entry.stop_id or "", reason, unknown)
    return Swept(frozenset(stops), tuple(weeds.values()), tuple(controls), tuple(refused.values()))


def _weed(weed_id: str, entry: JournalEntry) -> Weed:
    def number(key: str) -> float:
        value = entry.data.get(key)
        return float(value) if isinstance(value, int | float) else math.nan

    cxy = number("cxy_m2")
    kinds = [(key.removeprefix(_KIND), number(key)) for key in entry.data if key.startswith(_KIND)]
    return Weed(
        weed_id, np.array([number("x_m"), number("y_m")]),
        np.array([[number("cxx_m2"), cxy], [cxy, number("cyy_m2")]]),
        number("radius_m"), number("radius_sd_m"), number("presence"),
        tuple(sorted(kinds, key=lambda kind: (-kind[1], kind[0]))), looks=int(number("looks")),
        heat_kg_m2=number("heat_kg_m2"),
    )  # fmt: skip

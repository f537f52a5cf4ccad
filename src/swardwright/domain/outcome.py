"""What a round achieved."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fate:
    """What became of one weed: ``dead``, ``alive`` or ``not seen`` (its place was not looked at again)."""

    weed_id: str
    treated: bool
    fate: str


@dataclass(frozen=True)
class Outcome:
    """Kill rate with its interval, and the control's.

    Attributes
    ----------
    kill_rate, kill_low, kill_high : float | None
        Share of treated weeds dead and its 95 % Wilson interval; None where nothing was treated.
    corrected : float | None
        Abbott's correction for what the controls lost; None without controls.
    new_weeds : tuple[str, ...]
        Weeds of the later register that match none before.
    """

    plan_id: str
    before_revision: int
    after_revision: int
    treated: int
    treated_dead: int
    controls: int
    controls_dead: int
    kill_rate: float | None
    kill_low: float | None
    kill_high: float | None
    corrected: float | None
    fates: tuple[Fate, ...]
    new_weeds: tuple[str, ...]
    notes: tuple[str, ...] = ()

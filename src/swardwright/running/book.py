"""What a round has so far, and how it speaks: commands out, observations in, notes to the journal."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field
from typing import TypeVar

from swardwright.domain.event import Command, LookAgain, Note, NotTreated, Observation, Reach, Report, Treated
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Hold, Plan, Stop
from swardwright.domain.robot import RobotState
from swardwright.domain.site import Site
from swardwright.running.interlocks import may_light

T = TypeVar("T")
Talk = Generator[Command, Observation, T]
Data = dict[str, float | str | bool | None]

#: events in the journal beside ``heat-intent`` and ``heat-result``
STARTED, ENDED = "round-started", "round-ended"
AT_STOP, SKIPPED, CUT = "at-stop", "not-treated", "ring-cut-short"
LIGHTING, OUT = "lighting", "flame-out"


class RoundEndsError(Exception):
    """The round is over early; the text says why."""


@dataclass
class Book:
    """What has happened so far.

    Attributes
    ----------
    treated : dict[str, Treated]
        By weed, as far as it has got: a ring's grows from point to point.
    lost : list[Treated]
        What weeds got whose heat then became unknown: its gas and its scorch are real.
    stopped : bool
        The emergency stop was reported, or not known, while the flame was put out.
    pending : tuple[Stop, Hold] | None
        The hold whose heat was commanded and not yet accounted for.
    """

    plan: Plan
    done: frozenset[str]
    treated: dict[str, Treated] = field(default_factory=dict)
    lost: list[Treated] = field(default_factory=list)
    not_treated: list[NotTreated] = field(default_factory=list)
    given_kg_m2: dict[str, float] = field(default_factory=dict)
    first: RobotState | None = None
    last: RobotState | None = None
    lit: bool = False
    stopped: bool = False
    pending: tuple[Stop, Hold] | None = None

    def see(self, state: RobotState | None) -> None:
        """Take note of a report; raise ``RoundEndsError`` on the emergency stop or a clock that runs backwards."""
        if state is None:
            return
        if not math.isfinite(state.now_s) or (self.last is not None and state.now_s < self.last.now_s):
            raise RoundEndsError("the robot's clock runs backwards or is not a number: restart its clock")
        self.first = self.first or state
        self.last = state
        if state.emergency_stop is not False:
            pressed = "is pressed" if state.emergency_stop else "is not known"
            raise RoundEndsError(f"the emergency stop {pressed}: walk up, find out why, release it by hand")

    def ended(self) -> set[str]:
        """Return the weeds that are accounted for."""
        return set(self.treated) | {item.weed_id for item in self.not_treated} | self.done

    def unknown(self, reason: str) -> None:
        """Account for the heat that was commanded and whose result is not known."""
        if self.pending is None:
            return
        stop, hold = self.pending
        text = f"heat was commanded and its result is not known: {reason}"
        had = self.treated.pop(hold.weed_id, None)
        if had is not None:
            self.lost.append(had)
            text = f"{text} ({had.points} of {had.planned} points were heated before)"
        self.not_treated.append(NotTreated(hold.weed_id, stop.id, text, unknown=True))
        self.pending = None


_WORDS = {
    "Note": "writing the journal",
    "Report": "asking the robot for its state",
    "Drive": "driving",
    "LookAgain": "looking again",
    "Reach": "moving the head over the aim",
    "Light": "lighting the pilot flame",
    "Rest": "folding the arm",
}


def ask(book: Book, command: Command) -> Talk[Observation]:
    """Yield a command; a failure ends the round, a declined reach or look comes back as ``ok`` false."""
    answer = yield command
    book.see(answer.state)
    if not answer.ok and not (answer.declined and isinstance(command, Reach | LookAgain)):
        doing = type(command).__name__
        raise RoundEndsError(f"{_WORDS.get(doing, doing)} failed: {answer.reason or 'no reason given'}")
    return answer


def cleared(book: Book, permit: Permit, site: Site) -> Talk[RobotState]:
    """Ask for a fresh report and end the round unless machine, people, weather and permit allow a flame."""
    answer = yield from ask(book, Report())
    if answer.state is None:
        raise RoundEndsError("the robot does not report its state: check the connection")
    hindrance = may_light(answer.state, book.plan, permit, site)
    if hindrance is not None:
        raise RoundEndsError(str(hindrance))
    return answer.state


def note(book: Book, event: str, *, stop: Stop | None = None, hold: Hold | None = None, data: Data | None = None
         ) -> Talk[None]:  # fmt: skip
    """Write to the journal."""
    weed_id, stop_id = (hold.weed_id if hold else None), (stop.id if stop else None)
    yield from ask(book, Note(event, weed_id, stop_id, data or {}))


def skip(book: Book, stop: Stop, hold: Hold, reason: str, unknown: bool = False) -> Talk[None]:
    """Account for a weed that gets no heat."""
    book.not_treated.append(NotTreated(hold.weed_id, stop.id, reason, unknown))
    yield from note(book, SKIPPED, stop=stop, hold=hold, data={"reason": reason, "unknown": unknown})

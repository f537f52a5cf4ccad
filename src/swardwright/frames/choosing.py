"""Which frames of a video to keep, decided as they come: sharp ones with new ground, a gap between places.

A frame is a candidate once it shares at most ``overlap`` of its ground with those kept. The sharpest candidate is kept
when the camera has gone on so far that a choice must be made. One picture at a time needs to be held.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.frames.blur import NEIGHBOURS_S, Levels, fineness, relative, sharpness
from swardwright.frames.moving import Follower, Small, shared_with, small

KEPT = "kept"
DAMAGED = "damaged and not shown"
OVER, UNDER = "over-exposed", "under-exposed"
BLURRED = "blurred"
NO_NEW = "no new ground"
BEFORE = "ground of an earlier picture"
LESS_SHARP = "less sharp than one kept beside it"
GAP = "in the gap between two places"
REASONS = (DAMAGED, OVER, UNDER, BLURRED, NO_NEW, BEFORE, LESS_SHARP, GAP)

#: a choice is made once a frame shares this much less than ``overlap``, or after this time
SPAN, SPAN_S = 0.15, 1.0
#: the first picture of a stretch is chosen among those that share this much with its first frame, for this time
FIRST_SHARE, FIRST_S = 0.85, 0.5
#: the newest kept pictures whose ground is known by following; older ones are found by what they look like
RECENT = 8
#: share of the usual fineness below which a frame is blurred, whatever its neighbours (tried on rendered ground)
FINENESS_MIN = 0.35
#: how long the sharpness of frames is remembered for those beside them, s
REMEMBERED_S = 3.0
#: what counts as no shared ground when the next place begins
APART = 0.01


@dataclass(frozen=True)
class Choice:
    """What to keep.

    Attributes
    ----------
    overlap : float
        Most of its ground that a kept picture may share with the others, 0 to 0.9.
    blur : float
        A frame is blurred below this share of its neighbours' sharpness.
    clipped, dark : float
        A frame is over- or under-exposed from this share of clipped pixels on.
    place : int
        After this many pictures the next is taken only from wholly new ground, so that videos of one long walk can be
        split into places; 0: no gaps.
    """

    overlap: float = 0.4
    blur: float = 0.6
    clipped: float = 0.25
    dark: float = 0.6
    place: int = 12

    def __post_init__(self) -> None:
        for name, low, high in (("overlap", 0.0, 0.9), ("blur", 0.0, 1.0), ("clipped", 0.0, 1.0), ("dark", 0.0, 1.0)):
            if not low <= getattr(self, name) <= high:
                raise InputError("the share is out of range", where="frames", field=f"--{name}",
                                 value=getattr(self, name), limit=f"{low:g} to {high:g}")  # fmt: skip
        if self.place < 0:
            raise InputError("the number of pictures of a place cannot be negative", where="frames", field="--place",
                             value=self.place, limit="0 or more")  # fmt: skip


@dataclass
class Row:
    """What was found of one frame: ``shared`` is the share of its ground that kept pictures show."""

    number: int
    time_s: float
    sharpness: float
    fineness: float
    clipped: float
    dark: float
    shared: float
    reason: str
    relative: float = 1.0


@dataclass
class _Place:
    name: str | None
    stretch: int
    pose: list[list[float]]


@dataclass
class Candidate:
    """The frame that would be kept if none better came."""

    number: int
    time_s: float
    sharpness: float
    shared: float
    stretch: int
    pose: list[list[float]]
    #: share of its ground that earlier kept pictures show, by following the motion
    shares: dict[str, float]


@dataclass
class State:
    """All that a choice depends on, plain enough for JSON."""

    neighbours: list[tuple[float, float]] = field(default_factory=list)
    levels: dict[int, int] = field(default_factory=dict)
    recent: list[_Place] = field(default_factory=list)
    stretch: int = 0
    pose: list[list[float]] = field(default_factory=lambda: np.eye(3).tolist())
    in_place: int = 0
    opened_s: float | None = None


class Chooser:
    """Chooses among the frames of one video, in order.

    For each frame: :meth:`measure`; if that says so, :meth:`settle` for the frame that was held; then :meth:`consider`,
    which says whether to hold this frame instead. ``candidate`` is that one. ``rows`` collects what was found of each
    frame and is taken away by :meth:`flushed`.
    """

    def __init__(self, choice: Choice, state: dict[str, Any] | None = None) -> None:
        self.choice = choice
        self.rows: list[Row] = []
        self.candidate: Candidate | None = None
        self._follower = Follower()
        self._state = State() if state is None else _state_of(state)
        self._levels = Levels(self._state.levels)
        self._first: _Place | None = None
        self._picture: Small | None = None
        self._shape = (1, 1)
        self._known: tuple[float, dict[str, float]] | None = None

    # -- each frame ----------------------------------------------------------------------------------------------

    def resume(self, number: int, time_s: float, half: NDArray[np.uint8], bright: float, dark: float) -> None:
        """Take the frame at which the state was saved as the one to follow from; :meth:`consider` comes next."""
        self._look_at(number, time_s, half, bright, dark)
        self._follower.start(self._small(), np.array(self._state.pose), self._state.stretch)

    def _small(self) -> Small:
        if self._picture is None:
            raise RuntimeError("no frame was measured")
        return self._picture

    def _look_at(self, number: int, time_s: float, half: NDArray[np.uint8], bright: float, dark: float) -> Row:
        self._picture = small(half)
        self._shape = (self._picture.shape[1], self._picture.shape[0])
        sharp = sharpness(half)
        row = Row(number, time_s, sharp, fineness(sharp, half, self._picture), bright, dark, 0.0, "")
        self.rows.append(row)
        return row

    def measure(self, number: int, time_s: float, half: NDArray[np.uint8] | None, bright: float, dark: float) -> bool:
        """Measure the next frame; ``half`` is its brightness at half size, None where it is damaged.

        Returns
        -------
        bool
            Whether the frame that is held must be settled before this one is considered.
        """
        state, choice = self._state, self.choice
        if half is None:
            self.rows.append(Row(number, time_s, 0.0, 0.0, 0.0, 0.0, 0.0, DAMAGED))
            return False
        before = self._picture
        row = self._look_at(number, time_s, half, bright, dark)
        if bright > choice.clipped or dark > choice.dark:
            row.reason = OVER if bright > choice.clipped else UNDER
            self._picture = before  # the motion is followed from the last frame that shows something
            return False
        state.neighbours = [n for n in state.neighbours if time_s - n[0] <= REMEMBERED_S]
        state.neighbours.append((time_s, row.sharpness))
        self._levels.add(row.fineness)
        pose = self._follower.step(self._small())
        if self._follower.stretch != state.stretch:
            self._first = None
        state.stretch, state.pose = self._follower.stretch, pose.tolist()
        self._known = None
        row.shared, _ = self._shared()
        return self._due(row)

    def _shared(self) -> tuple[float, dict[str, float]]:
        """Return the share of the newest frame's ground that kept pictures show, and what each of them shows."""
        self._known = self._known or self._share()
        return self._known

    def _share(self) -> tuple[float, dict[str, float]]:
        state = self._state
        here = [p for p in state.recent if p.stretch == state.stretch]
        if not here:
            return 0.0, {}
        total, each = shared_with(np.array(state.pose), [np.array(p.pose) for p in here], *self._shape)
        return total, {p.name: s for p, s in zip(here, each, strict=True) if p.name is not None and s > 0}

    def _due(self, row: Row) -> bool:
        state, held = self._state, self.candidate
        if held is None:
            return False
        waited = row.time_s - (row.time_s if state.opened_s is None else state.opened_s)
        if held.stretch != state.stretch:
            return True
        if self._first is not None:
            share, _ = shared_with(np.array(state.pose), [np.array(self._first.pose)], *self._shape)
            return share <= FIRST_SHARE or waited >= FIRST_S
        return row.shared <= self.choice.overlap - SPAN or waited >= SPAN_S

    def consider(self) -> bool:
        """Return whether the frame just measured is the best candidate so far and should be held."""
        row, state = self.rows[-1], self._state
        if row.reason:
            return False
        here = any(p.stretch == state.stretch for p in state.recent)
        row.shared, shares = self._shared()
        if row.shared > self.choice.overlap:
            row.reason = NO_NEW
            return False
        if self.choice.place and state.in_place >= self.choice.place and here and row.shared > APART:
            row.reason = GAP
            return False
        row.reason = LESS_SHARP
        if not here and self._first is None:
            self._first = _Place(None, state.stretch, state.pose)
        if state.opened_s is None:
            state.opened_s = row.time_s
        if self.candidate is not None and self.candidate.sharpness >= row.sharpness:
            return False
        self.candidate = Candidate(row.number, row.time_s, row.sharpness, row.shared, state.stretch, state.pose, shares)
        return True

    # -- the frame that is held ----------------------------------------------------------------------------------

    def sharp(self) -> bool:
        """Return whether the held frame is sharp enough to be kept; if not, it is let go and the search goes on."""
        held = self.candidate
        if held is None:
            return False
        row = self._row(held.number)
        if not self._blurred(row):
            return True
        self.candidate, self._state.opened_s, self._first = None, None, None
        return False

    def _row(self, number: int) -> Row:
        return next(r for r in reversed(self.rows) if r.number == number)

    def _blurred(self, row: Row) -> bool:
        row.relative = relative(row.time_s, row.sharpness, self._state.neighbours)
        return self._dull(row)

    def _dull(self, row: Row) -> bool:
        return row.relative < self.choice.blur or row.fineness < FINENESS_MIN * self._levels.high()

    def settle(self, name: str, shares: dict[str, float]) -> bool:
        """Keep the held frame under a name, or not if earlier pictures show its ground already.

        Parameters
        ----------
        shares : dict[str, float]
            Earlier pictures that look as if they showed some of its ground, and the share. Those known by following
            the motion have been reckoned with before.

        Returns
        -------
        bool
            Whether it is kept.
        """
        held, state = self.candidate, self._state
        if held is None:
            raise RuntimeError("no frame is held")
        known = max((share for other, share in shares.items() if other not in held.shares), default=0.0)
        kept = known <= self.choice.overlap
        row = self._row(held.number)
        row.reason = KEPT if kept else BEFORE
        row.shared = max(row.shared, known)
        here = any(p.stretch == held.stretch for p in state.recent)
        if kept:
            full = self.choice.place and state.in_place >= self.choice.place
            state.in_place = 1 if full or not here else state.in_place + 1
        state.recent.append(_Place(name if kept else None, held.stretch, held.pose))
        state.recent = state.recent[-RECENT:]
        self._known = None
        self.candidate, state.opened_s, self._first = None, None, None
        return kept

    # -- what was found ------------------------------------------------------------------------------------------

    def flushed(self, *, but_last: bool = False) -> list[Row]:
        """Return the rows so far with their final reasons, and forget them; ``but_last``: all but the newest."""
        keep = self.rows[-1:] if but_last else []
        done = self.rows[: len(self.rows) - len(keep)]
        judged = [r for r in self.rows if r.reason not in (DAMAGED, OVER, UNDER)]
        values = dict(self._state.neighbours) | {r.time_s: r.sharpness for r in judged}
        times = sorted(values)
        for row in done:
            if row.reason not in (DAMAGED, OVER, UNDER):
                low, high = (
                    bisect_left(times, row.time_s - NEIGHBOURS_S),
                    bisect_right(times, row.time_s + NEIGHBOURS_S),
                )
                row.relative = relative(row.time_s, row.sharpness, [(t, values[t]) for t in times[low:high]])
            if row.reason in (NO_NEW, LESS_SHARP, GAP, "") and self._dull(row):
                row.reason = BLURRED
        self.rows = keep
        return done

    def anchored(self) -> dict[str, Any]:
        """Return the state as plain data; following starts anew from the newest frame, here and after a resume."""
        self._follower.start(self._small(), np.array(self._state.pose), self._state.stretch)
        self._state.levels = self._levels.counts
        return asdict(self._state)


def _state_of(data: dict[str, Any]) -> State:
    state = State(**data)
    state.neighbours = [(float(t), float(s)) for t, s in state.neighbours]
    state.levels = {int(k): int(v) for k, v in state.levels.items()}
    state.recent = [p if isinstance(p, _Place) else _Place(**p) for p in state.recent]
    return state

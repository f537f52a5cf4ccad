"""Commands the supervisor yields, observations it takes, and what goes into the journal."""

from __future__ import annotations

from dataclasses import dataclass, field

from swardwright.domain.poses import BasePose
from swardwright.domain.robot import HeatReport, RobotState
from swardwright.domain.weed import Aim


@dataclass(frozen=True)
class Note:
    """Write an entry to the journal; the answer is an ``Observation`` with the time of the entry."""

    event: str
    weed_id: str | None = None
    stop_id: str | None = None
    data: dict[str, float | str | bool | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Report:
    """Ask for a fresh robot state."""


@dataclass(frozen=True)
class Drive:
    """Drive to a stop."""

    stop_id: str
    target: BasePose


@dataclass(frozen=True)
class LookAgain:
    """Look at the stop's ground and say where the named weeds (and spared plants) are.

    From these postures in order; None: the rig's look postures.
    """

    stop_id: str
    weed_ids: tuple[str, ...]
    looks_rad: tuple[tuple[float, ...], ...] | None = None


@dataclass(frozen=True)
class Reach:
    """Move the head over an aim in base axes; the answer says where the head's working point really is.

    ``then_m`` are points that are heated after it, one after the other: where the arm cannot go on to one of them, the
    command is declined and the arm stays.
    """

    weed_id: str
    aim_base_m: tuple[float, float]
    then_m: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Light:
    """Light or put out the pilot flame."""

    on: bool


@dataclass(frozen=True)
class Heat:
    """Heat for a time at the present aim."""

    weed_id: str
    seconds: float


@dataclass(frozen=True)
class Rest:
    """Fold the arm for driving."""


Command = Note | Report | Drive | LookAgain | Reach | Light | Heat | Rest


@dataclass(frozen=True)
class Observation:
    """Answer to a command.

    Attributes
    ----------
    state : RobotState | None
        A fresh report (after every command that moves or heats).
    ok : bool
        Whether the command was carried out.
    reason : str
        Why not.
    declined : bool
        With ``ok`` false: nothing was begun and the machine is well (no posture reaches this aim, no usable picture).
        Costs that weed or stop only; any other failure ends the round.
    aims : tuple[Aim, ...]
        Answer to ``LookAgain``: base axes, every plant in view, spared ones included.
    heat : HeatReport | None
        Answer to ``Heat``.
    """

    state: RobotState | None
    ok: bool = True
    reason: str = ""
    declined: bool = False
    aims: tuple[Aim, ...] = ()
    heat: HeatReport | None = None


@dataclass(frozen=True)
class JournalEntry:
    """One line of the append-only record of a round."""

    number: int
    at_s: float
    event: str
    weed_id: str | None
    stop_id: str | None
    data: dict[str, float | str | bool | None]


@dataclass(frozen=True)
class Treated:
    """What one weed got from all of its points together.

    Attributes
    ----------
    hold_s : float
        Flame on the ground, at all points.
    dose_kg_m2 : float
        Expected on the least heated of its growing points.
    kill : float
        Expected kill probability.
    points, planned : int
        Points heated, and points of the pattern decided on at the stop: fewer heated where a ring was cut short.
    """

    weed_id: str
    stop_id: str
    hold_s: float
    gas_kg: float
    dose_kg_m2: float
    kill: float
    scorch_m2: float
    points: int = 1
    planned: int = 1


@dataclass(frozen=True)
class NotTreated:
    """A planned weed that got no heat, or whose heat is unknown (an intent without result)."""

    weed_id: str
    stop_id: str
    reason: str
    unknown: bool = False


@dataclass(frozen=True)
class RoundRecord:
    """How a round went."""

    plan_id: str
    permit_id: str
    started_at_s: float
    ended_at_s: float
    treated: tuple[Treated, ...]
    not_treated: tuple[NotTreated, ...]
    controls: tuple[str, ...]
    gas_kg: float
    scorch_m2: float
    completed: bool
    reason: str = ""

"""Plans: stops, holds, motions, supplies, refusals."""

from __future__ import annotations

from dataclasses import dataclass

from swardwright.domain.poses import BasePose


@dataclass(frozen=True)
class Hold:
    """Heat kept on one weed from one stop: at one point, or at each of a ring of points about it.

    Attributes
    ----------
    weed_id : str
        The weed aimed at.
    aim_base_m : tuple[float, float]
        Planned aim in base axes of the stop (the run re-locates before heat).
    joints_rad : tuple[float, ...]
        Planned arm posture with the head over the aim.
    hold_s : float
        Dwell at full flame, at each point.
    gas_kg : float
        Fuel of all dwells and their valve delays.
    kill : float
        Expected kill probability of all points together.
    scorch_m2 : float
        Turf above its limit.
    move_s : float
        Time of the arm's motion to it.
    via_rad : tuple[tuple[float, ...], ...]
        Postures to move through on the way to ``joints_rad``: lifted, round obstacles.
    offsets_m : tuple[tuple[float, float], ...]
        Points heated one after the other, about ``aim_base_m``, base axes; one point at zero: a single hold.
    ring_rad : tuple[tuple[float, ...], ...]
        Postures over each of several points, in their order; empty for a single hold, whose posture is ``joints_rad``.
        From ``joints_rad``, over the aim, the arm goes straight to the first, from one to the next, and back.
    ring_s : float
        Time of that round.
    """

    weed_id: str
    aim_base_m: tuple[float, float]
    joints_rad: tuple[float, ...]
    hold_s: float
    gas_kg: float
    kill: float
    scorch_m2: float
    move_s: float
    via_rad: tuple[tuple[float, ...], ...] = ()
    offsets_m: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    ring_rad: tuple[tuple[float, ...], ...] = ()
    ring_s: float = 0.0

    @property
    def heat_s(self) -> float:
        """Time at full flame at all points, s."""
        return len(self.offsets_m) * self.hold_s

    @property
    def points_m(self) -> tuple[tuple[float, float], ...]:
        """Points heated, base axes, m."""
        x, y = self.aim_base_m
        return tuple((x + dx, y + dy) for dx, dy in self.offsets_m)


@dataclass(frozen=True)
class Stop:
    """A base pose at which the arm works, and the holds there in order.

    Attributes
    ----------
    looks_rad : tuple[tuple[float, ...], ...] | None
        Postures from which pictures are taken before the first hold, in order; None: the rig's look postures.
    """

    id: str
    base: BasePose
    holds: tuple[Hold, ...]
    looks_rad: tuple[tuple[float, ...], ...] | None = None


@dataclass(frozen=True)
class Refused:
    """A weed (or zone, or stop) that will not be treated, and why."""

    item: str
    reason: str


@dataclass(frozen=True)
class StopWork:
    """What is done at one stop of a sweep, decided after the look there.

    Attributes
    ----------
    holds : tuple[Hold, ...]
        In order.
    refused : tuple[Refused, ...]
        Plants known round the stop that are not heated from it.
    controls : tuple[str, ...]
        Weeds left untreated on purpose.
    """

    holds: tuple[Hold, ...]
    refused: tuple[Refused, ...]
    controls: tuple[str, ...] = ()


@dataclass(frozen=True)
class Load:
    """What one stop takes, the drive to it included: kilograms, joules, seconds, metres."""

    stop_id: str
    gas_hold_kg: float
    gas_pilot_kg: float
    energy_j: float
    drive_m: float
    drive_s: float
    arm_s: float
    heat_s: float

    @property
    def gas_kg(self) -> float:
        """Gas burnt, kg."""
        return self.gas_hold_kg + self.gas_pilot_kg

    @property
    def time_s(self) -> float:
        """Time in all, s."""
        return self.drive_s + self.arm_s + self.heat_s


@dataclass(frozen=True)
class Swap:
    """A change on the way.

    Attributes
    ----------
    what : str
        ``"gas"`` (cylinder), ``"battery"`` or ``"time"`` (a new day).
    stop_id : str
        The stop after which it is due; empty: before the first.
    during : bool
        True: that stop alone takes more than one, so that the change falls within it.
    """

    what: str
    stop_id: str
    during: bool = False


@dataclass(frozen=True)
class Supplies:
    """What the round takes: kilograms, joules, seconds, and what to bring.

    Attributes
    ----------
    loads : tuple[Load, ...]
        The same, stop by stop in the order of the drive.
    swaps : tuple[Swap, ...]
        Cylinders, batteries and days to change, in the order of the drive.
    day_s : float | None
        Length of the working day; None: without end.
    notes : tuple[str, ...]
        What limits, and what a person should do about it.
    """

    gas_kg: float
    gas_hold_kg: float
    gas_pilot_kg: float
    cylinders: int
    energy_j: float
    battery_swaps: int
    drive_s: float
    arm_s: float
    heat_s: float
    time_s: float
    drive_m: float
    loads: tuple[Load, ...] = ()
    swaps: tuple[Swap, ...] = ()
    day_s: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def days(self) -> int:
        """Working days that the round takes."""
        return 1 + sum(swap.what == "time" for swap in self.swaps)


@dataclass(frozen=True)
class Plan:
    """One round's plan.

    Attributes
    ----------
    stops_bound : int
        Proven lower bound on the number of stops over the offered stop poses.
    route_m : tuple[tuple[float, float], ...]
        Way points of the drive, ground axes, from the start through all stops.
    controls : tuple[str, ...]
        Weeds left untreated on purpose.
    overlooked : float
        Expected number of weeds that no picture at their stop finds, so that they are left to the next visit.
    drive_bound_s : float
        Proven: no order of these stops takes less driving and turning; 0 where nothing is claimed.
    sweep : bool
        Nothing is known beforehand: the stops cover the ground and have no holds; the run decides them at each stop.
    density_m2 : float
        Of a sweep: weeds per square metre that the supplies are reckoned for.
    ground_m2, left_out_m2 : float
        Of a sweep: ground to treat (zones less keep-outs with their stand-off); part of it that no stop serves.
    """

    id: str
    register_revision: int
    start: BasePose
    stops: tuple[Stop, ...]
    stops_bound: int
    route_m: tuple[tuple[float, float], ...]
    supplies: Supplies
    refused: tuple[Refused, ...]
    controls: tuple[str, ...]
    notes: tuple[str, ...] = ()
    drive_bound_s: float = 0.0
    overlooked: float = 0.0
    sweep: bool = False
    density_m2: float = 0.0
    ground_m2: float = 0.0
    left_out_m2: float = 0.0

    @property
    def rings(self) -> int:
        """Weeds that get more than one hold."""
        return sum(len(hold.offsets_m) > 1 for stop in self.stops for hold in stop.holds)

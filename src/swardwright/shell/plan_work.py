"""What the arm does at each stop of a plan, on the plan's clock: looks, ways, holds and the way back to rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from swardwright.domain.plan import Plan
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.shell.plan_clock import stop_times

if TYPE_CHECKING:
    from swardwright.planning.trajectory import Timed

#: samples of a moving arm are at most this far apart, s: a cubic through places and speeds leaves the planned way by
#: less than a thousandth of a radian (a joint at 1.6 rad/s that changes its acceleration by 4 rad/s2 in between)
STEP_S = 0.05


@dataclass(frozen=True)
class Doing:
    """One thing that the arm does: ``what`` is ``look``, ``picture``, ``light``, ``move``, ``hold`` or ``rest``.

    ``begin_s`` and ``end_s`` are s from the start of the round; ``point`` counts a weed's heated points from 1.
    """

    what: str
    weed_id: str
    begin_s: float
    end_s: float
    point: int = 0


@dataclass(frozen=True, eq=False)
class ArmWork:
    """The arm at one stop.

    Attributes
    ----------
    doings : tuple[Doing, ...]
        Without gaps, in order.
    time_s : Array
        Shape (n,): from the arrival at the stop, strictly increasing from 0.
    joints_rad, speed_rad_s : Array
        Shape (n, dof).
    """

    doings: tuple[Doing, ...]
    time_s: Array
    joints_rad: Array
    speed_rad_s: Array


def arm_work(
    plan: Plan, rig: Rig, *, step_s: float = STEP_S, done: Callable[[int, int], None] | None = None
) -> tuple[ArmWork, ...]:
    """Return the arm's work at every stop: ways at the planned pace, with the stands that the plan reckons in between.

    A stand of one picture follows each look, lighting follows the last picture, and each hold lasts from the valve's
    opening to its closing, its delays included.

    Parameters
    ----------
    done : callable, optional
        Told how many stops of how many are done.

    Raises
    ------
    RobotModelError
        If the arm has no clear way over its own postures.
    StaleError
        If the plan does not say what each stop takes.
    """
    from swardwright.planning.trajectory import sample_stop

    work = []
    for number, (stop, times) in enumerate(zip(plan.stops, stop_times(plan), strict=True), start=1):
        work.append(_with_stands(sample_stop(rig, stop, step_s), rig, times.arrive_s, bool(stop.holds)))
        if done is not None:
            done(number, len(plan.stops))
    return tuple(work)


def _with_stands(parts: list[Timed], rig: Rig, arrive_s: float, heats: bool) -> ArmWork:
    from swardwright.planning.looks import PICTURE_S

    doings: list[Doing] = []
    rest = np.array(rig.rest_joints_rad, dtype=float)
    times, joints, speeds = [np.zeros(1)], [rest[None]], [np.zeros((1, len(rest)))]
    looks, points = sum(part.what == "look" for part in parts), dict[str, int]()
    now_s = 0.0

    def stand(what: str, weed_id: str, lasts_s: float, point: int = 0) -> None:
        nonlocal now_s
        if lasts_s <= 0.0:
            return
        doings.append(Doing(what, weed_id, arrive_s + now_s, arrive_s + now_s + lasts_s, point))
        now_s += lasts_s
        times.append(np.array([now_s]))
        joints.append(joints[-1][-1:])
        speeds.append(np.zeros((1, len(rest))))

    def look_done(seen: int) -> None:
        stand("picture", "", PICTURE_S)
        if heats and seen >= looks:
            stand("light", "", rig.head.ignition_s)

    if not looks:
        look_done(0)
    seen = 0
    for part in parts:
        lasts_s = float(part.time_s[-1] - part.time_s[0])
        if part.what == "hold":
            points[part.weed_id] = points.get(part.weed_id, 0) + 1
            stand("hold", part.weed_id, lasts_s + 2.0 * rig.head.valve_delay_s, points[part.weed_id])
            continue
        if lasts_s > 0.0:
            word = part.what if part.what in ("look", "rest") else "move"
            doings.append(Doing(word, part.weed_id, arrive_s + now_s, arrive_s + now_s + lasts_s))
            times.append(now_s + (part.time_s[1:] - part.time_s[0]))
            joints.append(part.joints_rad[1:])
            speeds.append(np.vstack([part.speed_rad_s[1:-1], np.zeros((1, len(rest)))]))  # it ends standing, exactly
            now_s += lasts_s
        if part.what == "look":
            seen += 1
            look_done(seen)
    return ArmWork(tuple(doings), np.concatenate(times), np.concatenate(joints), np.concatenate(speeds))

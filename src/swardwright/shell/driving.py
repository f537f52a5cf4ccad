"""Plays the supervisor's commands against a robot, with a journal that is on the disk before the next thing happens.

The supervisor (``running.supervise``) decides; this module only carries out, answers and writes down. It is not a
safety function: the emergency stop, the gas shut-off valve and the dead-man switch are hardware.
"""

from __future__ import annotations

import contextlib
import importlib
import sys
from collections.abc import Callable, Generator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from swardwright.domain.errors import InputError, RefusedError, RobotFaultError, SiteError
from swardwright.domain.event import (
    Command,
    Drive,
    Heat,
    Light,
    LookAgain,
    Note,
    Observation,
    Reach,
    Report,
    Rest,
    RoundRecord,
)
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.plan import Plan
from swardwright.domain.robot import GoingRobot, Picture, Robot, RobotState
from swardwright.domain.site import Site
from swardwright.domain.weed import Aim, Look, Register, Sighting
from swardwright.shell.store import SiteStore

if TYPE_CHECKING:
    from swardwright.learning.detector import Detector
    from swardwright.planning.motion import Motion

Show = Callable[[str], None]


def load_robot(folder: Path, site: Site) -> Robot:
    """Call the factory that ``[robot] factory`` names, with the site folder and the site.

    The named module is imported, which runs its code: naming it in ``site.toml`` means trusting it. A module may lie in
    the site folder itself. Only commands that talk to the machine do this.

    Raises
    ------
    SiteError
        If no factory is named, or it cannot be loaded.
    """
    name = site.robot_factory
    if not name:
        raise SiteError("no robot is named", where="site.toml", field="robot.factory",
                        remedy="name your machine as module:factory; see docs/how-to/own-robot.md")  # fmt: skip
    module_name, _, factory_name = name.partition(":")
    here = str(folder.resolve())
    try:
        sys.path.insert(0, here)
        factory = getattr(importlib.import_module(module_name), factory_name)
    except (ImportError, AttributeError) as error:
        raise SiteError(f"the robot's factory cannot be loaded ({error})", where="site.toml", field="robot.factory",
                        value=name, remedy="put the module into the site folder or install it") from error  # fmt: skip
    finally:
        with contextlib.suppress(ValueError):
            sys.path.remove(here)
    robot = factory(folder, site)
    if not isinstance(robot, Robot):
        raise SiteError("the factory's robot lacks calls of the Robot protocol", where="site.toml",
                        field="robot.factory", value=name,
                        remedy="write every call of swardwright.domain.robot.Robot")  # fmt: skip
    return robot


@dataclass
class Driver:
    """Carries out one command after another.

    Attributes
    ----------
    show : Callable[[str], None]
        Told one line about what goes on, for a person to follow.
    frames, detections : list
        What the fresh looks saw, in order.
    """

    robot: Robot
    site: Site
    plan: Plan
    register: Register
    store: SiteStore
    detector: Detector
    show: Show

    def __post_init__(self) -> None:
        self.frames: list[Frame] = []
        self.detections: list[Detection] = []
        self._now_s = 0.0
        self._lit = False
        #: the weed whose first point the head was brought over, while the arm is about it
        self._over = ""
        self._goes_on = isinstance(self.robot, GoingRobot)

    def play(self, round_: Generator[Command, Observation, RoundRecord]) -> RoundRecord:
        """Run a supervisor to its end and return its record; on any interruption put the flame out first."""
        try:
            self._see(self.robot.state())
            command = next(round_)
            while True:
                try:
                    answer = self.carry_out(command)
                except RobotFaultError as fault:
                    command = round_.throw(fault)
                else:
                    command = round_.send(answer)
        except StopIteration as end:
            record: RoundRecord = end.value
            return record
        except BaseException:
            self._flame_out()
            raise

    def _flame_out(self) -> None:
        """Tell the machine to put the flame out, whatever else failed."""
        if not self._lit:
            return
        try:
            self.robot.light(False)
            self._lit = False
        except Exception:  # the person on watch must hear of it: there is nothing else left to do here
            self.show("THE FLAME COULD NOT BE PUT OUT: close the gas shut-off valve by hand now.")

    def carry_out(self, command: Command) -> Observation:
        """Carry out one command and return what was observed."""
        match command:
            case Note():
                return self._note(command)
            case Report():
                return Observation(self._see(self.robot.state()))
            case Drive():
                return self._drive(command)
            case Rest():
                return self._rest()
            case Reach():
                return self._reach(command)
            case Light():
                self._lit = self._lit or command.on
                state = self._see(self.robot.light(command.on))
                self._lit = command.on
                return Observation(state)
            case Heat():
                heat = self.robot.heat(command.seconds)
                return Observation(self._see(self.robot.state()), heat=heat)
            case LookAgain():
                return self._look(command)

    def _see(self, state: RobotState) -> RobotState:
        self._now_s = state.now_s
        return state

    def _note(self, note: Note) -> Observation:
        self.store.append(self.plan.id, self._now_s, note.event, note.weed_id, note.stop_id, note.data)
        if note.event == "not-treated":
            self.show(f"{note.weed_id}: not heated: {note.data.get('reason', '')}")
        return Observation(None)

    def _drive(self, drive: Drive) -> Observation:
        """Drive round the keep-outs from wherever the base is, by its own report."""
        from swardwright.planning import drive_way

        self.show(f"driving to {drive.stop_id}")
        state = self._see(self.robot.state())
        try:
            way = drive_way(self.site, state.base, drive.target)
        except RefusedError as error:
            return Observation(state, ok=False, reason=error.sentence())
        for pose in way:
            state = self._see(self.robot.drive_to(pose))
            if state.emergency_stop is not False:
                break
        return Observation(state)

    def _reach(self, reach: Reach) -> Observation:
        """Move the head over an aim by a way that is clear of collision, near the plan's arm configuration.

        To a further point of a ring straight, where nothing is in the way.
        """
        from swardwright.planning import way_over
        from swardwright.planning.rings import hindered_round, way_onward

        state, rig = self.robot.state(), self.site.rig
        near = tuple(float(q) for q in state.joints_rad)
        if self._over == reach.weed_id:
            way = way_onward(rig, reach.aim_base_m, near, smooth=self._goes_on)
        else:
            planned = next((h.joints_rad for s in self.plan.stops for h in s.holds if h.weed_id == reach.weed_id), None)
            way = way_over(
                rig, reach.aim_base_m, near, planned_rad=planned, lit=self._lit, smooth=self._goes_on
            )  # fmt: skip
        if isinstance(way, str):
            return Observation(self._see(state), ok=False, reason=way, declined=True)
        if reason := hindered_round(rig, reach.then_m, tuple(way.way_rad[-1].tolist())):
            return Observation(self._see(state), ok=False, reason=f"a point of the ring: {reason}", declined=True)
        self._over = reach.weed_id
        return Observation(self._through(way))

    def _rest(self) -> Observation:
        """Fold the arm by a clear way; where there is none the arm stays and a person must see to it."""
        state = self._see(self.robot.state())
        self._over = ""
        rest = self.site.rig.rest_joints_rad
        if np.allclose(state.joints_rad, rest, atol=1e-9):
            return Observation(self._see(self.robot.move_arm(rest)))
        way = self._between(state, rest)
        return Observation(state, ok=False, reason=way) if isinstance(way, str) else Observation(self._through(way))

    def _between(self, state: RobotState, posture: tuple[float, ...]) -> Motion | str:
        """Return the checked motion, flame out, from where the arm says it is to one of the rig's own postures."""
        from swardwright.planning import way_between

        near = tuple(float(q) for q in state.joints_rad)
        return way_between(self.site.rig, near, posture, smooth=self._goes_on)

    def _through(self, motion: Motion) -> RobotState:
        """Drive a motion as it was checked: at its own times, or, where the robot cannot, from posture to posture.

        In the second case no further where the emergency stop is pressed or not known.
        """
        from swardwright.planning import timed_way

        way = motion.way_rad
        if isinstance(self.robot, GoingRobot) and len(way) > 1:
            return self._see(self.robot.move_through(timed_way(self.site.rig, motion)))
        for posture in way[1:] if len(way) > 1 else way:
            state = self._see(self.robot.move_arm(tuple(float(q) for q in posture)))
            if state.emergency_stop is not False:
                break
        return state

    def _look(self, look: LookAgain) -> Observation:
        """Take pictures from the look postures and say where the plants are, in base axes.

        The arm goes there by ways checked from where it says it is: at rest, or wherever a round was broken off.
        """
        from swardwright.locating import ground_sampling, locate, looks

        rig, card = self.site.rig, self.detector.card
        frames: list[Frame] = []
        found: list[Detection] = []
        # the base stands still at a stop: one belief of its pose for all pictures, so that they share its error
        state = stands = self._see(self.robot.state())
        self._over = ""
        try:
            for number, posture in enumerate(rig.look_joints_rad if look.looks_rad is None else look.looks_rad):
                way = self._between(state, posture)
                if isinstance(way, str):
                    text = f"look posture {number + 1}: {way}"
                    return Observation(self._see(self.robot.state()), ok=False, reason=text, declined=True)
                state = self._through(way)
                if state.emergency_stop is not False:
                    return Observation(state)
                picture = self.robot.picture()
                frame = _frame(self.plan.id, look.stop_id, number, picture, stands)
                frames.append(frame)
                detector = self.detector.at_sampling(ground_sampling([frame], rig))
                found += detector.find(picture.image, frame.id)
            sightings = locate(frames, found, rig)
            seen = looks(frames, rig, detection_probability=card.detection_probability,
                         false_alarms_m2=card.false_alarms_m2, bands=card.detection_bands())  # fmt: skip
        except InputError as error:  # a picture that cannot be used costs this stop only
            return Observation(self._see(self.robot.state()), ok=False, reason=error.sentence(), declined=True)
        self.frames += frames
        self.detections += found
        answer = self._aims(look, frames, sightings, seen, stands)
        return Observation(self._see(self.robot.state()), aims=answer)

    def _aims(
        self, look: LookAgain, frames: list[Frame], sightings: list[Sighting], seen: list[Look], stands: RobotState
    ) -> tuple[Aim, ...]:
        """Say where the plants of the register are that are wanted, and the spared ones."""
        from swardwright.merging import aims

        answer = aims(
            self.register, frames, sightings, seen,
            stop_id=look.stop_id, base=stands.base, base_covariance=np.reshape(stands.base_covariance, (3, 3)),
            weed_ids=look.weed_ids, spare_ids=spared(self.register, self.site),
        )  # fmt: skip
        self.show(f"looked again at {look.stop_id}: {_seen(answer, look.weed_ids)} of {len(look.weed_ids)} seen")
        return answer


def spared(register: Register, site: Site) -> tuple[str, ...]:
    """Return the ids of the register's plants that are more probably to spare than to treat."""
    from swardwright.domain.site import treat_probability

    return tuple(w.id for w in register.weeds if treat_probability(w.kinds, site) < 0.5)


def _seen(answer: tuple[Aim, ...], wanted: tuple[str, ...]) -> int:
    return sum(aim.seen for aim in answer if aim.weed_id in wanted)


def _frame(plan_id: str, stop_id: str, number: int, picture: Picture, stands: RobotState) -> Frame:
    height, width = picture.image.shape[:2]
    return Frame(
        id=f"{plan_id}/{stop_id}-{number}",
        recording=plan_id,
        stamp_ns=round(picture.state.stamp_s * 1e9),
        picture="look",
        size_px=(int(width), int(height)),
        base=stands.base,
        base_covariance=np.reshape(np.asarray(stands.base_covariance, dtype=float), (3, 3)),
        joints_rad=picture.state.joints_rad,
        stop=stop_id,
    )


def drive_round(
    robot: Robot,
    site: Site,
    plan: Plan,
    register: Register,
    store: SiteStore,
    detector: Detector,
    round_: Generator[Command, Observation, RoundRecord],
    show: Show,
) -> RoundRecord:
    """Run one round to its end.

    Raises
    ------
    SwardwrightError
        If the journal cannot be written or the program is at fault; the flame was put out first.
    """
    return Driver(robot, site, plan, register, store, detector, show).play(round_)


__all__ = ["Driver", "drive_round", "load_robot", "spared"]

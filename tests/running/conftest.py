"""A made-up gantry robot that answers commands, with faults on demand; no file, clock or simulation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.errors import RobotFaultError
from swardwright.domain.event import (
    Command,
    Drive,
    Heat,
    JournalEntry,
    Light,
    LookAgain,
    Note,
    Observation,
    Reach,
    RoundRecord,
)  # fmt: skip
from swardwright.domain.heat import Head
from swardwright.domain.permit import FireWeather, Permit, Weather
from swardwright.domain.plan import Hold, Plan, Stop, Supplies
from swardwright.domain.poses import BasePose
from swardwright.domain.robot import HeatReport, RobotState
from swardwright.domain.site import (
    Base,
    ErrorSources,
    Gas,
    KeepOut,
    Kind,
    Limits,
    Origin,
    Power,
    Rig,
    Site,
    Topics,
    Zone,
)  # fmt: skip
from swardwright.domain.weed import Aim, Register, Weed

START_S = 1_000_000.0
# Two prismatic joints carry a head that points straight down, 0.12 m above the ground: joints are the aim.
GANTRY = """<robot name="gantry"><link name="base_link"/><link name="rail"/><link name="head_tip"/>
<joint name="along" type="prismatic"><parent link="base_link"/><child link="rail"/><origin xyz="0 0 0.12"/>
<axis xyz="1 0 0"/><limit lower="-2" upper="2" velocity="1"/></joint>
<joint name="across" type="prismatic"><parent link="rail"/><child link="tilted"/><axis xyz="0 1 0"/>
<limit lower="-2" upper="2" velocity="1"/></joint><link name="tilted"/>
<joint name="down" type="fixed"><parent link="tilted"/><child link="head_tip"/><origin rpy="3.141592653589793 0 0"/>
</joint></robot>"""


def make_site() -> Site:
    head = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.44, 0.15, 3.0)
    camera = Camera(1280, 960, 900.0, 900.0, 640.0, 480.0, np.zeros(5), np.zeros((4, 4)))
    rig = Rig(
        arm_from_urdf(GANTRY), camera, "head_tip", head, Base(0.8, 0.6, 0.0, 60.0, 0.5, 0.5, 80.0, 50.0, 0.0, 0.2),
        Power(2.5e6, 0.8, 0.9, 100.0, 20.0), Gas(0.4, 0.9, 0.01), ErrorSources(*([0.01] * 13)),
        ((0.0, 0.0),), (0.0, 0.0), (0.0, 0.0),
    )  # fmt: skip
    limits = Limits(
        pose_age_s=0.2, kill_target=0.95, presence_min=0.6, hold_max_s=8.0, spare_dose_kg_m2=1e-3,
        turf_dose_kg_m2=3e-3, control_fraction=0.15, wind_max_m_s=4.0, fwi_max=12.0, ffmc_max=88.0,
        human_clear_m=10.7, aim_sigma_max_m=0.02, revisit_days=14.0, observation_age_s=1.0, gate_m=0.05,
        battery_reserve=0.2, gas_reserve=0.1,
    )  # fmt: skip
    kinds = (
        Kind("plantain", True, 3e-3, 3.0, False, 1.0, "made up"),
        Kind("dandelion", True, 4e-3, 3.0, True, 1.0, "made up"),
        Kind("daisy", False, 3e-3, 3.0, False, 0.0, "made up"),
    )
    green = Zone("green", ((0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0)))
    box = KeepOut("sprinkler box", ((6.0, 4.0), (6.5, 4.0), (6.5, 4.5), (6.0, 4.5)), 0.3)
    return Site("made up", True, Origin(50.0, 0.0, 0.0), BasePose(1.0, 1.0, 0.0), (green,), (box,), kinds, rig, limits,
                Topics(), "", "", 1.0)  # fmt: skip


def make_hold(weed_id: str, x_m: float, y_m: float) -> Hold:
    return Hold(weed_id, (x_m, y_m), (x_m, y_m), 2.0, 2.8e-4, 0.95, 1e-3, 3.0)


def make_aim(weed_id: str, x_m: float, y_m: float, kind: str = "plantain", sigma_m: float = 0.005) -> Aim:
    return Aim(weed_id, np.array([x_m, y_m]), sigma_m**2 * np.eye(2), 0.03, ((kind, 1.0),), 0.97, True)


def make_permit(plan_id: str = "plan-1") -> Permit:
    weather = Weather(START_S, 288.15, 0.6, 2.0, 0.0)
    return Permit("permit-1", plan_id, START_S, START_S + 7200.0, "A. Watch", weather,
                  FireWeather(80, 10, 50, 3, 15, 5), ())  # fmt: skip


def make_plan(stops: tuple[Stop, ...]) -> Plan:
    return Plan("plan-1", 3, BasePose(1.0, 1.0, 0.0), stops, 1, (), Supplies(0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0), (),
                ("control-1",))  # fmt: skip


#: weeds in base axes of their stop
HOLDS = {
    "stop-1": {"w1": (0.6, 0.1), "w2": (0.8, -0.2), "w3": (0.5, 0.3)},
    "stop-2": {"w4": (0.7, 0.0), "w5": (0.6, 0.4)},
}
BASES = {"stop-1": BasePose(2.0, 2.0, 0.0), "stop-2": BasePose(4.0, 3.0, 1.2)}


def make_round() -> tuple[Plan, Register]:
    stops = tuple(
        Stop(stop, BASES[stop], tuple(make_hold(w, *place) for w, place in weeds.items()))
        for stop, weeds in HOLDS.items()
    )
    weeds = []
    for stop, places in HOLDS.items():
        for weed_id, place in places.items():
            ground = BASES[stop].ground_from_base.apply(np.array([*place, 0.0]))[:2]
            weeds.append(Weed(weed_id, ground, 1e-4 * np.eye(2), 0.03, 0.01, 0.97, (("plantain", 1.0),)))
    spared = Weed("d1", np.array([2.62, 2.5]), 1e-4 * np.eye(2), 0.02, 0.005, 0.9, (("daisy", 1.0),))
    control = Weed("control-1", np.array([9.0, 6.0]), 1e-4 * np.eye(2), 0.02, 0.005, 0.9, (("plantain", 1.0),))
    return make_plan(stops), Register(3, (*weeds, spared, control))


@dataclass
class Machine:
    """Answers commands; ``faults`` maps the number of a command to what goes wrong there."""

    site: Site
    faults: dict[int, str] = field(default_factory=dict)
    state: RobotState = field(default_factory=lambda: RobotState(
        START_S, START_S, BasePose(1.0, 1.0, 0.0), tuple((1e-4 * np.eye(3)).ravel()), (0.0, 0.0), False, True, False,
        float("inf"), 2.0, 0.35, 0.9))  # fmt: skip
    stop: str = ""
    said: list[tuple[Command, Observation | None]] = field(default_factory=list)
    journal: list[JournalEntry] = field(default_factory=list)
    #: seconds at full flame by weed, as it really happened
    heated: dict[str, list[float]] = field(default_factory=dict)

    def answer(self, command: Command) -> Observation:
        fault = self.faults.get(len(self.said), "")
        try:
            given = self._answer(command, fault)
        except RobotFaultError:
            self.said.append((command, None))
            raise
        self.said.append((command, given))
        return given

    def _answer(self, command: Command, fault: str) -> Observation:
        after = self.state.now_s + (command.seconds if isinstance(command, Heat) else 1.0)
        changes: dict[str, Any] = {"now_s": after, "stamp_s": after}
        heat, aims, ok, reason = None, (), True, ""
        if isinstance(command, Note):
            if fault == "failed":
                return Observation(None, False, "the disk is full")
            number = len(self.journal)
            self.journal.append(
                JournalEntry(number, self.state.now_s, command.event, command.weed_id, command.stop_id, command.data)
            )
            return Observation(None)
        if fault == "raised before":
            raise RobotFaultError("the base does not answer")
        if isinstance(command, Drive):
            self.stop, changes["base"] = command.stop_id, command.target
        elif isinstance(command, Reach):
            changes["joints_rad"] = command.aim_base_m
        elif isinstance(command, Light):
            changes["flame_lit"] = command.on if fault != "does not light" else not command.on
        elif isinstance(command, LookAgain):
            aims = self._aims(fault)
        elif isinstance(command, Heat):
            seconds = command.seconds * (0.4 if fault == "cut short" else 0.0 if fault == "not begun" else 1.0)
            assert self.state.flame_lit is True
            self.heated.setdefault(command.weed_id, []).append(seconds)
            assert self.state.gas_kg is not None
            changes["gas_kg"] = self.state.gas_kg - 1.2e-4 * seconds
            heat = HeatReport(seconds, 1.2e-4 * seconds, seconds == command.seconds, "" if seconds else "dead man")
            heat = {"no report": None, "nan": replace(heat, heated_s=float("nan")),
                    "too long": replace(heat, heated_s=99.0)}.get(fault, heat)  # fmt: skip
        broken = {
            "pressed": {"emergency_stop": True}, "stop unknown": {"emergency_stop": None},
            "released": {"dead_man_held": False}, "dead man unknown": {"dead_man_held": None},
            "person": {"nearest_person_m": 4.0}, "person unknown": {"nearest_person_m": None},
            "wind": {"wind_m_s": 9.0}, "wind nan": {"wind_m_s": float("nan")},
            "no gas": {"gas_kg": 0.02}, "gas unknown": {"gas_kg": None}, "battery": {"battery": 0.1},
            "stale": {"stamp_s": after - 60.0}, "backwards": {"now_s": after - 1e4, "stamp_s": after - 1e4},
            "flame unknown": {"flame_lit": None}, "flame out": {"flame_lit": False},
            "base nan": {"base_covariance": (float("nan"),) * 9}, "joints nan": {"joints_rad": (float("nan"), 0.0)},
            "expired": {"now_s": after + 1e6, "stamp_s": after + 1e6}, "lost": {"joints_rad": (0.0, 0.0)},
        }  # fmt: skip
        self.state = replace(self.state, **changes)
        if fault == "raised after":
            raise RobotFaultError("the arm does not answer")
        if fault in ("failed", "declined"):
            ok, reason = False, "no posture"
        shown = replace(self.state, **broken.get(fault, {}))
        return Observation(None if fault == "no state" else shown, ok, reason, fault == "declined", aims, heat)

    def _aims(self, fault: str) -> tuple[Aim, ...]:
        aims = [make_aim(w, *place) for w, place in HOLDS[self.stop].items()]
        first = aims[0]
        if fault == "unseen":
            aims[0] = replace(first, seen=False)
        elif fault == "vague":
            aims[0] = replace(first, covariance_m2=np.eye(2) * 0.03**2)
        elif fault == "spare after all":
            aims[0] = replace(first, kinds=(("daisy", 0.7), ("plantain", 0.3)))
        elif fault == "missing":
            aims = aims[1:]
        elif fault == "aim nan":
            aims[0] = replace(first, mean_m=np.array([np.nan, 0.0]))
        elif fault == "twice":
            aims.append(replace(first, mean_m=first.mean_m + 0.1))
        elif fault == "daisy beside":
            aims.append(make_aim("d2", *(first.mean_m + 0.02), kind="daisy"))
        return tuple(aims)


FAULTS = (
    "failed", "declined", "raised before", "raised after", "no state", "pressed", "stop unknown", "released",
    "dead man unknown", "person", "person unknown", "wind", "wind nan", "no gas", "gas unknown", "battery", "stale",
    "backwards", "flame unknown", "flame out", "base nan", "joints nan", "expired", "lost", "does not light",
    "cut short", "not begun", "no report", "nan", "too long", "unseen", "vague", "spare after all", "missing",
    "aim nan", "twice", "daisy beside",
)  # fmt: skip


def play(supervision: Any, machine: Machine) -> RoundRecord:
    """Drive a round to its end, throwing faults in as a driver does."""
    try:
        command = next(supervision)
        while True:
            try:
                answer = machine.answer(command)
            except RobotFaultError as fault:
                command = supervision.throw(fault)
            else:
                command = supervision.send(answer)
    except StopIteration as stop:
        record: RoundRecord = stop.value
        return record


@dataclass(frozen=True)
class Kit:
    """What the tests need, made once."""

    site: Site
    plan: Plan
    register: Register
    permit: Permit
    holds: dict[str, dict[str, tuple[float, float]]]
    faults: tuple[str, ...]
    machine: Callable[..., Machine]
    play: Callable[[Any, Machine], RoundRecord]
    make_plan: Callable[[tuple[Stop, ...]], Plan]
    make_hold: Callable[..., Hold]
    make_aim: Callable[..., Aim]
    make_permit: Callable[..., Permit]


@pytest.fixture(scope="session")
def kit() -> Kit:
    site = make_site()
    plan, register = make_round()
    return Kit(site, plan, register, make_permit(), HOLDS, FAULTS, lambda **k: Machine(site, **k), play, make_plan,
               make_hold, make_aim, make_permit)  # fmt: skip

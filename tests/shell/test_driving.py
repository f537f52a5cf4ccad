"""The driver against a robot of stub: the journal is on the disk before the machine moves, the flame goes out."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.errors import RobotFaultError, SiteError
from swardwright.domain.event import (
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
from swardwright.domain.frame import Detection
from swardwright.domain.poses import BasePose
from swardwright.domain.robot import GoingRobot, HeatReport, Picture, Robot, RobotState, TimedWay
from swardwright.domain.weed import Register, Weed
from swardwright.planning import posture_over
from swardwright.planning.motion import RETREAT_M, hindrances
from swardwright.shell.driving import Driver, load_robot
from swardwright.shell.site_file import load_site
from swardwright.shell.store import SiteStore

ASSETS = Path(__file__).parents[2] / "src" / "swardwright" / "simulation" / "assets"
STAND = BasePose(3.0, 4.0, 0.5)


class Stub:
    """A machine that does as told and writes down the order; ``fail`` is raised at the named call."""

    def __init__(self, rest: tuple[float, ...], fail: tuple[str, BaseException] | None = None) -> None:
        self.calls: list[str] = []
        self.now_s, self.joints, self.lit, self.fail = 100.0, rest, False, fail
        self.before_heat: Callable[[], None] = lambda: None

    def _call(self, name: str) -> RobotState:
        self.calls.append(name)
        self.now_s += 1.0
        if self.fail is not None and self.fail[0] == name:
            raise self.fail[1]
        covariance = tuple(float(v) for v in np.diag([1e-4, 1e-4, 1e-5]).ravel())
        return RobotState(self.now_s, self.now_s, STAND, covariance, self.joints, False, True, self.lit, math.inf,
                          1.0, 0.4, 0.9)  # fmt: skip

    def state(self) -> RobotState:
        return self._call("state")

    def drive_to(self, target: BasePose) -> RobotState:
        return self._call("drive")

    def move_arm(self, joints_rad: tuple[float, ...]) -> RobotState:
        self.joints = joints_rad
        return self._call("arm")

    def picture(self) -> Picture:
        return Picture(np.zeros((960, 1280, 3), np.uint8), self._call("picture"))

    def light(self, on: bool) -> RobotState:
        self.lit = on
        return self._call(f"light {on}")

    def heat(self, seconds: float) -> HeatReport:
        self.before_heat()
        self._call("heat")
        return HeatReport(seconds, 1e-4, True)

    def record_survey(self, lanes: Any, path: Path) -> None:
        raise AssertionError("a round records no survey")

    def wait(self, seconds: float) -> None:
        raise AssertionError("a round lets no time pass by itself")


class GoingStub(Stub):
    """A machine that also drives a whole way over time."""

    def __init__(self, rest: tuple[float, ...]) -> None:
        super().__init__(rest)
        self.ways: list[TimedWay] = []

    def move_through(self, way: TimedWay) -> RobotState:
        assert np.allclose(way.joints_rad[0], self.joints, atol=1e-12)  # it begins where the arm is
        self.ways.append(way)
        self.joints = tuple(way.joints_rad[-1].tolist())
        return self._call("way")


class Card:
    detection_probability, false_alarms_m2 = 0.9, 0.05

    def detection_bands(self) -> None:
        """No bands were measured."""


class Eye:
    """A detector that sees one clover where the crown of the register must project."""

    card = Card()

    def __init__(self, site: Any, crown_m: Any) -> None:
        self.site, self.crown_m, self.stub = site, crown_m, None

    def at_sampling(self, metres_per_px: float | None) -> Eye:
        assert metres_per_px is not None  # the look's own posture says it
        assert 1e-4 < metres_per_px < 2e-3
        return self

    def find(self, image: Any, frame_id: str) -> list[Detection]:
        rig = self.site.rig
        see = STAND.ground_from_base @ rig.arm.pose(np.array(self.stub.joints), rig.camera_link, "camera")
        u, v = rig.camera.project(see.inverse.apply(np.array([[*self.crown_m, 0.0]])))[0]
        if not (0 <= u < 1280 and 0 <= v < 960):
            return []
        return [Detection(f"{frame_id}#0", frame_id, float(u), float(v), 25.0, 0.97, (("clover", 1.0),))]


@pytest.fixture
def made(tmp_path: Path, story: Any) -> Any:
    for name in ("site.toml", "robot.urdf", "camera.yaml"):
        (tmp_path / name).write_bytes((ASSETS / name).read_bytes())
    site = load_site(tmp_path)
    crown = STAND.ground_from_base.apply(np.array([0.75, 0.0, 0.0]))[:2]
    register = Register(1, (Weed("w0001", crown, np.eye(2) * 1e-4, 0.03, 0.003, 0.95, (("clover", 1.0),)),))
    store = SiteStore(tmp_path, write=True)

    def driver(fail: tuple[str, BaseException] | None = None) -> tuple[Driver, Stub, SiteStore]:
        stub, eye = Stub(site.rig.rest_joints_rad, fail), Eye(site, crown)
        eye.stub = stub  # type: ignore[assignment]
        said: list[str] = []
        made = Driver(stub, site, replace(story.plan, id="round-1"), register, store, eye, said.append)  # type: ignore[arg-type]
        return made, stub, store

    yield driver
    store.close()


RECORD = RoundRecord("round-1", "p", 0.0, 1.0, (), (), (), 0.0, 0.0, True)


def script(answers: list[Observation], *commands: Any) -> Generator[Any, Observation, RoundRecord]:
    for command in commands:
        answers.append((yield command))
    return RECORD


def play(made: Any, *commands: Any, fail: Any = None) -> tuple[list[Observation], Stub, SiteStore]:
    driver, stub, store = made(fail)
    answers: list[Observation] = []
    with store.writer(one_transaction=False):
        assert driver.play(script(answers, *commands)) is RECORD
    return answers, stub, store


def test_every_command_is_carried_out_and_answered(made: Any) -> None:
    answers, stub, store = play(
        made, Note("round-started"), Report(), Rest(), Drive("s01", STAND), Light(True), Heat("w0001", 0.4),
        Light(False),
    )  # fmt: skip
    assert stub.calls == [
        "state",
        "state",
        "state",
        "arm",
        "state",
        "drive",
        "light True",
        "heat",
        "state",
        "light False",
    ]
    assert all(a.ok for a in answers)
    assert all(a.state is not None for a in answers[1:])
    heat = answers[5].heat
    assert heat is not None
    assert heat.heated_s == 0.4
    assert [e.event for e in store.journal("round-1")] == ["round-started"]
    assert store.journal()[0].at_s == 101.0  # the robot's clock


def test_the_intent_is_on_the_disk_before_the_flame(made: Any, tmp_path: Path) -> None:
    driver, stub, store = made()
    seen: list[list[str]] = []

    def look_from_outside() -> None:
        outside = SiteStore(tmp_path)
        seen.append([e.event for e in outside.journal("round-1")])
        outside.close()

    stub.before_heat = look_from_outside
    with store.writer(one_transaction=False):
        driver.play(script([], Note("heat-intent", "w0001"), Heat("w0001", 0.4), Note("heat-result", "w0001")))
    assert seen == [["heat-intent"]]
    assert [e.event for e in store.journal("round-1")] == ["heat-intent", "heat-result"]


def test_a_fresh_look_says_where_the_weed_is_in_base_axes(made: Any) -> None:
    (answer,), stub, _ = play(made, LookAgain("s01", ("w0001",)))
    (aim,) = [a for a in answer.aims if a.weed_id == "w0001"]
    assert aim.seen
    # truth: the crown was put 0.75 m ahead of the base; the camera sees it to a few millimetres
    assert np.linalg.norm(aim.mean_m - [0.75, 0.0]) < 0.004
    assert np.sqrt(np.trace(aim.covariance_m2) / 2) < 0.012
    assert stub.calls.count("picture") == 3


def test_a_look_takes_the_pictures_it_is_told_to(made: Any) -> None:
    rig = made()[0].site.rig
    between = tuple(0.5 * (a + b) for a, b in zip(*rig.look_joints_rad[:2], strict=True))
    (answer,), stub, _ = play(made, LookAgain("s01", ("w0001",), (between, between)))
    assert answer.ok
    assert stub.calls.count("picture") == 2
    assert np.allclose(stub.joints, between)


def test_a_posture_is_found_over_an_aim_and_none_out_of_reach(made: Any) -> None:
    (near, far), stub, _ = play(made, Reach("w0001", (0.75, 0.1)), Reach("w0001", (3.0, 0.0)))
    assert near.ok
    assert not far.ok
    assert far.declined
    assert 1 <= stub.calls.count("arm") <= 3  # lowered last, the second move found no way
    site = made()[0].site
    tip = site.rig.arm.forward(np.array(stub.joints), site.rig.head.link)
    assert np.hypot(*(tip[:2, 3] - [0.75, 0.1])) < 0.35  # the nozzle may lean, up to its tilt limit
    axis = tip[:3, 2]
    landing = tip[:3, 3] + axis * (tip[2, 3] / -axis[2])
    assert np.hypot(*(landing[:2] - [0.75, 0.1])) < 0.002


def test_from_point_to_point_of_a_ring_the_arm_goes_straight(made: Any) -> None:
    ring = ((0.78, 0.1), (0.735, 0.126), (0.735, 0.074))
    answers, stub, _ = play(
        made, Reach("w0001", ring[0], ring[1:]), Note("here"), Reach("w0001", ring[1]), Reach("w0001", ring[2]),
    )  # fmt: skip
    assert all(answer.ok for answer in answers)
    site = made()[0].site
    place = site.rig.arm.forward(np.array(stub.joints), site.rig.head.link) @ [*site.rig.head.working_point_m, 1.0]
    assert np.allclose(place[:3], (*ring[2], 0.0), atol=1e-3)
    assert stub.calls.count("arm") <= 3 + 2  # to the first by the lifted way, then one move each


def test_a_ring_with_a_point_out_of_reach_is_declined_and_the_arm_stays(made: Any) -> None:
    (answer,), stub, _ = play(made, Reach("w0001", (0.75, 0.1), ((0.78, 0.1), (3.0, 0.0))))
    assert not answer.ok
    assert answer.declined
    assert "a point of the ring" in answer.reason
    assert stub.calls.count("arm") == 0


def test_a_robot_that_goes_on_drives_whole_ways_as_they_were_checked(made: Any) -> None:
    """What is handed over is smooth: no stop on the way, joints within their speeds, no chord that strikes."""
    driver, _, store = made()
    rig = driver.site.rig
    stub = driver.robot = driver.detector.stub = GoingStub(rig.rest_joints_rad)
    assert isinstance(stub, GoingRobot)
    driver.__post_init__()
    commands = (LookAgain("s01", ("w0001",)), Reach("w0001", (0.75, 0.1)), Reach("w0002", (0.7, -0.2)), Rest())
    answers: list[Observation] = []
    with store.writer(one_transaction=False):
        driver.play(script(answers, *commands))
    assert all(answer.ok for answer in answers)
    assert "arm" not in stub.calls
    assert len(stub.ways) == len(rig.look_joints_rad) + 3
    assert np.allclose(stub.joints, rig.rest_joints_rad)
    for way in stub.ways:
        assert (np.diff(way.time_s) > 0.0).all()
        assert np.allclose(way.speed_rad_s[[0, -1]], 0.0)
        speed = np.abs(np.diff(way.joints_rad, axis=0)) / np.diff(way.time_s)[:, None]
        assert (speed <= rig.arm.velocity_rad_s * (1.0 + 1e-9)).all()
        assert not any(hindrances(rig, way.joints_rad[:-1], way.joints_rad[1:], lit=False, margin_m=-3e-4))
    between = stub.ways[-2]  # lifted, carried and lowered in one go: it stands nowhere but at its ends
    assert (np.abs(between.speed_rad_s[1:-1]).max(axis=1) > 0.0).all()


def test_a_look_begins_with_a_checked_way_from_wherever_the_arm_is(made: Any) -> None:
    """Broken off on the left, low: straight to the first look is no way known to be clear; the arm goes lifted."""
    driver, stub, store = made()
    rig = driver.site.rig
    low = posture_over(rig, (0.1, 0.6), rig.look_joints_rad[0])
    assert low is not None
    stub.joints = low
    answers: list[Observation] = []
    moves: list[tuple[float, ...]] = [low]
    real = stub.move_arm
    stub.move_arm = lambda joints: (moves.append(joints), real(joints))[1]
    with store.writer(one_transaction=False):
        driver.play(script(answers, LookAgain("s01", ("w0001",))))
    assert answers[0].ok
    assert len(moves) > 1 + len(rig.look_joints_rad)
    way = np.array(moves)
    assert not any(hindrances(rig, way[:-1], way[1:], lit=False, margin_m=0.0))
    lifted = rig.arm.forward(way[1], rig.head.link)[2, 3] - rig.arm.forward(way[0], rig.head.link)[2, 3]
    assert lifted == pytest.approx(RETREAT_M, abs=0.02)


def test_a_look_to_which_there_is_no_way_is_declined(made: Any) -> None:
    driver, stub, store = made()
    sunk = list(driver.site.rig.rest_joints_rad)
    sunk[1] += 2.0  # by its own report the arm stands in the ground
    stub.joints = tuple(sunk)
    answers: list[Observation] = []
    with store.writer(one_transaction=False):
        driver.play(script(answers, LookAgain("s01", ("w0001",))))
    assert not answers[0].ok
    assert answers[0].declined
    assert "look posture 1" in answers[0].reason
    assert "picture" not in stub.calls


def test_a_robot_fault_reaches_the_supervisor(made: Any) -> None:
    driver, _, store = made(("drive", RobotFaultError("a track slipped")))

    def round_() -> Generator[Any, Observation, RoundRecord]:
        with pytest.raises(RobotFaultError, match="slipped"):
            yield Drive("s01", STAND)
        yield Note("heard")
        return RECORD

    with store.writer(one_transaction=False):
        assert driver.play(round_()) is RECORD
    assert [e.event for e in store.journal()] == ["heard"]


@pytest.mark.parametrize("interruption", [KeyboardInterrupt(), RuntimeError("a bug"), OSError("disk full")])
def test_on_any_interruption_the_flame_is_put_out(made: Any, interruption: BaseException) -> None:
    driver, stub, store = made(("heat", interruption))
    with pytest.raises(type(interruption)), store.writer(one_transaction=False):
        driver.play(script([], Light(True), Note("heat-intent", "w0001"), Heat("w0001", 0.4)))
    assert stub.calls[-1] == "light False"
    assert not stub.lit
    assert [e.event for e in store.journal()] == ["heat-intent"]  # an intent without a result: unknown


def test_the_flame_is_put_out_even_when_lighting_it_failed(made: Any) -> None:
    driver, stub, store = made(("light True", KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt), store.writer(one_transaction=False):
        driver.play(script([], Light(True)))
    assert stub.calls[-1] == "light False"


def test_the_stub_keeps_the_protocol(made: Any) -> None:
    assert isinstance(made()[1], Robot)


@pytest.mark.parametrize(
    ("factory", "text", "word"),
    [
        ("", None, "no robot is named"),
        ("no_such_module:connect", None, "cannot be loaded"),
        ("half:absent", "x = 1", "cannot be loaded"),
        ("poor:connect", "def connect(folder, site):\n    return object()\n", "lacks calls"),
    ],
)
def test_a_factory_that_gives_no_robot(made: Any, tmp_path: Path, factory: str, text: str | None, word: str) -> None:
    if text is not None:
        (tmp_path / f"{factory.split(':')[0]}.py").write_text(text)
    site = replace(made()[0].site, robot_factory=factory)
    with pytest.raises(SiteError, match=word):
        load_robot(tmp_path, site)


def test_a_factory_may_lie_in_the_site_folder(made: Any, tmp_path: Path) -> None:
    (tmp_path / "my_machine.py").write_text(
        "from pathlib import Path\n"
        "class Machine:\n"
        "    def __init__(self, folder): self.folder = folder\n"
        "    def __getattr__(self, name): return lambda *a: None\n"
        "    state = drive_to = move_arm = picture = light = heat = record_survey = wait = lambda self, *a: None\n"
        "def connect(folder, site):\n"
        "    return Machine(folder)\n"
    )
    robot: Any = load_robot(tmp_path, replace(made()[0].site, robot_factory="my_machine:connect"))
    assert robot.folder == tmp_path

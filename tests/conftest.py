"""A made-up round on a made-up green, for tests of what is shown to people."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.event import JournalEntry, NotTreated, RoundRecord, Treated
from swardwright.domain.heat import Head
from swardwright.domain.outcome import Fate, Outcome
from swardwright.domain.permit import FireWeather, Permit, Weather
from swardwright.domain.plan import Hold, Plan, Refused, Stop, Supplies
from swardwright.domain.poses import BasePose
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
)
from swardwright.domain.weed import Register, Weed

URDF = """<robot name="stick"><link name="base_link"/><link name="head_tip"/><link name="camera_optical"/>
<joint name="lift" type="revolute"><parent link="base_link"/><child link="head_tip"/><axis xyz="0 1 0"/>
<limit lower="-1" upper="1" velocity="1"/></joint>
<joint name="eye" type="fixed"><parent link="head_tip"/><child link="camera_optical"/></joint></robot>"""


@dataclass(frozen=True)
class Story:
    """Everything that one finished round leaves behind."""

    site: Site
    register: Register
    plan: Plan
    permit: Permit
    record: RoundRecord
    journal: tuple[JournalEntry, ...]
    outcome: Outcome


def make_site(name: str = "Bowls club practice green", kinds: tuple[Kind, ...] | None = None) -> Site:
    camera = Camera(1280, 960, 900.0, 900.0, 640.0, 480.0, np.zeros(5), np.eye(4))
    head = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.4, 0.15, 3.0)
    rig = Rig(
        arm=arm_from_urdf(URDF),
        camera=camera,
        camera_link="camera_optical",
        head=head,
        base=Base(0.6, 0.5, 0.0, 60.0, 0.5, 0.5, 78.0, 50.0, 0.0, 0.2),
        power=Power(3.4e6, 0.8, 0.9, 60.0, 25.0),
        gas=Gas(2.0, 0.9, 0.005),
        errors=ErrorSources(1.2, 0.003, 0.005, 0.003, 9e-4, 4e-3, 0.006, 0.01, 9e-3, 0.01, 4e-3, 0.01, 0.012),
        look_joints_rad=((0.1,),),
        rest_joints_rad=(0.0,),
        survey_joints_rad=(0.2,),
    )
    limits = Limits(
        pose_age_s=0.2,
        kill_target=0.95,
        presence_min=0.5,
        hold_max_s=20.0,
        spare_dose_kg_m2=0.001,
        turf_dose_kg_m2=0.003,
        control_fraction=0.15,
        wind_max_m_s=4.0,
        fwi_max=12.0,
        ffmc_max=86.0,
        human_clear_m=10.7,
        aim_sigma_max_m=0.03,
        revisit_days=14.0,
        observation_age_s=1.0,
        gate_m=0.05,
        battery_reserve=0.2,
        gas_reserve=0.2,
    )
    return Site(
        name=name,
        invented=True,
        origin=Origin(51.5, -1.25, 80.0),
        start=BasePose(0.5, 0.5, 0.0),
        zones=(Zone("green", ((0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0))),),
        keep_outs=(
            KeepOut("pavilion", ((2.0, 8.4), (10.0, 8.4), (10.0, 10.0), (2.0, 10.0)), 0.9),
            KeepOut("hedge", ((-0.5, -1.0), (12.5, -1.0), (12.5, -0.4), (-0.5, -0.4)), 0.6),
            # clockwise on purpose: what is written out must be turned
            KeepOut("sprinkler box", ((8.6, 3.1), (8.6, 3.5), (9.0, 3.5), (9.0, 3.1)), 0.3),
        ),
        kinds=kinds
        or (
            Kind("dandelion", True, 0.005, 3.0, True, 1.0, "invented"),
            Kind("plantain", True, 0.004, 3.0, False, 1.0, "invented"),
            Kind("clover", True, 0.003, 3.0, False, 1.0, "invented"),
            Kind("woodrush", True, 0.0035, 3.0, False, 1.0, "invented"),
            Kind("daisy", False, 0.003, 3.0, False, 0.0, "invented"),
        ),
        rig=rig,
        limits=limits,
        topics=Topics(),
        detector="turf.onnx",
        robot_factory="swardwright.simulation:robot",
        camera_height_m=1.0,
    )


def make_register(site: Site, count: int, seed: int = 5) -> Register:
    rng = np.random.default_rng(seed)
    centres = rng.uniform((1.0, 1.0), (11.0, 7.0), (max(count // 10, 1), 2))
    weeds = []
    for i in range(count):
        sharp = rng.uniform(0.6, 1.0)
        order = [site.kinds[j].name for j in rng.permutation(len(site.kinds))]
        others = tuple((k, (1 - sharp) / (len(order) - 1)) for k in order[1:])
        root = rng.normal(0, 0.006, (2, 2)) + 0.004 * np.eye(2)
        place = centres[i % len(centres)] + rng.normal(0, 0.5, 2)
        weeds.append(
            Weed(
                id=f"w{i + 1:03d}",
                mean_m=np.clip(place, (0.1, 0.1), (11.9, 7.9)),
                covariance_m2=root @ root.T,
                radius_m=float(rng.uniform(0.012, 0.07)),
                radius_sd_m=0.004,
                presence=float(rng.uniform(0.7, 1.0)),
                kinds=((order[0], sharp), *others),
                looks=4,
            )
        )
    return Register(1, tuple(weeds))


def make_story(count: int = 120) -> Story:
    site = make_site()
    register = make_register(site, count)
    rng = np.random.default_rng(11)
    at_s = 1_778_569_200.0
    treat = [w for w in register.weeds if w.kind != "daisy"]
    controls = tuple(w.id for w in treat[::7])
    refused = tuple(Refused(w.id, "inside the stand-off of sprinkler box") for w in treat[3:6] if w.id not in controls)
    heat = [w for w in treat if w.id not in controls and w.id not in {r.item for r in refused}]
    stops, treated, journal = [], [], []
    xs, ys = np.linspace(1, 11, 7), (1.6, 4.0, 6.4)
    poses = [
        BasePose(float(x), y, 0.0 if j % 2 == 0 else math.pi) for j, y in enumerate(ys) for x in xs[:: 1 - 2 * (j % 2)]
    ]
    for i, pose in enumerate(poses):
        holds = tuple(
            Hold(w.id, (0.7, 0.0), (0.1,), float(4 + 0.1 * i), 6e-4, 0.955, 3e-3, 4.0) for w in heat[i :: len(poses)]
        )
        stops.append(Stop(f"s{i + 1:02d}", pose, holds))
        for hold in holds:
            treated.append(Treated(hold.weed_id, f"s{i + 1:02d}", hold.hold_s, hold.gas_kg, 0.0085, 0.95, 3e-3))
            for event in ("heat intended", "heat done"):
                entry = JournalEntry(len(journal) + 1, at_s + 20 * len(journal), event, hold.weed_id, f"s{i + 1:02d}",
                                     {"seconds": hold.hold_s, "ok": True})  # fmt: skip
                journal.append(entry)
    lost = treated.pop()
    supplies = Supplies(0.11, 0.07, 0.03, 1, 4.1e5, 0, 400.0, 900.0, 500.0, 2300.0, 42.0)
    route = ((0.5, 0.5), *((p.x_m, p.y_m) for p in poses))
    plan = Plan("round-1", 1, site.start, tuple(stops), len(stops) - 1, route, supplies, refused, controls)
    weather = Weather(at_s, 289.0, 0.62, 1.4, 0.0)
    permit = Permit("permit-1", "round-1", at_s, at_s + 14400, "A. Greenkeeper", weather,
                    FireWeather(71.0, 6.0, 40.0, 1.5, 8.0, 2.1), (("burn ban in force?", "no"),))  # fmt: skip
    record = RoundRecord("round-1", "permit-1", at_s, at_s + 2500, tuple(treated),
                         (NotTreated(lost.weed_id, lost.stop_id, "the flame went out and did not relight"),),
                         controls, 0.104, 3e-3 * len(treated), True)  # fmt: skip
    fates = [Fate(t.weed_id, True, "dead" if rng.random() < 0.93 else "alive") for t in treated]
    fates += [Fate(c, False, "dead" if i == 0 else "alive") for i, c in enumerate(controls)]
    dead = sum(f.fate == "dead" for f in fates if f.treated)
    rate = dead / len(treated)
    outcome = Outcome("round-1", 1, 2, len(treated), dead, len(controls), 1, rate, rate - 0.07, min(rate + 0.04, 1.0),
                      1 - (1 - rate) / (1 - 1 / len(controls)), tuple(fates), ("w900",))  # fmt: skip
    return Story(site, register, plan, permit, record, tuple(journal), outcome)


@pytest.fixture(scope="session")
def story() -> Story:
    return make_story()


@pytest.fixture(scope="session")
def planned_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented site's folder with a register of 14 plants, planned by the command, the plan's files beside it."""
    from click.testing import CliRunner

    from swardwright.shell.command_line import main
    from swardwright.shell.open_site import opened

    folder = tmp_path_factory.mktemp("planned") / "green"
    rng = np.random.default_rng(3)
    assert CliRunner().invoke(main, ["init", str(folder), "--invented", "--seed", "3"]).exit_code == 0
    with opened(folder, write=True) as at:
        kinds = [kind.name for kind in at.site.kinds]
        weeds = tuple(
            Weed(f"w{n:04d}", rng.uniform((1.0, 2.0), (4.0, 5.0)), 16e-6 * np.eye(2), 0.02, 0.002, 0.95,
                 ((kinds[n % len(kinds)], 0.97),))
            for n in range(14)
        )  # fmt: skip
        with at.store.writer():
            at.store.add_register(Register(1, weeds), made_by="locate", recordings=[])
    done = CliRunner().invoke(main, ["plan", str(folder), "--files"])
    assert done.exit_code == 0, done.output
    return folder

"""An invented site around the simulated machine's arm, for the planning tests."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import swardwright
from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.heat import Head
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

ASSETS = Path(swardwright.__file__).parent / "simulation" / "assets"
NAMES = ("dandelion", "plantain", "clover", "woodrush", "daisy")


class Make:
    """Builders; every number is invented."""

    def __init__(self) -> None:
        postures = json.loads((ASSETS / "postures.json").read_text())
        head = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, math.radians(25), 0.15, 3.0)
        degree = math.radians(1.0)
        self.rig = Rig(
            arm=arm_from_urdf((ASSETS / "robot.urdf").read_text()),
            camera=Camera(1280, 960, 900.0, 900.0, 639.5, 479.5, np.array([-0.12, 0.03, 5e-4, -5e-4, 0]), np.eye(4)),
            camera_link="camera_optical",
            head=head,
            base=Base(0.8, 0.56, 0.0, 85.0, 0.5, 0.6, 150.0, 80.0, 0.0, 0.2),
            power=Power(24 * 40 * 3600.0, 0.8, 0.9, 120.0, 45.0),
            gas=Gas(0.4, 0.9, 0.002),
            errors=ErrorSources(
                1.2,
                0.003,
                0.3 * degree,
                0.003,
                0.05 * degree,
                0.25 * degree,
                0.006,
                0.01,
                0.5 * degree,
                0.01,
                0.004,
                0.01,
                0.012,
            ),
            look_joints_rad=tuple(tuple(look) for look in postures["looks"]),
            rest_joints_rad=tuple(postures["rest"]),
            survey_joints_rad=tuple(postures["survey"]),
        )
        self.limits = Limits(
            pose_age_s=0.15, kill_target=0.95, presence_min=0.6, hold_max_s=6.0, spare_dose_kg_m2=5e-4,
            turf_dose_kg_m2=30e-4, control_fraction=0.15, wind_max_m_s=5.0, fwi_max=10.0, ffmc_max=85.0,
            human_clear_m=10.7, aim_sigma_max_m=0.02, revisit_days=14.0, observation_age_s=0.5, gate_m=0.05,
            battery_reserve=0.15, gas_reserve=0.1,
        )  # fmt: skip
        self.box = KeepOut("sprinkler box", ((3.2, 2.0), (3.5, 2.0), (3.5, 2.3), (3.2, 2.3)), 0.15)
        self.kinds = (
            Kind("dandelion", True, 45e-4, 3.0, True, 1.0, "invented"),
            Kind("plantain", True, 40e-4, 3.0, False, 1.0, "invented"),
            Kind("clover", True, 30e-4, 3.0, False, 1.0, "invented"),
            Kind("woodrush", True, 50e-4, 2.8, False, 1.0, "invented"),
            Kind("daisy", False, 25e-4, 3.0, False, 0.0, "invented"),
        )

    def site(self, size: tuple[float, float] = (6.0, 4.0), **changes: object) -> Site:
        w, h = size
        site = Site(
            "invented green", True, Origin(52.0, 3.0, 12.0), BasePose(-1.0, 0.5, 0.0),
            (Zone("green", ((0.0, 0.0), (w, 0.0), (w, h), (0.0, h))),), (self.box,), self.kinds, self.rig, self.limits,
            Topics(), "shipped", "module:factory", 1.0, 0.0,
        )  # fmt: skip
        return replace(site, **changes)  # type: ignore[arg-type]

    def weed(
        self, name: str, x: float, y: float, kind: str = "plantain", *, sure: float = 0.95, sd: float = 0.006,
        presence: float = 0.98,
    ) -> Weed:  # fmt: skip
        other = "clover" if kind != "clover" else "plantain"
        kinds = ((kind, sure), (other, 1.0 - sure))
        return Weed(name, np.array([x, y]), sd**2 * np.eye(2), 0.03, 0.004, presence, kinds)

    def register(self, count: int, size: tuple[float, float] = (6.0, 4.0), seed: int = 0) -> Register:
        rng = np.random.default_rng(seed)
        weeds = [
            self.weed(
                f"w{i:03d}", *(rng.uniform((0.05, 0.05), np.array(size) - 0.05)), NAMES[int(rng.integers(5))],
                sd=float(rng.uniform(0.003, 0.012)), presence=0.5 if i % 9 == 8 else 0.97,
            )
            for i in range(count)
        ]  # fmt: skip
        return Register(3, tuple(weeds))


@pytest.fixture(scope="session")
def make() -> Make:
    return Make()

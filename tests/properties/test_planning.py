"""Whatever the register: every weed comes out of the plan exactly once, and every bound is one."""

from __future__ import annotations

import json
import math
from collections import Counter
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

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
from swardwright.planning import plan_round

ASSETS = Path(swardwright.__file__).parent / "simulation" / "assets"
POSTURES = json.loads((ASSETS / "postures.json").read_text())
RIG = Rig(
    arm_from_urdf((ASSETS / "robot.urdf").read_text()),
    Camera(1280, 960, 900.0, 900.0, 639.5, 479.5, np.zeros(5), np.eye(4)), "camera_optical",
    Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.4, 0.15, 3.0),
    Base(0.8, 0.56, 0.0, 85.0, 0.5, 0.6, 150.0, 80.0, 0.0, 0.2), Power(3.4e6, 0.8, 0.9, 120.0, 45.0),
    Gas(0.4, 0.9, 0.002),
    ErrorSources(1.2, 0.003, 0.005, 0.003, 9e-4, 4e-3, 0.006, 0.01, 9e-3, 0.01, 4e-3, 0.01, 0.012),
    tuple(tuple(look) for look in POSTURES["looks"]), tuple(POSTURES["rest"]), tuple(POSTURES["survey"]),
)  # fmt: skip
LIMITS = Limits(0.15, 0.95, 0.6, 6.0, 5e-4, 30e-4, 0.15, 5.0, 10.0, 85.0, 10.7, 0.02, 14.0, 0.5, 0.05, 0.15, 0.1)
SITE = Site(
    "invented", True, Origin(52.0, 3.0, 0.0), BasePose(-1.0, 0.5, 0.0),
    (Zone("green", ((0.0, 0.0), (5.0, 0.0), (5.0, 3.0), (0.0, 3.0))),),
    (KeepOut("box", ((2.4, 1.4), (2.6, 1.4), (2.6, 1.6), (2.4, 1.6)), 0.1),),
    (Kind("plantain", True, 40e-4, 3.0, False, 1.0, "invented"),
     Kind("daisy", False, 25e-4, 3.0, False, 0.0, "invented")),
    RIG, LIMITS, Topics(), "shipped", "module:factory", 1.0,
)  # fmt: skip

WEED = st.tuples(
    st.floats(-0.5, 5.5), st.floats(-0.5, 3.5), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(1e-4, 0.2),
    st.sampled_from(["daisy", "moss"]),
)  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(WEED, max_size=14), st.integers(0, 2**32))
def test_no_weed_is_dropped_or_doubled(
    plants: list[tuple[float, float, float, float, float, str]], seed: int
) -> None:  # fmt: skip
    weeds = tuple(
        Weed(f"w{i}", np.array([x, y]), sd**2 * np.eye(2), 0.03, 0.005, presence,
             (("plantain", sure), (other, 1.0 - sure)) if sure >= 0.5 else ((other, 1.0 - sure), ("plantain", sure)))
        for i, (x, y, presence, sure, sd, other) in enumerate(plants)
    )  # fmt: skip
    plan = plan_round(Register(1, weeds), SITE, plan_id="r", seed=seed)
    held = [hold.weed_id for stop in plan.stops for hold in stop.holds]
    assert Counter([*held, *plan.controls, *(r.item for r in plan.refused)]) == Counter(w.id for w in weeds)
    assert all(refused.reason for refused in plan.refused)
    assert all(stop.holds for stop in plan.stops)
    assert min(1, len(plan.stops)) <= plan.stops_bound <= len(plan.stops)
    supplies = plan.supplies
    assert math.isfinite(supplies.time_s)
    assert supplies.gas_kg >= supplies.gas_hold_kg + supplies.gas_pilot_kg
    for weed in weeds:
        if weed.id in held:  # what is heated is believed to be there and one to treat, and lies off the keep-out
            assert weed.presence * dict(weed.kinds)["plantain"] >= LIMITS.presence_min
            assert not (2.4 <= weed.mean_m[0] <= 2.6 and 1.4 <= weed.mean_m[1] <= 1.6)

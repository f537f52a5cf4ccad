from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swardwright.domain.dwell import dwell_for
from swardwright.domain.pattern import CROWN_SHARE
from swardwright.domain.site import KeepOut
from swardwright.domain.weed import Register
from swardwright.planning.choose import choose, draw_controls, expected_covariance_m2, spared_dose_kg_m2, turned
from swardwright.planning.view import fresh_look_covariance_m2, ground_view_m, seen_at_stop


def _why(make: Any, *weeds: Any, **changes: Any) -> dict[str, str]:
    candidates, refused = choose(Register(1, weeds), make.site(**changes))
    assert len(candidates) + len(refused) == len(weeds)
    return {r.item: r.reason for r in refused} | {c.weed.id: "" for c in candidates}


@pytest.mark.parametrize(
    ("weed", "says"),
    [
        ({"presence": 0.5}, "not sure enough that it is there: probability 0.50, 0.60"),
        ({"kind": "daisy"}, "daisy is a kind to spare"),
        ({"kind": "daisy", "sure": 0.45}, "daisy is a kind to spare"),
        ({"kind": "moss"}, "'moss' is not one the site treats"),
        ({"kind": "plantain"}, ""),
    ],
)
def test_belief_decides(make: Any, weed: dict[str, Any], says: str) -> None:
    reason = _why(make, make.weed("w", 1.0, 1.0, **weed))["w"]
    assert says in reason
    assert bool(says) == bool(reason)


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        (3.3, 2.1, "inside the keep-out sprinkler box"),
        (3.3, 1.88, "too near the keep-out sprinkler box: 0.12 m"),
        # 0.157 m away, stand-off 0.15, known to 6 mm: 1.645 sigma nearer is within
        (3.3, 2.0 - 0.157, "too near the keep-out sprinkler box"),
        (3.3, 2.0 - 0.162, ""),
        (6.2, 2.0, "outside the zones"),
        (1.0, 1.0, ""),
    ],
)
def test_the_place_decides(make: Any, x: float, y: float, says: str) -> None:
    reason = _why(make, make.weed("w", x, y))["w"]
    assert says in reason
    assert bool(says) == bool(reason)


def test_a_vague_register_is_helped_by_the_fresh_look(make: Any) -> None:
    """The run looks again at each stop, so that only what a fresh look cannot place is refused."""
    assert _why(make, make.weed("w", 1.0, 1.0, sd=0.10))["w"] == ""
    poor = replace(make.rig, errors=replace(make.rig.errors, mount_rad=0.05))
    assert "the place is not known well enough" in _why(make, make.weed("w", 1.0, 1.0, sd=0.10), rig=poor)["w"]
    assert _why(make, make.weed("w", 1.0, 1.0, sd=0.005), rig=poor)["w"] == ""


def test_a_fresh_look_adds_up_the_sources_by_hand(make: Any) -> None:
    errors = replace(
        make.rig.errors, pixel_px=0.0, crown_m=0.003, mount_m=0.004, mount_rad=0.0, joint_rad=0.0, tilt_rad=0.0,
        ground_m=0.0,
    )  # fmt: skip
    assert np.allclose(fresh_look_covariance_m2(replace(make.rig, errors=errors)), 25e-6 * np.eye(2))
    errors = replace(errors, crown_m=0.0, mount_m=0.0, pixel_px=9.0)
    # 9 px at 900 px and 1 m height (look posture: 1.0 m to 1 %) are 10 mm
    assert np.allclose(fresh_look_covariance_m2(replace(make.rig, errors=errors)), 1e-4 * np.eye(2), rtol=0.03)


def test_the_dose_on_a_spared_neighbour_by_hand(make: Any) -> None:
    weed, daisy = make.weed("w", 1.0, 1.0), make.weed("d", 1.1, 1.0, "daisy")
    zero = np.zeros((2, 2))
    # 10 cm less 1.645 x 8 mm landing spread; 0.12 g/s for 2 s; Gaussian of 30 mm
    near = 0.1 - 1.645 * 0.008
    wanted = 1.2e-4 * 2.0 * math.exp(-(near**2) / (2 * 0.03**2)) / (2 * math.pi * 0.03**2)
    assert spared_dose_kg_m2(make.site(), weed, zero, daisy, zero, 2.0) == pytest.approx(wanted, rel=1e-9)
    # both covariances count, along the line between the two only
    across = np.diag([0.0, 1e-4])
    assert spared_dose_kg_m2(make.site(), weed, across, daisy, zero, 2.0) == pytest.approx(wanted, rel=1e-9)
    along = np.diag([1e-4, 0.0])
    assert spared_dose_kg_m2(make.site(), weed, along, daisy, zero, 2.0) == pytest.approx(
        spared_dose_kg_m2(make.site(), weed, zero, daisy, along, 2.0)
    )
    assert spared_dose_kg_m2(make.site(), weed, along, daisy, zero, 2.0) > wanted


def test_a_spared_plant_near_by_protects(make: Any) -> None:
    weed = make.weed("w", 1.0, 1.0)
    for away, protected in ((0.05, True), (0.30, False)):
        said = _why(make, weed, make.weed("d", 1.0 + away, 1.0, "daisy"))
        assert ("a plant to spare stands too near: d (daisy)" in said["w"]) is protected
    # a daisy hardly believed in does not
    assert _why(make, weed, make.weed("d", 1.05, 1.0, "daisy", presence=0.2))["w"] == ""


def test_spared_plants_far_off_are_left_out_of_the_search_and_no_near_one_is(make: Any) -> None:
    """By brute force: every pair of a weed and a daisy, with the pattern that was chosen."""
    rng = np.random.default_rng(8)
    weeds = tuple(
        make.weed(f"w{i}", *rng.uniform(0.5, 2.0, 2), "daisy" if i % 2 else "plantain",
                  sd=float(rng.uniform(0.002, 0.015)))
        for i in range(80)
    )  # fmt: skip
    site = make.site()
    fresh = fresh_look_covariance_m2(site.rig)
    candidates, refused = choose(Register(1, weeds), site)
    told = {r.item for r in refused if "a plant to spare stands too near" in r.reason}
    assert len(candidates) >= 3
    assert len(told) >= 3
    for c in candidates:
        doses = [
            spared_dose_kg_m2(site, c.weed, c.covariance_m2, daisy, expected_covariance_m2(daisy, fresh),
                              c.pattern.hold_s, turned(c.pattern.offsets_m, turn))
            for daisy in weeds[1::2] for turn in c.turns_rad
        ]  # fmt: skip
        assert max(doses) <= site.limits.spare_dose_kg_m2
    for weed in weeds[::2]:  # who is refused would give more even with one hold, the shortest that kills
        one = dwell_for(site.rig.head, site.kinds[1], expected_covariance_m2(weed, fresh), site.limits,
                        CROWN_SHARE * weed.radius_m)  # fmt: skip
        most = max(
            spared_dose_kg_m2(site, weed, expected_covariance_m2(weed, fresh), daisy,
                              expected_covariance_m2(daisy, fresh), one.hold_s) for daisy in weeds[1::2]
        )  # fmt: skip
        if weed.id in told:
            assert most > site.limits.spare_dose_kg_m2


def test_the_work_grows_with_the_weeds_and_not_with_their_square(make: Any, monkeypatch: Any) -> None:
    """At one density, the pairs of a weed and a spared plant that are looked at are so many a weed, however many."""
    from swardwright.planning import choose as module

    asked = 0
    dose = module.spared_dose_kg_m2

    def counting(*words: Any, **more: Any) -> float:
        nonlocal asked
        asked += 1
        return dose(*words, **more)

    monkeypatch.setattr(module, "spared_dose_kg_m2", counting)
    per_weed = []
    for count, width_m in ((300, 3.0), (1200, 12.0)):
        asked = 0
        site = make.site((width_m, 2.0), keep_outs=())
        choose(make.register(count, (width_m, 2.0), seed=1), site)
        per_weed.append(asked / count)
    assert 0.1 < per_weed[0] < 20.0
    assert per_weed[1] < 1.5 * per_weed[0]


def test_what_stops_the_whole_round_is_said_for_every_weed(make: Any) -> None:
    weed = make.weed("w", 1.0, 1.0)
    assert "too steep: 17 degrees" in _why(make, weed, slope_rad=0.3)["w"]
    no_flow = replace(make.rig, head=replace(make.rig.head, flow_kg_s=0.0))
    assert "flow is zero" in _why(make, weed, rig=no_flow)["w"]
    short = replace(make.limits, hold_max_s=0.2)
    assert "the dose is out of reach" in _why(make, weed, limits=short)["w"]


def test_controls_are_a_seeded_share() -> None:
    drawn = draw_controls(100, 0.15, np.random.default_rng(1))
    assert drawn.sum() == 15
    assert (drawn == draw_controls(100, 0.15, np.random.default_rng(1))).all()
    assert (drawn != draw_controls(100, 0.15, np.random.default_rng(2))).any()
    assert draw_controls(0, 0.15, np.random.default_rng(1)).sum() == 0
    assert draw_controls(7, 0.0, np.random.default_rng(1)).sum() == 0
    # every place is equally likely: 400 draws of 3 in 10, 120 +- 4 sigma (9.2) each
    counts = sum(draw_controls(10, 0.3, np.random.default_rng(s)).astype(int) for s in range(400))
    assert (np.abs(np.asarray(counts) - 120) < 37).all()


def test_the_view_on_the_ground_is_where_the_camera_projects_it(make: Any) -> None:
    corners = ground_view_m(make.rig, make.rig.survey_joints_rad, 0.0)
    camera_from_base = np.linalg.inv(make.rig.arm.forward(np.array(make.rig.survey_joints_rad), "camera_optical"))
    points = np.column_stack([corners, np.zeros(4), np.ones(4)]) @ camera_from_base.T
    pixels = make.rig.camera.project(points[:, :3])
    assert sorted({(round(u), round(v)) for u, v in np.round(pixels + 0.5)}) == [
        (0, 0),
        (0, 960),
        (1280, 0),
        (1280, 960),
    ]
    assert seen_at_stop(make.rig, np.array([[0.75, 0.0], [-0.9, 0.0]])).tolist() == [True, False]
    assert seen_at_stop(replace(make.rig, look_joints_rad=()), np.array([[-0.9, 0.0]])).all()


def test_a_keep_out_has_its_name_in_the_refusal(make: Any) -> None:
    pond = KeepOut("pond", ((0.5, 0.5), (1.5, 0.5), (1.5, 1.5), (0.5, 1.5)), 0.0)
    assert "pond" in _why(make, make.weed("w", 1.0, 1.0), keep_outs=(pond,))["w"]

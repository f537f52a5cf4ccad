"""A fresh look at a stop: aims relative to the base are right, honest, and better than register and odometry alone."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.poses import BasePose
from swardwright.domain.weed import Register
from swardwright.locating import locate, looks
from swardwright.merging import aims, merge
from swardwright.simulation.pixel_survey import Growth

TRUE = np.array([1.0, 0.5, 0.3])
SPREAD = np.diag([0.02**2, 0.02**2, 0.01**2])
BACK = np.array([[math.cos(0.3), math.sin(0.3)], [-math.sin(0.3), math.cos(0.3)]])


def look_again(survey: Any, plants: Growth, seed: int) -> tuple[BasePose, list[Frame], list[Any], list[Any]]:
    rng, rig = np.random.default_rng(seed), survey.rig
    base = BasePose(*(TRUE + rng.multivariate_normal(np.zeros(3), SPREAD)))
    tilt, ground = rng.normal(0, rig.errors.tilt_rad, 2), rng.normal(0, rig.errors.ground_m)
    frames, detections = [], []
    for i, posture in enumerate(rig.look_joints_rad):
        frame_id = f"round/s1-{i}"
        frames.append(Frame(frame_id, "round", i, "look", (1280, 960), base=base, base_covariance=SPREAD,
                            joints_rad=posture, stop="s1"))  # fmt: skip
        joints = np.array(posture) - rng.normal(0, rig.errors.joint_rad, len(posture))
        pixels = survey.truth.see(plants.seen_m - [0.0, 0.0, ground], TRUE, joints, tilt)
        pixels = pixels + rng.normal(0, rig.errors.pixel_px, pixels.shape)
        detections += [
            Detection(f"{frame_id}#{j}", frame_id, float(u), float(v), 25.0, 0.9, (("dandelion", 1.0),))
            for j, (u, v) in enumerate(pixels)
            if 20 < u < 1260 and 20 < v < 940 and rng.random() < 0.92
        ]
    seen = looks(frames, rig, detection_probability=0.92, false_alarms_m2=0.03)
    return base, frames, locate(frames, detections, rig), seen


def owners(register: Register, survey: Any) -> dict[str, int]:
    return {w.id: survey.owner[w.sightings[0]] for w in register.weeds if survey.owner[w.sightings[0]] >= 0}


def test_aims_are_honest_and_better_than_the_robots_belief(draw_survey: Callable[..., Any]) -> None:
    rng, total, stops = np.random.default_rng(1), 0.0, 30
    errors, carried = [], []
    for seed in range(stops):
        survey = draw_survey(500 + seed, length=2.4, plants=18)
        register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
        base, frames, sightings, seen = look_again(survey, survey.growth, seed)
        answer = aims(register, frames, sightings, seen, stop_id="s1", base=base, base_covariance=SPREAD)
        own = owners(register, survey)
        normalised = []
        for aim in answer:
            if aim.seen and aim.weed_id in own:
                plant = survey.plants[own[aim.weed_id]]
                d = aim.mean_m - BACK @ (plant - TRUE[:2])
                errors.append(d)
                normalised.append(float(d @ np.linalg.solve(aim.covariance_m2, d)))
                moved = BasePose(*base.as_array()).ground_from_base.inverse.apply(
                    np.array([*register.weed(aim.weed_id).mean_m, 0.0])
                )
                carried.append(moved[:2] - BACK @ (plant - TRUE[:2]))
        total += float(rng.choice(normalised))
    low, high = chi2.ppf([0.01, 0.99], 2 * stops)
    assert low < total < high
    assert np.square(errors).sum() < 0.25 * np.square(carried).sum()  # half the error or less


def test_a_plant_the_register_lacks_and_one_that_is_gone(draw_survey: Callable[..., Any]) -> None:
    survey = draw_survey(540, length=2.4, plants=18)
    register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    base, frames, _, seen = look_again(survey, survey.growth, 9)
    own = owners(register, survey)
    centre = np.mean([look.corners_m.mean(axis=0) for look in seen], axis=0)
    gone = min(own, key=lambda w: float(np.linalg.norm(survey.plants[own[w]] - centre)))
    fresh = centre + np.array([0.02, 0.21])
    assert np.linalg.norm(survey.plants - fresh, axis=1).min() > 0.05
    rest = survey.growth.without(own[gone])
    plants = Growth(np.vstack([rest.crowns_m, fresh]), np.vstack([rest.seen_m, [*fresh, 0.0]]))
    base, frames, sightings, seen = look_again(survey, plants, 9)
    answer = {
        a.weed_id: a
        for a in aims(
            register, frames, sightings, seen, stop_id="s1", base=base, base_covariance=SPREAD, weed_ids=[gone]
        )
    }
    assert not answer[gone].seen
    assert answer[gone].presence < register.weed(gone).presence
    new = [a for key, a in answer.items() if key.startswith("new-")]
    assert len(new) == 1
    assert np.linalg.norm(new[0].mean_m - BACK @ (fresh - TRUE[:2])) < 0.02


def test_without_a_sighting_the_registers_word_is_carried_over(draw_survey: Callable[..., Any]) -> None:
    survey = draw_survey(541, length=2.4, plants=10)
    register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    base, frames, sightings, _ = look_again(survey, survey.growth, 1)
    weed = register.weeds[0]
    (aim,) = aims(
        register, [], [], [], stop_id="s1", base=base, base_covariance=SPREAD, weed_ids=[weed.id], spare_ids=[]
    )
    expected = base.ground_from_base.inverse.apply(np.array([*weed.mean_m, 0.0]))[:2]
    assert not aim.seen
    assert np.allclose(aim.mean_m, expected, atol=1e-9)
    assert np.trace(aim.covariance_m2) > np.trace(weed.covariance_m2) + 2 * 0.02**2
    moved = [dataclasses.replace(f, base=BasePose(0, 0, 0)) for f in frames]
    for arguments, message in (
        ((register, moved, sightings, []), "own base pose"),
        ((register, [dataclasses.replace(f, stop="s2") for f in frames], sightings, []), "another stop"),
    ):
        with pytest.raises(InputError, match=message):
            aims(*arguments, stop_id="s1", base=base)
    with pytest.raises(InputError, match="no such weed"):
        aims(register, frames, sightings, [], stop_id="s1", base=base, weed_ids=["w9999"])

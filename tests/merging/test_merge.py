"""Merging on synthetic surveys: honesty, duplicates, identity, invariances, and a dense oracle."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Track
from swardwright.domain.site import ErrorSources
from swardwright.domain.weed import Register
from swardwright.merging import merge
from swardwright.merging import problem as problem_module
from swardwright.merging.joint import MergeSettings, join
from swardwright.merging.problem import PriorWeeds
from swardwright.merging.solve import MARGIN_M

ROUGHNESS_M = 0.008
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=math.radians(0.3), mount_m=0.003, joint_rad=math.radians(0.05),
    tilt_rad=math.radians(0.25), ground_m=0.006, start_m=0.01, start_rad=math.radians(0.5), odometry_per_m=0.01,
    yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012,
)  # fmt: skip
Draw = Callable[..., Any]


def judge(register: Register, survey: Any) -> dict[str, Any]:
    """Match by the truth's owners: duplicates, weeds of more than one plant, errors."""
    owners: dict[int, list[str]] = {}
    mixed, errors, normalised = 0, [], []
    for weed in register.weeds:
        plants = {survey.owner[s] for s in weed.sightings if survey.owner.get(s, -1) >= 0}
        mixed += len(plants) > 1
        if len(plants) == 1:
            j = plants.pop()
            owners.setdefault(j, []).append(weed.id)
            d = weed.mean_m - survey.plants[j]
            errors.append(d)
            normalised.append(float(d @ np.linalg.solve(weed.covariance_m2, d)))
    naive = [s.mean_m - survey.plants[survey.owner[s.id]] for s in survey.sightings if survey.owner[s.id] >= 0]
    return {
        "found": len(owners), "duplicates": sum(len(v) - 1 for v in owners.values()), "mixed": mixed,
        "rms_m": float(np.sqrt(np.mean(np.sum(np.square(errors), axis=1)))),
        "naive_m": float(np.sqrt(np.mean(np.sum(np.square(naive), axis=1)))), "nees": normalised, "owners": owners,
    }  # fmt: skip


def test_errors_are_honest_over_many_sites(draw_survey: Draw) -> None:
    """One randomly chosen weed per site (weeds of a site share errors): sum over sites is chi-square, 2 per site."""
    sites, rng, total, inside = 60, np.random.default_rng(0), 0.0, 0
    duplicates = mixed = plants = 0
    rms, naive = [], []
    for seed in range(sites):
        survey = draw_survey(1000 + seed, length=2.4, plants=16, fixes=seed % 2 == 0)
        result = judge(merge(None, survey.sightings, survey.looks, tracks=[survey.track]), survey)
        one = float(rng.choice(result["nees"]))
        total += one
        inside += one < chi2.ppf(0.95, 2)
        duplicates, mixed = duplicates + result["duplicates"], mixed + result["mixed"]
        plants += result["found"]
        rms.append(result["rms_m"])
        naive.append(result["naive_m"])
    low, high = chi2.ppf([0.025, 0.975], 2 * sites)
    assert low < total < high
    assert inside >= 0.89 * sites  # binomial: 95 % less 2.7 standard deviations
    assert duplicates + mixed <= 0.01 * plants
    assert np.mean(rms) < 0.7 * np.mean(naive)


def test_two_lanes_with_drift_come_out_without_duplicates(draw_survey: Draw) -> None:
    """No fixes: the second lane is several centimetres off the first, plants only 5 cm apart."""
    duplicates = mixed = found = 0
    for seed in range(4):
        survey = draw_survey(seed, length=4.8, plants=150, apart=0.05, fixes=False)
        result = judge(merge(None, survey.sightings, survey.looks, tracks=[survey.track]), survey)
        duplicates, mixed, found = (
            duplicates + result["duplicates"], mixed + result["mixed"], found + result["found"],
        )  # fmt: skip
        assert result["rms_m"] < result["naive_m"]
    assert found > 580
    assert duplicates + mixed <= 0.01 * found


def test_against_dense_least_squares(draw_survey: Draw, monkeypatch: pytest.MonkeyPatch) -> None:
    """Same association, every error a plain unknown, one dense system by NumPy: same means and covariances."""
    monkeypatch.setattr(problem_module, "PATTERN_M", 0.0)
    errors = dataclasses.replace(ERRORS, roughness_m=ROUGHNESS_M, joint_offset_rad=1e-3, plane_m=0.01)
    survey = draw_survey(77, length=1.6, plants=8, fixes=False, errors=errors)
    joint = join(survey.sightings, [survey.track], PriorWeeds.of(()), survey.looks, MergeSettings())
    n = len(joint.solution.crowns_m)
    keys: dict[tuple[str, str], tuple[int, np.ndarray]] = {}
    size = 3 * n  # crowns, then heights
    for frame_id in survey.track.frame_ids:
        keys[("base", frame_id)] = (size, np.zeros((3, 3)))
        size += 3
    for part in joint.parts:
        for source in part.sources:
            if source.key not in keys:
                keys[source.key] = (size, np.asarray(source.covariance))
                size += len(source.covariance)
    information, right = np.zeros((size, size)), np.zeros(size)
    information[2 * n : 3 * n, 2 * n : 3 * n] = np.eye(n)
    for (source, _), (at, covariance) in keys.items():
        if source != "base":
            information[at : at + len(covariance), at : at + len(covariance)] = np.linalg.inv(covariance)
    first = 3 * n
    for i, block in enumerate(survey.track.diagonal):
        a = slice(first + 3 * i, first + 3 * i + 3)
        information[a, a] += block
        if i:
            b = slice(first + 3 * i - 3, first + 3 * i)
            information[b, a] += survey.track.upper[i - 1]
            information[a, b] += survey.track.upper[i - 1].T
    for part in joint.parts:
        for i, k in enumerate(part.members):
            row = np.zeros((2, size))
            w = int(joint.weed_of[k])
            row[:, 2 * w : 2 * w + 2] = np.eye(2)
            row[:, 2 * n + w] = part.jacobian[i, :, -1]
            for source in part.sources:
                at = keys[source.key][0]
                row[:, at : at + len(source.covariance)] += part.jacobian[i][:, source.columns]
            weight = np.linalg.inv(part.local_m2[i] + 1e-8 * np.eye(2))
            information += row.T @ weight @ row
            right += row.T @ weight @ part.position_m[i]
    covariance = np.linalg.inv(information)
    mean = covariance @ right
    assert np.allclose(joint.solution.crowns_m, mean[: 2 * n].reshape(n, 2), atol=1e-7)
    for w in range(n):
        expected = covariance[2 * w : 2 * w + 2, 2 * w : 2 * w + 2]
        assert np.allclose(joint.solution.covariance_m2[w], expected, rtol=1e-5)
    crowns = joint.solution.crowns_m
    gaps = np.linalg.norm(crowns[:, None] - crowns[None], axis=2) + 9.0 * np.eye(n)
    a, b = np.unravel_index(np.argmin(gaps), gaps.shape)
    assert gaps[a, b] < 2 * MARGIN_M
    between = joint.solution.between(np.array([a]), np.array([b]))[0]
    assert np.allclose(between, covariance[2 * a : 2 * a + 2, 2 * b : 2 * b + 2], rtol=1e-4, atol=1e-10)


def test_corrected_base_poses_are_better_than_the_track(draw_survey: Draw) -> None:
    before, after = 0.0, 0.0
    for seed in range(6):
        survey = draw_survey(700 + seed, length=3.2, plants=40, fixes=True)
        register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
        true = dict(zip(survey.track.frame_ids, survey.true_bases, strict=True))
        believed = dict(zip(survey.track.frame_ids, survey.track.poses, strict=True))
        for frame_id, pose in register.base_poses:
            before += float(np.sum((believed[frame_id].as_array()[:2] - true[frame_id][:2]) ** 2))
            after += float(np.sum((pose.as_array()[:2] - true[frame_id][:2]) ** 2))
    assert after < before


def test_order_does_not_matter(draw_survey: Draw) -> None:
    survey = draw_survey(5, length=2.0, plants=14, fixes=False)
    first = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    rng = np.random.default_rng(1)
    for _ in range(3):
        again = merge(
            None,
            [survey.sightings[i] for i in rng.permutation(len(survey.sightings))],
            [survey.looks[i] for i in rng.permutation(len(survey.looks))],
            tracks=[survey.track],
        )
        assert [w.id for w in again.weeds] == [w.id for w in first.weeds]
        for a, b in zip(first.weeds, again.weeds, strict=True):
            assert np.array_equal(a.mean_m, b.mean_m)
            assert a.sightings == b.sightings
            assert a.presence == b.presence


def test_covariances_are_positive_and_never_two_of_one_frame(draw_survey: Draw) -> None:
    survey = draw_survey(6, length=4.0, plants=120, apart=0.02, fixes=False)
    register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    for weed in register.weeds:
        assert np.linalg.eigvalsh(weed.covariance_m2).min() > 0
        assert weed.shared_m is not None
        own = weed.covariance_m2 - weed.shared_m @ weed.shared_m.T
        assert np.linalg.eigvalsh(own).min() > 0
        frames = [s.split("#")[0] for s in weed.sightings]
        assert len(frames) == len(set(frames))
        assert sum(p for _, p in weed.kinds) == pytest.approx(1.0)
        assert 0.0 < weed.presence < 1.0


def test_a_second_visit_keeps_identities_and_adds_no_information_twice(draw_survey: Draw) -> None:
    one = draw_survey(11, length=3.2, plants=24, name="first")
    register = merge(None, one.sightings, one.looks, tracks=[one.track])
    before = judge(register, one)
    two = draw_survey(12, length=3.2, plants=one.growth, name="second")
    after = merge(register, two.sightings, two.looks, tracks=[two.track])
    assert after.revision == register.revision + 1
    owner = {**one.owner, **two.owner}
    same = 0
    again = {j: ids for j, ids in before["owners"].items() if j in two.owner.values()}
    for j, (weed_id, *_) in again.items():
        weed = after.weed(weed_id)
        later = [s for s in weed.sightings if s.startswith("second")]
        same += bool(later) and all(owner[s] == j for s in later)
    assert len(again) > 0.8 * len(before["owners"])
    assert same >= 0.95 * len(again)
    # the earlier weeds' common error stays: a second visit of the same quality at best halves the variance
    spread = [np.trace(w.covariance_m2) for w in register.weeds]
    spread_after = [np.trace(after.weed(w.id).covariance_m2) for w in register.weeds]
    assert np.median(np.array(spread_after) / np.array(spread)) > 0.4
    with pytest.raises(InputError, match="count it twice"):
        merge(after, two.sightings, two.looks, tracks=[two.track])


def test_two_visits_are_honest(draw_survey: Draw) -> None:
    total, sites, rng = 0.0, 40, np.random.default_rng(2)
    for seed in range(sites):
        one = draw_survey(2000 + seed, length=1.6, plants=10, name="first", fixes=False)
        two = draw_survey(3000 + seed, length=1.6, plants=one.growth, name="second", fixes=False)
        register = merge(None, one.sightings, one.looks, tracks=[one.track])
        after = merge(register, two.sightings, two.looks, tracks=[two.track])
        two.owner |= one.owner
        total += float(rng.choice(judge(after, two)["nees"]))
    low, high = chi2.ppf([0.01, 0.99], 2 * sites)
    assert low < total < high


def test_a_dead_plant_loses_belief_and_a_missed_one_does_not(draw_survey: Draw) -> None:
    one = draw_survey(21, length=2.4, plants=12, name="first", alarms_m2=0.0)
    register = merge(None, one.sightings, one.looks, tracks=[one.track])
    owners = judge(register, one)["owners"]
    dead = max(owners, key=lambda j: len(register.weed(owners[j][0]).sightings))
    two = draw_survey(22, length=2.4, plants=one.growth.without(dead), name="second", alarms_m2=0.0)
    after = merge(register, two.sightings, two.looks, tracks=[two.track])
    assert register.weed(owners[dead][0]).presence > 0.8
    assert after.weed(owners[dead][0]).presence < 0.2
    assert any(owners[dead][0] in note and "gone" in note for note in after.notes)
    rest = [after.weed(ids[0]).presence for j, ids in owners.items() if j != dead]
    assert np.mean(np.array(rest) > 0.5) > 0.9


def test_plants_twice_as_dense_as_the_drift(draw_survey: Draw) -> None:
    """Nearest-neighbour matching on raw positions makes duplicates here: the reason for all this."""
    survey = draw_survey(3, length=4.8, plants=60, apart=0.05, fixes=False)
    register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    result = judge(register, survey)
    groups: list[list[np.ndarray]] = []
    for s in survey.sightings:
        if survey.owner[s.id] < 0:
            continue
        near = [g for g in groups if np.linalg.norm(np.mean(g, axis=0) - s.mean_m) < 0.03]
        (near[0] if near else groups.append([]) or groups[-1]).append(s.mean_m)  # type: ignore[func-returns-value]
    assert len(groups) > result["found"] * 1.1
    assert result["duplicates"] == 0


def test_empty_and_lost(draw_survey: Draw) -> None:
    assert merge(None, [], []).weeds == ()
    survey = draw_survey(5, length=1.2, plants=4)
    register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    same = merge(register, [], [])
    assert [w.id for w in same.weeds] == [w.id for w in register.weeds]
    assert np.allclose([w.mean_m for w in same.weeds], [w.mean_m for w in register.weeds])
    untied = Track(survey.track.frame_ids, survey.track.poses, 0 * survey.track.diagonal, 0 * survey.track.upper)
    with pytest.raises(InputError, match="tied to the ground by nothing"):
        merge(None, survey.sightings, survey.looks, tracks=[untied])
    with pytest.raises(InputError, match="same id"):
        merge(None, [*survey.sightings, survey.sightings[0]], survey.looks, tracks=[survey.track])


def test_error_free_input_is_solved_exactly(draw_survey: Draw) -> None:
    tiny = ErrorSources(*[1e-7] * 13)
    survey = draw_survey(8, length=1.6, plants=8, errors=dataclasses.replace(tiny, start_m=1e-4), alarms_m2=0.0)
    register = merge(None, survey.sightings, survey.looks, tracks=[survey.track])
    result = judge(register, survey)
    assert result["duplicates"] == result["mixed"] == 0
    assert result["rms_m"] < 2e-3  # the camera's own K error is left
    assert math.isfinite(sum(result["nees"]))

"""Stated covariances against drawn drives (``benchmarks/_track_cases.py``): Monte Carlo with chi-square bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks._track_cases import ERRORS, SCENARIOS, WITH_SCALE, Drawn, draw, joint_nees, smoothed
from scipy.stats import chi2

from swardwright.domain.chain import cut_track
from swardwright.domain.errors import RecordingError

RUNS = 60


def bounds(runs: int, dof: int) -> np.ndarray:
    """95 % bounds of the mean of ``runs`` chi-square variables, per degree of freedom."""
    return np.asarray(chi2.ppf([0.025, 0.975], runs * dof) / (runs * dof))


@pytest.mark.parametrize("name", SCENARIOS)
def test_joint_covariance_is_honest(name: str) -> None:
    """Normalised error squared of the whole track, shared errors included, and of what the cut track says of half."""
    what, whole, half, ends = SCENARIOS[name], 0.0, 0.0, 0.0
    for seed in range(RUNS):
        result, off = smoothed(draw(np.random.default_rng([3, seed]), what), what.errors)
        whole += joint_nees(result, off)
        cut = cut_track(result.track, result.track.frame_ids[::2])
        assert cut is not None
        half += joint_nees(replace(result, track=cut), off[::2])
        ends += float(off[-1] @ np.linalg.solve(result.covariances[-1], off[-1]))
    for total, dof in ((whole, off.size), (half, off[::2].size), (ends, 3)):
        low, high = bounds(RUNS, dof)
        assert low < total / (RUNS * dof) < high, (name, total / (RUNS * dof))


def test_without_the_scale_in_the_model_the_errors_are_not_honest() -> None:
    """The check above can fail: wheels that count 2 % wrong, and a model that knows nothing of it."""
    what = SCENARIOS["odometry with scale"]
    ends = []
    for seed in range(RUNS):
        result, off = smoothed(draw(np.random.default_rng([3, seed]), what), ERRORS)
        ends.append([off[i] @ np.linalg.solve(result.covariances[i], off[i]) for i in (8, -1)])
    # at the far end of the lane, 6 m away: 12 cm against some 3 cm; back at the start the error is gone
    assert np.mean(ends, axis=0)[0] > 2.0 * 3.0 * bounds(RUNS, 3)[1]


def test_scale_is_learnt_where_fixes_show_it() -> None:
    what = SCENARIOS["all"]
    off = []
    for seed in range(20):
        case = draw(np.random.default_rng([5, seed]), what)
        result, _ = smoothed(case, what.errors)
        told = result.estimate("odometry scale")
        assert told is not None
        assert told.sigma < 0.25 * what.errors.odometry_scale
        off.append((told.value - case.scale) / told.sigma)
    low, high = bounds(20, 1)
    assert low < np.mean(np.square(off)) < high


def test_a_gyro_whose_bias_wanders_leaves_the_errors_cautious() -> None:
    """In-run bias of 10 deg/h with a memory of 100 s beside a quiet gyro: never overconfident."""
    what = Drawn(gyro_noise_rad_s=0.002, bias_wander_rad_s=float(np.deg2rad(10.0) / 3600.0))
    total = 0.0
    for seed in range(30):
        result, off = smoothed(draw(np.random.default_rng([6, seed]), what), what.errors)
        total += joint_nees(result, off) / off.size
    assert 0.6 < total / 30 < bounds(30, off.size)[1]


@pytest.mark.parametrize("stated_s", [0.0, 5.0], ids=["judged", "stated"])
def test_fixes_whose_errors_wander_do_not_make_it_overconfident(stated_s: float) -> None:
    """Most of a fix's error lasts 5 s (reflections). Independent fixes would be claimed to be several times better."""
    what = Drawn(fix_rate_hz=5.0, fix_wander_m=0.011, fix_wander_s=5.0, lane_m=10.0)
    errors = replace(ERRORS, fix_memory_s=stated_s)
    blind = replace(ERRORS, fix_memory_s=1e-3)
    honest, naive = [], []
    for seed in range(16):
        case = draw(np.random.default_rng([7, seed]), what)
        result, off = smoothed(case, errors)
        honest.append(np.mean(np.einsum("ni,nij,nj->n", off, np.linalg.inv(result.covariances), off)))
        if stated_s:
            result, off = smoothed(case, blind)
            naive.append(np.mean(np.einsum("ni,nij,nj->n", off, np.linalg.inv(result.covariances), off)))
        else:
            assert any("last about" in note for note in result.notes())
    # poses of one run share the wander: the mean over a run has about as many degrees of freedom as three poses
    assert 0.4 * 3.0 < np.mean(honest) < 3.0 * bounds(16, 9)[1]
    if stated_s:
        assert np.mean(naive) > 6.0


def test_independent_fixes_are_not_taken_for_wandering_ones() -> None:
    what = Drawn(fix_rate_hz=5.0, lane_m=10.0)
    factors = []
    for seed in range(10):
        result, _ = smoothed(draw(np.random.default_rng([8, seed]), what), what.errors)
        factors.append(result.fix_memory_s)
    assert np.count_nonzero(factors) <= 1


@pytest.mark.parametrize("late_s", [0.21, -0.12, 0.0])
def test_planted_lateness_of_fixes_is_found(late_s: float) -> None:
    what = Drawn(fix_rate_hz=5.0, fix_late_s=late_s)
    off, places = [], []
    for seed in range(10):
        result, errors_m = smoothed(draw(np.random.default_rng([9, seed]), what), what.errors)
        told = result.estimate("lateness of fixes")
        assert told is not None
        assert told.sigma < 0.02
        off.append((told.value - late_s) / told.sigma)
        places.append(np.hypot(*errors_m[:, :2].T).max())
        if late_s:
            word = "late" if late_s > 0 else "early"
            assert any("fixes are" in note and word in note for note in result.notes())
    assert np.mean(np.square(off)) < chi2.ppf(0.999, 10) / 10  # ten draws; 40 draws gave a mean of 1.2
    assert max(places) < 0.04  # 0.21 s at 0.4 m/s not taken into account: 8 cm


def test_fixes_on_another_clock_are_refused() -> None:
    case = draw(np.random.default_rng(1), Drawn(fix_rate_hz=5.0, fix_late_s=1.6))
    with pytest.raises(RecordingError, match="different clocks"):
        smoothed(case, ERRORS)


@pytest.mark.parametrize("late_s", [0.08, -0.05, 0.0])
def test_planted_lateness_of_the_gyro_is_found(late_s: float) -> None:
    what = Drawn(gyro_noise_rad_s=0.005, gyro_late_s=late_s)
    off = []
    for seed in range(8):
        result, _ = smoothed(draw(np.random.default_rng([10, seed]), what), what.errors)
        told = result.gyro_late
        assert told is not None
        assert abs(told.late_s - late_s) < 0.02
        assert told.applied == (late_s != 0.0)
        off.append((told.late_s - late_s) / told.sigma_s)
    assert np.mean(np.square(off)) < 2.0 * bounds(8, 1)[1]


def test_a_gyro_on_another_clock_is_said_so() -> None:
    result, _ = smoothed(draw(np.random.default_rng(2), Drawn(gyro_noise_rad_s=0.005, gyro_late_s=1.0)), WITH_SCALE)
    assert any("apart in time" in note for note in result.notes())

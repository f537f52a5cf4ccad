"""What must hold for any drive: the smoother does not care where the odometry's axes lie, nor how the track is cut."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from benchmarks._track_cases import ERRORS, Drawn, dense_covariance, draw, smoothed
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.chain import cut_track
from swardwright.footage.streams import Timed

SCALED = replace(ERRORS, odometry_scale=0.02, turn_scale=0.02)
CASE = draw(np.random.default_rng(4), Drawn(errors=SCALED, gyro_noise_rad_s=0.01, fix_rate_hz=1.0, lane_m=3.0))


@settings(max_examples=10, deadline=None)
@given(st.floats(-100, 100), st.floats(-100, 100), st.floats(-math.pi, math.pi))
def test_the_odometrys_own_axes_do_not_matter(x: float, y: float, yaw: float) -> None:
    here, _ = smoothed(CASE, SCALED)
    rows, (c, s) = CASE.odometry.values, (math.cos(yaw), math.sin(yaw))
    moved = np.column_stack(
        [x + c * rows[:, 0] - s * rows[:, 1], y + s * rows[:, 0] + c * rows[:, 1], rows[:, 2] + yaw]
    )
    there, _ = smoothed(replace(CASE, odometry=Timed(CASE.odometry.stamps_ns, moved)), SCALED)
    for one, other in zip(here.track.poses, there.track.poses, strict=True):
        np.testing.assert_allclose(one.as_array(), other.as_array(), atol=1e-6)
    np.testing.assert_allclose(here.covariances, there.covariances, rtol=1e-4, atol=1e-10)


@settings(max_examples=20, deadline=None)
@given(st.sets(st.integers(0, 7), min_size=1))
def test_a_cut_track_keeps_its_joint_covariance(kept: set[int]) -> None:
    """Cutting is marginalising: the covariance of what is kept does not change, shared errors included."""
    result, _ = smoothed(CASE, SCALED)
    whole = dense_covariance(result.track)
    chosen = sorted(i for i in kept if i < len(result.track.poses))
    cut = cut_track(result.track, [result.track.frame_ids[i] for i in chosen])
    if cut is None:
        return
    rows = np.concatenate([np.arange(3 * i, 3 * i + 3) for i in chosen])
    np.testing.assert_allclose(dense_covariance(cut), whole[np.ix_(rows, rows)], rtol=1e-5, atol=1e-10)
    for i, covariance in enumerate(result.covariances):
        np.testing.assert_allclose(covariance, whole[3 * i : 3 * i + 3, 3 * i : 3 * i + 3], rtol=1e-5, atol=1e-10)
        assert np.linalg.eigvalsh(covariance)[0] > 0

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from swardwright.domain.chain import solve_chain
from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import BasePose, wrap_angle
from swardwright.domain.site import Origin
from swardwright.footage.clock import interpolate, timed, usable
from swardwright.footage.motion import drive
from swardwright.footage.pose_chain import ChainProblem, solve_banded
from swardwright.footage.standing import inside, standing
from swardwright.footage.streams import Timed
from swardwright.footage.track import smooth

ORIGIN = Origin(48.0, 11.0, 500.0)
START = BasePose(2.0, 3.0, 0.4)


def drive_there_and_back(rng, errors, *, fix_rate=0.0, gyro_noise=0.0, bias=0.0, gyro_still_s=0.0):
    """One drawn drive whose errors are those that ``ErrorSources`` states, written here independently of the package.

    Returns true poses at picture times, odometry, gyro and fixes.
    """
    import pymap3d

    dt = 0.05
    speed = np.concatenate([np.zeros(round(gyro_still_s / dt)), np.full(240, 0.4), np.zeros(30), np.full(240, 0.4)])
    turn = np.zeros(len(speed))
    turn[-270:-240] = math.pi / (30 * dt)
    start = START.as_array() + rng.normal(size=3) * [errors.start_m, errors.start_m, errors.start_rad]
    true, told = [start], [np.array([10.0, -5.0, 2.0])]
    for v, w in zip(speed, turn, strict=True):
        ds, da = v * dt, w * dt

        def move(p, ahead, side, da):
            middle = p[2] + da / 2
            c, s = math.cos(middle), math.sin(middle)
            return p + np.array([c * ahead - s * side, s * ahead + c * side, da])

        true.append(move(true[-1], ds, 0.0, da))
        q = errors.odometry_per_m * math.sqrt(ds)
        qa = math.sqrt(errors.yaw_per_m**2 * ds + errors.yaw_per_rad**2 * abs(da))
        told.append(move(told[-1], ds + q * rng.normal(), q * rng.normal(), da + qa * rng.normal()))
    true, told = np.array(true), np.array(told)
    stamps = (np.arange(len(true)) * dt * 1e9).astype(np.int64) + 10**18
    rate = np.concatenate([turn, [0.0]]) + bias
    gyro = None
    if gyro_noise:
        # a gyro that reports the mean rate since its last sample: trapezoids of it are exact up to noise
        values = rate + gyro_noise * rng.normal(size=len(rate))
        gyro = Timed(stamps, np.column_stack([values, np.full(len(rate), gyro_noise**2)]))
    fixes = None
    if fix_rate:
        every = round(1 / (fix_rate * dt))
        xy = true[::every, :2] + errors.fix_m * rng.normal(size=(len(true[::every]), 2))
        lat, lon, up = pymap3d.enu2geodetic(xy[:, 0], xy[:, 1], 0.0, 48.0, 11.0, 500.0)
        unknown = np.full((len(xy), 3), np.nan)
        fixes = Timed(stamps[::every], np.column_stack([lat, lon, up, unknown]))
    shots = np.arange(20, len(true) - 5, 21)
    return true[shots], stamps[shots], Timed(stamps, told), gyro, fixes


def error_of(smoothed, true):
    off = np.array([p.as_array() for p in smoothed.track.poses]) - true
    off[:, 2] = [wrap_angle(a) for a in off[:, 2]]
    return off


def run(kit, rng, **options):
    true, stamps, odometry, gyro, fixes = drive_there_and_back(rng, kit.ERRORS, **options)
    ids = tuple(f"f{i}" for i in range(len(stamps)))
    smoothed = smooth(odometry, gyro, fixes, ids, stamps, start=START, origin=ORIGIN, errors=kit.ERRORS, where="test")
    return smoothed, error_of(smoothed, true)


def test_gyro_makes_the_heading_better(kit):
    with_gyro, without = [], []
    for seed in range(12):
        options = {"gyro_noise": 0.0005, "bias": 0.02, "gyro_still_s": 8.0}
        _, off = run(kit, np.random.default_rng([9, seed]), **options)
        with_gyro.append(off[-1, 2] - off[0, 2])
        _, off = run(kit, np.random.default_rng([9, seed]))
        without.append(off[-1, 2] - off[0, 2])
    assert np.std(with_gyro) < 0.6 * np.std(without)


def test_smoother_agrees_with_dense_least_squares(kit):
    """The same problem given whole to SciPy's dense solver, with numerical Jacobians."""
    rng = np.random.default_rng(4)
    n = 12
    steps = np.column_stack([np.full(n - 1, 0.4), np.zeros(n - 1), rng.normal(0, 0.3, n - 1)])
    roots = rng.normal(size=(n - 1, 3, 3)) * 5 + 30 * np.eye(3)
    fix_nodes = np.array([2, 7, 7, 11])
    problem = ChainProblem(
        steps, roots.transpose(0, 2, 1) @ roots, 3, np.array([1.0, 2.0, 3.0]), np.diag([100.0, 100.0, 400.0]),
        fix_nodes, rng.normal(size=(4, 2)), np.repeat(25.0 * np.eye(2)[None], 4, axis=0),
        np.zeros((n - 1, 3, 0)), np.zeros((4, 2, 0)), np.zeros(0), np.zeros((0, 0)),
    )  # fmt: skip

    def residuals(flat):
        p = flat.reshape(-1, 3)
        out = []
        for i in range(n - 1):
            c, s = math.cos(p[i, 2]), math.sin(p[i, 2])
            dx, dy = p[i + 1, :2] - p[i, :2]
            r = np.array([c * dx + s * dy, -s * dx + c * dy, p[i + 1, 2] - p[i, 2]]) - steps[i]
            r[2] = wrap_angle(r[2])
            out.append(roots[i] @ r)
        out.append(np.sqrt([100.0, 100.0, 400.0]) * (p[3] - [1.0, 2.0, 3.0]))
        for node, place in zip(fix_nodes, problem.fix_places, strict=True):
            out.append(5.0 * (p[node, :2] - place))
        return np.concatenate(out)

    solved = problem.solve()
    poses, diagonal, upper = solved.poses, solved.diagonal, solved.upper
    dense = least_squares(residuals, problem.first_guess().ravel(), xtol=1e-14, ftol=1e-14, gtol=1e-12)
    np.testing.assert_allclose(poses.ravel(), dense.x, atol=1e-6)
    assert problem.normal(poses, np.zeros(0)).cost == pytest.approx(2.0 * dense.cost, rel=1e-9)
    information = dense.jac.T @ dense.jac
    for i in range(n):
        np.testing.assert_allclose(diagonal[i], information[3 * i : 3 * i + 3, 3 * i : 3 * i + 3], rtol=1e-4, atol=0.1)
    for i in range(n - 1):
        np.testing.assert_allclose(upper[i], information[3 * i : 3 * i + 3, 3 * i + 3 : 3 * i + 6], rtol=1e-4, atol=0.1)


def test_relative_covariance_agrees_with_monte_carlo(kit):
    """First-order covariance of a bent drive against 4,000 drawn ones."""
    rng = np.random.default_rng(2)
    t = np.arange(81) * 0.05
    yaw = 0.8 * np.sin(t)
    place = np.concatenate(
        [np.zeros((1, 2)), np.cumsum(0.02 * np.column_stack([np.cos(yaw), np.sin(yaw)])[:-1], axis=0)]
    )
    stream = Timed((t * 1e9).astype(np.int64), np.column_stack([place, yaw]))
    way = drive(stream, None, np.zeros(0), 0, kit.ERRORS, "test")
    _, covariance, _ = way.relative(np.array([0, 80]))
    ends = []
    for _ in range(4000):
        e = rng.normal(size=(80, 3)) * np.sqrt(np.column_stack([way.place_var, way.place_var, way.yaw_var]))
        drift = np.concatenate([[0.0], np.cumsum(e[:, 2])])
        step = np.diff(place, axis=0) + e[:, :2]
        turned = 0.5 * (drift[1:] + drift[:-1])
        c, s = np.cos(turned), np.sin(turned)
        ends.append([np.sum(c * step[:, 0] - s * step[:, 1]), np.sum(s * step[:, 0] + c * step[:, 1]), drift[-1]])
    # 4,000 draws: relative standard error of a variance 2.2 %
    scale = np.sqrt(np.diag(covariance[0]))
    np.testing.assert_allclose(np.cov(np.array(ends).T) / np.outer(scale, scale),
                               covariance[0] / np.outer(scale, scale), atol=0.1)  # fmt: skip


def test_a_wild_fix_is_left_out(kit):
    true, stamps, odometry, _, fixes = drive_there_and_back(np.random.default_rng(1), kit.ERRORS, fix_rate=5.0)
    fixes.values[50, 0] += 1e-5  # 1.1 m north
    ids = tuple(f"f{i}" for i in range(len(stamps)))
    smoothed = smooth(odometry, None, fixes, ids, stamps, start=START, origin=ORIGIN, errors=kit.ERRORS, where="t")
    assert smoothed.fixes_refused == 1
    assert np.abs(error_of(smoothed, true)[:, :2]).max() < 0.05


def test_a_gyro_upside_down_is_not_believed(kit):
    rng = np.random.default_rng(1)
    _, stamps, odometry, gyro, _ = drive_there_and_back(rng, kit.ERRORS, gyro_noise=0.0005, gyro_still_s=8.0)
    assert gyro is not None
    wrong = Timed(gyro.stamps_ns, gyro.values * [-1.0, 1.0])
    ids = tuple(f"f{i}" for i in range(len(stamps)))
    smoothed = smooth(odometry, wrong, None, ids, stamps, start=START, origin=ORIGIN, errors=kit.ERRORS, where="t")
    assert not smoothed.gyro_used
    assert "contradicts the wheels" in smoothed.gyro_note


def stand_and_drive(rate_of):
    """Ten seconds still by the wheels, then ten of driving; the gyro at 50 Hz says ``rate_of(t)``."""
    own = np.arange(401) * 0.05
    raw = np.zeros((401, 3))
    raw[200:, 0] = 0.02 * np.arange(201)
    at = np.arange(1001) * 0.02
    return own, raw, at, rate_of(at)


def test_bias_is_learnt_while_standing(kit):
    rng = np.random.default_rng(3)
    own, raw, at, rate = stand_and_drive(lambda t: 0.02 + 0.001 * rng.normal(size=len(t)))
    odometry = Timed((own * 1e9).astype(np.int64), raw)
    gyro = Timed((at * 1e9).astype(np.int64), np.column_stack([rate, np.full(len(at), 1e-6)]))
    way = drive(odometry, gyro, np.zeros(0), 0, kit.ERRORS, "t")
    i = way.shared.index("gyro bias")
    sigma = math.sqrt(np.linalg.inv(way.information)[i, i])
    # white noise alone over ten seconds: 0.001 * sqrt(0.02 / 10) = 4.5e-5 rad/s; the bias wanders besides
    assert 4.5e-5 < sigma < 5e-4
    assert abs(way.values[i] - 0.02) < 4 * sigma


def test_stands_are_found(kit):
    rng = np.random.default_rng(3)
    own, raw, at, rate = stand_and_drive(lambda t: 0.02 + 0.001 * rng.normal(size=len(t)))
    found = standing(own, raw, at, rate, 1e-6)
    np.testing.assert_allclose(found.periods_s, [[0.0, 9.95]], atol=0.06)
    assert found.carried_s.size == 0
    assert inside(found.periods_s, np.array([5.0, 15.0])).tolist() == [True, False]


def test_a_base_that_is_turned_by_hand_does_not_stand_still(kit):
    rng = np.random.default_rng(3)
    own, raw, at, rate = stand_and_drive(lambda t: 0.3 * ((t > 4) & (t < 6)) + 0.001 * rng.normal(size=len(t)))
    found = standing(own, raw, at, rate, 1e-6)
    assert found.periods_s.size == 0
    assert len(found.carried_s) == 1
    odometry = Timed((own * 1e9).astype(np.int64), raw)
    gyro = Timed((at * 1e9).astype(np.int64), np.column_stack([rate, np.full(len(at), 1e-6)]))
    way = drive(odometry, gyro, np.zeros(0), 0, kit.ERRORS, "t")
    assert way.poses[-1, 2] == pytest.approx(0.6, abs=0.03)  # 0.3 rad/s for 2 s: the gyro is believed, not the wheels


def test_false_alarms_of_the_stand_detector(kit):
    """True stands called turns: at most the stated rate, here with the noise stated exactly (400 stands)."""
    rng = np.random.default_rng(5)
    own = np.arange(41) * 0.05
    at = np.arange(101) * 0.02
    missed = sum(
        len(standing(own, np.zeros((41, 3)), at, 0.01 + 0.001 * rng.normal(size=101), 1e-6).carried_s)
        for _ in range(400)
    )
    assert missed <= 2  # 400 * 1e-3 = 0.4 expected at most; three or more has probability 0.8 %


def test_odometry_that_jumps_is_an_error(kit):
    rng = np.random.default_rng(1)
    _, stamps, odometry, _, _ = drive_there_and_back(rng, kit.ERRORS)
    odometry.values[200:, 0] += 5.0
    with pytest.raises(RecordingError, match="odometry jumps"):
        smooth(odometry, None, None, ("a",), stamps[:1], start=START, origin=ORIGIN, errors=kit.ERRORS, where="t")


def test_freshness_needs_a_near_sample_and_no_gap():
    times = np.array([0.0, 0.1, 0.2, 5.0, 5.1])
    at = np.array([-0.05, -0.2, 0.05, 0.2, 0.25, 2.0, 4.95, 5.05, 5.15, 5.3])
    assert usable(times, at, 0.1).tolist() == [True, False, True, True, False, False, False, True, True, False]


def test_interpolation_is_straight_inside_and_outside():
    times, values = np.array([0.0, 1.0, 3.0]), np.array([[0.0], [2.0], [0.0]])
    assert interpolate(times, values, np.array([-1.0, 0.5, 2.0, 4.0])).ravel().tolist() == [-2.0, 1.0, 1.0, -1.0]


def test_equal_stamps_count_once_and_unset_stamps_are_an_error():
    stream = timed([5, 5, 7], [[1.0], [2.0], [3.0]], 1, "t")
    assert stream is not None
    assert stream.values.ravel().tolist() == [1.0, 3.0]
    with pytest.raises(RecordingError, match="carry no time"):
        timed([0, 0, 0], [[1.0]] * 3, 1, "t")
    assert timed([], [], 1, "t") is None


def test_banded_cholesky_agrees_with_block_elimination():
    rng = np.random.default_rng(6)
    for n in (1, 2, 9):
        roots = rng.normal(size=(n, 3, 3))
        diagonal = roots @ roots.transpose(0, 2, 1) + 9.0 * np.eye(3)
        upper, right = rng.normal(size=(n - 1, 3, 3)), rng.normal(size=(n, 3, 4))
        np.testing.assert_allclose(solve_banded(diagonal, upper, right), solve_chain(diagonal, upper, right), rtol=1e-9)

"""Jacobians of the base-pose chain and its shared errors against central differences."""

from __future__ import annotations

import itertools

import numpy as np

from swardwright.domain.site import ErrorSources
from swardwright.footage.motion import drive
from swardwright.footage.pose_chain import ChainProblem
from swardwright.footage.streams import Timed
from swardwright.footage.turning import GyroSteps, turning


def problem(rng, n=4, k=3, stretched=False):
    roots = rng.normal(size=(n - 1, 3, 3)) + 4 * np.eye(3)
    return ChainProblem(
        rng.normal(size=(n - 1, 3)) * 0.4, roots.transpose(0, 2, 1) @ roots, 1,
        rng.normal(size=3), np.diag([3.0, 4, 5.0]),
        np.array([0, 3]), rng.normal(size=(2, 2)), np.array([[[2.0, 0.5], [0.5, 1.0]]] * 2),
        rng.normal(size=(n - 1, 3, k)), rng.normal(size=(2, 2, k)), rng.normal(size=k), np.diag([1.0, 2.0, 3.0][:k]),
        stretched,
    )  # fmt: skip


def slopes(function, at, step=1e-6):
    """Central differences of ``function`` by each element of ``at``; the last axis is that element."""
    out = []
    for i in range(at.size):
        up, down = at.copy(), at.copy()
        up.flat[i] += step
        down.flat[i] -= step
        out.append((function(up) - function(down)) / (2 * step))
    return np.stack(out, axis=-1)


def test_links_by_either_pose_and_by_shared_errors():
    rng = np.random.default_rng(0)
    for i in range(6):
        chain = problem(rng, stretched=i > 2)
        poses, shared = rng.normal(size=(4, 3)) * 0.5, rng.normal(size=3) * 0.1
        _, earlier, later, by_shared = chain.links(poses, shared)
        slope = slopes(lambda p, c=chain, s=shared: c.links(p, s)[0], poses).reshape(3, 3, 4, 3)
        for i in range(3):
            np.testing.assert_allclose(earlier[i], slope[i, :, i], atol=1e-7)
            np.testing.assert_allclose(later[i], slope[i, :, i + 1], atol=1e-7)
        slope = slopes(lambda s, c=chain, p=poses: c.links(p, s)[0], shared)
        np.testing.assert_allclose(by_shared, slope, atol=1e-7)


def test_gradients_of_the_cost():
    rng = np.random.default_rng(1)
    chain = problem(rng, stretched=True)
    poses, shared = rng.normal(size=(4, 3)) * 0.5, rng.normal(size=3) * 0.1
    here = chain.normal(poses, shared)
    slope = slopes(lambda p: np.array(chain.normal(p, shared).cost), poses).reshape(4, 3)
    np.testing.assert_allclose(2.0 * here.gradient, slope, rtol=1e-5, atol=1e-5)
    slope = slopes(lambda s: np.array(chain.normal(poses, s).cost), shared)
    np.testing.assert_allclose(2.0 * here.corner_gradient, slope, rtol=1e-5, atol=1e-5)


def test_steps_by_shared_errors():
    """Loadings of the drive between nodes: the whole fusion repeated with the readings changed by each error."""
    rng = np.random.default_rng(2)
    t = np.arange(201) * 0.05
    rate = 0.4 * np.sin(0.7 * t) + 0.1
    yaw = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * 0.05)])
    ahead = 0.02 * np.column_stack([np.cos(yaw), np.sin(yaw)])
    place = np.concatenate([np.zeros((1, 2)), np.cumsum(0.5 * (ahead[1:] + ahead[:-1]), axis=0)])
    errors = ErrorSources(1.0, 0.003, 0.005, 0.003, 0.001, 0.004, 0.006, 0.01, 0.0087, 0.01, 0.004, 0.01, 0.012,
                          odometry_scale=0.02, turn_scale=0.03)  # fmt: skip
    stamps = (t * 1e9).astype(np.int64)
    gyro = Timed(stamps, np.column_stack([rate + 0.0003 * rng.normal(size=201), np.full(201, 1e-5)]))
    way = drive(Timed(stamps, np.column_stack([place, yaw])), gyro, np.zeros(0), 0, errors, "t")
    nodes = np.array([0, 60, 110, 200])
    _, _, loads = way.relative(nodes)
    assert way.shared == ("odometry scale", "turn scale", "gyro bias", "gyro scale")

    def steps_with(shared):
        """The way's own small steps, changed and added up anew."""
        d = np.diff(way.poses, axis=0)
        half = way.poses[:-1, 2] + 0.5 * d[:, 2]
        c, s = np.cos(half), np.sin(half)
        own = np.column_stack([c * d[:, 0] + s * d[:, 1], -s * d[:, 0] + c * d[:, 1]])
        turn = d[:, 2] + way.yaw_loads @ shared
        out = []
        for a, b in itertools.pairwise(nodes):
            heading = np.concatenate([[0.0], np.cumsum(turn[a:b])])
            h = heading[:-1] + 0.5 * turn[a:b]
            out.append([np.sum(np.cos(h) * own[a:b, 0] - np.sin(h) * own[a:b, 1]),
                        np.sum(np.sin(h) * own[a:b, 0] + np.cos(h) * own[a:b, 1]), heading[-1]])  # fmt: skip
        return np.array(out)

    slope = slopes(steps_with, np.zeros(4), 1e-5)
    # the way is laid along straight chords of each small step: third order of 0.025 rad turns
    np.testing.assert_allclose(loads, slope, rtol=2e-3, atol=2e-4)


def test_turns_by_shared_errors():
    """Wheels and gyro that really are wrong by these errors give turns that the loadings mend (a steady turn)."""
    true = np.full(30, 0.05)
    seconds, wheel_var, gyro_var = np.full(30, 0.05), np.full(30, 1e-5), np.full(30, 2e-5)
    errors = ErrorSources(1.0, 0.003, 0.005, 0.003, 0.001, 0.004, 0.006, 0.01, 0.0087, 0.01, 0.004, 0.01, 0.012,
                          turn_scale=0.03)  # fmt: skip

    def left(shared):
        wheels = true * (1 + shared[0])
        gyro = GyroSteps(true * (1 + shared[2]) + shared[1] * seconds, gyro_var, 0.05)
        told = turning(wheels, wheel_var, seconds, gyro, errors)
        return told.steps + told.loads @ (shared - told.values) - true

    # loadings are by the turn as counted, (1 + k) of the true one: second order, 1e-4 of a turn of 0.05 at this step
    np.testing.assert_allclose(slopes(left, np.zeros(3), 1e-4), 0.0, atol=1e-5)

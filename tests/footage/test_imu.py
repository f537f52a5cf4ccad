"""Imu messages: REP-145, REP-103 and the comments of ``sensor_msgs/Imu`` (recalled from memory)."""

from __future__ import annotations

import math
from types import SimpleNamespace as Made
from typing import Any

import numpy as np
import pytest

from swardwright.domain.poses import quaternion_from_rotation, rotation_from_rpy
from swardwright.footage.imu import Imu, imu_row, in_base_axes, rotation_between, static_links, tilt_at_rest
from swardwright.footage.motion import followed
from swardwright.footage.streams import Timed

STAND = np.array([[0.0, 10.0]])


def vector(*values: float) -> Any:
    return Made(**dict(zip("xyzw", values, strict=False)))


def message(
    rate: tuple[float, ...] = (0.1, 0.2, 0.3), force: tuple[float, ...] = (0.0, 0.0, 9.81),
    turn: tuple[float, ...] = (0.0, 0.0, 0.0, 1.0),
) -> Any:  # fmt: skip
    """An Imu message without orientation (covariance -1), its other covariances not known."""
    return Made(
        angular_velocity=vector(*rate), linear_acceleration=vector(*force), orientation=vector(*turn),
        angular_velocity_covariance=np.zeros(9), linear_acceleration_covariance=np.zeros(9),
        orientation_covariance=np.array([-1.0, *[0.0] * 8]),
    )  # fmt: skip


def streams(*messages: Any, turn: Any = None) -> Imu:
    rows = [imu_row(m) for m in messages]
    assert all(r is not None for r in rows)
    stamps = (np.arange(len(rows)) * 1e7).astype(np.int64)
    return in_base_axes(Timed(stamps, np.array(rows, dtype=float)), np.eye(3) if turn is None else turn)


def test_minus_one_means_absent() -> None:
    assert imu_row(message()) is not None
    absent = message()
    absent.angular_velocity_covariance = np.array([-1.0, *[0.0] * 8])
    assert imu_row(absent) is None
    assert streams(message()).tilt is None  # orientation absent
    no_force = message()
    no_force.linear_acceleration_covariance = np.array([-1.0, *[0.0] * 8])
    assert streams(no_force).force is None


def test_all_zeros_mean_not_known() -> None:
    gyro = streams(message()).gyro
    assert gyro is not None
    assert gyro.values.tolist() == [[0.3, 0.0]]  # variance 0: the smoother takes the datasheet's


def test_rates_are_turned_to_base_axes() -> None:
    """A sensor whose x axis is up: the base's turning is its x rate, with the variance of that axis."""
    told = message(rate=(0.5, 0.0, 0.0))
    told.angular_velocity_covariance = np.diag([4e-6, 1e-6, 1e-6]).ravel()
    base_from_imu = rotation_from_rpy((0.0, -math.pi / 2, 0.0))
    gyro = streams(told, turn=base_from_imu).gyro
    assert gyro is not None
    np.testing.assert_allclose(gyro.values, [[0.5, 4e-6]], atol=1e-12)


@pytest.mark.parametrize(("roll", "pitch"), [(0.0, 0.0), (0.05, 0.0), (0.0, -0.08), (-0.03, 0.1)])
def test_tilt_from_gravity_and_from_orientation(roll: float, pitch: float) -> None:
    """Specific force at rest is +9.81 along the ground's up (REP-145), seen in the tilted base's axes."""
    ground_from_base = rotation_from_rpy((roll, pitch, 1.0))
    force = ground_from_base.T @ [0.0, 0.0, 9.81]
    told, wrong = tilt_at_rest(streams(*[message(force=tuple(force))] * 9), 0, STAND)
    assert told is not None
    assert not wrong
    assert (told.roll_rad, told.pitch_rad) == pytest.approx((roll, pitch), abs=1e-12)
    w, x, y, z = quaternion_from_rotation(ground_from_base)
    told, _ = tilt_at_rest(streams(*[_oriented((x, y, z, w))] * 9), 0, STAND)
    assert told is not None
    assert told.source == "orientation"
    assert (told.roll_rad, told.pitch_rad) == pytest.approx((roll, pitch), abs=1e-12)


def _oriented(turn: tuple[float, ...]) -> Any:
    told = message(turn=turn)
    told.orientation_covariance = np.zeros(9)
    return told


def test_an_orientation_that_is_never_anything_but_none_is_none() -> None:
    assert streams(*[_oriented((0.0, 0.0, 0.0, 1.0))] * 5).tilt is None


@pytest.mark.parametrize(("force", "word"), [((0.0, 0.0, -9.81), "upside down"), ((0.0, 0.0, 1.0), "units of g"),
                                             ((0.0, 0.0, 14.0), "not 9.81")])  # fmt: skip
def test_an_accelerometer_that_breaks_the_convention_is_named(force: tuple[float, ...], word: str) -> None:
    told, wrong = tilt_at_rest(streams(*[message(force=force)] * 9), 0, STAND)
    assert told is None
    assert word in wrong


def test_no_stand_no_tilt() -> None:
    assert tilt_at_rest(streams(message(), message()), 0, np.zeros((0, 2))) == (None, "")


def links(*rows: tuple[str, str, tuple[float, float, float]]) -> dict[str, Any]:
    def one(parent: str, child: str, rpy: Any) -> Any:
        w, x, y, z = quaternion_from_rotation(rotation_from_rpy(rpy))
        return Made(header=Made(frame_id=parent), child_frame_id=child, transform=Made(rotation=vector(x, y, z, w)))

    return static_links([Made(transforms=[one(*row) for row in rows])])


def test_axes_are_joined_through_the_tree() -> None:
    tree = links(("base_link", "mast", (0.1, 0.2, 0.3)), ("/mast", "imu", (0.0, 1.0, 0.0)),
                 ("base_link", "wheel", (0.4, 0.0, 0.0)))  # fmt: skip
    wanted = rotation_from_rpy((0.1, 0.2, 0.3)) @ rotation_from_rpy((0.0, 1.0, 0.0))
    np.testing.assert_allclose(rotation_between(tree, "base_link", "imu"), wanted, atol=1e-12)
    np.testing.assert_allclose(rotation_between(tree, "imu", "base_link"), wanted.T, atol=1e-12)
    np.testing.assert_allclose(
        rotation_between(tree, "wheel", "/imu"), rotation_from_rpy((0.4, 0.0, 0.0)).T @ wanted, atol=1e-12
    )
    assert rotation_between(tree, "base_link", "elsewhere") is None
    np.testing.assert_allclose(rotation_between({}, "base_link", ""), np.eye(3))


def test_a_ring_of_transforms_ends() -> None:
    ring = links(("a", "b", (0.0, 0.0, 1.0)), ("b", "a", (0.0, 0.0, 1.0)))
    assert rotation_between(ring, "base_link", "a") is None


def test_axes_that_nothing_joins_are_said(kit: Any, tmp_path: Any) -> None:
    log = kit.Log(with_gyro=True, imu_axes="imu_link")
    footage = kit.take_in(kit.write_log(tmp_path / "a", log))
    assert any("no recorded transform joins the Imu's axes (imu_link)" in note for note in footage.notes)


def test_odometry_that_fills_only_its_twist_is_added_up() -> None:
    t = np.arange(101) * 0.1
    twist = np.tile([0.5, 0.0, 0.1], (101, 1))
    rows = Timed((t * 1e9).astype(np.int64), np.column_stack([np.zeros((101, 3)), twist]))
    way = followed(rows)
    assert way is not None
    # a circle of radius 5 m, 1 rad of it; mid headings: chord to arc 1 - 0.01^2 / 24
    np.testing.assert_allclose(way.values[-1], [5 * math.sin(1), 5 * (1 - math.cos(1)), 1.0], rtol=1e-5)
    moving = Timed(rows.stamps_ns, np.column_stack([t, t, t, twist]))
    kept = followed(moving)
    assert kept is not None
    np.testing.assert_array_equal(kept.values, moving.values[:, :3])

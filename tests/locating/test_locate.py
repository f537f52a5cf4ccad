"""Locating: covariance against Monte Carlo, misses, bad input, looks, own camera poses."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.poses import BasePose, Pose, rotation_from_rpy, rotation_from_vector
from swardwright.domain.site import ErrorSources, Rig
from swardwright.domain.uncertainty import Scope
from swardwright.locating import EDGE_SHARE, locate, locate_counted, looks

ASSETS = Path(__file__).parents[2] / "src" / "swardwright" / "simulation" / "assets"
ERRORS = ErrorSources(1.2, 0.003, math.radians(0.3), 0.003, math.radians(0.05), math.radians(0.25), 0.006, 0.01,
                      math.radians(0.5), 0.01, 0.004, 0.01, 0.012)  # fmt: skip
KINDS = (("dandelion", 1.0),)


@pytest.fixture(scope="module")
def rig() -> Rig:
    info = yaml.safe_load((ASSETS / "camera.yaml").read_text())
    k = info["camera_matrix"]["data"]
    camera = Camera(1280, 960, k[0], k[4], k[2], k[5], np.array(info["distortion_coefficients"]["data"]),
                    np.array(info["covariance_fx_fy_cx_cy"]).reshape(4, 4))  # fmt: skip
    postures = json.loads((ASSETS / "postures.json").read_text())
    arm = arm_from_urdf((ASSETS / "robot.urdf").read_text())
    return Rig(arm, camera, "camera_optical", None, None, None, None, ERRORS, (), (), tuple(postures["survey"]))  # type: ignore[arg-type]


def frame_of(rig: Rig, **changes: object) -> Frame:
    base = np.diag([0.01**2, 0.012**2, 0.006**2])
    frame = Frame("r/00000", "r", 0, "p", (1280, 960), base=BasePose(2.0, -1.0, 0.7), base_covariance=base,
                  joints_rad=rig.survey_joints_rad)  # fmt: skip
    return dataclasses.replace(frame, **changes)  # type: ignore[arg-type]


def detection(u: float, v: float, n: int = 0, **changes: object) -> Detection:
    return dataclasses.replace(Detection(f"r/00000#{n}", "r/00000", u, v, 20.0, 0.9, KINDS), **changes)  # type: ignore[arg-type]


def test_first_order_covariance_against_monte_carlo(rig: Rig) -> None:
    """1e4 draws through the exact chain: standard error of a variance is 1.4 %, checked at 5 %."""
    rng = np.random.default_rng(3)
    n, frame, pixel = 10_000, frame_of(rig), np.array([230.0, 800.0])
    sighting = locate([frame], [detection(*pixel)], rig)[0]
    e, c = rig.errors, rig.camera
    pixels = pixel + rng.normal(0, e.pixel_px, (n, 2))
    k = rng.multivariate_normal([c.fx_px, c.fy_px, c.cx_px, c.cy_px], c.covariance, n)
    joints = np.array(frame.joints_rad) + rng.normal(0, e.joint_rad, (n, 7))
    plates = rig.arm.forward(joints, "camera_body")
    origin = rig.arm.chain("camera_optical")[-1].origin
    base = np.array([2.0, -1.0, 0.7]) + rng.multivariate_normal(np.zeros(3), frame.base_covariance, n)
    points = np.empty((n, 2))
    for i in range(n):
        tilt = rotation_from_rpy([*rng.normal(0, e.tilt_rad, 2), 0.0])
        body = rotation_from_rpy([0, 0, base[i, 2]]) @ tilt
        eye = rotation_from_vector(rng.normal(0, e.mount_rad, 3)) @ origin[:3, :3]
        turn = body @ plates[i, :3, :3] @ eye
        at = origin[:3, 3] + rng.normal(0, e.mount_m, 3)
        centre = body @ (plates[i, :3, :3] @ at + plates[i, :3, 3]) + [*base[i, :2], 0]
        # undistorted by the nominal lens: the lens itself has no covariance
        ideal = _ideal(rig, pixels[i], k[i])
        ray = turn @ np.array([*ideal, 1.0])
        height = rng.normal(0, e.ground_m)
        points[i] = (centre + (height - centre[2]) / ray[2] * ray)[:2] + rng.normal(0, e.crown_m, 2)
    drawn = np.cov(points.T)
    scale = np.sqrt(np.outer(np.diag(drawn), np.diag(drawn)))
    assert np.abs((sighting.covariance_m2 - drawn) / scale).max() < 0.05
    assert np.abs(points.mean(axis=0) - sighting.mean_m).max() < 5 * math.sqrt(drawn.max() / n) + 2e-4
    parts = sum(error.ground_covariance_m2 for error in sighting.errors)
    assert np.allclose(parts, sighting.covariance_m2)


def _ideal(rig: Rig, pixel: np.ndarray, k: np.ndarray) -> np.ndarray:
    target = (pixel - k[2:]) / k[:2]
    ideal = target.copy()
    for _ in range(8):  # fixed-point iteration on the distortion: independent of the Newton iteration under test
        ideal = ideal - (rig.camera.distort(ideal[None])[0][0] - target)
    return ideal


def test_scopes_say_who_shares_an_error(rig: Rig) -> None:
    survey = {e.source: e for e in locate([frame_of(rig)], [detection(600, 500)], rig)[0].errors}
    assert set(survey) == {"pixel", "crown", "roughness", "intrinsics", "mount", "joint_offset", "joints", "tilt",
                           "base", "ground", "plane"}  # fmt: skip
    for source in ("mount", "joint_offset", "intrinsics", "plane"):
        assert survey[source].scope is Scope.SITE
    for source in ("crown", "roughness"):
        assert survey[source].scope is Scope.PLANT
    assert survey["mount"].key == "site"
    assert survey["base"].scope is Scope.FRAME
    assert survey["base"].key == "r/00000"
    at_stop = {e.source: e for e in locate([frame_of(rig, stop="s1")], [detection(600, 500)], rig)[0].errors}
    for source in ("base", "tilt", "ground"):
        assert at_stop[source].scope is Scope.STOP
        assert at_stop[source].key == "s1"
    assert survey["pixel"].key == "r/00000#0"


def test_a_frame_with_its_own_camera_pose(rig: Rig) -> None:
    pose = Pose.from_rpy("ground", "camera", (3.0, 4.0, 1.2), (math.pi, 0.0, 0.0))
    frame = Frame("r/00000", "r", 0, "p", (1280, 960), ground_from_camera=pose)
    sighting = locate([frame], [detection(rig.camera.cx_px, rig.camera.cy_px)], rig)[0]
    assert np.allclose(sighting.mean_m, [3.0, 4.0], atol=1e-9)
    by_source = {e.source: e for e in sighting.errors}
    assert set(by_source) == {"pixel", "crown", "intrinsics", "camera_pose", "ground", "plane", "roughness"}
    expected = (1.2 * ERRORS.mount_rad) ** 2 + ERRORS.mount_m**2  # lever of 1.2 m straight down
    assert np.allclose(by_source["camera_pose"].ground_covariance_m2, expected * np.eye(2), rtol=1e-9)


def test_radius_by_the_local_scale(rig: Rig) -> None:
    pose = Pose.from_rpy("ground", "camera", (0.0, 0.0, 1.0), (math.pi, 0.0, 0.0))
    frame = Frame("r/00000", "r", 0, "p", (1280, 960), ground_from_camera=pose)
    sighting = locate([frame], [detection(rig.camera.cx_px, rig.camera.cy_px)], rig)[0]
    assert sighting.radius_m == pytest.approx(20.0 / math.sqrt(rig.camera.fx_px * rig.camera.fy_px), rel=1e-6)
    assert 0.1 * sighting.radius_m <= sighting.radius_sd_m < 0.2 * sighting.radius_m


def level(height: float = 1.0, roll: float = math.pi) -> Frame:
    pose = Pose.from_rpy("ground", "camera", (0.0, 0.0, height), (roll, 0.0, 0.0))
    return Frame("r/00000", "r", 0, "p", (1280, 960), ground_from_camera=pose)


def test_rays_that_miss_are_counted(rig: Rig) -> None:
    frame = level(roll=math.radians(112))  # looks 22 degrees below the horizon: the upper rays pass over it
    low, high = detection(640, 900, 0), detection(640, 20, 1)
    located = locate_counted([frame], [low, high], rig)
    kept = {s.id for s in located.sightings}
    assert len(kept) == 1
    assert sum(item.count for item in located.left_out) == 1
    assert "flat" in located.left_out[0].reason or "away" in located.left_out[0].reason


def test_all_rays_missing_is_an_error_with_a_remedy(rig: Rig) -> None:
    with pytest.raises(InputError, match="no detection meets the ground") as caught:
        locate([level(roll=0.0)], [detection(640, 480)], rig)
    assert "URDF" in str(caught.value.remedy)
    with pytest.raises(InputError, match="not above the ground"):
        locate([level(height=-0.2)], [detection(640, 480)], rig)


@pytest.mark.parametrize(
    ("frame", "found", "message"),
    [
        ({}, {"frame_id": "other"}, "frame that is not there"),
        ({"base": None}, {}, "no pose"),
        ({"size_px": (640, 480)}, {}, "another size"),
        ({"joints_rad": (0.0, 1.0)}, {}, "per joint"),
        ({}, {"u_px": math.nan}, "must lie in its picture"),
        ({}, {"u_px": 5000.0}, "must lie in its picture"),
        ({}, {"radius_px": -1.0}, "must lie in its picture"),
        ({}, {"probability": 1.5}, "must lie in its picture"),
    ],
)
def test_bad_input(rig: Rig, frame: dict[str, object], found: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        locate([frame_of(rig, **frame)], [detection(600, 500, **found)], rig)


def test_no_detections_is_no_sightings(rig: Rig) -> None:
    assert locate([frame_of(rig)], [], rig) == []


def test_look_is_the_undistorted_outline_less_its_margin(rig: Rig) -> None:
    frame = frame_of(rig)
    look = looks([frame], rig, detection_probability=0.9, false_alarms_m2=0.1)[0]
    x, y = look.corners_m.T
    assert 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0.5  # anticlockwise, about 1.3 m2
    margin = EDGE_SHARE * 960
    corner = locate([frame], [detection(margin, margin)], rig)[0].mean_m
    assert np.linalg.norm(look.corners_m - corner, axis=1).min() < 1e-9
    for bad in (0.0, 1.0, math.nan):
        with pytest.raises(InputError, match="detection probability"):
            looks([frame], rig, detection_probability=bad, false_alarms_m2=0.1)
    with pytest.raises(InputError, match="false-alarm"):
        looks([frame], rig, detection_probability=0.9, false_alarms_m2=-1.0)
    assert looks([level(roll=0.0)], rig, detection_probability=0.9, false_alarms_m2=0.1) == []


def test_what_the_detector_measured_of_itself_takes_the_place_of_a_smaller_pixel_error(rig: Rig) -> None:
    """Half of its variance is the sighting's own, half lasts with the plant; together they are what it measured."""
    frame = frame_of(rig)
    plain, wide, small = (locate([frame], [detection(400.0, 300.0, crown_sd_px=sd)], rig)[0] for sd in (0.0, 10.0, 0.5))
    for sighting, own, lasting in ((plain, 1.2**2, 0.0), (wide, 50.0, 50.0), (small, 1.2**2, 0.125)):
        errors = {e.source: e for e in sighting.errors}
        image = errors["pixel"].jacobian
        assert errors["pixel"].covariance == pytest.approx(own * np.eye(2))
        assert errors["crown"].covariance == pytest.approx(0.003**2 * np.eye(2) + lasting * image @ image.T)
        assert errors["crown"].scope is Scope.PLANT
    assert plain.radius_sd_m == pytest.approx(np.hypot(1.2 * plain.radius_m / 20.0, 0.1 * plain.radius_m))
    unsure = locate([frame], [detection(400.0, 300.0, log_radius_sd=0.5)], rig)[0]
    assert unsure.radius_sd_m == pytest.approx(np.hypot(1.2 * plain.radius_m / 20.0, 0.5 * plain.radius_m))
    more = wide.covariance_m2 - plain.covariance_m2
    assert more == pytest.approx((100.0 - 1.2**2) * image @ image.T)

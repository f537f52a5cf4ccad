"""A synthetic survey, drawn from the stated error sources and projected through the true, non-linear chain."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import yaml

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.frame import Detection, Frame, Track
from swardwright.domain.poses import BasePose, Pose, rotation_from_rpy, wrap_angle
from swardwright.domain.site import ErrorSources, Rig
from swardwright.domain.weed import Look, Sighting
from swardwright.locating import locate, looks

ASSETS = Path(__file__).parents[2] / "src" / "swardwright" / "simulation" / "assets"
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=math.radians(0.3), mount_m=0.003, joint_rad=math.radians(0.05),
    tilt_rad=math.radians(0.25), ground_m=0.006, start_m=0.01, start_rad=math.radians(0.5), odometry_per_m=0.01,
    yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012,
)  # fmt: skip


def make_rig(errors: ErrorSources = ERRORS) -> Rig:
    """Return the agreed rig; head, base, power and gas do not matter here."""
    info = yaml.safe_load((ASSETS / "camera.yaml").read_text())
    k = info["camera_matrix"]["data"]
    camera = Camera(
        info["image_width"], info["image_height"], k[0], k[4], k[2], k[5],
        np.array(info["distortion_coefficients"]["data"]), np.array(info["covariance_fx_fy_cx_cy"]).reshape(4, 4),
    )  # fmt: skip
    postures = json.loads((ASSETS / "postures.json").read_text())
    arm = arm_from_urdf((ASSETS / "robot.urdf").read_text())
    return Rig(arm, camera, "camera_optical", None, None, None, None, errors, tuple(map(tuple, postures["looks"])),  # type: ignore[arg-type]
               tuple(postures["rest"]), tuple(postures["survey"]))  # fmt: skip


@dataclass
class Truth:
    """The rig as it really is: one draw of the errors that last."""

    rig: Rig
    mount: np.ndarray
    joints: np.ndarray
    k: np.ndarray

    @classmethod
    def draw(cls, rig: Rig, rng: np.random.Generator) -> Truth:
        e, dof = rig.errors, len(rig.arm.moving)
        return cls(
            rig,
            np.concatenate([rng.normal(0, e.mount_rad, 3), rng.normal(0, e.mount_m, 3)]),
            rng.normal(0, e.joint_rad, dof),
            rng.multivariate_normal(np.zeros(4), rig.camera.covariance),
        )

    def see(self, plants: np.ndarray, base: np.ndarray, joints: np.ndarray, tilt: np.ndarray, ground: float,
            rng: np.random.Generator) -> np.ndarray:  # fmt: skip
        """Return true pixels (n, 2) of plants seen from a true base pose; NaN behind the camera."""
        rig = self.rig
        chain = rig.arm.chain(rig.camera_link)
        base_from_link = rig.arm.pose(
            np.asarray(joints) - rng.normal(0, rig.errors.joint_rad, len(joints)), chain[-1].parent, "link"
        )
        link_from_camera = Pose("link", "camera", chain[-1].origin[:3, :3], chain[-1].origin[:3, 3]).perturbed(
            -self.mount
        )
        upright = BasePose(*base).ground_from_base
        tilted = Pose("ground", "base", upright.rotation @ rotation_from_rpy((*(-tilt), 0.0)), upright.translation_m)
        camera_from_ground = (tilted @ base_from_link @ link_from_camera).inverse
        crowns = plants + rng.normal(0, rig.errors.crown_m, plants.shape) if rig.errors.crown_m else plants
        points = np.column_stack([crowns, np.full(len(plants), -ground)])
        c = rig.camera
        true = Camera(c.width_px, c.height_px, c.fx_px - self.k[0], c.fy_px - self.k[1], c.cx_px - self.k[2],
                      c.cy_px - self.k[3], c.distortion, c.covariance)  # fmt: skip
        return true.project(camera_from_ground.apply(points))


@dataclass
class Survey:
    """A survey with its truth: ``owner[detection id]`` is the plant, -1 a false alarm."""

    rig: Rig
    plants: np.ndarray
    truth: Truth
    frames: list[Frame]
    track: Track
    detections: list[Detection]
    owner: dict[str, int]
    true_bases: np.ndarray
    sightings: list[Sighting] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)


def smoothed(
    rig: Rig, true: np.ndarray, rng: np.random.Generator, fixes: bool, name: str
) -> tuple[list[BasePose], Track]:
    """Return believed poses and their information: dead reckoning from an unsure start, with fixes or without."""
    e, n = rig.errors, len(true)
    start = np.diag([e.start_m**2, e.start_m**2, e.start_rad**2])
    poses = [BasePose(*(true[0] + rng.multivariate_normal(np.zeros(3), start)))]
    diagonal, upper, right = np.zeros((n, 3, 3)), np.zeros((n - 1, 3, 3)), np.zeros((n, 3))
    diagonal[0] += np.linalg.inv(start)
    for i in range(1, n):
        step = BasePose(*true[i]).relative_to(BasePose(*true[i - 1]))
        d, turn = math.hypot(step.x_m, step.y_m) + 1e-3, abs(step.yaw_rad)
        sd = np.array([e.odometry_per_m * math.sqrt(d)] * 2 + [math.sqrt(e.yaw_per_m**2 * d + e.yaw_per_rad**2 * turn)])
        noisy = BasePose(*(step.as_array() + rng.normal(0, sd)))
        before = poses[-1]
        poses.append(before.compose(noisy))
        arm = poses[-1].as_array() - before.as_array()
        f = np.array([[1, 0, -arm[1]], [0, 1, arm[0]], [0, 0, 1.0]])
        c, s = math.cos(before.yaw_rad), math.sin(before.yaw_rad)
        r = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        w = np.linalg.inv(r @ np.diag(sd**2) @ r.T)
        diagonal[i] += w
        diagonal[i - 1] += f.T @ w @ f
        upper[i - 1] = -f.T @ w
    if fixes:
        for i in range(n):
            fix = true[i, :2] + rng.normal(0, e.fix_m, 2)
            diagonal[i][:2, :2] += np.eye(2) / e.fix_m**2
            right[i, :2] = (poses[i].as_array()[:2] - fix) / e.fix_m**2
        full = np.zeros((3 * n, 3 * n))
        for i in range(n):
            full[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = diagonal[i]
            if i:
                full[3 * i - 3 : 3 * i, 3 * i : 3 * i + 3] = upper[i - 1]
                full[3 * i : 3 * i + 3, 3 * i - 3 : 3 * i] = upper[i - 1].T
        error = np.linalg.solve(full, right.ravel()).reshape(n, 3)
        poses = [
            BasePose(p.x_m - d[0], p.y_m - d[1], wrap_angle(p.yaw_rad - d[2]))
            for p, d in zip(poses, error, strict=True)
        ]
    return poses, Track(tuple(f"{name}/{i:05d}" for i in range(n)), tuple(poses), diagonal, upper)


def lanes(length: float, count: int, spacing: float = 1.0, step: float = 0.4) -> np.ndarray:
    """Return true base poses (n, 3) along lanes driven in alternate directions."""
    out = []
    for lane in range(count):
        x = np.arange(0, length + 1e-9, step)
        yaw = 0.0 if lane % 2 == 0 else math.pi
        ahead = 0.75 if lane % 2 == 0 else -0.75
        xs = x - ahead if lane % 2 == 0 else x[::-1] - ahead
        out.append(np.column_stack([xs, np.full(len(x), lane * spacing), np.full(len(x), yaw)]))
    return np.concatenate(out)


def survey(seed: int, *, length: float = 4.0, count: int = 2, spacing: float = 1.0, plants: np.ndarray | int = 30,
           apart: float = 0.08, fixes: bool = True, detect: float = 0.92, alarms_m2: float = 0.03,
           errors: ErrorSources = ERRORS, name: str = "survey", truth: Truth | None = None) -> Survey:  # fmt: skip
    """Draw a survey."""
    rng = np.random.default_rng(seed)
    rig = make_rig(errors)
    truth = truth or Truth.draw(rig, rng)
    if isinstance(plants, int):
        placed: list[np.ndarray] = []
        while len(placed) < plants:
            p = rng.uniform([-0.3, -0.6], [length + 0.3, (count - 1) * spacing + 0.6])
            if all(np.linalg.norm(p - q) >= apart for q in placed):
                placed.append(p)
        plants = np.array(placed)
    true = lanes(length, count, spacing)
    poses, track = smoothed(rig, true, rng, fixes, name)
    frames, detections, owner = [], [], {}
    width, height = rig.camera.width_px, rig.camera.height_px
    for i, (pose, frame_id) in enumerate(zip(poses, track.frame_ids, strict=True)):
        frames.append(Frame(frame_id, name, i, "image", (width, height), base=pose, joints_rad=rig.survey_joints_rad))
        seen = truth.see(plants, true[i], np.array(rig.survey_joints_rad), rng.normal(0, errors.tilt_rad, 2),
                         rng.normal(0, errors.ground_m), rng)  # fmt: skip
        seen = seen + rng.normal(0, errors.pixel_px, seen.shape)
        found = [(p, j) for j, p in enumerate(seen)
                 if 20 < p[0] < width - 20 and 20 < p[1] < height - 20 and rng.random() < detect]  # fmt: skip
        false = rng.poisson(alarms_m2 * 1.4)
        found += [(rng.uniform([20, 20], [width - 20, height - 20]), -1) for _ in range(false)]
        for number, (p, j) in enumerate(found):
            d = Detection(f"{frame_id}#{number}", frame_id, float(p[0]), float(p[1]), 25.0, 0.9 if j >= 0 else 0.5,
                          (("dandelion", 0.8), ("clover", 0.2)))  # fmt: skip
            detections.append(d)
            owner[d.id] = j
    out = Survey(rig, plants, truth, frames, track, detections, owner, true)
    out.sightings = locate(frames, detections, rig)
    out.looks = looks(frames, rig, detection_probability=detect, false_alarms_m2=max(alarms_m2, 0.01))
    return out


@pytest.fixture(scope="session")
def draw_survey() -> Callable[..., Survey]:
    return survey

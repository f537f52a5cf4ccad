"""A survey without pictures: pixels drawn from the stated error sources through the true, non-linear chain.

For tests and benchmarks that need hundreds of surveys with known truth. Nothing here is linearised: true base poses,
arm, mount, lens and ground are drawn, plants are projected, and what the robot believes is kept beside it.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.chain import solve_chain
from swardwright.domain.frame import Detection, Frame, Track
from swardwright.domain.poses import Array, BasePose, Pose, rotation_from_rpy, wrap_angle
from swardwright.domain.site import ErrorSources, Rig

ASSETS = Path(__file__).parent / "assets"
#: Picture edge within which nothing is detected (px), and how far the camera looks ahead of the base (m).
EDGE_PX, AHEAD_M = 20.0, 0.75


def invented_rig(errors: ErrorSources) -> Rig:
    """Return arm and camera of the invented site; head, base, power and gas are absent: they do not matter here."""
    import yaml

    info = yaml.safe_load((ASSETS / "camera.yaml").read_text(encoding="utf-8"))
    k = info["camera_matrix"]["data"]
    camera = Camera(
        info["image_width"], info["image_height"], k[0], k[4], k[2], k[5],
        np.array(info["distortion_coefficients"]["data"]), np.array(info["covariance_fx_fy_cx_cy"]).reshape(4, 4),
    )  # fmt: skip
    postures = json.loads((ASSETS / "postures.json").read_text(encoding="utf-8"))
    arm = arm_from_urdf((ASSETS / "robot.urdf").read_text(encoding="utf-8"))
    return Rig(arm, camera, "camera_optical", None, None, None, None, errors, tuple(map(tuple, postures["looks"])),  # type: ignore[arg-type]
               tuple(postures["rest"]), tuple(postures["survey"]))  # fmt: skip


@dataclass(frozen=True, eq=False)
class TrueRig:
    """The rig as it really is: one draw of the errors that last.

    Attributes
    ----------
    mount : Array
        Shape (6,): rotation vector and translation, link axes.
    joint_offset_rad : Array
        Shape (dof,).
    intrinsics_px : Array
        Shape (4,): belief minus truth of fx fy cx cy.
    plane_m : float
        Height of the ground that the program does not know of.
    """

    rig: Rig
    mount: Array
    joint_offset_rad: Array
    intrinsics_px: Array
    plane_m: float

    @classmethod
    def draw(cls, rig: Rig, rng: np.random.Generator) -> TrueRig:
        """Draw one."""
        e, dof = rig.errors, len(rig.arm.moving)
        return cls(
            rig,
            rng.multivariate_normal(np.zeros(6), rig.mount_prior),
            rng.normal(0, e.joint_offset_rad, dof),
            rng.multivariate_normal(np.zeros(4), rig.camera.covariance[:4, :4]),
            float(rng.normal(0, e.plane_m)),
        )

    def see(self, points_m: Array, base: Array, joints_rad: Array, tilt_rad: Array) -> Array:
        """Return true pixels (n, 2) of points (n, 3), ground axes, from a true base pose; NaN behind the camera."""
        chain = self.rig.arm.chain(self.rig.camera_link)
        base_from_link = self.rig.arm.pose(joints_rad - self.joint_offset_rad, chain[-1].parent, "link")
        link_from_camera = Pose("link", "camera", chain[-1].origin[:3, :3], chain[-1].origin[:3, 3])
        upright = BasePose(*base).ground_from_base
        tilted = Pose("ground", "base", upright.rotation @ rotation_from_rpy((*(-tilt_rad), 0.0)),
                      upright.translation_m)  # fmt: skip
        camera_from_ground = (tilted @ base_from_link @ link_from_camera.perturbed(-self.mount)).inverse
        c, k = self.rig.camera, self.intrinsics_px
        true = replace(c, fx_px=c.fx_px - k[0], fy_px=c.fy_px - k[1], cx_px=c.cx_px - k[2], cy_px=c.cy_px - k[3])
        return true.project(camera_from_ground.apply(points_m - [0.0, 0.0, self.plane_m]))


@dataclass(frozen=True, eq=False)
class Growth:
    """Plants as they stand.

    Attributes
    ----------
    crowns_m : Array
        Shape (n, 2): growing points.
    seen_m : Array
        Shape (n, 3): what a camera takes for the crown: off by the crown error, at a height of its own.
    """

    crowns_m: Array
    seen_m: Array

    @classmethod
    def draw(cls, crowns_m: Array, errors: ErrorSources, rng: np.random.Generator) -> Growth:
        """Draw the errors that stay with each plant."""
        n = len(crowns_m)
        off = rng.normal(0, [errors.crown_m, errors.crown_m, errors.roughness_m], (n, 3))
        return cls(crowns_m, np.column_stack([crowns_m, np.zeros(n)]) + off)

    def without(self, number: int) -> Growth:
        """Return the plants but one."""
        return Growth(np.delete(self.crowns_m, number, axis=0), np.delete(self.seen_m, number, axis=0))


@dataclass(frozen=True, eq=False)
class PixelSurvey:
    """A survey with its truth: ``owner[detection id]`` is the plant, -1 a false alarm."""

    rig: Rig
    growth: Growth
    truth: TrueRig
    frames: tuple[Frame, ...]
    track: Track
    detections: tuple[Detection, ...]
    owner: dict[str, int]
    true_bases: Array


def clustered_plants(
    rng: np.random.Generator, low_m: tuple[float, float], high_m: tuple[float, float], *, density_m2: float,
    k: float = 0.25, apart_m: float = 0.03,
) -> Array:  # fmt: skip
    """Return crowns (n, 2) whose counts per square metre are negative binomial.

    ``k`` 0.25 lies in the range that Johnson 1996 found for weeds (0.17-0.32). Crowns nearer than ``apart_m`` are drawn
    again: no detector tells them apart.
    """
    placed: list[NDArray[np.float64]] = []
    for x in np.arange(low_m[0], high_m[0], 1.0):
        for y in np.arange(low_m[1], high_m[1], 1.0):
            top = np.minimum([x + 1.0, y + 1.0], high_m)
            mean = density_m2 * float(np.prod(top - [x, y]))
            count = rng.negative_binomial(k, k / (k + mean))
            for _ in range(min(int(count), 60)):
                for _ in range(50):
                    p = rng.uniform([x, y], top)
                    if all(float(np.hypot(*(p - q))) >= apart_m for q in placed):
                        placed.append(p)
                        break
    return np.asarray(placed, dtype=np.float64).reshape(-1, 2)


def lanes(length_m: float, count: int, spacing_m: float = 1.0, step_m: float = 0.4) -> Array:
    """Return true base poses (n, 3) along lanes driven in alternate directions."""
    out = []
    for lane in range(count):
        x = np.arange(0, length_m + 1e-9, step_m)
        forth = lane % 2 == 0
        xs = x - AHEAD_M if forth else x[::-1] + AHEAD_M
        yaw = 0.0 if forth else math.pi
        out.append(np.column_stack([xs, np.full(len(x), lane * spacing_m), np.full(len(x), yaw)]))
    return np.concatenate(out)


def believed_track(
    errors: ErrorSources, true: Array, rng: np.random.Generator, *, fixes: bool, name: str
) -> Track:  # fmt: skip
    """Return believed poses and their information: dead reckoning from an unsure start, with fixes or without.

    The scale of the odometry, one draw for the recording, is handed on as the track's shared error.
    """
    n = len(true)
    start = np.diag([errors.start_m**2, errors.start_m**2, errors.start_rad**2])
    poses = [BasePose(*(true[0] + rng.multivariate_normal(np.zeros(3), start)))]
    diagonal, upper, right = np.zeros((n, 3, 3)), np.zeros((n - 1, 3, 3)), np.zeros((n, 3))
    diagonal[0] += np.linalg.inv(start)
    scale = rng.normal(0, errors.odometry_scale)
    shared = np.zeros((n, 3, 1))
    for i in range(1, n):
        step = BasePose(*true[i]).relative_to(BasePose(*true[i - 1]))
        d, turn = math.hypot(step.x_m, step.y_m) + 1e-3, abs(step.yaw_rad)
        sd = np.array([errors.odometry_per_m * math.sqrt(d)] * 2
                      + [math.sqrt(errors.yaw_per_m**2 * d + errors.yaw_per_rad**2 * turn)])  # fmt: skip
        noisy = BasePose(*(step.as_array() * [1 + scale, 1 + scale, 1.0] + rng.normal(0, sd)))
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
        shared[i] = shared[i - 1] + errors.odometry_scale * np.array([[arm[0]], [arm[1]], [0.0]])
    tied = np.zeros_like(diagonal)
    if fixes:
        for i in range(n):
            fix = true[i, :2] + rng.normal(0, errors.fix_m, 2)
            tied[i][:2, :2] = np.eye(2) / errors.fix_m**2
            right[i, :2] = (poses[i].as_array()[:2] - fix) / errors.fix_m**2
    # error = chain + shared m with m ~ N(0, 1); given m the fixes correct the chain, and they speak about m too
    loaded = _times(diagonal, upper, shared[:, :, 0])
    given = solve_chain(diagonal + tied, upper, loaded)
    spoken = solve_chain(diagonal + tied, upper, right)
    spread = 1.0 / (1.0 + float(np.sum(shared[:, :, 0] * (loaded - _times(diagonal, upper, given)))))
    m = spread * float(np.sum(loaded * spoken))
    poses = [
        BasePose(p.x_m - e[0], p.y_m - e[1], wrap_angle(p.yaw_rad - e[2]))
        for p, e in zip(poses, spoken + given * m, strict=True)
    ]
    common = (given * math.sqrt(spread))[:, :, None] if errors.odometry_scale else None
    names = tuple(f"{name}/{i:05d}" for i in range(n))
    return Track(names, tuple(poses), diagonal + tied, upper, common)


def _times(diagonal: Array, upper: Array, x: Array) -> Array:
    """Return the block-tridiagonal matrix times x (n, k)."""
    out: Array = np.einsum("nij,nj->ni", diagonal, x)
    out[:-1] += np.einsum("nij,nj->ni", upper, x[1:])
    out[1:] += np.einsum("nji,nj->ni", upper, x[:-1])
    return out


def draw_survey(rig: Rig, crowns_m: Array | Growth, true_bases: Array, rng: np.random.Generator, *,
                fixes: bool = True, detect: float = 0.92, alarms_m2: float = 0.03, name: str = "survey",
                truth: TrueRig | None = None) -> PixelSurvey:  # fmt: skip
    """Draw a survey of plants from true base poses (n, 3).

    Parameters
    ----------
    crowns_m : Array | Growth
        Shape (m, 2), or plants whose own errors were drawn already (a second visit).
    detect, alarms_m2 : float
        Probability that a plant inside the picture is detected; false alarms per m2.
    truth : TrueRig, optional
        A rig drawn already (a second visit).
    """
    errors = rig.errors
    truth = truth or TrueRig.draw(rig, rng)
    growth = crowns_m if isinstance(crowns_m, Growth) else Growth.draw(crowns_m, errors, rng)
    track = believed_track(errors, true_bases, rng, fixes=fixes, name=name)
    joints = np.array(rig.survey_joints_rad)
    width, height = rig.camera.width_px, rig.camera.height_px
    low, high = np.full(2, EDGE_PX), np.array([width, height]) - EDGE_PX
    frames, detections, owner = [], [], {}
    for i, (pose, frame_id) in enumerate(zip(track.poses, track.frame_ids, strict=True)):
        frames.append(Frame(frame_id, name, i, "image", (width, height), base=pose, joints_rad=rig.survey_joints_rad))
        points = growth.seen_m - [0.0, 0.0, rng.normal(0, errors.ground_m)]
        pixels = truth.see(points, true_bases[i], joints - rng.normal(0, errors.joint_rad, len(joints)),
                           rng.normal(0, errors.tilt_rad, 2))  # fmt: skip
        pixels = pixels + rng.normal(0, errors.pixel_px, pixels.shape)
        inside = ((pixels > low) & (pixels < high)).all(axis=1) & (rng.random(len(pixels)) < detect)
        found = [(pixels[j], int(j)) for j in np.flatnonzero(inside)]
        found += [(rng.uniform(low, high), -1) for _ in range(rng.poisson(alarms_m2 * 1.4))]
        for number, (p, j) in enumerate(found):
            d = Detection(f"{frame_id}#{number}", frame_id, float(p[0]), float(p[1]), 25.0, 0.9 if j >= 0 else 0.5,
                          (("dandelion", 0.8), ("clover", 0.2)))  # fmt: skip
            detections.append(d)
            owner[d.id] = j
    return PixelSurvey(rig, growth, truth, tuple(frames), track, tuple(detections), owner, true_bases)

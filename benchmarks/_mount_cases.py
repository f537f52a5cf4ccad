"""Random invented rigs with a board in view: sound mounts, and mounts that were written down wrongly.

Every number is drawn from what the rig states: joint readings and zero offsets, corner noise, intrinsics, and the
mount against what is claimed. Truth is the simulation's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.arm import Arm, Joint
from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, Pose, rotation_from_rpy, rotation_from_vector
from swardwright.locating.calibration.mount import MountNoise, joint_noise
from swardwright.locating.calibration.mount_check import diagnose_mount
from swardwright.locating.calibration.mount_model import BoardViews, views_of_arm

PLANTED = ("inverted", "turned 180 degrees about the optical axis", "millimetres for metres")


@dataclass(frozen=True, eq=False)
class Case:
    """One rig with its views.

    Attributes
    ----------
    camera : Camera
        As believed, with its covariance.
    link_from_camera, base_from_board : Pose
        The truth.
    claimed : Array
        (4, 4): what the rig's maker says about the mount, off by ``sigma``; where planted, written down wrongly.
    sigma : Array
        Shape (6,): stated standard deviations of the claim (rad, m).
    planted : str
        What is wrong with the claim; empty: nothing.
    """

    arm: Arm | None
    camera: Camera
    views: BoardViews
    noise: MountNoise
    link_from_camera: Pose
    base_from_board: Pose
    claimed: Array
    sigma: Array
    planted: str = ""


def random_arm(rng: np.random.Generator) -> Arm:
    """Return a 6-joint arm with random link lengths and small random twists between its axes."""
    axes = ("z", "y", "y", "x", "y", "x")
    lengths = [(0, 0, rng.uniform(0.2, 0.5)), (0.05 * rng.uniform(), 0, rng.uniform(0.05, 0.2)),
               (0, 0, rng.uniform(0.25, 0.5)), (rng.uniform(0.1, 0.25), 0, rng.uniform(0, 0.08)),
               (rng.uniform(0.1, 0.3), 0, 0), (rng.uniform(0.05, 0.12), 0, 0)]  # fmt: skip
    joints, parent = [], "base_link"
    for n, (axis, xyz) in enumerate(zip(axes, lengths, strict=True)):
        origin = np.eye(4)
        origin[:3, 3], origin[:3, :3] = xyz, rotation_from_vector(rng.normal(0, 0.1, 3))
        direction = np.eye(3)["xyz".index(axis)]
        joints.append(Joint(f"j{n}", "revolute", parent, f"link{n}", origin, direction, -2.8, 2.8, 1.0))
        parent = f"link{n}"
    return Arm("invented", "base_link", tuple(joints), tuple(joints))


def random_camera(rng: np.random.Generator, sigma_px: float) -> tuple[Camera, Camera]:
    """Return a camera as believed and as it is."""
    focal = rng.uniform(600, 1100)
    lens = np.array([rng.uniform(-0.2, 0.05), rng.uniform(-0.02, 0.05), *rng.normal(0, 3e-4, 2), 0.0])
    believed = Camera(1280, 960, focal, focal * rng.uniform(0.995, 1.005), 640 + rng.normal(0, 10),
                      480 + rng.normal(0, 10), lens, sigma_px**2 * np.eye(4))  # fmt: skip
    off = rng.normal(0, sigma_px, 4)
    true = replace(believed, fx_px=believed.fx_px + off[0], fy_px=believed.fy_px + off[1],
                   cx_px=believed.cx_px + off[2], cy_px=believed.cy_px + off[3])  # fmt: skip
    return believed, true


def board_points(columns: int = 9, rows: int = 6, square_m: float = 0.025) -> Array:
    """Corners of a chessboard, shape (columns * rows, 3), board axes."""
    y, x = np.mgrid[:rows, :columns]
    return np.stack([x.ravel() * square_m, y.ravel() * square_m, np.zeros(x.size)], axis=1)


def random_case(rng: np.random.Generator, count: int | None = None, joints_moving: tuple[int, ...] | None = None,
                joint_rad: float | None = None, offset_rad: float | None = None, pixel_px: float | None = None,
                intrinsics_px: float | None = None) -> Case:  # fmt: skip
    """Return a rig with ``count`` views (10 to 24), its errors drawn from what it states."""
    while True:
        case = _try(rng, count, joints_moving, joint_rad, offset_rad, pixel_px, intrinsics_px)
        if case is not None:
            return case


def _try(rng: np.random.Generator, count: int | None, moving: tuple[int, ...] | None, joint_rad: float | None,
         offset_rad: float | None, pixel_px: float | None, intrinsics_px: float | None) -> Case | None:  # fmt: skip
    arm = random_arm(rng)
    count = count or int(rng.integers(10, 25))
    joint_rad = float(10 ** rng.uniform(-4.0, -2.7)) if joint_rad is None else joint_rad
    offset_rad = float(rng.choice([0.0, 2e-3])) if offset_rad is None else offset_rad
    pixel_px = float(rng.uniform(0.05, 0.4)) if pixel_px is None else pixel_px
    believed, camera = random_camera(rng, float(rng.uniform(0.0, 2.0)) if intrinsics_px is None else intrinsics_px)
    roll = rng.uniform(-np.pi, np.pi)
    forward = np.array([[0, 0, 1.0], [-1, 0, 0], [0, -1, 0]])  # optical axes in axes with x forward, z up
    turn = rotation_from_vector(rng.normal(0, 0.4, 3)) @ rotation_from_rpy((roll, 0, 0)) @ forward
    shift = rng.uniform(0.04, 0.12, 3) * rng.choice([-1, 1], 3)
    meant = Pose("link", "camera", turn, shift)
    sigma = np.array([rng.uniform(0.003, 0.02)] * 3 + [rng.uniform(0.002, 0.006)] * 3)
    mount = meant.perturbed(rng.normal(0, sigma))
    points = board_points()
    for _ in range(20):
        home = rng.uniform(-1.2, 1.2, 6)
        eye = arm.forward(home, "link5") @ mount.matrix
        facing = np.eye(4)
        facing[:3, :3] = rotation_from_vector(rng.normal(0, 0.3, 3)) @ rotation_from_rpy((0, 0, rng.uniform(-3, 3)))
        facing[:3, 3] = np.array([0, 0, rng.uniform(0.45, 0.8)]) - facing[:3, :3] @ points.mean(axis=0)
        board = eye @ facing
        spread = np.zeros(6)
        spread[list(moving) if moving is not None else range(6)] = rng.uniform(0.2, 0.5)
        q = home + spread * rng.normal(0, 1, (3000, 6))
        q = q[(np.abs(q) < 2.8).all(axis=1)]
        seen = np.flatnonzero(_in_view(arm, q, mount, board, points, camera)) if len(q) else np.zeros(0, int)
        if len(seen) >= count:
            break
    else:
        return None
    q = q[seen[:count]]
    offset = rng.normal(0, offset_rad, 6)
    true = arm.forward(q, "link5") @ mount.matrix
    pixels = []
    for pose in true:
        inside = np.linalg.inv(pose) @ board
        pixels.append(camera.project(points @ inside[:3, :3].T + inside[:3, 3]) + rng.normal(0, pixel_px, (54, 2)))
    read = q - offset - rng.normal(0, joint_rad, q.shape)
    names = tuple(f"view {n}" for n in range(count))
    views = views_of_arm(arm, "link5", read, (points,) * count, pixels, names)
    noise = joint_noise(6, joint_rad, offset_rad)
    return Case(arm, believed, views, noise, mount, Pose("base", "board", board[:3, :3], board[:3, 3]),
                meant.matrix, sigma)  # fmt: skip


def _in_view(arm: Arm, q: Array, mount: Pose, board: Array, points: Array, camera: Camera) -> NDArray[np.bool_]:
    inside = np.linalg.inv(arm.forward(q, "link5") @ mount.matrix) @ board
    corners = points[[0, 8, 45, 53]]
    seen = np.einsum("nij,pj->npi", inside[:, :3, :3], corners) + inside[:, None, :3, 3]
    pixels = camera.project(seen.reshape(-1, 3)).reshape(-1, 4, 2)
    tangent = np.abs(seen[:, :, :2] / np.abs(seen[:, :, 2:])).max(axis=1)
    unfolded = (tangent < 0.55 * np.array([camera.width_px, camera.height_px]) / camera.fx_px).all(axis=1)
    shown = unfolded & ((pixels > 5) & (pixels < [camera.width_px - 6, camera.height_px - 6])).all(axis=(1, 2))
    return np.asarray(shown & (inside[:, 2, 2] > 0.3) & (inside[:, 2, 3] > 0.2))


def planted_case(rng: np.random.Generator, wrong: str) -> Case:
    """Return a case whose claim was written down wrongly; an empty ``wrong`` gives a sound one."""
    case = random_case(rng)
    claimed = case.claimed.copy()
    if wrong == "inverted":
        claimed = np.linalg.inv(claimed)
    elif wrong == "turned 180 degrees about the optical axis":
        claimed[:3, :3] = claimed[:3, :3] @ np.diag([-1.0, -1.0, 1.0])
    elif wrong == "millimetres for metres":
        claimed[:3, 3] *= 1000.0
    elif wrong:
        raise ValueError(wrong)
    return replace(case, claimed=claimed, planted=wrong)


def hand_eye_figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield how many planted mistakes are named and how many sound mounts are called wrong (200 and 200 in full)."""
    count = 200 if full else 24
    rng = np.random.default_rng(20_260)
    named = {wrong: [0, 0] for wrong in PLANTED}
    for n in range(count):
        wrong = PLANTED[n % len(PLANTED)]
        case = planted_case(rng, wrong)
        verdict = diagnose_mount(case.views, case.camera, case.noise, case.claimed, np.diag(case.sigma**2))
        named[wrong][0] += verdict.name == wrong
        named[wrong][1] += 1
    for wrong, (right, of) in named.items():
        yield {"figure": f"hand-eye {wrong}: named as such", "value": right / of, "unit": "1", "bound": 1.0,
               "holds": right == of}  # fmt: skip
    right = sum(r for r, _ in named.values())
    yield {"figure": f"wrong hand-eye named as such, of {count} planted", "value": right / count, "unit": "1",
           "bound": 1.0, "holds": right == count}  # fmt: skip
    false = 0
    for _ in range(count):
        case = planted_case(rng, "")
        verdict = diagnose_mount(case.views, case.camera, case.noise, case.claimed, np.diag(case.sigma**2))
        false += verdict.name != "sound"
    yield {"figure": f"sound hand-eye called wrong, of {count}", "value": false / count, "unit": "1", "bound": 0.0,
           "holds": false == 0}  # fmt: skip

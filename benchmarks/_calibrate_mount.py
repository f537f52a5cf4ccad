"""Mount calibration against OpenCV's methods, against ``kinhec``'s cases with exact truth, and its own covariance.

Every method gets the same pictures: OpenCV and ``kinhec``'s reference solvers the board poses (perspective-n-point of
the same pixels) and the arm poses as read, ours the pixels and the readings. ``kinhec`` (MIT licence) draws arms,
trajectories, mounts and reading errors; the corner noise is added here, to the exact board poses it gives.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np

from benchmarks._mount_cases import Case, random_case
from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, Pose, vector_from_rotation
from swardwright.locating.calibration.mount import joint_noise, solve_mount
from swardwright.locating.calibration.mount_check import difference
from swardwright.locating.calibration.mount_model import BoardViews
from swardwright.locating.calibration.mount_start import board_poses

OPENCV = {
    "Tsai-Lenz": cv2.CALIB_HAND_EYE_TSAI, "Park-Martin": cv2.CALIB_HAND_EYE_PARK,
    "Horaud-Dornaika": cv2.CALIB_HAND_EYE_HORAUD, "Andreff": cv2.CALIB_HAND_EYE_ANDREFF,
    "Daniilidis": cv2.CALIB_HAND_EYE_DANIILIDIS,
}  # fmt: skip
CORNER_PX = 0.3


def errors_of(found: Array, truth: Pose) -> tuple[float, float]:
    """Return rotation (rad) and translation (m) error of a (4, 4) estimate."""
    turn = float(np.linalg.norm(vector_from_rotation(truth.rotation.T @ found[:3, :3])))
    return turn, float(np.linalg.norm(found[:3, 3] - truth.translation_m))


def by_opencv(views: BoardViews, camera_from_board: Array) -> dict[str, Array]:
    """Return ``link_from_camera`` (4, 4) of every method of OpenCV."""
    link, eye, out = views.base_from_link, camera_from_board, {}
    arms = [list(link[:, :3, :3]), list(link[:, :3, 3]), list(eye[:, :3, :3]), list(eye[:, :3, 3])]
    for name, method in OPENCV.items():
        turn, shift = cv2.calibrateHandEye(*arms, method=method)
        out[name] = _matrix(turn, shift)
    gripper = np.linalg.inv(link)
    for name, method in (("Shah", cv2.CALIB_ROBOT_WORLD_HAND_EYE_SHAH), ("Li", cv2.CALIB_ROBOT_WORLD_HAND_EYE_LI)):
        found = cv2.calibrateRobotWorldHandEye(list(eye[:, :3, :3]), list(eye[:, :3, 3]), list(gripper[:, :3, :3]),
                                               list(gripper[:, :3, 3]), method=method)  # fmt: skip
        out[name] = np.linalg.inv(_matrix(found[2], found[3]))
    return out


def _matrix(turn: Any, shift: Any) -> Array:
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = turn, np.ravel(shift)
    return out


def kinhec_cases(number: int, robot: str = "ur5e", joint_rad: float = 1e-3, count: int = 15,
                 draws: int = 3) -> list[Case]:  # fmt: skip
    """Return cases of one arm, trajectory and mount drawn by ``kinhec``, each with its own errors; none if it gives up.

    Exact truth, exact board poses, the joint errors and the arm's kinematics are ``kinhec``'s; corner noise is ours.
    """
    from kinhec.camera import CAMERAS, TARGETS, project_points
    from kinhec.config import SequenceConfig, default_camera_noise, default_robot_noise
    from kinhec.generator import GenerationError, generate_sequence
    from kinhec.kinematics import forward_kinematics_batch, geometric_jacobian
    from kinhec.noise import joint_gaussian
    from kinhec.robots import get_robot

    config = SequenceConfig(f"case-{number}", "robot_error", "", seed=1000 + number, robot=robot, family="lookat",
                            family_params={"n_waypoints": count},
                            robot_noise=default_robot_noise() | {"models": ["none"]},
                            camera_noise=default_camera_noise() | {"model": "none"},
                            sampling={"mode": "stations", "duration_s": 20.0, "camera_rate_hz": 30.0,
                                      "robot_rate_hz": None, "sync": "synchronous", "n_stations": count})  # fmt: skip
    try:
        made = generate_sequence(config)
    except GenerationError:
        return []
    robot_rows, camera_rows = made.robot_table.to_pydict(), made.camera_table.to_pydict()
    truth = _poses({f"X_{c}": [made.manifest[f"X_{c}"]] for c in _PARTS}, "X")[0]
    board = _poses({f"Y_{c}": [made.manifest[f"Y_{c}"]] for c in _PARTS}, "Y")[0]
    rng, lens, target, arm = np.random.default_rng(number), CAMERAS["hd"], TARGETS[config.target], get_robot(robot)
    camera = Camera(lens.width, lens.height, lens.fx, lens.fy, lens.cx, lens.cy, np.zeros(5), np.zeros((4, 4)))
    exact = _poses(camera_rows, "cam_target_gt")
    shown = [i for i, visible in enumerate(camera_rows["visible"]) if visible]
    if len(shown) < 6:
        return []
    flip = np.diag([1.0, -1.0, -1.0])  # its board's z comes towards the camera; ours goes into the board
    pose = Pose("link", "camera", truth[:3, :3], truth[:3, 3])
    place = Pose("base", "board", board[:3, :3] @ flip, board[:3, 3])
    cases = []
    for _ in range(draws):
        pixels = [project_points(lens, exact[i], target.points)[0] for i in shown]
        pixels = [p + rng.normal(0, CORNER_PX, p.shape) for p in pixels]
        q = joint_gaussian(rng, np.array([robot_rows["q_gt"][i] for i in shown]), joint_rad)
        jacobian = np.array([geometric_jacobian(arm, row) for row in q])  # translation rows first
        jacobian = np.concatenate([jacobian[:, 3:], jacobian[:, :3]], axis=1)
        views = BoardViews(forward_kinematics_batch(arm, q), jacobian, (target.points @ flip,) * len(shown),
                           tuple(pixels), tuple(f"station {i}" for i in shown))  # fmt: skip
        cases.append(Case(None, camera, views, joint_noise(arm.dof, joint_rad, 0.0), pose, place, truth,
                          np.full(6, 0.01)))  # fmt: skip
    return cases


_PARTS = ("px", "py", "pz", "qw", "qx", "qy", "qz")


def _poses(columns: dict[str, list[float]], name: str) -> Array:
    from kinhec import se3

    return np.asarray(se3.pq_to_pose(np.array([columns[f"{name}_{c}"] for c in _PARTS]).T))


def by_kinhec(views: BoardViews, camera_from_board: Array) -> dict[str, Array]:
    """Return ``link_from_camera`` (4, 4) of ``kinhec``'s reference solvers, non-linear ones included."""
    from kinhec import se3, solvers
    from kinhec.motions import motion_pairs

    pairs = motion_pairs(len(views), "consecutive")
    links, eyes = views.base_from_link, np.linalg.inv(camera_from_board)
    a, b = se3.relative_motions(links, pairs), se3.relative_motions(eyes, pairs)
    out = {name: getattr(solvers, name)(a, b)
           for name in ("tsai_lenz", "park_martin", "horaud_dornaika", "daniilidis", "andreff")}  # fmt: skip
    out["park_martin refined"] = solvers.refine_lm(a, b, out["park_martin"])
    mount, board = solvers.shah(links, eyes)
    out["shah"] = mount
    out["shah refined"] = solvers.refine_lm_axyb(links, eyes, mount, board)[0]
    return out


def medians(rows: list[dict[str, tuple[float, float]]]) -> dict[str, tuple[float, float]]:
    """Return each method's median rotation and translation error."""
    return {name: (float(np.median([r[name][0] for r in rows])), float(np.median([r[name][1] for r in rows])))
            for name in rows[0]}  # fmt: skip


def compare(cases: list[Case], others: Any) -> tuple[dict[str, tuple[float, float]], tuple[float, float]]:
    """Return the other methods' medians and ours."""
    theirs, ours = [], []
    for case in cases:
        poses, _ = board_poses(case.views, case.camera)
        theirs.append({n: errors_of(m, case.link_from_camera) for n, m in others(case.views, poses).items()})
        found = solve_mount(case.views, case.camera, case.noise).link_from_camera
        ours.append({"ours": errors_of(found.matrix, case.link_from_camera)})
    return medians(theirs), medians(ours)["ours"]


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the mount's figures."""
    rng = np.random.default_rng(5)
    cases = [random_case(rng) for _ in range(200 if full else 40)]
    yield from _ratios("OpenCV", *compare(cases, by_opencv), len(cases))
    drawn = itertools.count()
    cases = []
    while len(cases) < (120 if full else 24):
        number = next(drawn)
        cases += kinhec_cases(number, ("ur5e", "panda", "iiwa14")[number % 3])
    yield from _ratios("kinhec's solvers on its cases", *compare(cases, by_kinhec), len(cases))
    yield from _ratios("OpenCV on kinhec's cases", *compare(cases, by_opencv), len(cases))
    yield from _normalised(full)


def _ratios(
    name: str, theirs: dict[str, tuple[float, float]], ours: tuple[float, float], count: int
) -> Iterator[dict[str, Any]]:
    for part, what, unit in ((0, "rotation", "rad"), (1, "translation", "m")):
        best = min(theirs, key=lambda n: theirs[n][part])
        ratio = ours[part] / theirs[best][part]
        yield {"figure": f"mount {what} error over the best of {name} ({best}), {count} cases", "value": ratio,
               "unit": "1", "bound": 1.0, "holds": ratio <= 1.0}  # fmt: skip
        yield {"figure": f"mount {what} error, median, beside {name}", "value": ours[part], "unit": unit,
               "bound": None, "holds": None}  # fmt: skip


def _normalised(full: bool) -> Iterator[dict[str, Any]]:
    """Average normalised squared error of the mount: chi-square with 6 degrees of freedom, 95 % bounds of its mean."""
    from scipy.stats import chi2

    count = 400 if full else 100
    rng = np.random.default_rng(17)
    squared = []
    for _ in range(count):
        case = random_case(rng)
        found = solve_mount(case.views, case.camera, case.noise)
        gap = difference(found.link_from_camera.matrix, case.link_from_camera)
        squared.append(float(gap @ np.linalg.solve(found.covariance, gap)))
    low, high = chi2.ppf([0.025, 0.975], 6 * count) / count
    mean = float(np.mean(squared))
    yield {"figure": f"mount: average normalised squared error, {count} rigs (6 expected)", "value": mean, "unit": "1",
           "bound": [round(float(low), 3), round(float(high), 3)], "holds": bool(low <= mean <= high)}  # fmt: skip
    inside = float(np.mean(np.array(squared) <= chi2.ppf(0.95, 6)))
    spread = 1.96 * np.sqrt(0.95 * 0.05 / count)
    yield {"figure": f"mount: truth inside the 95 % region, {count} rigs", "value": inside, "unit": "1",
           "bound": [round(0.95 - spread, 3), round(min(0.95 + spread, 1.0), 3)],
           "holds": bool(abs(inside - 0.95) <= spread)}  # fmt: skip

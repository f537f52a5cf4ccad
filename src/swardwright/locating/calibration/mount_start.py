"""Closed-form starts for ``A X = X B``: where a camera sits on its link, from arm poses and board poses.

OpenCV's ``calibrateHandEye`` (Park and Martin 1994, Horaud and Dornaika 1995, Daniilidis 1999, Andreff 1999; its Tsai
and Lenz 1989 is left out as the least exact of them on noisy poses) and ``calibrateRobotWorldHandEye`` (Shah 2013) are
all tried; where they fail, because all motions turn about one axis, the 24 right-angled orientations are. Which start
is taken is decided by reprojection, so that no method has to be trusted.
"""

from __future__ import annotations

import itertools
from typing import Any

import cv2
import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, Pose
from swardwright.locating.calibration.boards import BoardView, board_pose
from swardwright.locating.calibration.mount_model import BoardViews

HAND_EYE = {
    "park": cv2.CALIB_HAND_EYE_PARK,
    "horaud": cv2.CALIB_HAND_EYE_HORAUD,
    "daniilidis": cv2.CALIB_HAND_EYE_DANIILIDIS,
    "andreff": cv2.CALIB_HAND_EYE_ANDREFF,
}


def board_poses(views: BoardViews, camera: Camera) -> tuple[Array, Array]:
    """Return ``camera_from_board`` (n, 4, 4) of all views and each view's corner noise (n,), px per coordinate.

    The noise is the residual of the view's own pose with six degrees of freedom taken out, or the median over the views
    where that is larger: it owes nothing to arm or mount, and a view of blurred corners weighs less.
    """
    poses, noise = [], []
    for points, pixels, name in zip(views.points_m, views.pixels, views.names, strict=True):
        pose = _posed(points, pixels, camera, name)
        left = camera.project(pose.apply(points)) - pixels
        poses.append(pose.matrix)
        noise.append(np.sqrt(np.square(left).sum() / max(2 * len(points) - 6, 1)))
    return np.array(poses), np.maximum(noise, np.median(noise))


def _posed(points_m: Array, pixels: Array, camera: Camera, name: str) -> Pose:
    size = (camera.width_px, camera.height_px)
    return board_pose(BoardView(pixels, points_m, np.arange(len(pixels)), size, name), camera)


def mount_starts(views: BoardViews, camera_from_board: Array) -> list[tuple[str, Pose, Pose]]:
    """Return starts ``(method, link_from_camera, base_from_board)``, those that failed left out."""
    link_r, link_t = views.base_from_link[:, :3, :3], views.base_from_link[:, :3, 3]
    eye_r, eye_t = camera_from_board[:, :3, :3], camera_from_board[:, :3, 3]
    mounts: list[tuple[str, Array]] = []
    for name, method in HAND_EYE.items():
        try:
            turn, shift = cv2.calibrateHandEye(list(link_r), list(link_t), list(eye_r), list(eye_t), method=method)
        except cv2.error:
            continue
        mounts.append((name, _matrix(turn, shift)))
    gripper = np.linalg.inv(views.base_from_link)
    try:
        found = cv2.calibrateRobotWorldHandEye(
            list(eye_r), list(eye_t), list(gripper[:, :3, :3]), list(gripper[:, :3, 3]),
            method=cv2.CALIB_ROBOT_WORLD_HAND_EYE_SHAH,
        )  # fmt: skip
        mounts.append(("shah", np.asarray(np.linalg.inv(_matrix(found[2], found[3])), dtype=np.float64)))
    except (cv2.error, np.linalg.LinAlgError):
        pass
    good = [(name, mount) for name, mount in mounts if np.isfinite(mount).all()]
    good += [("right angles", mount) for mount in _right_angled(views.base_from_link, camera_from_board)]
    out = []
    for name, mount in good:
        pose = _pose("link", "camera", mount)
        boards = views.base_from_link @ pose.matrix @ camera_from_board
        out.append((name, pose, mean_pose(boards)))
    return out


def _right_angled(link: Array, eye: Array) -> list[Array]:
    """Return the three best of the 24 right-angled orientations, each with the translation that fits it best."""
    found = []
    pairs = list(itertools.combinations(range(len(link)), 2))[:200]
    a = np.array([np.linalg.inv(link[j]) @ link[i] for i, j in pairs])
    b = np.array([eye[j] @ np.linalg.inv(eye[i]) for i, j in pairs])
    for axes in itertools.permutations(range(3)):
        for signs in itertools.product((1.0, -1.0), repeat=3):
            turn = np.zeros((3, 3))
            turn[range(3), axes] = signs
            if np.linalg.det(turn) < 0:
                continue
            lever = a[:, :3, :3] - np.eye(3)
            right = b[:, :3, 3] @ turn.T - a[:, :3, 3]
            shift = np.linalg.lstsq(lever.reshape(-1, 3), right.ravel(), rcond=1e-3)[0]
            angle = np.einsum("nij,nij->n", a[:, :3, :3] @ turn, turn @ b[:, :3, :3])
            found.append((float(-angle.sum() + np.square(np.einsum("nij,j->ni", lever, shift) - right).sum()),
                          _matrix(turn, shift)))  # fmt: skip
    return [mount for _, mount in sorted(found, key=lambda f: f[0])[:3]]


def _matrix(turn: Any, shift: Any) -> Array:
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = turn, np.ravel(shift)
    return out


def _pose(target: str, source: str, matrix: Array) -> Pose:
    u, _, vt = np.linalg.svd(matrix[:3, :3])
    flip = np.diag([1.0, 1.0, float(np.sign(np.linalg.det(u @ vt)))])
    return Pose(target, source, u @ flip @ vt, matrix[:3, 3])


def mean_pose(boards: Array) -> Pose:
    """Return one ``base_from_board`` of (n, 4, 4): chordal mean of the rotations, median of the translations."""
    middle = np.median(boards[:, :3, 3], axis=0)
    return _pose("base", "board", _matrix(boards[:, :3, :3].sum(axis=0), middle))


def consistent_order(views: BoardViews, camera: Camera) -> tuple[BoardViews, tuple[str, ...]]:
    """Turn the corner order of views round in which the board was found by its other end.

    A plain chessboard looks much the same after half a turn. Between two views the board must seem to turn by the same
    angle as the arm (``A X = X B`` keeps the angle): of the two orders the one that agrees better over all other views
    is kept, first voted, then repeated until nothing changes.

    Returns
    -------
    tuple[BoardViews, tuple[str, ...]]
        The views, and the names of those turned round against the first.
    """
    n = len(views)
    plain, _ = board_poses(views, camera)
    turned = [p[::-1] for p in views.pixels]
    other = np.array([_posed(views.points_m[i], turned[i], camera, views.names[i]).matrix for i in range(n)])
    both = np.stack([plain, other], axis=1)[:, :, :3, :3]
    arm = views.base_from_link[:, :3, :3]
    arm_angle = _angles(np.einsum("aji,bjk->abik", arm, arm))
    cost = np.square(_angles(np.einsum("apij,bqkj->abpqik", both, both)) - arm_angle[:, :, None, None])
    best: tuple[float, list[int]] | None = None
    for seed in range(min(n, 6)):  # every choice relative to one view, then improved
        flip = [0 if i == seed else int(cost[seed, i, 0, 1] < cost[seed, i, 0, 0]) for i in range(n)]
        for _ in range(10):
            votes = [[sum(float(cost[i, j, p, flip[j]]) for j in range(n) if j != i) for p in (0, 1)] for i in range(n)]
            new = [int(v[1] < v[0]) for v in votes]
            if new == flip:
                break
            flip = new
        total = sum(float(cost[i, j, flip[i], flip[j]]) for i in range(n) for j in range(i))
        if best is None or total < best[0] - 1e-12:
            best = total, flip
    flip = best[1] if best is not None else [0] * n
    if sum(flip) > n / 2:  # which end is called the first does not matter
        flip = [1 - f for f in flip]
    pixels = tuple(turned[i] if flip[i] else views.pixels[i] for i in range(n))
    changed = tuple(name for name, f in zip(views.names, flip, strict=True) if f)
    return BoardViews(
        views.base_from_link, views.joints, views.points_m, pixels, views.names, views.joints_rad
    ), changed


def _angles(rotations: Array) -> Array:
    trace = np.trace(rotations, axis1=-2, axis2=-1)
    return np.asarray(np.arccos(np.clip((trace - 1) / 2, -1.0, 1.0)))

"""Intrinsics of a camera from board views, with the covariance of the estimate.

Least squares over all corners of all views: the unknowns are ``fx fy cx cy``, the lens coefficients and one pose per
view (Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334, section 3). Poses are
eliminated view by view (Schur complement), so that the normal matrix of the intrinsics alone is solved and inverted.
Covariance: ``s2 inv(H)``, H that normal matrix, ``s2`` the sum of squares over (2 corners - unknowns).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, frozen
from swardwright.locating.calibration.boards import BoardView

VIEWS_MIN = 3
#: what is taken as known where the views say nothing: focal lengths and principal point to a picture width, lens
#: coefficients to 2, tangential ones to 0.1 (so wide that an ordinary calibration does not feel it)
WIDE_LENS = np.array([2.0, 2.0, 0.1, 0.1, 2.0, 2.0, 2.0, 2.0])
ROUNDS = 60


@dataclass(frozen=True, eq=False)
class LensFit:
    """Intrinsics fitted to views.

    Attributes
    ----------
    camera : Camera
        With the (9, 9) covariance of ``fx fy cx cy k1 k2 p1 p2 k3``.
    parameters : Array
        Shape (9,) or (12,): ``fx fy cx cy k1 k2 p1 p2 k3 [k4 k5 k6]``.
    poses : Array
        Shape (v, 6): rotation vector (rad) and translation (m) of ``camera_from_board`` of each view.
    residuals_px : tuple[Array, ...]
        Per view (n, 2): predicted minus found.
    pixel_sigma_px : float
        Estimated standard deviation of one coordinate of a corner: root of the sum of squares over the degrees of
        freedom.
    information : Array
        Normal matrix of the parameters with the poses eliminated, per px2 of corner variance, (p, p).
    """

    camera: Camera
    parameters: Array
    poses: Array
    residuals_px: tuple[Array, ...]
    pixel_sigma_px: float
    information: Array

    @property
    def reprojection_px(self) -> float:
        """Root-mean-square distance between predicted and found corners, as OpenCV states it."""
        return float(np.sqrt(np.square(np.concatenate(self.residuals_px)).sum(axis=1).mean()))

    @property
    def by_view_px(self) -> Array:
        """Root-mean-square distance of each view, (v,)."""
        return np.array([np.sqrt(np.square(r).sum(axis=1).mean()) for r in self.residuals_px])


def check_views(views: Sequence[BoardView]) -> tuple[int, int]:
    """Return the size that all views share.

    Raises
    ------
    InputError
        If there are too few views or their pictures differ in size.
    """
    if len(views) < VIEWS_MIN:
        raise InputError("too few pictures show the whole board", field="views", value=len(views),
                         limit=f"{VIEWS_MIN} at the very least, 15 to 30 for a good calibration",
                         remedy="take more pictures of the board, near and far, tilted to all sides")  # fmt: skip
    sizes = [v.size_px for v in views]
    usual = max(set(sizes), key=sizes.count)
    odd = next((v for v in views if v.size_px != usual), None)
    if odd is not None:
        raise InputError("the pictures have different sizes, so they are not of one calibration", where=odd.name,
                         field="size", value=f"{odd.size_px[0]}x{odd.size_px[1]}", limit=f"{usual[0]}x{usual[1]}",
                         remedy="calibrate with pictures as the camera gives them")  # fmt: skip
    return usual


def fit_lens(views: Sequence[BoardView], *, rational: bool = False, start: LensFit | None = None,
             weights: Array | None = None) -> LensFit:  # fmt: skip
    """Fit intrinsics and poses to views.

    Parameters
    ----------
    views : Sequence[BoardView]
        At least ``VIEWS_MIN``, all of one picture size.
    rational : bool
        Fit ``k4 k5 k6`` too.
    start : LensFit, optional
        Where to start: a fit of the same views, in the same order.
    weights : Array, optional
        Shape (v,): weight of each view's squares; the covariance is meant for weights of 1.

    Raises
    ------
    InputError
        If the views do not determine a camera.
    """
    size = check_views(views)
    weights = np.ones(len(views)) if weights is None else weights
    if start is None:
        theta, poses = _start(views, size, rational)
    else:
        theta, poses = start.parameters.copy(), start.poses.copy()
    cost, damping, scale = np.inf, 1e-4, None
    linear = _linear(views, theta, poses)
    cost = float(sum(w * np.square(part[0]).sum() for w, part in zip(weights, linear, strict=True)))
    for _ in range(ROUNDS):
        step, turns, scale = _step(linear, weights, damping)
        tried = theta + step, poses + turns
        try:
            new = _linear(views, *tried)
            now = float(sum(w * np.square(part[0]).sum() for w, part in zip(weights, new, strict=True)))
        except InputError:
            now = np.inf
        if not now <= cost:
            damping *= 8
            if damping > 1e10:
                break
            continue
        theta, poses, linear, damping = *tried, new, max(damping / 8, 1e-12)
        done = cost - now <= 1e-12 * cost and float(np.abs(step * scale).max()) < 1e-4
        cost = now
        if done:
            break
    return _finished(views, size, theta, poses, linear)


def fit_pose(view: BoardView, parameters: Array, pose: Array) -> tuple[Array, Array]:
    """Fit one view's pose alone: return it, (6,), and the residuals (n, 2) in px; starts at ``pose``."""
    cost, damping = np.inf, 1e-6
    residual, turn, _ = _project(view, parameters, pose)
    cost = float(np.square(residual).sum())
    for _ in range(ROUNDS):
        normal = turn.T @ turn
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), turn.T @ residual.ravel())
        new, new_turn, _ = _project(view, parameters, pose + step)
        now = float(np.square(new).sum())
        if not now <= cost:
            damping *= 10
            if damping > 1e8:
                break
            continue
        done = cost - now <= 1e-12 * cost
        pose, residual, turn, cost, damping = pose + step, new, new_turn, now, max(damping / 10, 1e-12)
        if done:
            break
    return pose, residual


def view_score(view: BoardView, parameters: Array, pose: Array) -> tuple[Array, Array]:
    """Return what one view tells about the parameters once its own pose is eliminated.

    Returns
    -------
    tuple[Array, Array]
        Gradient (p,) in px, and information (p, p) per px2 of corner variance.
    """
    residual, turn, by = _project(view, parameters, pose)
    cross = by.T @ turn
    carry = np.linalg.solve(turn.T @ turn, np.column_stack([cross.T, turn.T @ residual.ravel()]))
    return by.T @ residual.ravel() - cross @ carry[:, -1], by.T @ by - cross @ carry[:, :-1]


def prior_information(parameters: Array, size_px: tuple[int, int], sigma_px: float) -> Array:
    """Return the wide prior's information in the units of ``LensFit.information``, (p, p)."""
    wide = np.concatenate([np.full(4, float(max(size_px))), WIDE_LENS])[: len(parameters)]
    return np.asarray(np.diag((sigma_px / wide) ** 2))


def _start(views: Sequence[BoardView], size: tuple[int, int], rational: bool) -> tuple[Array, Array]:
    """Return parameters and poses by OpenCV: closed form, then k1 and k2 only."""
    import cv2

    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST
    try:
        _, k, lens, turns, shifts = cv2.calibrateCamera(
            [v.points_m.astype(np.float32) for v in views], [v.pixels.astype(np.float32) for v in views], size,
            np.eye(3), np.zeros(5), flags=flags,
        )  # fmt: skip
    except cv2.error as error:
        raise _no_camera(len(views)) from error
    theta = np.concatenate([[k[0, 0], k[1, 1], k[0, 2], k[1, 2]], lens.ravel()[:5], np.zeros(3 if rational else 0)])
    poses = np.hstack([np.reshape(turns, (-1, 3)), np.reshape(shifts, (-1, 3))])
    if not (np.isfinite(theta).all() and np.isfinite(poses).all()):
        raise _no_camera(len(views))
    return theta, poses


def _no_camera(count: int) -> InputError:
    return InputError("no camera fits these views", field="views", value=count,
                      remedy="check the board's corners, and that all pictures are of one camera")  # fmt: skip


def _project(view: BoardView, theta: Array, pose: Array) -> tuple[Array, Array, Array]:
    """Return residuals (n, 2), their Jacobian by the pose (2n, 6) and by the parameters (2n, p)."""
    import cv2

    k = np.array([[theta[0], 0, theta[2]], [0, theta[1], theta[3]], [0, 0, 1.0]])
    seen, jacobian = cv2.projectPoints(np.asarray(view.points_m), pose[:3], pose[3:], k, theta[4:])
    residual = seen[:, 0] - view.pixels
    if not (np.isfinite(residual).all() and np.isfinite(jacobian).all()):
        raise InputError("a view cannot be predicted", where=view.name, remedy="leave this picture out")
    return residual, jacobian[:, :6], jacobian[:, 6 : 6 + len(theta)]


Linear = list[tuple[Array, Array, Array]]


def _linear(views: Sequence[BoardView], theta: Array, poses: Array) -> Linear:
    return [_project(view, theta, pose) for view, pose in zip(views, poses, strict=True)]


def _step(linear: Linear, weights: Array, damping: float) -> tuple[Array, Array, Array]:
    """Return a Levenberg-Marquardt step of the parameters and of the poses, and the parameters' scale."""
    p = linear[0][2].shape[1]
    reduced, right, back = np.zeros((p, p)), np.zeros(p), []
    diagonal = np.zeros(p)
    for weight, (residual, turn, by) in zip(weights, linear, strict=True):
        own = turn.T @ turn
        own += damping * np.diag(np.diag(own))
        cross, gradient = by.T @ turn, turn.T @ residual.ravel()
        kept = np.linalg.solve(own, np.column_stack([cross.T, gradient]))
        reduced += weight * (by.T @ by - cross @ kept[:, :p])
        right += weight * (by.T @ residual.ravel() - cross @ kept[:, p])
        diagonal += weight * np.square(by).sum(axis=0)
        back.append(kept)
    scale = np.sqrt(diagonal) + 1e-300
    step = -np.linalg.lstsq(
        reduced / np.outer(scale, scale) + damping * np.eye(p), right / scale, rcond=1e-15
    )[0] / scale  # fmt: skip
    turns = np.array([-kept[:, p] - kept[:, :p] @ step for kept in back])
    return step, turns, scale


def _finished(views: Sequence[BoardView], size: tuple[int, int], theta: Array, poses: Array, linear: Linear) -> LensFit:
    residuals = tuple(frozen(part[0]) for part in linear)
    count = 2 * sum(len(r) for r in residuals)
    freedom = count - len(theta) - 6 * len(views)
    if freedom < 10:
        raise InputError("too few corners for so many unknowns", field="corners", value=count // 2,
                         remedy="take more pictures, or use a board with more squares")  # fmt: skip
    sigma = float(np.sqrt(sum(float(np.square(r).sum()) for r in residuals) / freedom))
    information = np.sum([view_score(v, theta, pose)[1] for v, pose in zip(views, poses, strict=True)], axis=0)
    if theta[0] <= 0 or theta[1] <= 0:
        raise _no_camera(len(views))
    fx, fy, cx, cy = (float(v) for v in theta[:4])
    camera = Camera(size[0], size[1], fx, fy, cx, cy, theta[4:], np.zeros((9, 9)))
    covariance = covariance_of(information, theta, size, sigma)
    return LensFit(with_covariance(camera, covariance), theta, poses, residuals, sigma, information)


def covariance_of(information: Array, theta: Array, size: tuple[int, int], sigma_px: float) -> Array:
    """Return the covariance of the parameters, (p, p), from their information."""
    total = information + prior_information(theta, size, max(sigma_px, 1e-6))
    scale = 1.0 / np.sqrt(np.diag(total))
    inverse = np.linalg.inv(total * np.outer(scale, scale)) * np.outer(scale, scale)
    return np.asarray(sigma_px**2 * (inverse + inverse.T) / 2)


def with_covariance(camera: Camera, covariance: Array) -> Camera:
    """Return the camera with the covariance of its parameters, (9, 9) or (12, 12), kept as (9, 9).

    That of a rational lens is carried to the nine parameters that move the picture's points most nearly as all twelve
    do (least squares over the picture): the errors of rays are kept, which is what the covariance is for.
    """
    from dataclasses import replace

    if len(covariance) > 9:
        focal, centre = np.array([camera.fx_px, camera.fy_px]), np.array([camera.cx_px, camera.cy_px])
        ideal = (grid_pixels(camera, 16, 12) - centre) / focal
        target, slope = camera.distort(ideal)
        there = np.abs(target * focal + centre - grid_pixels(camera, 16, 12)).max(axis=1) < 0.2 * camera.width_px
        there &= np.linalg.det(slope) > 0.05  # not where the model folds, beyond the corners that were seen
        ideal, target = ideal[there], target[there]
        lens = camera.distort_by_lens(ideal) * focal[:, None]
        by = np.zeros((len(ideal), 2, 12))
        by[:, [0, 1], [0, 1]] = target
        by[:, [0, 1], [2, 3]] = 1.0
        by[:, :, 4:] = lens
        flat = by.reshape(-1, 12)
        carry = np.linalg.lstsq(flat[:, :9], flat, rcond=None)[0]
        covariance = carry @ covariance @ carry.T
    return replace(camera, covariance=(covariance + covariance.T) / 2)


def grid_pixels(camera: Camera, across: int, down: int) -> Array:
    """Return pixels (across * down, 2) spread evenly over the picture, edges included, row by row."""
    u, v = np.linspace(0, camera.width_px - 1, across), np.linspace(0, camera.height_px - 1, down)
    x, y = np.meshgrid(u, v)
    return np.column_stack([x.ravel(), y.ravel()])


__all__ = [
    "VIEWS_MIN", "LensFit", "check_views", "covariance_of", "fit_lens", "fit_pose", "grid_pixels", "prior_information",
    "view_score", "with_covariance",
]  # fmt: skip

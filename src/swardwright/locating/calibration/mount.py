"""Where the camera sits on the arm: least squares over reprojection, with honest covariance.

Unknown are ``link_from_camera``, ``base_from_board``, the joints' zero offsets and the intrinsics' error (both within
their priors) and, for each view, the joints' reading errors. The last are taken out view by view (Schur complement;
Horn and Johnson, Matrix Analysis, 0.8.5), so that many corners in few pictures do not pass for much knowledge of the
arm. Levenberg-Marquardt with Huber's loss (Huber 1964; Triggs et al. 2000, "Bundle adjustment: a modern synthesis",
section 4.3). The covariance is the inverse of the reduced information.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, Pose, frozen, vector_from_rotation
from swardwright.locating.calibration.mount_model import BoardViews, MountState, corrected, residuals
from swardwright.locating.calibration.mount_start import board_poses, mean_pose, mount_starts

#: a corner farther off than this many standard deviations counts linearly (common practice; loses < 1 % on clean data)
HUBER = 3.0
#: information of nothing: 1 rad and 1 m, so that an unknown direction has a finite, plainly useless variance
_VAGUE = np.array([1.0] * 3 + [1.0] * 3)
#: a standard deviation of zero means "exact"; this stands for it
_EXACT = 1e-9
VIEWS_MIN = 3


@dataclass(frozen=True, eq=False)
class MountNoise:
    """Standard deviations that weigh the views.

    Attributes
    ----------
    joint : Array
        Shape (k,): reading error of the arm's error terms per view (rad).
    offset : Array
        Shape (k,): error that all views share (rad); zero: none.
    pixel_px : float | None
        Corner noise per coordinate; None: taken from the residuals of the boards' own poses.
    """

    joint: Array
    offset: Array
    pixel_px: float | None = None


def joint_noise(dof: int, joint_rad: float, offset_rad: float, pixel_px: float | None = None) -> MountNoise:
    """Return the same noise for every joint."""
    return MountNoise(np.full(dof, joint_rad), np.full(dof, offset_rad), pixel_px)


@dataclass(frozen=True, eq=False)
class MountEstimate:
    """A calibrated mount.

    Attributes
    ----------
    link_from_camera, base_from_board : Pose
    covariance : Array
        Shape (6, 6): rotation vector (rad), then translation (m), in link axes, as ``Rig.mount_covariance``.
    state : MountState
        All that was solved for.
    information : Array
        Shape (16 + k, 16 + k): of ``(mount, board, offset, intrinsics)``, views' own noise taken out, priors included.
    view_information : Array
        Shape (n, 16 + k, 16 + k): what each view adds to it.
    corner_px : Array
        Shape (n,): corner noise used for each view.
    rms_px : Array
        Shape (n,): root-mean-square residual per coordinate of each view, joints taken as read.
    surplus : float
        Misfit beyond the boards' own poses per degree of freedom: 1 where the stated joint errors are right.
    inflated : float
        Factor by which the covariance was enlarged because ``surplus`` is beyond chance; 1: none.
    start : str
        Closed-form method whose start led here.
    """

    link_from_camera: Pose
    base_from_board: Pose
    covariance: Array
    state: MountState
    information: Array
    view_information: Array
    corner_px: Array
    rms_px: Array
    surplus: float
    inflated: float
    start: str

    def __post_init__(self) -> None:
        for name in ("covariance", "information", "view_information", "corner_px", "rms_px"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, eq=False)
class _Problem:
    """Views with everything in units of its standard deviation."""

    views: BoardViews
    camera: Camera
    corner_px: Array  # (n,)
    joint: Array  # information (k,) of each view's joint errors
    prior: Array  # information (16 + k, 16 + k) about the shared unknowns
    claim: Pose | None = None  # what the prior on the mount is about

    def shared(self, state: MountState) -> Array:
        """Return how far the shared unknowns are from what the prior expects, shape (16 + k,)."""
        gap = np.zeros(12)
        if self.claim is not None:
            gap[:3] = vector_from_rotation(state.mount.rotation @ self.claim.rotation.T)
            gap[3:6] = state.mount.translation_m - self.claim.translation_m
        return np.concatenate([gap, state.offset_rad, state.intrinsics_px])

    def cost(self, state: MountState) -> float:
        """Return twice the negative logarithm of the posterior, up to a constant; infinite behind the camera."""
        error, _, index = residuals(self.views, self.camera, state)
        if not np.isfinite(error).all():
            return np.inf
        shared = self.shared(state)
        return _huber(error / self.corner_px[index, None]) + float(
            (np.square(state.noise_rad) * self.joint).sum() + shared @ self.prior @ shared
        )

    def linear(self, state: MountState) -> tuple[Array, Array, Array]:
        """Return per view the information (n, p, p) and gradient (n, p) of the shared unknowns, and the residuals."""
        error, jacobian, index = residuals(self.views, self.camera, state)
        sigma = self.corner_px[index]
        error, jacobian = error / sigma[:, None], jacobian / sigma[:, None, None]
        size = np.linalg.norm(error, axis=1)
        weight = np.minimum(1.0, HUBER / np.maximum(size, 1e-12))
        ends = np.concatenate([[0], np.cumsum(np.bincount(index, minlength=len(self.views)))])
        blocks, gradients = [], []
        for a, b in itertools.pairwise(ends):
            rows = jacobian[a:b].reshape(2 * (b - a), -1)
            weighted = (jacobian[a:b] * weight[a:b, None, None]).reshape(2 * (b - a), -1)
            blocks.append(weighted.T @ rows)
            gradients.append(weighted.T @ error[a:b].ravel())
        return np.array(blocks), np.array(gradients), error


def _huber(error: Array) -> float:
    size = np.linalg.norm(error, axis=-1)
    return float(np.where(size <= HUBER, size**2, 2 * HUBER * size - HUBER**2).sum())


def _inverse(matrix: Array) -> Array:
    """Invert a symmetric positive definite matrix of unequal scales."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    inverse = np.linalg.inv(matrix * scale[:, None] * scale) * scale[:, None] * scale
    return np.asarray(0.5 * (inverse + inverse.T))


def _prior(camera: Camera, noise: MountNoise) -> Array:
    k = len(noise.offset)
    out = np.zeros((16 + k, 16 + k))
    out[range(12, 12 + k), range(12, 12 + k)] = 1.0 / np.square(np.maximum(noise.offset, _EXACT))
    out[12 + k :, 12 + k :] = _inverse(camera.covariance[:4, :4] + _EXACT**2 * np.eye(4))
    return out


def _reduced(blocks: Array, k: int, joint: Array) -> Array:
    """Return each view's information (n, p, p) with its own joint errors taken out."""
    own = blocks[:, 12 : 12 + k, 12 : 12 + k] + np.diag(joint)
    cross = blocks[:, :, 12 : 12 + k]
    return np.asarray(blocks - cross @ np.linalg.solve(own, cross.transpose(0, 2, 1)))


def _refine(problem: _Problem, state: MountState, rounds: int = 60) -> tuple[MountState, float]:
    """Levenberg-Marquardt from ``state``; returns where it ended and the cost there."""
    k, damping, cost = len(state.offset_rad), 1e-4, problem.cost(state)
    e = slice(12, 12 + k)
    for _ in range(rounds):
        blocks, gradients, _ = problem.linear(state)
        shared = problem.shared(state)
        total = blocks.sum(axis=0) + problem.prior
        slope = gradients.sum(axis=0) + problem.prior @ shared
        own_slope = gradients[:, e] + state.noise_rad * problem.joint
        better = False
        while damping < 1e12:
            lift = damping * np.diag(np.maximum(np.diag(total), 1e-9))
            own = blocks[:, e, e] * (1 + damping * np.eye(k)) + np.diag(problem.joint)
            cross = blocks[:, :, e]
            back = np.linalg.solve(own, np.concatenate([cross.transpose(0, 2, 1), own_slope[:, :, None]], axis=2))
            reduced = total + lift - (cross @ back[:, :, :-1]).sum(axis=0)
            right = slope - np.einsum("npk,nk->p", cross, back[:, :, -1])
            scale = 1.0 / np.sqrt(np.maximum(np.diag(reduced), 1e-300))
            try:
                step = -scale * np.linalg.solve(reduced * scale[:, None] * scale, scale * right)
            except np.linalg.LinAlgError:
                damping *= 10
                continue
            moved = state.moved(step, -(back[:, :, -1] + np.einsum("nkp,p->nk", back[:, :, :-1], step)))
            new = problem.cost(moved)
            if new < cost:
                better = cost - new > 1e-9 * cost
                state, cost, damping = moved, new, max(damping / 10, 1e-12)
                break
            damping *= 10
        if not better:
            break
    return state, cost


def solve_mount(views: BoardViews, camera: Camera, noise: MountNoise) -> MountEstimate:
    """Return the mount that explains the views best, and how well it is known.

    Raises
    ------
    InputError
        With fewer than three views, or where no start puts the board in front of the camera in every view.
    """
    if len(views) < VIEWS_MIN:
        raise InputError("too few views of the board for a mount", where="mount calibration",
                         value=f"{len(views)} views", limit=f"{VIEWS_MIN} or more, turned about two axes",
                         remedy="take 15 pictures with the arm turned differently in each")  # fmt: skip
    poses, seen_px = board_poses(views, camera)
    corner_px = np.maximum(noise.pixel_px or seen_px, 0.01) * np.ones(len(views))
    k, n = len(noise.offset), len(views)
    joint = 1.0 / np.square(np.maximum(noise.joint, _EXACT))
    problem = _Problem(views, camera, corner_px, joint, _prior(camera, noise))
    tried = []
    for name, mount, board in mount_starts(views, poses):
        state = MountState(mount, board, np.zeros(k), np.zeros((n, k)), np.zeros(4))
        cost = problem.cost(state)
        if np.isfinite(cost):
            tried.append((cost, name, state))
    if not tried:
        raise InputError("no mount puts the board in front of the camera in every view", where="mount calibration",
                         remedy="check that pictures and joint positions belong together")  # fmt: skip
    tried.sort(key=lambda t: t[0])
    freedom = max(6 * n - 12, 1)
    best: tuple[float, str, MountState, float] | None = None
    for _, name, state in tried:
        end, cost = _refine(problem, state)
        if best is None or cost < best[0]:
            eye = corrected(camera, end.intrinsics_px)
            best = cost, name, end, (cost - _huber_at(views, eye, board_poses(views, eye)[0], corner_px)) / freedom
        if _within_chance(best[3], freedom):  # other starts can only find the same
            break
    assert best is not None
    return _estimate(problem, noise, best, freedom)


def cost_of_claim(
    views: BoardViews, camera: Camera, noise: MountNoise, estimate: MountEstimate, claim: Pose, stated: Array
) -> float:
    """Return by how much the cost of the views rises if the mount is a claim within its stated error (6, 6).

    Chi-square with six degrees of freedom if the claim is right. Unlike a distance by the estimate's covariance it
    holds where the views leave a direction open, however far the estimate has wandered along it.
    """
    k, n = len(noise.offset), len(views)
    joint = 1.0 / np.square(np.maximum(noise.joint, _EXACT))
    free = _Problem(views, camera, estimate.corner_px, joint, _prior(camera, noise))
    prior = np.array(free.prior)
    prior[:6, :6] += _inverse(stated)
    tied = _Problem(views, camera, estimate.corner_px, joint, prior, claim)
    board = mean_pose(views.base_from_link @ claim.matrix @ board_poses(views, camera)[0])
    start = MountState(claim, board, np.zeros(k), np.zeros((n, k)), np.zeros(4))
    if not np.isfinite(tied.cost(start)):
        return np.inf
    end, cost = _refine(tied, start, 20)
    return cost - min(_refine(free, end, 20)[1], free.cost(estimate.state))


def _within_chance(surplus: float, freedom: int) -> bool:
    """Say whether a misfit per degree of freedom is one that chance exceeds more often than once in a thousand."""
    from scipy.special import chdtri

    return bool(surplus * freedom <= chdtri(freedom, 1e-3))


def _huber_at(views: BoardViews, camera: Camera, poses: Array, corner_px: Array) -> float:
    return sum(
        _huber((camera.project(points @ pose[:3, :3].T + pose[:3, 3]) - pixels) / sigma)
        for points, pixels, pose, sigma in zip(views.points_m, views.pixels, poses, corner_px, strict=True)
    )


def _estimate(
    problem: _Problem, noise: MountNoise, best: tuple[float, str, MountState, float], freedom: int
) -> MountEstimate:
    _, name, state, surplus = best
    k = len(noise.offset)
    blocks, _, _ = problem.linear(state)
    each = _reduced(blocks, k, problem.joint)
    information = each.sum(axis=0) + problem.prior
    inflated = 1.0 if _within_chance(surplus, freedom) else surplus
    covariance = inflated * shared_covariance(information)[:6, :6]
    plain = MountState(state.mount, state.board, state.offset_rad, np.zeros_like(state.noise_rad), state.intrinsics_px)
    return MountEstimate(state.mount, state.board, covariance, state, information, each, problem.corner_px,
                         view_rms(problem.views, problem.camera, plain), surplus, inflated, name)  # fmt: skip


def view_rms(views: BoardViews, camera: Camera, state: MountState) -> Array:
    """Return each view's root-mean-square residual per coordinate, px; NaN where the board is behind the camera."""
    error, _, index = residuals(views, camera, state)
    return np.array([np.sqrt(np.mean(np.square(error[index == i]))) for i in range(len(views))])


def shared_covariance(information: Array) -> Array:
    """Return the covariance of the shared unknowns; a direction that no view speaks of gets that of 1 rad or 1 m."""
    vague = np.zeros(len(information))
    vague[:12] = np.tile(1.0 / np.square(_VAGUE), 2)
    return _inverse(information + np.diag(vague))


def added_information(views: BoardViews, camera: Camera, state: MountState, noise: MountNoise,
                      corner_px: float) -> Array:  # fmt: skip
    """Return what further views would add, shape (n, 16 + k, 16 + k), their own joint errors taken out."""
    k = len(noise.offset)
    joint = 1.0 / np.square(np.maximum(noise.joint, _EXACT))
    fresh = MountState(state.mount, state.board, state.offset_rad, np.zeros((len(views), k)), state.intrinsics_px)
    sigma = np.full(len(views), corner_px)
    blocks, _, _ = _Problem(views, camera, sigma, joint, np.zeros((16 + k, 16 + k))).linear(fresh)
    return _reduced(blocks, k, joint)


@dataclass(frozen=True, eq=False)
class HoldOut:
    """How a mount from the other views predicts views that it has not seen, joints taken as read.

    Attributes
    ----------
    rms_px : Array
        Shape (n,): per view and coordinate.
    rms_m : Array
        Shape (n,): the same carried along the pixels' rays to the board's plane.
    squared : Array
        Shape (n,): normalised squared error with 6 degrees of freedom.
    """

    rms_px: Array
    rms_m: Array
    squared: Array

    @property
    def overall_px(self) -> float:
        """Root-mean-square over the views."""
        return float(np.sqrt(np.mean(np.square(self.rms_px))))

    @property
    def overall_m(self) -> float:
        """Root-mean-square over the views, metres on the board's plane."""
        return float(np.sqrt(np.mean(np.square(self.rms_m))))


def hold_out(views: BoardViews, camera: Camera, noise: MountNoise, folds: int = 4) -> HoldOut | None:
    """Calibrate with every fold of views left out in turn and predict those; None with too few views."""
    n = len(views)
    if n < folds + VIEWS_MIN + 1:
        return None
    rms_px, rms_m, squared = np.zeros(n), np.zeros(n), np.zeros(n)
    own_poses, seen_px = board_poses(views, camera)
    corner_px = np.maximum(noise.pixel_px or seen_px, 0.01) * np.ones(n)
    for fold in range(folds):
        out = np.arange(fold, n, folds)
        found = solve_mount(views.only(np.setdiff1d(np.arange(n), out)), camera, noise)
        covariance = found.inflated * shared_covariance(found.information)
        left = views.only(out)
        k = len(noise.offset)
        state = MountState(found.state.mount, found.state.board, found.state.offset_rad, np.zeros((len(out), k)),
                           found.state.intrinsics_px)  # fmt: skip
        error, jacobian, index = residuals(left, camera, state)
        for i, view in enumerate(out):
            mine = index == i
            r, j = error[mine].ravel(), jacobian[mine].reshape(2 * int(mine.sum()), -1)
            e = j[:, 12 : 12 + k]
            spread = j @ covariance @ j.T + (e * np.square(noise.joint)) @ e.T + corner_px[view] ** 2 * np.eye(len(r))
            own = _huber_at(views.only([int(view)]), camera, own_poses[[view]], corner_px[[view]])
            rms_px[view] = np.sqrt(np.mean(np.square(r)))
            squared[view] = r @ np.linalg.solve(spread, r) - own
            rms_m[view] = _on_board(left, i, camera, state)
    return HoldOut(rms_px, rms_m, squared)


def _on_board(views: BoardViews, i: int, camera: Camera, state: MountState) -> float:
    """Root-mean-square distance (m) between corners and where their pixels' rays meet the board's plane."""
    u, _, vt = np.linalg.svd(views.base_from_link[i, :3, :3])
    link = Pose("base", "link", u @ vt, views.base_from_link[i, :3, 3])
    error = views.joints[i] @ state.offset_rad
    eye = state.board.inverse @ link.perturbed(error) @ state.mount
    ideal, _, _ = corrected(camera, state.intrinsics_px).unproject(views.pixels[i])
    rays = np.concatenate([ideal, np.ones((len(ideal), 1))], axis=1) @ eye.rotation.T
    met = eye.translation_m - rays * (eye.translation_m[2] / rays[:, 2])[:, None]
    return float(np.sqrt(np.mean(np.square(met - views.points_m[i]).sum(axis=1))))

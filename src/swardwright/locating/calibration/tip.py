"""Where the head's tip is on its link, from touching a point that stands still at many arm poses.

Touch i of point g says ``R_i t + s_i = p_g``: linear in the tip t (link axes) and the points p_g (base axes). The
touches are weighed by what joint readings and the touching itself leave uncertain there, the joints' shared zero
offsets being a nuisance within their prior; weights depend on t weakly, so the weighted linear problem is solved a few
times over (Gauss-Newton; its first round is the pivot calibration of the textbooks, e.g. Yaniv 2015, "Which pivot
calibration?").
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.arm import Arm
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, frozen
from swardwright.locating.calibration.mount import MountNoise
from swardwright.locating.calibration.mount_model import cross_matrices
from swardwright.locating.calibration.mount_plan import TURN_MIN_RAD, axis_name, turning

TOUCHES_MIN = 4
_EXACT = 1e-9
#: a tip known worse than this in some direction is not known (m): hand measurement does better (common practice)
_KNOWN_M = 0.02


@dataclass(frozen=True, eq=False)
class TipEstimate:
    """A calibrated tip.

    Attributes
    ----------
    tip_m : Array
        Shape (3,): the tip in link axes.
    covariance : Array
        Shape (3, 3), m2, link axes.
    points_m : Array
        Shape (g, 3): the touched points in base axes.
    residual_m : Array
        Shape (n,): distance of each touch from its point, joints taken as read.
    surplus : float
        Misfit per degree of freedom: 1 where the stated errors are right.
    inflated : float
        Factor by which the covariance was enlarged because ``surplus`` is beyond chance.
    unknown : tuple[str, ...]
        What the touches do not say, in words.
    """

    tip_m: Array
    covariance: Array
    points_m: Array
    residual_m: Array
    surplus: float
    inflated: float
    unknown: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("tip_m", "covariance", "points_m", "residual_m"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


def solve_tip(
    arm: Arm, link: str, joints_rad: Array, noise: MountNoise, touch_m: float = 0.001,
    group: Sequence[int] | None = None,
) -> TipEstimate:  # fmt: skip
    """Return the tip that puts every group of touches at one point.

    Parameters
    ----------
    joints_rad : Array
        Shape (n, dof): readings at the touches.
    noise : MountNoise
        Joint reading and offset errors (``pixel_px`` is not used).
    touch_m : float
        How exactly a touch meets the point, standard deviation per axis.
    group : sequence of int, optional
        Which point each touch met; None: the same in all.

    Raises
    ------
    InputError
        With too few touches, or where no point was touched twice.
    """
    from scipy.special import chdtri

    q = np.asarray(joints_rad, dtype=float).reshape(-1, len(arm.moving))
    n, k = q.shape
    groups = np.zeros(n, dtype=int) if group is None else np.unique(np.asarray(group), return_inverse=True)[1]
    points = int(groups.max()) + 1 if n else 0
    freedom = 3 * n - 3 - 3 * points
    if n < TOUCHES_MIN or freedom < 3:
        raise InputError("too few touches for the tip", where="tip calibration", value=f"{n} touches",
                         limit=f"{TOUCHES_MIN} or more, each point touched from several sides",
                         remedy="touch one fixed point at 8 poses, the head turned another way in each")  # fmt: skip
    if not np.isfinite(q).all():
        raise InputError("joint positions must be finite", where="tip calibration", remedy="mend the touches")
    pose, jacobian = arm.forward(q, link), arm.jacobian(q, link)
    turn, place = pose[:, :3, :3], pose[:, :3, 3]
    rows = np.zeros((n, 3, 3 + 3 * points))
    rows[:, :, :3] = turn
    for i, g in enumerate(groups):
        rows[i, :, 3 + 3 * g : 6 + 3 * g] = -np.eye(3)
    x = np.linalg.lstsq(rows.reshape(3 * n, -1), -place.ravel(), rcond=1e-9)[0]
    offset = np.zeros(k)
    prior = np.diag(1.0 / np.square(np.maximum(noise.offset, _EXACT)))
    size = 3 + 3 * points
    vague = np.diag(np.r_[np.ones(size), np.zeros(k)])  # 1 m: an unknown direction stays finite
    for _ in range(6):
        moves = jacobian[:, 3:] - cross_matrices(turn @ x[:3]) @ jacobian[:, :3]  # of the tip by the joints
        spread = (moves * np.square(noise.joint)) @ moves.transpose(0, 2, 1) + touch_m**2 * np.eye(3)
        weight = np.linalg.inv(spread)
        full = np.concatenate([rows, moves], axis=2)
        error = np.einsum("nij,j->ni", full, np.r_[x, offset]) + place
        information = np.einsum("nai,nab,nbj->ij", full, weight, full) + vague
        information[size:, size:] += prior
        right = -np.einsum("nai,nab,nb->i", full, weight, error)
        right[size:] -= prior @ offset
        scale = 1.0 / np.sqrt(np.diag(information))
        step = scale * np.linalg.solve(information * scale[:, None] * scale, scale * right)
        x, offset = x + step[:size], offset + step[size:]
    error = np.einsum("nij,j->ni", full, np.r_[x, offset]) + place
    surplus = float(np.einsum("na,nab,nb->", error, weight, error) + offset @ prior @ offset) / freedom
    inflated = surplus if surplus * freedom > chdtri(freedom, 1e-3) else 1.0
    covariance: Array = scale[:, None] * np.linalg.inv(information * scale[:, None] * scale) * scale
    covariance = np.asarray(inflated * 0.5 * (covariance + covariance.T)[:3, :3], dtype=np.float64)
    plain = np.einsum("nij,j->ni", rows, x) + place
    apart = frozen(np.linalg.norm(plain, axis=1))
    return TipEstimate(frozen(x[:3]), frozen(covariance), frozen(x[3:].reshape(-1, 3)), apart, surplus, inflated,
                       _unknown(turn, covariance))  # fmt: skip


def _unknown(turn: Array, covariance: Array) -> tuple[str, ...]:
    values, axes = np.linalg.eigh(covariance)
    _, others_rad = turning(turn)
    out = []
    for value, axis in zip(values[::-1], axes.T[::-1], strict=True):
        if value < _KNOWN_M**2:
            continue
        known = min(math.sqrt(float(value)), 1.0)
        why = "all your touches turn the head about one axis: " if others_rad < TURN_MIN_RAD else ""
        out.append(
            f"{why}the tip's place along {axis_name(axis)} of the link is not known (to {1000 * known:.0f} mm only); "
            "touch the point with the head turned about another axis"
        )
    return tuple(out)

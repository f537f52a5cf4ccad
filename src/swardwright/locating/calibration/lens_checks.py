"""Is a lens calibration right? Wrong views, views not used for the fit, and how the picture was covered."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, rotation_from_vector
from swardwright.locating.calibration.boards import BoardView
from swardwright.locating.calibration.lens import (
    VIEWS_MIN,
    LensFit,
    fit_lens,
    fit_pose,
    prior_information,
    view_score,
)

#: a view is left out when the others predict it this much worse than the median view (common practice, no source:
#: sound views of one session differ by half, wrong ones by several times), and never for less than this many pixels
WRONG_RATIO, WRONG_PX = 2.5, 0.1
#: or when it pulls the intrinsics this much more than the median view (mean square in standard deviations; for sound
#: views with nine degrees of freedom beyond 6 by chance once in 5e7): a picture at another zoom fits a pose of its own
#: and is betrayed by nothing else
WRONG_PULL, PULL_VIEWS_MIN = 6.0, 5
#: a corner is left out beyond this many robust standard deviations: 6e-7 of sound corners
CORNER_SIGMAS = 5.0
#: never more of the views than this are left out as wrong: beyond it nobody knows which ones are right
WRONG_SHARE = 0.34
#: views are held out one by one up to this many, in this many groups beyond
GROUPS = 16
CELLS = (8, 6)
#: a corner of the picture counts as reached within this share of its sides (common practice, no source)
CORNER_SHARE = 0.15
#: a board tilted by this much against the picture tells focal length from distance (common practice, no source)
TILT_MIN_RAD = np.radians(10.0)
SIDES = ("left", "right", "upper", "lower")


@dataclass(frozen=True, eq=False)
class HeldOut:
    """What views say that were not used for the fit that predicts them.

    Attributes
    ----------
    by_view_px : Array
        Shape (v,): root-mean-square distance of each view's corners under a fit without it (its pose is fitted).
    corners : Array
        Shape (v,): number of corners of each view.
    """

    by_view_px: Array
    corners: Array

    @property
    def reprojection_px(self) -> float:
        """Root-mean-square distance over all corners, each predicted without its own view."""
        return float(np.sqrt(np.average(np.square(self.by_view_px), weights=self.corners)))


@dataclass(frozen=True, eq=False)
class Coverage:
    """Which parts of the picture and which tilts the views cover.

    Attributes
    ----------
    counts : Array
        Shape (6, 8): corners found in each cell of the picture.
    missed_corners : tuple[str, ...]
        Corners of the picture that no corner of the board came near, such as ``"upper left"``.
    tilt_rad : Array
        Shape (v,): angle between the board's and the picture's plane.
    missed_tilts : tuple[str, ...]
        Sides of the board, as seen, that were never turned away from the camera: ``left right upper lower``.
    """

    counts: Array
    missed_corners: tuple[str, ...]
    tilt_rad: Array
    missed_tilts: tuple[str, ...]

    @property
    def share(self) -> float:
        """Share of the cells hit."""
        return float((self.counts > 0).mean())


Sound = tuple[list[BoardView], LensFit, list[tuple[str, str]], int]


def sound_views(views: Sequence[BoardView], *, rational: bool = False) -> Sound:
    """Fit, leaving out wrong views and stray corners.

    Views are first weighted down by how badly they fit, so that one wrong picture cannot spoil the others. The worst
    beyond ``WRONG_RATIO`` times the median is left out, else the one that pulls the intrinsics beyond ``WRONG_PULL``
    times the median, and the rest is fitted again until none is beyond.

    Returns
    -------
    tuple
        The views kept, their fit, (name, reason) of those left out, and how many stray corners were left out.

    Raises
    ------
    InputError
        If no camera fits, or more views contradict each other than ``WRONG_SHARE``.
    """
    kept, out = list(views), list[tuple[str, str]]()
    while True:
        fit = _weighted(kept, rational)
        found = _worst_fitting(fit)
        if found is None:
            fit = fit_lens(kept, rational=rational, start=fit)
            found = _worst_pulling(kept, fit)
        if found is None:
            break
        if len(out) + 1 > WRONG_SHARE * len(views) or len(kept) <= VIEWS_MIN:
            raise InputError("the pictures contradict each other; no camera fits most of them", field="views",
                             value=f"{len(out) + 1} of {len(views)} do not fit", limit=f"{WRONG_SHARE:.0%}",
                             remedy="check that zoom and focus were fixed, that the board is flat and its size is "
                             "right, and that all pictures are of one camera")  # fmt: skip
        worst, reason = found
        out.append((kept[worst].name, reason))
        del kept[worst]
    trimmed = [_without_strays(v, r, fit) for v, r in zip(kept, fit.residuals_px, strict=True)]
    strays = sum(len(a.pixels) - len(b.pixels) for a, b in zip(kept, trimmed, strict=True))
    if strays:
        kept, fit = trimmed, fit_lens(trimmed, rational=rational, start=fit)
    return kept, fit, out, strays


def _worst_fitting(fit: LensFit) -> tuple[int, str] | None:
    by_view = fit.by_view_px
    usual, worst = float(np.median(by_view)), int(np.argmax(by_view))
    if by_view[worst] <= max(WRONG_RATIO * usual, WRONG_PX):
        return None
    times = by_view[worst] / max(usual, 1e-9)
    return worst, f"fits {times:.1f} times worse than the usual view ({by_view[worst]:.2f} px)"


def _worst_pulling(views: Sequence[BoardView], fit: LensFit) -> tuple[int, str] | None:
    if len(views) < PULL_VIEWS_MIN:
        return None
    pulls, own = _pulls(views, fit)
    strength = np.zeros(len(views))
    for i, (pull, a) in enumerate(zip(pulls, own, strict=True)):
        values, vectors = np.linalg.eigh(a - a @ a)
        told = values > 1e-3  # directions in which this view says something and others do too
        along = np.square(vectors[:, told].T @ pull) / values[told]
        strength[i] = along.sum() / max(int(told.sum()), 1) / fit.pixel_sigma_px**2
    usual, worst = max(1.0, float(np.median(strength))), int(np.argmax(strength))
    if strength[worst] <= WRONG_PULL * usual:
        return None
    return (
        worst,
        f"wants other intrinsics than all other views ({math.sqrt(strength[worst] / usual):.1f} times the usual)",
    )


def _pulls(views: Sequence[BoardView], fit: LensFit) -> tuple[list[Array], list[Array]]:
    """Return each view's score (p,) and information (p, p) in units in which the total information is 1."""
    size = (fit.camera.width_px, fit.camera.height_px)
    total = fit.information + prior_information(fit.parameters, size, fit.pixel_sigma_px)
    scale = 1.0 / np.sqrt(np.diag(total))
    root = np.linalg.inv(np.linalg.cholesky(total * np.outer(scale, scale))) * scale  # root total root' = 1
    pulls, own = [], []
    for view, pose in zip(views, fit.poses, strict=True):
        pull, information = view_score(view, fit.parameters, pose)
        pulls.append(root @ pull)
        own.append(root @ information @ root.T)
    return pulls, own


def _weighted(views: list[BoardView], rational: bool) -> LensFit:
    """Fit with weights that a wrong view loses: 1 up to twice the median, then falling with the square."""
    fit = fit_lens(views, rational=rational)
    for _ in range(8):
        ratio = fit.by_view_px / max(float(np.median(fit.by_view_px)), 1e-9)
        if ratio.max() <= 2.0:
            break
        fit = fit_lens(views, rational=rational, start=fit, weights=np.minimum(1.0, (2.0 / ratio) ** 2))
    return fit


def _without_strays(view: BoardView, residual: Array, fit: LensFit) -> BoardView:
    every = np.abs(np.concatenate(fit.residuals_px))
    sigma = 1.4826 * float(np.median(every)) * fit.pixel_sigma_px / float(np.sqrt(np.mean(every**2)))
    good = np.abs(residual).max(axis=1) <= CORNER_SIGMAS * max(sigma, 1e-6)
    if good.all() or good.sum() < 6:
        return view
    return replace(view, pixels=view.pixels[good], points_m=view.points_m[good], corner=view.corner[good])


def hold_out(views: Sequence[BoardView], fit: LensFit, *, rational: bool = False,
             progress: Callable[[int, int], None] | None = None) -> HeldOut | None:  # fmt: skip
    """Fit without each view (or group of views) in turn and predict what was left out; None with too few views."""
    n = len(views)
    if n < VIEWS_MIN + 2:
        return None
    groups = [list(range(i, n, min(n, GROUPS))) for i in range(min(n, GROUPS))]
    by_view = np.zeros(n)
    for done, group in enumerate(groups):
        rest = [i for i in range(n) if i not in group]
        start = replace(fit, poses=fit.poses[rest])
        without = fit_lens([views[i] for i in rest], rational=rational, start=start)
        for i in group:
            _, residual = fit_pose(views[i], without.parameters, fit.poses[i])
            by_view[i] = np.sqrt(np.square(residual).sum(axis=1).mean())
        if progress is not None:
            progress(done + 1, len(groups))
    return HeldOut(by_view, np.array([len(v.pixels) for v in views]))


def together(views: Sequence[BoardView], fit: LensFit) -> tuple[float, float]:
    """Say how much more the views disagree about the intrinsics than corners that err independently would let them.

    Each view pulls the fit by its score ``g_v = B_v' r_v`` (pose eliminated); all pulls cancel at the optimum. Were the
    corners independent, ``Cov(g_u, g_v) = s2 (delta_uv H_v - H_u inv(H) H_v)`` with ``H_v`` the view's information. The
    statistic ``T = sum g_v' inv(H) g_v / s2`` is compared with its mean and variance under that (quadratic form of
    Gaussians), taken as a scaled chi-square (Satterthwaite, Biometrics Bulletin 2 (1946) 110-114). The same pulls make
    the cluster-robust covariance (Liang and Zeger, Biometrika 73 (1986) 13-22), of which the ratio is the size.

    Returns
    -------
    tuple[float, float]
        Variance ratio ``T / E[T]``, and the probability of one as large if corners err independently.
    """
    from scipy.stats import chi2

    pulls, own = _pulls(views, fit)
    statistic = float(np.square(pulls).sum()) / fit.pixel_sigma_px**2
    mean = sum(float(np.trace(a - a @ a)) for a in own)
    variance = 0.0
    for u, a in enumerate(own):
        for v, b in enumerate(own):
            block = (a if u == v else 0.0) - a @ b
            variance += 2.0 * float(np.square(block).sum())
    freedom = 2 * mean**2 / variance
    return statistic / mean, float(chi2.sf(statistic / mean * freedom, freedom))


def coverage(views: Sequence[BoardView], fit: LensFit) -> Coverage:
    """Return which parts of the picture and which tilts the views cover."""
    width, height = views[0].size_px
    every = np.concatenate([v.pixels for v in views]) + 0.5
    counts, _, _ = np.histogram2d(every[:, 1], every[:, 0], bins=CELLS[::-1], range=((0, height), (0, width)))
    missed = []
    for down, name in ((0, "upper"), (1, "lower")):
        for across, side in ((0, "left"), (1, "right")):
            near = np.abs(every / (width, height) - (across, down)) <= CORNER_SHARE
            if not near.all(axis=1).any():
                missed.append(f"{name} {side}")
    tilts, turned = tilts_of(fit.poses)
    missed_tilts = tuple(s for i, s in enumerate(SIDES) if not (turned[:, i] >= np.sin(TILT_MIN_RAD)).any())
    return Coverage(counts, tuple(missed), tilts, missed_tilts)


def tilts_of(poses: Array) -> tuple[Array, Array]:
    """Return each board's tilt (v,) and how far each side is turned away (v, 4): sines, left right upper lower."""
    normal = np.array([rotation_from_vector(p[:3])[:, 2] for p in poses])
    tilt = np.arccos(np.clip(np.abs(normal[:, 2]), 0, 1))
    x, y = normal[:, 0] * np.sign(normal[:, 2]), normal[:, 1] * np.sign(normal[:, 2])
    # the board's plane n.p = const: its depth grows to the left where the normal leans to the right
    return tilt, np.stack([x, -x, y, -y], axis=1)


def invertible(camera: Camera) -> bool:
    """Say whether every pixel of the picture's edge has a ray."""
    u, v = np.linspace(0, camera.width_px - 1, 17), np.linspace(0, camera.height_px - 1, 17)
    edge = [(a, b) for a in u for b in (v[0], v[-1])] + [(a, b) for b in v for a in (u[0], u[-1])]
    try:
        ideal, _, _ = camera.unproject(np.array(edge))
    except InputError:
        return False
    return bool((np.linalg.det(camera.distort(ideal)[1]) > 0).all())


__all__ = [
    "CELLS",
    "SIDES",
    "Coverage",
    "HeldOut",
    "coverage",
    "hold_out",
    "invertible",
    "sound_views",
    "tilts_of",
    "together",
]

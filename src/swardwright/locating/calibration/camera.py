"""Camera calibration: the recipe and its plain verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array
from swardwright.locating.calibration.boards import Board, BoardView
from swardwright.locating.calibration.lens import LensFit
from swardwright.locating.calibration.lens_advice import NextView, ground_error, next_views
from swardwright.locating.calibration.lens_checks import (
    Coverage,
    HeldOut,
    coverage,
    hold_out,
    invertible,
    sound_views,
    together,
)

#: the covariance is widened when the views disagree more than independent corners let them but once in so many sets
TOGETHER_CHANCE = 1e-3
#: limits of the verdict (common practice, no source): error on the ground (as large as a crown's own, and a few times
#: that), the share of the picture that must be within it, picture covered, views, held-out over fitted error
GROUND_FIT_M, GROUND_CARE_M = 0.003, 0.010
KNOWN_FIT, KNOWN_CARE = 0.95, 0.50
SHARE_FIT, SHARE_CARE = 0.6, 0.3
VIEWS_FIT = 10
HELD_OUT_RATIO = 1.5
REPROJECTION_FIT_PX, REPROJECTION_CARE_PX = 0.6, 1.5


class Verdict(StrEnum):
    """What the calibration is good for."""

    FIT = "fit for use"
    CARE = "usable with care"
    NOT = "not usable"


@dataclass(frozen=True, eq=False)
class CameraCalibration:
    """Intrinsics with everything needed to judge them.

    Attributes
    ----------
    camera : Camera
        With the (9, 9) covariance, widened where the corners of a picture err together.
    fit : LensFit
        The fit of the views that were kept.
    views : tuple[BoardView, ...]
        The views that were kept, stray corners removed.
    dropped : tuple[tuple[str, str], ...]
        (name, reason) of views left out as wrong.
    strays : int
        Single corners left out.
    held_out : HeldOut | None
        What views not used for a fit say; None with fewer than five views.
    widened : float
        Factor on the standard deviations; 1 where the corners err independently.
    height_m : float
        Camera height that ``ground_m`` is for.
    ground_m : Array
        Shape (25, 33): standard deviation on level ground by the intrinsics alone, over the picture.
    next_views : tuple[NextView, ...]
        Pictures worth adding, best first.
    """

    camera: Camera
    fit: LensFit
    views: tuple[BoardView, ...]
    dropped: tuple[tuple[str, str], ...]
    strays: int
    held_out: HeldOut | None
    widened: float
    coverage: Coverage
    height_m: float
    ground_m: Array
    next_views: tuple[NextView, ...]
    verdict: Verdict
    reasons: tuple[str, ...]

    @property
    def centre_m(self) -> float:
        """Error on the ground at the picture's centre."""
        down, across = self.ground_m.shape
        return float(self.ground_m[down // 2, across // 2])

    def known(self, limit_m: float) -> float:
        """Return the share of the picture whose error on the ground is within a limit."""
        return float((self.ground_m <= limit_m).mean())

    @property
    def corner_m(self) -> float:
        """Error on the ground in the worst corner of the picture; NaN where the lens model has no ray there."""
        return float(np.max(self.ground_m[[0, 0, -1, -1], [0, -1, 0, -1]]))


def calibrate_camera(views: Sequence[BoardView], board: Board, *, rational: bool = False, height_m: float = 1.0,
                     progress: Callable[[int, int], None] | None = None) -> CameraCalibration:  # fmt: skip
    """Calibrate a camera from board views: fit, leave out what is wrong, hold out, judge, advise.

    Parameters
    ----------
    views : Sequence[BoardView]
        Views of one board by one camera, zoom and focus fixed.
    rational : bool
        Fit the rational lens model (``k4 k5 k6`` too).
    height_m : float
        Height of the camera over the ground at work, for what the errors mean there.
    progress : callable, optional
        Called with (done, total) while views are held out.

    Raises
    ------
    InputError
        If the views do not determine a camera, differ in size, or contradict each other.
    """
    kept, fit, dropped, strays = sound_views(views, rational=rational)
    held = hold_out(kept, fit, rational=rational, progress=progress)
    ratio, chance = together(kept, fit)
    widened = math.sqrt(ratio) if chance < TOGETHER_CHANCE and ratio > 1 else 1.0
    camera = replace(fit.camera, covariance=fit.camera.covariance * widened**2)
    covered = coverage(kept, fit)
    ground = ground_error(camera, height_m)
    advice = next_views(replace(fit, camera=camera), kept, board, height_m)
    found = CameraCalibration(
        camera, fit, tuple(kept), tuple(dropped), strays, held, widened, covered, height_m, ground, tuple(advice),
        Verdict.FIT, (),
    )  # fmt: skip
    verdict, reasons = judge(found)
    return replace(found, verdict=verdict, reasons=reasons)


def judge(found: CameraCalibration) -> tuple[Verdict, tuple[str, ...]]:
    """Return the verdict and its reasons in words, the gravest first."""
    grave, mild = [], []
    focal = math.sqrt(found.camera.covariance[0, 0]) / found.camera.fx_px
    if not invertible(found.camera):
        grave.append("the lens model folds over inside the picture: no corner of the board was near its edge")
    fine, fair = found.known(GROUND_FIT_M), found.known(GROUND_CARE_M)
    if fair < KNOWN_CARE:
        grave.append(_known(fair, GROUND_CARE_M, found))
    elif fair < KNOWN_FIT:
        mild.append(_known(fair, GROUND_CARE_M, found))
    elif fine < KNOWN_FIT:
        mild.append(_known(fine, GROUND_FIT_M, found) + f", though nearly all of it to {1000 * GROUND_CARE_M:g} mm")
    _sort(found.fit.reprojection_px, REPROJECTION_FIT_PX, REPROJECTION_CARE_PX, grave, mild,
          f"corners are predicted to {found.fit.reprojection_px:.2f} px only (blur? a bent board?)")  # fmt: skip
    if focal > 0.02:
        grave.append(f"the focal length is known to {100 * focal:.0f} % only: tilt the board")
    share = found.coverage.share
    _sort(-share, -SHARE_FIT, -SHARE_CARE, grave, mild, f"only {100 * share:.0f} % of the picture was covered")
    if found.held_out is None:
        grave.append(f"only {len(found.views)} views: too few to hold any out, so nothing checks the result")
    elif len(found.views) < VIEWS_FIT:
        mild.append(f"only {len(found.views)} views; 15 to 30 are better")
    if (
        found.held_out is not None
        and (ratio := found.held_out.reprojection_px / found.fit.reprojection_px) > HELD_OUT_RATIO
    ):
        mild.append(f"views not used are predicted {ratio:.1f} times worse than views used")
    if found.coverage.missed_corners:
        mild.append("no corner of the board came near the picture's " + _listed(found.coverage.missed_corners))
    if found.coverage.missed_tilts:
        mild.append("the board was never turned away on its " + _listed(found.coverage.missed_tilts) + " side")
    if found.widened > 1.0:
        mild.append(f"corners of one picture err together, so the stated errors were widened {found.widened:.1f} times "
                    "(a bent board, motion while exposing, or a zoom or focus that moved)")  # fmt: skip
    verdict = Verdict.NOT if grave else Verdict.CARE if mild else Verdict.FIT
    return verdict, tuple(grave + mild)


def _sort(value: float, fit: float, care: float, grave: list[str], mild: list[str], words: str) -> None:
    if not value <= care:
        grave.append(words)
    elif value > fit:
        mild.append(words)


def _known(share: float, limit_m: float, found: CameraCalibration) -> str:
    worst = f"{1000 * found.corner_m:.0f} mm" if math.isfinite(found.corner_m) else "nothing"
    return (f"only {100 * share:.0f} % of the picture is known to {1000 * limit_m:g} mm on the ground "
            f"(from {found.height_m:.2f} m; its worst corner to {worst})")  # fmt: skip


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


__all__ = ["CameraCalibration", "Verdict", "calibrate_camera", "judge"]

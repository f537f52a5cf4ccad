"""Intrinsics from drawn views with known truth: honest errors, wrong views, hold-out, coverage, advice, verdict."""

from __future__ import annotations

from dataclasses import replace

import cv2
import lens_cases as cases  # type: ignore[import-not-found,unused-ignore]
import numpy as np
import pytest
from scipy.stats import chi2

from swardwright.domain.errors import InputError
from swardwright.locating.calibration.boards import BoardView
from swardwright.locating.calibration.camera import Verdict, calibrate_camera
from swardwright.locating.calibration.lens import covariance_of, fit_lens
from swardwright.locating.calibration.lens_advice import ground_error
from swardwright.locating.calibration.lens_checks import coverage, hold_out, sound_views, tilts_of, together

DRAWS = 60


@pytest.fixture(scope="module")
def draws() -> list[tuple[float, float, float]]:
    """Normalised error squared, estimated corner sigma, and chance of the disagreement, of 60 sets drawn."""
    out = []
    for draw in range(DRAWS):
        views = cases.views(10, np.random.default_rng([31, draw]))
        fit = fit_lens(views)
        error = fit.parameters - cases.TRUE
        out.append((float(error @ np.linalg.solve(fit.camera.covariance, error)), fit.pixel_sigma_px,
                    together(views, fit)[1]))  # fmt: skip
    return out


def test_the_covariance_is_honest(draws: list[tuple[float, float, float]]) -> None:
    """Mean normalised error squared of nine parameters over 60 draws within its 99 % chi-square bounds."""
    total = sum(nees for nees, _, _ in draws)
    low, high = chi2.ppf([0.005, 0.995], 9 * DRAWS)
    assert low < total < high


def test_the_corner_error_is_estimated(draws: list[tuple[float, float, float]]) -> None:
    """0.2 px were drawn; 10 views of 54 corners leave 1011 degrees of freedom: 2.2 % each, 0.3 % for the mean."""
    assert np.mean([sigma for _, sigma, _ in draws]) == pytest.approx(0.2, rel=0.01)


def test_independent_corners_are_not_called_dependent(draws: list[tuple[float, float, float]]) -> None:
    """The chance is uniform when it should be: none below 1e-3 in 60, about half below one half (binomial, 4 sd)."""
    chances = np.array([chance for _, _, chance in draws])
    assert chances.min() > 1e-3
    assert abs((chances < 0.5).sum() - DRAWS / 2) < 4 * np.sqrt(DRAWS / 4)


def test_corners_that_err_together_widen_the_covariance() -> None:
    """A board bent by 1 mm between pictures: plain least squares is over-confident, the widened covariance is not."""
    plain, widened = [], []
    for draw in range(8):
        rng = np.random.default_rng([32, draw])
        views = [_bent(v, rng) for v in cases.views(14, rng, sigma_px=0.1)]
        found = calibrate_camera(views, cases.BOARD)
        assert found.widened > 1.2
        assert any("err together" in reason for reason in found.reasons)
        error = found.fit.parameters - cases.TRUE
        plain.append(error @ np.linalg.solve(found.fit.camera.covariance, error) / 9)
        widened.append(error @ np.linalg.solve(found.camera.covariance, error) / 9)
    assert np.mean(plain) > 2.0
    assert 0.5 < np.mean(widened) < 1.7  # 72 errors: 0.70 to 1.35 in 95 % of cases if the shape were exact


def _bent(view: BoardView, rng: np.random.Generator) -> BoardView:
    """Shift corners by a smooth wave over the board, another in each view."""
    x, y = view.points_m[:, 0], view.points_m[:, 1]
    wave = np.array([np.sin(rng.uniform(8, 20) * x + rng.uniform(8, 20) * y + rng.uniform(0, 6)) for _ in range(2)])
    return replace(view, pixels=view.pixels + 0.25 * wave.T)


def test_a_wrong_picture_is_left_out_and_does_not_spoil_the_rest() -> None:
    """Another zoom, a stretched picture, a bent board: each is named, nothing sound is, and the result stays honest."""
    errors = []
    for draw in range(6):
        rng = np.random.default_rng([33, draw])
        zoom = cases.TRUE * [1.25, 1.25, 1, 1, 1, 1, 1, 1, 1]
        wrong = [
            replace(cases.views(1, rng, theta=zoom)[0], name="wrong"),
            replace(cases.views(1, rng)[0], name="wrong"),
            replace(cases.views(1, rng)[0], name="wrong"),
        ][draw % 3]
        if draw % 3 == 1:
            wrong = replace(wrong, pixels=(wrong.pixels - [640, 480]) * [1.1, 1.0] + [640, 480])
        elif draw % 3 == 2:
            wrong = replace(wrong, pixels=wrong.pixels + 3 * np.sin(wrong.points_m[:, :2] * 40))
        views = cases.views(11, rng)
        views.insert(4, wrong)
        kept, fit, out, _ = sound_views(views)
        assert [name for name, _ in out] == ["wrong"]
        assert len(kept) == 11
        error = fit.parameters - cases.TRUE
        errors.append(float(error @ np.linalg.solve(fit.camera.covariance, error)))
    assert sum(errors) < chi2.ppf(0.995, 9 * len(errors))


def test_sound_views_are_all_kept() -> None:
    for draw in range(15):
        views = cases.views(8 + draw, np.random.default_rng([34, draw]))
        assert sound_views(views)[2:] == ([], 0)


def test_a_stray_corner_is_left_out_alone() -> None:
    views = cases.views(10, np.random.default_rng(35))
    pixels = views[2].pixels.copy()
    pixels[5] += [4.0, 0.0]
    views[2] = replace(views[2], pixels=pixels)
    kept, _, out, strays = sound_views(views)
    assert (out, strays) == ([], 1)
    assert 5 not in kept[2].corner


def test_pictures_that_contradict_each_other_are_an_error() -> None:
    """Half of the pictures with their corners shuffled: no camera fits most of them."""
    rng = np.random.default_rng(36)
    views = [replace(v, pixels=rng.permutation(v.pixels)) if i % 2 else v for i, v in enumerate(cases.views(10, rng))]
    with pytest.raises(InputError, match=r"contradict|no camera fits"):
        sound_views(views)


def test_two_zooms_in_one_set_are_not_usable() -> None:
    rng = np.random.default_rng(37)
    zoom = cases.TRUE * [1.4, 1.4, 1, 1, 1, 1, 1, 1, 1]
    found = calibrate_camera(cases.views(6, rng) + cases.views(5, rng, theta=zoom), cases.BOARD)
    assert found.verdict is Verdict.NOT
    assert found.widened > 3
    assert any("zoom" in reason for reason in found.reasons)


def test_views_that_were_not_used_are_predicted_a_little_worse() -> None:
    views = cases.views(9, np.random.default_rng(37))
    fit = fit_lens(views)
    held = hold_out(views, fit)
    assert held is not None
    assert (held.by_view_px >= 0.999 * fit.by_view_px).all()
    assert 1.0 < held.reprojection_px / fit.reprojection_px < 1.2
    first = fit_lens(views[1:])  # the same by hand for one view: OpenCV's pose under the others' intrinsics
    k = np.array(
        [[first.parameters[0], 0, first.parameters[2]], [0, first.parameters[1], first.parameters[3]], [0, 0, 1]]
    )
    _, turn, shift = cv2.solvePnP(views[0].points_m, views[0].pixels, k, first.parameters[4:])
    turn, shift = cv2.solvePnPRefineLM(views[0].points_m, views[0].pixels, k, first.parameters[4:], turn, shift)
    off = cases.project(first.parameters, turn, shift) - views[0].pixels
    assert held.by_view_px[0] == pytest.approx(np.sqrt(np.square(off).sum(axis=1).mean()), rel=1e-4)
    assert hold_out(views[:4], fit_lens(views[:4])) is None


def test_the_side_that_is_farther_away_is_named() -> None:
    """A board turned about the vertical so that its left side, as seen, is farther from the camera, and so on."""
    for turn, side in (((0, 0.5, 0), 0), ((0, -0.5, 0), 1), ((-0.5, 0, 0), 2), ((0.5, 0, 0), 3)):
        rotation = cv2.Rodrigues(np.array(turn, dtype=float))[0]
        points = (cases.BOARD.points_m - cases.BOARD.points_m.mean(axis=0)) @ rotation.T + [0, 0, 0.5]
        end = [points[:, 0].argmin(), points[:, 0].argmax(), points[:, 1].argmin(), points[:, 1].argmax()][side]
        assert points[end, 2] > 0.53
        tilt, turned = tilts_of(np.array([[*turn, 0.0, 0.0, 0.5]]))
        assert tilt[0] == pytest.approx(0.5)
        assert turned[0].argmax() == side
        assert turned[0, side] == pytest.approx(np.sin(0.5))


def test_coverage_names_what_was_missed() -> None:
    rng = np.random.default_rng(38)
    views = [v for v in cases.views(60, rng) if v.pixels[:, 0].max() < 700][:8]
    covered = coverage(views, fit_lens(views))
    assert covered.counts.sum() == sum(len(v.pixels) for v in views)
    assert {"upper right", "lower right"} <= set(covered.missed_corners)
    assert (covered.counts[:, -3:] == 0).all()
    assert covered.share < 0.7


def test_flat_views_only_are_not_usable_and_tilts_are_asked_for() -> None:
    found = calibrate_camera(cases.views(10, np.random.default_rng(39), tilt_rad=1e-3), cases.BOARD)
    assert found.verdict is Verdict.NOT
    assert any("tilt the board" in reason for reason in found.reasons)
    assert "30 degrees farther away" in found.next_views[0].words


def test_a_good_set_is_fit_for_use() -> None:
    """25 views, and four with the board in the picture's corners."""
    rng = np.random.default_rng(40)
    views = cases.views(400, rng, sigma_px=0.1)
    corners = []
    for corner in ((0, 0), (1279, 0), (0, 959), (1279, 959)):
        corners += sorted(views, key=lambda v, c=corner: float(np.linalg.norm(v.pixels - c, axis=1).min()))[:3]
    found = calibrate_camera(corners + views[:25], cases.BOARD, height_m=1.0)
    assert (found.verdict, found.reasons) == (Verdict.FIT, ())
    assert found.centre_m < found.corner_m < 0.003
    assert found.known(0.003) == 1.0


def test_the_advice_comes_true() -> None:
    """The picture that is asked for, once taken, brings the error to what was promised (corner noise: 5 %)."""
    rng = np.random.default_rng(41)
    views = [v for v in cases.views(40, rng) if v.pixels.min() > 200][:9]
    found = calibrate_camera(views, cases.BOARD)
    assert found.widened == 1.0
    first = found.next_views[0]
    assert "corner" in first.words
    before = _mean(found.fit.camera)
    assert first.error_m < 0.9 * before
    from swardwright.locating.calibration.lens_advice import _candidates

    _, view, pose = next(c for c in _candidates(found.fit, cases.BOARD, cases.SIZE) if c[0] == first.words)
    assert np.allclose(cases.project(found.fit.parameters, pose[:3], pose[3:]), view.pixels, atol=1e-6)
    taken = cases.project(cases.TRUE, pose[:3], pose[3:]) + rng.normal(0, 0.2, (54, 2))
    after = fit_lens([*views, replace(view, pixels=taken)])
    assert _mean(after.camera) == pytest.approx(first.error_m, rel=0.05)


def _mean(camera: object) -> float:
    return float(np.sqrt(np.mean(ground_error(camera, 1.0, 9, 7) ** 2)))  # type: ignore[arg-type]


def test_the_error_on_the_ground_is_what_drawn_cameras_show() -> None:
    """Straight down from 1.2 m, 2000 cameras drawn from the covariance: 4 % is over two standard errors."""
    rng = np.random.default_rng(42)
    camera = fit_lens(cases.views(12, rng)).camera
    error = ground_error(camera, 1.2, 3, 3)
    pixel = np.array([[1279.0, 959.0]])
    drawn = np.array([
        1.2 * camera.perturbed(step).unproject(pixel)[0][0]
        for step in rng.multivariate_normal(np.zeros(9), camera.covariance, 2000)
    ])  # fmt: skip
    assert error[2, 2] == pytest.approx(np.sqrt(np.trace(np.cov(drawn.T))), rel=0.04)


def test_the_rational_lens_keeps_the_errors_of_rays() -> None:
    """Twelve parameters carried to nine: a ray's error as drawn from all twelve, within 1 % inside the picture."""
    rng = np.random.default_rng(43)
    fit = fit_lens(cases.views(14, rng), rational=True)
    assert fit.parameters.shape == (12,)
    assert fit.camera.covariance.shape == (9, 9)
    twelve = covariance_of(fit.information, fit.parameters, cases.SIZE, fit.pixel_sigma_px)
    for pixel in ((640.0, 480.0), (900.0, 300.0), (250.0, 700.0)):
        ideal, _, by = fit.camera.unproject(np.array([pixel]))
        inverse = np.linalg.inv(fit.camera.distort(ideal)[1][0])
        lens = -inverse @ fit.camera.distort_by_lens(ideal)[0]
        full = np.column_stack([by[0, :, :4], lens])
        nine = by[0] @ fit.camera.covariance @ by[0].T
        assert np.trace(nine) == pytest.approx(np.trace(full @ twelve @ full.T), rel=0.01)


@pytest.mark.parametrize("count", [0, 2])
def test_too_few_views(count: int) -> None:
    with pytest.raises(InputError, match="too few pictures"):
        fit_lens(cases.views(count, np.random.default_rng(1)))


def test_pictures_of_another_size_are_named() -> None:
    views = cases.views(6, np.random.default_rng(44))
    views[4] = replace(views[4], size_px=(640, 480))
    with pytest.raises(InputError, match="different sizes") as caught:
        fit_lens(views)
    assert caught.value.where == "v04"

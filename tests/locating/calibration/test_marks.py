"""Marks found on rendered photographs of sheets whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.locating.calibration.marks import Aimed, look_at_sheet, pair
from swardwright.locating.calibration.sheet import Sheet, sheet_from_corners
from swardwright.simulation.marked_sheet import DAMP, Scorched, SheetLook, photograph, view_of

SIZE_M, SIZE_PX = (0.42, 0.30), (1000, 750)
CORNERS = np.array([[0, 0], [SIZE_M[0], 0], [SIZE_M[0], SIZE_M[1]], [0, SIZE_M[1]]])


def planned(spin: float = 0.0) -> list[Aimed]:
    return [
        Aimed(f"a{j}{i}", 0.06 + 0.1 * i, 0.07 + 0.08 * j, (1.0, 2.0, 4.0)[(i + j) % 3], spin)
        for j in range(3) for i in range(4)
    ]  # fmt: skip


def scorched(aims: list[Aimed], rng: np.random.Generator, ratio: float = 1.0) -> list[Scorched]:
    return [
        Scorched(a.x_m + 0.004 + rng.normal(0, 0.003), a.y_m - 0.003 + rng.normal(0, 0.003),
                 0.012 * math.sqrt(2 * math.log(a.hold_s / 0.6)), ratio, 0.5)
        for a in aims
    ]  # fmt: skip


def sheet_of(view: np.ndarray) -> Sheet:
    pixels = Sheet(view, np.zeros((8, 8)), 0.0).to_pixels(CORNERS)
    return sheet_from_corners(CORNERS, pixels, 1.0)


@pytest.mark.parametrize(
    ("look", "lighter"),
    [(SheetLook(), False), (DAMP, True), (SheetLook(shade=0.6, noise=0.03), False)],
    ids=["scorched paper", "damp paper", "dim and uneven light"],
)
def test_every_mark_is_found_and_measured(look: SheetLook, lighter: bool) -> None:
    rng = np.random.default_rng(1)
    view, aims = view_of(SIZE_M, SIZE_PX, rng), planned()
    truth = scorched(aims, rng)
    image = photograph(truth, view, SIZE_PX, rng, look=look, aims_m=[(a.x_m, a.y_m) for a in aims])
    seen = look_at_sheet(image, sheet_of(view), aims)
    assert [m.aim for m in seen.marks] == [a.aim for a in aims]
    assert seen.lighter is lighter
    assert (seen.unmarked, seen.spare) == ((), 0)
    off = np.array([m.centre_m - [s.x_m, s.y_m] for m, s in zip(seen.marks, truth, strict=True)])
    stated = np.sqrt([m.centre_covariance_m2[0, 0] for m in seen.marks])
    # ragged edges of 0.3 mm and pixels of 0.45 mm: centres to a fifth of a pixel, as stated within a factor of two
    assert np.sqrt(np.mean(np.square(off))) < 1e-4
    assert 0.5 < np.sqrt(np.mean(np.square(off))) / np.sqrt(np.mean(np.square(stated))) < 2.0
    size = np.array([m.radius_m - s.radius_m for m, s in zip(seen.marks, truth, strict=True)])
    assert np.abs(size).max() < 2e-4
    assert np.abs(np.hypot(*np.array([m.stretch for m in seen.marks]).T)).max() < 0.06


def test_elongation_and_its_direction_are_measured() -> None:
    rng = np.random.default_rng(2)
    view, aims = view_of(SIZE_M, SIZE_PX, rng), planned()
    image = photograph(scorched(aims, rng, ratio=1.3), view, SIZE_PX, rng)
    stretch = np.mean([m.stretch for m in look_at_sheet(image, sheet_of(view), aims).marks], axis=0)
    assert np.hypot(*stretch) == pytest.approx(math.log(1.3), abs=0.02)
    assert 0.5 * math.atan2(stretch[1], stretch[0]) == pytest.approx(0.5, abs=0.03)


def test_what_the_corners_leave_open_is_in_the_covariance() -> None:
    """Corners wrong by one pixel move all marks together, as far as the registration says."""
    rng = np.random.default_rng(3)
    view, aims = view_of(SIZE_M, SIZE_PX, rng), planned(0.6)
    image = photograph(scorched(aims, rng), view, SIZE_PX, rng)
    exact = sheet_of(view)
    marks = look_at_sheet(image, exact, aims)
    pixels = exact.to_pixels(np.array([m.centre_m for m in marks.marks]))
    c, s = math.cos(0.6), math.sin(0.6)
    back = np.array([[c, s], [-s, c]])
    moved = []
    for _ in range(1500):
        corners = exact.to_pixels(CORNERS) + rng.normal(0, 1, (4, 2))
        off = sheet_from_corners(CORNERS, corners, 1.0)
        moved.append(back @ (off.to_sheet(pixels) - exact.to_sheet(pixels)).mean(axis=0))
    # 1500 draws: 4 % standard error of a variance; the second order of a homography adds some
    assert np.cov(np.array(moved).T) == pytest.approx(marks.registration_m2, rel=0.15, abs=2e-9)


def test_sheets_without_usable_marks_are_said() -> None:
    rng = np.random.default_rng(4)
    view, aims = view_of(SIZE_M, SIZE_PX, rng), planned()
    sheet = sheet_of(view)
    blank = photograph([], view, SIZE_PX, rng, aims_m=[(a.x_m, a.y_m) for a in aims])
    with pytest.raises(InputError, match="no mark is seen"):
        look_at_sheet(blank, sheet, aims)
    with pytest.raises(InputError, match="outside the picture") as caught:
        look_at_sheet(blank, sheet, [*aims, Aimed("far", 2.0, 0.1, 1.0)])
    assert "aim far" in caught.value.sentence()
    with pytest.raises(InputError, match="printed board"):
        look_at_sheet(blank, sheet, aims, exclude_m=np.array([0, 0, 0.07, 0.08]))
    with pytest.raises(InputError, match="finite places"):
        look_at_sheet(blank, sheet, [Aimed("a", math.nan, 0.1, 1.0)])


def test_marks_that_run_together_are_left_out_and_said() -> None:
    rng = np.random.default_rng(5)
    view, aims = view_of(SIZE_M, SIZE_PX, rng), planned()
    truth = scorched(aims, rng)
    truth.append(Scorched(truth[0].x_m + 0.018, truth[0].y_m, 0.012))
    seen = look_at_sheet(photograph(truth, view, SIZE_PX, rng), sheet_of(view), aims)
    assert len(seen.marks) == 11
    assert seen.unmarked == ("a00",)
    assert "run together" in seen.dropped[0]


def test_one_mark_and_its_aim() -> None:
    rng = np.random.default_rng(6)
    view, aims = view_of(SIZE_M, SIZE_PX, rng), planned()[5:6]
    seen = look_at_sheet(photograph(scorched(aims, rng), view, SIZE_PX, rng), sheet_of(view), aims)
    assert [m.aim for m in seen.marks] == ["a11"]


def test_pairs_follow_a_shift_larger_than_half_the_grid() -> None:
    rng = np.random.default_rng(7)
    aims = np.array([(0.05 * i, 0.05 * j) for i in range(4) for j in range(3)])
    centres = aims + np.array([0.031, 0.004]) + rng.normal(0, 0.002, aims.shape)
    order = rng.permutation(len(aims))
    pairs, shift = pair(aims, centres[order])
    assert {(i, int(order[j])) for i, j in pairs} == {(i, i) for i in range(len(aims))}
    assert shift == pytest.approx([0.031, 0.004], abs=0.002)


@pytest.mark.parametrize(
    "corners",
    [
        [[0, 0], [100, 0], [200, 0], [300, 0]],  # a line
        [[0, 0], [100, 0], [0, 100], [100, 100]],  # not clockwise: crosses itself
        [[0, 0], [0, 100], [100, 100], [100, 0]],  # the wrong way round: a sheet from behind
        [[0, 0], [100, math.nan], [100, 100], [0, 100]],
    ],
)
def test_corners_that_span_no_sheet_are_refused(corners: list[list[float]]) -> None:
    with pytest.raises(InputError, match=r"corner") as caught:
        sheet_from_corners(CORNERS, np.array(corners, dtype=float), 1.0)
    assert "top left" in (caught.value.remedy or "")

"""Corners of rendered boards against where they were drawn."""

from __future__ import annotations

import cv2
import lens_cases as cases  # type: ignore[import-not-found,unused-ignore]
import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.locating.calibration.boards import Board, board_pose, find_board, look_for_board

CHARUCO = Board(7, 5, 0.04, 0.03, "4X4_50")
NO_LENS = np.array([900.0, 901.0, 641.5, 478.0, 0, 0, 0, 0, 0])
TURN, SHIFT = np.array([0.25, -0.2, 0.1]), np.array([-0.12, -0.09, 0.5])
CAMERA = Camera(*cases.SIZE, 900.0, 901.0, 641.5, 478.0, np.zeros(5), np.eye(4))


@pytest.mark.parametrize("board", [cases.BOARD, Board(6, 9, 0.03), CHARUCO, Board(8, 6, 0.04, 0.03, "5X5_100")])
def test_corners_are_found_where_they_were_drawn(board: Board) -> None:
    """To 0.1 px, r.m.s. 0.05 px: what refinement of noise-free corners is commonly good to (common practice)."""
    picture = cases.render(board, TURN, SHIFT, theta=NO_LENS)
    view = find_board(picture, board, name="one")
    assert view is not None
    assert (view.name, view.size_px, len(view.pixels)) == ("one", cases.SIZE, board.corners[0] * board.corners[1])
    assert np.allclose(view.points_m, board.points_m[view.corner])
    off = view.pixels - cases.project(NO_LENS, TURN, SHIFT, board)[view.corner]
    assert np.abs(off).max() < 0.1
    assert np.sqrt(np.mean(off**2)) < 0.05
    in_colour = find_board(np.dstack([picture] * 3), board)
    assert in_colour is not None
    assert np.allclose(in_colour.pixels, view.pixels, atol=0.02)


@pytest.mark.parametrize("turned", [0.0, 1.0, 2.0, 3.0, -1.5])
def test_the_first_corner_does_not_depend_on_how_the_board_is_held(turned: float) -> None:
    """9 + 6 is odd: which end is which is told by the dark square, whichever way up the board is."""
    middle = cases.BOARD.points_m.mean(axis=0)
    turn = np.array([0.0, 0.0, turned])
    shift = np.array([0.0, 0.0, 0.55]) - cv2.Rodrigues(turn)[0] @ middle
    view = find_board(cases.render(cases.BOARD, turn, shift, theta=NO_LENS), cases.BOARD)
    assert view is not None
    assert np.abs(view.pixels - cases.project(NO_LENS, turn, shift)).max() < 0.15
    assert np.allclose(board_pose(view, CAMERA).translation_m, shift, atol=1e-3)


def test_an_even_board_looks_the_same_after_half_a_turn() -> None:
    assert Board(9, 6, 0.03).one_way_round
    assert not Board(9, 7, 0.03).one_way_round
    assert CHARUCO.one_way_round


def test_a_board_in_a_large_picture_is_refined_at_full_size() -> None:
    theta = NO_LENS * [3, 3, 3, 3, 1, 1, 1, 1, 1]
    picture = cases.render(cases.BOARD, TURN, SHIFT, theta=theta, size=(3840, 2880), over=1)
    view = find_board(picture, cases.BOARD)
    assert view is not None
    off = view.pixels - cases.project(theta, TURN, SHIFT)
    assert np.sqrt(np.mean(off**2)) < 0.15  # not averaged while drawn; found at 0.42 of the size it would be 0.5


def test_the_pose_of_a_board() -> None:
    view = find_board(cases.render(cases.BOARD, TURN, SHIFT, theta=NO_LENS), cases.BOARD)
    assert view is not None
    pose = board_pose(view, CAMERA)
    assert (pose.target, pose.source) == ("camera", "board")
    assert np.allclose(pose.translation_m, SHIFT, atol=5e-4)
    assert np.allclose(pose.rotation, cv2.Rodrigues(TURN)[0], atol=2e-3)
    with pytest.raises(InputError, match="another size") as caught:
        board_pose(view, CAMERA.resized(640, 480))
    assert "--rescale 1280x960" in str(caught.value.remedy)


def test_pictures_without_a_board_say_why() -> None:
    picture = cases.render(cases.BOARD, TURN, SHIFT, theta=NO_LENS)
    left = int(cases.project(NO_LENS, TURN, SHIFT)[:, 0].mean())
    assert "whole board" in look_for_board(picture[:, :left].copy(), cases.BOARD)[1]
    assert look_for_board(np.full((480, 640), 90, np.uint8), cases.BOARD) == (None, "the picture is blank")
    assert "too small" in look_for_board(np.zeros((20, 30), np.uint8), cases.BOARD)[1]
    noise = cv2.GaussianBlur(np.random.default_rng(1).integers(0, 255, (480, 640), dtype=np.uint8), (0, 0), 2)
    assert look_for_board(noise, cases.BOARD)[0] is None
    assert "no marker" in look_for_board(noise, CHARUCO)[1]
    assert find_board(picture, Board(8, 5, 0.03)) is None  # another board


def test_part_of_a_charuco_board_is_used() -> None:
    picture = cases.render(CHARUCO, TURN, SHIFT, theta=NO_LENS)
    truth = cases.project(NO_LENS, TURN, SHIFT, CHARUCO)
    picture[:, : int(truth[:, 0].mean())] = 128
    view = find_board(picture, CHARUCO)
    assert view is not None
    assert 6 <= len(view.pixels) < 24
    assert np.abs(view.pixels - truth[view.corner]).max() < 0.1


@pytest.mark.parametrize("image", [np.zeros((480, 640)), np.zeros((0, 0), np.uint8), np.zeros((480, 640, 4), np.uint8)])
def test_what_is_no_picture_is_refused(image: np.ndarray) -> None:
    with pytest.raises(InputError, match="8-bit"):
        find_board(image, cases.BOARD)


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ((2, 6, 0.03), "columns x rows"),
        ((900, 6, 0.03), "columns x rows"),
        ((9, 6, 25.0), "square_m"),
        ((9, 6, float("nan")), "square_m"),
        ((7, 5, 0.03, 0.04), "marker_m"),
        ((7, 5, 0.04, 0.03, "9X9_50"), "dictionary"),
        ((20, 15, 0.04, 0.03, "4X4_50"), "dictionary"),
    ],
)
def test_a_wrong_board_is_named(given: tuple[object, ...], field: str) -> None:
    with pytest.raises(InputError) as caught:
        Board(*given)  # type: ignore[arg-type]
    assert caught.value.field == field
    assert caught.value.remedy

"""The options by which every ``calibrate`` command is told which board was photographed."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from swardwright.domain.errors import InputError
from swardwright.domain.units import parse_quantity

if TYPE_CHECKING:
    from swardwright.locating.calibration.boards import Board

F = TypeVar("F", bound=Callable[..., Any])

_OPTIONS = (
    click.option("--board", metavar="9x6", help="Chessboard: inner corners across and down."),
    click.option("--charuco", metavar="7x5", help="ChArUco board: squares across and down."),
    click.option("--square", metavar="25mm", help="Side of a square."),
    click.option("--marker", metavar="18mm", help="ChArUco board: side of a marker."),
    click.option("--dictionary", default="4X4_50", show_default=True, help="ChArUco board: its marker dictionary."),
)


def board_options(command: F) -> F:
    """Give a command ``--board --charuco --square --marker --dictionary``; ``board_from`` takes them."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def board_from(
    *, board: str | None, charuco: str | None, square: str | None, marker: str | None, dictionary: str
) -> Board:
    """Return the board that the options describe.

    Raises
    ------
    InputError
        If they do not describe one board.
    """
    from swardwright.locating.calibration.boards import Board

    remedy = "give --board 9x6 --square 25mm, or --charuco 7x5 --square 40mm --marker 30mm"
    if (board is None) == (charuco is None):
        raise InputError("exactly one board is needed", field="--board, --charuco",
                         value="none" if board is None else "both", remedy=remedy)  # fmt: skip
    if square is None:
        raise InputError("the side of the board's squares is needed", field="--square", remedy=remedy)
    if charuco is not None and marker is None:
        raise InputError("the side of the markers is needed", field="--marker", remedy=remedy)
    if board is not None and marker is not None:
        raise InputError("a chessboard has no markers", field="--marker", value=marker, remedy=remedy)
    field = "--board" if board is not None else "--charuco"
    text = board if board is not None else charuco
    match = re.fullmatch(r"\s*(\d{1,3})\s*[x×]\s*(\d{1,3})\s*", text or "")
    if match is None:
        raise InputError("a board is written as columns x rows", field=field, value=text, limit="such as 9x6",
                         remedy=remedy)  # fmt: skip
    marker_m = None if marker is None else parse_quantity(marker, "length")
    return Board(int(match[1]), int(match[2]), parse_quantity(square, "length"), marker_m, dictionary)


__all__ = ["board_from", "board_options"]

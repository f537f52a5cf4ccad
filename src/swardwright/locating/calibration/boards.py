"""Calibration boards and their corners in pictures.

Board axes: origin at the first inner corner, x along the columns, y along the rows, z into the board (away from who
looks at it); seen from the front x right and y down, like a picture. A chessboard's first corner is the one whose
outer square (towards negative x and y) is dark; that is unique only where columns + rows is odd.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, Pose, frozen

#: larger pictures are searched at this longer side (px), then refined at full size
SEARCH_SIDE_PX = 1600
#: a grey picture with less spread than this (standard deviation, grey levels) shows nothing
BLANK_SPREAD = 4.0
#: corners must fit one homography within this share of a square's side: lens distortion stays below it
FLAT_SHARE = 0.35
#: fewer corners of a ChArUco board than this say nothing about its pose
CORNERS_MIN = 6
DICTIONARIES = (
    *(f"{marker}_{count}" for marker in ("4X4", "5X5", "6X6", "7X7") for count in (50, 100, 250, 1000)),
    "ARUCO_ORIGINAL",
)


@dataclass(frozen=True)
class Board:
    """A flat calibration board.

    Attributes
    ----------
    columns, rows : int
        Chessboard: inner corners along x and y. ChArUco board: squares along x and y.
    square_m : float
        Side of a square, metres.
    marker_m : float | None
        Side of a ChArUco marker, metres; None: a plain chessboard.
    dictionary : str
        ChArUco markers: one of ``DICTIONARIES``, such as ``4X4_50``.
    """

    columns: int
    rows: int
    square_m: float
    marker_m: float | None = None
    dictionary: str = "4X4_50"

    def __post_init__(self) -> None:
        least = 2 if self.marker_m is None else 3
        if not (least <= self.columns <= 60 and least <= self.rows <= 60):
            raise InputError("a board needs a sensible number of columns and rows", field="columns x rows",
                             value=f"{self.columns}x{self.rows}", limit=f"{least} to 60 each",
                             remedy="count a chessboard's inner corners, a ChArUco board's squares")  # fmt: skip
        if self.marker_m is None and (self.columns < 3 or self.rows < 3):
            raise InputError("a chessboard needs at least 3 x 3 inner corners", field="columns x rows",
                             value=f"{self.columns}x{self.rows}",
                             remedy="count the corners where four squares meet, not the squares")  # fmt: skip
        if not (math.isfinite(self.square_m) and 1e-3 <= self.square_m <= 1.0):
            raise InputError("a board's square must have a sensible side", field="square_m", value=self.square_m,
                             limit="1 mm to 1 m", remedy="measure one square with a ruler")  # fmt: skip
        if self.marker_m is not None:
            if not (math.isfinite(self.marker_m) and 0 < self.marker_m < self.square_m):
                raise InputError("a marker must be smaller than its square", field="marker_m", value=self.marker_m,
                                 limit=f"less than {self.square_m:g} m",
                                 remedy="measure the marker's black outer edge")  # fmt: skip
            if self.dictionary not in DICTIONARIES:
                raise InputError("this marker dictionary is not known", field="dictionary", value=self.dictionary,
                                 limit=", ".join(DICTIONARIES),
                                 remedy="name the dictionary that the board was made with")  # fmt: skip
            import cv2

            room = len(cv2.aruco.getPredefinedDictionary(_dictionary(self)).bytesList)
            if self.columns * self.rows // 2 > room:
                raise InputError("the dictionary has too few markers for this board", field="dictionary",
                                 value=self.dictionary, limit=f"{self.columns * self.rows // 2} markers",
                                 remedy="name the dictionary that the board was made with")  # fmt: skip

    @property
    def corners(self) -> tuple[int, int]:
        """Inner corners along x and y."""
        return (self.columns, self.rows) if self.marker_m is None else (self.columns - 1, self.rows - 1)

    @property
    def points_m(self) -> Array:
        """All inner corners, shape (columns * rows, 3), board axes, metres; row by row, z = 0."""
        across, down = self.corners
        y, x = np.mgrid[:down, :across]
        return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) * self.square_m

    @property
    def one_way_round(self) -> bool:
        """Whether the picture tells which way round the board is; otherwise half a turn looks the same."""
        return self.marker_m is not None or sum(self.corners) % 2 == 1

    def __str__(self) -> str:
        kind = "chessboard" if self.marker_m is None else f"ChArUco board ({self.dictionary})"
        return f"{self.columns}x{self.rows} {kind}, squares of {1000 * self.square_m:g} mm"


@dataclass(frozen=True, eq=False)
class BoardView:
    """The corners of a board found in one picture.

    Attributes
    ----------
    pixels : Array
        Shape (n, 2), refined to a fraction of a pixel.
    points_m : Array
        Shape (n, 3): the same corners in board axes, metres.
    corner : NDArray[int]
        Shape (n,): number of each corner, row by row.
    size_px : tuple[int, int]
        Width and height of the picture.
    name : str
        The picture's name, for messages.
    """

    pixels: Array
    points_m: Array
    corner: NDArray[np.int64] = field(repr=False)
    size_px: tuple[int, int]
    name: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "pixels", frozen(self.pixels))
        object.__setattr__(self, "points_m", frozen(self.points_m))
        n = len(self.pixels)
        if self.pixels.shape != (n, 2) or self.points_m.shape != (n, 3) or not np.isfinite(self.pixels).all():
            raise InputError("a view needs one finite pixel and one board point for each corner", where=self.name)


def find_board(image: NDArray[np.uint8], board: Board, *, name: str = "") -> BoardView | None:
    """Return the board's corners in a picture, or None; see ``look_for_board`` for the reason."""
    return look_for_board(image, board, name=name)[0]


def look_for_board(image: NDArray[np.uint8], board: Board, *, name: str = "") -> tuple[BoardView | None, str]:
    """Look for a board in a picture.

    Parameters
    ----------
    image : NDArray[uint8]
        Shape (height, width) grey or (height, width, 3) red-green-blue.
    name : str
        The picture's name, kept in the view.

    Returns
    -------
    tuple[BoardView | None, str]
        The view and ``""``, or None and why there is none, in a few words.

    Raises
    ------
    InputError
        If the array is no picture.
    """
    grey = _grey(image)
    height, width = grey.shape
    if min(height, width) < 40:
        return None, "the picture is too small to show a board"
    if float(grey.std()) < BLANK_SPREAD:
        return None, "the picture is blank"
    if board.marker_m is None:
        pixels, reason = _chessboard(grey, board)
        corner = np.arange(len(pixels))
    else:
        pixels, corner, reason = _charuco(grey, board)
    if reason:
        return None, reason
    points = board.points_m[corner]
    if not _flat(pixels, points, board.square_m):
        return None, "what was found does not fit a flat board"
    return BoardView(pixels, points, corner, (width, height), name), ""


def board_pose(view: BoardView, camera: Camera) -> Pose:
    """Return ``camera_from_board`` of a view: least squares over the reprojection (planar start, then refined).

    Raises
    ------
    InputError
        If the picture has another size than the camera, or the corners give no pose in front of the camera.
    """
    import cv2

    if view.size_px != (camera.width_px, camera.height_px):
        raise InputError("the picture has another size than the camera file", where=view.name, field="size",
                         value=f"{view.size_px[0]}x{view.size_px[1]}", limit=f"{camera.width_px}x{camera.height_px}",
                         remedy=camera.size_remedy(view.size_px))  # fmt: skip
    lens = np.asarray(camera.distortion)
    found, turns, shifts, errors = cv2.solvePnPGeneric(
        view.points_m, view.pixels, camera.matrix, lens, flags=cv2.SOLVEPNP_IPPE
    )
    best: tuple[float, Any, Any] | None = None
    for turn, shift, _ in zip(turns, shifts, errors, strict=True) if found else ():
        turn, shift = cv2.solvePnPRefineLM(view.points_m, view.pixels, camera.matrix, lens, turn.copy(), shift.copy())
        seen, _ = cv2.projectPoints(view.points_m, turn, shift, camera.matrix, lens)
        error = float(np.square(seen[:, 0] - view.pixels).sum())
        if np.isfinite(error) and float(shift[2, 0]) > 0 and (best is None or error < best[0]):
            best = (error, turn, shift)
    if best is None:
        raise InputError("the board's corners give no pose in front of the camera", where=view.name,
                         remedy="leave this picture out")  # fmt: skip
    u, _, vt = np.linalg.svd(cv2.Rodrigues(best[1])[0])
    return Pose("camera", "board", u @ vt, best[2][:, 0])


def _grey(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    import cv2

    array = np.asarray(image)
    if array.dtype != np.uint8 or array.size == 0 or not (array.ndim == 2 or (array.ndim == 3 and array.shape[2] == 3)):
        raise InputError("a picture must be 8-bit, grey or red-green-blue", field="image",
                         value=f"{array.dtype} {array.shape}", remedy="decode the picture first")  # fmt: skip
    grey = cv2.cvtColor(array, cv2.COLOR_RGB2GRAY) if array.ndim == 3 else array
    return np.ascontiguousarray(grey, dtype=np.uint8)


def _chessboard(grey: NDArray[np.uint8], board: Board) -> tuple[Array, str]:
    """Return the corners (columns * rows, 2) row by row, first corner as the module says, or a reason."""
    import cv2

    across, down = board.corners
    scale = min(1.0, SEARCH_SIDE_PX / max(grey.shape))
    small = grey
    if scale < 1.0:
        small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(small, (across, down), flags=flags)
    if not found:  # slower, finds blurred and strongly lit boards
        found, corners = cv2.findChessboardCornersSB(small, (across, down), flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found:
        return np.zeros((0, 2)), "no whole board was found (every inner corner of a chessboard must be seen)"
    factor = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    pixels = (corners.reshape(-1, 2).astype(float) + 0.5) * factor - 0.5
    pixels = _refined(grey, pixels.reshape(down, across, 2))
    right, below = pixels[:, -1] - pixels[:, 0], pixels[-1] - pixels[0]
    turn = right.sum(axis=0)[0] * below.sum(axis=0)[1] - right.sum(axis=0)[1] * below.sum(axis=0)[0]
    if turn < 0:  # seen from the front x to y turns clockwise in the picture
        pixels = pixels[:, ::-1]
    if board.one_way_round and not _dark_first(grey, pixels):
        pixels = pixels[::-1, ::-1]
    return np.ascontiguousarray(pixels).reshape(-1, 2), ""


def _refined(grey: NDArray[np.uint8], grid: Array) -> Array:
    """Refine a grid of corners (rows, columns, 2) to a fraction of a pixel; the window stays inside the squares."""
    import cv2

    spacing = min(
        float(np.linalg.norm(np.diff(grid, axis=axis), axis=-1).min()) for axis in (0, 1)
    )  # fmt: skip
    half = int(np.clip(round(0.35 * spacing), 2, 11))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    start = grid.reshape(-1, 1, 2).astype(np.float32)
    better = cv2.cornerSubPix(grey, start.copy(), (half, half), (-1, -1), stop).astype(float)
    moved = np.linalg.norm(better - start, axis=2, keepdims=True)
    return np.where(moved <= half, better, start).reshape(grid.shape)


def _dark_first(grey: NDArray[np.uint8], grid: Array) -> bool:
    """Say whether the squares diagonal to the first corner are the dark ones."""
    import cv2

    middle = (grid[:-1, :-1] + grid[1:, :-1] + grid[:-1, 1:] + grid[1:, 1:]) / 4
    values = cv2.remap(grey, middle[..., 0].astype(np.float32), middle[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    even = np.add.outer(np.arange(middle.shape[0]), np.arange(middle.shape[1])) % 2 == 0
    return bool(values[even].mean() < values[~even].mean())


def _dictionary(board: Board) -> int:
    import cv2

    return int(getattr(cv2.aruco, f"DICT_{board.dictionary}"))


def _charuco(grey: NDArray[np.uint8], board: Board) -> tuple[Array, NDArray[np.int64], str]:
    """Return the corners found (n, 2) and their numbers, or a reason."""
    import cv2

    markers, best = 0, (np.zeros((0, 2)), np.zeros(0, dtype=np.int64))
    for old_pattern in (False, True) if board.rows % 2 == 0 else (False,):
        assert board.marker_m is not None
        shape = cv2.aruco.CharucoBoard((board.columns, board.rows), board.square_m, board.marker_m,
                                       cv2.aruco.getPredefinedDictionary(_dictionary(board)))  # fmt: skip
        shape.setLegacyPattern(old_pattern)  # boards with an even number of rows were once printed colours swapped
        corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(shape).detectBoard(grey)
        markers = max(markers, 0 if marker_ids is None else len(marker_ids))
        if ids is not None and len(ids) > len(best[1]):
            best = (corners.reshape(-1, 2).astype(float), ids.ravel().astype(np.int64))
    pixels, corner = best
    if not markers:
        return pixels, corner, f"no marker of dictionary {board.dictionary} was found"
    if len(corner) < CORNERS_MIN or len(set(corner // board.corners[0])) < 2 or len(set(corner % board.corners[0])) < 2:
        return pixels, corner, "too few corners of the board were found"
    return pixels, corner, ""


def _flat(pixels: Array, points_m: Array, square_m: float) -> bool:
    """Say whether corners and board points fit one homography, as a flat board's do up to lens distortion."""
    import cv2

    homography, _ = cv2.findHomography(points_m[:, :2], pixels)
    if homography is None or not np.isfinite(homography).all():
        return False
    seen = cv2.perspectiveTransform(points_m[:, None, :2], homography)[:, 0]
    aside = cv2.perspectiveTransform(points_m[:, None, :2] + [square_m, 0.0], homography)[:, 0]
    side = np.linalg.norm(aside - seen, axis=1)
    return bool((np.linalg.norm(seen - pixels, axis=1) < FLAT_SHARE * side).all())


__all__ = ["DICTIONARIES", "Board", "BoardView", "board_pose", "find_board", "look_for_board"]

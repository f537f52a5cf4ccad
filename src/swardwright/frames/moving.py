"""How the picture moved from one video frame to the next, on a small picture: phase correlation, then followed corners.

Phase correlation of every frame with the one before gives the shift; every few frames corners are followed from an
earlier frame, starting at the summed shift, and give the homography. Cheap enough to keep up with decoding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array

Small = NDArray[np.uint8]
#: width or height, whichever is longer, of the picture on which motion is measured, px
SMALL_PX = 320
#: corners are followed over at most this many frames, or once the shift is this share of the small picture
ANCHOR_FRAMES, ANCHOR_SHIFT = 6, 0.15
#: a shift is trusted from this height of the correlation's peak on, 0 to 1 (chance peaks on turf stay below 0.05)
PEAK_MIN = 0.08
#: a homography needs this many corners that agree, and this share of those followed
AGREE_MIN, AGREE_SHARE = 15, 0.5


def small(half: Small) -> Small:
    """Return the picture on which motion is measured."""
    import cv2

    height, width = half.shape
    scale = SMALL_PX / max(height, width)
    if scale >= 1:
        return half
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    return np.asarray(cv2.resize(half, size, interpolation=cv2.INTER_AREA), np.uint8)


def sane(matrix: Array | None, width: int, height: int) -> bool:
    """Return whether a homography maps the picture to something a hand-held camera can have seen a moment before."""
    if matrix is None or not np.isfinite(matrix).all() or abs(matrix[2, 2]) < 1e-9:
        return False
    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]], float) @ matrix.T
    if (corners[:, 2] <= 0.2 * corners[:, 2].max()).any():
        return False
    flat = corners[:, :2] / corners[:, 2:]
    sides = np.roll(flat, -1, axis=0) - flat
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    area = 0.5 * float(np.sum(flat[:, 0] * np.roll(flat[:, 1], -1) - np.roll(flat[:, 0], -1) * flat[:, 1]))
    return bool((turns > 0).all() and 0.2 < area / (width * height) < 5.0)


@dataclass
class _Anchor:
    picture: Small
    pose: Array
    shift: Array
    sure: bool
    frames: int


class Follower:
    """Follows a video's frames: :meth:`step` gives where each lies beside the first of its stretch.

    A pose is a homography from the small picture's pixels to those of the first frame of the stretch; ``stretch``
    counts up where the motion is lost (a cut, a jolt, nothing to see).
    """

    def __init__(self) -> None:
        self.stretch = 0
        self.pose: Array = np.eye(3)
        self._last: NDArray[np.float32] | None = None
        self._anchor: _Anchor | None = None
        self._window: Any = None

    def start(self, picture: Small, pose: Array | None = None, stretch: int | None = None) -> None:
        """Take this frame as the one to follow from."""
        self.pose = np.eye(3) if pose is None else pose
        self.stretch = self.stretch if stretch is None else stretch
        self._last = self._tiny(picture)
        self._anchor = _Anchor(picture, self.pose, np.zeros(2), True, 0)

    def _tiny(self, picture: Small) -> NDArray[np.float32]:
        import cv2

        height, width = picture.shape
        size = (max(8, width // 2), max(8, height // 2))
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)

    def step(self, picture: Small) -> Array:
        """Return the frame's pose; the next frame is compared with this one."""
        import cv2

        anchor = self._anchor
        if anchor is None or self._last is None or anchor.picture.shape != picture.shape:
            self.stretch += anchor is not None
            self.start(picture)
            return self.pose
        tiny = self._tiny(picture)
        if self._window is None or self._window.shape != tiny.shape:
            self._window = cv2.createHanningWindow((tiny.shape[1], tiny.shape[0]), cv2.CV_32F)
        (dx, dy), peak = cv2.phaseCorrelate(self._last, tiny, self._window)
        scale = picture.shape[1] / tiny.shape[1]
        self._last = tiny
        trusted = bool(np.isfinite([dx, dy, peak]).all()) and peak >= PEAK_MIN
        anchor.shift = anchor.shift + (np.array([dx, dy]) * scale if trusted else 0.0)
        anchor.sure &= trusted
        anchor.frames += 1
        self.pose = anchor.pose @ np.array([[1, 0, -anchor.shift[0]], [0, 1, -anchor.shift[1]], [0, 0, 1.0]])
        far = float(np.abs(anchor.shift / [picture.shape[1], picture.shape[0]]).max()) >= ANCHOR_SHIFT
        if far or not trusted or anchor.frames >= ANCHOR_FRAMES:
            self._follow(anchor, picture)
        return self.pose

    def _follow(self, anchor: _Anchor, picture: Small) -> None:
        matrix = followed(anchor.picture, picture, anchor.shift)
        if matrix is not None:
            self.pose = anchor.pose @ matrix
        elif not anchor.sure:
            self.stretch += 1
            self.pose = np.eye(3)
        self._anchor = _Anchor(picture, self.pose, np.zeros(2), True, 0)


def followed(before: Small, after: Small, shift: Array) -> Array | None:
    """Return the homography from ``after`` to ``before`` by corners followed from a first guess, None if they disagree.

    Parameters
    ----------
    shift : Array
        Where a point of ``before`` is in ``after``, less where it was, px.
    """
    import cv2

    corners = cv2.goodFeaturesToTrack(before, 120, 0.01, 8)
    if corners is None or len(corners) < AGREE_MIN:
        return None
    guess = corners + np.asarray(shift, np.float32)
    there, found, _ = cv2.calcOpticalFlowPyrLK(before, after, corners, guess.copy(), winSize=(15, 15), maxLevel=2,
                                               flags=cv2.OPTFLOW_USE_INITIAL_FLOW)  # fmt: skip
    height, width = after.shape
    inside = ((there[:, 0] >= 0) & (there[:, 0] < [width, height])).all(axis=1)
    good = (found[:, 0] > 0) & inside
    if int(good.sum()) < AGREE_MIN:
        return None
    cv2.setRNGSeed(1)
    matrix, agree = cv2.findHomography(there[good], corners[good], cv2.RANSAC, 1.5, maxIters=500)
    if agree is None or int(agree.sum()) < max(AGREE_MIN, AGREE_SHARE * int(good.sum())):
        return None
    matrix = None if matrix is None else np.asarray(matrix, float)
    return matrix if sane(matrix, width, height) else None


def shared_with(pose: Array, others: list[Array], width: int, height: int) -> tuple[float, list[float]]:
    """Return the share of a frame's ground that any of the others shows, and the share that each shows.

    All poses are of one stretch; sampled at 16 x 12 points.
    """
    across, down = np.meshgrid((np.arange(16) + 0.5) / 16 * width, (np.arange(12) + 0.5) / 12 * height)
    points = np.stack([across.ravel(), down.ravel(), np.ones(across.size)])
    ground = pose @ points
    covered = np.zeros(across.size, bool)
    each = []
    for other in others:
        seen = np.linalg.solve(other, ground)
        with np.errstate(divide="ignore", invalid="ignore"):
            u, v = seen[0] / seen[2], seen[1] / seen[2]
        inside = (seen[2] > 0) & (u >= 0) & (u < width) & (v >= 0) & (v < height)
        each.append(float(inside.mean()))
        covered |= inside
    return float(covered.mean()), each

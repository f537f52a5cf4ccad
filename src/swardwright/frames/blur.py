"""How sharp a video frame is, against its neighbours and against the rest of its video; how it was exposed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

#: neighbours are the frames within this time
NEIGHBOURS_S = 0.5
#: histogram of fineness: bins an octave
BINS_AN_OCTAVE = 8


def sharpness(half: NDArray[np.uint8]) -> float:
    """Return the variance of the Laplacian (unitless; as ``Frame.sharpness``, of a picture at half size)."""
    import cv2

    _, deviation = cv2.meanStdDev(cv2.Laplacian(half, cv2.CV_16S, ksize=1))
    return float(deviation[0, 0] ** 2)


def fineness(sharp: float, half: NDArray[np.uint8], small: NDArray[np.uint8]) -> float:
    """Return how much finer a picture's detail is than its coarse structure: contrast cancels, blur stays.

    The geometric mean of the sharpness at half size over that of a smaller picture, and over the smaller picture's
    variance. Blur in one direction leaves the first at a third (both lose), hard shadows change the second; neither
    alone would do (tried on rendered ground).

    Parameters
    ----------
    sharp : float
        Sharpness of ``half``.
    small : NDArray[np.uint8]
        The same picture smaller; used where it is small enough, else a third of ``half`` is.
    """
    import cv2

    if small.shape[1] > 0.4 * half.shape[1]:
        size = (max(1, half.shape[1] // 3), max(1, half.shape[0] // 3))
        small = np.asarray(cv2.resize(half, size, interpolation=cv2.INTER_AREA), np.uint8)
    _, deviation = cv2.meanStdDev(small)
    return sharp / math.sqrt((sharpness(small) + 1.0) * (float(deviation[0, 0]) ** 2 + 1.0))


def relative(time_s: float, value: float, neighbours: Sequence[tuple[float, float]]) -> float:
    """Return a sharpness over the median of those at other times within ``NEIGHBOURS_S``; 1 where there are none.

    Parameters
    ----------
    neighbours : Sequence[tuple[float, float]]
        Time (s) and sharpness; the frame itself may be among them.
    """
    near = [s for t, s in neighbours if t != time_s and abs(t - time_s) <= NEIGHBOURS_S]
    if not near:
        return 1.0
    return value / max(float(np.median(near)), 1e-9)


@dataclass
class Levels:
    """The fineness of a video's frames so far, as a histogram of its logarithm.

    It tells a stretch that is blurred throughout, which neighbours cannot.
    """

    counts: dict[int, int] = field(default_factory=dict)

    def add(self, fineness: float) -> None:
        """Count one frame."""
        if fineness > 0:
            at = round(BINS_AN_OCTAVE * math.log2(fineness))
            self.counts[at] = self.counts.get(at, 0) + 1

    def high(self) -> float:
        """Return the value that three of four frames stay below, 0 before the first."""
        total, passed = sum(self.counts.values()), 0
        for at in sorted(self.counts):
            passed += self.counts[at]
            if passed >= 0.75 * total:
                return float(2.0 ** (at / BINS_AN_OCTAVE))
        return 0.0

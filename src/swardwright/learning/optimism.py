"""How much better a detector looks on pictures of ground that taught it than on new ground.

This is what a split by chance hides: frames of one walk overlap, so some of the ground held out was taught.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.learning.bootstrap import Interval
from swardwright.learning.judged import Judged, stated_probability
from swardwright.learning.trust_parts import found_plants

Counts = NDArray[np.int64]
DRAWS = 2000


@dataclass(frozen=True)
class Optimism:
    """F1 on pictures whose ground was taught, F1 on new ground, and the first less the second.

    95 % intervals by drawing pictures again; ``places`` of each counts pictures. Pictures that overlap are alike, so
    the intervals are somewhat narrow.
    """

    taught_ground: Interval
    new_ground: Interval
    gap: Interval


def optimism(taught_ground: Counts, new_ground: Counts, *, seed: int = 0) -> Optimism:
    """Compare two sets of judged pictures.

    Parameters
    ----------
    taught_ground, new_ground : Counts
        Shape (pictures, 3); see :func:`counts_by_picture`.

    Raises
    ------
    InputError
        If there is no plant on one side.
    """
    rng = np.random.default_rng([seed, 83])
    drawn, values = [], []
    for counts in (taught_ground, new_ground):
        if not len(counts) or not counts[:, 2].any():
            raise InputError("there are no plants to compare the scores on", field="labels",
                             remedy="label plants on taught and on new ground")  # fmt: skip
        values.append(float(f1(counts.sum(axis=0))))
        drawn.append(f1(counts[rng.integers(0, len(counts), (DRAWS, len(counts)))].sum(axis=1)))
    sizes = len(taught_ground), len(new_ground)

    def interval(value: float, draws: NDArray[np.float64], size: int) -> Interval:
        low, high = np.quantile(draws, [0.025, 0.975])
        return Interval(value, float(low), float(high), size)

    return Optimism(
        interval(values[0], drawn[0], sizes[0]), interval(values[1], drawn[1], sizes[1]),
        interval(values[0] - values[1], drawn[0] - drawn[1], min(sizes)),
    )  # fmt: skip


def counts_by_picture(judged: Judged, temperature: float, bias: float, threshold: float) -> Counts:
    """Return (plants found, reports, plants) of each picture at a threshold, shape (pictures, 3), whatever the kind."""
    kept = stated_probability(judged, temperature, bias) >= threshold
    size = len(judged.pictures)
    return np.stack([
        np.bincount(judged.plant_picture[found_plants(judged, kept)], minlength=size),
        np.bincount(judged.picture[kept], minlength=size),
        np.bincount(judged.plant_picture, minlength=size),
    ], axis=1)  # fmt: skip


def f1(counts: NDArray[Any]) -> NDArray[np.float64]:
    """Return F1 of (..., 3): found, reports, plants; 0 where there is neither report nor plant."""
    return np.asarray(2.0 * counts[..., 0] / np.maximum(counts[..., 1] + counts[..., 2], 1))

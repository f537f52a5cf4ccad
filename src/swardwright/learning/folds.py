"""Folds of places for judging with few labels, and the threshold where nobody named a price."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.learning.samples import Sample

#: share of the steps and of the time that the last run, on everything, gets; the folds share the rest
LAST_SHARE = 0.6


def place_folds(samples: Sequence[Sample], count: int, rng: np.random.Generator) -> list[set[str]]:
    """Return the places of each fold, about as many plants in each; every place lies in exactly one.

    Raises
    ------
    InputError
        If plants are labelled in fewer places than there are folds.
    """
    plants: dict[str, int] = {}
    for sample in samples:
        plants[sample.group] = plants.get(sample.group, 0) + len(sample.labels)
    labelled = sum(n > 0 for n in plants.values())
    if labelled < max(count, 2):
        raise InputError("plants must be labelled in at least two places", field="labels", value=labelled,
                         remedy="label plants in pictures of another place or day")  # fmt: skip
    names = sorted(plants)
    names = [names[i] for i in rng.permutation(len(names))]
    names.sort(key=lambda name: -plants[name])
    folds: list[set[str]] = [set() for _ in range(count)]
    held = [0] * count
    for name in names:
        least = min(range(count), key=lambda k: (held[k], len(folds[k])))
        folds[least].add(name)
        held[least] += plants[name]
    return folds


def balanced_threshold(probability: NDArray[np.float64], hit: NDArray[np.bool_], plants: int) -> tuple[float, float]:
    """Return (threshold, F1) of the best F1 on pictures that did not teach.

    As in ``cheapest_threshold``, what was found is averaged with what the calibrated probabilities expect, so that a
    lucky gap between two candidates does not decide. (The best F1 keeps whatever is likelier than half of it: Lipton
    et al. 2014, arXiv:1402.1892, theorem 1; from memory, and held by a test on drawn probabilities.)
    """
    if len(probability) == 0 or plants == 0:
        return 0.5, 0.0
    order = np.argsort(-probability, kind="stable")
    p = probability[order]
    hits = np.cumsum(0.5 * hit[order] + 0.5 * p)
    f1 = 2 * hits / (np.arange(1, len(p) + 1) + plants)
    k = int(np.argmax(f1)) + 1
    below = p[k] if k < len(p) else 0.0
    return float(np.clip(0.5 * (p[k - 1] + below), 0.02, 0.98)), float(f1[k - 1])

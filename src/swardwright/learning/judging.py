"""Judging a detector on labelled pictures that it has not seen."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.learning.card import EdgeBand
from swardwright.learning.detector import Detector
from swardwright.learning.measure import (
    Matched,
    Part,
    edge_bands,
    expected_calibration_error,
    gates_px,
    gather,
    logistic,
    match_picture,
    scores,
)
from swardwright.learning.samples import Sample, TeachSettings
from swardwright.learning.targets import Candidates


def label_arrays(sample: Sample, kinds: Sequence[str]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return plants (n, 4: u, v, radius px, kind index) and ignored discs (m, 3) of a sample, checked."""
    plants = np.zeros((len(sample.labels), 4))
    for i, label in enumerate(sample.labels):
        plants[i] = (*_finite(label, sample.name), kinds.index(label.kind))
    ignored = np.array([_finite(label, sample.name) for label in sample.ignored]).reshape(-1, 3)
    return plants, ignored


def _finite(label: Label, where: str) -> tuple[float, float, float]:
    values = (label.u_px, label.v_px, label.radius_px)
    if not all(math.isfinite(v) for v in values) or not 0 < label.radius_px < 1e5:
        raise InputError("a label needs a finite crown and a radius above 0 px", where=where, field="label",
                         value=values, remedy="correct or remove the label")  # fmt: skip
    return values


def match_sample(got: Candidates, sample: Sample, kinds: Sequence[str], settings: TeachSettings,
                 size_px: tuple[int, int]) -> Part:  # fmt: skip
    """Match the candidates of one picture of a size (width, height) against its labels."""
    plants, ignored = label_arrays(sample, kinds)
    crowns = np.stack([got.u_px, got.v_px], axis=1).astype(float)
    given, counts = match_picture(crowns, plants[:, :2], gates_px(sample, settings), ignored)
    hit = given[counts] >= 0
    index = given[given >= 0]
    error = np.hypot(*(crowns[given >= 0] - plants[index, :2]).T)
    log_radius = np.log(got.radius_px[given >= 0] / np.maximum(plants[index, 2], 1e-3))
    width, height = size_px
    area = width * height * sample.metres_per_px**2 if sample.metres_per_px is not None else 0.0
    u, v = plants[:, 0] + 0.5, plants[:, 1] + 0.5
    edge = np.minimum(np.minimum(u, width - u), np.minimum(v, height - v))
    best = np.full(len(plants), -np.inf)
    best[index] = got.logit[given >= 0]
    return (
        got.logit[counts].astype(float), hit, error, got.radius_px[given >= 0].astype(float), log_radius.astype(float),
        got.kind_logits[given >= 0].astype(float), plants[index, 3].astype(np.int64), edge, best, len(plants),
        area,
    )  # fmt: skip


def match_all(detector: Detector, samples: Sequence[Sample], settings: TeachSettings, floor: float = -4.0) -> Matched:
    """Run a detector over pictures and match everything above heat logit ``floor`` against their labels.

    Raises
    ------
    InputError
        If a label is of a kind that the detector does not know.
    """
    kinds = detector.card.kinds
    unknown = sorted({b.kind for s in samples for b in s.labels} - set(kinds))
    if unknown:
        raise InputError("the labels name kinds that the detector does not know", field="kind",
                         value=", ".join(unknown), limit=", ".join(kinds))  # fmt: skip
    parts = []
    for sample in samples:
        image = sample.load()
        got = detector.candidates(image, floor)
        parts.append(match_sample(got, sample, kinds, settings, (image.shape[1], image.shape[0])))
    return gather(parts, len(kinds))


def evaluate(detector: Detector, samples: Sequence[Sample], settings: TeachSettings) -> dict[str, float]:
    """Return precision, recall, errors and calibration of a detector at its card's threshold.

    ``false_alarms_m2`` is given where every picture states its ground sampling distance.
    """
    matched = match_all(detector, samples, settings)
    card = detector.card
    probability = logistic(matched.logit / card.temperature + card.bias)
    figures = scores(matched, probability, card.threshold)
    figures["expected_calibration_error"] = expected_calibration_error(probability, matched.hit)
    if samples and all(s.metres_per_px is not None for s in samples):
        figures["false_alarms_m2"] = figures["false_alarms"] / matched.area_m2
    return figures


def found_by_edge(detector: Detector, samples: Sequence[Sample], settings: TeachSettings) -> tuple[EdgeBand, ...]:
    """Return how often a detector finds plants at its card's threshold, by distance from the picture's edge."""
    matched = match_all(detector, samples, settings)
    card = detector.card
    return edge_bands(matched.edge_px, logistic(matched.best_logit / card.temperature + card.bias) >= card.threshold)

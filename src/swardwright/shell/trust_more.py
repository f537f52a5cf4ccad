"""How many more labels would help: short teaching runs of three sizes, or the cards of runs that were made."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.learning import Sample, TeachSettings, load_detector, read_card, teach
from swardwright.learning.judging import match_all
from swardwright.learning.learning_curve import RUN_SD, LearningCurve, fit_learning_curve
from swardwright.learning.measure import best_f1

#: share of the places that judge the runs
JUDGING = 1 / 3
SHARES = (0.25, 0.5, 1.0)
#: with a larger error in every run the curve says nothing
LEARNT_NOTHING = 0.9


def curve_of_cards(paths: Sequence[Path]) -> LearningCurve:
    """Return the learning curve through runs whose cards are given; each was judged on its own hold-out.

    Raises
    ------
    InputError
        If a card does not say how many plants were taught and how well the hold-out was found, or fewer than three
        different numbers of plants were taught.
    """
    labels, errors, sds = [], [], []
    for path in paths:
        card = read_card(path)
        taught, f1, plants = card.data.get("plants_taught"), card.scores.get("f1"), card.scores.get("plants")
        good = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (taught, f1, plants))
        if not good or taught is None or f1 is None or plants is None or not (0 <= f1 <= 1 and plants >= 1):
            raise InputError("the card does not say how the run went", where=path.name, field="data.plants_taught",
                             value=taught, remedy="name cards written by 'swardwright teach'")  # fmt: skip
        labels.append(float(taught))
        errors.append(1.0 - float(f1))
        sds.append(_sd(1.0 - float(f1), float(plants)))
    return fit_learning_curve(labels, errors, sds)


def curve_of_runs(
    samples: Sequence[Sample],
    settings: TeachSettings,
    minutes: float,
    *,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> LearningCurve:
    """Teach with a quarter, half and all labelled pictures of two thirds of the places, judge on the other third.

    Parameters
    ----------
    minutes : float
        Of all three runs together.

    Notes
    -----
    The error is 1 - F1 at each run's best threshold: a threshold chosen by so few pictures would add its own noise.

    Raises
    ------
    InputError
        If plants are labelled at fewer than three places, or on fewer than eight pictures for teaching.
    """
    taught, judging = split_places(samples, seed)
    labels, errors, sds = [], [], []
    with tempfile.TemporaryDirectory(prefix="swardwright-") as room:
        for number, share in enumerate(SHARES):
            part = taught[: max(4, round(share * len(taught)))]
            out = Path(room) / f"run-{number}.onnx"
            run = replace(settings, minutes=minutes / len(SHARES), seed=seed)
            teach(part, out, run, name=f"run {number}", about="a short run for the learning curve", start="shipped")
            detector = load_detector(out)
            known = set(detector.card.kinds)
            own = [_of_kinds(s, known) for s in judging]
            matched = match_all(detector, own, settings)
            error = 1.0 - best_f1(matched)
            labels.append(float(sum(len(s.labels) for s in part)))
            errors.append(error)
            sds.append(_sd(error, float(max(matched.plants, 1))))
            if progress is not None:
                progress(f"taught with {labels[-1]:.0f} plants: error {error:.3f} on other places")
    return fit_learning_curve(labels, errors, sds)


def _of_kinds(sample: Sample, known: set[str]) -> Sample:
    """Return the sample with labels of other kinds (a small run may have seen none) ignored."""
    other = tuple(b for b in sample.labels if b.kind not in known)
    labels = tuple(b for b in sample.labels if b.kind in known)
    return replace(sample, labels=labels, ignored=(*sample.ignored, *other))


def split_places(samples: Sequence[Sample], seed: int) -> tuple[list[Sample], list[Sample]]:
    """Return (to teach, to judge): whole places; pictures to teach in turn from each place, labelled ones first."""
    labelled = sorted({s.group for s in samples if s.labels})
    if len(labelled) < 3:
        raise InputError("a learning curve needs plants labelled at three places or more", field="places",
                         value=len(labelled), remedy="label pictures of more places")  # fmt: skip
    rng = np.random.default_rng([seed, 71])
    order = [labelled[i] for i in rng.permutation(len(labelled))]
    judging = set(order[: max(1, min(round(JUDGING * len(order)), len(order) - 2))])
    by_place: dict[str, list[Sample]] = {}
    for sample in (samples[i] for i in rng.permutation(len(samples))):
        if sample.group not in judging:
            by_place.setdefault(sample.group, []).append(sample)
    queues = [sorted(by_place[g], key=lambda s: not s.labels) for g in order if g in by_place]
    queues += [by_place[g] for g in sorted(set(by_place) - set(labelled))]
    taught = [q[i] for i in range(max(map(len, queues))) for q in queues if i < len(q)]
    if len(taught) < 8:
        raise InputError("a learning curve needs eight pictures to teach with", field="pictures", value=len(taught),
                         remedy="label more pictures")  # fmt: skip
    return taught, [s for s in samples if s.group in judging]


def _sd(error: float, plants: float) -> float:
    kept = min(max(error, 0.5 / plants), 1 - 0.5 / plants)
    return float(np.hypot(np.sqrt(kept * (1 - kept) / plants), RUN_SD))


def told(curve: LearningCurve) -> list[str]:
    """Return in words what more labels would bring."""
    now = float(curve.labels.max())
    middle, low, high = curve.at(now)
    lines = [f"Learning curve: with {now:.0f} labelled plants the error (1 - F1) on other places is {middle:.3f} "
             f"(95 %: {low:.3f} to {high:.3f})."]  # fmt: skip
    if float(curve.error.min()) > LEARNT_NOTHING:
        return [*lines, "The runs learnt next to nothing: give them more minutes before reading anything from this."]
    for factor in (2, 4):
        more, a, b = curve.at(factor * now)
        lines.append(f"With {factor} times as many it would be {more:.3f} ({a:.3f} to {b:.3f}).")
    return lines


def as_data(curve: LearningCurve) -> dict[str, Any]:
    """Return runs and forecast as plain data."""
    now = float(curve.labels.max())
    return {
        "labels": curve.labels.tolist(), "error": curve.error.tolist(), "sd": curve.sd.tolist(),
        "forecast": [
            dict(zip(("labels", "error", "low", "high"), (f * now, *curve.at(f * now)), strict=True)) for f in (1, 2, 4)
        ],
    }  # fmt: skip

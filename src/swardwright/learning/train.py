"""Teaching a detector from pictures with labels. Needs PyTorch (the extra ``[learning]``)."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from dataclasses import asdict
from dataclasses import replace as replace_fields
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from swardwright.domain.errors import InputError
from swardwright.learning.backbone import load_photograph_weights
from swardwright.learning.card import ModelCard, card_path
from swardwright.learning.export import to_onnx
from swardwright.learning.folds import LAST_SHARE, balanced_threshold, place_folds
from swardwright.learning.judging import label_arrays
from swardwright.learning.measure import (
    Matched,
    Part,
    best_f1,
    calibrate,
    cheapest_threshold,
    crown_scatter,
    edge_bands,
    expected_calibration_error,
    gather,
    kind_temperature,
    logistic,
    scores,
)
from swardwright.learning.network import PretrainedNetwork, make_network
from swardwright.learning.samples import SHIPPED, Sample, TeachSettings, at_scale, split_by_group, working_scale
from swardwright.learning.steps import SUPPRESS_RADII, Progress, Run, matches, run_steps
from swardwright.learning.targets import STRIDE
from swardwright.learning.taught import seen_pictures
from swardwright.learning.weights import (
    checkpoint_path,
    load_matching,
    replace,
    save_weights,
    shipped_weights,
    start_path,
    weight_path,
)

CAUTIONS = "Judge it on your own ground before any heat: on another site a detector can find far less."
NOTES = {
    "places": "hold-out by place; it also chose checkpoint, calibration and threshold",
    "folds": "every picture judged by a run that had not seen its place; they also chose calibration and threshold;"
    " the detector itself learnt from all of them",
}


def measure(network: nn.Module, samples: Sequence[Sample], kinds: Sequence[str], settings: TeachSettings) -> Matched:
    """Run the network over whole pictures and match its candidates against their labels."""
    return gather(matches(network, samples, kinds, settings), len(kinds))


def shipped_f1(samples: Sequence[Sample], settings: TeachSettings) -> float:
    """Return the best F1 over thresholds with which the shipped weights, as they are, find the plants of pictures."""
    kinds = tuple(sorted({label.kind for s in samples for label in s.labels}))
    network = make_network("small", len(kinds))
    load_matching(network, shipped_weights(), kinds)
    scale, inner = at_work(samples, settings)
    return best_f1(measure(network.eval(), [at_scale(s, scale) for s in samples], kinds, inner))


def at_work(samples: Sequence[Sample], settings: TeachSettings) -> tuple[float, TeachSettings]:
    """Return by how much pictures are shrunk, and the settings for shrunken pictures."""
    scale = working_scale(samples) if settings.scale is None else settings.scale
    return scale, replace_fields(settings, scale=scale, match_min_px=scale * settings.match_min_px)


def teach(
    samples: Sequence[Sample],
    out: Path,
    settings: TeachSettings,
    *,
    name: str,
    about: str,
    data: dict[str, Any] | None = None,
    cautions: str = "",
    held_out: Sequence[Sample] | None = None,
    start: Path | str | None = None,
    progress: Progress | None = None,
) -> ModelCard:
    """Teach a detector and write ``out`` (ONNX), the model card and the weights (``.pt``) beside it.

    Pictures of places that did not teach calibrate the probabilities and set the threshold. Some places are held out
    and also choose the checkpoint; or (``settings.folds``) each place is judged by a run without it, and one more run
    learns from everything. Such scores are slightly flattering either way: judge a detector on other pictures.
    An interrupted run leaves ``<out>.checkpoint`` and goes on from there when called again with the same settings and
    pictures; it is removed when the run is done. ``out`` is only replaced at the end. A fixed seed gives the same
    numbers on one machine with the same count of threads, unless a time limit cuts the steps.

    Parameters
    ----------
    samples : Sequence[Sample]
        Pictures with labels.
    out : Path
        The ``.onnx`` file to write.
    name, about : str
        Name of the detector and one sentence on its pictures, for the card.
    held_out : Sequence[Sample], optional
        Hold-out given from outside (other places); otherwise split by group.
    start : Path or str, optional
        Weights (``.pt``, as written beside a finished run) to start from, ``shipped``, or ``none``; kinds may differ.
    progress : Callable, optional
        Called with (phase, step, steps, figures).

    Raises
    ------
    InputError
        If nothing can be taught: no plants, one place only, unreadable pictures, or ``out`` is not ``.onnx``.
    """
    if out.suffix != ".onnx":
        raise InputError("the detector file must end in .onnx", field="out", value=out.name)
    started = time.monotonic()
    every = [*samples, *(held_out or ())]
    kinds = tuple(sorted({label.kind for s in every for label in s.labels}))
    for sample in every:
        label_arrays(sample, kinds)  # refuses numbers that are none
    if not kinds or not any(s.labels for s in samples):
        raise InputError("there is no labelled plant to learn from", field="labels",
                         remedy="label the crowns on some pictures first")  # fmt: skip
    device = chosen_device(settings.device)
    weights = start_path(start, settings)
    scale, inner = at_work(samples, settings)
    settings = replace_fields(settings, scale=scale)
    shrunken = [at_scale(s, scale) for s in samples]

    def run(taught: Sequence[Sample], held: Sequence[Sample], share: float, part: str, phase: str) -> Any:
        torch.manual_seed(settings.seed)
        network, old = make_network(settings.network, len(kinds)), frozenset[str]()
        if weights is not None:
            load_matching(network, weights, kinds)
            old = frozenset(key for key in network.state_dict() if not key.startswith("out."))
        elif isinstance(network, PretrainedNetwork):
            load_photograph_weights(network)
        minutes = None if inner.minutes is None else share * inner.minutes
        shorter = replace_fields(inner, steps=max(1, round(share * inner.steps)), minutes=minutes)
        path = checkpoint_path(out, part)
        return run_steps(Run(network, old, taught, held, kinds, shorter, device, path, phase, progress))

    split_rng = np.random.default_rng([settings.seed, 7])
    count = 1 if held_out is not None else settings.folds
    parts: list[Part] = []
    if count > 1:
        judged = shrunken
        for number, places in enumerate(place_folds(samples, count, split_rng), start=1):
            taught = [s for s in shrunken if s.group not in places]
            held = [s for s in shrunken if s.group in places]
            one, _ = run(taught, (), (1.0 - LAST_SHARE) / count, f"fold{number}", f"fold {number}/{count}")
            parts += matches(one, held, kinds, inner)
        network, report = run(shrunken, (), LAST_SHARE, "", "teach")
        taught = shrunken
    else:
        if held_out is None:
            taught, judged = split_by_group(shrunken, settings.holdout_fraction, split_rng)
        else:
            taught, judged = shrunken, [at_scale(s, scale) for s in held_out]
        network, report = run(taught, judged, 1.0, "", "teach")
        parts = matches(network, judged, kinds, inner)
    matched = gather(parts, len(kinds))
    onnx = to_onnx(network)
    how = "folds" if count > 1 else "places"
    seen: dict[str, Any] = {}
    if not (data or {}).get("invented"):
        names = {s.name for s in judged} if how == "places" else set()
        seen = seen_pictures([s for s in every if s.name not in names], [s for s in every if s.name in names])
    card = _card(
        matched, judged, settings, scale, name=name, kinds=kinds, onnx_sha256=hashlib.sha256(onnx).hexdigest(),
        cautions=cautions or CAUTIONS, note=NOTES[how],
        data={
            "about": about, "pictures_taught": len(taught), "pictures_held_out": len(judged),
            "plants_taught": sum(len(s.labels) for s in taught), "plants_held_out": matched.plants,
            "held_out_by": how, "folds": count, "groups_held_out": sorted({s.group for s in judged})[:200],
            "start": "fresh" if weights is None else SHIPPED if start == SHIPPED else weights.name,
            **seen, **(data or {}),
        },
        training={**report, "seconds": round(time.monotonic() - started, 1), "torch": torch.__version__,
                  "weights": sum(p.numel() for p in network.parameters())},
    )  # fmt: skip
    out.parent.mkdir(parents=True, exist_ok=True)
    save_weights(weight_path(out), network, kinds)
    replace(out, onnx)
    replace(card_path(out), card.text().encode())
    for part in ("", *(f"fold{number}" for number in range(1, count + 1))):
        checkpoint_path(out, part).unlink(missing_ok=True)
    return card


def _card(
    matched: Matched,
    judged: Sequence[Sample],
    settings: TeachSettings,
    scale: float,
    *,
    note: str,
    **told: Any,
) -> ModelCard:
    """Calibrate, set the threshold and return the card; ``matched`` is in shrunk pixels, the card in whole ones."""
    temperature, bias = calibrate(matched.logit, matched.hit)
    probability = logistic(matched.logit / temperature + bias)
    threshold, cost = cheapest_threshold(
        probability, matched.hit, matched.plants, settings.miss_price, settings.false_alarm_price
    )
    if settings.threshold_by == "balance":
        threshold, _ = balanced_threshold(probability, matched.hit, matched.plants)
        kept = probability >= threshold
        missed, false = matched.plants - int((kept & matched.hit).sum()), int((kept & ~matched.hit).sum())
        cost = (settings.miss_price * missed + settings.false_alarm_price * false) / max(matched.plants, 1)
    figures = scores(matched, probability, threshold)
    chosen = probability[matched.hit] >= threshold
    for name_px in ("crown_rms_px", "crown_sd_px"):
        figures[name_px] /= scale
    floor_px, share = crown_scatter(matched.error_px[chosen], matched.radius_px[chosen])
    sampling = [s.metres_per_px for s in judged if s.metres_per_px is not None]
    known = matched.area_m2 > 0 and len(sampling) == len(judged)
    return ModelCard(
        threshold=round(threshold, 4),
        temperature=round(temperature, 6),
        bias=round(bias, 6),
        kind_temperature=round(kind_temperature(matched.kind_logits, matched.kind), 4),
        detection_probability=round(figures["recall"], 4),
        false_alarms_m2=round(figures["false_alarms"] / matched.area_m2, 5) if known else 0.0,
        false_alarms_m2_known=known,
        false_alarms_per_picture=round(figures["false_alarms_per_picture"], 4),
        crown_sd_px=round(figures["crown_sd_px"], 3),
        scale=scale,
        metres_per_px=round(scale * float(np.median(sampling)), 8) if known else 0.0,
        crown_floor_px=round(floor_px / scale, 3),
        crown_share=round(share, 4),
        log_radius_sd=round(figures["log_radius_rms"], 4),
        suppress_radii=SUPPRESS_RADII,
        cell_px=STRIDE,
        scores={
            **{k: round(v, 4) for k, v in figures.items()},
            "expected_calibration_error": round(expected_calibration_error(probability, matched.hit), 4),
            "cost_per_plant": round(cost, 4),
            "note": note,
        },
        settings=asdict(settings),
        bands=edge_bands(matched.edge_px / scale, logistic(matched.best_logit / temperature + bias) >= threshold),
        **told,
    )  # fmt: skip


def chosen_device(name: str) -> torch.device:
    """Return the device of a name.

    Raises
    ------
    InputError
        If a CUDA device is asked for that is not there.
    """
    if name == "auto":
        return torch.device("cuda" if torch.cuda.is_available() else "cpu")
    device = torch.device(name)
    if device.type == "cuda" and (device.index or 0) >= torch.cuda.device_count():
        raise InputError("there is no such CUDA device", field="device", value=name,
                         limit=f"{torch.cuda.device_count()} found", remedy="teach on 'auto' or 'cpu'")  # fmt: skip
    return device

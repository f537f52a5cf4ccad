"""Teaching a detector from pictures with labels. Needs PyTorch (the extra ``[learning]``)."""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import asdict
from dataclasses import replace as replace_fields
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from swardwright.domain.errors import InputError
from swardwright.learning.augment import OUTSIDE, random_crop
from swardwright.learning.backbone import load_photograph_weights
from swardwright.learning.card import ModelCard, card_path
from swardwright.learning.detector import check_picture
from swardwright.learning.export import to_onnx
from swardwright.learning.judging import label_arrays, match_sample
from swardwright.learning.measure import (
    Matched,
    best_f1,
    calibrate,
    cheapest_threshold,
    edge_bands,
    expected_calibration_error,
    gather,
    kind_temperature,
    logistic,
    scores,
)
from swardwright.learning.network import MULTIPLE_PX, PretrainedNetwork, loss, make_network
from swardwright.learning.samples import Image, Sample, TeachSettings, at_scale, split_by_group, working_scale
from swardwright.learning.targets import STRIDE, decode, encode

#: candidates of a lower heat logit are not looked at when measuring (probability 0.02)
FLOOR_LOGIT = -4.0
SUPPRESS_RADII = 0.5
CAUTIONS = "Judge it on your own ground before any heat: on another site a detector can find far less."
#: share of the running average of weights kept per step
AVERAGE_KEEP = 0.998
#: share of the learning rate for layers that come from photographs
BACKBONE_PACE = 0.25
MAX_CACHE_BYTES = 1_500_000_000

Progress = Callable[[str, int, int, dict[str, float]], None]


class Pictures:
    """Pictures of samples, kept in memory up to a limit, least recently used first out."""

    def __init__(self, samples: Sequence[Sample], limit_bytes: int = MAX_CACHE_BYTES) -> None:
        self._samples = samples
        self._limit = limit_bytes
        self._held: OrderedDict[int, Image] = OrderedDict()
        self._bytes = 0

    def __getitem__(self, index: int) -> Image:
        if index in self._held:
            self._held.move_to_end(index)
            return self._held[index]
        sample = self._samples[index]
        try:
            image = check_picture(sample.load())
        except InputError as error:
            error.where = error.where or sample.name
            raise
        self._held[index] = image
        self._bytes += image.nbytes
        while self._bytes > self._limit and len(self._held) > 1:
            self._bytes -= self._held.popitem(last=False)[1].nbytes
        return image


class Crops(torch.utils.data.Dataset):  # type: ignore[misc]
    """Item ``n`` is the batch of step ``n``: fixed by the seed and the step, whichever process makes it."""

    def __init__(self, samples: Sequence[Sample], kinds: Sequence[str], settings: TeachSettings, steps: int) -> None:
        self._pictures = Pictures(samples)
        self._labels = [label_arrays(s, kinds) for s in samples]
        self._settings = settings
        self._steps = steps
        self.first = 0

    def __len__(self) -> int:
        return self._steps - self.first

    def __getitem__(self, index: int) -> dict[str, torch.Tensor]:
        step = index + self.first
        rng = np.random.default_rng([self._settings.seed, step])
        side = self._settings.crop_px
        parts: dict[str, list[Any]] = {k: [] for k in ("picture", "heat", "weight", "near", "shape", "kind")}
        # an even draw over pictures, but one without a plant at most every third time
        chosen = rng.integers(len(self._labels), size=self._settings.batch)
        for n in chosen:
            if not len(self._labels[n][0]) and rng.random() < 0.3:
                n = rng.integers(len(self._labels))
            own, left = self._labels[n]
            crop, plants, ignored = random_crop(self._pictures[n], own, left, self._settings, rng)
            wanted = encode(plants, ignored, side, side)
            parts["picture"].append(crop.transpose(2, 0, 1))
            for name in ("heat", "weight", "near", "shape", "kind"):
                parts[name].append(getattr(wanted, name))
        return {name: torch.from_numpy(np.stack(values)) for name, values in parts.items()}


def measure(network: nn.Module, samples: Sequence[Sample], kinds: Sequence[str], settings: TeachSettings) -> Matched:
    """Run the network over whole pictures and match its candidates against their labels."""
    device = next(network.parameters()).device
    network.eval()
    parts = []
    for sample in samples:
        image = check_picture(sample.load())
        height, width = image.shape[:2]
        padded = np.pad(image, ((0, -height % MULTIPLE_PX), (0, -width % MULTIPLE_PX), (0, 0)), constant_values=OUTSIDE)
        with torch.no_grad():
            batch = torch.from_numpy(padded.transpose(2, 0, 1).copy())[None].to(device).float()
            heat, kind, shape = (t[0].float().cpu().numpy() for t in network(batch))
        got = decode(heat[0], shape, kind, FLOOR_LOGIT, SUPPRESS_RADII)
        parts.append(match_sample(got, sample, kinds, settings, (width, height)))
    return gather(parts, len(kinds))


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
    start: Path | None = None,
    progress: Progress | None = None,
) -> ModelCard:
    """Teach a detector and write ``out`` (ONNX) and the model card beside it.

    Whole groups of pictures are held out; they choose the checkpoint, calibrate the probabilities and set the
    threshold of least expected cost, so their scores are slightly flattering: judge a detector on other pictures.
    An interrupted run leaves ``<out>.checkpoint`` and goes on from there when called again with the same settings and
    pictures; it is removed when the run is done. ``out`` is only replaced at the end.

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
    start : Path, optional
        Weights (``.pt`` state as written beside a finished run) to start from; kinds may differ.
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
    split_rng = np.random.default_rng([settings.seed, 7])
    if held_out is None:
        taught, held = split_by_group(list(samples), settings.holdout_fraction, split_rng)
    else:
        taught, held = list(samples), list(held_out)
    kinds = tuple(sorted({label.kind for s in (*taught, *held) for label in s.labels}))
    if not kinds or not any(s.labels for s in taught):
        raise InputError("there is no labelled plant to learn from", field="labels",
                         remedy="label the crowns on some pictures first")  # fmt: skip
    torch.manual_seed(settings.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    scale = working_scale(taught) if settings.scale is None else settings.scale
    settings = replace_fields(settings, scale=scale)
    inner = replace_fields(settings, match_min_px=scale * settings.match_min_px)  # in pixels of the shrunk pictures
    taught, held = ([at_scale(sample, scale) for sample in part] for part in (taught, held))
    network = make_network(settings.network, len(kinds))
    if start is not None:
        load_matching(network, start)
    elif isinstance(network, PretrainedNetwork):
        load_photograph_weights(network)
    network, report = _steps(network, taught, held, kinds, inner, device, _checkpoint_path(out), progress)
    matched = measure(network.to(device), held, kinds, inner)
    temperature, bias = calibrate(matched.logit, matched.hit)
    probability = logistic(matched.logit / temperature + bias)
    threshold, cost = cheapest_threshold(
        probability, matched.hit, matched.plants, settings.miss_price, settings.false_alarm_price
    )
    figures = scores(matched, probability, threshold)
    for name_px in ("crown_rms_px", "crown_sd_px"):
        figures[name_px] /= scale
    onnx = to_onnx(network)
    known = matched.area_m2 > 0 and all(s.metres_per_px is not None for s in held)
    card = ModelCard(
        name=name,
        kinds=kinds,
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
        log_radius_sd=round(figures["log_radius_rms"], 4),
        suppress_radii=SUPPRESS_RADII,
        cell_px=STRIDE,
        onnx_sha256=hashlib.sha256(onnx).hexdigest(),
        cautions=cautions or CAUTIONS,
        data={
            "about": about, "pictures_taught": len(taught), "pictures_held_out": len(held),
            "plants_taught": sum(len(s.labels) for s in taught), "plants_held_out": matched.plants,
            "groups_held_out": sorted({s.group for s in held})[:200], **(data or {}),
        },
        scores={
            **{k: round(v, 4) for k, v in figures.items()},
            "expected_calibration_error": round(expected_calibration_error(probability, matched.hit), 4),
            "cost_per_plant": round(cost, 4),
            "note": "hold-out by place; it also chose checkpoint, calibration and threshold",
        },
        settings=asdict(settings),
        training={**report, "seconds": round(time.monotonic() - started, 1), "torch": torch.__version__,
                  "weights": sum(p.numel() for p in network.parameters())},
        bands=edge_bands(matched.edge_px / scale, logistic(matched.best_logit / temperature + bias) >= threshold),
    )  # fmt: skip
    out.parent.mkdir(parents=True, exist_ok=True)
    replace(out, onnx)
    replace(card_path(out), card.text().encode())
    state = io.BytesIO()
    torch.save({"kinds": list(kinds), "weights": network.cpu().state_dict()}, state)
    replace(out.with_suffix(".pt"), state.getvalue())
    _checkpoint_path(out).unlink(missing_ok=True)
    return card


def _steps(
    network: nn.Module,
    taught: Sequence[Sample],
    held: Sequence[Sample],
    kinds: Sequence[str],
    settings: TeachSettings,
    device: torch.device,
    checkpoint: Path,
    progress: Progress | None,
) -> tuple[nn.Module, dict[str, Any]]:
    """Run the gradient steps; return the network of the best averaged weights and what was done."""
    network = network.to(device)
    layout = torch.channels_last if device.type == "cuda" else torch.contiguous_format
    network = network.to(memory_format=layout)
    optimizer = torch.optim.AdamW(_paces(network), lr=settings.learning_rate, weight_decay=settings.weight_decay)
    average = {k: v.detach().clone() for k, v in network.state_dict().items()}
    best = {k: v.clone() for k, v in average.items()}
    state = {"step": 0, "best_score": -1.0, "best_step": 0, "since": 0, "spent_s": 0.0}
    mark = _fingerprint(taught, held, kinds, settings)
    if checkpoint.exists():
        kept = _read_checkpoint(checkpoint, mark)
        if kept is not None:
            network.load_state_dict(kept["network"])
            optimizer.load_state_dict(kept["optimizer"])
            average = {k: v.to(device) for k, v in kept["average"].items()}
            best = {k: v.to(device) for k, v in kept["best"].items()}
            state = kept["state"]
    crops = Crops(taught, kinds, settings, settings.steps)
    crops.first = int(state["step"])
    loader = torch.utils.data.DataLoader(
        crops, batch_size=None, shuffle=False, num_workers=settings.workers,
        prefetch_factor=4 if settings.workers else None, worker_init_fn=_one_thread, pin_memory=device.type == "cuda",
    )  # fmt: skip
    judge = make_network(settings.network, len(kinds)).to(device)
    limit_s = math.inf if settings.minutes is None else 60.0 * settings.minutes
    began = time.monotonic() - state["spent_s"]
    total, reason = 0.0, "all steps done"
    step = crops.first
    for batch in loader:
        spent = time.monotonic() - began
        share = min(1.0, max(step / settings.steps, spent / limit_s))
        for group in optimizer.param_groups:
            group["lr"] = settings.learning_rate * group["share"] * _pace(step, share)
        network.train()
        wanted = {k: v.to(device, non_blocking=True) for k, v in batch.items()}
        pictures = wanted["picture"].float().contiguous(memory_format=layout)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            outputs = network(pictures)
        value = loss(outputs, wanted)
        optimizer.zero_grad(set_to_none=True)
        value.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        step += 1
        keep = min(AVERAGE_KEEP, step / (step + 10.0))
        with torch.no_grad():
            for key, now in network.state_dict().items():
                if now.is_floating_point():
                    average[key].lerp_(now, 1 - keep)
                else:
                    average[key].copy_(now)
        if step % 25 == 0:
            total = float(value.detach())
            if not math.isfinite(total):
                raise InputError("teaching diverged: the loss is no longer finite", field="learning_rate",
                                 value=settings.learning_rate, remedy="teach with a smaller learning rate")  # fmt: skip
            if progress is not None:
                progress("teach", step, settings.steps, {"loss": total})
        over = time.monotonic() - began >= limit_s
        if step % settings.evaluate_every == 0 or step == settings.steps or over:
            judge.load_state_dict(average)
            score = best_f1(measure(judge, held, kinds, settings))
            state["since"] += 1
            if score > state["best_score"]:
                state.update(best_score=score, best_step=step, since=0)
                best = {k: v.clone() for k, v in average.items()}
            state.update(step=step, spent_s=time.monotonic() - began)
            if progress is not None:
                progress("check", step, settings.steps, {"loss": float(value.detach()), "f1": score})
            if over:
                reason = "time limit"
                break
            if state["since"] >= settings.patience:
                reason = "no better score"
                break
            _write_checkpoint(checkpoint, mark, network, optimizer, average, best, state)
    result = make_network(settings.network, len(kinds))
    result.load_state_dict({k: v.cpu() for k, v in best.items()})
    machine = torch.cuda.get_device_name(0) if device.type == "cuda" else f"{torch.get_num_threads()} processor threads"
    return result.to(device), {
        "machine": machine, "steps": step, "best_step": int(state["best_step"]), "ended": reason,
        "best_f1_while_teaching": round(float(state["best_score"]), 4),
    }  # fmt: skip


def _paces(network: nn.Module) -> list[dict[str, Any]]:
    """Return the weights in groups with their share of the learning rate: pretrained layers move less."""
    old = [p for name, p in network.named_parameters() if name.startswith("backbone.")]
    new = [p for name, p in network.named_parameters() if not name.startswith("backbone.")]
    return [{"params": new, "share": 1.0}, *([{"params": old, "share": BACKBONE_PACE}] if old else [])]


def _one_thread(_: int) -> None:
    """Keep OpenCV in a worker process to its own thread."""
    import cv2

    cv2.setNumThreads(0)


def _pace(step: int, share: float) -> float:
    """Return the factor of the learning rate: a short rise, then half a cosine down to 2 %."""
    return min(1.0, (step + 1) / 50) * (0.02 + 0.49 * (1 + math.cos(math.pi * share)))


def _fingerprint(
    taught: Sequence[Sample], held: Sequence[Sample], kinds: Sequence[str], settings: TeachSettings
) -> str:
    described = [asdict(settings), list(kinds)] + [
        [s.name, s.group, [[lb.u_px, lb.v_px, lb.radius_px, lb.kind] for lb in s.labels]] for s in (*taught, *held)
    ]
    return hashlib.sha256(json.dumps(described).encode()).hexdigest()


def _checkpoint_path(out: Path) -> Path:
    return out.with_suffix(".checkpoint")


def _write_checkpoint(
    path: Path, mark: str, network: nn.Module, optimizer: Any, average: Any, best: Any, state: dict[str, float]
) -> None:
    file = io.BytesIO()
    torch.save(
        {"mark": mark, "network": network.state_dict(), "optimizer": optimizer.state_dict(), "average": average,
         "best": best, "state": dict(state)},
        file,
    )  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    replace(path, file.getvalue())


def _read_checkpoint(path: Path, mark: str) -> dict[str, Any] | None:
    """Return the checkpoint of the same run, None if it belongs to another run (it is then replaced)."""
    try:
        kept = torch.load(path, map_location="cpu", weights_only=True)
    except Exception as error:
        raise InputError("the checkpoint of an interrupted run is not readable", where=path.name,
                         remedy="remove that file and teach again from the start") from error  # fmt: skip
    return kept if isinstance(kept, dict) and kept.get("mark") == mark else None


def load_matching(network: nn.Module, path: Path) -> None:
    """Load the weights of an earlier run; layers of another shape (other kinds) keep their fresh start.

    Raises
    ------
    InputError
        If the file is missing, not a weight file, or of another network.
    """
    if not path.is_file():
        raise InputError("there is no such weight file", where=path.name, remedy="name the .pt file of an earlier run")
    try:
        kept = torch.load(path, map_location="cpu", weights_only=True)
        weights = {k: v for k, v in kept["weights"].items() if isinstance(v, torch.Tensor)}
    except Exception as error:
        raise InputError("the weight file is not readable", where=path.name,
                         remedy="name the .pt file of an earlier run") from error  # fmt: skip
    own = network.state_dict()
    fit = {k: v for k, v in weights.items() if k in own and v.shape == own[k].shape}
    if len(fit) < len(own) - 2:
        raise InputError("the weight file is of another network", where=path.name, value=f"{len(fit)} of {len(own)}")
    network.load_state_dict({**own, **fit})


def replace(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    os.replace(part, path)

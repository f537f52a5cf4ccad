"""The gradient steps of one run: crops, pace, averaging, early stop, checkpoints, memory. Needs PyTorch."""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from swardwright.domain.errors import InputError
from swardwright.learning.augment import OUTSIDE, random_crop
from swardwright.learning.card import REACH_PX
from swardwright.learning.detector import check_picture
from swardwright.learning.judging import label_arrays, match_sample
from swardwright.learning.measure import Part, best_f1, gather
from swardwright.learning.network import MULTIPLE_PX, loss, make_network
from swardwright.learning.paste import Bank, make_bank
from swardwright.learning.samples import Image, Sample, TeachSettings
from swardwright.learning.targets import STRIDE, decode, encode
from swardwright.learning.weights import read_checkpoint, write_checkpoint

#: candidates of a lower heat logit are not looked at when measuring (probability 0.02)
FLOOR_LOGIT = -4.0
SUPPRESS_RADII = 0.5
#: share of the running average of weights kept per step
AVERAGE_KEEP = 0.998
#: share of the learning rate for layers that come from photographs or from an earlier detector
BACKBONE_PACE, START_PACE = 0.25, 0.33
MAX_CACHE_BYTES = 1_500_000_000
MAPS = ("heat", "weight", "near", "shape", "kind")
#: how pictures lie in memory: the channels of one pixel together, quicker on processors and graphics cards alike
LAYOUT = torch.channels_last

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
        image = picture_of(self._samples[index])
        self._held[index] = image
        self._bytes += image.nbytes
        while self._bytes > self._limit and len(self._held) > 1:
            self._bytes -= self._held.popitem(last=False)[1].nbytes
        return image


def picture_of(sample: Sample) -> Image:
    """Return the checked picture of a sample; an error names the sample."""
    try:
        return check_picture(sample.load())
    except InputError as error:
        error.where = error.where or sample.name
        raise


class Crops(torch.utils.data.Dataset):  # type: ignore[misc]
    """Item ``n`` is the batch of step ``n``: fixed by the seed and the step, whichever process makes it."""

    def __init__(self, samples: Sequence[Sample], kinds: Sequence[str], settings: TeachSettings, steps: int) -> None:
        self._pictures = Pictures(samples)
        self._labels = [label_arrays(s, kinds) for s in samples]
        self._settings = settings
        self._steps = steps
        self._bank: Bank | None = None
        if settings.paste > 0:
            self._bank = make_bank(lambda n: self._pictures[n], self._labels, settings.seed)
        self.first = 0

    def __len__(self) -> int:
        return self._steps - self.first

    def __getitem__(self, index: int) -> dict[str, torch.Tensor]:
        step = index + self.first
        rng = np.random.default_rng([self._settings.seed, step])
        side = self._settings.crop_px
        parts: dict[str, list[Any]] = {k: [] for k in ("picture", *MAPS)}
        # an even draw over pictures, but one without a plant at most every third time
        chosen = rng.integers(len(self._labels), size=self._settings.batch)
        for n in chosen:
            if not len(self._labels[n][0]) and rng.random() < 0.3:
                n = rng.integers(len(self._labels))
            own, left = self._labels[n]
            crop, plants, ignored = random_crop(self._pictures[n], own, left, self._settings, rng, self._bank)
            wanted = encode(plants, ignored, side, side)
            parts["picture"].append(crop.transpose(2, 0, 1))
            for name in MAPS:
                parts[name].append(getattr(wanted, name))
        return {name: torch.from_numpy(np.stack(values)) for name, values in parts.items()}


def matches(network: nn.Module, samples: Sequence[Sample], kinds: Sequence[str], settings: TeachSettings) -> list[Part]:
    """Run the network over whole pictures and match its candidates against their labels, picture by picture."""
    device = next(network.parameters()).device
    network.eval()
    parts = []
    for sample in samples:
        image = picture_of(sample)
        height, width = image.shape[:2]
        padded = np.pad(image, ((0, -height % MULTIPLE_PX), (0, -width % MULTIPLE_PX), (0, 0)), constant_values=OUTSIDE)
        batch = torch.from_numpy(padded.transpose(2, 0, 1).copy())[None].float()
        try:
            heat, kind, shape = _maps(network, batch, device)
        except (MemoryError, RuntimeError) as error:
            if not _out_of_memory(error):
                raise
            heat, kind, shape = _in_parts(network, batch, device, REACH_PX[settings.network], sample.name)
        got = decode(heat[0], shape, kind, FLOOR_LOGIT, SUPPRESS_RADII)
        parts.append(match_sample(got, sample, kinds, settings, (width, height)))
    return parts


def _maps(network: nn.Module, batch: torch.Tensor, device: torch.device) -> list[Any]:
    with torch.no_grad():
        return [t[0].float().cpu().numpy() for t in network(batch.to(device))]


def _in_parts(network: nn.Module, batch: torch.Tensor, device: torch.device, reach_px: int, where: str) -> list[Any]:
    """Return the maps of a picture that the memory does not hold at once, in bands of rows with what lies around."""
    height, band = batch.shape[2], 8 * MULTIPLE_PX
    parts = []
    try:
        for top in range(0, height, band):
            first, end = max(top - reach_px, 0), min(top + band, height)
            maps = _maps(network, batch[:, :, first : min(end + reach_px, height)], device)
            rows = slice((top - first) // STRIDE, (end - first) // STRIDE)
            parts.append([m[:, rows] for m in maps])
    except (MemoryError, RuntimeError) as error:
        if not _out_of_memory(error):
            raise
        raise InputError("the memory does not hold the picture", where=where,
                         remedy="teach with a smaller scale (--scale)") from error  # fmt: skip
    return [np.concatenate(maps, axis=1) for maps in zip(*parts, strict=True)]


@dataclass(frozen=True, eq=False)
class Run:
    """One run of gradient steps.

    Attributes
    ----------
    network : nn.Module
        As it starts; ``old`` names its weights that come from an earlier detector.
    held : Sequence[Sample]
        Choose the checkpoint and end the run early; none: the last averaged weights are taken.
    checkpoint : Path
        Where an interrupted run keeps its state.
    phase : str
        Its name in the progress, such as ``teach`` or ``fold 1/3``.
    """

    network: nn.Module
    old: frozenset[str]
    taught: Sequence[Sample]
    held: Sequence[Sample]
    kinds: Sequence[str]
    settings: TeachSettings
    device: torch.device
    checkpoint: Path
    phase: str = "teach"
    progress: Progress | None = None


def run_steps(run: Run) -> tuple[nn.Module, dict[str, Any]]:
    """Run the gradient steps; return the network of the best averaged weights and what was done.

    An interrupted run goes on from its checkpoint; a finished one is read from it at once.
    """
    settings, device = run.settings, run.device
    torch.backends.cudnn.deterministic = True
    network = run.network.to(device).to(memory_format=LAYOUT)
    optimizer = torch.optim.AdamW(
        paces(network, run.old), lr=settings.learning_rate, weight_decay=settings.weight_decay
    )
    average = {k: v.detach().clone() for k, v in network.state_dict().items()}
    best = {k: v.clone() for k, v in average.items()}
    state: dict[str, Any] = {"step": 0, "best_score": -1.0, "best_step": 0, "since": 0, "spent_s": 0.0, "parts": 1,
                             "reason": ""}  # fmt: skip
    mark = fingerprint(run)
    kept = read_checkpoint(run.checkpoint, mark) if run.checkpoint.exists() else None
    if kept is not None:
        network.load_state_dict(kept["network"])
        optimizer.load_state_dict(kept["optimizer"])
        average = {k: v.to(device) for k, v in kept["average"].items()}
        best = {k: v.to(device) for k, v in kept["best"].items()}
        state = kept["state"]
    crops = Crops(run.taught, run.kinds, settings, settings.steps)
    crops.first = settings.steps if state["reason"] else int(state["step"])
    loader = torch.utils.data.DataLoader(
        crops, batch_size=None, shuffle=False, num_workers=settings.workers,
        prefetch_factor=4 if settings.workers else None, worker_init_fn=_one_thread, pin_memory=device.type == "cuda",
    )  # fmt: skip
    judge = make_network(settings.network, len(run.kinds)).to(device)
    limit_s = math.inf if settings.minutes is None else 60.0 * settings.minutes
    began = time.monotonic() - state["spent_s"]
    step = int(state["step"])
    for batch in loader:
        share = min(1.0, max(step / settings.steps, (time.monotonic() - began) / limit_s))
        for group in optimizer.param_groups:
            group["lr"] = settings.learning_rate * group["share"] * pace(step, share)
        value = _step(network, optimizer, batch, device, state)
        step += 1
        keep = min(AVERAGE_KEEP, step / (step + 10.0))
        with torch.no_grad():
            for key, now in network.state_dict().items():
                if now.is_floating_point():
                    average[key].lerp_(now, 1 - keep)
                else:
                    average[key].copy_(now)
        over = time.monotonic() - began >= limit_s
        ending = step == settings.steps or over
        check = ending or step % settings.evaluate_every == 0
        if check or step % 25 == 0 or device.type == "cpu":
            total = float(value)
            if not math.isfinite(total):
                raise InputError("teaching diverged: the loss is no longer finite", field="learning_rate",
                                 value=settings.learning_rate, remedy="teach with a smaller learning rate")  # fmt: skip
            if step % 25 == 0 and run.progress is not None:
                run.progress(run.phase, step, settings.steps, {"loss": total})
        if not check:
            continue
        score = None
        if run.held:
            judge.load_state_dict(average)
            score = best_f1(gather(matches(judge, run.held, run.kinds, settings), len(run.kinds)))
            state["since"] += 1
        if score is None or score > state["best_score"]:
            state.update(best_score=-1.0 if score is None else score, best_step=step, since=0)
            best = {k: v.clone() for k, v in average.items()}
        stale = state["since"] >= settings.patience
        if ending or stale:
            state["reason"] = "time limit" if over else "no better score" if stale else "all steps done"
        state.update(step=step, spent_s=time.monotonic() - began)
        write_checkpoint(
            run.checkpoint, mark,
            {"network": network.state_dict(), "optimizer": optimizer.state_dict(), "average": average, "best": best,
             "state": dict(state)},
        )  # fmt: skip
        if run.progress is not None:
            shown = {"loss": total} if score is None else {"loss": total, "f1": score}
            run.progress("check", step, settings.steps, shown)
        if state["reason"]:
            break
    result = make_network(settings.network, len(run.kinds))
    result.load_state_dict({k: v.cpu() for k, v in best.items()})
    machine = torch.cuda.get_device_name(0) if device.type == "cuda" else f"{torch.get_num_threads()} processor threads"
    report = {"machine": machine, "steps": step, "best_step": int(state["best_step"]), "ended": state["reason"],
              "gradient_seconds": round(float(state["spent_s"]), 1)}  # fmt: skip
    if run.held:
        report["best_f1_while_teaching"] = round(float(state["best_score"]), 4)
    if state["parts"] > 1:
        report["batch_taken_in_parts"] = int(state["parts"])
    return result.to(device), report


def _step(
    network: nn.Module, optimizer: Any, batch: dict[str, torch.Tensor], device: torch.device, state: dict[str, Any]
) -> torch.Tensor:
    """Take one gradient step; where memory is short the batch goes through in halves, quarters and so on."""
    network.train()
    size = len(batch["picture"])
    mixed = halves_well(device)
    while True:
        try:
            optimizer.zero_grad(set_to_none=True)
            total = torch.zeros((), device=device)
            for rows in np.array_split(np.arange(size), min(int(state["parts"]), size)):
                wanted = {
                    k: v[int(rows[0]) : int(rows[-1]) + 1].to(device, non_blocking=True) for k, v in batch.items()
                }
                pictures = wanted["picture"].float().contiguous(memory_format=LAYOUT)
                with torch.autocast(device.type, dtype=torch.bfloat16, enabled=mixed):
                    outputs = network(pictures)
                value = loss(outputs, wanted) * (len(rows) / size)
                value.backward()
                total += value.detach()
            break
        except (MemoryError, RuntimeError) as error:
            if not _out_of_memory(error):
                raise
            short = error.__class__.__name__
        if state["parts"] >= size:
            raise InputError("the memory does not hold one crop", where=str(device), value=short,
                             remedy="teach with smaller crops (--crop-px) or a smaller scale (--scale)")  # fmt: skip
        state["parts"] = min(2 * int(state["parts"]), size)
        if device.type == "cuda":
            torch.cuda.empty_cache()
    torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
    optimizer.step()
    return total


def halves_well(device: torch.device) -> bool:
    """Return whether a device multiplies 16-bit (bfloat16) numbers itself: if so, a step takes half the time."""
    if device.type == "cuda":
        return bool(torch.cuda.is_bf16_supported(including_emulation=False))
    able = torch.cpu.get_capabilities()
    return any(able.get(name, False) for name in ("avx512_bf16", "amx_bf16"))


def _out_of_memory(error: BaseException) -> bool:
    words = str(error).lower()
    named = isinstance(error, MemoryError | torch.OutOfMemoryError)
    return named or "allocate memory" in words or "not enough memory" in words


def paces(network: nn.Module, old: frozenset[str] = frozenset()) -> list[dict[str, Any]]:
    """Return the weights in groups with their share of the learning rate: what was taught before moves less."""
    shares: dict[float, list[nn.Parameter]] = {}
    for name, weights in network.named_parameters():
        share = START_PACE if name in old else BACKBONE_PACE if name.startswith("backbone.") else 1.0
        shares.setdefault(share, []).append(weights)
    return [{"params": shares[share], "share": share} for share in sorted(shares)]


def pace(step: int, share: float) -> float:
    """Return the factor of the learning rate: a short rise, then half a cosine down to 2 %."""
    return min(1.0, (step + 1) / 50) * (0.02 + 0.49 * (1 + math.cos(math.pi * share)))


def _one_thread(_: int) -> None:
    """Keep OpenCV in a worker process to its own thread."""
    import cv2

    cv2.setNumThreads(0)


def fingerprint(run: Run) -> str:
    """Return a digest of all that decides a run's numbers: settings, kinds, labels and the weights at its start."""
    described = [asdict(run.settings), list(run.kinds), run.phase] + [
        [s.name, s.group, [[lb.u_px, lb.v_px, lb.radius_px, lb.kind] for lb in s.labels]]
        for s in (*run.taught, *run.held)
    ]
    digest = hashlib.sha256(json.dumps(described).encode())
    digest.update(str(len(run.held)).encode())
    for values in run.network.state_dict().values():
        digest.update(values.detach().cpu().numpy().tobytes())
    return digest.hexdigest()

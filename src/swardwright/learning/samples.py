"""What teaching takes: pictures with labels, grouped by place, and the settings of one run."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label

Image = NDArray[np.uint8]
NETWORKS = ("small", "pretrained")
#: nineteen of twenty plants are shown to the network with at most this radius: a third of what it sees at once
#: (decision 0008 has the measurement)
GOOD_RADIUS_PX = 64.0
SCALE_MIN = 0.1
#: words for where the weights come from, beside the path of a weight file
SHIPPED, NO_START = "shipped", "none"
THRESHOLDS = ("cost", "balance")


@dataclass(frozen=True, eq=False)
class Sample:
    """One picture with every plant on it labelled; no labels at all is a valid picture of bare ground.

    Attributes
    ----------
    name : str
        Name of the picture, for messages and the model card.
    load : Callable[[], Image]
        Returns the picture: RGB, shape (height, width, 3), uint8.
    labels : tuple[Label, ...]
        Crown, radius and kind of each plant, pixels of that picture.
    group : str
        Place and day. Pictures of one group never stand on both sides of the hold-out.
    ignored : tuple[Label, ...]
        Regions that count neither as a plant nor as bare ground (crowds, specks too small to label).
    metres_per_px : float | None
        Ground sampling distance at the picture's middle, if known.
    """

    name: str
    load: Callable[[], Image]
    labels: tuple[Label, ...]
    group: str
    ignored: tuple[Label, ...] = ()
    metres_per_px: float | None = None


def at_scale(sample: Sample, scale: float) -> Sample:
    """Return the sample with its picture shrunk and its labels in the pixels of the smaller one."""
    if scale == 1.0:
        return sample

    def moved(label: Label) -> Label:
        u, v = (scale * (x + 0.5) - 0.5 for x in (label.u_px, label.v_px))
        return replace(label, u_px=u, v_px=v, radius_px=scale * label.radius_px)

    metres = None if sample.metres_per_px is None else sample.metres_per_px / scale
    return replace(
        sample, load=partial(_load_shrunk, sample.load, scale), labels=tuple(map(moved, sample.labels)),
        ignored=tuple(map(moved, sample.ignored)), metres_per_px=metres,
    )  # fmt: skip


def _load_shrunk(load: Callable[[], Image], scale: float) -> Image:
    return shrunk(load(), scale)


def shrunk(image: Image, scale: float) -> Image:
    """Return the picture shrunk by area averaging: pixel ``u`` comes to ``scale (u + 0.5) - 0.5``.

    A scale of more than 1 enlarges it, by bilinear interpolation.
    """
    import cv2

    if scale == 1.0:
        return image
    how = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, None, fx=scale, fy=scale, interpolation=how), np.uint8)


def working_scale(samples: Sequence[Sample]) -> float:
    """Return by how much to shrink so that 95 % of the plants have at most ``GOOD_RADIUS_PX``, in steps of 0.05."""
    radii = [label.radius_px for sample in samples for label in sample.labels]
    if not radii:
        return 1.0
    wanted = GOOD_RADIUS_PX / max(float(np.percentile(radii, 95)), 1e-6)
    return float(np.clip(round(20.0 * wanted) / 20.0, SCALE_MIN, 1.0))


@dataclass(frozen=True)
class TeachSettings:
    """Settings of one teaching run; the defaults suit two processor cores and some tens of pictures.

    Attributes
    ----------
    steps : int
        Gradient steps at most; ``minutes`` may end the run sooner (the learning rate follows whichever is nearer).
    minutes : float | None
        Time limit of the gradient steps. With a limit that bites, the result depends on the machine's speed.
    batch, crop_px : int
        Random crops per step, and their side in pixels (multiple of 32).
    scale_min, scale_max : float
        Range of random zoom, so that other camera heights are met.
    turn : bool
        Whether crops are turned by any angle (pictures that look straight down) or only mirrored.
    holdout_fraction : float
        Share of the groups kept apart to choose the checkpoint, calibrate and set the threshold.
    patience : int
        The run ends after so many evaluations without a better score.
    miss_price, false_alarm_price : float
        The user's prices of a missed plant and of a false alarm (any one currency): they set the threshold.
    match_m : float
        A detection counts when within this distance on the ground, where the ground sampling distance is known.
    match_radii, match_min_px : float
        Otherwise within ``max(match_min_px, match_radii * radius)`` pixels.
    workers : int
        Processes that prepare crops; 0 prepares them in this process.
    network : str
        ``small``: plain convolutions, quick on a robot's computer; ``pretrained``: a larger one whose first layers come
        from everyday photographs (:mod:`swardwright.learning.backbone`).
    scale : float | None
        Pictures are shrunk by this before the network sees them; None: so that most plants get a size it is good at.
    folds : int
        1: some places are held out, and the detector never learns from them. 2 and more: as many runs, each without
        some of the places, judge, calibrate and set the threshold; then one run learns from everything. At equal time
        no gain was measured (decision 0009).
    threshold_by : str
        ``cost``: least cost in the two prices; ``balance``: best F1, where nobody named a price.
    paste : float
        Share of crops that get plants of other pictures pasted in; no gain was measured (decision 0009).
    device : str
        ``auto`` (a CUDA device if there is one), ``cpu``, ``cuda`` or ``cuda:1``.
    """

    seed: int = 0
    steps: int = 5000
    minutes: float | None = 8.0
    batch: int = 8
    crop_px: int = 256
    learning_rate: float = 3e-3
    weight_decay: float = 1e-4
    scale_min: float = 0.6
    scale_max: float = 1.6
    turn: bool = True
    holdout_fraction: float = 0.2
    evaluate_every: int = 250
    patience: int = 8
    miss_price: float = 1.0
    false_alarm_price: float = 1.0
    match_m: float = 0.03
    match_radii: float = 0.6
    match_min_px: float = 10.0
    workers: int = 0
    network: str = "small"
    scale: float | None = None
    folds: int = 1
    threshold_by: str = "cost"
    paste: float = 0.0
    device: str = "auto"

    def __post_init__(self) -> None:
        limits: dict[str, tuple[float, float]] = {
            "seed": (0, 2**63 - 1), "steps": (1, 1_000_000), "batch": (1, 512), "crop_px": (64, 1024),
            "learning_rate": (1e-6, 0.1), "weight_decay": (0, 1), "scale_min": (0.1, 1), "scale_max": (1, 10),
            "holdout_fraction": (0.02, 0.9), "evaluate_every": (1, 1_000_000), "patience": (1, 10_000),
            "miss_price": (1e-9, 1e9), "false_alarm_price": (1e-9, 1e9), "match_m": (1e-4, 1),
            "match_radii": (0.01, 10), "match_min_px": (0, 1000), "workers": (0, 256), "paste": (0, 1),
        }  # fmt: skip
        if self.network not in NETWORKS:
            raise InputError(
                "there is no such network", field="network", value=self.network, limit=" or ".join(NETWORKS)
            )
        if self.threshold_by not in THRESHOLDS:
            raise InputError("there is no such way to set the threshold", field="threshold_by",
                             value=self.threshold_by, limit=" or ".join(THRESHOLDS))  # fmt: skip
        if not 1 <= self.folds <= 10:
            raise InputError("the number of folds is out of range", field="folds", value=self.folds, limit="1 to 10")
        if not re.fullmatch(r"auto|cpu|cuda(:[0-9]{1,2})?", self.device):
            raise InputError("there is no such device", field="device", value=self.device,
                             limit="auto, cpu, cuda or cuda:0 and so on")  # fmt: skip
        if self.scale is not None and not (math.isfinite(self.scale) and SCALE_MIN <= self.scale <= 1.0):
            raise InputError("the scale is out of range", field="scale", value=self.scale, limit=f"{SCALE_MIN:g} to 1")
        for item in fields(self):
            if item.name not in limits:
                continue
            low, high = limits[item.name]
            value = getattr(self, item.name)
            if not (math.isfinite(value) and low <= value <= high):
                raise InputError("the teaching setting is out of range", field=item.name, value=value,
                                 limit=f"{low:g} to {high:g}", remedy=f"choose another {item.name}")  # fmt: skip
        if self.crop_px % 32:
            raise InputError("the crop must be a multiple of 32 pixels", field="crop_px", value=self.crop_px)
        if self.minutes is not None and not (math.isfinite(self.minutes) and self.minutes > 0):
            raise InputError("the time limit must be more than 0", field="minutes", value=self.minutes)


def split_by_group(
    samples: list[Sample], fraction: float, rng: np.random.Generator
) -> tuple[list[Sample], list[Sample]]:
    """Return (taught, held out): whole groups are held out, at least one of them with a labelled plant.

    Raises
    ------
    InputError
        If all pictures belong to one group, or no held-out or no taught group has a label.
    """
    groups = sorted({s.group for s in samples})
    if len(groups) < 2:
        raise InputError("a hold-out needs pictures from at least two places", field="group", value=", ".join(groups),
                         remedy="add pictures of another place or day, or name the groups apart")  # fmt: skip
    wanted = min(max(1, round(fraction * len(groups))), len(groups) - 1)
    order = [groups[i] for i in rng.permutation(len(groups))]
    labelled = {s.group for s in samples if s.labels}
    if len(labelled) < 2:
        raise InputError("plants must be labelled in at least two places", field="labels", value=sorted(labelled),
                         remedy="label plants in pictures of another place or day")  # fmt: skip
    held = set(order[:wanted])
    if not held & labelled:
        held = (held - {order[0]}) | {next(g for g in order if g in labelled)}
    if labelled <= held:
        held -= {next(g for g in order if g in held and g in labelled)}
    return [s for s in samples if s.group not in held], [s for s in samples if s.group in held]

"""Everything a detector said of labelled pictures beside the labels: the table that every figure of trust reads."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.learning.detector import Detector
from swardwright.learning.judging import label_arrays
from swardwright.learning.measure import gates_px, logistic, match_picture
from swardwright.learning.precision import PictureBoxes, crown_boxes
from swardwright.learning.samples import Image, Sample, TeachSettings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
#: candidates of a lower heat logit are not looked at: no detector taught here gives them one chance in a thousand
FLOOR_LOGIT = -4.0
#: what a kind is called that the detector does not know, where kinds are not compared
ANY_KIND = "plant"


@dataclass(frozen=True)
class PictureFacts:
    """What is known of one judged picture: place, size (px), ground sampling distance, light.

    ``brightness`` and ``contrast`` are mean and standard deviation of its luminance, 0 to 1.
    """

    name: str
    place: str
    width_px: int
    height_px: int
    metres_per_px: float | None
    brightness: float
    contrast: float

    @property
    def area_m2(self) -> float:
        """Ground shown; NaN where the sampling distance is not known."""
        scale = math.nan if self.metres_per_px is None else self.metres_per_px
        return self.width_px * self.height_px * scale**2


@dataclass(frozen=True, eq=False)
class Judged:
    """Candidates and plants of the judged pictures, matched on the ground.

    Attributes
    ----------
    pictures : tuple[PictureFacts, ...]
    kinds : tuple[str, ...]
        The detector's.
    picture, logit, u_px, v_px, radius_px, kind_share, plant : arrays
        One row per candidate that counts: index of its picture, heat logit, crown and radius, probability of each
        kind (n, kinds), index of the plant that it found or -1.
    plant_picture, plant_u_px, plant_v_px, plant_radius_px, plant_kind, plant_edge_px, finder : arrays
        One row per plant: its picture, crown, radius, index of its kind (-1: kinds are not compared), distance from
        the picture's edge, and the candidate that found it or -1.
    ignored : tuple[Floats, ...]
        Per picture, (m, 3): discs that do not count.
    """

    pictures: tuple[PictureFacts, ...]
    kinds: tuple[str, ...]
    picture: Ints
    logit: Floats
    u_px: Floats
    v_px: Floats
    radius_px: Floats
    kind_share: Floats
    plant: Ints
    plant_picture: Ints
    plant_u_px: Floats
    plant_v_px: Floats
    plant_radius_px: Floats
    plant_kind: Ints
    plant_edge_px: Floats
    finder: Ints
    ignored: tuple[Floats, ...]

    @property
    def hit(self) -> Bools:
        """Shape (n,): whether each candidate is a labelled plant."""
        return self.plant >= 0

    @property
    def places(self) -> tuple[str, ...]:
        """Every place, sorted."""
        return tuple(sorted({p.place for p in self.pictures}))

    def place_of_picture(self) -> Ints:
        """Return the index of each picture's place."""
        names = {name: i for i, name in enumerate(self.places)}
        return np.array([names[p.place] for p in self.pictures], dtype=np.int64)

    @property
    def area_m2(self) -> float:
        """All ground shown; NaN where one picture does not state its sampling distance."""
        return float(sum(p.area_m2 for p in self.pictures))

    def of_places(self, wanted: Sequence[str]) -> Judged:
        """Return the part of the table that belongs to some places."""
        keep = np.array([p.place in set(wanted) for p in self.pictures], dtype=bool)
        number = np.cumsum(keep) - 1
        mine, plants = keep[self.picture], keep[self.plant_picture]
        # a last element of -1: what no number names (-1) stays so
        plant_number, row_number = np.append(np.cumsum(plants) - 1, -1), np.append(np.cumsum(mine) - 1, -1)
        return replace(
            self, pictures=tuple(p for p, k in zip(self.pictures, keep, strict=True) if k),
            picture=number[self.picture[mine]], logit=self.logit[mine], u_px=self.u_px[mine], v_px=self.v_px[mine],
            radius_px=self.radius_px[mine], kind_share=self.kind_share[mine],
            plant=plant_number[self.plant[mine]],
            plant_picture=number[self.plant_picture[plants]], plant_u_px=self.plant_u_px[plants],
            plant_v_px=self.plant_v_px[plants], plant_radius_px=self.plant_radius_px[plants],
            plant_kind=self.plant_kind[plants], plant_edge_px=self.plant_edge_px[plants],
            finder=row_number[self.finder[plants]],
            ignored=tuple(d for d, k in zip(self.ignored, keep, strict=True) if k),
        )  # fmt: skip

    def boxes(self, probability: Floats) -> list[PictureBoxes]:
        """Return boxes made from crown and radius, per picture, for box average precision."""
        out = []
        kind = self.kind_share.argmax(axis=1) if len(self.logit) else np.zeros(0, np.int64)
        for i, discs in enumerate(self.ignored):
            c, p = self.picture == i, self.plant_picture == i
            any_kind = self.plant_kind[p] < 0
            truth = crown_boxes(self.plant_u_px[p], self.plant_v_px[p], self.plant_radius_px[p])
            region = crown_boxes(discs[:, 0], discs[:, 1], discs[:, 2])
            alike = bool(any_kind.any())
            kinds = [0] if alike else range(len(self.kinds))  # an ignored region is one for every kind
            out.append(
                PictureBoxes(
                    crown_boxes(self.u_px[c], self.v_px[c], self.radius_px[c]), probability[c],
                    np.zeros(int(c.sum()), np.int64) if alike else kind[c],
                    np.concatenate([truth, *[region for _ in kinds]]),
                    np.concatenate([np.maximum(self.plant_kind[p], 0), *[np.full(len(region), k) for k in kinds]]),
                    np.concatenate([np.zeros(len(truth), bool), np.ones(len(region) * len(kinds), bool)]),
                )
            )  # fmt: skip
        return out


def light_of(image: Image) -> tuple[float, float]:
    """Return mean and standard deviation of a picture's luminance (Rec. 601 weights), 0 to 1."""
    small = image[:: max(1, image.shape[0] // 256), :: max(1, image.shape[1] // 256)].astype(float) / 255.0
    grey = small @ np.array([0.299, 0.587, 0.114])
    return float(grey.mean()), float(grey.std())


def judge(
    detector: Detector,
    samples: Sequence[Sample],
    settings: TeachSettings,
    *,
    compare_kinds: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Judged:
    """Run a detector over labelled pictures and match what it says on the ground: the recipe of trust.

    Parameters
    ----------
    settings : TeachSettings
        Its ``match_m`` (or, without a ground sampling distance, ``match_radii`` and ``match_min_px``) say how near is a
        hit.
    compare_kinds : bool
        False: every label counts as a plant, whatever it is called.

    Raises
    ------
    InputError
        If there is no picture or no label, a label names a kind that the detector does not know (and kinds are
        compared), or a picture cannot be read.
    """
    if not samples or not any(s.labels for s in samples):
        raise InputError("there is no labelled plant to judge by", field="labels",
                         remedy="label the crowns on some pictures of places that were not taught")  # fmt: skip
    kinds = detector.card.kinds
    unknown = sorted({b.kind for s in samples for b in s.labels} - set(kinds))
    if unknown and compare_kinds:
        raise InputError("the labels name kinds that the detector does not know", field="kind",
                         value=", ".join(unknown), limit=", ".join(kinds),
                         remedy="rename the labels, teach the detector these kinds, or judge it as a finder of plants "
                         "of any kind with --any-kind")  # fmt: skip
    facts: list[PictureFacts] = []
    rows: list[list[Floats]] = []
    plants: list[Floats] = []
    discs: list[Floats] = []
    first_plant, first_row = 0, 0
    for number, sample in enumerate(samples):
        image = sample.load()
        got = detector.candidates(image, FLOOR_LOGIT)
        height, width = image.shape[:2]
        inside = (got.u_px >= -0.5) & (got.u_px < width - 0.5) & (got.v_px >= -0.5) & (got.v_px < height - 0.5)
        crowns = np.stack([got.u_px, got.v_px], axis=1).astype(float)[inside]
        known = sample if compare_kinds else replace(
            sample, labels=tuple(replace(b, kind=kinds[0]) for b in sample.labels))  # fmt: skip
        table, ignored = label_arrays(known, kinds)
        given, counts = match_picture(crowns, table[:, :2], gates_px(sample, settings), ignored)
        facts.append(PictureFacts(sample.name, sample.group, width, height, sample.metres_per_px, *light_of(image)))
        share = kind_shares(got.kind_logits[inside].astype(float), detector.card.kind_temperature, len(kinds))
        given, share = given[counts], share[counts]
        finder = np.full(len(table), -1)
        finder[given[given >= 0]] = first_row + np.flatnonzero(given >= 0)
        u, v = table[:, 0] + 0.5, table[:, 1] + 0.5
        edge = np.minimum(np.minimum(u, width - u), np.minimum(v, height - v))
        n = len(given)
        rows.append([
            np.full(n, number), got.logit[inside][counts].astype(float), crowns[counts, 0], crowns[counts, 1],
            got.radius_px[inside][counts].astype(float), np.where(given >= 0, given + first_plant, -1), share,
        ])  # fmt: skip
        kind = table[:, 3] if compare_kinds else np.full(len(table), -1.0)
        plants.append(np.column_stack([np.full(len(table), number), table[:, :3], kind, edge, finder]))
        discs.append(ignored)
        first_plant, first_row = first_plant + len(table), first_row + n
        if progress is not None:
            progress(number + 1, len(samples))
    picture, logit, cu, cv, radius, plant = (np.concatenate([r[i] for r in rows]) for i in range(6))
    p = np.concatenate(plants)
    return Judged(
        tuple(facts), kinds, picture.astype(np.int64), logit, cu, cv, radius, np.concatenate([r[6] for r in rows]),
        plant.astype(np.int64), p[:, 0].astype(np.int64), p[:, 1], p[:, 2], p[:, 3], p[:, 4].astype(np.int64), p[:, 5],
        p[:, 6].astype(np.int64), tuple(discs),
    )  # fmt: skip


def kind_shares(logits: Floats, temperature: float, kinds: int) -> Floats:
    """Return the probability of each kind (n, kinds) by softmax at a temperature."""
    if not len(logits):
        return np.zeros((0, kinds))
    z = logits / temperature
    z = np.exp(z - z.max(axis=1, keepdims=True))
    return np.asarray(z / z.sum(axis=1, keepdims=True))


def stated_probability(judged: Judged, temperature: float, bias: float) -> Floats:
    """Return each candidate's probability under a calibration."""
    return logistic(judged.logit / temperature + bias)

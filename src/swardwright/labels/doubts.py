"""Labels that are worth a second look: what cannot be right, and what the detector contradicts."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.frame import Detection, Label
from swardwright.domain.label import LabelledFrame, Outline, in_picture
from swardwright.labels.shapes import box_round

#: a detection is of a labelled plant within max(MATCH_MIN_PX, MATCH_RADII * radius) of its crown
MATCH_RADII, MATCH_MIN_PX = 0.6, 10.0
#: robust standard deviations of the log radius from which on a radius is out of line, and labels needed to say so
OUTLIER_SIGMAS, OUTLIER_LABELS = 4.0, 8
#: probability of another kind from which on the detector contradicts a kind
KIND_PROBABILITY = 0.7


@dataclass(frozen=True)
class DoubtSettings:
    """How near two labels are one (``duplicate_radii`` times the smaller radius), and the detector's threshold.

    ``next_to_none``: a plant is contradicted where the detector gives less than this share of its threshold.
    """

    threshold: float = 0.5
    duplicate_radii: float = 0.5
    next_to_none: float = 0.25


@dataclass(frozen=True)
class Doubt:
    """One thing to look at again.

    Attributes
    ----------
    doubt : float
        0 to 1: how probably something is wrong.
    sort : str
        ``size``, ``outside``, ``picture``, ``duplicate``, ``outline``, ``not labelled``, ``not found``, ``kind``,
        ``radius``, ``unknown kind``, ``few``.
    frame_id : str
        Empty where it is about a kind and not a picture.
    u_px, v_px : float | None
        Where in the picture.
    why, remedy : str
        One clause each.
    """

    doubt: float
    sort: str
    frame_id: str
    u_px: float | None
    v_px: float | None
    kind: str
    why: str
    remedy: str


def doubts(
    frames: Sequence[LabelledFrame],
    *,
    site_kinds: Sequence[str],
    named_kinds: Sequence[str] = (),
    detections: Mapping[str, Sequence[Detection]] | None = None,
    detector_kinds: Sequence[str] = (),
    settings: DoubtSettings | None = None,
) -> list[Doubt]:
    """Return every doubt about labels, the most doubtful first.

    Parameters
    ----------
    site_kinds : Sequence[str]
        Kinds of the site file.
    named_kinds : Sequence[str]
        Kinds that the label files name, with or without labels.
    detections : Mapping[str, Sequence[Detection]], optional
        By frame id, down to low probabilities; frames that are not there are not compared.
    detector_kinds : Sequence[str]
        Kinds are compared only where the detector knows the label's.
    """
    settings = settings or DoubtSettings()
    found: list[Doubt] = []
    for frame in frames:
        found += _impossible(frame)
        found += _duplicates(frame, settings.duplicate_radii)
    found += _radii(frames)
    found += _kinds(frames, site_kinds, named_kinds)
    if detections:
        found += contradicted([f for f in frames if f.id in detections], detections, detector_kinds, settings)
    return sorted(found, key=lambda d: (-d.doubt, d.frame_id, d.v_px or 0.0, d.u_px or 0.0, d.sort))


def _at(frame: LabelledFrame, label: Label, doubt: float, sort: str, why: str, remedy: str) -> Doubt:
    return Doubt(min(max(doubt, 0.0), 1.0), sort, frame.id, label.u_px, label.v_px, label.kind, why, remedy)


def _impossible(frame: LabelledFrame) -> list[Doubt]:
    found = []
    width, height = frame.frame.size_px
    for index, label in enumerate(frame.labels):
        if label.radius_px <= 0:
            found.append(_at(frame, label, 1.0, "size", "its box has no width or no height",
                             "draw the box again or remove it"))  # fmt: skip
        if not in_picture(label, frame.frame.size_px):
            found.append(_at(frame, label, 1.0, "outside",
                             f"its crown lies outside the picture of {width} x {height} px",
                             "move the crown into the picture or remove the label"))  # fmt: skip
        outline = frame.outline(index)
        if outline and not inside(outline, label.u_px, label.v_px) and _is_middle(outline, label):
            found.append(_at(frame, label, 0.5, "outline",
                             "the middle of its box, taken for the crown, lies outside its outline: several plants,"
                             " or a bent one", "set a key point on each growing point"))  # fmt: skip
        elif outline and not inside(outline, label.u_px, label.v_px):
            found.append(_at(frame, label, 0.9, "outline", "its crown lies outside the plant's own outline",
                             "set the key point on the growing point, or mend the outline"))  # fmt: skip
    return found


def inside(outline: Outline, u_px: float, v_px: float) -> bool:
    """Return whether a point lies inside rings, by the even-odd rule (on the border: either)."""
    odd = False
    for ring in outline:
        points = np.asarray(ring, float).reshape(-1, 2)
        (x0, y0), (x1, y1) = points.T, np.roll(points, -1, axis=0).T
        with np.errstate(divide="ignore", invalid="ignore"):
            crosses = ((y0 > v_px) != (y1 > v_px)) & (u_px < (x1 - x0) * (v_px - y0) / (y1 - y0) + x0)
        odd ^= bool(np.count_nonzero(crosses) % 2)
    return odd


def _is_middle(outline: Outline, label: Label) -> bool:
    """Return whether a crown is the middle of the outline's box, to a pixel: boxes are often rounded."""
    x, y, width, height = box_round(outline)
    return math.hypot(x + width / 2 - label.u_px, y + height / 2 - label.v_px) < 1.0


def _duplicates(frame: LabelledFrame, radii: float) -> list[Doubt]:
    found = []
    labels = frame.labels
    places = np.array([(b.u_px, b.v_px, b.radius_px) for b in labels]).reshape(-1, 3)
    for i, label in enumerate(labels):
        gaps = np.hypot(*(places[:i, :2] - places[i, :2]).T)
        limit = radii * np.minimum(places[:i, 2], places[i, 2])
        for j in np.flatnonzero(gaps < np.maximum(limit, 1.0)):
            other = labels[int(j)]
            near = 1.0 - float(gaps[j]) / max(float(limit[j]), 1.0)
            kinds = "" if other.kind == label.kind else f" and says {other.kind}"
            found.append(_at(frame, label, 0.6 + 0.35 * near, "duplicate",
                             f"another label stands {gaps[j]:.0f} px away{kinds}", "keep one of the two"))  # fmt: skip
    return found


def _radii(frames: Sequence[LabelledFrame]) -> list[Doubt]:
    by_kind: dict[str, list[tuple[LabelledFrame, Label]]] = defaultdict(list)
    for frame in frames:
        for label in frame.labels:
            if label.radius_px > 0:
                by_kind[label.kind].append((frame, label))
    found = []
    for kind, pairs in by_kind.items():
        if len(pairs) < OUTLIER_LABELS:
            continue
        logs = np.log([label.radius_px for _, label in pairs])
        middle = float(np.median(logs))
        # 1.4826 MAD is the standard deviation of a normal distribution; at least 10 %: equal radii are no fault
        sigma = max(1.4826 * float(np.median(np.abs(logs - middle))), 0.1)
        for (frame, label), log in zip(pairs, logs, strict=True):
            off = abs(float(log) - middle) / sigma
            if off > OUTLIER_SIGMAS:
                times = math.exp(float(log) - middle)
                words = f"{times:.1f} times" if times >= 1 else f"a {1 / times:.1f}th of"
                found.append(_at(frame, label, 0.3 + 0.5 * (1.0 - OUTLIER_SIGMAS / off), "radius",
                                 f"its radius of {label.radius_px:.0f} px is {words} what {kind} mostly has",
                                 "look whether the box or the kind is wrong"))  # fmt: skip
    return found


def _kinds(frames: Sequence[LabelledFrame], site_kinds: Sequence[str], named: Sequence[str]) -> list[Doubt]:
    count = Counter(label.kind for frame in frames for label in frame.labels)
    first = {label.kind: (frame, label) for frame in reversed(frames) for label in reversed(frame.labels)}
    found = []
    for kind in sorted(count):
        if kind not in site_kinds:
            frame, label = first[kind]
            found.append(_at(frame, label, 0.75, "unknown kind",
                             f"site.toml does not list this kind ({count[kind]} labels, here is the first): it is never"
                             " heated", "correct the kind, or list it in site.toml under [[kinds]]"))  # fmt: skip
        if count[kind] == 1:
            frame, label = first[kind]
            found.append(_at(frame, label, 0.35, "few", "it is the only label of its kind",
                             "label more of this kind, in more than one place"))  # fmt: skip
    for kind in sorted((set(site_kinds) | set(named)) - set(count)):
        by = "site.toml" if kind in site_kinds else "the label file"
        found.append(Doubt(0.25 if kind in site_kinds else 0.3, "few", "", None, None, kind,
                           f"{by} lists this kind and there is no label of it",
                           "label some, or take the kind off the list"))  # fmt: skip
    return found


def contradicted(
    frames: Sequence[LabelledFrame],
    detections: Mapping[str, Sequence[Detection]],
    detector_kinds: Sequence[str],
    settings: DoubtSettings,
) -> list[Doubt]:
    """Return where detector and labels disagree.

    How much that weighs is measured on these labels: a contradiction by a detector that finds few of the labelled
    plants, or much that is not labelled, says little (shares with one success and one failure added, Laplace's rule).
    """
    compared = [(f, *_compared(f, detections[f.id])) for f in frames]
    labels = [(f, b, d) for f, own, _ in compared for b, d in own if b.radius_px > 0]
    alone = [(f, d) for f, _, free in compared for d in free]
    clear = [d for _, _, d in labels if d is not None and d.probability >= settings.threshold]
    finds = (len(clear) + 1) / (len(labels) + 2)
    right = (len(clear) + 1) / (len(clear) + sum(d.probability >= settings.threshold for _, d in alone) + 2)
    found = []
    for frame, d in alone:
        if d.probability >= settings.threshold:
            found.append(Doubt(d.probability * right, "not labelled", frame.id, d.u_px, d.v_px, d.kind,
                               f"the detector finds {d.kind} here with probability {d.probability:.2f}, and none is"
                               " labelled", "label it, or leave it if it is no plant of interest"))  # fmt: skip
    known = [
        b.kind == d.kind for _, b, d in labels
        if d is not None and d.probability >= settings.threshold and b.kind in detector_kinds
    ]  # fmt: skip
    kind_right = (sum(known) + 1) / (len(known) + 2)
    for frame, label, near in labels:
        probability = 0.0 if near is None else near.probability
        if probability < settings.next_to_none * settings.threshold:
            found.append(_at(frame, label, (1.0 - probability) * finds, "not found",
                             f"the detector gives {label.kind} here a probability of {probability:.2f}",
                             "look whether a plant stands here, and whether the crown is on it"))  # fmt: skip
        elif near is not None and label.kind in detector_kinds and near.kind != label.kind:
            share = near.kinds[0][1]
            if probability >= settings.threshold and share >= KIND_PROBABILITY:
                found.append(_at(frame, label, share * probability * kind_right, "kind",
                                 f"the detector says {near.kind} with probability {share:.2f}, the label says"
                                 f" {label.kind}", "look at the kind again"))  # fmt: skip
    return found


def _compared(
    frame: LabelledFrame, detections: Sequence[Detection]
) -> tuple[list[tuple[Label, Detection | None]], list[Detection]]:
    """Return each label with its detection, and the detections of nothing labelled or ignored; the surest first."""
    given: dict[int, Detection] = {}
    free = []
    for found in sorted(detections, key=lambda d: -d.probability):
        near = [
            (gap, i) for i, b in enumerate(frame.labels)
            if i not in given
            and (gap := math.hypot(b.u_px - found.u_px, b.v_px - found.v_px)) <= _gate(b.radius_px)
        ]  # fmt: skip
        if near:
            given[min(near)[1]] = found
        elif not any(
            math.hypot(b.u_px - found.u_px, b.v_px - found.v_px) <= max(_gate(b.radius_px), b.radius_px)
            for b in (*frame.labels, *frame.ignored)
        ):
            free.append(found)
    return [(b, given.get(i)) for i, b in enumerate(frame.labels)], free


def _gate(radius_px: float) -> float:
    return max(MATCH_MIN_PX, MATCH_RADII * radius_px)

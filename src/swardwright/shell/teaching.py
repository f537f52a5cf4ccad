"""Teaching a detector from rendered scenes of invented ground, from COCO labels, or from the site's labels.

Scenes are drawn from seeds of 1,000,000 and above, which no demo, test or benchmark uses.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swardwright.labels import read_coco
from swardwright.learning import ModelCard, Sample, TeachSettings, shipped_f1, teach
from swardwright.learning.samples import NO_START, SHIPPED
from swardwright.shell.place_check import FOLDER, Apart, kept_apart
from swardwright.shell.rendering import FIRST_SEED, RenderedPicture, render_scene, rendered_pictures
from swardwright.shell.teach_samples import decoded, samples_from_labels, samples_of_site

if TYPE_CHECKING:
    from swardwright.shell.open_site import OpenSite

__all__ = ["FIRST_SEED", "RenderedPicture", "decoded", "default_start", "render_scene", "rendered_pictures",
           "samples_from_labels", "summary", "teach_from_coco", "teach_from_scenes", "teach_from_site"]  # fmt: skip

RENDERED_CAUTIONS = (
    "It has seen invented, rendered ground only and no real turf: on real grass expect far less. Teach it on pictures"
    " of your own ground and judge it there before any heat."
)
#: with fewer labelled pictures, or where the shipped weights find plants with this F1 and more, teaching starts from
#: them if nobody says otherwise
FEW_PICTURES, KNOWN_F1 = 20, 0.5
Image = NDArray[np.uint8]


def teach_from_scenes(
    taught: Iterable[RenderedPicture],
    held: Iterable[RenderedPicture],
    out: Path,
    settings: TeachSettings,
    *,
    data: dict[str, Any],
    in_memory: bool = False,
    about: str = "rendered pictures of invented turf with five kinds of plants",
    start: str | None = None,
    progress: Callable[[str, int, int, dict[str, float]], None] | None = None,
) -> ModelCard:
    """Teach a detector from rendered pictures; ``in_memory`` keeps them uncompressed (3.7 MB each)."""

    def samples(pictures: Iterable[RenderedPicture]) -> list[Sample]:
        made = []
        for p in pictures:
            image = decoded(p.jpeg, p.name) if in_memory else None
            load = functools.partial(decoded, p.jpeg, p.name) if image is None else functools.partial(_same, image)
            made.append(Sample(p.name, load, p.labels, p.scene, p.ignored, p.metres_per_px))
        return made

    return teach(
        samples(taught), out, settings, held_out=samples(held), name=out.stem, data={"invented": True, **data},
        about=about, cautions=RENDERED_CAUTIONS, start=start, progress=progress,
    )  # fmt: skip


def _same(image: Image) -> Image:
    return image


def teach_from_coco(
    coco_json: Path,
    image_root: Path,
    out: Path,
    settings: TeachSettings,
    *,
    exclude: frozenset[str] = frozenset(),
    grouping: str = "auto",
    min_radius_px: float = 3.0,
    metres_per_px: float | None = None,
    start: Path | str | None = None,
    progress: Callable[[str, int, int, dict[str, float]], None] | None = None,
) -> ModelCard:
    """Teach a detector from a COCO file and its pictures; see ``samples_from_labels`` for the options."""
    labels = read_coco(coco_json)
    samples = samples_from_labels(
        labels, image_root, exclude=exclude, grouping=grouping, min_radius_px=min_radius_px,
        metres_per_px=metres_per_px,
    )  # fmt: skip
    apart = _apart(samples, settings, grouping, out.parent)
    return teach(
        apart.taught, out, settings, name=out.stem, about=f"pictures labelled in {coco_json.name}",
        held_out=apart.held,
        data={"left_out": sorted(exclude), "grouping": grouping, "places": list(apart.notes),
              "kinds_without_labels": unlabelled(labels.kinds, samples)},
        start=start or default_start(samples, settings), progress=progress,
    )  # fmt: skip


def teach_from_site(
    opened: OpenSite,
    out: Path,
    settings: TeachSettings,
    *,
    version: int | None = None,
    places: str = "auto",
    min_radius_px: float = 3.0,
    start: Path | str | None = None,
    progress: Callable[[str, int, int, dict[str, float]], None] | None = None,
) -> ModelCard:
    """Teach a detector from the labels in a site's database; see ``samples_of_site`` for the options."""
    samples = samples_of_site(opened, version=version, places=places, min_radius_px=min_radius_px)
    newest = version or max(v.number for v in opened.store.label_versions())
    apart = _apart(samples, settings, places, opened.folder)
    return teach(
        apart.taught, out, settings, name=out.stem, about=f"pictures labelled at {opened.site.name}",
        held_out=apart.held,
        data={"site": opened.site.name, "label_version": newest, "grouping": places, "places": list(apart.notes),
              "kinds_without_labels": unlabelled([k.name for k in opened.site.kinds], samples)},
        start=start or default_start(samples, settings), progress=progress,
    )  # fmt: skip


def default_start(samples: Sequence[Sample], settings: TeachSettings) -> str:
    """Return what teaching starts from where nobody says: the shipped weights where they help, else nothing.

    They do with few labelled pictures, and with many of ground that they know: on photographs of soil, of which they
    find a third, starting from nothing was better from some twenty pictures on (decision 0009).
    """
    from swardwright.shell.commanding import show

    labelled = [sample for sample in samples if sample.labels]
    if settings.network != "small":
        return NO_START
    if len(labelled) < FEW_PICTURES:
        return SHIPPED
    some = labelled[:: len(labelled) // FEW_PICTURES][:FEW_PICTURES]
    show(f"looking at {len(some)} labelled pictures with the shipped weights as they are")
    f1 = shipped_f1(some, settings)
    start = SHIPPED if f1 >= KNOWN_F1 else NO_START
    words = "goes on from these weights" if start == SHIPPED else "starts from nothing"
    show(f"they find the plants there with F1 {f1:.2f}: teaching {words}")
    return start


def _apart(samples: list[Sample], settings: TeachSettings, grouping: str, folder: Path) -> Apart:
    """Keep ground that teaches and ground that judges apart, and say what that took."""
    from swardwright.shell.commanding import show
    from swardwright.shell.saying import progress_by_phase

    apart = kept_apart(
        samples, settings, stated=grouping != "auto", cache=folder / FOLDER,
        progress=progress_by_phase(),
    )  # fmt: skip
    for note in apart.notes:
        show(note)
    return apart


def unlabelled(kinds: Iterable[str], samples: Iterable[Sample]) -> list[str]:
    """Return the kinds that are named but labelled nowhere: the detector will not know them."""
    known = {label.kind for sample in samples for label in sample.labels}
    return sorted(set(kinds) - known)


def summary(card: ModelCard, out: Path) -> str:
    """Return what a person needs to know about a taught detector, in a few lines."""
    s, never = card.scores, card.data.get("kinds_without_labels", [])
    by = (
        "best F1: you named no price"
        if card.settings.get("threshold_by") == "balance"
        else "least expected cost in your prices"
    )
    alarms = (
        f"{card.false_alarms_m2:.3g} per m2" if card.false_alarms_m2_known
        else f"{card.false_alarms_per_picture:.3g} per picture"
    )  # fmt: skip
    return "\n".join([
        f"Detector written to {out} with its card {out.with_suffix('.json').name}",
        f"  kinds            {', '.join(card.kinds)}" + (f"; never labelled: {', '.join(never)}" if never else ""),
        f"  judged on        {card.data['pictures_held_out']} pictures, {int(s['plants'])} plants: {s['note']}",
        f"  finds            {100 * s['recall']:.1f} % of the plants"
        f" (95 %: {100 * s['recall_low95']:.1f} to {100 * s['recall_high95']:.1f})",
        f"  false alarms     {alarms}; {100 * s['precision']:.1f} % of what it reports are plants",
        f"  kind right       {100 * s['kind_accuracy']:.1f} %",
        f"  crown error      {card.crown_sd_px:.1f} px per axis",
        f"  pictures         shrunk to {card.scale:.2f} of their size before the network sees them"
        if card.scale < 1.0 else "  pictures         seen at their full size",
        f"  threshold        {card.threshold:.2f} ({by})",
        f"  taught           from {card.data['start']} weights, {card.training['steps']} steps,"
        f" {card.training['seconds']:.0f} s on {card.training['machine']}; ended: {card.training['ended']}",
        f"  caution          {card.cautions}",
    ])  # fmt: skip

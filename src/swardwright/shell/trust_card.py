"""A detector as it was judged: its calibration, threshold, and what it misses, written into a card of its own."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError, SiteError
from swardwright.learning.bootstrap import Interval
from swardwright.learning.card import ModelCard, card_path
from swardwright.learning.samples import Sample
from swardwright.learning.taught import NOTED_MAX, picture_mark
from swardwright.learning.trust import Trust
from swardwright.shell.saying import plain


def judged_card(card: ModelCard, trust: Trust, samples: Sequence[Sample], words: str) -> ModelCard:
    """Return the card with calibration and threshold found here, and the rates at thresholds chosen on other places.

    Merging reads ``detection_probability``, ``false_alarms_m2`` and ``bands``; their intervals are in ``data.trust``.
    """
    at = trust.elsewhere or trust.as_is
    per_picture = at.false_alarms.value if not trust.per_m2 else (
        at.false_alarms.value * trust.area_m2 / max(trust.pictures, 1))  # fmt: skip
    marks = [picture_mark(s.load()) for s in samples[:NOTED_MAX]]
    seen = card.data.get("held_marks", [])
    return replace(
        card, threshold=round(trust.threshold, 4), temperature=round(trust.temperature, 6), bias=round(trust.bias, 6),
        detection_probability=round(min(max(at.found.value, 0.01), 0.995), 4),
        false_alarms_m2=round(at.false_alarms.value, 5) if trust.per_m2 else 0.0, false_alarms_m2_known=trust.per_m2,
        false_alarms_per_picture=round(per_picture, 4), bands=trust.bands,
        data={
            **card.data, "held_marks": sorted({*seen, *marks})[: 2 * NOTED_MAX],
            "trust": plain({
                "words": words, "pictures": trust.pictures, "places": trust.places, "plants": trust.plants,
                "area_m2": trust.area_m2, "detection_probability": _interval(at.found),
                "false_alarms_m2" if trust.per_m2 else "false_alarms_per_picture": _interval(at.false_alarms),
                "missed": _interval(at.missed), "wrong_burns": _interval(at.wrong),
                "expected_calibration_error": trust.error_elsewhere, "threshold_before": card.threshold,
                "temperature_before": card.temperature, "bias_before": card.bias,
            }),
        },
    )  # fmt: skip


def _interval(i: Interval) -> dict[str, Any]:
    return asdict(i)


def write_judged(model: Path, card: ModelCard, out: Path) -> None:
    """Write the detector and its new card, each whole or not at all.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        for path, data in ((out, model.read_bytes()), (card_path(out), card.text().encode())):
            part = path.with_name(path.name + ".part")
            part.write_bytes(data)
            os.replace(part, path)
    except OSError as error:
        raise InputError(f"the judged detector cannot be written ({error.strerror})", where=str(out),
                         remedy="name a place that you may write to") from error  # fmt: skip


def adopt(folder: Path, model: Path, card: ModelCard) -> list[str]:
    """Put the judged detector into a site's models folder and name it in ``site.toml``; return what was done."""
    from swardwright.shell.site_edit import lines_to_paste, write_fields

    stem = model.stem if model.stem.endswith("-judged") else f"{model.stem}-judged"
    out = folder / "models" / f"{stem}.onnx"
    write_judged(model, card, out)
    change = {"detector": {"model": f"models/{out.name}"}}
    try:
        kept = write_fields(folder, change)
    except SiteError as error:
        pasted = "; ".join(lines_to_paste(change))
        return [f"Written to models/{out.name}, but site.toml could not be changed ({error.what}): write {pasted}."]
    return [f"The site uses models/{out.name} now (threshold {card.threshold:.2f}; the old site.toml is kept as "
            f"{kept.name}): run detect again."]  # fmt: skip

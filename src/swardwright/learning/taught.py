"""Which pictures a detector has seen: marks of their pixels, so that it is never judged on those by mistake."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.learning.card import ModelCard
from swardwright.learning.samples import Image, Sample

#: more pictures than this are not noted one by one (the card stays small)
NOTED_MAX = 5_000
_DIGITS = 16


def picture_mark(image: Image) -> str:
    """Return the first 16 hexadecimal digits of SHA-256 over the picture's shape and RGB bytes."""
    digest = hashlib.sha256(repr(image.shape).encode())
    digest.update(np.ascontiguousarray(image).data)
    return digest.hexdigest()[:_DIGITS]


def seen_pictures(taught: Sequence[Sample], held: Sequence[Sample]) -> dict[str, Any]:
    """Return what a card notes of the pictures taught and held out: names and marks, as they were before shrinking."""
    out: dict[str, Any] = {}
    for word, samples in (("taught", taught), ("held", held)):
        noted = samples[:NOTED_MAX]
        out[f"{word}_names"] = [s.name for s in noted]
        out[f"{word}_marks"] = [picture_mark(s.load()) for s in noted]
    return out


def already_seen(card: ModelCard, samples: Sequence[Sample]) -> tuple[list[str], list[str]]:
    """Return the names of the samples that the card says were (taught, held out while teaching), by their pixels.

    Raises
    ------
    InputError
        If the card's notes are not lists of text.
    """
    lists = {}
    for word in ("taught", "held"):
        marks = card.data.get(f"{word}_marks", [])
        if not isinstance(marks, list) or not all(isinstance(m, str) for m in marks):
            raise InputError("the card's marks of pictures are not a list of text", where=card.name,
                             field=f"data.{word}_marks", remedy="teach the detector again")  # fmt: skip
        lists[word] = frozenset(marks)
    if not lists["taught"] and not lists["held"]:
        return [], []
    marks_now = [(s.name, picture_mark(s.load())) for s in samples]
    return (
        [name for name, mark in marks_now if mark in lists["taught"]],
        [name for name, mark in marks_now if mark in lists["held"]],
    )


def notes_pictures(card: ModelCard) -> bool:
    """Return whether the card says which pictures were taught, or that all of them were rendered."""
    return bool(card.data.get("taught_marks")) or card.data.get("invented") is True

"""What changed between two versions of a picture's labels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from swardwright.domain.frame import Label
from swardwright.domain.label import LabelledFrame, Outline

Pair = tuple[Label, Outline]
#: two labels that differ by less are the same: a file's rounding is no change (pixels)
SAME_PX = 0.02


@dataclass(frozen=True)
class Change:
    """Labels of one picture that were added, removed, and moved or given another radius, kind or outline."""

    frame_id: str
    added: int
    removed: int
    altered: int
    first: bool

    def __bool__(self) -> bool:
        return self.first or bool(self.added or self.removed or self.altered)


def change(before: LabelledFrame | None, after: LabelledFrame) -> Change:
    """Compare a picture's labels with those of its version before, whatever their order.

    A label with the same place and another radius or kind, or with the same kind and radius within one radius, is the
    same one altered.
    """
    if before is None:
        return Change(after.id, len(after.labels) + len(after.ignored), 0, 0, True)
    added = removed = altered = 0
    outlines = [after.outline(i) or before_outline(before, b) for i, b in enumerate(after.labels)]
    bare: Outline = ()
    plants = [(b, before.outline(i)) for i, b in enumerate(before.labels)]
    pairs: list[tuple[list[Pair], list[Pair]]] = [
        (plants, list(zip(after.labels, outlines, strict=True))),
        ([(b, bare) for b in before.ignored], [(b, bare) for b in after.ignored]),
    ]
    for old, new in pairs:
        left, fresh = _without_same(old, new)
        moved = _altered(left, fresh)
        altered += moved
        removed += len(left) - moved
        added += len(fresh) - moved
    return Change(after.id, added, removed, altered, False)


def before_outline(before: LabelledFrame, label: Label) -> Outline:
    """Return the outline that a label had before: a file without outlines takes none away."""
    return next((before.outline(i) for i, b in enumerate(before.labels) if same(b, label)), ())


def with_outlines_kept(before: LabelledFrame | None, after: LabelledFrame) -> tuple[Outline, ...]:
    """Return the outlines of ``after``, with those that ``before`` knew of unchanged labels."""
    found = tuple(
        after.outline(i) or (() if before is None else before_outline(before, b)) for i, b in enumerate(after.labels)
    )
    return found if any(found) else ()


def same(a: Label, b: Label) -> bool:
    """Return whether two labels say the same."""
    return (
        a.kind == b.kind and abs(a.u_px - b.u_px) < SAME_PX and abs(a.v_px - b.v_px) < SAME_PX
        and abs(a.radius_px - b.radius_px) < SAME_PX
    )  # fmt: skip


def _same_outline(a: Outline, b: Outline) -> bool:
    return len(a) == len(b) and all(
        len(p) == len(q) and all(abs(x - y) < SAME_PX for x, y in zip(p, q, strict=True))
        for p, q in zip(a, b, strict=True)
    )


def _without_same(old: list[Pair], new: list[Pair]) -> tuple[list[Pair], list[Pair]]:
    left, fresh = list(old), []
    for label, outline in new:
        match = next((i for i, (b, o) in enumerate(left) if same(b, label) and _same_outline(o, outline)), None)
        if match is None:
            fresh.append((label, outline))
        else:
            del left[match]
    return left, fresh


def _altered(old: list[Pair], new: list[Pair]) -> int:
    left, count = [b for b, _ in old], 0
    for label, _ in new:
        near = [
            (gap, i) for i, b in enumerate(left)
            if (gap := ((b.u_px - label.u_px) ** 2 + (b.v_px - label.v_px) ** 2) ** 0.5) <= max(b.radius_px, SAME_PX)
        ]  # fmt: skip
        if near:
            del left[min(near)[1]]
            count += 1
    return count


def told(changes: Iterable[Change]) -> str:
    """Return what a version changed, in one clause."""
    found = list(changes)
    sums = Counter(
        added=sum(c.added for c in found), removed=sum(c.removed for c in found), altered=sum(c.altered for c in found)
    )
    parts = [f"{count} {word}" for word, count in sums.items() if count]
    return f"{len(found)} pictures: " + (", ".join(parts) if parts else "bare ground") + (" labels" if parts else "")

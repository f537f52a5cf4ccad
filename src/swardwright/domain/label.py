"""A picture with a person's labels, and the versions in which labels came."""

from __future__ import annotations

from dataclasses import dataclass

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame, Label

#: outlines of one label: rings of x, y, x, y, ... in pixels; none: no outline is known
Outline = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, eq=False)
class LabelledFrame:
    """One picture with all its labels; no labels is a person's word that the ground is bare.

    Attributes
    ----------
    frame : Frame
        The whole frame, so that the picture is found again when other frames of its recording are kept later.
    picture_hash : str
        Hash of the picture's pixels as they were labelled.
    labels : tuple[Label, ...]
        As they came, doubtful ones too (a radius of 0, a crown outside the picture): see :meth:`usable`.
    ignored : tuple[Label, ...]
        Regions that are neither plants nor bare ground.
    outlines : tuple[Outline, ...]
        One per label, pixels (pixel (0, 0) is the centre of the first one); empty: none is known.
    """

    frame: Frame
    picture_hash: str
    labels: tuple[Label, ...]
    ignored: tuple[Label, ...] = ()
    outlines: tuple[Outline, ...] = ()

    def __post_init__(self) -> None:
        if self.outlines and len(self.outlines) != len(self.labels):
            raise InputError("there must be one outline for each label, or none", where=self.frame.id,
                             value=len(self.outlines), limit=len(self.labels))  # fmt: skip

    @property
    def id(self) -> str:
        """The frame's id."""
        return self.frame.id

    def outline(self, index: int) -> Outline:
        """Return the outline of a label, empty where none is known."""
        return self.outlines[index] if self.outlines else ()

    def usable(self) -> tuple[Label, ...]:
        """Return the labels that can be taught: a radius above 0 and a crown inside the picture."""
        return tuple(b for b in self.labels if b.radius_px > 0 and in_picture(b, self.frame.size_px))


def in_picture(label: Label, size_px: tuple[int, int]) -> bool:
    """Return whether a crown lies on a pixel of a picture of (width, height)."""
    return -0.5 <= label.u_px <= size_px[0] - 0.5 and -0.5 <= label.v_px <= size_px[1] - 0.5


@dataclass(frozen=True)
class LabelVersion:
    """One change of a site's labels; numbered from 1, never changed or deleted.

    Attributes
    ----------
    author : str
        Who labelled, as stated by whoever brought the labels in.
    made_at_s : float
        Seconds since the epoch.
    source : str
        Name of the file that the labels came from.
    kinds : tuple[str, ...]
        Kinds that the source names, with or without labels.
    pictures : int
        Pictures whose labels changed.
    words : str
        What changed, for a person.
    """

    number: int
    author: str
    made_at_s: float
    source: str
    kinds: tuple[str, ...]
    pictures: int
    words: str

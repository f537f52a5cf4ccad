"""What the site's detector says of frames, kept so that ranking and doubting them again costs nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame
from swardwright.labels.looks import LEAST_PROBABILITY, FrameLook, features
from swardwright.shell.codec import content_hash, to_text
from swardwright.shell.label_pictures import in_folder, picture_hash, pictures_of
from swardwright.shell.open_site import OpenSite
from swardwright.shell.saying import Progress
from swardwright.shell.site_file import SHIPPED
from swardwright.shell.status import detector_path, hash_of

#: looks are stored in portions of so many: an interrupted command goes on from there
PORTION = 20


@dataclass(frozen=True)
class Looks:
    """Looks by frame id, and what they were made with."""

    by_frame: dict[str, FrameLook]
    threshold: float
    kinds: tuple[str, ...]
    shipped: bool


def looks_of(opened: OpenSite, frames: Sequence[Frame], *, model: Path | None = None) -> Looks:
    """Look through frames with a detector, by default the site's; what was looked through before is not again.

    The site must not be held for writing already. Stored in portions, so that an interrupted command goes on.
    """
    from swardwright.learning import load_detector
    from swardwright.learning.card import card_path

    path = detector_path(opened.folder, opened.site) if model is None else model
    detector = load_detector(path)
    card = detector.card
    detector.card = replace(card, threshold=min(card.threshold, LEAST_PROBABILITY))
    made_from = content_hash([hash_of(path), hash_of(card_path(path)), LEAST_PROBABILITY])
    stamps = {f.id: content_hash([made_from, to_text(f), _file_stamp(opened, f)]) for f in frames}
    store = opened.store
    found: dict[str, FrameLook] = {}
    for frame in frames:
        look = store.look(frame.id, stamps[frame.id], FrameLook)
        if look is not None:
            found[frame.id] = look
    waiting = [f for f in frames if f.id not in found]
    if waiting:
        progress = Progress("looking through frames")
        with store.writer(one_transaction=False):
            portion: list[FrameLook] = []

            def keep() -> None:
                with store.transaction():
                    for look in portion:
                        store.set_look(look.frame_id, stamps[look.frame_id], look)
                portion.clear()

            for number, (frame, image) in enumerate(pictures_of(opened, waiting), start=1):
                try:
                    seen = detector.find(image, frame.id)
                except InputError as error:
                    error.where = error.where or frame.id
                    raise
                look = FrameLook(frame.id, tuple(seen), features(image), picture_hash(image))
                found[frame.id] = look
                portion.append(look)
                if len(portion) >= PORTION:
                    keep()
                progress(number, len(waiting))
            keep()
    return Looks(found, card.threshold, card.kinds, model is None and opened.site.detector == SHIPPED)


def _file_stamp(opened: OpenSite, frame: Frame) -> list[float]:
    """Return size and time of change of a frame's file, so that a picture that was exchanged is looked at anew."""
    path = opened.folder / "recordings" / frame.recording
    path = path / frame.picture if in_folder(frame) else path
    if not path.exists():
        return []
    stat = path.stat()
    return [stat.st_size, stat.st_mtime_ns]

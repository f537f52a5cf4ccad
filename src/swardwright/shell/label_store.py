"""Labels in the site's database: numbered versions that are only ever added to."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from swardwright.domain.label import LabelledFrame, LabelVersion
from swardwright.labels.versions import change, told, with_outlines_kept
from swardwright.shell.codec import from_text, pack, to_text, unpack

T = TypeVar("T")


class LabelStore:
    """The part of :class:`~swardwright.shell.store.SiteStore` that keeps labels."""

    _db: sqlite3.Connection
    _write: Callable[..., None]

    def add_labels(
        self,
        frames: Sequence[LabelledFrame],
        *,
        author: str,
        source: str,
        kinds: Sequence[str] = (),
        now_s: float | None = None,
    ) -> LabelVersion | None:
        """Store the labels of some pictures as a new version; pictures that say the same as before are passed over.

        Returns
        -------
        LabelVersion | None
            None if nothing differs from the newest version and no kind is named for the first time.
        """
        newest = {f.id: f for f in self.labelled()}
        changed = [(c, f) for f in frames if (c := change(newest.get(f.id), f))]
        named = {k for v in self.label_versions() for k in v.kinds}
        if not changed and set(kinds) <= named:
            return None
        number = 1 + int(self._db.execute("SELECT coalesce(max(number), 0) FROM label_versions").fetchone()[0])
        made_at_s = time.time() if now_s is None else float(now_s)
        words = told(c for c, _ in changed) if changed else "kinds named, no label changed"
        version = LabelVersion(number, author, made_at_s, source, tuple(kinds), len(changed), words)
        self._write(
            "INSERT INTO label_versions VALUES (?, ?, ?, ?, ?, ?)",
            (number, author, made_at_s, source, json.dumps(list(kinds)), words),
        )
        whole = [replace(f, outlines=with_outlines_kept(newest.get(f.id), f)) for _, f in changed]
        self._write("INSERT INTO labelled_frames VALUES (?, ?, ?)", *((number, f.id, to_text(f)) for f in whole))
        return version

    def label_versions(self) -> tuple[LabelVersion, ...]:
        """Return every version of the labels, oldest first."""
        rows = self._db.execute(
            "SELECT number, author, made_at_s, source, kinds, (SELECT count(*) FROM labelled_frames "
            "WHERE version = number), words FROM label_versions ORDER BY number"
        )
        return tuple(LabelVersion(r[0], r[1], r[2], r[3], tuple(json.loads(r[4])), r[5], r[6]) for r in rows)

    def labelled(self, version: int | None = None, at_s: float | None = None) -> tuple[LabelledFrame, ...]:
        """Return every labelled picture as of a version or a time, by default the newest; by frame id."""
        rows = self._db.execute(
            "SELECT body, max(version) FROM labelled_frames JOIN label_versions ON number = version "
            "WHERE (?1 IS NULL OR version <= ?1) AND (?2 IS NULL OR made_at_s <= ?2) "
            "GROUP BY frame_id ORDER BY frame_id",
            (version, at_s),
        )
        return tuple(from_text(row[0], LabelledFrame) for row in rows)

    def look(self, frame_id: str, made_from: str, kind: type[T]) -> T | None:
        """Return what a detector said of a frame, if that is kept and was made from the same."""
        row = self._db.execute(
            "SELECT body FROM frame_looks WHERE frame_id = ? AND made_from = ?", (frame_id, made_from)
        ).fetchone()
        return None if row is None else unpack(row[0], kind)

    def set_look(self, frame_id: str, made_from: str, value: object) -> None:
        """Keep what a detector says of a frame, in the place of what it said before."""
        self._write("INSERT OR REPLACE INTO frame_looks VALUES (?, ?, ?)", (frame_id, made_from, pack(value)))


__all__ = ["LabelStore"]

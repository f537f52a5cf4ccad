"""The site's database: SQLite with a write-ahead log, one writer, one transaction per command.

Reading needs no lock. Writing takes the folder's lock first (`SiteStore.writer`), so that a second command is told
plainly who is in the way instead of waiting; a command that fails or is killed leaves what was there before. Only the
journal commits entry by entry (``synchronous=FULL``: an entry is on the disk before the next thing happens).
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from swardwright.domain.camera import Camera
from swardwright.domain.errors import SiteError, StaleError
from swardwright.domain.event import JournalEntry, RoundRecord
from swardwright.domain.frame import Detection, Footage, Frame, LeftOut, Track
from swardwright.domain.outcome import Outcome
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Plan
from swardwright.domain.weed import Register, Sighting
from swardwright.shell.codec import content_hash, from_text, pack, to_text, unpack
from swardwright.shell.keeping import folder_held
from swardwright.shell.label_store import LabelStore
from swardwright.shell.migrations import migrate

DATABASE = "site.db"
T = TypeVar("T")


@dataclass(frozen=True)
class Recording:
    """A recording that was taken in; ``path`` is below the site folder."""

    name: str
    number: int
    path: str
    taken_in_at_s: float
    camera: Camera | None
    left_out: tuple[LeftOut, ...]
    pictures_found: int
    poses_found: int
    distance_m: float


@dataclass(frozen=True)
class Revision:
    """Where a register revision came from: the command that made it and the recordings behind it."""

    revision: int
    made_at_s: float
    made_by: str
    recordings: tuple[str, ...]


@dataclass(frozen=True)
class Result:
    """What was made, when, and the content hashes of what it was made from."""

    name: str
    made_at_s: float
    hash: str
    inputs: dict[str, str]


class SiteStore(LabelStore):
    """Everything stored about one site.

    Parameters
    ----------
    folder : Path
        The site folder. A reader of a site without a database sees an empty one and creates nothing.
    write : bool
        Whether the database may be created and changed; a change still needs :meth:`writer`.

    Raises
    ------
    SiteError
        If ``site.db`` is not a database of this program.
    """

    def __init__(self, folder: Path, *, write: bool = False) -> None:
        self.folder = folder
        self._writing = False
        path = folder / DATABASE
        try:
            if not path.exists() and not write:
                self._db = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
            else:
                self._db = sqlite3.connect(path, isolation_level=None, timeout=5.0, check_same_thread=False)
                self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            migrate(self._db)
        except sqlite3.DatabaseError as error:
            raise SiteError(
                f"the site's database cannot be opened ({error})",
                where=str(path.name),
                remedy="restore it from a backup, or close the program that holds it",
            ) from error

    def close(self) -> None:
        """Close the database; what was not committed is forgotten."""
        self._db.close()

    # -- writing -------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def writer(self, *, one_transaction: bool = True) -> Iterator[None]:
        """Hold the site for writing: all of it is stored at the end, or nothing.

        Parameters
        ----------
        one_transaction : bool
            False for a round: each journal entry is committed by itself; use :meth:`transaction` inside for the rest.

        Raises
        ------
        SiteError
            If another command is writing to this site.
        """
        with folder_held(self.folder, _busy(self.folder)):  # without flock SQLite's own write lock does the same
            self._writing = True
            try:
                if one_transaction:
                    with self.transaction():
                        yield
                else:
                    yield
            finally:
                self._writing = False

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Store everything written inside together, or nothing."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            raise _busy(self.folder) from error
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def _write(self, statement: str, *rows: tuple[Any, ...]) -> None:
        if not self._writing:
            raise RuntimeError("writing outside SiteStore.writer()")
        self._db.executemany(statement, rows)

    # -- recordings and frames -----------------------------------------------------------------------------------

    def add_footage(self, footage: Footage, path: str) -> None:
        """Store what taking in one recording gave, in the place of an earlier taking-in of the same name.

        The detections on earlier frames go with them: their result is stale from then on, also where the new frames
        are just the same.
        """
        known = {r.name: r.number for r in self.recordings()}
        number = known.get(footage.recording, 1 + max(known.values(), default=0))
        self._write("DELETE FROM recordings WHERE name = ?", (footage.recording,))
        gone = json.dumps({f"frames {footage.recording}": ""})
        self._write("UPDATE results SET inputs = ? WHERE name = ?", (gone, f"detections {footage.recording}"))
        camera = None if footage.camera is None else to_text(footage.camera)
        counts = (footage.pictures_found, footage.poses_found, float(footage.distance_m))
        self._write(
            "INSERT INTO recordings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (footage.recording, number, path, time.time(), camera, to_text(footage.left_out), *counts),
        )
        self._write(
            "INSERT INTO frames VALUES (?, ?, ?, ?)",
            *((f.id, footage.recording, int(f.stamp_ns), to_text(f)) for f in footage.frames),
        )
        if footage.track is not None:
            self._write("INSERT INTO tracks VALUES (?, ?)", (footage.recording, pack(footage.track)))

    def recordings(self) -> tuple[Recording, ...]:
        """Return the recordings taken in, in the order of taking in."""
        rows = self._db.execute("SELECT * FROM recordings ORDER BY number")
        return tuple(
            Recording(
                row[0], row[1], row[2], row[3], None if row[4] is None else from_text(row[4], Camera),
                from_text(row[5], tuple[LeftOut, ...]), row[6], row[7], row[8],
            )
            for row in rows
        )  # fmt: skip

    def frames(self, recording: str | None = None) -> tuple[Frame, ...]:
        """Return frames in time order, of one recording or of all."""
        return self._many("frames", Frame, recording)

    def for_teaching(self, recording: str) -> bool:
        """Return whether a recording has frames, and none of them says where the camera was."""
        row = self._db.execute(
            "SELECT count(*), sum(json_extract(body, '$.base') IS NULL AND "
            "json_extract(body, '$.ground_from_camera') IS NULL) FROM frames WHERE recording = ?",
            (recording,),
        ).fetchone()
        return bool(row[0]) and row[0] == row[1]

    def track(self, recording: str) -> Track | None:
        """Return the smoothed base poses of a recording, if it has any."""
        row = self._db.execute("SELECT body FROM tracks WHERE recording = ?", (recording,)).fetchone()
        return None if row is None else unpack(row[0], Track)

    def _many(self, table: str, kind: type[T], recording: str | None) -> tuple[T, ...]:
        of = "" if recording is None else "WHERE frames.recording = ?"
        joined = "frames" if table == "frames" else f"{table} JOIN frames ON frames.id = {table}.frame_id"
        rows = self._db.execute(
            f"SELECT {table}.body FROM {joined} {of} ORDER BY frames.recording, frames.stamp_ns, {table}.rowid",  # noqa: S608
            () if recording is None else (recording,),
        )
        return tuple(from_text(row[0], kind) for row in rows)

    # -- detections, sightings -----------------------------------------------------------------------------------

    def set_detections(self, recording: str, detections: Sequence[Detection]) -> None:
        """Replace the detections of one recording."""
        self._write(
            "DELETE FROM detections WHERE frame_id IN (SELECT id FROM frames WHERE recording = ?)", (recording,)
        )
        self._write("INSERT INTO detections VALUES (?, ?, ?)", *((d.id, d.frame_id, to_text(d)) for d in detections))

    def detections(self, recording: str | None = None) -> tuple[Detection, ...]:
        """Return detections by frame, of one recording or of all."""
        return self._many("detections", Detection, recording)

    def set_sightings(self, recording: str, sightings: Sequence[Sighting]) -> None:
        """Replace the sightings of one recording."""
        self._write("INSERT OR REPLACE INTO sightings VALUES (?, ?)", (recording, pack(tuple(sightings))))

    def sightings(self, recording: str | None = None) -> tuple[Sighting, ...]:
        """Return sightings, of one recording or of all in the order of taking in."""
        rows = self._db.execute(
            "SELECT body FROM sightings JOIN recordings ON name = recording WHERE ?1 IS NULL OR recording = ?1 "
            "ORDER BY number",
            (recording,),
        )
        return tuple(s for row in rows for s in unpack(row[0], tuple[Sighting, ...]))

    # -- register revisions --------------------------------------------------------------------------------------

    def add_register(self, register: Register, *, made_by: str, recordings: Sequence[str]) -> None:
        """Store a new revision; an existing number is an error (a revision is never changed)."""
        self._write(
            "INSERT INTO registers VALUES (?, ?, ?, ?, ?)",
            (register.revision, time.time(), made_by, json.dumps(list(recordings)), pack(register)),
        )

    def revisions(self) -> tuple[Revision, ...]:
        """Return where every revision came from, oldest first."""
        rows = self._db.execute("SELECT revision, made_at_s, made_by, recordings FROM registers ORDER BY revision")
        return tuple(Revision(r[0], r[1], r[2], tuple(json.loads(r[3]))) for r in rows)

    def register(self, revision: int | None = None) -> Register | None:
        """Return one revision, by default the newest; None if there is none."""
        row = self._db.execute(
            "SELECT body FROM registers WHERE ?1 IS NULL OR revision = ?1 ORDER BY revision DESC LIMIT 1", (revision,)
        ).fetchone()
        return None if row is None else unpack(row[0], Register)

    # -- rounds --------------------------------------------------------------------------------------------------

    def add_plan(self, plan: Plan) -> None:
        """Store a new plan."""
        self._write(
            "INSERT INTO plans SELECT ?1, 1 + coalesce(max(number), 0), ?2, ?3 FROM plans",
            (plan.id, time.time(), to_text(plan)),
        )

    def add_permit(self, permit: Permit) -> None:
        """Store a granted permit."""
        self._write(
            "INSERT INTO permits SELECT ?1, 1 + coalesce(max(number), 0), ?2, ?3 FROM permits",
            (permit.id, permit.plan_id, to_text(permit)),
        )

    def set_record(self, record: RoundRecord) -> None:
        """Store how a round went; a round that is taken up again replaces its own record."""
        self._numbered("records", record.plan_id, record)

    def set_outcome(self, outcome: Outcome) -> None:
        """Store what a round achieved; scoring it again replaces it."""
        self._numbered("outcomes", outcome.plan_id, outcome)

    def _numbered(self, table: str, plan_id: str, value: Any) -> None:
        self._write(f"DELETE FROM {table} WHERE plan_id = ?", (plan_id,))  # noqa: S608
        self._write(
            f"INSERT INTO {table} SELECT ?1, 1 + coalesce(max(number), 0), ?2 FROM {table}",  # noqa: S608
            (plan_id, to_text(value)),
        )

    def plan(self, plan_id: str | None = None) -> Plan | None:
        """Return one plan, by default the newest."""
        return self._newest("plans", "id", plan_id, Plan)

    def plans(self) -> tuple[Plan, ...]:
        """Return all plans, oldest first."""
        return tuple(from_text(r[0], Plan) for r in self._db.execute("SELECT body FROM plans ORDER BY number"))

    def permit(self, plan_id: str | None = None) -> Permit | None:
        """Return the newest permit, or the newest for a plan."""
        return self._newest("permits", "plan_id", plan_id, Permit)

    def record(self, plan_id: str | None = None) -> RoundRecord | None:
        """Return how the newest round went, or the round of a plan."""
        return self._newest("records", "plan_id", plan_id, RoundRecord)

    def outcome(self, plan_id: str | None = None) -> Outcome | None:
        """Return what the newest scored round achieved, or the round of a plan."""
        return self._newest("outcomes", "plan_id", plan_id, Outcome)

    def _newest(self, table: str, column: str, key: str | None, kind: type[T]) -> T | None:
        row = self._db.execute(
            f"SELECT body FROM {table} WHERE ?1 IS NULL OR {column} = ?1 ORDER BY number DESC LIMIT 1",  # noqa: S608
            (key,),
        ).fetchone()
        return None if row is None else from_text(row[0], kind)

    # -- journal -------------------------------------------------------------------------------------------------

    def append(
        self, plan_id: str, at_s: float, event: str, weed_id: str | None, stop_id: str | None, data: dict[str, Any]
    ) -> JournalEntry:
        """Append to the journal; outside a transaction the entry is on the disk when this returns."""
        number = 1 + int(self._db.execute("SELECT coalesce(max(number), 0) FROM journal").fetchone()[0])
        text = to_text(data)
        row = (number, plan_id, float(at_s), event, weed_id, stop_id, text)
        self._write("INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        return JournalEntry(number, float(at_s), event, weed_id, stop_id, json.loads(text))

    def journal(self, plan_id: str | None = None) -> tuple[JournalEntry, ...]:
        """Return the journal in order, of one plan or all of it."""
        rows = self._db.execute(
            "SELECT number, at_s, event, weed_id, stop_id, data FROM journal WHERE ?1 IS NULL OR plan_id = ?1 "
            "ORDER BY number",
            (plan_id,),
        )
        return tuple(JournalEntry(r[0], r[1], r[2], r[3], r[4], json.loads(r[5])) for r in rows)

    # -- results: what was made from what ------------------------------------------------------------------------

    def set_result(self, name: str, value: Any, inputs: dict[str, str]) -> None:
        """Note that ``name`` was made now from inputs of these hashes."""
        row = (name, time.time(), content_hash(value), json.dumps(inputs, sort_keys=True))
        self._write("INSERT OR REPLACE INTO results VALUES (?, ?, ?, ?)", row)

    def results(self) -> dict[str, Result]:
        """Return every result by name, in the order of making."""
        rows = self._db.execute("SELECT name, made_at_s, hash, inputs FROM results ORDER BY made_at_s, rowid")
        return {row[0]: Result(row[0], row[1], row[2], json.loads(row[3])) for row in rows}


def need(value: T | None, what: str, command: str) -> T:
    """Return ``value``, or say which command makes it."""
    if value is None:
        raise StaleError(f"there is no {what} yet", where="site", remedy=f"run: swardwright {command}")
    return value


def _busy(folder: Path) -> SiteError:
    return SiteError(
        "another command is writing to this site",
        where=folder.name,
        remedy="wait until it has ended, or end it, then run this again",
    )

"""Numbered, transactional changes of the database's layout; ``PRAGMA user_version`` names the last one applied.

A migration is never edited once released: a change is a new one at the end.
"""

from __future__ import annotations

import sqlite3

from swardwright.domain.errors import SiteError

_FIRST = """
CREATE TABLE recordings (
    name TEXT PRIMARY KEY,
    number INTEGER NOT NULL UNIQUE,
    path TEXT NOT NULL,                -- below the site folder
    taken_in_at_s REAL NOT NULL,
    camera TEXT,                       -- JSON Camera, as recorded
    left_out TEXT NOT NULL,            -- JSON list of LeftOut
    pictures_found INTEGER NOT NULL,
    poses_found INTEGER NOT NULL,
    distance_m REAL NOT NULL
) STRICT;
CREATE TABLE frames (
    id TEXT PRIMARY KEY,
    recording TEXT NOT NULL REFERENCES recordings (name) ON DELETE CASCADE,
    stamp_ns INTEGER NOT NULL,
    body TEXT NOT NULL                 -- JSON Frame
) STRICT;
CREATE INDEX frames_by_recording ON frames (recording, stamp_ns);
CREATE TABLE tracks (
    recording TEXT PRIMARY KEY REFERENCES recordings (name) ON DELETE CASCADE,
    body BLOB NOT NULL                 -- packed JSON Track
) STRICT;
CREATE TABLE labels (
    frame_id TEXT NOT NULL,
    number INTEGER NOT NULL,
    body TEXT NOT NULL,                -- JSON Label
    PRIMARY KEY (frame_id, number)
) STRICT;
CREATE TABLE detections (
    id TEXT PRIMARY KEY,
    frame_id TEXT NOT NULL REFERENCES frames (id) ON DELETE CASCADE,
    body TEXT NOT NULL                 -- JSON Detection
) STRICT;
CREATE INDEX detections_by_frame ON detections (frame_id);
CREATE TABLE sightings (
    recording TEXT PRIMARY KEY REFERENCES recordings (name) ON DELETE CASCADE,
    body BLOB NOT NULL                 -- packed JSON list of Sighting
) STRICT;
CREATE TABLE registers (
    revision INTEGER PRIMARY KEY,
    made_at_s REAL NOT NULL,
    made_by TEXT NOT NULL,
    recordings TEXT NOT NULL,          -- JSON list of recording names behind it
    body BLOB NOT NULL                 -- packed JSON Register
) STRICT;
CREATE TABLE plans (
    id TEXT PRIMARY KEY,
    number INTEGER NOT NULL UNIQUE,
    made_at_s REAL NOT NULL,
    body TEXT NOT NULL                 -- JSON Plan
) STRICT;
CREATE TABLE permits (
    id TEXT PRIMARY KEY,
    number INTEGER NOT NULL UNIQUE,
    plan_id TEXT NOT NULL REFERENCES plans (id),
    body TEXT NOT NULL                 -- JSON Permit
) STRICT;
CREATE TABLE journal (
    number INTEGER PRIMARY KEY,
    plan_id TEXT NOT NULL,
    at_s REAL NOT NULL,
    event TEXT NOT NULL,
    weed_id TEXT,
    stop_id TEXT,
    data TEXT NOT NULL                 -- JSON object
) STRICT;
CREATE INDEX journal_by_plan ON journal (plan_id, number);
CREATE TABLE records (
    plan_id TEXT PRIMARY KEY REFERENCES plans (id),
    number INTEGER NOT NULL UNIQUE,
    body TEXT NOT NULL                 -- JSON RoundRecord
) STRICT;
CREATE TABLE outcomes (
    plan_id TEXT PRIMARY KEY REFERENCES plans (id),
    number INTEGER NOT NULL UNIQUE,
    body TEXT NOT NULL                 -- JSON Outcome
) STRICT;
CREATE TABLE results (
    name TEXT PRIMARY KEY,             -- for example "detections:survey-1"
    made_at_s REAL NOT NULL,
    hash TEXT NOT NULL,                -- of the result
    inputs TEXT NOT NULL               -- JSON object: input name -> hash at that time
) STRICT;
CREATE TRIGGER journal_keeps_what_it_has BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_loses_nothing BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER registers_keep_what_they_have BEFORE UPDATE ON registers
BEGIN SELECT RAISE(ABORT, 'a register revision is never changed'); END;
"""

MIGRATIONS: tuple[str, ...] = (_FIRST,)


def migrate(connection: sqlite3.Connection, migrations: tuple[str, ...] = MIGRATIONS) -> int:
    """Bring the database to the newest layout, each migration in one transaction; return its number.

    Raises
    ------
    SiteError
        If the database was written by a newer program.
    """
    at = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if at > len(migrations):
        raise SiteError(
            "the site's database was written by a newer swardwright",
            where="site.db",
            field="user_version",
            value=at,
            limit=f"at most {len(migrations)}",
            remedy="install the newer version",
        )
    for number in range(at, len(migrations)):
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in _statements(migrations[number]):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number + 1}")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
    return len(migrations)


def _statements(script: str) -> list[str]:
    """Split a script at complete statements (triggers hold semicolons of their own)."""
    found, part = [], ""
    for line in script.splitlines(keepends=True):
        part += line
        if sqlite3.complete_statement(part):
            found.append(part)
            part = ""
    return found

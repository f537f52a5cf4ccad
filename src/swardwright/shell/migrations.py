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

_LABEL_VERSIONS = """
CREATE TABLE label_versions (
    number INTEGER PRIMARY KEY,
    author TEXT NOT NULL,
    made_at_s REAL NOT NULL,
    source TEXT NOT NULL,              -- name of the file that the labels came from
    kinds TEXT NOT NULL,               -- JSON list: kinds that the source names
    words TEXT NOT NULL                -- what changed, for a person
) STRICT;
CREATE TABLE labelled_frames (
    version INTEGER NOT NULL REFERENCES label_versions (number),
    frame_id TEXT NOT NULL,            -- not tied to frames: labels outlive another choice of frames
    body TEXT NOT NULL,                -- JSON LabelledFrame
    PRIMARY KEY (version, frame_id)
) STRICT;
CREATE INDEX labelled_frames_by_frame ON labelled_frames (frame_id, version);
CREATE TABLE frame_looks (
    frame_id TEXT PRIMARY KEY,         -- may be thrown away: what the detector says of a frame, to rank and doubt by
    made_from TEXT NOT NULL,           -- hash of detector and frame
    body BLOB NOT NULL                 -- packed JSON FrameLook
) STRICT;
INSERT INTO label_versions
    SELECT 1, 'not noted', 0.0, 'labels of an earlier layout', '[]', 'as they stood' FROM labels LIMIT 1;
INSERT INTO labelled_frames
    SELECT 1, frames.id,
        json_object('frame', json(frames.body), 'picture_hash', '', 'labels', json_group_array(json(labels.body)),
            'ignored', json('[]'), 'outlines', json('[]'))
    FROM labels JOIN frames ON frames.id = labels.frame_id GROUP BY frames.id;
DROP TABLE labels;
CREATE TRIGGER label_versions_keep_what_they_have BEFORE UPDATE ON label_versions
BEGIN SELECT RAISE(ABORT, 'labels are append-only'); END;
CREATE TRIGGER label_versions_lose_nothing BEFORE DELETE ON label_versions
BEGIN SELECT RAISE(ABORT, 'labels are append-only'); END;
CREATE TRIGGER labelled_frames_keep_what_they_have BEFORE UPDATE ON labelled_frames
BEGIN SELECT RAISE(ABORT, 'labels are append-only'); END;
CREATE TRIGGER labelled_frames_lose_nothing BEFORE DELETE ON labelled_frames
BEGIN SELECT RAISE(ABORT, 'labels are append-only'); END;
"""

MIGRATIONS: tuple[str, ...] = (_FIRST, _LABEL_VERSIONS)


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

"""The database keeps all or nothing, and the journal keeps everything."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.errors import SiteError
from swardwright.domain.frame import Detection, Footage, Frame, LeftOut, Track
from swardwright.domain.poses import BasePose
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.domain.weed import Register, Sighting, Weed
from swardwright.shell.migrations import MIGRATIONS, migrate
from swardwright.shell.store import SiteStore


def footage(name: str = "a.mcap", count: int = 3) -> Footage:
    rng = np.random.default_rng(4)
    frames = tuple(
        Frame(f"{name}/{n:05d}", name, 10 + n, "/camera", (64, 48), BasePose(*rng.normal(size=3)),
              np.eye(3) * rng.random(), tuple(rng.normal(size=2)), sharpness=float(rng.random()))
        for n in range(count)
    )  # fmt: skip
    track = Track(tuple(f.id for f in frames), tuple(f.base for f in frames if f.base), rng.normal(size=(count, 3, 3)),
                  rng.normal(size=(count - 1, 3, 3)))  # fmt: skip
    camera = Camera(64, 48, 50.0, 50.1, 32.0, 24.0, np.array([-0.1, 0.01, 0.0, 0.0, 0.0]), np.eye(4))
    return Footage(name, frames, camera, (LeftOut("blurred", 2),), 5, 100, 3.25, track)


def sighting(name: str = "a.mcap/00000#0") -> Sighting:
    part = SharedError("mount", Scope.SITE, "site", np.array([[0.1, 0.2], [1 / 3, 0.4]]), np.diag([1e-5, 2e-5]))
    return Sighting(name, name.split("#")[0], np.array([0.1, 1 / 3]), part.ground_covariance_m2, 0.02, 0.003, 0.9,
                    (("clover", 0.75), ("daisy", 0.25)), (part,))  # fmt: skip


def weed(number: int = 1) -> Weed:
    return Weed(f"w{number:04d}", np.array([1 / 3, 2.0]), np.diag([1e-6, 2e-6]), 0.03, 0.002, 0.97, (("clover", 1.0),))


def same(a: Any, b: Any) -> bool:
    """Equal to the last bit, arrays included."""
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and np.array_equal(a, b) and not b.flags.writeable
    if isinstance(a, tuple):
        return isinstance(b, tuple) and len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))
    if hasattr(a, "__dataclass_fields__"):
        return type(a) is type(b) and all(same(getattr(a, f), getattr(b, f)) for f in a.__dataclass_fields__)
    return bool(a == b)


@pytest.fixture
def store(tmp_path: Path) -> Any:
    made = SiteStore(tmp_path, write=True)
    yield made
    made.close()


def test_everything_comes_back_to_the_last_bit(store: SiteStore) -> None:
    given, register = footage(), Register(1, (weed(), weed(2)), ("note",), (("a", BasePose(0.1, 0.2, 0.3)),))
    detection = Detection("a.mcap/00001#0", "a.mcap/00001", 1 / 3, 2.0, 3.0, 0.9, (("clover", 1.0),))
    with store.writer():
        store.add_footage(given, "recordings/a.mcap")
        store.set_detections("a.mcap", [detection])
        store.set_sightings("a.mcap", [sighting()])
        store.add_register(register, made_by="locate", recordings=("a.mcap",))
    assert same(store.frames(), given.frames)
    assert same(store.track("a.mcap"), given.track)
    assert same(store.recordings()[0].camera, given.camera)
    assert store.recordings()[0].left_out == given.left_out
    assert store.detections("a.mcap") == (detection,)
    assert same(store.sightings(), (sighting(),))
    assert same(store.register(), register)
    assert store.revisions()[0].recordings == ("a.mcap",)


def test_taking_in_again_replaces_what_hung_on_the_old_frames(store: SiteStore) -> None:
    with store.writer():
        store.add_footage(footage(), "recordings/a.mcap")
        store.set_detections("a.mcap", [Detection("a.mcap/00002#0", "a.mcap/00002", 1, 2, 3, 0.9, (("clover", 1.0),))])
    with store.writer():
        store.add_footage(footage(count=2), "recordings/a.mcap")
    assert len(store.frames()) == 2
    assert store.detections() == ()


def test_a_failure_keeps_what_was_there(store: SiteStore) -> None:
    def fail_half_way() -> None:
        with store.writer():
            store.add_footage(footage("b.mcap"), "recordings/b.mcap")
            raise ZeroDivisionError

    with store.writer():
        store.add_footage(footage(), "recordings/a.mcap")
    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert [r.name for r in store.recordings()] == ["a.mcap"]


def test_writing_needs_the_writer(store: SiteStore) -> None:
    with pytest.raises(RuntimeError):
        store.add_footage(footage(), "recordings/a.mcap")


def test_a_second_writer_is_told_who_is_in_the_way(store: SiteStore, tmp_path: Path) -> None:
    other = SiteStore(tmp_path, write=True)
    with store.writer(), pytest.raises(SiteError, match="another command"), other.writer():
        pass
    with other.writer():
        other.add_footage(footage(), "recordings/a.mcap")
    other.close()
    assert len(store.recordings()) == 1


def test_a_reader_sees_the_last_whole_state_while_another_writes(store: SiteStore, tmp_path: Path) -> None:
    reader = SiteStore(tmp_path)
    with store.writer():
        store.add_footage(footage(), "recordings/a.mcap")
        assert reader.recordings() == ()
    assert len(reader.recordings()) == 1
    reader.close()


def test_the_journal_is_append_only_even_by_hand(store: SiteStore, tmp_path: Path) -> None:
    with store.writer():
        store.append("round-1", 1.5, "heat-intent", "w0001", "s01", {"seconds": 0.5, "n": 1, "flag": True, "x": None})
    assert store.journal("round-1")[0].data == {"seconds": 0.5, "n": 1, "flag": True, "x": None}
    by_hand = sqlite3.connect(tmp_path / "site.db")
    for statement in ("DELETE FROM journal", "UPDATE journal SET event = 'nothing'"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            by_hand.execute(statement)
    by_hand.close()


def test_a_register_revision_is_never_changed(store: SiteStore) -> None:
    with store.writer():
        store.add_register(Register(1, (weed(),)), made_by="locate", recordings=())
    with pytest.raises(sqlite3.IntegrityError), store.writer():
        store.add_register(Register(1, ()), made_by="locate", recordings=())
    with store.writer():
        store.add_register(Register(2, ()), made_by="locate", recordings=())
    first = store.register(1)
    assert first is not None
    assert len(first.weeds) == 1


def killed(code: str, folder: Path) -> None:
    """Run Python that ends itself by SIGKILL half-way."""
    start = f"import os, signal, sys\nsys.path.insert(0, {str(Path(__file__).parent)!r})\n"
    start += f"from pathlib import Path\nfolder = Path({str(folder)!r})\n"
    done = subprocess.run([sys.executable, "-c", start + textwrap.dedent(code)], check=False, capture_output=True)
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()


def test_a_command_killed_half_way_leaves_what_was_there(store: SiteStore, tmp_path: Path) -> None:
    with store.writer():
        store.add_footage(footage(), "recordings/a.mcap")
    store.close()
    killed(
        """
        from test_store import footage
        from swardwright.shell.store import SiteStore
        store = SiteStore(folder, write=True)
        with store.writer():
            store.add_footage(footage("b.mcap", 300), "recordings/b.mcap")
            store.add_footage(footage("a.mcap", 1), "recordings/a.mcap")
            os.kill(os.getpid(), signal.SIGKILL)
        """,
        tmp_path,
    )
    after = SiteStore(tmp_path, write=True)
    assert [r.name for r in after.recordings()] == ["a.mcap"]
    assert len(after.frames()) == 3
    with after.writer():  # the lock went with the process
        after.add_footage(footage("c.mcap"), "recordings/c.mcap")
    after.close()


def test_a_journal_entry_outlives_the_process_that_wrote_it(store: SiteStore, tmp_path: Path) -> None:
    store.close()
    killed(
        """
        from swardwright.shell.store import SiteStore
        store = SiteStore(folder, write=True)
        with store.writer(one_transaction=False):
            store.append("round-1", 1.0, "heat-intent", "w0001", "s01", {"seconds": 0.4})
            os.kill(os.getpid(), signal.SIGKILL)
        """,
        tmp_path,
    )
    after = SiteStore(tmp_path)
    assert [(e.event, e.weed_id) for e in after.journal()] == [("heat-intent", "w0001")]
    assert after._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL
    assert after._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    after.close()


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "x.db", isolation_level=None)
    assert migrate(db) == len(MIGRATIONS)
    bad = (*MIGRATIONS, "CREATE TABLE extra (a);\nCREATE TABLE recordings (a);\n")
    with pytest.raises(sqlite3.OperationalError):
        migrate(db, bad)
    assert db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
    assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'extra'").fetchone()[0] == 0
    good = (*MIGRATIONS, "CREATE TABLE extra (a);\n")
    assert migrate(db, good) == len(good)
    assert migrate(db, good) == len(good)
    db.close()


def test_a_database_of_a_newer_program_or_of_none(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "site.db")
    db.execute("PRAGMA user_version = 999")
    db.commit()
    db.close()
    with pytest.raises(SiteError, match="newer"):
        SiteStore(tmp_path)
    (tmp_path / "site.db").write_bytes(os.urandom(5000))
    with pytest.raises(SiteError, match="cannot be opened"):
        SiteStore(tmp_path)


def test_a_reader_of_a_fresh_folder_creates_nothing(tmp_path: Path) -> None:
    reader = SiteStore(tmp_path)
    assert reader.register() is None
    reader.close()
    assert list(tmp_path.iterdir()) == []

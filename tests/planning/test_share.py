"""Work shared over processes: same results, errors and ends by hand surface, no process is left behind."""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from multiprocessing import active_children
from pathlib import Path
from types import ModuleType

import pytest

from swardwright.domain.errors import InputError
from swardwright.planning.share import FEW, SharedWorkError, _ctrl_c_held, processes, shared

PIECES = """
import os
from swardwright.domain.errors import InputError

def scaled(common, piece):
    return common * piece

def where(common, piece):
    return os.getpid()

def fails(common, piece):
    if piece == 31:
        raise InputError("piece 31 is bad", field="piece", value=piece, remedy="leave it out")
    return piece

def dies(common, piece):
    if piece == 31:
        os._exit(9)
    return piece
"""
SCRIPT = """
import os, signal, sys, time
from swardwright.planning.share import shared

def slow(common, piece):
    if piece == 0:
        print(os.getpid(), flush=True)
    time.sleep(0.2)
    return piece

if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where the tests run in the background
    shared(slow, None, list(range(400)), workers=2)
"""


@pytest.fixture(scope="module")
def pieces(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ModuleType]:
    """What is done with a piece, in a module that other processes find by its name."""
    folder = tmp_path_factory.mktemp("share")
    (folder / "pieces_of_work.py").write_text(PIECES)
    sys.path.insert(0, str(folder))
    yield importlib.import_module("pieces_of_work")
    sys.path.remove(str(folder))
    del sys.modules["pieces_of_work"]


@pytest.mark.parametrize("workers", [1, 2])
def test_results_stand_in_order_and_progress_is_told(pieces: ModuleType, workers: int) -> None:
    told: list[tuple[int, int]] = []
    made = shared(pieces.scaled, 0.5, list(range(50)), workers=workers, done=lambda done, of: told.append((done, of)))
    assert made == [0.5 * k for k in range(50)]
    assert [done for done, _ in told] == sorted({done for done, _ in told})
    assert told[-1] == (50, 50)


def test_processes_are_started_for_many_pieces_only(pieces: ModuleType) -> None:
    assert set(shared(pieces.where, None, list(range(FEW)), workers=2)) == {os.getpid()}
    assert os.getpid() not in shared(pieces.where, None, list(range(FEW + 1)), workers=2)
    assert shared(pieces.where, None, [], workers=2) == []


def test_an_error_of_a_piece_comes_back_whole(pieces: ModuleType) -> None:
    with pytest.raises(InputError, match=r"piece 31 is bad \(found 31\)") as caught:
        shared(pieces.fails, None, list(range(50)), workers=2)
    assert caught.value.remedy == "leave it out"


def test_a_process_that_dies_is_told_of(pieces: ModuleType) -> None:
    with pytest.raises(SharedWorkError, match="has died"):
        shared(pieces.dies, None, list(range(50)), workers=2)


def test_processes_by_themselves_are_gone_after_their_block_and_one_that_dies_is_told_with_its_remedy() -> None:
    with processes(3, where="render", remedy="free memory") as pool:
        assert len(active_children()) == 3  # all of them, while Ctrl-C is held back
        assert pool.submit(abs, -3).result() == 3
    with pytest.raises(RuntimeError, match="shutdown"):
        pool.submit(abs, -3)
    with (
        pytest.raises(SharedWorkError, match="has died") as caught,
        processes(1, where="render", remedy="free") as pool,
    ):
        pool.submit(os._exit, 3).result()
    assert (caught.value.where, caught.value.remedy) == ("render", "free")


@pytest.fixture
def heeded() -> Iterator[None]:
    """Ctrl-C raises, also where the tests run in the background and it is ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no signal masks on this system")
def test_ctrl_c_while_processes_begin_is_neither_lost_nor_theirs(heeded: None) -> None:
    asks = "import signal; print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, []))"
    done = []
    with pytest.raises(KeyboardInterrupt), _ctrl_c_held():  # noqa: PT012
        os.kill(os.getpid(), signal.SIGINT)
        done.append(subprocess.run([sys.executable, "-c", asks], capture_output=True, text=True, check=True).stdout)
    assert done == ["True\n"]  # went on to its end, and what began in it is spared
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    with _ctrl_c_held():
        pass


def _alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_no_process_stays_when_the_parent_ends(tmp_path: Path, how: signal.Signals) -> None:
    script = tmp_path / "script.py"
    script.write_text(SCRIPT)
    parent = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    assert child != parent.pid
    if how is signal.SIGINT:
        os.killpg(parent.pid, how)  # a terminal sends Ctrl-C to all of them
    else:
        parent.kill()
    _, told = parent.communicate(timeout=30)
    assert parent.returncode != 0
    if how is signal.SIGINT:
        assert told.count("Traceback") == 1  # the parent's own: none of the children's
        assert "KeyboardInterrupt" in told
    end = time.monotonic() + 10.0
    while _alive(child) and time.monotonic() < end:
        time.sleep(0.05)
    assert not _alive(child)

"""Independent pieces of work shared over processes: the same results in the same order, however many there are."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context, parent_process, resource_tracker
from typing import Any, TypeVar

from swardwright.domain.errors import SwardwrightError

Given = TypeVar("Given")
Made = TypeVar("Made")
#: up to so many pieces no process is started: that takes a second
FEW = 20
#: pieces handed over at a time are at most so many, so that progress shows and an end by hand is soon over
_AT_ONCE = 8

#: Windows has no signal masks
_MASKS = hasattr(signal, "pthread_sigmask")

_work: list[Any] = []


class SharedWorkError(SwardwrightError):
    """A process that shared the work has died."""

    exit_status = 1


def shared(
    function: Callable[[Any, Given], Made], common: Any, given: Sequence[Given], *, workers: int = 1,
    done: Callable[[int, int], None] | None = None,
) -> list[Made]:  # fmt: skip
    """Return ``function(common, piece)`` of every piece, in order.

    An error of a piece is raised here, as is an end by hand (Ctrl-C); the processes are then gone first.

    Parameters
    ----------
    function : callable
        Of a module (it goes to other processes by name), without effects; so go ``common`` and the pieces (by pickle).
    workers : int
        Processes; 1, or few pieces: none are started. A script that asks for more must be importable, with what it does
        under ``if __name__ == "__main__"``.
    done : callable, optional
        Told how many pieces are done, and of how many.

    Raises
    ------
    SharedWorkError
        If a process dies, for example for want of memory.
    """
    tell = done or (lambda _done, _of: None)
    workers = min(workers, len(given))
    if workers <= 1 or len(given) <= FEW:
        made = []
        for number, piece in enumerate(given, start=1):
            made.append(function(common, piece))
            tell(number, len(given))
        return made
    size = max(1, min(_AT_ONCE, len(given) // (4 * workers)))
    parts = [given[i : i + size] for i in range(0, len(given), size)]
    with processes(
        workers, _take, function, common, where="plan", remedy="free memory, or plan with one process"
    ) as pool:
        asked = {pool.submit(_do, part): place for place, part in enumerate(parts)}
        results: list[list[Made]] = [[] for _ in parts]
        finished = 0
        for future in as_completed(asked):
            results[asked[future]] = future.result()
            finished += len(parts[asked[future]])
            tell(finished, len(given))
        return [one for part in results for one in part]


@contextmanager
def processes(
    workers: int, begin: Callable[..., None] | None = None, *given: Any, where: str, remedy: str
) -> Iterator[ProcessPoolExecutor]:
    """Start processes that each call ``begin(*given)`` first; they are gone when the block ends, however it does.

    Ctrl-C is this process's to answer, and without it the others end. A function handed over must be a module's own.

    Raises
    ------
    SharedWorkError
        If a process dies, for example for want of memory; it says ``where`` and the ``remedy``.
    """
    # spawned, not forked: the same on every system, and no lock of a library's thread is copied while it is held
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _begin, (begin, given))
    try:
        with _ctrl_c_held():  # so that the processes are spared it from their first instruction
            for _ in range(workers):  # each begins one
                pool.submit(int)
        yield pool
    except BrokenProcessPool as error:
        raise SharedWorkError("a process that shared the work has died", where=where, remedy=remedy) from error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _ctrl_c_held() -> Iterator[None]:
    """Hold Ctrl-C back for a moment: it comes afterwards, and never to processes that begin meanwhile.

    They inherit that it is blocked. In another thread than the main one nothing is done.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    noted: list[int] = []
    if _MASKS:
        resource_tracker.ensure_running()  # where it is not yet, its start would unblock Ctrl-C
    before = signal.signal(signal.SIGINT, lambda number, _: noted.append(number))
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if _MASKS else None
    try:
        yield
    finally:
        if blocked is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        signal.signal(signal.SIGINT, before)
    if noted:
        signal.raise_signal(signal.SIGINT)


def _begin(begin: Callable[..., None] | None, given: tuple[Any, ...]) -> None:
    """Make a process ready: Ctrl-C is the parent's to answer, and without the parent there is nothing to do."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if _MASKS:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if begin is not None:
        begin(*given)


def _end_with_parent() -> None:
    import os

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _take(function: Callable[[Any, Any], Any], common: Any) -> None:
    _work[:] = [function, common]


def _do(part: Sequence[Any]) -> list[Any]:
    function, common = _work
    return [function(common, piece) for piece in part]

"""How commands speak: progress on standard error, one result on standard output."""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Said:
    """What a command has to say at its end: ``lines`` for a person, ``data`` for ``--json``."""

    lines: tuple[str, ...]
    data: dict[str, Any] = field(default_factory=dict)

    def then(self, more: Said) -> Said:
        """Return this and more after it, the data as one."""
        return Said((*self.lines, *more.lines), self.data | more.data)


def plain(value: Any) -> Any:
    """Return ``value`` as JSON can carry it: no NaN, no infinity (they become null)."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value


def json_line(data: dict[str, Any]) -> str:
    """Return one JSON object on one line."""
    return json.dumps(plain(data), ensure_ascii=False, allow_nan=False)


class Progress:
    """Counts on standard error: every half second on a terminal, every tenth of the way elsewhere.

    Parameters
    ----------
    doing : str
        What is being done, a few words.
    """

    def __init__(self, doing: str) -> None:
        self._doing = doing
        self._last_s = -math.inf
        self._tenth = -1

    def __call__(self, done: int, of: int) -> None:
        """Show that ``done`` of ``of`` are done."""
        stream, now_s = sys.stderr, time.monotonic()
        if stream.isatty():
            if now_s - self._last_s >= 0.5 or done >= of:
                self._last_s = now_s
                stream.write(f"\r  {self._doing}: {done} of {of}" + ("\n" if done >= of else ""))
                stream.flush()
            return
        tenth = 10 * done // max(of, 1)
        if tenth // 5 > self._tenth // 5:
            stream.write(f"  {self._doing}: {done} of {of}\n")
            stream.flush()
        self._tenth = tenth


def progress_by_phase() -> Callable[[str, int, int], None]:
    """Return what shows (what is being done, done, of) as a :class:`Progress` for each that is being done."""
    told: dict[str, Progress] = {}
    return lambda doing, done, of: told.setdefault(doing, Progress(doing))(done, of)

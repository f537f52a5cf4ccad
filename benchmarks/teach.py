"""Teaching, proven: each of its parts from a module of its own."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any

import benchmarks


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures of every part: the modules ``_teach_*``, by name."""
    for name in sorted(m.name for m in pkgutil.iter_modules(benchmarks.__path__) if m.name.startswith("_teach_")):
        yield from importlib.import_module(f"benchmarks.{name}").figures(full)

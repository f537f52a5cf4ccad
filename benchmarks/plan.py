"""The plan, proven: each of its parts from a module of its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchmarks import _plan_dose, _plan_motion, _plan_route, _plan_supplies, _plan_sweep


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures of every part of the plan."""
    for part in (_plan_supplies, _plan_route, _plan_sweep, _plan_dose, _plan_motion):
        yield from part.figures(full)

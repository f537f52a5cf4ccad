"""Run every benchmark module, or those named (``NAME="demo locate"`` or arguments), one JSON line per figure.

A module has ``figures(full) -> Iterator[dict]`` with the keys ``figure``, ``value``, ``unit``, ``bound``, ``holds``. By
default it takes a sample that ends within 10 minutes on 2 cores; ``FULL=1`` runs the numbers that were promised.
"""

from __future__ import annotations

import importlib
import json
import math
import os
import pkgutil
import sys

import benchmarks

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, before NumPy is loaded


def main(wanted: list[str]) -> int:
    """Run the modules; return 2 if a wanted one does not exist, 1 if a bound does not hold."""
    wanted = wanted or os.environ.get("NAME", "").split()
    full = os.environ.get("FULL", "") not in ("", "0")
    there = [m.name for m in pkgutil.iter_modules(benchmarks.__path__) if not m.name.startswith("_")]
    unknown = sorted(set(wanted) - set(there))
    if unknown:
        print(f"no benchmark named {', '.join(unknown)}; there are: {', '.join(there) or 'none'}", file=sys.stderr)
        return 2
    if not full:
        print("a sample: FULL=1 runs every seed", file=sys.stderr)
    holds = True
    for name in wanted or there:
        for figure in importlib.import_module(f"benchmarks.{name}").figures(full):
            holds &= figure["holds"] is not False
            endless = isinstance(figure["value"], float) and not math.isfinite(figure["value"])
            print(json.dumps(figure | {"value": None} if endless else figure), flush=True)  # JSON has no infinity
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

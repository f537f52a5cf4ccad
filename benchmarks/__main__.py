"""Run every benchmark module, or those named on the command line, and print one JSON line per figure."""

from __future__ import annotations

import importlib
import json
import pkgutil
import sys
import time

import benchmarks


def main(wanted: list[str]) -> int:
    """Run the modules; return 2 if a wanted one does not exist."""
    there = [m.name for m in pkgutil.iter_modules(benchmarks.__path__) if not m.name.startswith("_")]
    unknown = sorted(set(wanted) - set(there))
    if unknown:
        print(f"no benchmark named {', '.join(unknown)}; there are: {', '.join(there) or 'none'}", file=sys.stderr)
        return 2
    for name in wanted or there:
        module = importlib.import_module(f"benchmarks.{name}")
        began = time.perf_counter()
        for figure in module.figures():
            print(
                json.dumps({"benchmark": name, **figure, "seconds": round(time.perf_counter() - began, 3)}), flush=True
            )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

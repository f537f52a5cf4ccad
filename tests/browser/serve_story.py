"""Serve the made-up round of ``tests/conftest.py``: ``python serve_story.py FOLDER HOST PORT [COUNT]``."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from swardwright.shell.status import SiteStatus, Standing
from swardwright.shell.web import serve, view


def load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("story", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["story"] = module
    spec.loader.exec_module(module)
    return module


def main(folder: Path, host: str, port: int, count: int) -> None:
    story = load(Path(__file__).parents[1] / "conftest.py").make_story(count)
    standings = (
        Standing("frames survey-1", "stands", "", 1_778_569_200.0),
        Standing("detections survey-1", "stands", "", 1_778_569_300.0),
        Standing("register 1", "stands", "", 1_778_569_400.0),
        Standing("plan round-1", "stale", "limits changed since", 1_778_569_500.0),
        Standing("permit round-1", "stale", "plan round-1 is stale", 1_778_569_600.0),
    )
    status = SiteStatus(story.site.name, True, standings, "plan", "plan round-1 is stale: limits changed since")
    made = view.View(story.site, status, story.register, story.plan, story.record, story.outcome, ("round-1.html",))
    view.load_view = lambda folder: made
    serve(folder, host=host, port=port, say=lambda text: print(text, flush=True))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]) if len(sys.argv) > 4 else 120)

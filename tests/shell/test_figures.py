from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.errors import StaleError
from swardwright.shell import figures


def test_pictures_show_the_marks_that_they_are_given(story: Any, tmp_path: Path) -> None:
    """Every kind's colour is in the picture of the round, and gone from a picture of the bare ground."""
    from matplotlib.image import imread

    from swardwright.domain.weed import Register
    from swardwright.shell.report_map import COLOURS

    figures.plan_figure(tmp_path / "a" / "full.png", story.site, story.register, story.plan)
    figures.plan_figure(tmp_path / "bare.png", story.site, Register(1, ()))

    def count(path: Path, colour: str) -> int:
        wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        return int((np.abs(imread(path)[..., :3] - wanted).max(axis=-1) < 0.02).sum())

    for colour in COLOURS[:4]:  # the kinds to treat are filled
        # the legend alone has one mark
        assert count(tmp_path / "a" / "full.png", colour) > 5 * max(count(tmp_path / "bare.png", colour), 1)


def test_a_site_without_a_register_says_what_to_do(story: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import contextlib

    from swardwright.shell import open_site

    class Bare:
        def plan(self) -> None:
            return None

        def register(self) -> None:
            return None

    monkeypatch.setattr(open_site, "opened", lambda folder: contextlib.nullcontext(Bare()))
    with pytest.raises(StaleError, match="no register") as caught:
        figures.main(tmp_path / "out", tmp_path)
    assert caught.value.remedy
    assert not (tmp_path / "out").exists()

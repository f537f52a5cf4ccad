"""The public names, held against reality."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import swardwright

STEPS = ("read", "choose_frames", "detect", "locate", "merge", "plan_round", "grant", "supervise", "score")


def test_every_public_name_loads_and_says_what_it_is() -> None:
    assert len(swardwright.__all__) == len(set(swardwright.__all__))
    for name in swardwright.__all__:
        found = getattr(swardwright, name)
        if name != "__version__":
            assert (found.__doc__ or "").strip(), name
            assert found.__name__ == name
            assert found.__module__.startswith("swardwright."), name


def test_the_list_is_short_and_has_every_step() -> None:
    assert set(STEPS) <= set(swardwright.__all__)
    assert 20 <= len(swardwright.__all__) <= 32


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = swardwright.no_such_name
    assert set(dir(swardwright)) >= set(swardwright.__all__)


def test_the_version_is_the_packages() -> None:
    text = (Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8")
    assert f'version = "{swardwright.__version__}"' in text


def test_importing_the_package_and_its_command_line_loads_nothing_heavy() -> None:
    heavy = (
        "{'torch', 'cv2', 'scipy', 'onnxruntime', 'rosbags', 'highspy', 'shapely', 'nicegui', 'matplotlib', 'skimage'}"
    )
    code = f"import sys, swardwright, swardwright.shell.command_line; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

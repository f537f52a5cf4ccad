"""A small site of a person's own, started by the command itself, and the folder's fingerprint."""

from __future__ import annotations

import hashlib
import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from swardwright.shell.command_line import main

FOOTAGE = Path(__file__).parents[1] / "footage" / "conftest.py"

#: an arm of two joints that holds its camera 1 m above the ground, looking straight down
URDF = """<robot name="two"><link name="base_link"/><link name="one"/><link name="two"/><link name="camera_optical"/>
<link name="head_tip"/>
<joint name="a" type="revolute"><parent link="base_link"/><child link="one"/><origin xyz="0.3 0 1"/>
<axis xyz="0 0 1"/><limit lower="-9" upper="9" velocity="1"/></joint>
<joint name="b" type="revolute"><parent link="one"/><child link="two"/><axis xyz="0 0 1"/>
<limit lower="-9" upper="9" velocity="1"/></joint>
<joint name="eye" type="fixed"><parent link="two"/><child link="camera_optical"/>
<origin rpy="3.141592653589793 0 -1.5707963267948966"/></joint>
<joint name="head" type="fixed"><parent link="two"/><child link="head_tip"/>
<origin xyz="0.2 0 -0.8" rpy="3.141592653589793 0 0"/></joint></robot>"""

CAMERA = """image_width: 64
image_height: 48
camera_matrix: {rows: 3, cols: 3, data: [50.0, 0.0, 32.0, 0.0, 50.0, 24.0, 0.0, 0.0, 1.0]}
distortion_model: plumb_bob
distortion_coefficients: {rows: 1, cols: 5, data: [0.0, 0.0, 0.0, 0.0, 0.0]}
"""


def fingerprint(folder: Path) -> dict[str, str]:
    """Every file and folder below, with the content's hash."""
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() if p.is_file() else "folder"
        for p in sorted(folder.rglob("*"))
    }


def run_command(*words: str | Path) -> Result:
    """Run a command in this process; standard output and standard error are kept apart."""
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture(scope="session")
def logs() -> Any:
    """The writer of small robot logs of the footage tests (an independent library writes them)."""
    spec = importlib.util.spec_from_file_location("footage_logs", FOOTAGE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["footage_logs"] = module
    spec.loader.exec_module(module)
    return module.Kit


@pytest.fixture(scope="session")
def call() -> Callable[..., Result]:
    """Run a command in this process."""
    return run_command


@pytest.fixture(scope="session")
def urdf() -> str:
    """The two-joint arm."""
    return URDF


@pytest.fixture(scope="session")
def tree() -> Callable[[Path], dict[str, str]]:
    """Every file and folder below a folder, with the content's hash."""
    return fingerprint


@pytest.fixture
def own_site(tmp_path: Path) -> Path:
    """A site folder started by ``swardwright init`` for a robot of one's own."""
    (tmp_path / "two.urdf").write_text(URDF)
    (tmp_path / "eye.yaml").write_text(CAMERA)
    done = run_command(
        "init", tmp_path / "lawn", "--urdf", tmp_path / "two.urdf", "--camera-file", tmp_path / "eye.yaml",
        "--size", "6 m, 4 m",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    return tmp_path / "lawn"


@pytest.fixture
def refused() -> Callable[..., str]:
    """Run a command that must be refused with one sentence and exit status 2, leaving the folder as it was."""

    def check(folder: Path, *words: str | Path) -> str:
        before = fingerprint(folder)
        result = run_command(*words)
        assert result.exit_code == 2, (result.exit_code, result.stdout, result.stderr)
        lines = [line for line in result.stderr.splitlines() if not line.startswith("  ")]
        assert lines[0].startswith("swardwright: ")
        assert "Traceback" not in result.stderr
        assert len(lines) == 2, result.stderr
        assert lines[1].startswith("To mend it: ")
        assert fingerprint(folder) == before
        return lines[0]

    return check

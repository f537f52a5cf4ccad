"""The import rule: steps import ``domain`` only; ``domain`` needs nothing but the standard library and numpy."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src" / "swardwright"
STEPS = frozenset(
    {"footage", "frames", "labels", "learning", "locating", "merging", "planning", "running", "scoring", "simulation"}
)
DOMAIN_NEEDS = frozenset({"numpy", "defusedxml"})


def imported(path: Path, root: Path) -> Iterator[tuple[int, str]]:
    """Yield line number and full dotted name of everything that a module of the package under ``root`` imports."""
    own = ("swardwright", *path.relative_to(root).with_suffix("").parts)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name) for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(own[: -node.level]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            yield from ((node.lineno, f"{module}.{name.name}") for name in node.names)
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in ("import_module", "__import__") and isinstance(node.args[0].value, str):
                yield node.lineno, node.args[0].value


def violations(root: Path) -> list[str]:
    """Return every import that breaks the rule, as ``path:line imports name``."""
    found = []
    for path in sorted(root.rglob("*.py")):
        relative = path.relative_to(root)
        folder = relative.parts[0]
        if folder != "domain" and folder not in STEPS:
            continue
        for line, name in imported(path, root):
            top, *rest = name.split(".")
            if top == "swardwright":
                allowed = bool(rest) and rest[0] in ("domain", folder)
            elif folder == "domain":
                allowed = top in sys.stdlib_module_names or top in DOMAIN_NEEDS
            else:
                allowed = True
            if not allowed:
                found.append(f"{relative}:{line} imports {name}")
    return found


def test_the_package_keeps_the_import_rule() -> None:
    checked = {p.relative_to(SOURCE).parts[0] for p in SOURCE.rglob("*.py")}
    assert STEPS | {"domain", "shell"} <= checked
    assert violations(SOURCE) == []


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("locating/a.py", "from swardwright.merging import merge"),
        ("locating/a.py", "from swardwright import merging"),
        ("locating/a.py", "import swardwright.shell.store"),
        ("locating/a.py", "import swardwright"),
        ("locating/a.py", "from ..shell import store"),
        ("locating/a.py", "from .. import simulation"),
        ("planning/deep/a.py", "from ...running import grant"),
        ("planning/__init__.py", "from ..running import grant"),
        ("planning/a.py", "def f():\n    from swardwright.running import grant"),
        ("planning/a.py", "import importlib\nimportlib.import_module('swardwright.shell')"),
        ("simulation/a.py", "from swardwright.planning import plan_round"),
        ("domain/a.py", "import scipy"),
        ("domain/a.py", "from cv2 import undistort"),
        ("domain/a.py", "from swardwright.locating import locate"),
    ],
)
def test_a_planted_violation_is_found(tmp_path: Path, module: str, text: str) -> None:
    path = tmp_path / module
    path.parent.mkdir(parents=True)
    path.write_text(text)
    assert len(violations(tmp_path)) == 1


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("locating/a.py", "from swardwright.domain.poses import Pose"),
        ("locating/a.py", "from swardwright.locating.chain import carry\nfrom . import chain\nimport scipy"),
        ("planning/deep/a.py", "from ..dose import dwell"),
        ("domain/a.py", "import math\nimport numpy as np\nfrom defusedxml import ElementTree\nfrom .poses import Pose"),
        ("shell/a.py", "from swardwright.planning import plan_round\nfrom swardwright.simulation import robot"),
    ],
)
def test_what_the_rule_allows_passes(tmp_path: Path, module: str, text: str) -> None:
    path = tmp_path / module
    path.parent.mkdir(parents=True)
    path.write_text(text)
    assert violations(tmp_path) == []

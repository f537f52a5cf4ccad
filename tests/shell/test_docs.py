"""The docs say what is so: links lead somewhere, commands exist, the example robot is a robot."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from types import ModuleType
from typing import Any

import click
import pytest

from swardwright.domain.errors import RobotFaultError
from swardwright.domain.robot import Robot
from swardwright.shell.command_line import main as cli

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_inside_the_project_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} points to {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_commands_in_the_docs_exist_with_their_options(page: Path) -> None:
    for line in re.findall(r"^ {4}swardwright (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE):
        name, *words = shlex.split(line, comments=True)
        context = click.Context(cli)
        command = cli.get_command(context, name)
        while isinstance(command, click.Group):
            command = command.get_command(context, words.pop(0))
        assert command is not None, f"{page.name}: there is no command {name}"
        known = {option for parameter in command.params for option in parameter.opts}
        for word in words:
            if word.startswith("--"):
                assert word in known, f"{page.name}: {name} has no {word}"


def test_the_example_robot_keeps_the_protocol_and_knows_nothing_that_it_did_not_measure(story: Any) -> None:
    text = (ROOT / "docs" / "how-to" / "own-robot.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.+?)```", text, flags=re.DOTALL)
    module = ModuleType("my_robot")
    exec(code, module.__dict__)
    robot = module.connect(Path("."), story.site)
    assert isinstance(robot, Robot)
    state = robot.state()
    assert len(state.base_covariance) == 9
    assert len(state.joints_rad) == len(story.site.rig.arm.moving)
    assert (state.emergency_stop, state.dead_man_held, state.nearest_person_m) == (None, None, None)
    assert robot.picture().image.shape == (960, 1280, 3)
    assert robot.heat(3.0).heated_s == 0.0
    assert robot.light(False).flame_lit is None
    with pytest.raises(RobotFaultError):
        robot.light(True)

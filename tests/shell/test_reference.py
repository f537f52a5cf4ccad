"""The reference pages are the program's own words; ``make reference`` writes them."""

from __future__ import annotations

from pathlib import Path

import click

from swardwright.shell.command_line import main as cli
from swardwright.shell.reference import commands_page, site_page
from swardwright.shell.site_form import SiteForm

DOCS = Path(__file__).parents[2] / "docs"


def test_every_command_and_option_is_documented() -> None:
    text = (DOCS / "reference" / "commands.md").read_text(encoding="utf-8")
    names = cli.list_commands(click.Context(cli))
    assert len(names) >= 15
    for name in names:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        assert f"\n## {name}\n" in text, f"{name} is not documented: run make reference"
        assert (command.help or "").strip(), f"{name} says nothing about itself"
        for parameter in command.params:
            for option in parameter.opts:
                if option.startswith("--"):
                    assert option in text, f"{name} {option} is not documented: run make reference"


def test_the_pages_are_what_the_program_says_today() -> None:
    assert (DOCS / "reference" / "commands.md").read_text(encoding="utf-8") == commands_page(cli), "make reference"
    assert (DOCS / "reference" / "site-file.md").read_text(encoding="utf-8") == site_page(), "make reference"


def test_every_field_of_the_site_file_is_listed() -> None:
    page = site_page()
    assert "| `latitude` | angle | -90 to 90 deg |" in page
    for name, field in SiteForm.model_fields.items():
        inner = getattr(field.annotation, "model_fields", None)
        for listed in [name] if inner is None and "Form" not in str(field.annotation) else inner or ():
            assert f"| `{listed}` |" in page

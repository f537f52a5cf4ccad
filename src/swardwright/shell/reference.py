"""The reference pages, made from the program itself: ``python -m swardwright.shell.reference docs/reference``."""

from __future__ import annotations

import math
import sys
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from swardwright.domain.units import SI_UNIT
from swardwright.shell.site_form import Quantity, SiteForm

_MADE = "<!-- Made by `make reference` from the program: do not edit. -->\n\n"


def commands_page(cli: click.Group) -> str:
    """Return every command with its usage, help and options, as Markdown."""
    parts = [_MADE, "# Commands\n"]
    settings = {**cli.context_settings, "terminal_width": 100}  # the same on every screen
    root = click.Context(cli, info_name="swardwright", **settings)
    for name, command, parent in _commands(cli, root):
        with click.Context(command, info_name=name, parent=parent, terminal_width=100) as context:
            text = command.get_help(context)
            title = context.command_path.partition(" ")[2]
        parts.append(f"\n## {title}\n\n```\n{text.rstrip()}\n```\n")
    return "".join(parts)


def _commands(group: click.Group, context: click.Context) -> Iterator[tuple[str, click.Command, click.Context]]:
    """Yield every command by name with the context it is called in, those of groups within too."""
    for name in sorted(group.list_commands(context)):
        command = group.get_command(context, name)
        if command is None:
            continue
        yield name, command, context
        if isinstance(command, click.Group):
            yield from _commands(command, click.Context(command, info_name=name, parent=context, terminal_width=100))


def site_page() -> str:
    """Return every field of ``site.toml`` with what is possible for it, as Markdown."""
    lines = [
        _MADE + "# Fields of `site.toml`",
        "",
        'A quantity is text with its unit, such as `"3 cm"`. A field that may not be left out',
        "must be there; a field that is not listed here is an error. Ranges are in SI units, angles in degrees.",
        "",
        "| field | what | possible |",
        "| --- | --- | --- |",
    ]
    tables: list[type[BaseModel]] = []
    for name, field in SiteForm.model_fields.items():
        table = _table_of(field.annotation)
        if table is None:
            lines.append(_row(name, field))
        else:
            tables.append(table)
    for table in tables:
        title, _, what = (table.__doc__ or "").strip().replace("``", "`").partition(": ")
        lines += [
            "",
            f"## {title}",
            "",
            what[:1].upper() + what[1:],
            "",
            "| field | what | possible |",
            "| --- | --- | --- |",
        ]
        lines += [_row(inner, field) for inner, field in table.model_fields.items()]
    return "\n".join(lines) + "\n"


def _table_of(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((t for inner in typing.get_args(annotation) if (t := _table_of(inner)) is not None), None)


def _row(name: str, field: FieldInfo) -> str:
    what, possible = _meaning(field.annotation, field.metadata)
    if not field.is_required():
        possible += "; may be left out" if possible else "may be left out"
    return f"| `{name}` | {what} | {possible} |"


def _meaning(annotation: Any, metadata: list[Any]) -> tuple[str, str]:
    for mark in metadata:
        if isinstance(mark, Quantity):
            angle = mark.dimension == "angle"
            low, high = (math.degrees(v) if angle else v for v in (mark.low, mark.high))
            unit = "deg" if angle else SI_UNIT[mark.dimension].replace("1", "")
            return mark.dimension, f"{'more than ' if mark.above else ''}{low:g} to {high:g} {unit}".rstrip()
    limits = {}
    for mark in metadata:
        for key in ("ge", "gt", "le", "min_length", "max_length"):
            if getattr(mark, key, None) is not None:
                limits[key] = getattr(mark, key)
    words = {"ge": "{:g} or more", "gt": "more than {:g}", "le": "{:g} at most"}
    if annotation in (int, float):
        return "number", ", ".join(words[key].format(value) for key, value in limits.items() if key in words)
    if annotation is bool:
        return "`true` or `false`", ""
    if annotation is str or any(str in (a, *typing.get_args(a)) for a in typing.get_args(annotation)):
        return "text", f"{limits['max_length']} characters at most" if "max_length" in limits else ""
    return "list", f"{limits.get('min_length', 0)} to {limits['max_length']} entries" if "max_length" in limits else ""


def main(out: Path) -> None:
    """Write the pages into ``out``."""
    from swardwright.shell.command_line import main as cli

    out.mkdir(parents=True, exist_ok=True)
    (out / "commands.md").write_text(commands_page(cli), encoding="utf-8")
    (out / "site-file.md").write_text(site_page(), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""Change single fields of a person's ``site.toml``: comments and order stay, and the old file is kept beside it."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from swardwright.domain.errors import SiteError
from swardwright.shell.camera_file import read_text
from swardwright.shell.site_file import MAX_SITE_BYTES, SITE_FILE, parse_site

_HEADER = re.compile(r"^\s*\[")


def with_fields(text: str, table: str, fields: Mapping[str, str]) -> str:
    """Return the text of a site file in which ``[table]`` has these fields (quantities as text, ``"8 mm"``).

    Raises
    ------
    SiteError
        If there is no such table, or the file would no longer be read as it should.
    """
    lines = text.splitlines()
    header = re.compile(rf"^\s*\[\s*{re.escape(table)}\s*\]\s*(#.*)?$")
    start = next((i for i, line in enumerate(lines) if header.match(line)), None)
    if start is None:
        raise SiteError(f"the file has no table [{table}]", where=SITE_FILE,
                        remedy="paste the printed lines by hand")  # fmt: skip
    end = next((i for i in range(start + 1, len(lines)) if _HEADER.match(lines[i])), len(lines))
    last = max(
        (i for i in range(start, end) if lines[i].strip() and not lines[i].lstrip().startswith("#")), default=start
    )
    added = []
    for field, value in fields.items():
        own = re.compile(rf"^(\s*{re.escape(field)}\s*=\s*)(\"[^\"]*\"|'[^']*'|[^#\s]+)(.*)$")
        at = next((i for i in range(start + 1, end) if own.match(lines[i])), None)
        if at is None:
            added.append(f'{field} = "{value}"')
        else:
            lines[at] = own.sub(lambda m, v=value: f'{m.group(1)}"{v}"{m.group(3)}', lines[at])  # type: ignore[misc]
    lines[last + 1 : last + 1] = added
    changed = "\n".join(lines) + "\n"
    parse_site(changed)
    now = tomllib.loads(changed)[table]
    if any(now.get(field) != value for field, value in fields.items()):
        raise SiteError("the file is written in a way that cannot be changed line by line", where=SITE_FILE,
                        remedy="paste the printed lines by hand")  # fmt: skip
    return changed


def write_fields(folder: Path, changes: Mapping[str, Mapping[str, str]]) -> Path:
    """Write fields (by table) into the site file and return where the old one is kept."""
    path = folder / SITE_FILE
    old = text = read_text(path, MAX_SITE_BYTES, "name a site folder")
    for table, fields in changes.items():
        text = with_fields(text, table, fields)
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    kept = next(p for n in range(1000) if not (p := folder / f"site.{stamp}{f'-{n}' if n else ''}.kept.toml").exists())
    part = folder / f".{SITE_FILE}.part"
    try:
        kept.write_text(old, encoding="utf-8")
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise SiteError(f"the site file cannot be written ({error.strerror})", where=SITE_FILE,
                        remedy="paste the printed lines by hand") from error  # fmt: skip
    return kept


def lines_to_paste(changes: Mapping[str, Mapping[str, str]]) -> list[str]:
    """Return the lines as a person pastes them."""
    out = []
    for table, fields in changes.items():
        out.append(f"[{table}]")
        out += [f'{field} = "{value}"' for field, value in fields.items()]
    return out


__all__ = ["lines_to_paste", "with_fields", "write_fields"]

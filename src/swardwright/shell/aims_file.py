"""``aims.csv``: where the head was aimed on a test sheet, and for how long.

A header line and one line for each aim: ``aim`` (name), ``x_mm``, ``y_mm`` (or ``_cm``, ``_m``, ``_in``; sheet axes: x
right, y down as one looks at the sheet), ``dwell_s``; where they are known ``spin_deg`` (from the sheet's x to the head
link's x, towards the sheet's y), ``tilt_deg``, ``tilt_towards_deg``; ``picture`` where several sheets were taken.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import TYPE_CHECKING

from swardwright.domain.errors import InputError
from swardwright.domain.units import parse_quantity

if TYPE_CHECKING:
    from swardwright.locating.calibration.marks import Aimed

MAX_BYTES, MAX_ROWS = 1_000_000, 2_000
LENGTHS = ("mm", "cm", "m", "in")
_HEADER = "aim,x_mm,y_mm,dwell_s"


def read_aims(path: Path, *, unit: str | None = None, spin_rad: float = 0.0) -> dict[str, list[Aimed]]:
    """Return the aims by picture name (``""``: no picture named).

    Parameters
    ----------
    unit : str, optional
        Unit of columns ``x`` and ``y`` that do not name theirs.
    spin_rad : float
        Of aims without a spin of their own.

    Raises
    ------
    InputError
        Naming file, line and column of what cannot be used.
    """
    from swardwright.locating.calibration.marks import Aimed

    remedy = f"write a header line {_HEADER} and one line for each aim"
    reader = csv.DictReader(_text(path, remedy).splitlines())
    columns = [str(c).strip() for c in reader.fieldnames or ()]
    reader.fieldnames = columns
    x, y = (_length_column(columns, axis, unit, path.name) for axis in "xy")
    missing = [c for c in ("aim", "dwell_s") if c not in columns]
    if missing:
        raise InputError("columns are missing", where=path.name, field=", ".join(missing),
                         value=", ".join(columns) or "an empty file", remedy=remedy)  # fmt: skip
    out: dict[str, list[Aimed]] = {}
    names: set[str] = set()
    for line, row in enumerate(reader, start=2):
        if line > MAX_ROWS + 1:
            raise InputError("the file has too many lines", where=path.name, limit=MAX_ROWS)
        where = f"{path.name}, line {line}"
        name = str(row.get("aim") or "").strip()
        if not name or name in names:
            raise InputError("each aim needs a name of its own", where=where, field="aim", value=repr(name),
                             remedy="number the aims")  # fmt: skip
        names.add(name)
        dwell = _number(row, "dwell_s", where)
        if not 0 < dwell <= 600:
            raise InputError("a dwell time must be possible", where=where, field="dwell_s", value=dwell,
                             limit="more than 0, at most 600 s", remedy="write the seconds of full flame")  # fmt: skip
        spin, tilt, towards = (
            math.radians(_number(row, c, where)) if str(row.get(c) or "").strip() else default
            for c, default in (("spin_deg", spin_rad), ("tilt_deg", 0.0), ("tilt_towards_deg", 0.0))
        )
        if not 0 <= tilt < math.radians(80):
            raise InputError("a tilt must be from 0 to 80 degrees", where=where, field="tilt_deg",
                             value=math.degrees(tilt))  # fmt: skip
        x_m, y_m = (parse_quantity(f"{_number(row, c, where)!r} {u}", "length") for c, u in (x, y))
        aim = Aimed(name, x_m, y_m, dwell, spin, tilt, towards)
        out.setdefault(str(row.get("picture") or "").strip(), []).append(aim)
    if not out:
        raise InputError("the file has no aims", where=path.name, remedy=remedy)
    return out


def _text(path: Path, remedy: str) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError("the file is too large", where=path.name, limit=f"{MAX_BYTES} bytes", remedy=remedy)
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise InputError("there is no such file", where=str(path), field="--aims", remedy=remedy) from error
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("the file is not text", where=path.name, field="--aims", remedy=remedy) from error


def _length_column(columns: list[str], axis: str, unit: str | None, where: str) -> tuple[str, str]:
    found = [(c, c[2:]) for c in columns if c.startswith(f"{axis}_") and c[2:] in LENGTHS]
    if unit is not None and axis in columns:
        found.append((axis, unit))
    if len(found) != 1:
        raise InputError(f"one column with {axis} and its unit is needed", where=where, field=axis,
                         value=", ".join(columns) or "an empty file", limit=f"such as {axis}_mm",
                         remedy="name the unit in the header, or give --unit for plain x and y")  # fmt: skip
    return found[0]


def _number(row: dict[str, str], column: str, where: str) -> float:
    text = str(row.get(column) or "").strip()
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError("a finite number is needed", where=where, field=column, value=repr(text),
                         remedy="mend the line or leave it out")  # fmt: skip
    return value

"""``budget``: how wrong the rig is, where that comes from, what it costs, and what is the cheapest way to shrink it."""

from __future__ import annotations

import contextlib
import math
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swardwright.domain.errors import InputError, SwardwrightError
from swardwright.shell.commanding import json_option, say, site_argument
from swardwright.shell.saying import Said
from swardwright.shell.site_budget import LOOKS_MAX, SiteBudget, budget_of, plural, register_line, shared_by

if TYPE_CHECKING:
    from swardwright.domain.site import Site
    from swardwright.locating.budget import ErrorBudget
    from swardwright.locating.fixing import Fix
    from swardwright.shell.open_site import OpenSite

FIGURE = "error-budget.png"


@click.command("budget")
@site_argument
@click.option("--at", "place", default=None, metavar="'X, Y'",
              help="One place in base axes, such as '0.8 m, 0.1 m'  [default: the mean over the reach]")  # fmt: skip
@click.option("--looks", type=click.IntRange(1, LOOKS_MAX), default=1, show_default=True,
              help="Pictures that show a plant at a stop.")  # fmt: skip
@click.option("--kind", default=None, help="Price for this kind alone  [default: the register's mix, or all evenly]")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False),
              help=f"Where to write the figure (.png, .svg or .pdf)  [default: reports/{FIGURE}]")  # fmt: skip
@click.option("--force", is_flag=True, help="Overwrite the file that --out names.")
@json_option
def budget(site: Path, place: str | None, looks: int, kind: str | None, out: Path | None, force: bool) -> None:
    """Say how wrong the rig is, where that comes from, what it costs, and what to fix first.

    Example: swardwright budget green

    Example, one place and two pictures: swardwright budget green --at '0.8 m, 0.1 m' --looks 2
    """
    from swardwright.shell.open_site import opened

    at_m = _place(place)
    with opened(site) as at:
        path = _figure_path(at.folder, out, force)
        say(told(at, path, at_m=at_m, looks=looks, kind=kind))


def _place(text: str | None) -> tuple[float, float] | None:
    from swardwright.domain.units import parse_quantity

    if text is None:
        return None
    try:
        x, y = (parse_quantity(part.strip(), "length") for part in text.split(","))
    except (ValueError, SwardwrightError) as error:
        raise InputError("a place needs two lengths, x forward and y left of the base", where="budget", field="--at",
                         value=text, limit="text such as '0.8 m, -10 cm'",
                         remedy="write both with units and a comma between") from error  # fmt: skip
    return x, y


def _figure_path(folder: Path, out: Path | None, force: bool) -> Path:
    if out is None:
        return folder / "reports" / FIGURE
    if out.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise InputError("the figure's file needs a known ending", where="budget", field="--out", value=out.name,
                         limit=".png, .svg or .pdf", remedy="name the file with one of these")  # fmt: skip
    if out.exists() and not force:
        raise InputError("there is a file of that name already", where="budget", field="--out", value=str(out),
                         remedy="name another one, or add --force to overwrite it")  # fmt: skip
    return out


def told(opened: OpenSite, path: Path, **how: Any) -> Said:
    """Work the budget out, draw its figure to ``path`` and say it."""
    from swardwright.shell.budget_figure import budget_figure

    began_s = time.monotonic()
    result = budget_of(opened, **how)
    was_there = path.exists()
    part = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        budget_figure(part, opened.site, result)
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise InputError(f"the figure cannot be written ({error.strerror})", where=str(path),
                         remedy="name a place that you may write to with --out") from error  # fmt: skip
    data = as_data(result) | {"figure": str(path), "seconds": time.monotonic() - began_s}
    drawn = f"Figure: {path}" + (" (the one before was replaced)." if was_there else ".")
    return Said((*lines(opened.site, result), "", drawn), data)


def lines(site: Site, b: SiteBudget) -> list[str]:
    """Return the budget as a person reads it."""
    from swardwright.locating.fixing import mass_text

    what = "at that place" if b.at_m else f"mean over {len(b.landing.places_m)} places within reach"
    mark = " (invented data)" if site.invented else ""
    out = [
        f"{site.name}{mark}: heat lands within {1e3 * b.landing.sigma_m:.1f} mm of the crown (standard deviation per "
        f"axis, {what}, {plural(int(b.landing.looks), 'look')}).",
        f"A weed takes {mass_text(b.now.gas_kg)} of gas and scorches {1e4 * b.now.scorch_m2:.0f} cm2 of turf "
        f"({', '.join(f'{100 * share:.0f} % {name}' for name, share in b.kinds if share >= 0.005)}).",
        "",
        "  source         shared by   share   along   across   halved saves",
    ]
    halved = {fix.what: fix for fix in b.fixes}
    for part in b.landing.parts:
        fix = halved.get(part.source)
        if fix is None:
            continue
        along, across = (1e3 * math.sqrt(max(float(part.covariance_m2[i, i]), 0.0)) for i in (0, 1))
        saves = f"{mass_text(max(fix.saves_kg, 0.0)):>8}  {1e4 * max(fix.saves_m2, 0.0):5.1f} cm2"
        out.append(
            f"  {part.source:<13}  {shared_by(part):<10} {100 * b.landing.share(part):5.1f} %"
            f"{along:6.1f} mm {across:5.1f} mm   {saves}"
        )
    out += ["", f"  {_largest('A look at a stop', b.stop)}", f"  {_largest('The survey', b.survey)}"]
    if b.rows:
        out += ["", "  looks        one stop                         as many stops                    survey"]
        for row in b.rows:
            number = "no end" if math.isinf(row.looks) else f"{row.looks:.0f}"
            cells = [
                f"{1e3 * sigma:5.1f} mm {mass_text(p.gas_kg):>9} {1e4 * p.scorch_m2:5.0f} cm2"
                for sigma, p in ((row.sigma_m, row.price), (row.other_sigma_m, row.other_price))
            ]
            out.append(f"  {number:<8} {cells[0]:<32} {cells[1]:<31} {1e3 * row.survey_sigma_m:5.1f} mm")
    out += ["", "What to fix first:"]
    out += [f"  {n}. {sentence}" for n, sentence in enumerate(b.steps()[:6], start=1)]
    out += [f"  -  {fix.sentence}" for fix in b.actions if fix.saves_kg <= 0.0]
    if b.register is not None:
        out += ["", register_line(b.register)]
    return out + list(b.notes)


def _largest(name: str, b: ErrorBudget) -> str:
    top = ", ".join(f"{part.source} {100 * b.share(part):.0f} %" for part in b.parts[:3])
    return f"{name} ({plural(int(b.looks), 'look')}): {1e3 * b.sigma_m:.1f} mm per axis, of its variance {top}."


def as_data(b: SiteBudget) -> dict[str, Any]:
    """Return the budget as plain values, SI."""

    def split(one: ErrorBudget) -> dict[str, Any]:
        return {
            "looks": one.looks, "sigma_m": one.sigma_m, "covariance_m2": one.covariance_m2.tolist(),
            "sources": [
                {"source": p.source, "scope": str(p.scope), "share": one.share(p), "sigma_m": p.sigma_m,
                 "covariance_m2": p.covariance_m2.tolist()} for p in one.parts
            ],
        }  # fmt: skip

    def fix(one: Fix) -> dict[str, Any]:
        return {"what": one.what, "step": one.step, "sigma_m": one.sigma_m, "gas_kg": one.price.gas_kg,
                "scorch_m2": one.price.scorch_m2, "saves_kg": one.saves_kg, "saves_m2": one.saves_m2,
                "sentence": one.sentence}  # fmt: skip

    return {
        "at_m": b.at_m, "places": len(b.landing.places_m), "gas_kg": b.now.gas_kg, "scorch_m2": b.now.scorch_m2,
        "kinds": dict(b.kinds), "survey": split(b.survey), "stop": split(b.stop), "landing": split(b.landing),
        "fixes": [fix(f) for f in (*b.fixes, *b.removals)], "actions": [fix(f) for f in b.actions],
        "looks": [
            {"looks": None if math.isinf(r.looks) else r.looks, "sigma_m": r.sigma_m, "gas_kg": r.price.gas_kg,
             "scorch_m2": r.price.scorch_m2, "other_stops_sigma_m": r.other_sigma_m,
             "other_stops_gas_kg": r.other_price.gas_kg, "other_stops_scorch_m2": r.other_price.scorch_m2,
             "survey_sigma_m": r.survey_sigma_m} for r in b.rows
        ],
        "register": None if b.register is None else vars(b.register), "notes": list(b.notes),
    }  # fmt: skip


__all__ = ["as_data", "budget", "lines", "told"]

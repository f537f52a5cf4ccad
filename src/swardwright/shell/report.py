"""The report of one round: a self-contained HTML page, with GeoJSON and CSV beside it."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from swardwright import __version__
from swardwright.domain.errors import InputError
from swardwright.domain.event import JournalEntry, RoundRecord
from swardwright.domain.outcome import Outcome
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.shell import report_rows as rows
from swardwright.shell.agreement_words import brief
from swardwright.shell.budget_chart import Told
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.geojson import collection
from swardwright.shell.plan_files import plan_pictures
from swardwright.shell.report_map import plan_view

_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$")


def write_report(
    folder: Path,
    *,
    site: Site,
    register: Register,
    plan: Plan | None = None,
    permit: Permit | None = None,
    record: RoundRecord | None = None,
    journal: Sequence[JournalEntry] = (),
    after: Register | None = None,
    outcome: Outcome | None = None,
    budget: Told | None = None,
    truth: rows.Truth | None = None,
) -> Path:
    """Write ``NAME.html``, ``NAME.geojson`` and ``NAME.csv`` into ``folder`` and return the page's path.

    Where the plan's own files lie there too, the page shows their pictures.

    Parameters
    ----------
    register : Register
        The revision that the plan was made from.
    after : Register, optional
        The revision of the later look.
    budget : Told, optional
        From ``budget_chart.told``; shown when there is one.
    truth : Truth, optional
        Adds truth columns; only an invented site has one.

    Raises
    ------
    InputError
        If the plan's id cannot be a file name.
    """
    name = plan.id if plan is not None else f"register-{register.revision}"
    if not _NAME.match(name):
        raise InputError(
            "the plan's id cannot be a file name", field="plan id", value=name, limit="letters, digits, '-', '_', '.'"
        )
    fates = {f.weed_id: f.fate for f in outcome.fates} if outcome else {}
    weeds = rows.weed_rows(site, register, plan, record, outcome, truth)
    page = render(
        site=site,
        register=register,
        plan=plan,
        permit=permit,
        record=record,
        journal=journal,
        after=after,
        outcome=outcome,
        budget=budget,
        truth=truth,
        weeds=weeds,
        fates=fates,
        name=name,
        pictures=plan_pictures(folder / plan.id) if plan is not None else (),
    )
    folder.mkdir(parents=True, exist_ok=True)
    features = json.dumps(collection(site, register, plan, fates), indent=1, allow_nan=False)
    write_whole(folder / f"{name}.geojson", features + "\n")
    write_whole(folder / f"{name}.csv", rows.weed_csv(weeds))
    path = folder / f"{name}.html"
    write_whole(path, page)
    return path


def render(*, site: Site, register: Register, plan: Plan | None, fates: dict[str, str], **more: Any) -> str:
    """Return the page as text; ``more`` is what the template names."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("swardwright.shell", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    record, outcome, permit, journal = more["record"], more["outcome"], more["permit"], more["journal"]
    columns, cells = rows.weed_cells(more.pop("weeds"), more["truth"] is not None)
    return environment.get_template("report.html").render(
        site=site,
        register=register,
        plan=plan,
        drawing=plan_view(site, register, plan, fates),
        agreed=brief(register, site),
        figures=rows.figures(site, register, plan, record, outcome),
        refusals=rows.not_done(plan, record),
        supplies=rows.supply_rows(site, plan, record) if plan else [],
        permit_rows=rows.permit_rows(permit) if permit else [],
        journal_counts=rows.journal_counts(journal),
        journal_rows=rows.journal_rows(journal),
        columns=columns,
        weeds=cells,
        cautions=CAUTIONS if plan is not None else (),
        moment=rows.moment,
        percent=rows.percent,
        plural=rows.plural,
        controls_interval=_controls_interval(outcome),
        version=__version__,
        **more,
    )


def _controls_interval(outcome: Outcome | None) -> tuple[float, float] | None:
    """Return the 95 % Wilson interval of the controls' mortality."""
    if outcome is None or not outcome.controls:
        return None
    from swardwright.scoring import wilson

    return wilson(outcome.controls_dead, outcome.controls)


def write_whole(path: Path, text: str) -> None:
    """Write whole or not at all."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8", newline="")
    os.replace(part, path)

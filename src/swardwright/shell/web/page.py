"""The page of a site: what to do next, what stands and what is stale, the map, the register."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import asdict
from importlib.resources import files
from typing import Any

from markupsafe import Markup
from nicegui import ui

from swardwright.domain.units import KG_M2_PER_KG_HA
from swardwright.shell import report_rows
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.report_map import Drawing, plan_view
from swardwright.shell.web.plan_view import PlanView
from swardwright.shell.web.view import View

STYLE = files("swardwright.shell.web").joinpath("page.css").read_text(encoding="utf-8")


def build(view: View, folder: str, is_changed: Callable[[], bool]) -> None:
    """Build the page for one visitor.

    Parameters
    ----------
    folder : str
        How the site folder is named in commands.
    is_changed : callable
        Whether the site folder has changed since ``view`` was read.
    """
    ui.add_css(STYLE)
    ui.colors(primary="#4f6b34")
    fates = {f.weed_id: f.fate for f in view.outcome.fates} if view.outcome else {}
    drawing = plan_view(view.site, view.register, view.plan, fates)
    rows = (
        report_rows.weed_rows(view.site, view.register, view.plan, view.record, view.outcome) if view.register else []
    )
    with ui.element("main").classes("page"):
        _html(_head(view))
        _html(_cautions())
        _newer(is_changed)
        _html(_status(view, folder))
        if view.register is not None:
            _html(_figures(view))
        with ui.element("section"):
            _html(Markup("<h2>Map</h2>"))
            told = _Told(rows)
            chart = _map(drawing, told)
        with ui.element("section"):
            _html(Markup("<h2>Register</h2>"))
            _register(rows, view, chart, told)
        if view.reports:
            _html(_reports(view))


def build_error(sentence: str, remedy: str | None) -> None:
    """Build the page that says why the site cannot be shown."""
    ui.add_css(STYLE)
    with ui.element("main").classes("page"):
        _html(Markup("<h1>The site cannot be shown</h1><p>{}</p><p>{}</p>").format(sentence, remedy or ""))


class _Told:
    """The line under the map about the picked weed."""

    def __init__(self, rows: list[report_rows.WeedRow]) -> None:
        self.rows = {row.weed: row for row in rows}
        self.label: ui.label | None = None

    def tell(self, weed_id: str) -> None:
        row = self.rows.get(weed_id)
        if row is None or self.label is None:
            return
        parts = [
            f"{row.weed}: {row.kind} ({report_rows.percent(row.kind_probability)} sure)",
            f"present {report_rows.percent(row.presence)}",
            f"at {row.x_m:.3f} m east, {row.y_m:.3f} m north",
            f"95\u00a0% ellipse {1000 * row.ellipse_95_long_m:.0f} × {1000 * row.ellipse_95_short_m:.0f} mm",
            row.decision,
        ]
        if row.hold_s is not None:
            parts.append(f"hold {row.hold_s:.1f} s")
        if row.fate is not None:
            parts.append(f"found {row.fate}")
        self.label.set_text(", ".join(part for part in parts if part != "–"))


def _html(content: Markup) -> ui.html:
    """Show our own markup: every outside text in it went through ``escape``."""
    return ui.html(str(content), sanitize=False).classes("plain")


def _head(view: View) -> Markup:
    mark = Markup('<div class="invented">Invented data</div>') if view.site.invented else Markup()
    return Markup("{}<h1>{}</h1>").format(mark, view.site.name)


def _cautions() -> Markup:
    rest = Markup().join(Markup("<li>{}</li>").format(text) for text in CAUTIONS[1:])
    return Markup(
        '<div class="cautions" role="note"><strong>{}</strong><details><summary>Before any flame is lit</summary>'
        "<ul>{}</ul></details></div>"
    ).format(CAUTIONS[0], rest)


def _newer(is_changed: Callable[[], bool]) -> None:
    with ui.element("div").classes("newer") as bar:
        ui.label("The site folder has changed since this page was made.")
        ui.button("Show the new state", on_click=lambda: ui.navigate.reload()).props("no-caps unelevated")
    bar.set_visibility(False)

    def look() -> None:
        if is_changed():
            bar.set_visibility(True)

    ui.timer(3.0, look)


def _status(view: View, folder: str) -> Markup:
    status = view.status
    command = f"swardwright {status.next_command} {shlex.quote(folder)}"
    line = Markup('<li class="{}"><span class="state">{}</span> {} <span class="why">{}</span></li>')
    lines = []
    for s in status.standings:
        word = "✓ stands" if s.state == "stands" else "! stale"
        lines.append(
            line.format(s.state, word, s.name, s.why or (report_rows.moment(s.made_at_s) if s.made_at_s else ""))
        )
    nothing = Markup("<li>Nothing has been stored yet.</li>")
    doubt = Markup('<p class="cautions"><strong>Doubtful.</strong> {}</p>').format(status.doubt) if status.doubt else ""
    reason = status.next_reason[:1].upper() + status.next_reason[1:] + "."
    return Markup(
        '<section><h2>Status</h2>{}<p class="next"><span>Next</span> <code>{}</code><br>{}</p>'
        '<ul class="standings">{}</ul></section>'
    ).format(doubt, command, reason, Markup().join(lines) or nothing)


def _figures(view: View) -> Markup:
    assert view.register is not None
    found = report_rows.figures(view.site, view.register, view.plan, view.record, view.outcome)
    cells = [
        Markup('<div><dt>{}</dt><dd><div class="value">{}</div><div class="note">{}</div></dd></div>').format(
            f.name, f.value, f.note
        )
        for f in found
    ]
    return Markup('<dl class="figures">{}</dl>').format(Markup().join(cells))


def _map(drawing: Drawing, told: _Told) -> PlanView:
    chart = PlanView(str(drawing.svg), told.tell)
    chart.classes("plan-view-host")
    with ui.element("div").classes("layers"):
        for layer in ("weeds", "ellipses", "stops", "route"):
            if f'class="layer-{layer}"></g>' in drawing.svg:
                continue

            def toggle(event: Any, name: str = layer) -> None:
                chart.classes(**{"remove" if event.value else "add": f"hide-{name}"})

            ui.checkbox(layer, value=True, on_change=toggle)
    legend = [Markup("<li>{} {}</li>").format(icon, text) for icon, text in drawing.legend]
    _html(Markup('<ul class="legend">{}</ul>').format(Markup().join(legend)))
    told.label = ui.label("Pick a weed on the map or in the table to read about it.").classes("told")
    told.label.props('aria-live="polite"')
    return chart


def _register(rows: list[report_rows.WeedRow], view: View, chart: PlanView, told: _Told) -> None:
    if view.register is None:
        ui.label("There is no register yet.")
        return

    def column(name: str, label: str, digits: int | None = None, factor: float = 1.0, unit: str = "") -> dict[str, Any]:
        made: dict[str, Any] = {"name": name, "field": name, "label": label, "sortable": True}
        made["align"] = "left" if digits is None else "right"
        if digits is None:
            made[":format"] = "v => v ?? '–'"
        else:
            made[":format"] = f"v => v == null ? '–' : (v * {factor!r}).toFixed({digits}) + '{unit}'"
        return made

    columns = [
        column("weed", "weed"),
        column("kind", "kind"),
        column("kind_probability", "kind sure", 0, 100, " %"),
        column("presence", "present", 0, 100, " %"),
        column("decision", "decision"),
        column("fate", "fate"),
        column("x_m", "east, m", 3),
        column("y_m", "north, m", 3),
        column("ellipse_95_long_m", "95 % axis, mm", 0, 1000),
        column("radius_m", "radius, mm", 0, 1000),
        column("hold_s", "hold, s", 1),
        column("dose_kg_m2", "dose, kg/ha", 0, 1 / KG_M2_PER_KG_HA),
        column("expected_kill", "kill", 0, 100, " %"),
    ]
    search = ui.input(placeholder="Find: weed, kind, decision, fate").props(
        'clearable dense outlined aria-label="Find"'
    )
    search.classes("find")
    table = ui.table(
        rows=[asdict(row) for row in rows],
        columns=columns,
        row_key="weed",
        pagination={"rowsPerPage": 25, "sortBy": "weed"},
    )
    table.props("flat dense binary-state-sort").classes("register")
    search.bind_value_to(table, "filter", forward=lambda value: value or "")

    def row_clicked(event: Any) -> None:
        row = event.args[1] if isinstance(event.args, list) and len(event.args) > 1 else None
        if isinstance(row, dict) and isinstance(row.get("weed"), str):
            told.tell(row["weed"])
            chart.choose(row["weed"])

    table.on("row-click", row_clicked, [[], ["weed"], None])


def _reports(view: View) -> Markup:
    links = [
        Markup('<li><a href="/reports/{}" target="_blank" rel="noopener">{}</a></li>').format(name, name)
        for name in view.reports
    ]
    return Markup("<section><h2>Reports</h2><ul>{}</ul></section>").format(Markup().join(links))

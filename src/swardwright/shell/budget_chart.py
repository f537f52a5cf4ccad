"""The error budget in a round report: a stacked chart as inline SVG, a table, and what to fix first in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from swardwright.domain.errors import SwardwrightError
from swardwright.locating.budget import ErrorBudget, sources
from swardwright.locating.fixing import mass_text
from swardwright.shell.report_map import COLOURS
from swardwright.shell.site_budget import SiteBudget, plural, register_line, shared_by

#: sources with less than this share of every bar are drawn together
SMALL = 0.03
REST, REST_INK = "#c9c4b4", "#24241f"
_WIDTH, _BAR, _ROW = 450.0, 34.0, 74.0


@dataclass(frozen=True)
class Told:
    """What the report says of the error budget; ``chart`` empty where there is only a reason why there is none."""

    sentence: str
    chart: Markup
    legend: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    steps: tuple[str, ...]
    register: str


def told(budget: SiteBudget) -> Told:
    """Return the report's words and drawing of a budget."""
    landing = budget.landing
    sentence = (
        f"Heat lands within {1e3 * landing.sigma_m:.1f} mm of the crown (1 s.d. per axis, mean over what "
        f"the arm reaches, from {plural(int(landing.looks), 'look')} at a stop). So a weed takes "
        f"{mass_text(budget.now.gas_kg)} of gas and scorches {1e4 * budget.now.scorch_m2:.0f} cm² of turf."
    )
    colours = colours_of((landing, budget.stop, budget.survey))
    halved = {fix.what: fix for fix in budget.fixes}
    rows = []
    for part in landing.parts:
        if part.source not in halved:
            continue
        fix = halved[part.source]
        along, across = (1e3 * math.sqrt(max(float(part.covariance_m2[i, i]), 0.0)) for i in (0, 1))
        rows.append((
            word(part.source), shared_by(part), f"{100 * landing.share(part):.0f}\u00a0%",
            f"{along:.1f}", f"{across:.1f}", mass_text(max(fix.saves_kg, 0.0)),
            f"{1e4 * max(fix.saves_m2, 0.0):.1f}\u00a0cm²",
        ))  # fmt: skip
    legend = tuple((word(source), colour) for source, colour in colours.items())
    return Told(
        sentence, chart_svg(budget), (*legend, ("all others", REST)), tuple(rows),
        tuple(step.replace("cm2", "cm²") for step in budget.steps()[:3]),
        register_line(budget.register) if budget.register else "",
    )  # fmt: skip


def no_budget(error: SwardwrightError) -> Told:
    """Return a report's words where there is no budget."""
    remedy = f" To mend it: {error.remedy}." if error.remedy else ""
    return Told(f"There is no error budget: {error.sentence()}{remedy}", Markup(), (), (), (), "")


def word(source: str) -> str:
    """Return a source's name as people read it."""
    return {"landing": "flame's scatter", "head_offset": "head's offset", "joint_offset": "joint zeros",
            "camera_pose": "camera pose"}.get(source, source)  # fmt: skip


def colours_of(bars: Sequence[ErrorBudget]) -> dict[str, str]:
    """Return source -> colour, for the sources that are drawn by themselves; the largest first."""
    drawn = [s for s in sources(bars) if any((p := b.part(s)) is not None and b.share(p) >= SMALL for b in bars)]
    return dict(zip(drawn, COLOURS, strict=False))


def chart_svg(budget: SiteBudget) -> Markup:
    """Return the stacked chart: one bar for a survey, one for a look at a stop, one for the landing of heat."""
    bars = (
        (f"survey, {plural(int(budget.survey.looks), 'look')}", budget.survey),
        ("look at a stop", budget.stop),
        ("landing of heat", budget.landing),
    )
    colours = colours_of([one for _, one in bars])
    height = _ROW * len(bars) + 2
    said = "; ".join(f"{name} {1e3 * one.sigma_m:.1f} mm" for name, one in bars)
    out = [
        Markup('<svg class="chart budget" viewBox="0 0 {w:.0f} {h:.0f}" role="img" aria-label="{label}">').format(
            w=_WIDTH, h=height, label=f"Share of the error's variance by source: {said}"
        )
    ]
    for n, (name, one) in enumerate(bars):
        top = _ROW * n
        text = Markup('<text x="0" y="{y:.0f}">{name}: {mm:.1f} mm</text>')
        out.append(text.format(y=top + 17, name=name, mm=1e3 * one.sigma_m))
        out.append(_bar(one, colours, top + 25))
    out.append(Markup("</svg>"))
    return Markup("").join(out)


def _bar(one: ErrorBudget, colours: dict[str, str], top: float) -> Markup:
    shares = [(word(s), colour, one.share(p)) for s, colour in colours.items() if (p := one.part(s)) is not None]
    shares.append(("all others", REST, max(1.0 - sum(share for _, _, share in shares), 0.0)))
    x, out = 0.0, []
    for name, colour, share in shares:
        width = _WIDTH * share
        if width < 0.3:
            continue
        out.append(
            Markup('<rect x="{x:.1f}" y="{y:.0f}" width="{w:.1f}" height="{h:.0f}" fill="{c}" stroke="#fff">'
                   "<title>{t}</title></rect>").format(x=x, y=top, w=width, h=_BAR, c=colour,
                                                       t=f"{name} {100 * share:.0f} %")
        )  # fmt: skip
        told_ = f"{name} {100 * share:.0f} %" if width > 9.0 * (len(name) + 5) else f"{100 * share:.0f} %"
        if width > 44:
            ink = REST_INK if colour == REST else "#fff"
            out.append(
                Markup('<text x="{x:.1f}" y="{y:.0f}" text-anchor="middle" style="stroke:none;fill:{ink}">{t}</text>')
                .format(x=x + width / 2, y=top + _BAR / 2 + 5, ink=ink, t=escape(told_))
            )  # fmt: skip
        x += width
    return Markup("").join(out)

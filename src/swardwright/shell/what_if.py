"""``plan --what-if``: the same round with one thing of the robot better, as a table that a builder can act on."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from swardwright.domain.errors import SwardwrightError
from swardwright.shell.planning_round import noon_s
from swardwright.shell.saying import Said
from swardwright.shell.status import model_card
from swardwright.shell.store import need

if TYPE_CHECKING:
    from datetime import datetime

    from swardwright.domain.plan import Plan
    from swardwright.domain.site import Rig, Site
    from swardwright.domain.weed import Register
    from swardwright.planning.sensitivity import Figures, Row
    from swardwright.shell.open_site import OpenSite
    from swardwright.shell.site_budget import SiteBudget

#: less than these counts as nothing: a tenth of a gram, a square centimetre, a tenth of a minute
LEAST_KG, LEAST_M2, LEAST_S = 5e-5, 1e-4, 6.0
#: sources of the budget that belong to where heat lands, and not to where the plant is
LANDING = ("landing", "head_offset")

HEADINGS = f"{'':<23}{'gas':>8}{'scorched':>11}{'time':>10}{'stops':>6}{'refused':>8}{'kills':>7}{'worth':>7}"


def what_if(
    opened: OpenSite, *, seed: int, day: datetime | None, show: Callable[[str], None]
) -> Said:  # fmt: skip
    """Plan the next round as it is and with one thing better at a time; nothing is stored.

    Parameters
    ----------
    day : datetime | None
        As for ``plan_site``.
    show : callable
        Told what is being planned: each is a whole plan.
    """
    from swardwright.planning import plan_round
    from swardwright.planning.sensitivity import compare, figures, variants
    from swardwright.shell.reach_cache import recall_reach

    register = need(opened.store.register(), "register", f"locate {opened.folder}")
    opened.must_stand(f"register {register.revision}")
    site, at_s = opened.site, noon_s(opened.site, day)
    show("planning the round as it is")
    recall_reach(opened.folder, opened.site.rig)
    began_s = time.monotonic()
    found = model_card(opened.folder, site).detection_probability
    plan = plan_round(register, site, plan_id="what-if", seed=seed, at_s=at_s, found=found)
    took_s = time.monotonic() - began_s
    now, tried = figures(plan, register, site), variants(site, register)
    if not now.weeds:
        return Said(("Nothing to treat, so nothing to gain: no weed of the register may be heated. Why: "
                     f"swardwright plan {opened.folder}",), {"weeds": 0, "rows": []})  # fmt: skip
    rows: list[Row] = []
    for number, variant in enumerate(tried, start=1):
        show(f"what if: {variant.title} ({number} of {len(tried)}; the plan as it is took {took_s:.0f} s)")
        rows.append(compare(variant, plan, now, seed=seed, at_s=at_s, found=found))
    doubtful = opened.doubtful(register)
    lines = [doubtful] if doubtful else []
    lines += [*table(site, now, rows), "", *advice(site, rows, sources(opened, register))]
    return Said(tuple(lines), _data(plan, now, rows, doubtful))


def table(site: Site, now: Figures, rows: list[Row]) -> list[str]:
    """Return the table, readable at 80 columns: the plan as it is, then by how much each other one differs."""
    mark = " (invented data)" if site.invented else ""
    lines = [
        f"{site.name}{mark}: what the round would gain. As it is, then more (+) or less (-):", "", HEADINGS,
        f"{'as it is':<23}{1e3 * now.gas_kg:>6.1f} g{1e4 * now.scorch_m2:>7.0f} cm2{now.time_s / 60:>6.1f} min"
        f"{now.stops:>6.0f}{now.refused:>8.0f}{now.kills:>7.1f}",
    ]  # fmt: skip
    for row in rows:
        more = row.more
        lines.append(
            f"{row.variant.title:<23}{_signed(1e3 * more.gas_kg, 1):>6} g{_signed(1e4 * more.scorch_m2):>7} cm2"
            f"{_signed(more.time_s / 60, 1):>6} min{_signed(more.stops):>6}{_signed(more.refused):>8}"
            f"{_signed(more.kills, 1):>7}{_signed(-more.cost, 2):>7}"
        )
    gas, limits = site.rig.gas, site.limits
    return [*lines, "", "kills: weeds expected dead. worth: of one such round, at the prices in site.toml "
            f"({gas.price:g} a kg of gas, {limits.hour_price:g} an hour, "
            f"{limits.turf_worth_kg_m2 * gas.price:.2g} a m2 of turf, a missed weed as its kind says)."]  # fmt: skip


def _signed(value: float, places: int = 0) -> str:
    """Return a difference with its sign; what rounds to nothing has none."""
    text = f"{value:+.{places}f}"
    return f"{0.0:.{places}f}" if float(text) == 0.0 else text


def advice(site: Site, rows: list[Row], causes: dict[str, str]) -> list[str]:
    """Return what a builder can do with it, what is worth most first, and what is not worth doing."""
    useful = sorted((row for row in rows if row.more.cost < -0.005), key=lambda row: row.more.cost)
    out = ["What to build first, by its worth to this round:"] if useful else ["Nothing here is worth building:"]
    for place, row in enumerate(useful, start=1):
        out.append(f"  {place}. {_doing(row, site.rig)}: {_effect(row)}.{causes.get(row.variant.key, '')}")
    for row in rows:
        if row not in useful:
            worth = "not worth it at these prices" if row.more.cost > 0.005 else "worth nothing"
            out.append(f"  -  {_doing(row, site.rig)}: {worth}, it {_effect(row)}.{causes.get(row.variant.key, '')}")
    return out


def _listed(words: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _doing(row: Row, rig: Rig) -> str:
    """Return what would be built, with the numbers it takes."""
    from swardwright.planning.sensitivity import FASTER, SMALLER

    head, base = rig.head, rig.base
    wide = f"{1e3 * SMALLER * head.footprint_sigma_m:.0f} mm instead of {1e3 * head.footprint_sigma_m:.0f} mm"
    lands = f"{0.5e3 * head.aim_sigma_m:.1f} mm instead of {1e3 * head.aim_sigma_m:.1f} mm"
    return {
        "place": "Know each plant's place twice as well",
        "landing": f"Land the flame twice as surely ({lands})",
        "both": "Do both, place and landing",
        "look": "Look once more at each stop (a second set of look_postures, each a little beside its first)",
        "head": f"Give the head a narrower flame on the ground, {wide} (standard deviation), at the same flow",
        "arm": f"Take an arm whose joints turn {FASTER:g} times as fast",
        "base": f"Drive and turn {FASTER:g} times as fast ({FASTER * base.speed_m_s:.1f} m/s)",
    }[row.variant.key]


def _effect(row: Row) -> str:
    """Return what a variant saves and what it costs, in words; what is too small to matter is left out."""
    more = row.more
    less: list[str] = []
    takes: list[str] = []
    for value, least, text in (
        (more.gas_kg, LEAST_KG, f"{abs(1e3 * more.gas_kg):.1f} g of gas"),
        (more.scorch_m2, LEAST_M2, f"{abs(1e4 * more.scorch_m2):.0f} cm2 of scorched turf"),
        (more.time_s, LEAST_S, f"{abs(more.time_s) / 60:.1f} min"),
        (more.stops, 0.5, f"{abs(more.stops):.0f} stop{'' if abs(more.stops) == 1 else 's'}"),
    ):
        (less if value <= -least else takes if value >= least else []).append(text)
    if more.weeds > 0 and row.same_gas_kg <= -LEAST_KG:
        less.append(f"{-1e3 * row.same_gas_kg:.1f} g of gas on the weeds that both plans heat")
    parts = [f"saves {_listed(less)}"] if less else []
    if more.weeds > 0:
        parts.append(f"heats {more.weeds:.0f} more weeds, refused now")
    if takes or more.weeds < 0:
        costs = [f"takes {_listed(takes)} more"] if takes else []
        costs += [f"leaves {-more.weeds:.0f} weeds that are heated now"] if more.weeds < 0 else []
        parts.append(("but " if parts else "") + _listed(costs))
    return ", ".join(parts) or "changes next to nothing here"


def sources(opened: OpenSite, register: Register) -> dict[str, str]:
    """Return, by variant, what the error budget says is cheapest to mend, as a sentence; without a budget why not."""
    from swardwright.shell.site_budget import budget_of

    try:
        budget = budget_of(opened, register=register, rows=False)
    except SwardwrightError as error:
        return {"place": f" The error budget cannot say how: {error.what}."}
    return {"place": _place_cause(opened.site, register, budget), "landing": _landing_cause(budget),
            "look": " Looks of one stop share mount, tilt and ground; only what is drawn anew averages."}  # fmt: skip


def _place_cause(site: Site, register: Register, budget: SiteBudget) -> str:
    """Return what limits the places: the survey where the register knows most plants better than a look will."""
    import numpy as np

    from swardwright.locating.fixing import REMEDIES
    from swardwright.planning.view import fresh_look_covariance_m2

    fresh = np.linalg.eigvalsh(fresh_look_covariance_m2(site.rig)).max()
    known = sum(np.linalg.eigvalsh(weed.covariance_m2).max() <= fresh for weed in register.weeds)
    by_survey = 2 * known >= len(register.weeds)
    where, split = ("the survey", budget.survey) if by_survey else ("a look at a stop", budget.stop)
    parts = [part for part in split.parts if part.source not in LANDING]
    if not parts:
        return ""
    remedy = REMEDIES.get(parts[0].source, f"Shrink the error of {parts[0].source}")
    return (f" Most plants' places rest on {where}, and {100 * split.share(parts[0]):.0f} % of its variance is "
            f"{parts[0].source}. {remedy}: swardwright budget says what that takes.")  # fmt: skip


def _landing_cause(budget: SiteBudget) -> str:
    from swardwright.locating.fixing import REMEDIES

    parts = [part for part in budget.landing.parts if part.source in LANDING]
    return f" {REMEDIES[parts[0].source]}." if parts else ""


def _data(plan: Plan, now: Figures, rows: list[Row], doubtful: str) -> dict[str, Any]:
    def worth(row: Row) -> dict[str, Any]:
        return {"what": row.variant.key, "title": row.variant.title, **vars(row.figures),
                "more": vars(row.more), "same_weeds_gas_kg": row.same_gas_kg,
                "same_weeds_scorch_m2": row.same_scorch_m2, "worth": -row.more.cost}  # fmt: skip

    return {
        "register": plan.register_revision, "controls": list(plan.controls), "as_it_is": vars(now),
        "rows": [worth(row) for row in rows], "doubt": doubtful,
    }  # fmt: skip


__all__ = ["advice", "sources", "table", "what_if"]

"""The tables of a round report, as plain rows of text: every number converted and rounded once, here."""

from __future__ import annotations

import csv
import dataclasses
import datetime
import io
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.event import JournalEntry, RoundRecord, Treated
from swardwright.domain.outcome import Outcome
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Hold, Plan, Supplies
from swardwright.domain.site import Site, treat_probability
from swardwright.domain.uncertainty import ellipse
from swardwright.domain.units import KG_M2_PER_KG_HA, ZERO_CELSIUS_K
from swardwright.domain.weed import Register

#: an entry of the register believed less counts as doubted
BELIEVED = 0.5


@dataclass(frozen=True)
class Truth:
    """What really stood there, for an invented site only.

    Attributes
    ----------
    kinds : mapping of str to str
        True kind of each weed of the register that is one, by id.
    errors_m : mapping of str to float
        Distance between the register's place and the true crown, metres, by id.
    summary : sequence of tuple[str, str]
        Name and value, such as ``("recall", "0.96")``.
    """

    kinds: Mapping[str, str]
    errors_m: Mapping[str, float]
    summary: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True)
class Figure:
    """One headline number with what it means."""

    name: str
    value: str
    note: str = ""


def moment(at_s: float) -> str:
    """Return a time in UTC, to the minute."""
    return datetime.datetime.fromtimestamp(at_s, datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")


def percent(value: float | None) -> str:
    """Return a fraction as per cent, or a dash."""
    return "–" if value is None else f"{100 * value:.0f}\u00a0%"


def grams(mass_kg: float) -> str:
    """Return a mass in grams, to the tenth below 100 g."""
    return f"{1000 * mass_kg:.{1 if mass_kg < 0.1 else 0}f} g"


def plural(count: int, one: str, many: str | None = None) -> str:
    """Return ``"1 stop"`` or ``"2 stops"``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def figures(
    site: Site, register: Register, plan: Plan | None, record: RoundRecord | None, outcome: Outcome | None
) -> list[Figure]:
    """Return the headline numbers that this round has so far."""
    rows: list[Figure] = []
    if outcome is not None and outcome.kill_rate is not None:
        note = f"{outcome.treated_dead} of {plural(outcome.treated, 'treated weed')} dead"
        if outcome.kill_low is not None and outcome.kill_high is not None:
            note += f"; 95\u00a0% interval {percent(outcome.kill_low)} to {percent(outcome.kill_high)}"
        rows.append(Figure("Kill rate", percent(outcome.kill_rate), note))
        lost = f"{outcome.controls_dead} of {plural(outcome.controls, 'control')} died untreated"
        if outcome.controls:
            rows.append(Figure("Corrected for controls", percent(outcome.corrected), f"{lost} (Abbott)"))
    believed = [w for w in register.weeds if w.presence >= BELIEVED]
    treat = sum(treat_probability(w.kinds, site) >= 0.5 for w in believed)
    note = f"and {plural(len(believed) - treat, 'plant')} to spare, in the register"
    if doubted := len(register.weeds) - len(believed):
        note += f"; {doubted} more that are doubted"
    rows.append(Figure("Weeds to treat", str(treat), note))
    if register.weeds:
        axis_mm = 1000 * float(np.median([ellipse(w.covariance_m2)[0] for w in register.weeds]))
        rows.append(Figure("Place known to", f"{axis_mm:.0f} mm", "median long half-axis of the 95\u00a0% ellipse"))
    if plan is not None:
        rows.append(Figure("Stops", str(len(plan.stops)), f"proven: no fewer than {plan.stops_bound} can do"))
    if record is not None:
        planned = f"planned {grams(plan.supplies.gas_kg)}" if plan else ""
        rows.append(Figure("Propane used", grams(record.gas_kg), planned))
        if record.treated:
            each_cm2 = 1e4 * record.scorch_m2 / len(record.treated)
            rows.append(
                Figure("Scorched turf", f"{each_cm2:.1f} cm²", "per treated weed, expected from the heat given")
            )
    elif plan is not None:
        rows.append(Figure("Propane planned", grams(plan.supplies.gas_kg), "with pilot and purge"))
    return rows


@dataclass(frozen=True)
class WeedRow:
    """One weed's whole story in plain values; None where there is nothing to say."""

    weed: str
    kind: str
    kind_probability: float
    x_m: float
    y_m: float
    ellipse_95_long_m: float
    ellipse_95_short_m: float
    radius_m: float
    presence: float
    decision: str
    points: str
    hold_s: float | None
    dose_kg_m2: float | None
    expected_kill: float | None
    fate: str | None
    true_kind: str | None = None
    true_error_m: float | None = None


def weed_rows(
    site: Site,
    register: Register,
    plan: Plan | None = None,
    record: RoundRecord | None = None,
    outcome: Outcome | None = None,
    truth: Truth | None = None,
) -> list[WeedRow]:
    """Return one row per weed, in the register's order."""
    holds = {h.weed_id: h for s in plan.stops for h in s.holds} if plan else {}
    refused = {r.item for r in plan.refused} if plan else set()
    treated = {t.weed_id: t for t in record.treated} if record else {}
    left = {n.weed_id: n for n in record.not_treated} if record else {}
    fates = {f.weed_id: f.fate for f in outcome.fates} if outcome else {}
    controls = set(plan.controls) if plan else set()

    def decision(weed_id: str, kind: str) -> str:
        if weed_id in treated:
            return "heated"
        if weed_id in left:
            return "heat unknown" if left[weed_id].unknown else "not heated"
        if weed_id in controls:
            return "control"
        if (known := site.kind(kind)) is not None and not known.treat:
            return "spare"
        if weed_id in refused:
            return "refused"
        return "planned" if weed_id in holds else "–"

    rows = []
    for weed in register.weeds:
        large, small, _ = ellipse(weed.covariance_m2)
        hold, heat = holds.get(weed.id), treated.get(weed.id)
        rows.append(
            WeedRow(
                weed=weed.id,
                kind=weed.kind,
                kind_probability=weed.kinds[0][1],
                x_m=float(weed.mean_m[0]),
                y_m=float(weed.mean_m[1]),
                ellipse_95_long_m=large,
                ellipse_95_short_m=small,
                radius_m=weed.radius_m,
                presence=weed.presence,
                decision=decision(weed.id, weed.kind),
                points=_points(hold, heat),
                hold_s=heat.hold_s if heat else hold.heat_s if hold else None,
                dose_kg_m2=heat.dose_kg_m2 if heat else None,
                expected_kill=heat.kill if heat else hold.kill if hold else None,
                fate=fates.get(weed.id),
                true_kind=truth.kinds.get(weed.id, "no plant") if truth else None,
                true_error_m=truth.errors_m.get(weed.id) if truth else None,
            )
        )
    return rows


def _points(hold: Hold | None, heat: Treated | None) -> str:
    """Return how many holds a weed got, and of how many where they were cut short; or how many are planned."""
    if heat is not None:
        return f"{heat.points}" if heat.points == heat.planned else f"{heat.points} of {heat.planned}"
    return "" if hold is None else f"{len(hold.offsets_m)}"


def weed_cells(rows: Sequence[WeedRow], truth: bool) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return column names and the rows as people read them: millimetres, per cent, kg/ha."""

    def number(value: float | None, digits: int) -> str:
        return "–" if value is None else f"{value:.{digits}f}"

    columns = (
        "weed", "kind", "kind sure", "x east, m", "y north, m", "95\u00a0% ellipse, mm", "radius, mm", "present",
        "decision", "holds", "flame, s", "dose, kg/ha", "expected kill", "fate",
        *(("true kind", "true error, mm") if truth else ()),
    )  # fmt: skip
    cells = []
    for r in rows:
        dose_kg_ha = None if r.dose_kg_m2 is None else r.dose_kg_m2 / KG_M2_PER_KG_HA
        error_mm = None if r.true_error_m is None else 1000 * r.true_error_m
        ellipse_mm = f"{1000 * r.ellipse_95_long_m:.0f} × {1000 * r.ellipse_95_short_m:.0f}"
        cells.append(
            (
                r.weed, r.kind, percent(r.kind_probability), number(r.x_m, 3), number(r.y_m, 3), ellipse_mm,
                number(1000 * r.radius_m, 0), percent(r.presence), r.decision, r.points or "–", number(r.hold_s, 1),
                number(dose_kg_ha, 0), percent(r.expected_kill), r.fate or "–",
                *((r.true_kind or "–", number(error_mm, 0)) if truth else ()),
            )
        )  # fmt: skip
    return columns, cells


def weed_csv(rows: Sequence[WeedRow]) -> str:
    """Return one line a weed as comma-separated values."""
    names = [f.name for f in dataclasses.fields(WeedRow)]
    return csv_text(names, [[getattr(row, name) for name in names] for row in rows])


def csv_text(names: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return comma-separated values (RFC 4180) in SI; text that a spreadsheet would run as a formula gets a quote."""

    def cell(value: object) -> object:
        if isinstance(value, float):
            return f"{value:.9g}"
        return "'" + value if isinstance(value, str) and value.startswith(tuple("=+-@\t\r")) else value

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(names)
    writer.writerows([cell(value) for value in row] for row in rows)
    return out.getvalue()


def not_done(plan: Plan | None, record: RoundRecord | None) -> list[tuple[str, str, str]]:
    """Return every weed, zone or stop that got no heat, or less than decided: item, when, reason."""
    rows = [(r.item, "in the plan", r.reason) for r in plan.refused] if plan else []
    for miss in record.not_treated if record else ():
        when = "during the run, heat unknown" if miss.unknown else "during the run"
        rows.append((miss.weed_id, when, miss.reason))
    for item in record.treated if record else ():
        if item.points < item.planned:
            text = f"cut short: {item.points} of {item.planned} holds given, expected kill {item.kill:.2f}"
            rows.append((item.weed_id, "during the run", text))
    return rows


#: what is changed on the way, in words
CHANGES = {"gas": "Change the gas cylinder", "battery": "Change the battery", "time": "End the day"}
#: more changes than this are not listed one by one
MAX_LISTED = 12


def change_lines(supplies: Supplies) -> list[str]:
    """Return where to change cylinder or battery and where a day ends, one line each kind."""
    lines = []
    for what, words in CHANGES.items():
        at = [
            f"{'within' if s.during else 'after'} stop {s.stop_id}" if s.stop_id else "before the first stop"
            for s in supplies.swaps
            if s.what == what
        ]
        if at:
            more = f" and {len(at) - MAX_LISTED} times more" if len(at) > MAX_LISTED else ""
            lines.append(f"{words} {', '.join(at[:MAX_LISTED])}{more}.")
    return lines


def ring_lines(plan: Plan) -> list[str]:
    """Return how many weeds get several holds, in one line; none where no weed does."""
    if not plan.rings:
        return []
    holds = sum(len(hold.offsets_m) for stop in plan.stops for hold in stop.holds if len(hold.offsets_m) > 1)
    return [f"{plural(plan.rings, 'weed')} with several holds, {holds} in all; one for each of the others."]


def supply_rows(site: Site, plan: Plan, record: RoundRecord | None) -> list[tuple[str, str, str]]:
    """Return what the round takes: name, planned, used."""
    s = plan.supplies
    used_gas = grams(record.gas_kg) if record else "–"
    used_time = f"{(record.ended_at_s - record.started_at_s) / 60:.0f} min" if record else "–"
    heat = f"{sum(t.hold_s for t in record.treated) / 60:.1f} min" if record else "–"
    return [
        ("propane, all", grams(s.gas_kg), used_gas),
        ("propane, holds", grams(s.gas_hold_kg), "–"),
        ("propane, pilot flame", grams(s.gas_pilot_kg), "–"),
        (f"cylinders of {site.rig.gas.cylinder_kg:g} kg", str(s.cylinders), "–"),
        ("battery energy", f"{s.energy_j / 3600:.0f} Wh", "–"),
        ("battery swaps", str(s.battery_swaps), "–"),
        ("working days", str(s.days), "–"),
        ("changes on the way", " ".join(change_lines(s)) or "none", "–"),
        ("weeds with several holds", str(plan.rings), _rings_given(record)),
        ("flame on the ground", f"{s.heat_s / 60:.1f} min", heat),
        ("driving", f"{s.drive_m:.0f} m in {s.drive_s / 60:.0f} min", "–"),
        ("arm moving", f"{s.arm_s / 60:.0f} min", "–"),
        ("time, all", f"{s.time_s / 60:.0f} min", used_time),
        *(("to know", note, "–") for note in s.notes),
    ]


def _rings_given(record: RoundRecord | None) -> str:
    if record is None:
        return "–"
    rings = [item for item in record.treated if item.planned > 1]
    cut = sum(item.points < item.planned for item in rings)
    return f"{len(rings)}" + (f", {cut} cut short" if cut else "")


def permit_rows(permit: Permit) -> list[tuple[str, str]]:
    """Return the permit as name and value."""
    w, f = permit.weather, permit.fire_weather
    return [
        ("signed and on watch", permit.signed_by),
        ("granted", moment(permit.granted_at_s)),
        ("expires", moment(permit.expires_at_s)),
        (
            "weather",
            f"{w.temperature_k - ZERO_CELSIUS_K:.0f} °C, {100 * w.humidity:.0f} % humidity, wind {w.wind_m_s:.1f} m/s, "
            f"rain {1000 * w.rain_m:.1f} mm, observed {moment(w.at_s)}",
        ),
        ("fire weather codes", f"FFMC {f.ffmc:.1f}, DMC {f.dmc:.1f}, DC {f.dc:.0f}, ISI {f.isi:.1f}, FWI {f.fwi:.1f}"),
        *((question, answer) for question, answer in permit.answers),
    ]


def journal_counts(journal: Sequence[JournalEntry]) -> list[tuple[str, int]]:
    """Return how often each event stands in the journal, in order of first appearance."""
    return list(Counter(entry.event for entry in journal).items())


def journal_rows(journal: Sequence[JournalEntry]) -> list[tuple[str, str, str, str, str]]:
    """Return number, time of day (UTC), event, place and data of each entry."""
    rows = []
    for entry in journal:
        clock = datetime.datetime.fromtimestamp(entry.at_s, datetime.UTC).strftime("%H:%M:%S")
        place = ", ".join(part for part in (entry.stop_id, entry.weed_id) if part)
        data = ", ".join(f"{k} {f'{v:.4g}' if isinstance(v, float) else v}" for k, v in entry.data.items())
        rows.append((str(entry.number), clock, entry.event, place, data))
    return rows

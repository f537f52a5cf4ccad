"""A plan as tables (comma-separated values, RFC 4180), SI units: stops, holds, what is not heated, supplies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields

from swardwright.domain.arm import Joint
from swardwright.domain.plan import Plan, Supplies
from swardwright.domain.weed import Register
from swardwright.shell.plan_clock import points_m, stop_times
from swardwright.shell.plan_geojson import CONTROL_REASON
from swardwright.shell.plan_work import ArmWork
from swardwright.shell.report_rows import csv_text

_STOPS = ("number", "stop", "x_m", "y_m", "yaw_rad", "heading_deg_from_north", "weeds", "leave_s", "arrive_s", "done_s",
          "drive_m", "drive_s", "arm_s", "heat_s", "gas_hold_kg", "gas_pilot_kg", "energy_j", "change")  # fmt: skip
_HOLDS = ("stop", "hold", "weed", "kind", "point", "points", "begin_s", "hold_s", "x_m", "y_m", "aim_base_x_m",
          "aim_base_y_m", "offset_x_m", "offset_y_m", "gas_kg", "expected_kill", "scorch_m2")  # fmt: skip


def stop_table(plan: Plan) -> str:
    """Return one line a stop: where, when, what it takes, and what to change there."""
    rows = []
    for number, (stop, load, at) in enumerate(
        zip(plan.stops, plan.supplies.loads, stop_times(plan), strict=True), start=1
    ):
        change = "; ".join(
            f"{swap.what} {'during' if swap.during else 'after'}" for swap in plan.supplies.swaps
            if swap.stop_id == stop.id
        )  # fmt: skip
        rows.append(
            (number, stop.id, stop.base.x_m, stop.base.y_m, stop.base.yaw_rad,
             (90.0 - math.degrees(stop.base.yaw_rad)) % 360.0, len(stop.holds), at.leave_s, at.arrive_s, at.done_s,
             load.drive_m, load.drive_s, load.arm_s, load.heat_s, load.gas_hold_kg, load.gas_pilot_kg, load.energy_j,
             change)
        )  # fmt: skip
    return csv_text(_STOPS, rows)


def hold_table(plan: Plan, register: Register, work: Sequence[ArmWork], joints: Sequence[Joint]) -> str:
    """Return one line a heated point, in the order of heating: a hold of a ring has several.

    ``hold_s`` is the time at full flame at this point; ``gas_kg``, ``expected_kill`` and ``scorch_m2`` are those of the
    hold's points together; the last columns are the planned posture, one a joint.
    """
    kinds = {weed.id: weed.kind for weed in register.weeds}
    rows = []
    for stop, one in zip(plan.stops, work, strict=True):
        begins = {(d.weed_id, d.point): d.begin_s for d in one.doings if d.what == "hold"}
        for number, hold in enumerate(stop.holds, start=1):
            postures = hold.ring_rad or (hold.joints_rad,)
            places = zip(points_m(stop, hold), hold.offsets_m, postures, strict=True)
            for point, ((x, y), offset, posture) in enumerate(places, start=1):
                rows.append(
                    (stop.id, number, hold.weed_id, kinds.get(hold.weed_id, ""), point, len(hold.offsets_m),
                     begins.get((hold.weed_id, point), ""), hold.hold_s, x, y, *hold.aim_base_m, *offset, hold.gas_kg,
                     hold.kill, hold.scorch_m2, *posture)
                )  # fmt: skip
    units = {True: "m", False: "rad"}
    return csv_text((*_HOLDS, *(f"{j.name}_{units[j.kind == 'prismatic']}" for j in joints)), rows)


def left_table(plan: Plan, register: Register) -> str:
    """Return one line for everything that is not heated: controls, and what is refused, each with its reason."""
    weeds = {weed.id: weed for weed in register.weeds}
    items = [(item, "control", CONTROL_REASON) for item in plan.controls]
    items += [(r.item, "refused", r.reason) for r in plan.refused]
    rows = []
    for item, what, reason in items:
        weed = weeds.get(item)
        place = ("", "", "") if weed is None else (weed.kind, float(weed.mean_m[0]), float(weed.mean_m[1]))
        rows.append((item, what, *place, reason))
    return csv_text(("item", "what", "kind", "x_m", "y_m", "reason"), rows)


def supply_table(supplies: Supplies) -> str:
    """Return one line a quantity of the whole round, the unit in its name; then one line a note."""
    left_out = {"loads", "swaps", "notes"}
    rows: list[tuple[str, object]] = [
        (f.name, getattr(supplies, f.name)) for f in fields(Supplies) if f.name not in left_out
    ]
    rows.append(("days", supplies.days))
    rows += [(f"{swap.what} change", f"{'during' if swap.during else 'after'} {swap.stop_id or 'the start'}")
             for swap in supplies.swaps]  # fmt: skip
    rows += [("note", note) for note in supplies.notes]
    return csv_text(("what", "value"), [(what, "" if value is None else value) for what, value in rows])

"""A plan as GeoJSON (RFC 7946), to be laid over a map or followed outside: WGS84 longitude and latitude, degrees."""

from __future__ import annotations

import math
from typing import Any

from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.shell.geojson import feature, ground_features, positions
from swardwright.shell.plan_clock import legs_m, points_m, stop_times

#: why a control gets no heat
CONTROL_REASON = "left untreated on purpose, so that the kill rate means something"


def plan_collection(site: Site, register: Register, plan: Plan) -> dict[str, Any]:
    """Return a FeatureCollection of the ground, the drive leg by leg, stops, holds, and what is not heated and why.

    Property ``what`` is ``zone``, ``keep-out``, ``drive``, ``stop``, ``hold``, ``control`` or ``refused``. A hold of
    several points is a MultiPoint in the order of heating. What is refused and is no plant of the register has no place
    (geometry null, section 3.2) unless it is a zone or a stop.

    Returns
    -------
    dict
        Ready for ``json.dumps``. Properties in SI units, angles in degrees.
    """
    return {"type": "FeatureCollection", "features": [
        *ground_features(site), *_drive(site, plan), *_stops(site, plan), *_holds(site, register, plan),
        *_left(site, register, plan),
    ]}  # fmt: skip


def _drive(site: Site, plan: Plan) -> list[dict[str, Any]]:
    legs = []
    for stop, load, times, way in zip(plan.stops, plan.supplies.loads, stop_times(plan), legs_m(plan), strict=True):
        if len(way) < 2:  # the base only turns
            continue
        line = positions([(float(x), float(y)) for x, y in way], site.origin)
        legs.append(
            feature(f"drive to {stop.id}", "LineString", line, {
                "what": "drive", "to": stop.id, "drive_m": round(load.drive_m, 3), "drive_s": round(load.drive_s, 1),
                "leave_s": round(times.leave_s, 1),
            })
        )  # fmt: skip
    return legs


def _stops(site: Site, plan: Plan) -> list[dict[str, Any]]:
    changes: dict[str, list[str]] = {}
    for swap in plan.supplies.swaps:
        changes.setdefault(swap.stop_id, []).append(f"{swap.what} {'during' if swap.during else 'after'} it")
    stops = []
    rows = zip(plan.stops, plan.supplies.loads, stop_times(plan), strict=True)
    for number, (stop, load, times) in enumerate(rows, start=1):
        place = positions([(stop.base.x_m, stop.base.y_m)], site.origin)[0]
        stops.append(
            feature(f"stop {stop.id}", "Point", place, {
                "what": "stop", "name": stop.id, "number": number,
                "heading_deg_from_east": _degrees(stop.base.yaw_rad),
                "heading_deg_from_north": _bearing(stop.base.yaw_rad),
                "weeds": [hold.weed_id for hold in stop.holds],
                "arrive_s": round(times.arrive_s, 1), "arm_s": round(load.arm_s, 1), "heat_s": round(load.heat_s, 1),
                "done_s": round(times.done_s, 1), "gas_kg": round(load.gas_kg, 6), "energy_j": round(load.energy_j, 0),
                "change": changes.get(stop.id, []),
            })
        )  # fmt: skip
    return stops


def _holds(site: Site, register: Register, plan: Plan) -> list[dict[str, Any]]:
    kinds = {weed.id: weed.kind for weed in register.weeds}
    holds = []
    for stop in plan.stops:
        for number, hold in enumerate(stop.holds, start=1):
            places = positions(points_m(stop, hold), site.origin)
            shape, place = ("Point", places[0]) if len(places) == 1 else ("MultiPoint", places)
            holds.append(
                feature(f"hold {hold.weed_id}", shape, place, {
                    "what": "hold", "name": hold.weed_id, "kind": kinds.get(hold.weed_id), "stop": stop.id,
                    "number": number, "points": len(places), "hold_s_each": round(hold.hold_s, 2),
                    "heat_s": round(hold.heat_s, 2), "gas_kg": round(hold.gas_kg, 7),
                    "expected_kill": round(hold.kill, 4), "scorch_m2": round(hold.scorch_m2, 5),
                })
            )  # fmt: skip
    return holds


def _left(site: Site, register: Register, plan: Plan) -> list[dict[str, Any]]:
    weeds = {weed.id: weed for weed in register.weeds}
    stops = {stop.id: stop.base for stop in plan.stops}
    zones = {zone.name: zone for zone in site.zones}
    rows = [("control", item, CONTROL_REASON) for item in plan.controls]
    rows += [("refused", r.item, r.reason) for r in plan.refused]
    out = []
    for what, item, reason in rows:
        properties: dict[str, Any] = {"what": what, "name": item, "reason": reason}
        at: tuple[float, float] | None = None
        if item in weeds:
            at = (float(weeds[item].mean_m[0]), float(weeds[item].mean_m[1]))
            properties["kind"] = weeds[item].kind
        elif item in stops:
            at = (stops[item].x_m, stops[item].y_m)
        elif item in zones:
            corners = zones[item].corners_m
            at = (sum(x for x, _ in corners) / len(corners), sum(y for _, y in corners) / len(corners))
        place = None if at is None else positions([at], site.origin)[0]
        out.append(feature(f"{what} {item}", "Point", place, properties))
    return out


def _degrees(angle_rad: float) -> float:
    return round(math.degrees(angle_rad), 1)


def _bearing(yaw_rad: float) -> float:
    return round((90.0 - math.degrees(yaw_rad)) % 360.0, 1) % 360.0

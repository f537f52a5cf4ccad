"""Whether heat may be given now: pure functions of what is known, each answering None or the reason why not.

They refuse on anything stale, missing, contradictory or not a number. They are not a safety function: the emergency
stop, the gas shut-off valve and the dead-man switch are hardware and must work without this program.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.heat import Head, dose_kg_m2
from swardwright.domain.lean import thrown_outwards
from swardwright.domain.pattern import MOVE_S
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Hold, Plan
from swardwright.domain.poses import Array
from swardwright.domain.robot import RobotState
from swardwright.domain.site import Limits, Site, treat_probability
from swardwright.domain.weed import Aim, Register

#: Keep-outs: the base pose is taken to be this many standard deviations nearer (97.7 % one-sided).
KEEP_OUT_SIGMAS = 2.0
#: Spared plants: taken to be this many standard deviations nearer to the flame (95 % one-sided).
SPARE_SIGMAS = 1.645
#: A plant more probably to spare than to treat counts as spared from this presence on.
SPARE_PRESENCE = 0.2
#: No pattern reaches this many footprint standard deviations from its aim: one that does is not meant for this weed.
RING_SIGMAS = 4.0
#: A permit or report "from the future" by more than this is a contradiction.
CLOCK_SLACK_S = 1.0
#: What the arm's report may be off by in the head's direction, against what may be planned.
TILT_SLACK_RAD = math.radians(0.5)


@dataclass(frozen=True)
class Hindrance:
    """Why heat is refused.

    Attributes
    ----------
    text : str
        One sentence with its remedy.
    ends_round : bool
        True: the machine, the people, the weather or the permit (flame out, round over).
        False: this weed only.
    """

    text: str
    ends_round: bool

    def __str__(self) -> str:
        return self.text


def may_heat(
    state: RobotState,
    aim: Aim,
    hold: Hold,
    plan: Plan,
    permit: Permit,
    site: Site,
    *,
    in_view: Iterable[Aim],
    given_kg_m2: Mapping[str, float] | None = None,
    point: int = 0,
) -> Hindrance | None:
    """Return None if this point of the hold may be heated now, else the first reason why not.

    What the points after it still take (gas, time, dose on spared plants, ground) is asked for too, so that a ring is
    not begun that may not be ended.

    Parameters
    ----------
    state : RobotState
        A fresh report, with the head over the point.
    aim : Aim
        From the fresh look at this stop, base axes.
    hold : Hold
        With the dwell decided on this aim.
    in_view : Iterable[Aim]
        Every plant known at this stop, base axes, spared ones included (see ``carried_over``).
    given_kg_m2 : Mapping[str, float], optional
        What spared plants got earlier in this round, by id, kg/m2.
    point : int
        Which point of the hold's, from 0.
    """
    hindrance = may_light(state, plan, permit, site) or _lit(state)
    if hindrance is not None:
        return hindrance
    for text in (
        _in_plan(hold, aim, plan),
        about_aim(aim, site),
        _hold(hold, site),
        _supply(state, hold, point, permit, site),
        _head_over(state, aim.mean_m + np.array(hold.offsets_m[point]), site),
        _ground(state, hold, point, site),
        _spared(state, aim, hold, point, site, in_view, given_kg_m2 or {}),
    ):
        if text is not None:
            return Hindrance(text, ends_round=False)
    return None


def may_light(state: RobotState, plan: Plan, permit: Permit, site: Site) -> Hindrance | None:
    """Return None if a flame may burn at all now: machine, people, wind, permit, gas and battery."""
    for text in (
        _report(state, site),
        _hardware(state),
        _people_and_wind(state, site.limits),
        _permit(state, plan, permit),
        _reserves(state, site),
    ):
        if text is not None:
            return Hindrance(text, ends_round=True)
    return None


def _report(state: RobotState, site: Site) -> str | None:
    age_s = state.now_s - state.stamp_s
    if not -CLOCK_SLACK_S <= age_s <= site.limits.observation_age_s:
        return (
            f"the robot's report is {age_s:.1f} s old, at most {site.limits.observation_age_s:.1f} s is allowed: "
            "check the connection and the clocks"
        )
    covariance = np.asarray(state.base_covariance, dtype=float)
    if covariance.shape != (9,) or not np.isfinite(covariance).all():
        return "the robot does not say how sure its base pose is: nine finite numbers are needed"
    matrix = covariance.reshape(3, 3)
    if not np.allclose(matrix, matrix.T, rtol=1e-6, atol=1e-12) or np.linalg.eigvalsh(matrix).min() < -1e-9:
        return "the robot's base covariance contradicts itself: check the report"
    joints = np.asarray(state.joints_rad, dtype=float)
    if joints.shape != (len(site.rig.arm.moving),) or not np.isfinite(joints).all():
        return "the robot's joint angles are missing or not numbers: check the arm's report"
    return None


def _hardware(state: RobotState) -> str | None:
    if state.emergency_stop is not False:
        pressed = "is pressed" if state.emergency_stop else "is not known"
        return f"the emergency stop {pressed}: walk up, find out why, release it by hand"
    if state.dead_man_held is not True:
        held = "is not held" if state.dead_man_held is False else "is not known"
        return f"the dead-man switch {held}: the person on watch must hold it while heat is on"
    return None


def _people_and_wind(state: RobotState, limits: Limits) -> str | None:
    person, wind = state.nearest_person_m, state.wind_m_s
    if person is None or math.isnan(person) or person < 0.0:
        return "the distance to the nearest person is not known: restore the sensor, or end the round"
    if not person >= limits.human_clear_m:
        return f"a person is {person:.1f} m away, {limits.human_clear_m:.1f} m must be clear: wait until they have left"
    if wind is None or not math.isfinite(wind) or wind < 0.0:
        return "the wind is not known: restore the wind meter, or end the round"
    if not wind <= limits.wind_max_m_s:
        return f"the wind is {wind:.1f} m/s, your limit is {limits.wind_max_m_s:.1f} m/s: wait for less wind"
    return None


def _permit(state: RobotState, plan: Plan, permit: Permit) -> str | None:
    if permit.plan_id != plan.id:
        return f"the permit is for plan {permit.plan_id}, not {plan.id}: ask for a permit for this plan"
    if not permit.granted_at_s <= state.now_s + CLOCK_SLACK_S:
        return "the permit was granted in the robot's future: check both clocks"
    if not state.now_s < permit.expires_at_s:
        return "the permit has expired: look at weather and surroundings again and ask for a new one"
    return None


def _reserves(state: RobotState, site: Site) -> str | None:
    reserve_kg = site.limits.gas_reserve * site.rig.gas.cylinder_kg
    if state.gas_kg is None or not math.isfinite(state.gas_kg):
        return "the gas left is not known: weigh the cylinder or restore its sensor"
    if not state.gas_kg > reserve_kg:
        return f"{state.gas_kg:.3f} kg of gas is left, {reserve_kg:.3f} kg is the reserve: change the cylinder"
    if state.battery is None or not math.isfinite(state.battery):
        return "the battery's charge is not known: restore its report"
    if not site.limits.battery_reserve < state.battery <= 1.0 + 1e-6:
        return (
            f"the battery is at {state.battery:.0%}, {site.limits.battery_reserve:.0%} is the reserve: "
            "change or charge it"
        )
    return None


def _lit(state: RobotState) -> Hindrance | None:
    if state.flame_lit is True:
        return None
    known = "is out" if state.flame_lit is False else "is not known to burn"
    return Hindrance(
        f"the pilot flame {known}, so gas would flow unburned: close the gas, air the place, find out why", True
    )


def _in_plan(hold: Hold, aim: Aim, plan: Plan) -> str | None:
    if aim.weed_id != hold.weed_id:
        return f"the aim is for {aim.weed_id}, the hold for {hold.weed_id}"
    if hold.weed_id in plan.controls:
        return "it is a control, left untreated on purpose"
    if not any(hold.weed_id == planned.weed_id for stop in plan.stops for planned in stop.holds):
        return "it is not in the plan"
    return None


def about_aim(aim: Aim, site: Site) -> str | None:
    """Return None if the fresh look is good enough to heat by, else why not."""
    if not (np.isfinite(aim.mean_m).all() and np.isfinite(aim.covariance_m2).all()):
        return "the aim is not a number"
    if aim.seen is not True:
        return "the fresh look did not see it"
    if not site.limits.presence_min <= aim.presence <= 1.0 + 1e-9:
        return f"after the fresh look it stands there with probability {aim.presence:.2f} only"
    treat = treat_probability(aim.kinds, site)
    if not treat >= 0.5:
        return f"after the fresh look it is a plant to spare (to treat with probability {treat:.2f})"
    if not aim.presence * treat >= site.limits.presence_min:
        return f"after the fresh look it is one to treat with probability {aim.presence * treat:.2f} only"
    sigma_m = math.sqrt(max(float(np.linalg.eigvalsh(aim.covariance_m2).max()), 0.0))
    if not sigma_m <= site.limits.aim_sigma_max_m:
        return (
            f"the aim is uncertain by {sigma_m * 1e3:.0f} mm, at most "
            f"{site.limits.aim_sigma_max_m * 1e3:.0f} mm is allowed"
        )
    return None


def _hold(hold: Hold, site: Site) -> str | None:
    longest_s = site.limits.hold_max_s
    if not 0.0 < hold.hold_s <= longest_s * (1.0 + 1e-9):
        return f"a hold of {hold.hold_s:.3g} s is outside 0 to {longest_s:.3g} s"
    farthest_m = max(math.hypot(x, y) for x, y in hold.offsets_m)
    if not farthest_m <= RING_SIGMAS * site.rig.head.footprint_sigma_m:
        return f"a point of its ring is {farthest_m * 1e3:.0f} mm from the aim: too far to be meant for it"
    return None


def _supply(state: RobotState, hold: Hold, point: int, permit: Permit, site: Site) -> str | None:
    reserve_kg = site.limits.gas_reserve * site.rig.gas.cylinder_kg
    points = len(hold.offsets_m)
    gas_kg = hold.gas_kg * (points - point) / points
    if state.gas_kg is None or not state.gas_kg - gas_kg >= reserve_kg:
        return f"its {gas_kg * 1e3:.2g} g of gas would eat into the reserve of {reserve_kg:.3f} kg"
    if not state.now_s + (points - point) * (hold.hold_s + MOVE_S) - MOVE_S <= permit.expires_at_s:
        return "the permit would expire during the hold"
    return None


def landing_m(state: RobotState, site: Site) -> tuple[Array, float, float]:
    """Return where the flame meets the plane z = 0 of base axes (2,) m, the head's height m and its tilt rad.

    The flame's line is the head's axis moved aside by the head's own offset.
    The landing point is not finite where the head does not point down.
    """
    end = site.rig.arm.forward(np.asarray(state.joints_rad, dtype=float), site.rig.head.link)
    down = -float(end[2, 2])
    height_m = float(end[2, 3])
    tilt_rad = math.acos(min(max(down, -1.0), 1.0))
    if down < 1e-3:
        return np.full(2, np.nan), height_m, tilt_rad
    start = end[:3, 3] + end[:3, :2] @ np.array(site.rig.head.offset_m)
    return start[:2] + end[:2, 2] * (start[2] / down), height_m, tilt_rad


def _head_over(state: RobotState, place_m: Array, site: Site) -> str | None:
    head = site.rig.head
    landing, height_m, tilt_rad = landing_m(state, site)
    if not tilt_rad <= head.tilt_max_rad + TILT_SLACK_RAD:
        return f"the head is tilted by {math.degrees(tilt_rad):.0f} degrees, too far"
    if not 0.5 * head.standoff_m <= height_m <= 1.5 * head.standoff_m:
        return f"the head is {height_m:.3f} m above the ground, {head.standoff_m:.3f} m is wanted"
    off_m = float(np.linalg.norm(landing - place_m))
    allowed_m = max(head.landing_sigma_m, 0.005)
    if not off_m <= allowed_m:
        return f"the head points {off_m * 1e3:.0f} mm beside the aim, at most {allowed_m * 1e3:.0f} mm is allowed"
    axis = site.rig.arm.forward(np.asarray(state.joints_rad, dtype=float), head.link)[:3, 2]
    if not thrown_outwards(site.rig.base, head.tilt_max_rad, axis[None], landing[None], TILT_SLACK_RAD)[0]:
        return "the head leans towards the base or sideways, so that the flame may get under it: plan the round anew"
    return None


def flame_on_ground(state: RobotState, site: Site, landing: Array | None = None) -> tuple[Array, float]:
    """Return where the flame lands in ground axes (2,) m and its largest standard deviation, m.

    The robot's own base pose with its covariance, and the head's landing spread. ``landing`` (2,), base axes: where the
    head will point; None: where it points now.
    """
    if landing is None:
        landing, _, _ = landing_m(state, site)
    c, s = math.cos(state.base.yaw_rad), math.sin(state.base.yaw_rad)
    turned = np.array([c * landing[0] - s * landing[1], s * landing[0] + c * landing[1]])
    jacobian = np.array([[1.0, 0.0, -turned[1]], [0.0, 1.0, turned[0]]])
    covariance = jacobian @ np.reshape(state.base_covariance, (3, 3)) @ jacobian.T
    sigma_m = math.sqrt(float(np.linalg.eigvalsh(covariance).max()) + site.rig.head.aim_sigma_m**2)
    return np.array([state.base.x_m, state.base.y_m]) + turned, sigma_m


def _ground(state: RobotState, hold: Hold, point: int, site: Site) -> str | None:
    from shapely import Point, Polygon

    for landing in (None, *(np.array(place) for place in hold.points_m[point + 1 :])):
        place, sigma_m = flame_on_ground(state, site, landing)
        if not np.isfinite(place).all():
            return "where the flame would land is not known"
        spot = Point(float(place[0]), float(place[1]))
        for keep_out in site.keep_outs:
            distance_m = float(Polygon(keep_out.corners_m).distance(spot))
            if not distance_m - KEEP_OUT_SIGMAS * sigma_m >= keep_out.standoff_m:
                return (
                    f"the flame would land {distance_m:.2f} m from keep-out {keep_out.name} (known to "
                    f"{sigma_m * 1e3:.0f} mm), {keep_out.standoff_m:.2f} m must be kept"
                )
        if not any(Polygon(zone.corners_m).covers(spot) for zone in site.zones):
            return "the flame would land outside every zone to treat"
    return None


def is_spared(kinds: tuple[tuple[str, float], ...], presence: float, site: Site) -> bool:
    """Return whether a plant counts as one to spare: more probably so than not, and not all but surely absent."""
    return not presence < SPARE_PRESENCE and not treat_probability(kinds, site) >= 0.5


def spared_dose_kg_m2(head: Head, hold_s: float, landing: Array, plant: Aim) -> float:
    """Return the dose a plant may get from a hold landing at ``landing`` (2,) m, base axes: kg/m2.

    The plant is taken to stand ``SPARE_SIGMAS`` standard deviations nearer than believed, its own uncertainty and the
    landing spread together, in the direction between the two.
    """
    offset = plant.mean_m - landing
    distance_m = float(np.linalg.norm(offset))
    along = offset / distance_m if distance_m > 0.0 else np.array([1.0, 0.0])
    sigma_m = math.sqrt(float(along @ plant.covariance_m2 @ along) + head.aim_sigma_m**2)
    nearest_m = max(distance_m - SPARE_SIGMAS * sigma_m, 0.0)
    return float(dose_kg_m2(head, hold_s, nearest_m**2))


def spared_doses_kg_m2(
    state: RobotState, hold_s: float, site: Site, in_view: Iterable[Aim], later_m: Sequence[tuple[float, float]] = ()
) -> dict[str, float]:
    """Return what every spared plant in view may get from a hold with the head where it is, by id, kg/m2.

    ``later_m``: points that get the same hold afterwards, base axes; they are added.
    """
    landing, _, _ = landing_m(state, site)
    landings = [landing, *(np.array(place) for place in later_m)]
    return {
        plant.weed_id: sum(spared_dose_kg_m2(site.rig.head, hold_s, at, plant) for at in landings)
        for plant in in_view
        if is_spared(plant.kinds, plant.presence, site)
    }


def _spared(
    state: RobotState, aim: Aim, hold: Hold, point: int, site: Site, in_view: Iterable[Aim], given: Mapping[str, float]
) -> str | None:
    later = hold.points_m[point + 1 :]
    limit = site.limits.spare_dose_kg_m2
    others = [plant for plant in in_view if plant.weed_id != aim.weed_id]
    for weed_id, dose in spared_doses_kg_m2(state, hold.hold_s, site, others, later).items():
        total = dose + given.get(weed_id, 0.0)
        if not total <= limit:
            return (
                f"spared plant {weed_id} would get up to {total * 1e4:.1f} kg/ha, {limit * 1e4:.1f} kg/ha is your limit"
            )
    return None


def carried_over(register: Register, aims: Iterable[Aim], state: RobotState, site: Site) -> tuple[Aim, ...]:
    """Return the register's spared plants that the fresh look does not mention, in base axes, as not seen.

    A spared plant that the look forgot still stands there: its place comes from the register and the robot's own base
    pose, with both covariances.
    """
    mentioned = {aim.weed_id for aim in aims}
    c, s = math.cos(state.base.yaw_rad), math.sin(state.base.yaw_rad)
    base_from_ground = np.array([[c, s], [-s, c]])
    base_covariance = np.reshape(state.base_covariance, (3, 3))
    carried = []
    for weed in register.weeds:
        if weed.id in mentioned or not is_spared(weed.kinds, weed.presence, site):
            continue
        mean = base_from_ground @ (weed.mean_m - np.array([state.base.x_m, state.base.y_m]))
        jacobian = np.column_stack([-base_from_ground, (mean[1], -mean[0])])
        covariance = (
            jacobian @ base_covariance @ jacobian.T + base_from_ground @ weed.covariance_m2 @ base_from_ground.T
        )
        covariance = 0.5 * (covariance + covariance.T)
        carried.append(Aim(weed.id, mean, covariance, weed.radius_m, weed.kinds, weed.presence, seen=False))
    return tuple(carried)

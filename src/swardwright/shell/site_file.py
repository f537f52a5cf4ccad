"""``site.toml``, ``robot.urdf`` and ``camera.yaml`` to a domain ``Site``; every failure names file and field."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.domain.arm import MAX_URDF_BYTES, Arm, arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.errors import SiteError
from swardwright.domain.heat import Head
from swardwright.domain.poses import BasePose
from swardwright.domain.site import (
    Base,
    Bottle,
    ErrorSources,
    Gas,
    KeepOut,
    Kind,
    Limits,
    Origin,
    Polygon,
    Power,
    Rig,
    Site,
    Topics,
    Zone,
)
from swardwright.shell.camera_file import load_camera, read_text
from swardwright.shell.mount_file import MOUNT_FILE, load_mount, with_mount

if TYPE_CHECKING:
    from pydantic import ValidationError

    from swardwright.shell.site_form import SiteForm

SITE_FILE, URDF_FILE, CAMERA_FILE = "site.toml", "robot.urdf", "camera.yaml"
MAX_SITE_BYTES = 5_000_000
#: `[detector] model` that stands for the detector in the package
SHIPPED = "shipped"


def load_site(folder: Path) -> Site:
    """Read a site folder's three files, and the calibrated mount where there is one.

    Raises
    ------
    SiteError
        If the folder is no site, or a field cannot be used.
    RobotModelError
        If the URDF is wrong.
    """
    if not (folder / SITE_FILE).is_file():
        raise SiteError("this folder is not a site", where=folder.name or str(folder),
                        limit=f"a folder with {SITE_FILE}",
                        remedy="name a site folder, or start one with: swardwright init FOLDER")  # fmt: skip
    text = read_text(folder / SITE_FILE, MAX_SITE_BYTES, "write a site file; swardwright init shows one")
    arm = arm_from_urdf(read_text(folder / URDF_FILE, MAX_URDF_BYTES, "put the robot's URDF there"), URDF_FILE)
    site = site_from(text, arm, load_camera(folder / CAMERA_FILE), folder)
    return with_mount(site, load_mount(folder / MOUNT_FILE)) if (folder / MOUNT_FILE).exists() else site


def parse_site(text: str) -> SiteForm:
    """Check the text of a ``site.toml`` by itself.

    Raises
    ------
    SiteError
        Naming the first field that is wrong.
    """
    from pydantic import ValidationError

    from swardwright.shell.site_form import SiteForm

    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SiteError(f"the file is not TOML: {error}", where=SITE_FILE, remedy="mend that line") from error
    try:
        return SiteForm.model_validate(_tuples(data))
    except ValidationError as error:
        raise _first(error) from error


def site_from(text: str, arm: Arm, camera: Camera, folder: Path) -> Site:
    """Return the site of a ``site.toml``'s text with its arm and camera."""
    form = parse_site(text)
    zones = tuple(Zone(z.name, _polygon(z.corners, f"zones[{n}].corners")) for n, z in enumerate(form.zones))
    keep_outs = tuple(
        KeepOut(k.name, _polygon(k.corners, f"keep_outs[{n}].corners"), k.standoff)
        for n, k in enumerate(form.keep_outs)
    )
    _distinct([z.name for z in zones], "zones")
    _distinct([k.name for k in keep_outs], "keep_outs")
    _distinct([k.name for k in form.kinds], "kinds")
    _ground_left(zones, keep_outs)
    errors, limits = form.errors, form.limits
    return Site(
        name=form.name,
        invented=form.invented,
        origin=Origin(math.degrees(form.origin.latitude), math.degrees(form.origin.longitude), form.origin.height),
        start=BasePose(form.start.x, form.start.y, form.start.yaw),
        zones=zones,
        keep_outs=keep_outs,
        kinds=tuple(
            Kind(k.name, k.treat, k.ed50, float(k.slope), k.taproot, float(k.miss_price), k.source) for k in form.kinds
        ),
        rig=_rig(form, arm, camera, ErrorSources(
            pixel_px=errors.pixel, crown_m=errors.crown, mount_rad=errors.mount_angle, mount_m=errors.mount,
            joint_rad=errors.joint, tilt_rad=errors.tilt, ground_m=errors.ground_height, start_m=errors.start,
            start_rad=errors.start_yaw, odometry_per_m=errors.odometry_after_1_m, yaw_per_m=errors.yaw_after_1_m,
            yaw_per_rad=errors.yaw_after_1_rad, fix_m=errors.fix,
            joint_offset_rad=errors.joint_offset, plane_m=errors.plane, roughness_m=errors.roughness,
            odometry_scale=errors.odometry_scale, turn_scale=errors.turn_scale, fix_late_s=errors.fix_late,
            fix_memory_s=errors.fix_memory,
        )),
        limits=Limits(
            pose_age_s=limits.pose_age, kill_target=limits.kill_target, presence_min=limits.presence_min,
            hold_max_s=limits.hold_max, spare_dose_kg_m2=limits.spare_dose, turf_dose_kg_m2=limits.turf_dose,
            control_fraction=limits.control_fraction, wind_max_m_s=limits.wind_max, fwi_max=float(limits.fwi_max),
            ffmc_max=float(limits.ffmc_max), human_clear_m=limits.human_clear, aim_sigma_max_m=limits.aim_sigma_max,
            revisit_days=limits.revisit / 86_400.0, observation_age_s=limits.observation_age, gate_m=limits.gate,
            battery_reserve=limits.battery_reserve, gas_reserve=limits.gas_reserve,
            work_day_s=limits.work_day, hour_price=float(limits.hour_price), turf_worth_kg_m2=limits.turf_worth,
        ),
        topics=Topics(**form.topics.model_dump()),
        detector=_detector(form.detector.model, folder),
        robot_factory=form.robot.factory,
        camera_height_m=form.rig.camera_height,
        slope_rad=form.ground.slope,
    )  # fmt: skip


def _rig(form: SiteForm, arm: Arm, camera: Camera, errors: ErrorSources) -> Rig:
    links = [("rig.camera_link", form.rig.camera_link), ("head.link", form.head.link)]
    links += [] if form.hose is None else [("hose.link", form.hose.link)]
    for field, link in links:
        if link not in arm.links:
            raise SiteError("the robot description has no such link", where=SITE_FILE, field=field, value=link,
                            limit="one of: " + ", ".join(arm.links),
                            remedy=f"name a link of {URDF_FILE}, or add it there")  # fmt: skip
    if form.hose is not None:
        _check_posture(arm, "rig.rest_posture", form.rig.rest_posture)
        arm = arm.narrowed(form.hose.link, form.head.link, np.array(form.rig.rest_posture), form.hose.turn_max)
    looks = form.rig.look_postures
    postures = [("rig.survey_posture", form.rig.survey_posture), ("rig.rest_posture", form.rig.rest_posture)]
    postures += [(f"rig.look_postures[{n}]", look) for n, look in enumerate(looks)]
    for field, posture in postures:
        _check_posture(arm, field, posture, "" if form.hose is None else ", narrowed by [hose]")
    head, base, power, gas = form.head, form.base, form.power, form.gas
    return Rig(
        arm=arm, camera=camera, camera_link=form.rig.camera_link,
        head=Head(head.link, head.flow, head.pilot, head.footprint_sigma, head.standoff, head.landing_sigma,
                  head.tilt_max, head.valve_delay, head.ignition, (head.offset_x, head.offset_y), head.offset_sigma),
        base=Base(base.length, base.width, base.offset, base.mass, base.speed, base.turn, base.energy_per_m,
                  base.energy_per_rad, base.turn_radius, base.slope_max),
        power=Power(power.battery, power.usable, power.rail_efficiency, power.arm, power.computer,
                    power.carried),
        gas=Gas(gas.cylinder, gas.usable, gas.purge, gas.ambient, gas.fill, gas.carried, gas.regulator,
                float(gas.price), gas.orifice, gas.line),
        errors=errors, look_joints_rad=looks, rest_joints_rad=form.rig.rest_posture,
        survey_joints_rad=form.rig.survey_posture, bottle=_bottle(form),
    )  # fmt: skip


def _bottle(form: SiteForm) -> Bottle | None:
    bottle, base = form.bottle, form.base
    if bottle is None:
        return None
    beyond = max(abs(bottle.x - base.offset) - base.length / 2.0, abs(bottle.y) - base.width / 2.0) + bottle.radius
    if beyond > 1e-9:
        raise SiteError("the gas bottle stands out over the base's footprint", where=SITE_FILE, field="bottle",
                        value=f"by {beyond:.3g} m", limit="wholly within [base] length and width",
                        remedy="mend its x, y or radius, or the footprint")  # fmt: skip
    return Bottle(bottle.x, bottle.y, bottle.z, bottle.radius, bottle.height, bottle.clear)


def _check_posture(arm: Arm, field: str, posture: tuple[float, ...], note: str = "") -> None:
    if len(posture) != len(arm.moving):
        raise SiteError("a posture needs one angle for each moving joint", where=SITE_FILE, field=field,
                        value=f"{len(posture)} angles",
                        limit=f"{len(arm.moving)}: {', '.join(arm.joint_names)}",
                        remedy="write the angles in that order")  # fmt: skip
    for joint, angle in zip(arm.moving, posture, strict=True):
        if not joint.lower_rad - 1e-6 <= angle <= joint.upper_rad + 1e-6:
            raise SiteError(f"the posture is outside the limits of {joint.name}{note}", where=SITE_FILE, field=field,
                            value=f"{angle:.4g} rad", limit=f"{joint.lower_rad:.4g} to {joint.upper_rad:.4g} rad",
                            remedy="write an angle that the joint can reach")  # fmt: skip


def _polygon(corners: Polygon, field: str) -> Polygon:
    from shapely.geometry import Polygon as Shape
    from shapely.validation import explain_validity

    shape = Shape(corners)
    if not shape.is_valid:
        raise SiteError("the polygon crosses itself", where=SITE_FILE, field=field, value=explain_validity(shape),
                        remedy="list the corners once round, in order")  # fmt: skip
    if shape.area < 1e-4:
        raise SiteError("the polygon has no area", where=SITE_FILE, field=field, value=f"{shape.area:.3g} m2",
                        limit="1 cm2 or more", remedy="list at least three corners that span ground")  # fmt: skip
    return corners[:-1] if corners[0] == corners[-1] else corners


def _ground_left(zones: tuple[Zone, ...], keep_outs: tuple[KeepOut, ...]) -> None:
    from shapely import unary_union
    from shapely.geometry import Polygon as Shape

    never = unary_union([Shape(k.corners_m).buffer(k.standoff_m) for k in keep_outs])
    for number, zone in enumerate(zones):
        if Shape(zone.corners_m).difference(never).area < 1e-4:
            raise SiteError("the zone lies wholly inside keep-outs and their stand-off", where=SITE_FILE,
                            field=f"zones[{number}].corners", value=zone.name,
                            remedy="move the zone or the keep-out, or make the stand-off smaller")  # fmt: skip


def _distinct(names: list[str], field: str) -> None:
    for name in names:
        if names.count(name) > 1:
            raise SiteError("a name is used twice", where=SITE_FILE, field=f"{field}.name", value=name,
                            remedy="give each its own name")  # fmt: skip


def _detector(model: str, folder: Path) -> str:
    if model == SHIPPED:
        return model
    path = (folder / model).resolve()
    if Path(model).is_absolute() or not path.is_relative_to(folder.resolve()):
        raise SiteError("the detector must lie inside the site folder", where=SITE_FILE, field="detector.model",
                        value=model, limit=f"'{SHIPPED}' or a path such as models/mine.onnx",
                        remedy="copy the detector into the site's models folder")  # fmt: skip
    return model


def _tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_tuples(v) for v in value)
    return {k: _tuples(v) for k, v in value.items()} if isinstance(value, dict) else value


def _first(error: ValidationError) -> SiteError:
    """Turn pydantic's first complaint into one sentence."""
    problem = error.errors(include_url=False)[0]
    field = ""
    for part in problem["loc"]:
        field += f"[{part}]" if isinstance(part, int) else ("." if field else "") + str(part)
    kind, value, notes = problem["type"], problem["input"], problem.get("ctx", {})
    if kind == "missing":
        return SiteError("this field is missing", where=SITE_FILE, field=field, remedy="add it to the file")
    if kind == "extra_forbidden":
        return SiteError("there is no such field", where=SITE_FILE, field=field, value=value,
                         remedy="take it out, or mend its spelling")  # fmt: skip
    what = str(problem["msg"])
    limit = notes.get("limit")
    if kind not in ("quantity", "corner"):
        what = "the value is not possible here"
        limit = str(problem["msg"]).removeprefix("Input should be ").removeprefix("Value should ")
    return SiteError(what[0].lower() + what[1:], where=SITE_FILE, field=field, value=repr(value), limit=limit or None,
                     remedy=notes.get("remedy", "mend the value"))  # fmt: skip

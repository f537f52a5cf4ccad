"""The shape of ``site.toml``: every table, every field, its unit and what is possible for it.

Quantities are text with a unit (``"3 cm"``); pure numbers (a slope of a dose curve, a price) are plain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from swardwright.domain.errors import InputError
from swardwright.domain.units import SI_UNIT, parse_quantity


@dataclass(frozen=True)
class Quantity:
    """Text with a unit, turned into SI and held within ``low`` and ``high`` (SI; ``above``: more than ``low``)."""

    dimension: str
    low: float = -math.inf
    high: float = math.inf
    above: bool = False

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Give pydantic the parser."""
        return core_schema.no_info_plain_validator_function(self._read)

    def _read(self, value: Any) -> float:
        if not isinstance(value, str):
            unit = SI_UNIT[self.dimension].replace("1", "%")
            raise PydanticCustomError(
                "quantity",
                "a {dimension} needs a number and a unit, as text",
                {"dimension": self.dimension, "limit": f"text such as '3 {unit}'", "remedy": "write the unit with it"},
            )
        try:
            number = parse_quantity(value, self.dimension)
        except InputError as error:
            raise PydanticCustomError(
                "quantity",
                "{what}",
                {"what": error.what, "limit": str(error.limit or ""), "remedy": error.remedy or "write a number"},
            ) from error
        if not self.low <= number <= self.high or (self.above and number <= self.low):
            unit = SI_UNIT[self.dimension].replace("1", "of 1")
            least = f"more than {self.low:g}" if self.above else f"{self.low:g}"
            raise PydanticCustomError(
                "quantity",
                "this {dimension} is not possible",
                {
                    "dimension": self.dimension,
                    "limit": f"{least} to {self.high:g} {unit}",
                    "remedy": "write a value in that range",
                },
            )
        return number


def _corner(value: Any) -> tuple[float, float]:
    parts = value.split(",") if isinstance(value, str) else []
    if len(parts) != 2:
        raise PydanticCustomError(
            "corner",
            "a corner needs x and y with units, as text",
            {"limit": "text such as '0 m, 8 m'", "remedy": "write east and north of the corner"},
        )
    reader = Quantity("length", -100_000.0, 100_000.0)
    return reader._read(parts[0]), reader._read(parts[1])


@dataclass(frozen=True)
class _Corner:
    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(_corner)


def _joint_value(value: Any) -> float:
    """Read a joint's place: an angle, or a length for a sliding joint."""
    sliding = isinstance(value, str) and value.strip().endswith("m")
    return Quantity("length" if sliding else "angle", -20.0, 20.0)._read(value)


@dataclass(frozen=True)
class _JointValue:
    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(_joint_value)


Corner = Annotated[tuple[float, float], _Corner()]
Corners = Annotated[tuple[Corner, ...], Field(min_length=3, max_length=10_000)]
Name = Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[^\x00-\x1f<>&\"]+$")]
Link = Annotated[str, Field(min_length=1, max_length=100)]
Topic = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[A-Za-z0-9_/~]+$")]
Posture = Annotated[tuple[Annotated[float, _JointValue()], ...], Field(min_length=1, max_length=20)]

Length = Annotated[float, Quantity("length", 0.0, 1000.0)]
Size = Annotated[float, Quantity("length", 0.0, 20.0, above=True)]
Sigma = Annotated[float, Quantity("length", 0.0, 5.0)]
SigmaAngle = Annotated[float, Quantity("angle", 0.0, math.pi / 2)]
Angle = Annotated[float, Quantity("angle", -2 * math.pi, 2 * math.pi)]
Place = Annotated[float, Quantity("length", -100_000.0, 100_000.0)]
Fraction = Annotated[float, Quantity("fraction", 0.0, 1.0)]
Flow = Annotated[float, Quantity("mass flow", 0.0, 0.1)]
Power = Annotated[float, Quantity("power", 0.0, 1e6)]
Energy = Annotated[float, Quantity("energy", 0.0, 1e10)]


class _Table(BaseModel):
    # tuples come from TOML lists, so strictness is by field: numbers stay numbers, text stays text
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class OriginForm(_Table):
    """``[origin]``: where the ground axes' zero lies (WGS84)."""

    latitude: Annotated[float, Quantity("angle", -math.pi / 2, math.pi / 2)]
    longitude: Annotated[float, Quantity("angle", -math.pi, math.pi)]
    height: Annotated[float, Quantity("length", -1000.0, 10_000.0)]


class StartForm(_Table):
    """``[start]``: where the base stands when a recording begins."""

    x: Place
    y: Place
    yaw: Angle


class GroundForm(_Table):
    """``[ground]``: how steep the site is."""

    slope: Annotated[float, Quantity("angle", 0.0, math.pi / 4)]


class ZoneForm(_Table):
    """``[[zones]]``: a polygon to treat."""

    name: Name
    corners: Corners


class KeepOutForm(_Table):
    """``[[keep_outs]]``: a polygon never to heat nor to drive over."""

    name: Name
    corners: Corners
    standoff: Annotated[float, Quantity("length", 0.0, 100.0)]


class KindForm(_Table):
    """``[[kinds]]``: what a plant can be."""

    name: Name
    treat: bool
    ed50: Annotated[float, Quantity("areal dose", 0.0, 1.0, above=True)]
    slope: Annotated[float, Field(gt=0.0, le=50.0)]
    taproot: bool
    miss_price: Annotated[float, Field(ge=0.0, le=1e6)]
    source: Annotated[str, Field(min_length=1, max_length=1000)]


class RigForm(_Table):
    """``[rig]``: which links and postures of the arm do what."""

    camera_link: Link
    camera_height: Annotated[float, Quantity("length", 0.05, 20.0)]
    survey_posture: Posture
    rest_posture: Posture
    look_postures: Annotated[tuple[Posture, ...], Field(min_length=1, max_length=20)]


class HeadForm(_Table):
    """``[head]``: the flame head."""

    link: Link
    flow: Annotated[float, Quantity("mass flow", 0.0, 0.1, above=True)]
    pilot: Flow
    footprint_sigma: Annotated[float, Quantity("length", 0.0, 1.0, above=True)]
    standoff: Annotated[float, Quantity("length", 0.0, 2.0)]
    landing_sigma: Annotated[float, Quantity("length", 0.0, 1.0)]
    tilt_max: Annotated[float, Quantity("angle", 0.0, math.pi / 2)]
    valve_delay: Annotated[float, Quantity("time", 0.0, 10.0)]
    ignition: Annotated[float, Quantity("time", 0.0, 120.0)]
    offset_x: Annotated[float, Quantity("length", -0.2, 0.2)] = 0.0
    offset_y: Annotated[float, Quantity("length", -0.2, 0.2)] = 0.0
    offset_sigma: Annotated[float, Quantity("length", 0.0, 0.2)] = 0.0


class BaseForm(_Table):
    """``[base]``: the mobile base."""

    length: Size
    width: Size
    offset: Annotated[float, Quantity("length", -10.0, 10.0)]
    mass: Annotated[float, Quantity("mass", 0.0, 50_000.0, above=True)]
    speed: Annotated[float, Quantity("speed", 0.0, 10.0, above=True)]
    turn: Annotated[float, Quantity("angular speed", 0.0, 10.0, above=True)]
    energy_per_m: Energy
    energy_per_rad: Energy
    turn_radius: Annotated[float, Quantity("length", 0.0, 50.0)]
    slope_max: Annotated[float, Quantity("angle", 0.0, math.pi / 3)]


class PowerForm(_Table):
    """``[power]``: battery and standing loads."""

    battery: Annotated[float, Quantity("energy", 0.0, 1e10, above=True)]
    usable: Fraction
    rail_efficiency: Annotated[float, Quantity("fraction", 0.0, 1.0, above=True)]
    arm: Power
    computer: Power
    carried: Annotated[int, Field(ge=1, le=1000)] = 1


class GasForm(_Table):
    """``[gas]``: the cylinders."""

    cylinder: Annotated[float, Quantity("mass", 0.0, 1000.0, above=True)]
    usable: Annotated[float, Quantity("fraction", 0.0, 1.0, above=True)]
    purge: Annotated[float, Quantity("mass", 0.0, 10.0)]
    ambient: Annotated[float, Quantity("temperature", 203.15, 333.15)] = 288.15
    fill: Fraction = 1.0
    carried: Annotated[int, Field(ge=1, le=1000)] = 1
    regulator: Annotated[float, Quantity("pressure", 0.0, 1.5e6)] = 100e3
    price: Annotated[float, Field(ge=0.0, le=1e6)] = 3.0
    orifice: Annotated[float, Quantity("length", 0.0, 0.05)] = 0.0
    line: Annotated[float, Quantity("pressure", 0.0, 1.5e6)] = 0.0


class BottleForm(_Table):
    """``[bottle]``: the gas cylinder as it stands on the base, upright: the arm and the flame keep off it."""

    x: Annotated[float, Quantity("length", -10.0, 10.0)]
    y: Annotated[float, Quantity("length", -10.0, 10.0)]
    z: Annotated[float, Quantity("length", 0.0, 10.0)]
    radius: Annotated[float, Quantity("length", 0.0, 1.0, above=True)]
    height: Annotated[float, Quantity("length", 0.0, 3.0, above=True)]
    clear: Annotated[float, Quantity("length", 0.0, 10.0)] = 0.3


class HoseForm(_Table):
    """``[hose]``: the gas hose along the arm: no joint after the link turns further from the rest posture than this."""

    link: Link
    turn_max: Annotated[float, Quantity("angle", 0.0, 4 * math.pi, above=True)]


class ErrorsForm(_Table):
    """``[errors]``: one standard deviation of every error between pixel and ground."""

    pixel: Annotated[float, Quantity("pixels", 0.0, 1000.0)]
    crown: Sigma
    mount_angle: SigmaAngle
    mount: Sigma
    joint: SigmaAngle
    tilt: SigmaAngle
    ground_height: Sigma
    start: Sigma
    start_yaw: SigmaAngle
    odometry_after_1_m: Sigma
    yaw_after_1_m: SigmaAngle
    yaw_after_1_rad: SigmaAngle
    fix: Sigma
    joint_offset: SigmaAngle = 0.0
    plane: Sigma = 0.0
    roughness: Sigma = 0.0
    odometry_scale: Fraction = 0.0
    turn_scale: Fraction = 0.0
    fix_late: Annotated[float, Quantity("time", 0.0, 2.0)] = 0.1
    fix_memory: Annotated[float, Quantity("time", 0.0, 3600.0)] = 0.0


class LimitsForm(_Table):
    """``[limits]``: the user's limits."""

    pose_age: Annotated[float, Quantity("time", 0.0, 3600.0, above=True)]
    kill_target: Annotated[float, Quantity("fraction", 0.0, 0.9999, above=True)]
    presence_min: Fraction
    hold_max: Annotated[float, Quantity("time", 0.0, 600.0, above=True)]
    spare_dose: Annotated[float, Quantity("areal dose", 0.0, 1.0)]
    turf_dose: Annotated[float, Quantity("areal dose", 0.0, 1.0, above=True)]
    control_fraction: Annotated[float, Quantity("fraction", 0.0, 0.9)]
    wind_max: Annotated[float, Quantity("speed", 0.0, 30.0)]
    fwi_max: Annotated[float, Field(ge=0.0, le=200.0)]
    ffmc_max: Annotated[float, Field(ge=0.0, le=101.0)]
    human_clear: Annotated[float, Quantity("length", 0.0, 1000.0)]
    aim_sigma_max: Annotated[float, Quantity("length", 0.0, 1.0, above=True)]
    revisit: Annotated[float, Quantity("time", 0.0, 86_400.0 * 3650)]
    observation_age: Annotated[float, Quantity("time", 0.0, 600.0, above=True)]
    gate: Annotated[float, Quantity("length", 0.0, 10.0, above=True)]
    battery_reserve: Fraction
    gas_reserve: Fraction
    work_day: Annotated[float, Quantity("time", 0.0, 86_400.0)] = 0.0
    hour_price: Annotated[float, Field(ge=0.0, le=1e6)] = 20.0
    turf_worth: Annotated[float, Quantity("areal dose", 0.0, 100.0)] = 0.01


class TopicsForm(_Table):
    """``[topics]``: names of the streams in the robot's recordings; left out: found by message type."""

    image: Topic | None = None
    camera_info: Topic | None = None
    joints: Topic | None = None
    odometry: Topic | None = None
    imu: Topic | None = None
    fix: Topic | None = None


class DetectorForm(_Table):
    """``[detector]``: ``shipped``, or an ONNX file below the site folder."""

    model: Annotated[str, Field(min_length=1, max_length=300)]


class RobotForm(_Table):
    """``[robot]``: ``module:factory`` of the machine, or empty."""

    factory: Annotated[str, Field(max_length=200, pattern=r"^$|^[A-Za-z_][\w.]*:[A-Za-z_]\w*$")]


class SiteForm(_Table):
    """The whole file."""

    format: Annotated[int, Field(ge=1, le=1)]
    name: Name
    invented: bool = False
    origin: OriginForm
    start: StartForm
    ground: GroundForm
    zones: Annotated[tuple[ZoneForm, ...], Field(min_length=1, max_length=1000)]
    keep_outs: Annotated[tuple[KeepOutForm, ...], Field(max_length=10_000)] = ()
    kinds: Annotated[tuple[KindForm, ...], Field(min_length=1, max_length=200)]
    rig: RigForm
    head: HeadForm
    base: BaseForm
    power: PowerForm
    gas: GasForm
    bottle: BottleForm | None = None
    hose: HoseForm | None = None
    errors: ErrorsForm
    limits: LimitsForm
    topics: TopicsForm = TopicsForm()
    detector: DetectorForm
    robot: RobotForm

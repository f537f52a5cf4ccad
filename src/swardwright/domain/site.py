"""A site: ground, zones, keep-outs, kinds, rig and limits. Built by the shell from ``site.toml``; all SI."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.domain.arm import Arm
from swardwright.domain.camera import Camera
from swardwright.domain.heat import Head
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.uncertainty import check_covariance

Polygon = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Origin:
    """WGS84 place of the ground origin: degrees (geodetic) and metres above the ellipsoid."""

    latitude_deg: float
    longitude_deg: float
    height_m: float


@dataclass(frozen=True)
class Zone:
    """Polygon to treat; corners (x, y) in metres, ground axes, not closed."""

    name: str
    corners_m: Polygon


@dataclass(frozen=True)
class KeepOut:
    """Polygon never to heat nor to drive over, with a stand-off distance for heat."""

    name: str
    corners_m: Polygon
    standoff_m: float


@dataclass(frozen=True)
class Kind:
    """What a plant can be.

    Attributes
    ----------
    treat : bool
        False: a spared plant is a small keep-out.
    ed50_kg_m2, slope : float
        Log-logistic dose response of the crown.
    taproot : bool
        Regrows from the root: plan revisits, not longer dwell.
    miss_price : float
        The user's price of missing one (of a kind to spare: of burning one), in the site's own currency.
    source : str
        Where ED50 and slope come from.
    """

    name: str
    treat: bool
    ed50_kg_m2: float
    slope: float
    taproot: bool
    miss_price: float
    source: str


@dataclass(frozen=True)
class ErrorSources:
    """Standard deviations of every error between pixel and ground.

    Attributes
    ----------
    pixel_px : float
        Detector's crown noise, per axis, per detection.
    crown_m : float
        Offset between the crown seen and the growing point, per axis, per detection.
    mount_rad, mount_m : float
        Camera mount on the arm, per axis; the same in every frame of the site.
    joint_rad : float
        Joint reading, per joint, per stop or frame.
    tilt_rad : float
        Roll and pitch of the base against the ground plane, per frame.
    ground_m : float
        Ground height against the plane, per frame.
    start_m, start_rad : float
        Start pose of a recording in ground axes.
    odometry_per_m : float
        Along-track and cross-track drift, m per square root of m driven.
    yaw_per_m, yaw_per_rad : float
        Yaw drift, rad per square root of m driven; rad per square root of rad turned.
    fix_m : float
        Standard deviation of a position fix per axis where a fix does not state its own.
    joint_offset_rad : float
        Zero offset of each joint: the same in every frame of the site.
    plane_m : float
        Height of the ground in view against the wheels' plane (sinking, grass height), the same all over the site.
    roughness_m : float
        Height of the ground at a plant against the plane, and of the plant's crown over it; the same whenever this
        plant is seen.
    odometry_scale : float
        Share by which odometry counts too far or too short, the same all through one recording.
    turn_scale : float
        Share by which wheels or tracks count turns too far or too short, the same all through one recording.
    fix_late_s : float
        By how much position fixes may be stamped late or early, the same all through one recording.
    fix_memory_s : float
        How long the error of position fixes lasts (correlation time); 0: judged from the recording.
    """

    pixel_px: float
    crown_m: float
    mount_rad: float
    mount_m: float
    joint_rad: float
    tilt_rad: float
    ground_m: float
    start_m: float
    start_rad: float
    odometry_per_m: float
    yaw_per_m: float
    yaw_per_rad: float
    fix_m: float
    joint_offset_rad: float = 0.0
    plane_m: float = 0.0
    roughness_m: float = 0.0
    odometry_scale: float = 0.0
    turn_scale: float = 0.0
    fix_late_s: float = 0.1
    fix_memory_s: float = 0.0


@dataclass(frozen=True)
class Base:
    """The mobile base.

    Attributes
    ----------
    length_m, width_m : float
        Footprint, centred ``offset_m`` ahead of base axes.
    energy_j_m, energy_j_rad : float
        Battery energy per metre driven and per radian turned.
    """

    length_m: float
    width_m: float
    offset_m: float
    mass_kg: float
    speed_m_s: float
    turn_rad_s: float
    energy_j_m: float
    energy_j_rad: float
    turn_radius_m: float
    slope_max_rad: float

    def away_from(self, points_m: Array) -> Array:
        """Return the horizontal unit vectors (..., 2) that lead away from the footprint's nearest point, base axes.

        ``points_m``: shape (..., 2), base axes; on the footprint itself: away from its centre.
        """
        middle, half = np.array([self.offset_m, 0.0]), np.array([self.length_m / 2.0, self.width_m / 2.0])
        from_middle = np.asarray(points_m, dtype=float) - middle
        off = from_middle - np.clip(from_middle, -half, half)
        off = np.where(np.any(off != 0.0, axis=-1, keepdims=True), off, from_middle + np.array([1e-9, 0.0]))
        away: Array = off / np.linalg.norm(off, axis=-1, keepdims=True)
        return away


@dataclass(frozen=True)
class Power:
    """Battery and standing loads: joules and watts; ``carried``: batteries at hand, the one in the robot included."""

    battery_j: float
    usable: float
    rail_efficiency: float
    arm_w: float
    computer_w: float
    carried: int = 1


@dataclass(frozen=True)
class Gas:
    """The gas cylinders.

    Attributes
    ----------
    cylinder_kg : float
        Net fill (propane) of a full one.
    usable : float
        Share of it that can be burnt, 0..1.
    purge_kg : float
        Lost each time that one is connected.
    ambient_k : float
        Temperature of the air round it.
    fill : float
        How full the first one is, 0..1; spare ones are full.
    carried : int
        Cylinders at hand, the connected one included.
    regulator_pa : float
        Pressure that the regulator needs at its inlet, gauge.
    price : float
        Of one kilogram, in the site's own currency.
    orifice_m, line_pa : float
        Diameter of the head's jet and gauge pressure before it, to check the head's flow; 0: not known.
    """

    cylinder_kg: float
    usable: float
    purge_kg: float
    ambient_k: float = 288.15
    fill: float = 1.0
    carried: int = 1
    regulator_pa: float = 100e3
    price: float = 3.0
    orifice_m: float = 0.0
    line_pa: float = 0.0


@dataclass(frozen=True)
class Bottle:
    """The gas cylinder as it stands on the base: upright, round, base axes.

    Attributes
    ----------
    x_m, y_m, z_m : float
        Middle of its lower end.
    radius_m, height_m : float
        Its size, valve and collar included.
    clear_m : float
        The flame is never aimed nearer to its wall, seen from above.
    """

    x_m: float
    y_m: float
    z_m: float
    radius_m: float
    height_m: float
    clear_m: float = 0.3


@dataclass(frozen=True, eq=False)
class Rig:
    """Everything about the robot.

    Attributes
    ----------
    arm : Arm
        From ``robot.urdf``; its root link is base axes.
    camera : Camera
        From ``camera.yaml``.
    camera_link : str
        URDF link of the camera's optical axes.
    look_joints_rad : tuple[tuple[float, ...], ...]
        Arm postures from which the camera looks at the ground at a stop.
    rest_joints_rad : tuple[float, ...]
        Arm posture while driving.
    survey_joints_rad : tuple[float, ...]
        Arm posture while surveying.
    mount_covariance : Array | None
        Shape (6, 6): covariance of the camera's mount (rotation vector, then translation, in the axes of the link that
        the camera is fixed to) where a calibration gave one; None: from the scalar error sources.
    bottle : Bottle | None
        The gas cylinder on the base; None: not there, or drawn in the URDF.
    """

    arm: Arm
    camera: Camera
    camera_link: str
    head: Head
    base: Base
    power: Power
    gas: Gas
    errors: ErrorSources
    look_joints_rad: tuple[tuple[float, ...], ...]
    rest_joints_rad: tuple[float, ...]
    survey_joints_rad: tuple[float, ...]
    mount_covariance: Array | None = None
    bottle: Bottle | None = None

    def __post_init__(self) -> None:
        if self.mount_covariance is not None:
            object.__setattr__(self, "mount_covariance", check_covariance(self.mount_covariance, "mount_covariance"))

    @property
    def mount_prior(self) -> Array:
        """Covariance (6, 6) of the mount: as calibrated, or from the scalar error sources."""
        if self.mount_covariance is not None:
            return self.mount_covariance
        return np.diag([self.errors.mount_rad**2] * 3 + [self.errors.mount_m**2] * 3)


@dataclass(frozen=True)
class Limits:
    """The user's limits.

    Attributes
    ----------
    pose_age_s : float
        A camera picture whose nearest pose is older is refused.
    kill_target : float
        Wanted kill probability per weed.
    presence_min : float
        A weed believed less is not heated.
    hold_max_s : float
        Longest hold on one aim.
    spare_dose_kg_m2 : float
        Largest dose a spared plant may get.
    turf_dose_kg_m2 : float
        Dose above which turf counts as scorched.
    control_fraction : float
        Share of treatable weeds left untreated on purpose.
    wind_max_m_s, fwi_max, ffmc_max : float
        Weather limits; the user's, no published numeric wind limit for flaming was found.
    human_clear_m : float
        Nobody nearer while heat is on (hot-work practice: 35 ft / 10.7 m, 29 CFR 1915.504).
    aim_sigma_max_m : float
        An aim less certain than this (largest standard deviation) is not heated.
    revisit_days : float
        Days until a treated place is looked at again.
    observation_age_s : float
        Interlocks refuse on a robot report older than this.
    gate_m : float
        Before and after are matched within this distance on the ground.
    work_day_s : float
        Longest working day; 0: daylight at the site.
    hour_price : float
        Of one hour of the round, in the site's own currency.
    turf_worth_kg_m2 : float
        Gas that may be spent to keep one square metre from being scorched; 0: holds are chosen by gas alone.
    """

    pose_age_s: float
    kill_target: float
    presence_min: float
    hold_max_s: float
    spare_dose_kg_m2: float
    turf_dose_kg_m2: float
    control_fraction: float
    wind_max_m_s: float
    fwi_max: float
    ffmc_max: float
    human_clear_m: float
    aim_sigma_max_m: float
    revisit_days: float
    observation_age_s: float
    gate_m: float
    battery_reserve: float
    gas_reserve: float
    work_day_s: float = 0.0
    hour_price: float = 20.0
    turf_worth_kg_m2: float = 0.01


@dataclass(frozen=True)
class Topics:
    """Names of the streams in a robot log; None: found by message type when there is exactly one."""

    image: str | None = None
    camera_info: str | None = None
    joints: str | None = None
    odometry: str | None = None
    imu: str | None = None
    fix: str | None = None


@dataclass(frozen=True, eq=False)
class Site:
    """One piece of ground with its own local axes."""

    name: str
    invented: bool
    origin: Origin
    start: BasePose
    zones: tuple[Zone, ...]
    keep_outs: tuple[KeepOut, ...]
    kinds: tuple[Kind, ...]
    rig: Rig
    limits: Limits
    topics: Topics
    detector: str
    robot_factory: str
    camera_height_m: float
    slope_rad: float = 0.0

    def kind(self, name: str) -> Kind | None:
        """Return the kind of that name, or None."""
        return next((k for k in self.kinds if k.name == name), None)


def treat_probability(kinds: tuple[tuple[str, float], ...], site: Site) -> float:
    """Return the probability that a plant with these kind probabilities is one to treat."""
    return sum(p for name, p in kinds if (kind := site.kind(name)) is not None and kind.treat)


__all__ = [
    "Array", "Base", "Bottle", "ErrorSources", "Gas", "Head", "KeepOut", "Kind", "Limits", "Origin", "Polygon", "Power",
    "Rig", "Site", "Topics", "Zone", "treat_probability",
]  # fmt: skip

"""The slope of the ground against gravity, from an IMU's roll and pitch along a drive."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from swardwright.domain.poses import Array, frozen, wrap_angle
from swardwright.domain.site import Site

if TYPE_CHECKING:
    from swardwright.locating.ground import Tilted

#: level of an IMU against the base it is bolted to, one standard deviation (common practice, no source)
LEVEL_RAD = math.radians(0.5)
#: tilts at fewer places than this say nothing
PLACES_MIN = 4


@dataclass(frozen=True, eq=False)
class DrivenSlope:
    """The slope, the places it comes from (n, 3: x_m, y_m, yaw_rad, odometry's axes), the slope under each (n, 2)."""

    tilted: Tilted
    poses: Array
    slopes: Array
    distance_m: float

    def sentence(self) -> str:
        """Return the finding, without a full stop."""
        t = self.tilted
        return (
            f"Over {self.distance_m:.1f} m driven the ground rises by {math.degrees(t.slope_rad):.1f} degrees "
            f"(known to {math.degrees(t.slope_sigma_rad):.1f}), and the base tilts on it by "
            f"{math.degrees(t.tilt_rad):.2f} degrees"
        )

    def fields(self) -> dict[str, dict[str, str]]:
        """Return the site's fields by table."""
        slope = math.ceil(10.0 * math.degrees(self.tilted.slope_rad)) / 10.0
        return {
            "errors": {"tilt": f"{math.degrees(self.tilted.tilt_rad):.2f} deg"},
            "ground": {"slope": f"{slope:.1f} deg"},
        }


def driven_slope(site: Site, recording: Path) -> tuple[DrivenSlope | None, str]:
    """Return the slope along a robot log's drive, or None and why there is none.

    One place is taken for each length of the base driven, so that each stands on other ground.
    """
    from swardwright.footage import open_source
    from swardwright.footage.streams import Wanted
    from swardwright.locating.ground import slope_of_tilts, tilt_slopes

    rig = site.rig
    wanted = Wanted(site.topics, rig.arm.joint_names, None, site.limits.pose_age_s, False, None)
    streams = open_source(recording).streams(wanted)
    tilt = None if streams.imu is None else streams.imu.tilt
    if streams.odometry is None or tilt is None:
        return None, "no IMU orientation beside odometry in this recording, so the slope against gravity is not known"
    odometry = streams.odometry
    zero = int(odometry.stamps_ns[0])
    drive, driven = (odometry.stamps_ns - zero) / 1e9, odometry.values
    at = (tilt.stamps_ns - zero) / 1e9
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(driven[:, :2], axis=0).T))])
    distance = float(along[-1])
    picked = []
    for mark in np.arange(0.0, distance + 1e-9, rig.base.length_m):
        time = float(drive[int(np.searchsorted(along, mark))])
        nearest = int(np.argmin(np.abs(at - time)))
        if abs(float(at[nearest]) - time) <= max(site.limits.pose_age_s, 0.1):
            picked.append((int(np.searchsorted(along, mark)), nearest))
    if len(picked) < PLACES_MIN:
        return None, (
            f"the drive of {distance:.1f} m is too short for a slope against gravity: drive "
            f"{PLACES_MIN * rig.base.length_m:.1f} m or more"
        )
    poses = driven[[i for i, _ in picked]]
    poses = np.column_stack([poses[:, :2], [wrap_angle(float(v)) for v in poses[:, 2]]])
    roll, pitch = tilt.values[[j for _, j in picked]].T
    tilted = slope_of_tilts(poses[:, 2], roll, pitch, 0.0, LEVEL_RAD)
    slopes, _ = tilt_slopes(poses[:, 2], roll, pitch)
    return DrivenSlope(tilted, frozen(poses), frozen(slopes), distance), ""


__all__ = ["DrivenSlope", "driven_slope"]

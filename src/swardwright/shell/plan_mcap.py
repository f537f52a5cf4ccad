"""A plan as an MCAP file with standard ROS 2 messages: the drive, the stops, and the arm's trajectory at each of them.

``/plan/drive`` (``nav_msgs/msg/Path``), ``/plan/stops`` (``geometry_msgs/msg/PoseArray``) and ``/plan/arm``
(``trajectory_msgs/msg/JointTrajectory``, one for each stop in the order of the stops). Stamps are on the plan's clock:
seconds from the start of the round. Axes: ``map`` is ground axes (x east, y north, z up: REP 103, REP 105).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.plan import Plan
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Rig
from swardwright.shell.plan_clock import TimedPose, drive_poses, stop_times
from swardwright.shell.plan_work import ArmWork
from swardwright.simulation.log import RosLog

DRIVE, STOPS, ARM = "/plan/drive", "/plan/stops", "/plan/arm"
GROUND = "map"


def write_plan_mcap(path: Path, plan: Plan, rig: Rig, work: Sequence[ArmWork]) -> None:
    """Write the drive, the stops and one arm trajectory for each stop, whole or not at all.

    A trajectory's stamp is the arrival at its stop, its first point the rest posture; points carry places and speeds of
    all moving joints of the URDF, by the URDF's names. The stands for pictures and heat are in its times.
    """
    with _PlanLog(path, library="swardwright plan") as log:
        drive = [pose for leg in drive_poses(plan, rig.base) for pose in leg]
        if drive:
            log.write(DRIVE, log.path_message(drive), 0)
            log.write(STOPS, log.pose_array([stop.base for stop in plan.stops]), 0)
        names = rig.arm.joint_names
        for times, one in zip(stop_times(plan), work, strict=True):
            at_ns = _ns(times.arrive_s)
            log.write(ARM, log.trajectory(at_ns, rig.arm.root, names, one), at_ns)


class _PlanLog(RosLog):
    def _pose(self, pose: BasePose) -> Any:
        half = 0.5 * pose.yaw_rad
        return self._make(
            "geometry_msgs/msg/Pose",
            position=self._make("geometry_msgs/msg/Point", x=float(pose.x_m), y=float(pose.y_m), z=0.0),
            orientation=self._make("geometry_msgs/msg/Quaternion", x=0.0, y=0.0, z=math.sin(half), w=math.cos(half)),
        )

    def path_message(self, drive: Sequence[TimedPose]) -> Any:
        """Return a Path: each pose stamped with its time."""
        poses = [
            self._make(
                "geometry_msgs/msg/PoseStamped", header=self._header(_ns(p.at_s), GROUND), pose=self._pose(p.pose)
            )
            for p in drive
        ]
        return self._make("nav_msgs/msg/Path", header=self._header(0, GROUND), poses=poses)

    def pose_array(self, poses: Sequence[BasePose]) -> Any:
        """Return a PoseArray."""
        made = [self._pose(pose) for pose in poses]
        return self._make("geometry_msgs/msg/PoseArray", header=self._header(0, GROUND), poses=made)

    def trajectory(self, stamp_ns: int, root: str, names: Sequence[str], work: ArmWork) -> Any:
        """Return a JointTrajectory with places and speeds."""
        none = np.zeros(0)
        points = []
        for at_s, joints, speed in zip(work.time_s, work.joints_rad, work.speed_rad_s, strict=True):
            after_ns = _ns(float(at_s))
            after = self._make("builtin_interfaces/msg/Duration", sec=after_ns // 10**9, nanosec=after_ns % 10**9)
            points.append(
                self._make("trajectory_msgs/msg/JointTrajectoryPoint", positions=np.array(joints),
                           velocities=np.array(speed), accelerations=none, effort=none, time_from_start=after)
            )  # fmt: skip
        return self._make("trajectory_msgs/msg/JointTrajectory", header=self._header(stamp_ns, root),
                          joint_names=list(names), points=points)  # fmt: skip


def _ns(at_s: float) -> int:
    return round(at_s * 1e9)

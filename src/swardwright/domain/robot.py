"""What a builder implements for their own machine, in one file: the ``Robot`` protocol.

The software is not a safety function: emergency stop, gas shut-off and dead-man switch are hardware.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import BasePose


@dataclass(frozen=True)
class RobotState:
    """One report of the machine; None means "not known", which the interlocks refuse on.

    Attributes
    ----------
    stamp_s : float
        When it was measured, the robot's clock, seconds since the epoch.
    now_s : float
        The robot's clock when it was handed over.
    base : BasePose
        The robot's own belief of its base pose, ground axes (odometry carried from the start pose, or better).
    base_covariance : tuple[float, ...]
        Nine numbers, row-major 3 x 3 covariance of x_m, y_m, yaw_rad.
    joints_rad : tuple[float, ...]
        In the arm's joint order.
    emergency_stop, dead_man_held, flame_lit : bool | None
        Hardware states as read.
    nearest_person_m : float | None
        Distance to the nearest person seen; ``inf`` for nobody in sight.
    wind_m_s : float | None
        Measured wind.
    gas_kg, battery : float | None
        Gas left (kg) and battery state of charge (0..1).
    """

    stamp_s: float
    now_s: float
    base: BasePose
    base_covariance: tuple[float, ...]
    joints_rad: tuple[float, ...]
    emergency_stop: bool | None
    dead_man_held: bool | None
    flame_lit: bool | None
    nearest_person_m: float | None
    wind_m_s: float | None
    gas_kg: float | None
    battery: float | None


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture from the arm's camera with the state at its exposure.

    ``image`` has shape (height, width, 3), uint8, red-green-blue.
    """

    image: NDArray[np.uint8]
    state: RobotState


@dataclass(frozen=True)
class HeatReport:
    """What one heat command did: how long the flame was on the ground, seconds, and gas used, kg."""

    heated_s: float
    gas_kg: float
    completed: bool
    reason: str = ""


@dataclass(frozen=True, eq=False)
class TimedWay:
    """A way of the arm over time, checked as sampled: straight in joint space from sample to sample, within 0.2 mm.

    Attributes
    ----------
    time_s : NDArray[np.float64]
        Shape (k,), k > 1: since the arm leaves, from 0, increasing.
    joints_rad, speed_rad_s : NDArray[np.float64]
        Shape (k, dof): the first where the arm stands; it stands still at both ends.
    """

    time_s: NDArray[np.float64]
    joints_rad: NDArray[np.float64]
    speed_rad_s: NDArray[np.float64]


@runtime_checkable
class Robot(Protocol):
    """A machine that can survey and treat. Every call blocks until done or raises ``RobotFaultError``."""

    def state(self) -> RobotState:
        """Return a fresh report."""

    def drive_to(self, target: BasePose) -> RobotState:
        """Drive so that the robot's own belief of its base pose is ``target`` (ground axes)."""

    def move_arm(self, joints_rad: tuple[float, ...]) -> RobotState:
        """Move the arm to a posture."""

    def picture(self) -> Picture:
        """Take a picture."""

    def light(self, on: bool) -> RobotState:
        """Light or put out the pilot flame."""

    def heat(self, seconds: float) -> HeatReport:
        """Full flame for ``seconds`` where the head points; cut short at once by the hardware interlocks."""

    def record_survey(self, lanes: tuple[tuple[BasePose, ...], ...], path: Path) -> None:
        """Drive lanes with the arm in survey posture and write an MCAP recording of it to ``path``."""

    def wait(self, seconds: float) -> None:
        """Let time pass (a simulated robot lets plants wilt and regrow)."""


@runtime_checkable
class GoingRobot(Robot, Protocol):
    """A machine whose arm also drives a whole way over time, as planned, without stops between its postures.

    One that cannot is moved from posture to posture with ``move_arm``, and stands still at each.
    """

    def move_through(self, way: TimedWay) -> RobotState:
        """Drive the way at its times and return when the arm stands at its end.

        The machine itself must stop at once, and stay where it is, when the emergency stop is pressed on the way.
        """

"""The error budget against the published tilt table, and against closed forms that can be worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.site import ErrorSources, Rig
from swardwright.locating.budget import budget

ZERO = ErrorSources(*[0.0] * 13)


def looking(angle_rad: float, errors: ErrorSources) -> tuple[Rig, np.ndarray]:
    """Return a rig whose camera stands 1 m above the base origin, that far off straight down, and the ground it sees.

    The optical axis leans forward (base x) by the angle; camera x is base -y.
    """
    roll, yaw = math.pi + angle_rad, -math.pi / 2.0
    text = f"""<robot name="mast"><link name="base_link"/><link name="mast"/><link name="eye"/>
    <joint name="lift" type="revolute"><parent link="base_link"/><child link="mast"/><origin xyz="0 0 1"/>
    <axis xyz="0 0 1"/><limit lower="-1" upper="1" velocity="1"/></joint>
    <joint name="optics" type="fixed"><parent link="mast"/><child link="eye"/><origin rpy="{roll} 0 {yaw}"/></joint>
    </robot>"""
    camera = Camera(1281, 961, 1000.0, 1000.0, 640.0, 480.0, np.zeros(5), np.zeros((4, 4)))
    rig = Rig(arm_from_urdf(text), camera, "eye", None, None, None, None, errors, ((0.0,),), (0.0,), (0.0,))  # type: ignore[arg-type]
    return rig, np.array([math.tan(angle_rad), 0.0])


#: mm per degree at a camera height of 1 m: h sec^2(a) da (the project's collected references, section 5)
TILT_TABLE = [(0, 17.5), (30, 23.3), (45, 34.9), (60, 69.8)]


@pytest.mark.parametrize(("angle_deg", "expected_mm"), TILT_TABLE)
def test_a_degree_of_camera_tilt(angle_deg: float, expected_mm: float) -> None:
    """The camera tilting about its own centre is the mount's angle; tolerance: the table's last digit."""
    rig, at = looking(math.radians(angle_deg), replace(ZERO, mount_rad=math.radians(1.0)))
    result = budget(rig, at, what="stop")
    along = 1e3 * math.sqrt(result.covariance_m2[0, 0])
    assert along == pytest.approx(expected_mm, abs=0.051)
    (part,) = [p for p in result.parts if result.share(p) > 1e-6]
    assert part.source == "mount"


@pytest.mark.parametrize("angle_deg", [0, 30, 45, 60])
def test_a_degree_of_base_tilt_turns_about_the_base_on_the_ground(angle_deg: float) -> None:
    """By hand: ground at h tan(a) from the base is raised by h tan(a) da, which slides tan(a) further: h tan^2(a) da.

    Less than the table by h da, because a base that tilts carries its camera along.
    """
    angle = math.radians(angle_deg)
    rig, at = looking(angle, replace(ZERO, tilt_rad=math.radians(1.0), crown_m=1e-3))
    part = budget(rig, at, what="stop").part("tilt")
    assert part is not None
    assert math.sqrt(part.covariance_m2[0, 0]) == pytest.approx(math.tan(angle) ** 2 * math.radians(1.0), abs=1e-9)


@pytest.mark.parametrize("angle_deg", [0, 30, 45, 60])
def test_a_height_error_adds_its_tangent(angle_deg: float) -> None:
    """tan(a) dh (the project's collected references, section 5)."""
    rig, at = looking(math.radians(angle_deg), replace(ZERO, ground_m=0.01, crown_m=1e-3))
    part = budget(rig, at, what="stop").part("ground")
    assert part is not None
    expected = math.tan(math.radians(angle_deg)) * 0.01
    assert math.sqrt(part.covariance_m2[0, 0]) == pytest.approx(expected, abs=1e-9)
    assert part.covariance_m2[1, 1] == pytest.approx(0.0, abs=1e-15)


def test_looks_average_as_the_mean_of_independent_draws_does() -> None:
    """sigma / sqrt(n) for what looks do not share, all of it for what they share (any textbook of statistics)."""
    rig, at = looking(0.3, replace(ZERO, pixel_px=2.0, ground_m=0.01))
    one, nine = (budget(rig, at, what="stop", looks=n) for n in (1, 9))
    assert nine.part("pixel").sigma_m == pytest.approx(one.part("pixel").sigma_m / 3.0, rel=1e-6)  # type: ignore[union-attr]
    assert nine.part("ground").sigma_m == pytest.approx(one.part("ground").sigma_m, rel=1e-6)  # type: ignore[union-attr]
    floor = budget(rig, at, what="stop", looks=math.inf)
    assert floor.sigma_m == pytest.approx(one.part("ground").sigma_m, rel=1e-3)  # type: ignore[union-attr]

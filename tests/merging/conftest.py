"""A synthetic survey, drawn from the stated error sources and projected through the true, non-linear chain."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from swardwright.domain.frame import Detection, Frame, Track
from swardwright.domain.site import ErrorSources, Rig
from swardwright.domain.weed import Look, Sighting
from swardwright.locating import locate, looks
from swardwright.simulation import pixel_survey
from swardwright.simulation.pixel_survey import Growth, TrueRig, invented_rig, lanes

ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=math.radians(0.3), mount_m=0.003, joint_rad=math.radians(0.05),
    tilt_rad=math.radians(0.25), ground_m=0.006, start_m=0.01, start_rad=math.radians(0.5), odometry_per_m=0.01,
    yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012,
)  # fmt: skip


@dataclass
class Survey:
    """A survey with its truth: ``owner[detection id]`` is the plant, -1 a false alarm."""

    rig: Rig
    plants: np.ndarray
    growth: Growth
    truth: TrueRig
    frames: list[Frame]
    track: Track
    detections: list[Detection]
    owner: dict[str, int]
    true_bases: np.ndarray
    sightings: list[Sighting]
    looks: list[Look]


def survey(seed: int, *, length: float = 4.0, count: int = 2, spacing: float = 1.0,
           plants: np.ndarray | Growth | int = 30, apart: float = 0.08, fixes: bool = True, detect: float = 0.92,
           alarms_m2: float = 0.03,
           errors: ErrorSources = ERRORS, name: str = "survey", truth: TrueRig | None = None) -> Survey:  # fmt: skip
    """Draw a survey."""
    rng = np.random.default_rng(seed)
    rig = invented_rig(errors)
    truth = truth or TrueRig.draw(rig, rng)
    if isinstance(plants, int):
        placed: list[np.ndarray] = []
        while len(placed) < plants:
            p = rng.uniform([-0.3, -0.6], [length + 0.3, (count - 1) * spacing + 0.6])
            if all(np.linalg.norm(p - q) >= apart for q in placed):
                placed.append(p)
        plants = np.array(placed)
    drawn = pixel_survey.draw_survey(rig, plants, lanes(length, count, spacing), rng, fixes=fixes, detect=detect,
                                     alarms_m2=alarms_m2, name=name, truth=truth)  # fmt: skip
    return Survey(
        rig, drawn.growth.crowns_m, drawn.growth, truth, list(drawn.frames), drawn.track, list(drawn.detections),
        drawn.owner, drawn.true_bases,
        locate(drawn.frames, drawn.detections, rig),
        looks(drawn.frames, rig, detection_probability=detect, false_alarms_m2=max(alarms_m2, 0.01)),
    )  # fmt: skip


@pytest.fixture(scope="session")
def draw_survey() -> Callable[..., Survey]:
    return survey

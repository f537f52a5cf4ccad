"""Pictures whose edge cuts a plant: they neither place it nor miss it where another picture shows it whole."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

import swardwright.merging as merging
from swardwright.domain.site import ErrorSources
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.domain.weed import Look, Sighting
from swardwright.locating import locate
from swardwright.merging import merge
from swardwright.merging.whole import seen_whole, whole_in

Draw = Callable[..., Any]


def look(frame_id: str, x: float, *, bands: bool = False) -> Look:
    """Return a picture of a square metre of ground whose west edge lies at x."""
    corners = np.array([[x, 0.0], [x + 1, 0.0], [x + 1, 1.0], [x, 1.0]])
    inner = np.array([x + 0.5, 0.5]) + 0.92 * (corners - [x + 0.5, 0.5])
    return Look(frame_id, inner if bands else corners, 0.8, 0.1, ((corners, 0.8),) if bands else ())


def sighting(frame_id: str, x: float, y: float, radius: float, sd: float = 0.001) -> Sighting:
    name = f"{frame_id}#{x:.2f}"
    own = SharedError("pixel", Scope.PIXEL, name, np.eye(2), sd**2 * np.eye(2), None)
    return Sighting(name, frame_id, np.array([x, y]), sd**2 * np.eye(2), radius, 0.01, 0.9, (("dock", 1.0),), (own,))


def test_discs_in_outlines_against_shapely() -> None:
    """Outlines of every sort, some bent inwards as a lens with barrel distortion leaves them on the ground."""
    rng = np.random.default_rng(4)
    for _ in range(40):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 12))
        corners = rng.uniform(0.5, 1.0, 12)[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        outline = Polygon(corners)
        middles, radii = rng.uniform(-1, 1, (200, 2)), rng.uniform(0, 0.4, 200)
        got = whole_in(Look("a", corners, 0.8, 0.1), middles, radii)
        wanted = [
            outline.contains(Point(p)) and outline.exterior.distance(Point(p)) >= r
            for p, r in zip(middles, radii, strict=True)
        ]
        assert got.tolist() == wanted
        assert got.any()


@pytest.mark.parametrize("bands", [False, True])
def test_cut_sightings_are_left_out_where_another_picture_shows_the_whole(bands: bool) -> None:
    cut, whole = sighting("a", 0.95, 0.5, 0.1), sighting("b", 0.97, 0.5, 0.1)
    alone = sighting("a", 0.3, 0.04, 0.1)  # its south is in no picture
    unknown = sighting("c", 0.99, 0.5, 0.1)
    looks = [look("a", 0.0, bands=bands), look("b", 0.5, bands=bands)]
    assert seen_whole([cut, whole, alone, unknown], looks) == [whole, alone, unknown]
    assert seen_whole([cut, alone], looks[:1]) == [cut, alone]
    # 2 cm of a disc of 10 cm and its 1 cm of doubt cut off: the middle moves by 1 cm
    assert seen_whole([sighting("a", 0.91, 0.5, 0.1, sd=0.0105)], looks) != []
    assert seen_whole([sighting("a", 0.91, 0.5, 0.1, sd=0.0095)], looks) == []


@pytest.mark.parametrize("seed", [17, 19])
def test_a_drive_over_wide_plants_is_not_shortened(draw_survey: Draw, monkeypatch: pytest.MonkeyPatch,
                                                   seed: int) -> None:  # fmt: skip
    """Plants of 150 px radius, of which the detector sees the part in the picture and takes its middle.

    Nothing but the pictures says how far the base went to better than 2 % of 5 m.
    """
    errors = ErrorSources(
        pixel_px=1.2, crown_m=0.003, mount_rad=math.radians(0.3), mount_m=0.003, joint_rad=math.radians(0.05),
        tilt_rad=math.radians(0.25), ground_m=0.006, start_m=0.01, start_rad=math.radians(0.5), odometry_per_m=0.01,
        yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012, odometry_scale=0.02,
    )  # fmt: skip
    survey = draw_survey(seed, length=5.0, count=1, plants=30, apart=0.15, fixes=False, alarms_m2=0.0, errors=errors)
    size = (survey.rig.camera.width_px, survey.rig.camera.height_px)
    radius, found = 150.0, []
    for d in survey.detections:
        u, v = (
            0.5 * (max(x - radius, -0.5) + min(x + radius, n - 0.5))
            for x, n in zip((d.u_px, d.v_px), size, strict=True)
        )
        found.append(dataclasses.replace(d, u_px=u, v_px=v, radius_px=radius, crown_sd_px=8.0, log_radius_sd=0.5))
    sightings = locate(survey.frames, found, survey.rig)
    true = {f.id: pose for f, pose in zip(survey.frames, survey.true_bases, strict=True)}

    def too_far_m() -> float:
        poses = merge(None, sightings, survey.looks, tracks=[survey.track]).base_poses
        (first, a), (last, b) = poses[0], poses[-1]
        return float((b.x_m - a.x_m) - (true[last][0] - true[first][0]))

    assert abs(too_far_m()) < 0.04
    monkeypatch.setattr(merging, "seen_whole", lambda sightings, looks: list(sightings))
    assert too_far_m() < -0.08


def test_a_picture_that_cuts_a_plant_has_not_missed_it() -> None:
    """Seen in a and b; c and d hold its crown and do not see it: c shows all of it, d cuts it."""
    seen = [sighting("a", 0.6, 0.5, 0.2, sd=0.01), sighting("b", 0.6, 0.5, 0.2, sd=0.01)]
    seen[1] = dataclasses.replace(seen[1], id="b#0")
    looks = [look("a", 0.0), look("b", 0.1)]

    def belief(more: list[Look]) -> float:
        (weed,) = merge(None, seen, [*looks, *more]).weeds
        return weed.presence

    assert belief([look("d", 0.5)]) == pytest.approx(belief([]))
    assert belief([look("c", 0.15)]) < belief([]) - 0.01

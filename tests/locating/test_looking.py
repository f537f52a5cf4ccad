"""Looks: bands of detection probability follow the picture's edge and average to what the card says."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.poses import BasePose
from swardwright.domain.site import ErrorSources, Rig
from swardwright.locating import locate, looks
from swardwright.locating.looking import BANDS_MAX, default_bands, ground_sampling
from swardwright.simulation.pixel_survey import invented_rig

BANDS = ((0.0, 0.3), (20.0, 0.6), (120.0, 0.95))


@pytest.fixture(scope="module")
def rig() -> Rig:
    return invented_rig(ErrorSources(*[1e-4] * 13))


def look_down(rig: Rig, number: int = 0) -> Frame:
    return Frame(f"r/{number}", "r", number, "p", (1280, 960), base=BasePose(2.0 + number, -1.0, 0.7),
                 joints_rad=rig.survey_joints_rad)  # fmt: skip


def test_each_place_has_the_probability_of_its_pixels_distance_from_the_edge(rig: Rig) -> None:
    """Random pixels carried to the ground by ``locate``: straight sides of 6 points bend by < 1 px under this lens."""
    frame, rng = look_down(rig), np.random.default_rng(0)
    (look,) = looks([frame], rig, detection_probability=0.9, false_alarms_m2=0.1, bands=BANDS)
    pixels = rng.uniform([-0.4, -0.4], [1279.4, 959.4], (3000, 2))
    edge = np.minimum(pixels + 0.5, [1279.5, 959.5] - pixels).min(axis=1)
    kinds = (("clover", 1.0),)
    places = np.array([
        s.mean_m for s in locate([frame], [Detection(f"r/0#{i:04d}", "r/0", *p, 9.0, 0.9, kinds)
                                           for i, p in enumerate(pixels.tolist())], rig)
    ])  # fmt: skip
    wanted = np.select([edge < 20, edge < 120], [0.3, 0.6], 0.95)
    clear = (np.abs(edge[:, None] - [0, 20, 120]) > 2.5).all(axis=1)
    assert clear.sum() > 2500
    assert (look.detection_at(places)[clear] == wanted[clear]).all()
    assert look.detection_at(places.mean(axis=0) + np.array([[5.0, 0.0]])).tolist() == [0.0]
    assert look.detection_probability == 0.9


def test_many_frames_give_what_each_gives_alone(rig: Rig) -> None:
    frames = [look_down(rig, n) for n in range(3)]
    together = looks(frames, rig, detection_probability=0.9, false_alarms_m2=0.1)
    for frame, look in zip(frames, together, strict=True):
        (alone,) = looks([frame], rig, detection_probability=0.9, false_alarms_m2=0.1)
        assert np.array_equal(alone.corners_m, look.corners_m)
        assert [p for _, p in alone.bands] == [p for _, p in look.bands]
        assert all(np.array_equal(a, b) for (a, _), (b, _) in zip(alone.bands, look.bands, strict=True))


@pytest.mark.parametrize("size", [(1280, 960), (640, 640), (64, 48), (4000, 1000)])
@pytest.mark.parametrize("mean", [0.05, 0.6, 0.9632, 0.999])
def test_default_bands_average_to_what_the_card_says(size: tuple[int, int], mean: float) -> None:
    """Summed over 400 x 400 places of the picture, independently of how the bands' areas are worked out."""
    camera = Camera(*size, 500.0, 500.0, size[0] / 2, size[1] / 2, np.zeros(5), np.zeros((4, 4)))
    bands = default_bands(camera, mean)
    u, v = np.meshgrid((np.arange(400) + 0.5) / 400 * size[0], (np.arange(400) + 0.5) / 400 * size[1])
    edge = np.minimum(np.minimum(u, size[0] - u), np.minimum(v, size[1] - v))
    at = np.array([p for _, p in bands])[np.searchsorted([d for d, _ in bands], edge, side="right") - 1]
    assert at.mean() == pytest.approx(mean, abs=0.004)  # 400 rows resolve an edge to 0.25 % of the side
    probabilities = [p for _, p in bands]
    assert probabilities == sorted(probabilities)
    assert 0 < probabilities[0] < probabilities[-1] < 1


def test_bands_wider_than_the_picture_are_left_out(rig: Rig) -> None:
    wide = ((0.0, 0.5), (100.0, 0.9), (700.0, 0.99))
    (look,) = looks([look_down(rig)], rig, detection_probability=0.9, false_alarms_m2=0.1, bands=wide)
    assert [p for _, p in look.bands] == [0.5, 0.9]


@pytest.mark.parametrize(
    "bands",
    [(), ((1.0, 0.5),), ((0.0, 0.5), (0.0, 0.6)), ((0.0, 0.5), (9.0, 1.0)), ((0.0, 0.0),), ((0.0, math.nan),),
     ((0.0, 0.5), (math.nan, 0.6)), ((0.0, 0.5), (9.0, 0.6), (5.0, 0.7)),
     tuple((float(n), 0.5) for n in range(BANDS_MAX + 1))],
)  # fmt: skip
def test_bad_bands_are_refused(rig: Rig, bands: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(InputError, match="band"):
        looks([look_down(rig)], rig, detection_probability=0.9, false_alarms_m2=0.1, bands=bands)


def test_ground_sampling_is_how_far_the_middle_pixels_lie_apart(rig: Rig) -> None:
    frames = [look_down(rig, n) for n in range(3)]
    width, height = rig.camera.width_px, rig.camera.height_px
    middle = np.array([width - 1, height - 1]) / 2
    kinds = (("clover", 1.0),)
    around = [
        Detection(f"r/0#{i}", "r/0", *map(float, middle + d), 9.0, 0.9, kinds)
        for i, d in enumerate(([-1, 0], [1, 0], [0, -1], [0, 1]))
    ]
    a, b, c, d = (s.mean_m for s in locate(frames[:1], around, rig))
    area = abs(np.linalg.det(np.array([b - a, d - c]) / 2))
    assert ground_sampling(frames, rig) == pytest.approx(float(np.sqrt(area)), rel=1e-4)
    bare = dataclasses.replace(frames[0], base=None, joints_rad=None)
    assert ground_sampling([bare], rig) is None
    assert ground_sampling([bare, *frames], rig) == pytest.approx(ground_sampling(frames, rig))

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.simulation.plants import KINDS, Plant, draw_plant, stand_of_plants
from swardwright.simulation.scenes import teaching_scene, teaching_views
from swardwright.simulation.turf import TurfLook, render_turf
from swardwright.simulation.world import new_world


@pytest.mark.parametrize("seed", [7, 101, 105])
def test_a_stand_keeps_its_distances_and_has_every_kind_and_stage(seed: int) -> None:
    world = new_world(seed)
    plants = world.plants()
    assert len(plants) == 120
    assert {p.kind for p in plants} == set(KINDS)
    assert {p.stage for p in plants} == {0, 1, 2}
    for a, b in itertools.combinations(plants, 2):
        assert math.hypot(a.x_m - b.x_m, a.y_m - b.y_m) >= 0.08
    for p in plants:
        assert 0 < p.x_m < 12
        assert 0 < p.y_m < 8
        assert 0.012 <= p.radius_m <= 0.070
        assert not (7.25 <= p.x_m <= 7.55 and 3.85 <= p.y_m <= 4.15)  # the sprinkler box of site.toml


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("stage", [0, 1, 2])
def test_a_drawn_plant_is_centred_and_as_large_as_it_says(kind: str, stage: int) -> None:
    widest = []
    for seed in range(6):
        plant = Plant("p", kind, 0, 0, (0.018, 0.03, 0.05)[stage], stage, seed)
        _, cover, _ = draw_plant(plant, 0.0015)
        rows, columns = np.nonzero(cover > 0.3)
        middle = (cover.shape[0] - 1) / 2
        distance = np.hypot(rows - middle, columns - middle) * 0.0015
        widest.append(np.quantile(distance, 0.98))
        assert np.hypot(rows.mean() - middle, columns.mean() - middle) * 0.0015 < 0.45 * plant.radius_m
    assert 0.6 * plant.radius_m < np.mean(widest) < 1.2 * plant.radius_m


def test_burnt_plants_are_brown_and_go() -> None:
    green, cover, _ = draw_plant(Plant("p", "plantain", 0, 0, 0.05, 2, 4), 0.0015)
    brown, less, _ = draw_plant(Plant("p", "plantain", 0, 0, 0.05, 2, 4, brown=1.0, cover=0.3), 0.0015)
    green_mean, brown_mean = green[cover > 0.5].mean(axis=0), brown[less > 0.5].mean(axis=0)
    assert green_mean[1] > green_mean[0] + 10
    assert brown_mean[0] > brown_mean[1]
    assert less.sum() < 0.6 * cover.sum()


def test_same_seed_same_turf_other_seed_other_turf() -> None:
    def turf(seed: int) -> np.ndarray:
        return render_turf(np.random.default_rng(seed), (0.6, 0.5), 0.1, TurfLook()).image

    assert np.array_equal(turf(3), turf(3))
    assert not np.array_equal(turf(3), turf(4))


def test_turf_does_not_repeat() -> None:
    """No shift of the picture looks like the picture: autocorrelation by FFT, the neighbourhood of zero left out."""
    image = render_turf(np.random.default_rng(0), (2.4, 2.4), 0.0, TurfLook(stripe=0, shade_m2=0)).image
    grey = image[..., 1].astype(float)
    grey -= cv2.GaussianBlur(grey, (0, 0), 8)
    power = np.fft.ifft2(np.abs(np.fft.fft2(grey)) ** 2).real
    power /= power[0, 0]
    for rows in (slice(None, 40), slice(-40, None)):
        for columns in (slice(None, 40), slice(-40, None)):
            power[rows, columns] = 0
    assert power.max() < 0.15


def test_green_of_turf_is_green() -> None:
    mean = render_turf(np.random.default_rng(0), (1.0, 1.0), 0.0, TurfLook()).image.mean(axis=(0, 1))
    assert mean[1] > mean[0] > mean[2]


def test_seeds_for_teaching_and_for_the_demo_are_kept_apart() -> None:
    with pytest.raises(InputError):
        teaching_scene(7)
    with pytest.raises(InputError):
        new_world(1_000_000)
    for seed in (-1, True, 1.5):
        with pytest.raises(InputError):
            new_world(seed)  # type: ignore[arg-type]


def test_teaching_views_are_repeatable_and_labelled() -> None:
    from swardwright.domain.camera import Camera

    camera = Camera(320, 240, 225, 225, 160, 120, np.zeros(5), np.zeros((4, 4)))
    first = list(teaching_views(1_000_002, camera, 2))
    again = list(teaching_views(1_000_002, camera, 2))
    assert all(np.array_equal(a, b) and la == lb for (a, la), (b, lb) in zip(first, again, strict=True))
    assert sum(len(labels) for _, labels in first) > 0


def test_a_ground_without_size_is_refused() -> None:
    with pytest.raises(InputError):
        render_turf(np.random.default_rng(0), (1e6, 1e6), 0.0)


def test_standing_plants_are_kept_clear_of() -> None:
    standing = tuple(stand_of_plants(np.random.default_rng(1), (1.0, 1.0), 20))
    new = stand_of_plants(np.random.default_rng(2), (1.0, 1.0), 10, standing=standing)
    assert min(math.hypot(a.x_m - b.x_m, a.y_m - b.y_m) for a in standing for b in new) >= 0.08

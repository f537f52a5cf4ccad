"""Teaching scenes of wide variety: repeatable, labelled on the plants, every ground, shape, sky and spectrum met."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.simulation import varied
from swardwright.simulation.grounds import GROUNDS, base_ground, lit
from swardwright.simulation.plants import KINDS
from swardwright.simulation.shapes import OTHER, SHAPES, Sunlight, VariedPlant, draw_varied, leaf_colour
from swardwright.simulation.varied import SPECK_PX, varied_scene, varied_view
from swardwright.simulation.weather import SKIES, SPECTRA, Spectrum, Weather, shot

SEEDS = (1_970_010, 1_970_011, 1_970_012)


@pytest.fixture(scope="module")
def scenes() -> dict[int, varied.VariedScene]:
    return {seed: varied_scene(seed) for seed in SEEDS}


def test_a_scene_is_the_same_each_time_and_its_pictures_do_not_hang_on_each_other(scenes) -> None:
    again = varied_scene(SEEDS[0])
    assert np.array_equal(again.ground.image, scenes[SEEDS[0]].ground.image)
    assert again.plants == scenes[SEEDS[0]].plants
    alone, after = varied_view(again, SEEDS[0], 1), varied_view(scenes[SEEDS[0]], SEEDS[0], 1)
    assert np.array_equal(alone.picture, after.picture)
    assert alone.labels == after.labels
    assert not np.array_equal(alone.picture, varied_view(again, SEEDS[0], 0).picture)
    assert not np.array_equal(again.ground.image, scenes[SEEDS[1]].ground.image)


def test_labels_lie_in_the_picture_and_on_their_plants(scenes) -> None:
    """Ground pixels within the label's radius of the crown belong to the plant, as the mask of what is seen says."""
    checked = 0
    for seed, scene in scenes.items():
        number = {p.id: i + 1 for i, p in enumerate(scene.plants)}
        for k in range(3):
            view = varied_view(scene, seed, k)
            for label in view.labels:
                assert 0 <= label.u_px <= 1279
                assert 0 <= label.v_px <= 959
                assert label.radius_px >= SPECK_PX
                ideal, _, _ = view.camera.unproject(np.array([[label.u_px, label.v_px]]))
                ray = view.pose.rotation @ [*ideal[0], 1.0]
                hit = view.pose.translation_m - ray * view.pose.translation_m[2] / ray[2]
                column, row = (float(v) for v in scene.ground.pixel(hit[0], hit[1]))
                radius = label.radius_px * view.metres_per_px / scene.ground.resolution_m
                rows, columns = np.ogrid[: varied.ROWS, : varied.COLUMNS]
                disc = np.hypot(rows - row, columns - column) <= max(1.15 * radius, 2)
                own = scene.owner == number[label.plant_id]
                assert own[disc].sum() >= 0.8 * own.sum(), label
                assert own.sum() >= 4
                checked += 1
    assert checked > 20


def test_cameras_stand_from_low_to_high_and_see_drawn_ground_only(scenes) -> None:
    heights, tilts = [], []
    for seed, scene in scenes.items():
        for k in range(4):
            view = varied_view(scene, seed, k)
            heights.append(view.pose.translation_m[2])
            tilts.append(math.degrees(math.acos(-view.pose.rotation[2, 2])))
            assert varied._inside(
                view.camera, view.pose, np.array([varied.COLUMNS, varied.ROWS]) * scene.ground.resolution_m
            )
            assert 0.7 < view.metres_per_px / scene.ground.resolution_m < 1.45
    assert min(heights) >= 0.3
    assert max(heights) <= 2.5
    assert max(tilts) <= 20.5
    assert max(tilts) > 4


def test_every_ground_shape_sky_and_spectrum_is_met_within_200_seeds(monkeypatch: pytest.MonkeyPatch) -> None:
    """The draws are the scenes' own; only the painting, which decides nothing here, is left out."""
    plain = np.full((varied.ROWS, varied.COLUMNS, 3), 90, np.uint8)
    monkeypatch.setattr(varied, "base_ground", lambda *_: plain)
    monkeypatch.setattr(varied, "_paint", lambda ground, plants, *_: (np.zeros((1, 1), np.int16), np.ones(len(plants))))
    for name in ("_litter", "_over"):
        monkeypatch.setattr(varied, name, lambda *_: None)
    monkeypatch.setattr(varied, "sky_shadows", lambda rng, image, res, weather: image)
    monkeypatch.setattr(varied, "frosted", lambda rng, image, res, depth: image)
    drawn = [varied_scene(1_980_000 + i) for i in range(200)]
    assert {s.surface for s in drawn} == set(GROUNDS)
    assert {s.weather.sky for s in drawn} == set(SKIES)
    assert {s.spectrum.name for s in drawn} == set(SPECTRA)
    plants = [p for s in drawn for p in s.plants]
    assert {p.shape for p in plants} == {*KINDS, *SHAPES}
    assert {p.kind for p in plants} == {*KINDS, OTHER}
    assert {p.kind for p in plants if p.shape in SHAPES} == {OTHER}
    radii = [p.radius_m for p in plants]
    assert min(radii) < 0.005
    assert max(radii) > 0.12
    assert any(p.mown_m for p in plants)
    assert any(p.bitten for p in plants)
    assert any(p.yellow > 0.3 for p in plants)
    assert any(not s.plants for s in drawn)


@pytest.mark.parametrize("shape", list(SHAPES))
def test_a_shape_is_about_its_crown_and_as_large_as_it_says(shape: str) -> None:
    widest = []
    for seed in range(5):
        plant = VariedPlant("p", OTHER, 0, 0, 0.03, seed % 3, seed, shape=shape, colour=(90, 140, 60))
        _, cover, _ = draw_varied(plant, 0.001, 1.0, Sunlight(), 0.0)
        rows, columns = np.nonzero(cover > 0.3)
        middle = (len(cover) - 1) / 2
        distance = np.hypot(rows - middle, columns - middle) * 0.001
        widest.append(np.quantile(distance, 0.98))
        assert distance.max() <= 1.35 * plant.radius_m
        assert np.hypot(rows.mean() - middle, columns.mean() - middle) * 0.001 < 0.5 * plant.radius_m
    assert 0.6 * 0.03 < np.mean(widest) < 1.2 * 0.03


def test_a_plant_that_looks_like_the_ground_does_not_stand_out() -> None:
    ground = np.full((60, 60, 3), (80, 130, 55), np.uint8)
    red, mask = ground.copy(), np.zeros((60, 60), bool)
    mask[20:40, 20:40] = True
    red[mask] = (130, 80, 55)  # as bright as the ground, in another colour
    near = varied._stands_out(Spectrum("colour"), ground, red, mask, 20)
    grey = varied._stands_out(Spectrum("grey"), ground, red, mask, 20)
    assert near > 40 > 20 > grey
    assert varied._stands_out(Spectrum("colour"), ground, ground, mask, 20) == 0


def test_mown_and_bitten_plants_are_less_and_end_where_they_were_cut() -> None:
    whole = VariedPlant("p", OTHER, 0, 0, 0.04, 2, 5, shape="broad", colour=(90, 140, 60))
    cut = VariedPlant("p", OTHER, 0, 0, 0.04, 2, 5, shape="broad", colour=(90, 140, 60), mown_m=0.02, bitten=4)
    _, all_of_it, _ = draw_varied(whole, 0.001, 1.0, Sunlight(), 0.0)
    _, rest, _ = draw_varied(cut, 0.001, 1.0, Sunlight(), 0.0)
    rows, columns = np.nonzero(rest > 0.3)
    assert np.hypot(rows - len(rest) // 2, columns - len(rest) // 2).max() * 0.001 < 0.027
    assert 0 < rest.sum() < 0.7 * all_of_it.sum()


def test_leaf_colours_go_from_yellow_green_to_blue_green_and_red() -> None:
    rng = np.random.default_rng(0)
    hsv = [cv2.cvtColor(np.array([[leaf_colour(rng)]], np.uint8), cv2.COLOR_RGB2HSV)[0, 0, 0] for _ in range(600)]
    hues = 2.0 * np.array(hsv, float)
    assert ((hues > 55) & (hues < 160)).mean() > 0.85
    assert (hues < 75).any()
    assert ((hues > 130) & (hues < 160)).any()
    assert 0.02 < ((hues < 40) | (hues > 320)).mean() < 0.15


def test_a_bump_is_lit_on_the_sun_s_side_and_dark_away_from_it() -> None:
    axis = np.arange(-30, 31, dtype=np.float32)
    bump = np.asarray(6 * np.exp(-(axis[:, None] ** 2 + axis[None, :] ** 2) / 100), np.float32)
    shade = lit(bump, Sunlight(direction_rad=0.0, reach=1.5, depth=0.6))  # shadows fall towards larger columns
    assert shade[30, 24] > 1.05
    assert shade[30, 36] < 0.95
    turned = lit(bump, Sunlight(direction_rad=math.pi / 2, reach=1.5, depth=0.6))  # towards smaller rows (y is up)
    assert turned[24, 30] < 0.95 < 1.05 < turned[36, 30]


def test_leaves_are_bright_and_soil_is_dark_in_the_near_infrared() -> None:
    picture = np.zeros((40, 80, 3), np.uint8)
    picture[:, :40], picture[:, 40:] = (80, 130, 55), (118, 96, 70)
    near = Spectrum("infrared", 0.75, 0.3).seen(picture)
    assert np.array_equal(near[..., 0], near[..., 2])
    assert near[20, 15, 0] > 1.8 * near[20, 65, 0]
    false = Spectrum("false colour", 0.75, 0.3).seen(picture)
    assert false[20, 15, 0] > false[20, 15, 1] + 40
    assert np.array_equal(false[..., 2], picture[..., 1])
    assert Spectrum("colour").seen(picture) is picture


def test_one_channel_stays_one_channel_through_the_camera() -> None:
    rng = np.random.default_rng(3)
    picture = np.full((120, 160, 3), (80, 130, 55), np.uint8)
    for name in ("grey", "infrared"):
        taken = shot(rng, picture, Weather("low sun", 2.0, 0.6, (1.2, 1.0, 0.8)), Spectrum(name), 0.001, 1.0)
        assert np.array_equal(taken[..., 0], taken[..., 1])
        assert np.array_equal(taken[..., 0], taken[..., 2])


@pytest.mark.parametrize("name", GROUNDS)
def test_every_ground_is_drawn_repeatably_and_has_texture(name: str) -> None:
    one, two = (base_ground(np.random.default_rng(5), name, 200, 260, 0.001, Sunlight(0.4, 1.0, 0.5)) for _ in range(2))
    assert one.shape == (200, 260, 3)
    assert np.array_equal(one, two)
    assert one.std(axis=(0, 1)).min() > 3
    assert 15 < one.mean() < 235


def test_seeds_of_the_demo_are_refused() -> None:
    with pytest.raises(InputError):
        varied_scene(999_999)

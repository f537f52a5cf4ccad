"""Teaching scenes of wide variety: any ground, many plants, one sun; and what a camera over it may be like.

A scene has one scale: its pictures' ground sampling distance stays within a factor of 1.35 of the scene's, so that the
ground need not be drawn finer than a camera sees it. Camera heights run from 0.3 to 2.5 m.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Pose
from swardwright.simulation.decoys import bare_spot, blend, fallen_leaf
from swardwright.simulation.ground import Light, ViewLabel, labels_in_view, render_view
from swardwright.simulation.grounds import GRASSY, GROUNDS, Rng, base_ground, frosted, strokes
from swardwright.simulation.plants import KINDS
from swardwright.simulation.scenes import FIRST_TEACHING_SEED
from swardwright.simulation.shapes import OTHER, SHAPES, Sunlight, VariedPlant, draw_varied, leaf_colour, stage_of
from swardwright.simulation.turf import Floats, Ground, Image, smooth_noise
from swardwright.simulation.weather import Spectrum, Weather, shot, sky_shadows

#: pixels of a scene's ground, rows and columns
ROWS, COLUMNS = 1900, 2200
WIDTH, HEIGHT = 1280, 960
#: radii that a scene's plants may have: metres, and pixels at the scene's sampling distance
RADIUS_M, RADIUS_PX = (0.004, 0.15), (5.0, 130.0)
#: a plant smaller than this in a picture is a speck: neither a plant nor bare ground
SPECK_PX = 3.5
#: a plant with less of it in sight than this (under others) is nobody's label
SEEN_MIN = 0.4
#: a plant that differs by less than this many grey levels from what it covers is nobody's label either
STANDS_OUT = 9.0
_ID_COVER = 0.3


@dataclass(frozen=True, eq=False)
class VariedScene:
    """A piece of ground, its plants and what falls on it.

    Attributes
    ----------
    owner : NDArray
        Which plant is seen at each ground pixel: its number in ``plants`` plus one, 0 for none. Shape (rows, columns).
    seen : NDArray
        Share of each plant that others do not hide, shape (plants,); 0 where it does not stand out from the ground.
    """

    ground: Ground
    plants: tuple[VariedPlant, ...]
    owner: NDArray[np.int16]
    seen: NDArray[np.float64]
    surface: str
    sun: Sunlight
    weather: Weather
    spectrum: Spectrum


@dataclass(frozen=True, eq=False)
class VariedView:
    """One picture of a scene: ``labels`` a person would click; ``ignored`` are specks and plants out of sight."""

    picture: Image
    labels: tuple[ViewLabel, ...]
    ignored: tuple[ViewLabel, ...]
    camera: Camera
    pose: Pose
    metres_per_px: float


def varied_scene(seed: int) -> VariedScene:
    """Return the scene of a seed of 1,000,000 or above.

    Raises
    ------
    InputError
        If ``seed`` is one that the demo and the tests may use.
    """
    if seed < FIRST_TEACHING_SEED:
        raise InputError("this seed is kept for demo and tests", field="seed", value=seed,
                         limit=f"{FIRST_TEACHING_SEED} or more")  # fmt: skip
    rng = np.random.default_rng([seed, 103])
    surface = (
        GROUNDS[int(rng.integers(len(GROUNDS)))] if rng.random() < 0.7 else str(rng.choice(["turf", "thin", "soil"]))
    )
    res = float(np.exp(rng.uniform(math.log(0.00028), math.log(0.0024))))
    weather = Weather.draw(rng)
    sun = Sunlight(float(rng.uniform(0, 2 * math.pi)), weather.reach, weather.depth)
    image = base_ground(rng, surface, ROWS, COLUMNS, res, sun)
    ground = Ground(image, 0.0, ROWS * res, res)
    _litter(rng, ground, surface, sun)
    plants = _stand(rng, res, surface)
    spectrum = Spectrum.draw(rng)
    owner, seen = _paint(ground, plants, sun, surface, spectrum)
    _over(rng, ground, surface)
    if surface == "frost":
        ground = ground.with_image(frosted(rng, ground.image, res, float(rng.uniform(0.3, 0.8))))
    ground = ground.with_image(sky_shadows(rng, ground.image, res, weather))
    return VariedScene(ground, plants, owner, seen, surface, sun, weather, spectrum)


def _litter(rng: Rng, ground: Ground, surface: str, sun: Sunlight) -> None:
    """Draw what lies about and is no plant: stones, worm casts, leaves, straws, twigs, petals, bare spots."""
    res, (rows, columns) = ground.resolution_m, ground.image.shape[:2]

    def place() -> tuple[float, float]:
        return float(rng.uniform(0, columns * res)), float(rng.uniform(0, rows * res))

    many = float(rng.choice([0.0, 0.5, 1.0, 3.0]))
    if surface in GRASSY:
        for _ in range(rng.poisson(3 * many)):
            bare_spot(rng, ground, *place(), float(rng.uniform(10, 50) * res))
        for _ in range(rng.poisson(5 * many)):
            worm_cast(rng, ground, *place())
    for _ in range(rng.poisson(5 * many)):
        fallen_leaf(rng, ground, *place(), float(rng.uniform(0.8, 1.2)))
    for _ in range(rng.poisson(12 * many)):
        stone(rng, ground, *place(), sun)
    straw = np.array([[190, 172, 118], [150, 132, 92], [96, 74, 54]], float)
    strokes(rng, ground.image, int(rng.poisson(25 * many)), (0.02 / res, 0.09 / res), 0.0018 / res, straw, curl=0.1)
    if rng.random() < 0.15:
        bright = np.array([[238, 238, 232], [236, 204, 214], [230, 200, 60]], float)[rng.integers(3)][None]
        strokes(rng, ground.image, int(rng.poisson(40)), (0.004 / res, 0.008 / res), 0.004 / res, bright)


def worm_cast(rng: Rng, ground: Ground, x_m: float, y_m: float) -> None:
    """Draw a small heap of soil crumbs."""
    colour = np.array([96.0, 82, 62]) * rng.uniform(0.7, 1.15)
    spread = rng.uniform(0.004, 0.012)
    for _ in range(int(rng.integers(8, 26))):
        column, row = ground.pixel(*(np.array([x_m, y_m]) + rng.normal(0, spread, 2)))
        centre = (round(float(column)), round(float(row)))
        size = max(round(rng.uniform(0.0012, 0.0035) / ground.resolution_m), 1)
        cv2.circle(ground.image, (centre[0] + 1, centre[1] + 1), size, (colour * 0.4).tolist(), -1, cv2.LINE_AA)
        cv2.circle(ground.image, centre, size, (colour * rng.uniform(0.8, 1.3)).tolist(), -1, cv2.LINE_AA)


def stone(rng: Rng, ground: Ground, x_m: float, y_m: float, sun: Sunlight) -> None:
    """Draw a stone: a rough outline, lit from the sun's side, with a shadow."""
    radius = rng.uniform(0.003, 0.025) / ground.resolution_m
    half = int(1.4 * radius) + 4
    angle = np.linspace(0, 2 * math.pi, 14, endpoint=False)
    outline = (
        radius * rng.uniform(0.75, 1.1, 14)[:, None] * np.stack([np.cos(angle), rng.uniform(0.6, 1) * np.sin(angle)], 1)
    )
    mask, dark = (np.zeros((2 * half + 1, 2 * half + 1), np.float32) for _ in range(2))
    away = np.array([math.cos(sun.direction_rad), -math.sin(sun.direction_rad)])
    lift = max(0.15 * radius * sun.reach, 1.0) * away
    cv2.fillPoly(dark, [np.round((outline + half + lift) * 8).astype(np.int32)], 0.3 + 0.5 * sun.depth, cv2.LINE_AA, 3)
    cv2.fillPoly(mask, [np.round((outline + half) * 8).astype(np.int32)], 1.0, cv2.LINE_8, 3)
    mask, dark = cv2.GaussianBlur(mask, (0, 0), 0.7), cv2.GaussianBlur(dark, (0, 0), 1.2)
    axis = np.arange(-half, half + 1, dtype=np.float32) / max(radius, 1.0)
    shade = (
        1.0
        - 0.3 * (away[1] * axis[:, None] + away[0] * axis[None, :])
        + 0.06 * smooth_noise(rng, 2 * half + 1, 2 * half + 1, 3.0, 2)
    )
    colour = np.array([[150, 146, 138], [110, 104, 98], [180, 170, 150], [128, 110, 94]], float)[rng.integers(4)]
    paint = (colour * rng.uniform(0.7, 1.2) * shade[..., None]).astype(np.float32)
    blend(ground, x_m, y_m, np.full_like(paint, 12.0), np.asarray(dark, np.float32))
    blend(ground, x_m, y_m, np.clip(paint, 0, 255), np.asarray(mask, np.float32))


def _stand(rng: Rng, res: float, surface: str) -> tuple[VariedPlant, ...]:
    """Draw the plants: a few species of the scene, sizes about one another, apart, touching or overlapping."""
    size = (COLUMNS * res, ROWS * res)
    # between blades of grass nobody finds what is no larger than a blade
    low = max(RADIUS_M[0], RADIUS_PX[0] * res * (1.6 if surface in GRASSY else 1.0))
    high = min(RADIUS_M[1], RADIUS_PX[1] * res)
    names = [*KINDS, *SHAPES]
    weight = np.array([2.0 if name in KINDS else 1.0 for name in names])
    species = [str(n) for n in rng.choice(names, int(rng.integers(1, 9)), replace=False, p=weight / weight.sum())]
    colours = {name: leaf_colour(rng) for name in species}
    usual = {name: float(np.exp(rng.uniform(math.log(low * 1.3), math.log(high * 0.75)))) for name in species}
    share = rng.dirichlet(np.full(len(species), 1.2))
    touching = float(rng.choice([1.05, 0.8, 0.55]))
    sick, mown = (float(rng.uniform(0, 0.6)) if rng.random() < p else 0.0 for p in (0.3, 0.15))
    parents, clusters = rng.uniform((0, 0), size, (6, 2)), float(rng.uniform(0, 0.8))
    wanted, cover = int(rng.integers(8, 110)) if rng.random() > 0.03 else 0, float(rng.uniform(0.02, 0.3))
    budget = cover * size[0] * size[1]
    plants: list[VariedPlant] = []
    for _ in range(4 * wanted):
        if len(plants) >= wanted or budget <= 0:
            break
        name = species[int(rng.choice(len(species), p=share))]
        radius = float(np.clip(usual[name] * math.exp(rng.normal(0, 0.35)), low, high))
        if rng.random() < clusters:
            x, y = parents[int(rng.integers(6))] + rng.normal(0, 0.12 * size[0], 2)
        else:
            x, y = rng.uniform((0, 0), size)
        if not (0 < x < size[0] and 0 < y < size[1]):
            continue
        if any(math.hypot(x - p.x_m, y - p.y_m) < max(touching * (radius + p.radius_m), 0.6 * max(radius, p.radius_m))
               for p in plants):  # fmt: skip
            continue
        kind = name if name in KINDS else OTHER
        own = kind != OTHER and rng.random() < 0.6
        colour = tuple(float(v * math.exp(rng.normal(0, 0.07))) for v in colours[name])
        cut = radius * float(rng.uniform(0.45, 0.85)) if rng.random() < mown and radius > 8 * res else None
        ill = rng.random() < sick
        plants.append(VariedPlant(
            f"v{len(plants):03d}", kind, float(x), float(y), radius, stage_of(kind, radius), int(rng.integers(2**31)),
            brown=float(rng.uniform(0, 0.45)) if ill and rng.random() < 0.5 else 0.0,
            cover=float(rng.uniform(0.6, 0.95)) if ill and rng.random() < 0.4 else 1.0,
            shape=name, colour=None if own else colour,  # type: ignore[arg-type]
            yellow=float(rng.uniform(0, 0.6)) if ill else 0.0, mown_m=cut,
            bitten=int(rng.integers(1, 9)) if ill and rng.random() < 0.5 else 0,
        ))  # fmt: skip
        budget -= math.pi * radius**2
    return tuple(plants)


def _paint(
    ground: Ground, plants: tuple[VariedPlant, ...], sun: Sunlight, surface: str, spectrum: Spectrum
) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Draw the plants, small ones below large ones; return whose each pixel is and the share of each in sight."""
    rows, columns = ground.image.shape[:2]
    owner = np.zeros((rows, columns), np.int16)
    whole, plain = np.zeros(len(plants) + 1), np.ones(len(plants))
    for number in np.argsort([p.radius_m for p in plants]):
        plant = plants[int(number)]
        colours, cover, shade = draw_varied(plant, ground.resolution_m, 1.0, sun, GRASSY.get(surface, 0.0))
        column, row = ground.pixel(plant.x_m, plant.y_m)
        top, left = round(float(row)) - len(cover) // 2, round(float(column)) - len(cover) // 2
        a, b, c, d = max(top, 0), min(top + len(cover), rows), max(left, 0), min(left + len(cover), columns)
        before = ground.image[a:b, c:d].copy()
        blend(ground, plant.x_m, plant.y_m, np.full_like(colours, 10.0), 0.75 * shade)
        blend(ground, plant.x_m, plant.y_m, colours, cover)
        mask = cover[a - top : b - top, c - left : d - left] > _ID_COVER
        if mask.any():
            plain[number] = _stands_out(spectrum, before, ground.image[a:b, c:d], mask, len(cover)) >= STANDS_OUT
        owner[a:b, c:d][mask] = number + 1
        whole[number + 1] = mask.sum()
    left_over = np.bincount(owner.ravel(), minlength=len(plants) + 1)
    return owner, np.asarray(plain * left_over[1:] / np.maximum(whole[1:], 1))


def _stands_out(spectrum: Spectrum, before: Image, after: Image, mask: NDArray[np.bool_], across: int) -> float:
    """Return by how many grey levels a plant differs from what it covers, in what the camera is sensitive to."""
    blur = max(across / 24.0, 0.8)
    a, b = (cv2.GaussianBlur(spectrum.seen(i), (0, 0), blur).astype(np.float32) for i in (before, after))
    return float(np.abs(a - b).max(axis=2)[mask].mean())


def _over(rng: Rng, ground: Ground, surface: str) -> None:
    """Draw what lies over the plants: long blades, now and then a leaf or straw."""
    res, (rows, columns) = ground.resolution_m, ground.image.shape[:2]
    if surface == "long":
        count = int(rng.uniform(0.02, 0.12) * rows * columns / (0.09 / res * max(0.002 / res, 1)))
        green = np.array([[100, 134, 58], [128, 152, 76], [72, 106, 46]], float) * rng.uniform(0.8, 1.15)
        strokes(rng, ground.image, min(count, 3000), (0.04 / res, 0.14 / res), 0.002 / res, green, curl=0.25)
    if surface in ("leaves", "straw"):
        tones = np.array([[190, 168, 112], [150, 128, 84]], float)
        strokes(rng, ground.image, int(rng.integers(0, 60)), (0.03 / res, 0.12 / res), 0.002 / res, tones, curl=0.1)


def varied_view(scene: VariedScene, seed: int, number: int) -> VariedView:
    """Return picture ``number`` of a scene: a camera, lens and pose of its own, within the scene's scale."""
    rng = np.random.default_rng([seed, 107, number])
    res = scene.ground.resolution_m
    size = np.array([COLUMNS * res, ROWS * res])
    tilt_max = math.radians(float(rng.choice([3.0, 10.0, 20.0])))
    for attempt in range(40):
        camera, height = _camera(rng, res * float(np.exp(rng.uniform(-0.2, 0.3))))
        tilt, around = rng.uniform(0, tilt_max) * 0.93**attempt, rng.uniform(0, 2 * math.pi)
        yaw = rng.uniform(-math.pi, math.pi)
        middle = rng.uniform(0.25 * size, 0.75 * size) if attempt < 30 else 0.5 * size
        lean = np.array([math.cos(around), math.sin(around)]) * tilt
        pose = Pose.from_rpy("ground", "camera", (0.0, 0.0, height), (math.pi + lean[0], lean[1], yaw))
        axis = pose.rotation[:, 2]
        place = middle - height * axis[:2] / -axis[2]
        pose = Pose("ground", "camera", pose.rotation, np.array([*place, height]))
        if _inside(camera, pose, size):
            break
    picture = render_view(scene.ground, camera, pose, rng, Light(noise=0.0, blur_px=0.0))
    picture = shot(rng, picture, scene.weather, scene.spectrum, res, float(height))
    labels: list[ViewLabel] = []
    ignored: list[ViewLabel] = []
    kept = {p.id: i for i, p in enumerate(scene.plants)}
    for label in labels_in_view(scene.plants, camera, pose):
        index = kept[label.plant_id]
        cut, radius = scene.plants[index].mown_m, scene.plants[index].radius_m
        if cut is not None:
            label = replace(label, radius_px=label.radius_px * cut / radius)
        hidden = scene.seen[index] < SEEN_MIN or label.radius_px < SPECK_PX or _drowned(picture, label)
        (ignored if hidden else labels).append(label)
    return VariedView(picture, tuple(labels), tuple(ignored), camera, pose, float(height / camera.fx_px))


def _drowned(picture: Image, label: ViewLabel) -> bool:
    """Return whether nothing can be told apart where a plant stands: black, burnt out, or without any contrast."""
    reach = max(round(0.7 * label.radius_px), 3)
    u, v = round(label.u_px), round(label.v_px)
    patch = picture[max(v - reach, 0) : v + reach + 1, max(u - reach, 0) : u + reach + 1].mean(axis=2)
    return bool(patch.size == 0 or patch.mean() < 12 or patch.mean() > 245 or patch.std() < 3.0)


def _camera(rng: Rng, metres_per_px: float) -> tuple[Camera, float]:
    """Return a camera and its height (m) with this ground sampling distance."""
    low, high = max(0.3, 650 * metres_per_px), min(2.5, 2600 * metres_per_px)
    height = float(np.exp(rng.uniform(math.log(low), math.log(max(high, low * 1.01)))))
    focal = height / metres_per_px
    bend = float(rng.uniform(-0.16, 0.02)) * min(1.0, 900 / focal) ** 2
    # 0.45 k1^2 < k2 keeps the lens model one-to-one, so that nothing far outside folds into the picture
    lens = np.array([bend, 0.45 * bend**2 + rng.uniform(0.005, 0.03), *rng.normal(0, 5e-4, 2), 0.0])
    camera = Camera(WIDTH, HEIGHT, focal, focal * float(rng.normal(1, 0.002)), 639.5 + float(rng.normal(0, 8)),
                    479.5 + float(rng.normal(0, 8)), lens, np.zeros((4, 4)))  # fmt: skip
    return camera, height


def _inside(camera: Camera, pose: Pose, size: Floats | NDArray[np.float64]) -> bool:
    """Return whether the picture's corners all see drawn ground."""
    corners = np.array([[0, 0], [WIDTH, 0], [0, HEIGHT], [WIDTH, HEIGHT]], float)
    ideal, _, _ = camera.unproject(corners)
    rays = np.column_stack([ideal, np.ones(4)]) @ pose.rotation.T
    if (rays[:, 2] > -0.1).any():
        return False
    ground = pose.translation_m[:2] - pose.translation_m[2] * rays[:, :2] / rays[:, 2:]
    return bool((ground > 0).all() and (ground < size).all())

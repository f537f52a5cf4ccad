"""Random pictures with truth for teaching a detector; seeds from 1,000,000 up are kept for teaching."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Pose, rotation_from_vector
from swardwright.simulation.ground import (
    Ground,
    Light,
    Scorch,
    ViewLabel,
    labels_in_view,
    paint_plants,
    paint_scorch,
    render_view,
)
from swardwright.simulation.plants import KINDS, Plant, stand_of_plants
from swardwright.simulation.turf import Image, TurfLook, render_turf

FIRST_TEACHING_SEED = 1_000_000
#: camera looking straight down, picture top towards base x
_DOWN = np.array([[0.0, -1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])


def teaching_scene(
    seed: int, size_m: tuple[float, float] = (3.2, 2.6)
) -> tuple[Ground, list[Plant], np.random.Generator]:
    """Return a small ground with plants: random look, density, and what earlier heat left (burnt, wilted, scorched).

    Raises
    ------
    InputError
        If ``seed`` is one that the demo and the tests may use.
    """
    if seed < FIRST_TEACHING_SEED:
        raise InputError("this seed is kept for demo and tests", field="seed", value=seed,
                         limit=f"{FIRST_TEACHING_SEED} or more")  # fmt: skip
    rng = np.random.default_rng(seed)
    look = TurfLook.draw(rng) if rng.uniform() < 0.8 else TurfLook()
    ground = render_turf(rng, size_m, 0.3, look)
    mix = tuple(float(v) for v in rng.dirichlet([2.0] * len(KINDS)))
    plants = stand_of_plants(
        rng, size_m, int(rng.integers(6, 46)), mix=mix, clusters=float(rng.uniform(0, 0.9)), edge_m=0
    )
    scorches: list[Scorch] = []
    if rng.uniform() < 0.45:
        heated = [aged(p, rng) if rng.uniform() < 0.6 else p for p in plants]
        for before, after in zip(plants, heated, strict=True):
            if after is not before:
                x, y = rng.normal((before.x_m, before.y_m), 0.01)
                peak, age = float(rng.uniform(0.003, 0.012)), float(rng.uniform(1, 25))
                scorches.append(Scorch(float(x), float(y), peak, 0.03, age))
        plants = heated
    paint_scorch(ground, scorches)
    paint_plants(ground, plants, look.brightness)
    return ground, plants, rng


def aged(plant: Plant, rng: np.random.Generator) -> Plant:
    """Return a plant some days after heat: dead (brown, then going) or alive, singed and smaller."""
    if rng.uniform() < 0.75:
        return replace(plant, alive=False, brown=1.0, cover=float(rng.uniform(0, 0.75)))
    return replace(plant, brown=float(rng.uniform(0, 0.35)), radius_m=plant.radius_m * float(rng.uniform(0.65, 0.95)))


def teaching_views(
    seed: int, camera: Camera, count: int = 4, *, height_m: tuple[float, float] = (0.85, 1.15), spread: float = 1.5
) -> Iterator[tuple[Image, list[ViewLabel]]]:
    """Yield pictures of one scene from random poses with the truth of what is in view.

    ``spread`` widens light, noise and blur beyond what the simulated survey meets.
    """
    ground, plants, rng = teaching_scene(seed)
    for _ in range(count):
        yaw = rng.uniform(-math.pi, math.pi)
        tilt = rotation_from_vector(np.append(rng.normal(0, math.radians(1.5), 2), yaw))
        x, y, z = rng.uniform(0.5, 2.7), rng.uniform(0.5, 2.1), rng.uniform(*height_m)
        pose = Pose("ground", "camera", tilt @ _DOWN, np.array([x, y, z]))
        picture = render_view(ground, camera, pose, rng, Light.draw(rng, spread=spread))
        yield picture, labels_in_view(plants, camera, pose)

"""Rendered pictures of invented ground with truth, to teach and judge detectors: plain turf, or ground of many sorts.

Scenes are drawn from seeds of 1,000,000 and above, which no demo uses.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label

#: seeds of teaching scenes start here; everything below is for the demo
FIRST_SEED = 1_000_000
#: ``plain``: mown turf with five kinds of plants, looked at from 0.7 to 1.4 m; ``wide``: ground, plants, light and
#: cameras of many sorts, with a share of plain scenes
VARIETIES = ("plain", "wide")
PLAIN_SHARE = 0.25


@dataclasses.dataclass(frozen=True)
class RenderedPicture:
    """One rendered picture: JPEG bytes, truth labels, scene it belongs to and ground sampling distance.

    ``ignored`` marks what counts neither as a plant nor as bare ground: specks, and plants hidden by others.
    """

    name: str
    scene: str
    jpeg: bytes
    labels: tuple[Label, ...]
    metres_per_px: float
    ignored: tuple[Label, ...] = ()


def render_scene(seed: int, views: int, variety: str = "plain") -> list[RenderedPicture]:
    """Render one small piece of invented ground from ``views`` random cameras and lights.

    Parameters
    ----------
    seed : int
        ``FIRST_SEED`` or above.
    variety : str
        One of ``VARIETIES``; with ``wide`` a quarter of the scenes is plain, and plants of other than the five kinds
        are labelled ``other``.

    Raises
    ------
    InputError
        If the seed is one of the demo's, or there is no such variety.
    """
    import cv2

    if seed < FIRST_SEED:
        raise InputError("teaching scenes use other seeds than demo and tests", field="seed", value=seed,
                         limit=f"{FIRST_SEED} or more")  # fmt: skip
    if variety not in VARIETIES:
        raise InputError("there is no such variety of scenes", field="variety", value=variety,
                         limit=" or ".join(VARIETIES))  # fmt: skip
    cv2.setNumThreads(1)
    if variety == "plain" or np.random.default_rng([seed, 109]).random() < PLAIN_SHARE:
        return _plain_scene(seed, views)
    return _varied_scene(seed, views)


def rendered_pictures(
    seeds: Sequence[int], views: int, processes: int, variety: str = "plain"
) -> Iterator[RenderedPicture]:
    """Render scenes in worker processes, in the order of their seeds."""
    work = functools.partial(render_scene, views=views, variety=variety)
    if processes <= 1:
        for seed in seeds:
            yield from work(seed)
        return
    from swardwright.planning import share

    remedy = "free memory, or take one of --processes"
    with share.processes(processes, where="teach rendered", remedy=remedy) as pool:
        for pictures in pool.map(work, seeds):
            yield from pictures


def _compressed(picture: NDArray[np.uint8], quality: int, name: str) -> bytes:
    import cv2

    done, jpeg = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise InputError("a rendered picture could not be compressed", where=name)
    return bytes(jpeg.tobytes())


def _varied_scene(seed: int, views: int) -> list[RenderedPicture]:
    """Render a scene of the wide variety; see :mod:`swardwright.simulation.varied`."""
    from swardwright.simulation.varied import varied_scene, varied_view

    scene = varied_scene(seed)
    pictures = []
    for number in range(views):
        name = f"scene-{seed}-{number}"
        view = varied_view(scene, seed, number)

        def label(seen: Any, name: str = name) -> Label:
            return Label(name, seen.u_px, seen.v_px, seen.radius_px, seen.kind)

        quality = int(np.random.default_rng([seed, 113, number]).integers(55, 98))
        pictures.append(RenderedPicture(
            name, f"scene-{seed}", _compressed(view.picture, quality, name), tuple(map(label, view.labels)),
            view.metres_per_px, tuple(map(label, view.ignored)),
        ))  # fmt: skip
    return pictures


def _plain_scene(seed: int, views: int) -> list[RenderedPicture]:
    """Render one small piece of invented ground from ``views`` random cameras and lights.

    Grounds vary in look, light, built things and in the plants' number and state; some plants are burnt and dead
    (no label), some are half brown and alive (labelled).
    """
    from swardwright.domain.camera import Camera
    from swardwright.domain.poses import Pose
    from swardwright.simulation.ground import Light, Scorch, labels_in_view, render_ground, render_view
    from swardwright.simulation.plants import stand_of_plants
    from swardwright.simulation.scenes import aged
    from swardwright.simulation.turf import TurfLook

    rng = np.random.default_rng([seed, 101])
    size = (4.2, 3.6)
    mix = tuple(float(v) for v in rng.dirichlet(np.full(5, 2.0)))
    stages = tuple(float(v) for v in rng.dirichlet(np.full(3, 3.0)))
    count = int(rng.integers(6, 75))
    plants = stand_of_plants(rng, size, count, mix=mix, stages=stages, clusters=rng.uniform(0, 0.8))  # type: ignore[arg-type]
    treated = rng.uniform(0, 0.7) if rng.random() < 0.6 else 0.0
    scorches = []
    standing = []
    for plant in plants:
        if rng.random() < treated:
            age_days = float(rng.uniform(0, 20))
            scorches.append(Scorch(plant.x_m, plant.y_m, float(rng.uniform(0.002, 0.014)), 0.03, age_days))
            plant = aged(plant, rng)
        standing.append(plant)
    for _ in range(rng.poisson(1.5)):
        scorches.append(
            Scorch(
                float(rng.uniform(0, size[0])),
                float(rng.uniform(0, size[1])),
                float(rng.uniform(0.002, 0.012)),
                0.03,
                float(rng.uniform(0, 20)),
            )
        )
    features: list[tuple[str, tuple[tuple[float, float], ...]]] = []
    if rng.random() < 0.3:
        name = str(rng.choice(["pavilion", "hedge", "lid"]))
        x, y = (0.0, float(rng.choice([-0.5, 3.3])))
        wide = (size[0], 0.8) if name != "lid" else (0.3, 0.3)
        x, y = (x, y) if name != "lid" else tuple(float(v) for v in rng.uniform((0.5, 0.5), (3.5, 3.0)))
        features.append((name, ((x, y), (x + wide[0], y), (x + wide[0], y + wide[1]), (x, y + wide[1]))))
        standing = [
            p for p in standing
            if not (x - 0.08 < p.x_m < x + wide[0] + 0.08 and y - 0.08 < p.y_m < y + wide[1] + 0.08)
        ]  # fmt: skip
    ground = render_ground(
        rng, size, (0.5, 0.5), standing, look=TurfLook.draw(rng), features=features, scorches=scorches
    )
    pictures = []
    for view in range(views):
        focal = float(rng.uniform(800, 1000))
        bend = rng.uniform(-0.16, 0.02)
        # 0.45 k1^2 < k2 keeps the lens model one-to-one, so that nothing far outside folds into the picture
        lens = np.array([bend, 0.45 * bend**2 + rng.uniform(0.005, 0.03), *rng.normal(0, 5e-4, 2), 0.0])
        camera = Camera(1280, 960, focal, focal * float(rng.normal(1, 0.002)), 639.5 + float(rng.normal(0, 8)),
                        479.5 + float(rng.normal(0, 8)), lens, np.zeros((4, 4)))  # fmt: skip
        height = float(rng.uniform(0.7, 1.4))
        tilt = rng.normal(0, 0.04, 2)
        place = rng.uniform((0.4, 0.4), (size[0] - 0.4, size[1] - 0.4))
        pose = Pose.from_rpy(
            "ground", "camera", (*place, height), (math.pi + tilt[0], tilt[1], rng.uniform(-math.pi, math.pi))
        )
        light = Light.draw(rng, spread=1.8)
        picture = render_view(ground, camera, pose, rng, light)
        name = f"scene-{seed}-{view}"
        labels = tuple(
            Label(name, seen.u_px, seen.v_px, seen.radius_px, seen.kind)
            for seen in labels_in_view(standing, camera, pose)
        )
        jpeg = _compressed(picture, int(rng.integers(80, 97)), name)
        pictures.append(RenderedPicture(name, f"scene-{seed}", jpeg, labels, height / focal))
    return pictures

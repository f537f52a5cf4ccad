"""Splits by place: how much a random split flatters, and whether pictures of the same ground are found.

Ground is rendered from seeds of 1,000,000 and above. Its turf is laid from patches of one small photograph, half a
metre wide, each used many times: pictures of different ground then have patches in common that are the same to the
pixel, which real turf has not. That makes the false alarms here harder than life.
"""

from __future__ import annotations

import functools
import math
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from benchmarks._teach_queue import sample_of, views_of
from swardwright.domain.camera import Camera
from swardwright.domain.footprint import footprint
from swardwright.domain.poses import Pose
from swardwright.frames.ground import shared_ground
from swardwright.labels.near_copies import look_of, near_copies
from swardwright.learning import Detector, Sample, TeachSettings, load_detector, teach
from swardwright.learning.judged import judge
from swardwright.learning.optimism import counts_by_picture, f1, optimism
from swardwright.shell.place_check import copies_among
from swardwright.shell.trusting import not_taught
from swardwright.simulation.ground import Light, render_ground, render_view
from swardwright.simulation.plants import stand_of_plants
from swardwright.simulation.turf import TurfLook

#: 1,980,100 to 1,980,107 chose the limits of labels/near_copies.py
FIRST_SEED = 1_980_120
SIZE_M = (7.0, 6.0)
#: a near copy by definition shares at least this much of the smaller picture's ground
NEAR = 0.3
OPTIMISM_SEED, STEPS = 1_981_000, 500
PHOTOS = Path(__file__).parents[2] / "shared" / "photos" / "images"


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    yield from _planted(8 if full else 2)
    yield from _photographs(full)
    if full:
        yield _cost()
    yield from _optimism(3 if full else 1)


def _figure(name: str, value: float, unit: str, bound: float | None, holds: bool | None = None) -> dict[str, Any]:
    return {"figure": f"teach, splits: {name}", "value": float(f"{value:.4g}"), "unit": unit, "bound": bound,
            "holds": holds}  # fmt: skip


def _camera(rng: np.random.Generator) -> Camera:
    focal, bend = float(rng.uniform(800, 1000)), float(rng.uniform(-0.16, 0.02))
    lens = np.array([bend, 0.45 * bend**2 + 0.01, 0.0, 0.0, 0.0])
    return Camera(1280, 960, focal, focal, 639.5, 479.5, lens, np.zeros((4, 4)))


def _down(rng: np.random.Generator, x: float, y: float, z: float, yaw: float) -> Pose:
    return Pose.from_rpy("ground", "camera", (x, y, z), (math.pi + rng.normal(0, 0.03), rng.normal(0, 0.03), yaw))


def _jpeg(image: Any, quality: int) -> Any:
    """Return the picture after compression."""
    _, data = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]


def _site(seed: int, views: int = 40) -> tuple[list[Any], np.ndarray[Any, Any]]:
    """Return what is kept of pictures of one ground, any turn, zoom 0.7 to 1.4 between two, and their shared ground.

    Sites of odd seeds have the same light in all pictures; of even ones light, colour, blur and noise change widely.
    """
    rng = np.random.default_rng([seed, 303])
    plants = stand_of_plants(rng, SIZE_M, int(rng.integers(10, 200)), clusters=rng.uniform(0, 0.8))
    ground = render_ground(rng, SIZE_M, (0.5, 0.5), plants, look=TurfLook.draw(rng))
    camera, common = _camera(rng), Light.draw(rng)
    looks: list[Any] = []
    outlines: list[Any] = []
    while len(looks) < views:
        x, y = rng.uniform((0.9, 0.9), (SIZE_M[0] - 0.9, SIZE_M[1] - 0.9))
        pose = _down(rng, x, y, rng.uniform(0.8, 1.12), rng.uniform(-math.pi, math.pi))
        outline = footprint(camera, pose)
        if outline is None or (outline < -0.45).any() or (outline > np.array(SIZE_M) + 0.45).any():
            continue
        picture = render_view(ground, camera, pose, rng, common if seed % 2 else Light.draw(rng, spread=2.5))
        looks.append(look_of(_jpeg(picture, int(rng.integers(40, 96)))))
        outlines.append(outline)
    shared = np.array([[shared_ground(a, b) for b in outlines] for a in outlines])
    return looks, shared


def _planted(sites: int) -> Iterator[dict[str, Any]]:
    rows = []
    for seed in range(FIRST_SEED, FIRST_SEED + sites):
        looks, shared = _site(seed)
        found = {
            (c.first, c.second) for c in near_copies({f"{i:03d}": look for i, look in enumerate(looks)}, threads=2)
        }
        rows += [
            (shared[i, j], (f"{i:03d}", f"{j:03d}") in found)
            for i in range(len(looks))
            for j in range(i + 1, len(looks))
        ]
    share, hit = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    near, none = hit[share >= NEAR], hit[share == 0]
    yield _figure(f"near copies found, of {len(near)} pairs with 30 % or more of their ground in common",
                  100 * near.mean(), "%", 99.0, bool(near.mean() >= 0.99))  # fmt: skip
    yield _figure(f"false alarms, of {len(none)} pairs of different ground of one site", 100 * none.mean(), "%", 1.0,
                  bool(none.mean() < 0.01))  # fmt: skip
    for low, high in ((0.2, 0.3), (0.1, 0.2), (0.0, 0.1)):
        some = hit[(share > low) & (share < high)]
        if len(some):
            yield _figure(f"named with {100 * low:.0f} to {100 * high:.0f} % in common, of {len(some)}",
                          100 * some.mean(), "%", None)  # fmt: skip


def _photographs(full: bool) -> Iterator[dict[str, Any]]:
    """Real photographs of soil: neighbours in time may overlap, others do not; and copies planted by cutting."""
    paths = sorted(PHOTOS.glob("*.jpg"))
    if not paths:
        return
    photos = {p.stem: np.asarray(cv2.imread(str(p))[..., ::-1]) for p in paths}
    found = near_copies({name: look_of(image) for name, image in photos.items()}, threads=2)
    order = {name: i for i, name in enumerate(sorted(photos))}
    far = sum(abs(order[c.first] - order[c.second]) > 1 for c in found)
    pairs = len(photos) * (len(photos) - 1) // 2 - (len(photos) - 1)
    yield _figure(f"pairs named among {len(photos)} photographs, neighbours in time", len(found) - far, "pairs", None)
    yield _figure(f"pairs named among the {pairs} others", far, "pairs", 0.01 * pairs, far < 0.01 * pairs)
    rng = np.random.default_rng(1_980_200)
    got = total = 0
    wrong = strangers = 0
    for image in list(photos.values())[:: 1 if full else 4]:
        looks, outlines = [], []
        while len(looks) < 8:
            cut, outline = _cut(image, rng)
            if cut is not None:
                looks.append(look_of(cut))
                outlines.append(outline)
        named = {(c.first, c.second) for c in near_copies({f"{i:03d}": k for i, k in enumerate(looks)}, threads=2)}
        for i in range(8):
            for j in range(i + 1, 8):
                share = shared_ground(outlines[i], outlines[j])
                hit = (f"{i:03d}", f"{j:03d}") in named
                got, total = got + (hit and share >= NEAR), total + (share >= NEAR)
                wrong, strangers = wrong + (hit and share == 0), strangers + (share == 0)
    yield _figure(f"near copies found, of {total} pairs cut from the same photograph", 100 * got / total, "%", 99.0,
                  got >= 0.99 * total)  # fmt: skip
    if strangers:
        yield _figure(f"false alarms, of {strangers} pairs cut from different parts of one photograph",
                      100 * wrong / strangers, "%", 1.0, wrong < 0.01 * strangers)  # fmt: skip


def _cut(image: Any, rng: np.random.Generator) -> tuple[Any, Any]:
    """Return a turned, zoomed, recoloured, blurred and compressed cut of a photograph, and its outline."""
    height, width = image.shape[:2]
    size = np.array([640, 480])
    zoom = 1.1 * float(np.exp(rng.uniform(0.5 * math.log(0.7), 0.5 * math.log(1.4))))
    turn = rng.uniform(-math.pi, math.pi)
    axes = zoom * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    centre = rng.uniform((0, 0), (width, height))
    fit = np.column_stack([axes, centre - axes @ (size / 2)])
    outline = (np.array([[0, 0], [size[0], 0], size, [0, size[1]]]) - size / 2) @ axes.T + centre
    if (outline < 0).any() or (outline > (width - 1, height - 1)).any():
        return None, None
    out = cv2.warpAffine(image, fit, (640, 480), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    out = cv2.GaussianBlur(out, (0, 0), rng.uniform(0.3, 1.5))
    gain = np.exp(rng.normal(0, 0.2) + rng.normal(0, 0.06, 3))
    out = np.clip(out * gain + rng.normal(0, 4, out.shape), 0, 255).astype(np.uint8)
    return _jpeg(out, int(rng.integers(40, 96))), outline


def _cost() -> dict[str, Any]:
    """500 pictures of 1280 x 960 of one site with wide overlap, on the cores that are there."""
    rng = np.random.default_rng(1_980_300)
    ground = render_ground(rng, (9.0, 7.0), (0.5, 0.5), look=TurfLook.draw(rng))
    camera = _camera(rng)
    pictures = {}
    for i in range(500):
        x, y = rng.uniform((1, 1), (8, 6))
        picture = render_view(ground, camera, _down(rng, x, y, 1.0, 0.0), rng)
        pictures[f"{i:03d}"] = functools.partial(np.asarray, picture)
    places = {name: str(int(name) // 63) for name in pictures}
    began = time.monotonic()
    copies_among(pictures, places)
    return _figure("500 pictures of one site compared", time.monotonic() - began, "s", None)


def _optimism(seeds: int) -> Iterator[dict[str, Any]]:
    """Judge the same pictures of one drive by a detector that was taught on their ground, and by one that was not.

    The drive passes over 20 pieces of ground, each with its own turf, light and plants, and takes five small pictures
    of each, overlapping by half. One detector is taught on every other picture of the first ten, one on those of the
    last ten, from scratch: they know no rendered plant yet. Each judges the pictures between its own, as a split by
    chance would, and those of the other ten, as a split by place would; and 20 more pieces are new to both. So the same
    40 pictures give both figures. Intervals are over places.
    """
    by_chance, by_place, new_ground = [], [], []
    sharing = found = 0
    reports = []
    for number in range(seeds):
        first = OPTIMISM_SEED + 100 * number
        pieces = [[sample_of(v) for v in views_of((first + n, "walk", 5, False))] for n in range(20)]
        new = [sample_of(v) for n in range(20, 40) for v in views_of((first + n, "any", 2, False))]
        halves = []
        for mine, others in ((pieces[:10], pieces[10:]), (pieces[10:], pieces[:10])):
            taught, between, apart = (
                [s for piece in some for s in piece[start::2]] for some, start in ((mine, 0), (mine, 1), (others, 1))
            )
            detector = _taught(taught, between, number)
            _, known, _ = not_taught([*taught, *between, *new], detector, False)
            sharing, found = sharing + len(between), found + len({s.name for s in known} & {s.name for s in between})
            counts = [_counts_by_place(detector, side) for side in (between, apart, new)]
            by_chance.append(counts[0])
            halves.append(counts[1])
            new_ground.append(counts[2])
            reports.append(optimism(counts[0], counts[2]).gap.value)
        by_place += reversed(halves)  # in the order of the places of ``by_chance``
    chance, place, new_counts = (np.concatenate(c) for c in (by_chance, by_place, new_ground))
    rng = np.random.default_rng(0)
    drawn = rng.integers(0, len(chance), (2000, len(chance)))
    low, high = np.quantile(f1(chance[drawn].sum(axis=1)) - f1(place[drawn].sum(axis=1)), [0.025, 0.975])
    flatters = float(f1(chance.sum(axis=0)) - f1(place.sum(axis=0)))
    honest = optimism(place, new_counts)
    yield _figure(f"pictures between taught ones that trust finds on taught ground, of {sharing}",
                  100 * found / sharing, "%", 99.0, found >= 0.99 * sharing)  # fmt: skip
    yield _figure("F1 by a split by chance", float(f1(chance.sum(axis=0))), "F1", None)
    yield _figure(f"F1 of the same pictures by a split by place (95 %: {honest.taught_ground.low:.3f} to"
                  f" {honest.taught_ground.high:.3f})", honest.taught_ground.value, "F1", None)  # fmt: skip
    yield _figure("F1 on new places", honest.new_ground.value, "F1", None)
    yield _figure(f"optimism of the split by chance (95 %: {low:.3f} to {high:.3f})", flatters, "F1", 0.0,
                  bool(low > 0))  # fmt: skip
    yield _figure("optimism that trust reports, mean", float(np.mean(reports)), "F1", None)
    # no bound: an interval as wide as this one would hold any
    yield _figure(f"split by place less new places (95 %: {honest.gap.low:.3f} to {honest.gap.high:.3f})",
                  honest.gap.value, "F1", None)  # fmt: skip


def _settings(seed: int) -> TeachSettings:
    return TeachSettings(seed=seed, steps=STEPS, minutes=None, crop_px=96, scale=1.0, evaluate_every=STEPS,
                         match_m=0.03, learning_rate=1e-3)  # fmt: skip


def _taught(taught: Sequence[Sample], held: Sequence[Sample], seed: int) -> Detector:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "d.onnx"
        teach(taught, out, _settings(seed), held_out=held, name="d", about="a drive", start="none")
        return load_detector(out)


def _counts_by_place(detector: Detector, samples: Sequence[Sample]) -> Any:
    """Return found, reports and plants of each place at the card's threshold, within 3 cm, shape (places, 3)."""
    judged = judge(detector, samples, _settings(0), compare_kinds=False)
    of_picture = counts_by_picture(judged, detector.card.temperature, detector.card.bias, detector.card.threshold)
    place = judged.place_of_picture()
    return np.stack([of_picture[place == i].sum(axis=0) for i in range(len(judged.places))])

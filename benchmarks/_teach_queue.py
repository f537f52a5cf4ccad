"""The label queue against random choice: how many labels each needs for the same detector.

Footage as it is, on rendered ground (seeds from 1,400,000 on, which nothing else uses): 120 small pictures of 19
pieces of ground, each with its own mix of kinds. The camera stands about over two spots (56 pictures), walks over bare
turf (16), and passes over 16 more pieces with overlap (3 pictures each). Both ways label a few pictures at a time and
teach the small network on them after each round, from the weights that come with the package; the queue ranks with the
detector taught last, at first with the one of the package. Judged on 24 other pieces of ground: the best F1 over
thresholds at 3 cm, once by place only and once where a plant that is found and given a wrong kind is a miss and a false
alarm: a daisy taken for a dandelion is burnt. Other pieces, the same for all, calibrate.

Once every plant is labelled: the weights of the package know rendered plants, so there is little to learn of their
places. Once only two of the five kinds are, drawn by the seed, as by a person who wants the others to stay: any other
plant found is a false alarm, so that what a weed is must be learnt.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.frame import Label

Image = NDArray[np.uint8]
FIRST_SEED, TEST_SEED, CHECK_SEED = 1_400_000, 1_490_000, 1_480_000
WIDTH, HEIGHT, RES_M = 256, 192, 0.0035
SIZE_M = (2.6, 2.2)
CELL_M = 0.09
SHARE_BOUND = 0.6
#: pictures labelled after each round
ROUNDS = (2, 4, 6, 8, 12, 16)
SAMPLE_ROUNDS = (2, 6, 16)
STEPS, RATE, START = 500, 1e-3, "shipped"
WAYS = ("queue", "random")


@dataclass(frozen=True)
class Labelling:
    """What a person labels: words, kinds of the five that are labelled, and the seeds that are judged."""

    words: str
    kinds: int
    seeds: Sequence[int]


#: seeds 0 to 4 chose ``labels.queue.EFFORT``, 0 to 2 that likeness counts, and 0 to 4 that the few kinds are two
LABELLINGS = (
    Labelling("every plant labelled", 5, range(5, 10)),
    Labelling("two kinds labelled, of five", 2, range(10, 15)),
)


@dataclass(frozen=True, eq=False)
class View:
    """One picture from straight above with the truth of it."""

    name: str
    place: str
    image: Image
    labels: tuple[Label, ...]
    ground: frozenset[tuple[int, int]]


def views_of(job: tuple[int, str, int, bool]) -> list[View]:
    """Render one piece of ground and look at it: ``walk``, ``stand`` or anywhere (``any``)."""
    import cv2

    from swardwright.simulation.ground import paint_plants
    from swardwright.simulation.plants import KINDS, stand_of_plants
    from swardwright.simulation.turf import TurfLook, render_turf

    seed, way, count, bare = job
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    look = TurfLook.draw(rng)
    ground = render_turf(rng, SIZE_M, 0.3, look)
    mix = tuple(float(v) for v in rng.dirichlet([1.0] * len(KINDS)))
    plants = stand_of_plants(rng, SIZE_M, 0 if bare else int(rng.integers(25, 75)), mix=mix, clusters=0.5, edge_m=0.0)
    paint_plants(ground, plants, look.brightness)
    scale = ground.resolution_m / RES_M
    small = cv2.resize(ground.image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    at = rng.uniform((0.7, 0.6), (1.9, 1.6))
    heading = rng.uniform(-np.pi, np.pi)
    cast = rng.normal(1.0, 0.1, 3) * np.exp(rng.normal(0, 0.2))
    found = []
    for n in range(count):
        if way == "stand":
            x, y = at + rng.normal(0, 0.04, 2)
            yaw = heading + rng.normal(0, 0.05)
        elif way == "walk":
            lane, along = divmod(n, 5)
            x, y = 0.5 + 0.4 * along, 0.5 + 0.6 * (lane % 3)
            x, y, yaw = x + rng.normal(0, 0.03), y + rng.normal(0, 0.03), rng.normal(0, 0.08)
        else:
            x, y, yaw = rng.uniform(0.5, 2.1), rng.uniform(0.5, 1.7), rng.uniform(-np.pi, np.pi)
        # a picture's pixels to the ground picture's: turned by yaw about the middle
        c, s = np.cos(yaw), np.sin(yaw)
        turn = np.array([[c, -s], [s, c]])
        middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
        here = np.array([(x - ground.west_m) / RES_M - 0.5, (ground.north_m - y) / RES_M - 0.5])
        matrix = np.column_stack([turn, here - turn @ middle])
        image = cv2.warpAffine(small, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                               borderMode=cv2.BORDER_REFLECT_101)  # fmt: skip
        light = image.astype(np.float32) * cast * rng.normal(1.0, 0.04) + rng.normal(0, rng.uniform(2, 5), image.shape)
        if rng.random() < 0.3:
            light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.4, 0.9)))
        name = f"{seed}-{n:02d}"
        labels = []
        for plant in plants:
            if not plant.alive:
                continue
            column, row = (plant.x_m - ground.west_m) / RES_M - 0.5, (ground.north_m - plant.y_m) / RES_M - 0.5
            u, v = turn.T @ (np.array([column, row]) - here) + middle
            if -0.5 <= u <= WIDTH - 0.5 and -0.5 <= v <= HEIGHT - 0.5:
                labels.append(Label(name, float(u), float(v), plant.radius_m / RES_M, plant.kind))
        corners = np.array([(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)]) - 0.5 - middle
        outline = np.array([x, y]) + RES_M * (corners @ turn.T) * [1, -1]
        cells = frozenset((seed * 1000 + i, j) for i, j in _cells(outline))
        found.append(View(name, str(seed), np.clip(light, 0, 255).astype(np.uint8), tuple(labels), cells))
    return found


def _cells(outline: Any) -> frozenset[tuple[int, int]]:
    from swardwright.labels.queue import cells_of

    return cells_of(outline, CELL_M)


def pool_jobs(seed: int) -> list[tuple[int, str, int, bool]]:
    """Return what one seed's footage consists of."""
    first = FIRST_SEED + 100 * seed
    jobs = [(first, "stand", 32, False), (first + 1, "stand", 24, False), (first + 2, "walk", 16, True)]
    return jobs + [(first + 3 + n, "walk", 3, False) for n in range(16)]


def labelled(views: Sequence[View], seed: int, kinds: int) -> list[View]:
    """Return views with the labels of as many kinds, drawn by the seed; the other plants stand there without one."""
    from swardwright.simulation.plants import KINDS

    chosen = set(np.random.default_rng([seed, 55]).permutation(KINDS)[:kinds].tolist())
    return [replace(v, labels=tuple(b for b in v.labels if b.kind in chosen)) for v in views]


def _same(image: Image) -> Image:
    return image


def sample_of(view: View) -> Any:
    """Return a view as teaching takes it."""
    from swardwright.learning import Sample

    return Sample(view.name, functools.partial(_same, view.image), view.labels, view.place, metres_per_px=RES_M)


def taught(views: Sequence[View], check: Sequence[View], seed: int, out: Path) -> Path:
    """Teach a small network on these pictures, from the weights that come with the package."""
    from swardwright.learning import TeachSettings, teach

    settings = TeachSettings(
        seed=seed, steps=STEPS, minutes=None, batch=8, crop_px=96, scale=1.0, evaluate_every=STEPS, folds=1,
        network="small", learning_rate=RATE,
    )  # fmt: skip
    teach([sample_of(v) for v in views], out, settings, name="queue", about="rendered", start=START,
          held_out=[sample_of(v) for v in check])  # fmt: skip
    return out


def f1_of(model: Path, test: Sequence[View]) -> tuple[float, float]:
    """Return the best F1 over thresholds at 3 cm on other ground, and the same where a wrong kind is no hit."""
    from swardwright.learning import TeachSettings, load_detector
    from swardwright.learning.judging import match_all
    from swardwright.learning.measure import best_f1

    detector = load_detector(model, threads=1)
    kinds = set(detector.card.kinds)
    unnamed = detector.card.kinds[0]  # a kind that was never labelled counts as a plant all the same
    known = [
        replace(sample_of(v), labels=tuple(b if b.kind in kinds else replace(b, kind=unnamed) for b in v.labels))
        for v in test
    ]
    matched = match_all(detector, known, TeachSettings(match_m=0.03))
    right = matched.hit.copy()
    right[np.flatnonzero(matched.hit)] = matched.kind_logits.argmax(axis=1) == matched.kind
    return float(best_f1(matched)), float(best_f1(replace(matched, hit=right)))


def looks_at(views: Sequence[View], model: Path) -> tuple[list[Any], Any]:
    """Return what a detector says of pictures, as the command ``labels queue`` has it, and its card."""
    from swardwright.labels.looks import LEAST_PROBABILITY, FrameLook, features
    from swardwright.labels.queue import QueueFrame
    from swardwright.learning import load_detector

    detector = load_detector(model, threads=1)
    card = detector.card
    detector.card = replace(card, threshold=min(card.threshold, LEAST_PROBABILITY))
    frames = [
        QueueFrame(FrameLook(v.name, tuple(detector.find(v.image, v.name)), features(v.image)), v.ground) for v in views
    ]
    return frames, card


def next_by_queue(pool: Sequence[View], done: Sequence[View], model: Path, count: int) -> list[View]:
    """Return the next pictures of the queue."""
    from swardwright.labels.queue import order

    frames, card = looks_at([*pool, *done], model)
    by_name = {v.name: v for v in pool}
    of_kind = Counter(b.kind for v in done for b in v.labels)
    kinds = {k: of_kind.get(k, 0) for k in card.kinds} if done else {}
    ranked = order(frames[: len(pool)], frames[len(pool) :], threshold=card.threshold, kinds=card.kinds,
                   labels_of_kind=kinds)  # fmt: skip
    return [by_name[q.frame_id] for q in itertools.islice(ranked, count)]


Job = tuple[int, str, tuple[int, ...], list[View], list[View], list[View]]


def curve(job: Job) -> list[tuple[int, int, float, float]]:
    """Return (pictures, labels, F1 whatever the kind, F1) after each round of one way (``queue`` or ``random``)."""
    import torch

    from swardwright.learning import shipped_detector

    seed, way, rounds, pool, check, test = job
    torch.set_num_threads(1)
    rng = np.random.default_rng([seed, 77])
    shuffled = [pool[i] for i in rng.permutation(len(pool))]
    chosen: list[View] = []
    model, found = shipped_detector(), []
    with tempfile.TemporaryDirectory() as room:
        for upto in rounds:
            if way == "queue":
                left = [v for v in pool if not any(v is c for c in chosen)]
                chosen += next_by_queue(left, chosen, model, upto - len(chosen))
            else:
                chosen = shuffled[:upto]
            labels = sum(len(v.labels) for v in chosen)
            if not labels:
                found.append((upto, 0, 0.0, 0.0))
                continue
            with open(os.devnull, "w") as quiet, contextlib.redirect_stdout(quiet):
                model = taught(chosen, check, seed, Path(room) / f"{upto}.onnx")
            found.append((upto, labels, *f1_of(model, test)))
            shown = " ".join(f"{v:.3f}" for v in found[-1][2:])
            print(f"  seed {seed} {way}: {upto} pictures, {labels} labels, F1 {shown}", file=sys.stderr, flush=True)
    return found


def curves(
    labellings: Sequence[Labelling], rounds: tuple[int, ...], processes: int | None = None
) -> dict[tuple[str, str], NDArray[np.float64]]:
    """Return the curves of each labelling (its words) and way (``queue`` and ``random``), shape (seeds, rounds, 4).

    The four are pictures, labels, F1 whatever the kind and F1.
    """
    # spawned: a lock of a library's thread that is copied while it is held would stop a forked process for good
    with ProcessPoolExecutor(processes or max(2, os.cpu_count() or 2), get_context("spawn")) as workers:

        def views(jobs: Sequence[tuple[int, str, int, bool]]) -> list[View]:
            return [view for some in workers.map(views_of, jobs) for view in some]

        check = views([(CHECK_SEED + n, "any", 3, False) for n in range(6)])
        test = views([(TEST_SEED + n, "any", 4, False) for n in range(24)])
        jobs: dict[tuple[str, str, int], Job] = {}
        for plan in labellings:
            for seed in plan.seeds:
                sets = [labelled(v, seed, plan.kinds) for v in (views(pool_jobs(seed)), check, test)]
                for way in WAYS:
                    jobs[plan.words, way, seed] = (seed, way, rounds, sets[0], sets[1], sets[2])
        done = dict(zip(jobs, workers.map(curve, jobs.values()), strict=True))
    return {
        (plan.words, way): np.array([done[plan.words, way, seed] for seed in plan.seeds])
        for plan in labellings for way in WAYS
    }  # fmt: skip


def needed(curve_mean: NDArray[np.float64], f1: float, column: int, score: int = 3) -> float:
    """Return how many labels (column 1) or pictures (column 0) a mean curve needs to reach an F1; infinite if never.

    A single seed's curve goes up and down by more than the difference looked for: only the mean over seeds says much.

    Straight between rounds, from nothing labelled and F1 0.
    """
    steps = np.vstack([np.zeros(4), curve_mean])
    for before, after in itertools.pairwise(steps):
        if after[score] >= f1:
            share = (f1 - before[score]) / max(after[score] - before[score], 1e-9)
            return float(before[column] + share * (after[column] - before[column]))
    return float("inf")


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the share of random choice's labels, and of its pictures, that the queue needs for the same F1."""
    plans = LABELLINGS if full else [replace(LABELLINGS[0], seeds=LABELLINGS[0].seeds[:1])]
    rounds = ROUNDS if full else SAMPLE_ROUNDS
    got = curves(plans, rounds)
    for plan in plans:
        queue, chance = (got[plan.words, way].mean(axis=0) for way in WAYS)
        note = f"{plan.words}, {len(plan.seeds)} seeds, {rounds[-1]} of 120 pictures at random"
        for way, mean in (("random choice", chance), ("label queue", queue)):
            for column, what in ((3, "F1"), (2, "F1 whatever the kind")):
                yield {"figure": f"{what}, {way} ({note})", "value": round(float(mean[-1, column]), 3), "unit": "1",
                       "bound": None, "holds": None}  # fmt: skip
        for column, score, what in (
            (1, 3, "labels for its F1"), (0, 3, "pictures for its F1"), (1, 2, "labels for its F1 whatever the kind"),
        ):  # fmt: skip
            share, own = (needed(way, float(chance[-1, score]), column, score) / float(chance[-1, column])
                          for way in (queue, chance))  # fmt: skip
            bound = SHARE_BOUND if column == 1 else None
            yield {"figure": f"label queue: share of random choice's {what} ({note})", "value": round(share, 3),
                   "unit": "1", "bound": bound, "holds": None if bound is None else share <= bound}  # fmt: skip
            # where a curve has levelled off, random choice itself was as good long before its end
            yield {"figure": f"random choice: share of its own {what} after which it was as good already ({note})",
                   "value": round(own, 3), "unit": "1", "bound": None, "holds": None}  # fmt: skip


def draw(got: dict[tuple[str, str], NDArray[np.float64]], out: Path) -> None:
    """Draw F1 against labels and against pictures for both ways: each seed thin, the mean thick."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    rows = [(plan.words, *judged) for plan in LABELLINGS for judged in ((2, "place only"), (3, "place and kind"))]
    figure, axes = plt.subplots(len(rows), 2, figsize=(9, 12), sharey="row", sharex="col", layout="constrained")
    looks = {"queue": ("tab:blue", "-", "o"), "random": ("tab:orange", "--", "s")}
    for pair, (words, score, judged) in zip(axes, rows, strict=True):
        for axis, column in ((pair[0], 1), (pair[1], 0)):
            for way, (colour, line, mark) in looks.items():
                for one in got[words, way]:
                    axis.plot(one[:, column], one[:, score], line, color=colour, linewidth=0.6, alpha=0.4)
                mean = got[words, way].mean(axis=0)
                name = "label queue" if way == "queue" else "random choice"
                axis.plot(mean[:, column], mean[:, score], line, color=colour, marker=mark, linewidth=2, label=name)
            axis.axhline(got[words, "random"].mean(axis=0)[-1, score], color="grey", linewidth=0.8, linestyle=":")
            axis.set_xlim(left=0)
            axis.grid(alpha=0.3)
        pair[0].set_ylabel(f"F1, {judged}\n({words})")
    axes[-1][0].set_xlabel("plants labelled")
    axes[-1][1].set_xlabel("pictures labelled")
    axes[0][0].legend(loc="lower right")
    out.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(out, metadata={"Date": None} if out.suffix == ".svg" else None)
    plt.close(figure)


if __name__ == "__main__":  # python -m benchmarks._teach_queue docs/images/label-queue.svg
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    found = curves(LABELLINGS, ROUNDS)
    for key, values in found.items():
        print(*key, values.round(4).tolist())
    draw(found, Path(sys.argv[1]))

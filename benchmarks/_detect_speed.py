"""Inference against bare ONNX Runtime on the same tiles, and two workers against one, always in turns in one run.

"Bare" is a session of ONNX Runtime that is given finished tiles and whose answers are thrown away: once in its own way
(all cores on one tile), once with one core a tile and as many tiles at once as there are cores. Every figure that
compares is a median over rounds in which one follows the other, so that what else the machine does counts for both.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from multiprocessing import get_context
from typing import Any

import cv2
import numpy as np

from swardwright.domain.frame import Frame
from swardwright.footage.picture import decode, decode_or_tell
from swardwright.learning import detect, load_detector, shipped_detector
from swardwright.learning.detector import TILE_PX
from swardwright.learning.runtime import TOLERANCE, usable_cores
from swardwright.learning.windows import cut, windows
from swardwright.shell.spreading import PART, How, look_through

NAMES = ["heat", "kinds", "shape"]
#: teaching seeds that no teaching used
SEEDS = range(1_950_000, 1_950_004)
CORES = 2


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures."""
    pictures = rendered()
    yield from speed(pictures, rounds=15 if full else 4, count=16 if full else 6)
    yield from large(decode(pictures[0]), rounds=7 if full else 2)
    yield from spread(pictures, rounds=5 if full else 2, count=40 if full else 24)


def rendered() -> list[bytes]:
    """Return twelve pictures of invented ground as a camera records them (JPEG)."""
    from swardwright.shell.teaching import render_scene

    return [picture.jpeg for seed in SEEDS for picture in render_scene(seed, 3)]


def bare_session(threads: int) -> Any:
    """Return a session as ONNX Runtime makes it by itself, but for the number of threads."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    return onnxruntime.InferenceSession(
        shipped_detector().read_bytes(), options, providers=["CPUExecutionProvider"]
    )  # fmt: skip


class Bare:
    """The two ways of bare ONNX Runtime on tiles."""

    def __init__(self, threads: int) -> None:
        self.wide, self.narrow = bare_session(threads), bare_session(1)
        self.pool = ThreadPoolExecutor(threads)

    def all_cores_on_one(self, tiles: list[Any]) -> None:
        """Tile after tile."""
        for tile in tiles:
            self.wide.run(NAMES, {"pictures": tile[None]})

    def one_core_each(self, tiles: list[Any]) -> None:
        """As many tiles at once as there are cores."""
        list(self.pool.map(lambda tile: self.narrow.run(NAMES, {"pictures": tile[None]}), tiles))


def in_turns(rounds: int, *acts: Callable[[], Any]) -> tuple[Any, Any]:
    """Return wall and processor seconds (rounds, acts), each act once before, not counted."""
    wall, processor = np.zeros((rounds, len(acts))), np.zeros((rounds, len(acts)))
    for act in acts:
        act()
    for number in range(rounds):
        for which in range(len(acts)) if number % 2 else reversed(range(len(acts))):
            begun, spent = time.perf_counter(), time.process_time()
            acts[which]()
            wall[number, which] = time.perf_counter() - begun
            processor[number, which] = time.process_time() - spent
    return wall, processor


def speed(pictures: list[bytes], *, rounds: int, count: int) -> Iterator[dict[str, Any]]:
    """Pictures of one tile each: decoded already, and from JPEG on."""
    threads = min(CORES, usable_cores())
    detector, bare = load_detector(shipped_detector(), threads=threads, provider="cpu"), Bare(threads)
    coded = [pictures[n % len(pictures)] for n in range(count)]
    images = [decode(data) for data in coded]
    frames = [Frame(f"r/{n}", "r", n, "t", (i.shape[1], i.shape[0])) for n, i in enumerate(images)]
    loads = [partial(decode_or_tell, data, False, "r", None, "") for data in coded]
    wall, processor = in_turns(
        rounds,
        lambda: bare.all_cores_on_one(images),
        lambda: bare.one_core_each(images),
        lambda: list(detect(zip(frames, images, strict=True), detector)),
        lambda: list(detect(zip(frames, loads, strict=True), detector)),
    )
    of = f"inference of {images[0].shape[1]} x {images[0].shape[0]} px on {threads} cores"
    rate = count / np.median(wall, axis=0)
    yield _figure(f"{of}: bare ONNX Runtime, all cores on one tile", rate[0], "frames/s")
    yield _figure(f"{of}: bare ONNX Runtime, one core a tile", rate[1], "frames/s")
    yield _figure(f"{of}: pictures to detections", rate[2], "frames/s")
    yield _figure(f"{of}: JPEG to detections", rate[3], "frames/s")
    against = wall[:, :2] / wall[:, 2:3]
    yield _figure(f"{of}: frame rate over bare ONNX Runtime's own way", np.median(against[:, 0]), "1", least=0.9)
    yield _figure(f"{of}: frame rate over its best way", np.median(against.min(axis=1)), "1", least=0.9)
    spent = processor / processor[:, 1:2]
    yield _figure(f"{of}: processor time over bare, one core a tile", np.median(spent[:, 2]), "1")
    yield _figure(f"{of}: the same from JPEG", np.median(spent[:, 3]), "1")


def large(image: Any, *, rounds: int) -> Iterator[dict[str, Any]]:
    """One large picture in tiles with their context, against bare ONNX Runtime on the same tiles."""
    threads = min(CORES, usable_cores())
    image = np.asarray(cv2.resize(image, (4000, 3000), interpolation=cv2.INTER_CUBIC))
    detector, bare = load_detector(shipped_detector(), threads=threads, provider="cpu"), Bare(threads)
    whole = load_detector(shipped_detector(), threads=threads, provider="cpu", tile_px=4000)
    small = load_detector(shipped_detector(), threads=threads, provider="cpu", tile_px=640, batch=4)
    places = windows(3000, 4000, TILE_PX, detector.card.margin_px)
    tiles = [np.ascontiguousarray(cut(image, place)) for place in places]
    frame = Frame("r/0", "r", 0, "t", (4000, 3000))
    wall, _ = in_turns(
        rounds,
        lambda: bare.all_cores_on_one(tiles),
        lambda: bare.one_core_each(tiles),
        lambda: list(detect([(frame, image)], detector)),
    )
    of = f"4000 x 3000 px in {len(tiles)} tiles of {tiles[0].shape[1]} x {tiles[0].shape[0]} px"
    yield _figure(f"{of}: picture to detections", np.median(wall[:, 2]), "s")
    ratio = np.median((wall[:, :2] / wall[:, 2:3]).min(axis=1))
    yield _figure(f"{of}: frame rate over bare ONNX Runtime's best way on these tiles", ratio, "1", least=0.9)
    wanted = whole.maps(image)
    worst = max(
        float(np.abs(a - b).max()) for d in (detector, small) for a, b in zip(wanted, d.maps(image), strict=True)
    )
    yield _figure("largest difference of logits, cells and log radii, whole or in tiles of 1280 or 640 px, 1 or 4 at "
                  "once", worst, "1", most=TOLERANCE)  # fmt: skip


_session: list[Any] = []


def _ready() -> None:
    _session[:] = [bare_session(1)]


def _bare_part(part: list[bytes]) -> int:
    for data in part:
        _session[0].run(NAMES, {"pictures": decode(data)[None]})
    return len(part)


def spread(pictures: list[bytes], *, rounds: int, count: int) -> Iterator[dict[str, Any]]:
    """Dask with two workers against one, and what two bare processes reach against one on this machine."""
    try:
        import distributed
    except ImportError:
        return
    coded = [pictures[n % len(pictures)] for n in range(count)]
    frames = [Frame(f"r/{n}", "r", n, "t", (1, 1)) for n in range(count)]
    loads = [partial(decode_or_tell, data, False, "r", None, "") for data in coded]
    halves = [coded[i : i + PART] for i in range(0, count, PART)]
    with contextlib.ExitStack() as held:
        quiet = {"threads_per_worker": 1, "host": "127.0.0.1", "dashboard_address": "127.0.0.1:0", "silence_logs": 50}
        clusters = [held.enter_context(distributed.LocalCluster(n_workers=n, **quiet)) for n in (1, 2)]
        pools = [held.enter_context(ProcessPoolExecutor(n, get_context("spawn"), _ready)) for n in (1, 2)]

        def on(address: str) -> int:
            found = look_through(zip(frames, loads, strict=True), shipped_detector(), How(cluster=address))
            return sum(1 for _ in found)

        acts = [partial(on, c.scheduler_address) for c in clusters]
        acts += [partial(lambda pool: sum(pool.map(_bare_part, halves)), pool) for pool in pools]
        wall, _ = in_turns(rounds, *acts)
    of = f"{rounds * count} frames from JPEG, in turns"
    gain, bare_gain = wall[:, 0].sum() / wall[:, 1].sum(), wall[:, 2].sum() / wall[:, 3].sum()
    for name, which in (("Dask, one worker", 0), ("Dask, two workers", 1), ("one bare process", 2),
                        ("two bare processes", 3)):  # fmt: skip
        yield _figure(f"{of}: {name}", rounds * count / wall[:, which].sum(), "frames/s")
    yield _figure(f"{of}: two bare processes over one, what the machine allows", bare_gain, "1")
    yield _figure(f"{of}: Dask with two workers over one", gain, "1", least=1.6)
    yield _figure(f"{of}: that gain over what the machine allows", gain / bare_gain, "1")


def _figure(
    name: str, value: float, unit: str, *, least: float | None = None, most: float | None = None
) -> dict[str, Any]:
    bound = most if least is None else least
    holds = None if bound is None else bool(value >= bound if least is not None else value <= bound)
    return {"figure": name, "value": round(float(value), 6), "unit": unit, "bound": bound, "holds": holds}

"""Finding plants in pictures with an ONNX detector; needs no PyTorch."""

from __future__ import annotations

import copy
import hashlib
import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError, SwardwrightError
from swardwright.domain.frame import Detection, Frame
from swardwright.learning.card import ModelCard, card_bytes, card_from_bytes, card_path
from swardwright.learning.measure import logistic
from swardwright.learning.runtime import Engine, Outputs, no_memory
from swardwright.learning.samples import SCALE_MIN, Image, shrunk
from swardwright.learning.targets import STRIDE, Candidates, Floats, decode
from swardwright.learning.windows import MULTIPLE_PX, Window, cut, windows

#: what a tile in the middle of a large picture gives out, pixels of the shrunk picture, where nobody says otherwise
TILE_PX = 1280
#: a camera whose pixels cover as much ground as the taught pictures' to within this factor needs no other scale;
#: pictures are enlarged by this at most
SAME_SAMPLING, ENLARGE_MAX = 1.15, 2.0
MIN_SIDE_PX, MAX_SIDE_PX, MAX_PIXELS = 32, 20_000, 120_000_000
MAX_MODEL_BYTES = 200_000_000
BATCH_MAX = 256
#: a picture, or what makes it: then it is read in the thread that looks through it
Given = Image | Callable[[], Image]
#: heat logits (h, w), shape (3, h, w), kind logits (k, h, w)
Maps = tuple[Floats, Floats, Floats]
Stack = Sequence[tuple[Frame, Given]]
Part = TypeVar("Part")
Made = TypeVar("Made")


class Detector:
    """A taught network with its card.

    Tiles, batches, threads and providers change no logit by more than :data:`~swardwright.learning.runtime.TOLERANCE`.

    Parameters
    ----------
    engine : Engine
        The network, ready to be run.
    tile_px : int
        Pictures that are longer are cut into tiles of this size plus ``card.margin_px`` of context (multiple of 32).
    batch : int, optional
        Tiles run together, by default what suits the engine.
    """

    def __init__(self, engine: Engine, card: ModelCard, *, tile_px: int = TILE_PX, batch: int | None = None) -> None:
        if not MULTIPLE_PX <= tile_px <= MAX_SIDE_PX or tile_px % MULTIPLE_PX:
            raise InputError("a tile must be a multiple of 32 pixels", field="tile", value=tile_px,
                             limit=f"{MULTIPLE_PX} to {MAX_SIDE_PX}",
                             remedy="take 1280, or less for less memory")  # fmt: skip
        if batch is not None and not 1 <= batch <= BATCH_MAX:
            raise InputError("so many tiles cannot be run together", field="batch", value=batch,
                             limit=f"1 to {BATCH_MAX}", remedy="take 1, or 8 on an accelerator")  # fmt: skip
        self._engine = engine
        self._tile_px = tile_px
        self.batch = engine.batch if batch is None else batch
        self.card = card
        self._scale = card.scale

    def at_sampling(self, metres_per_px: float | None) -> Detector:
        """Return the detector for pictures of which one pixel covers so much ground.

        Where the card says what the taught pictures' pixels covered, pictures of another height or lens are shrunk (or
        enlarged) so that plants come to the network as large as they were taught. None, or a card that does not say:
        the card's scale.
        """
        other = copy.copy(self)
        taught = self.card.metres_per_px
        ratio = metres_per_px / taught if metres_per_px and taught else 1.0
        if not 1 / SAME_SAMPLING <= ratio <= SAME_SAMPLING:
            other._scale = float(np.clip(self.card.scale * ratio, SCALE_MIN, ENLARGE_MAX))
        else:
            other._scale = self.card.scale
        return other

    @property
    def provider(self) -> str:
        """What of the machine computes: ``cpu``, ``cuda``, ..."""
        return self._engine.provider

    @property
    def lanes(self) -> int:
        """How many stacks of pictures are worth preparing side by side."""
        return self._engine.lanes

    def maps(self, image_rgb: Image) -> Maps:
        """Return heat logits (h, w), shape (3, h, w) and kind logits (k, h, w), 4 shrunk pixels per cell.

        Raises
        ------
        InputError
            If the picture is not RGB ``uint8``, its sides are out of bounds or the memory does not suffice.
        """
        return self._maps([shrunk(check_picture(image_rgb), self._scale)], alone=True)[0]

    def _maps(self, images: Sequence[Image], *, alone: bool = False) -> list[Maps]:
        """Return the maps of (shrunk) pictures, whose windows of one size go through the network together."""
        places = [
            (number, window)
            for number, image in enumerate(images)
            for window in windows(image.shape[0], image.shape[1], self._tile_px, self.card.margin_px)
        ]
        places.sort(key=lambda place: (place[1].height, place[1].width))  # stable: in order within a size
        stacks: list[list[tuple[int, Window]]] = []
        for place in places:
            last = stacks[-1] if stacks else []
            alike = last and (last[-1][1].height, last[-1][1].width) == (place[1].height, place[1].width)
            if alike and len(last) < self.batch:
                last.append(place)
            else:
                stacks.append([place])
        out: list[Maps | None] = [None] * len(images)
        made = self._engine.run([partial(_stacked, images, stack) for stack in stacks], alone=alone)
        for stack, outputs in zip(stacks, made, strict=True):
            for at, (number, window) in enumerate(stack):
                out[number] = _placed(out[number], images[number], window, outputs, at)
        return [maps for maps in out if maps is not None]

    def candidates(self, image_rgb: Image, floor: float) -> Candidates:
        """Return all plants of heat logit above ``floor``, not calibrated, strongest first, pixels of the picture."""
        return self._candidates(self.maps(image_rgb), floor)

    def _candidates(self, maps: Maps, floor: float) -> Candidates:
        heat, shape, kinds = maps
        got = decode(np.ascontiguousarray(heat), shape, kinds, floor, self.card.suppress_radii)
        scale = np.float32(self._scale)
        return replace(got, u_px=(got.u_px + np.float32(0.5)) / scale - np.float32(0.5),
                       v_px=(got.v_px + np.float32(0.5)) / scale - np.float32(0.5),
                       radius_px=got.radius_px / scale) if scale != 1 else got  # fmt: skip

    def find(self, image_rgb: Image, frame_id: str) -> list[Detection]:
        """Return the plants on a picture whose calibrated probability reaches the card's threshold, best first.

        Parameters
        ----------
        image_rgb : Image
            RGB, (height, width, 3) uint8, sides 32 to 20,000 px.
        frame_id : str
            Detections are named ``<frame_id>#<n>``.
        """
        return self.look([(frame_id, image_rgb)], alone=True)[0]

    def look(self, given: Sequence[tuple[str, Given]], *, alone: bool = False) -> list[list[Detection]]:
        """Return what :meth:`find` does of several pictures (by frame id), which go through the network together.

        Parameters
        ----------
        alone : bool
            Nothing else is looked through now: all cores may go to these pictures.

        Raises
        ------
        InputError
            If a picture cannot be used; the error names its frame.
        """
        sizes: list[tuple[int, int]] = []
        small: list[Image] = []
        for name, picture in given:
            try:
                image = check_picture(picture() if callable(picture) else picture)
                sizes.append((int(image.shape[1]), int(image.shape[0])))
                small.append(shrunk(image, self._scale))
            except InputError as error:
                error.where = error.where or name
                raise
            except MemoryError as error:
                raise no_memory(name, "a whole picture") from error
        maps = self._maps(small, alone=alone)
        return [self._read(m, name, size) for m, (name, _), size in zip(maps, given, sizes, strict=True)]

    def _read(self, maps: Maps, frame_id: str, size_px: tuple[int, int]) -> list[Detection]:
        card = self.card
        p = min(max(card.threshold, 1e-6), 1 - 1e-6)
        floor = (np.log(p / (1 - p)) - card.bias) * card.temperature
        got = self._candidates(maps, float(floor) - 1e-6)
        width, height = size_px
        probability = logistic(got.logit.astype(float) / card.temperature + card.bias)
        z = got.kind_logits.astype(float) / card.kind_temperature
        weights = np.exp(z - z.max(axis=1, keepdims=True)) if len(z) else z
        found: list[Detection] = []
        for i in range(len(probability)):
            u, v = float(got.u_px[i]), float(got.v_px[i])
            if not (-0.5 <= u < width - 0.5 and -0.5 <= v < height - 0.5):
                continue
            share = weights[i] / weights[i].sum()
            kinds = sorted(zip(card.kinds, map(float, share), strict=True), key=lambda k: -k[1])
            radius = float(got.radius_px[i])
            spread = math.hypot(card.crown_floor_px * card.scale / self._scale, card.crown_share * radius)
            name, likely = f"{frame_id}#{len(found)}", float(probability[i])
            radius_sd = card.log_radius_sd if spread > 0.0 else 0.0
            found.append(Detection(name, frame_id, u, v, radius, likely, tuple(kinds), spread, radius_sd))
        return found


def _stacked(images: Sequence[Image], stack: Sequence[tuple[int, Window]]) -> NDArray[np.uint8]:
    if len(stack) == 1:
        return cut(images[stack[0][0]], stack[0][1])[None]
    return np.stack([cut(images[number], window) for number, window in stack])


def _placed(board: Maps | None, image: Image, window: Window, outputs: Outputs, at: int) -> Maps:
    """Return the maps of a picture with what one window gives out put in its place."""
    heat, kinds, shape = outputs
    (top, bottom), (left, right) = window.rows, window.columns
    height, width = image.shape[:2]
    i, j, end_i, end_j = top // STRIDE, left // STRIDE, -(-bottom // STRIDE), -(-right // STRIDE)
    a, b = i - window.top // STRIDE, j - window.left // STRIDE
    inside = np.s_[..., a : a + end_i - i, b : b + end_j - j]
    parts = heat[at, 0][inside], shape[at][inside], kinds[at][inside]
    if (bottom - top, right - left) == (height, width):
        return parts
    if board is None:
        h, w = -(-height // STRIDE), -(-width // STRIDE)
        board = (np.empty((h, w), np.float32), np.empty((3, h, w), np.float32),
                 np.empty((kinds.shape[1], h, w), np.float32))  # fmt: skip
    for whole, part in zip(board, parts, strict=True):
        whole[..., i:end_i, j:end_j] = part
    return board


def check_picture(image: object) -> Image:
    """Return the picture as contiguous RGB ``uint8``, or raise ``InputError`` with what is wrong."""
    if not isinstance(image, np.ndarray) or image.dtype != np.uint8 or image.ndim != 3 or image.shape[2] != 3:
        shown = f"{image.dtype} {image.shape}" if isinstance(image, np.ndarray) else type(image).__name__
        raise InputError("a picture must be RGB of 8 bits per colour", field="picture", value=shown,
                         limit="(height, width, 3) uint8", remedy="convert the picture to 8-bit RGB")  # fmt: skip
    height, width = image.shape[:2]
    if min(height, width) < MIN_SIDE_PX or max(height, width) > MAX_SIDE_PX or height * width > MAX_PIXELS:
        raise InputError("the picture's size is out of bounds", field="picture", value=f"{width} x {height} px",
                         limit=f"sides {MIN_SIDE_PX} to {MAX_SIDE_PX} px, {MAX_PIXELS // 1_000_000} megapixels at most",
                         remedy="resize or cut the picture")  # fmt: skip
    return np.ascontiguousarray(image)


def shipped_detector() -> Path:
    """Return the ONNX file that comes with the package; it was taught on invented ground only."""
    return Path(__file__).parent / "models" / "turf.onnx"


def load_detector(
    path: Path, *, threads: int | None = None, tile_px: int = TILE_PX, batch: int | None = None,
    provider: str | None = None,
) -> Detector:  # fmt: skip
    """Load an ONNX detector and the card beside it.

    Parameters
    ----------
    path : Path
        The ``.onnx`` file; ``.json`` of the same stem must lie beside it.
    threads : int, optional
        Processor cores for inference, by default all that the process may use.
    tile_px, batch : int, optional
        See :class:`Detector`.
    provider : str, optional
        What computes, one of :func:`swardwright.learning.runtime.providers`; by default the best that is there.

    Raises
    ------
    InputError
        If a file is missing or too large, the ONNX file is corrupt or of another network, the card is of another
        model, or the named provider cannot be used.
    """
    name, data, card = read_detector(path)
    return detector_from(name, data, card, threads=threads, tile_px=tile_px, batch=batch, provider=provider)


def read_detector(path: Path) -> tuple[str, bytes, bytes]:
    """Return name, ONNX file and card of a detector as they lie on the disk, to carry them to another process.

    Raises
    ------
    InputError
        If a file is missing or too large.
    """
    path = Path(path)
    if not path.is_file():
        raise InputError("there is no such detector file", where=path.name,
                         remedy="name an existing .onnx file, or teach one with 'swardwright teach'")  # fmt: skip
    if path.stat().st_size > MAX_MODEL_BYTES:
        raise InputError("the detector file is too large", where=path.name, limit=f"{MAX_MODEL_BYTES} bytes",
                         remedy="use a file written by 'swardwright teach'")  # fmt: skip
    return path.name, path.read_bytes(), card_bytes(card_path(path))


def detector_from(
    name: str, data: bytes, card_data: bytes, *, threads: int | None = None, tile_px: int = TILE_PX,
    batch: int | None = None, provider: str | None = None,
) -> Detector:  # fmt: skip
    """Build a detector from what :func:`read_detector` returned; see :func:`load_detector`."""
    card = card_from_bytes(card_data, card_path(Path(name)).name)
    if hashlib.sha256(data).hexdigest() != card.onnx_sha256:
        raise InputError("the detector file is not the one its card describes", where=name, field="onnx_sha256",
                         remedy="copy the .onnx and its .json together again: one was changed or cut")  # fmt: skip
    engine = Engine(data, name, len(card.kinds), provider=provider, threads=threads)
    return Detector(engine, card, tile_px=tile_px, batch=batch)


def detect(pairs: Iterable[tuple[Frame, Given]], detector: Detector) -> Iterator[tuple[Frame, list[Detection]]]:
    """Find the plants of every frame, in order: the recipe of this step.

    Pictures are read, looked through and given out side by side, a few more than there are cores at any time. Where one
    cannot be used, what came before it is given out first, then the error raised.
    """
    stacks, lanes = in_stacks(pairs, detector.batch), detector.lanes
    if lanes == 1:
        for stack in stacks:
            yield from zip((frame for frame, _ in stack), _looked(detector, stack), strict=True)
        return
    pool = ThreadPoolExecutor(lanes, "look")
    try:
        for stack, found in in_order(stacks, lambda stack: pool.submit(_looked, detector, stack), lanes):
            yield from zip((frame for frame, _ in stack), found, strict=True)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _looked(detector: Detector, stack: Stack) -> list[list[Detection]]:
    return detector.look([(frame.id, picture) for frame, picture in stack])


def in_order(parts: Iterator[Part], submit: Callable[[Part], Future[Made]], most: int) -> Iterator[tuple[Part, Made]]:
    """Yield parts of some work with what was made of each, in order, however many are under way.

    Parameters
    ----------
    submit : Callable
        Begins one part elsewhere (in a thread, a process, a cluster).
    most : int
        Parts under way and done but not yet given out: no more are taken from ``parts`` meanwhile.
    """
    waiting: deque[tuple[Part, Future[Made]]] = deque()
    fault: SwardwrightError | None = None
    try:
        while True:
            try:
                part = next(parts)
            except StopIteration:
                break
            except SwardwrightError as error:  # what came before it is given out first
                fault = error
                break
            waiting.append((part, submit(part)))
            while waiting and (len(waiting) > most or waiting[0][1].done()):
                yield waiting[0][0], waiting[0][1].result()
                waiting.popleft()
        while waiting:
            yield waiting[0][0], waiting[0][1].result()
            waiting.popleft()
    finally:
        for _, future in waiting:
            future.cancel()
    if fault is not None:
        raise fault


def in_stacks(pairs: Iterable[tuple[Frame, Given]], size: int) -> Iterator[Stack]:
    """Yield the pairs some at a time; what came before a fault is given out before it."""
    held: list[tuple[Frame, Given]] = []
    try:
        for pair in pairs:
            held.append(pair)
            if len(held) == size:
                yield held
                held = []
    except SwardwrightError:
        if held:
            yield held
        raise
    if held:
        yield held

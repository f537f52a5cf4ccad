"""Finding plants in pictures with an ONNX detector; needs no PyTorch."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame
from swardwright.learning.augment import OUTSIDE
from swardwright.learning.card import ModelCard, card_path, read_card
from swardwright.learning.measure import logistic
from swardwright.learning.samples import Image, shrunk
from swardwright.learning.targets import STRIDE, Candidates, decode

MULTIPLE_PX = 32
#: context around a tile, pixels (multiple of 32): half the receptive field, so tiles change nothing
MARGIN_PX = 224
MIN_SIDE_PX, MAX_SIDE_PX, MAX_PIXELS = 32, 20_000, 120_000_000
MAX_MODEL_BYTES = 200_000_000


class Detector:
    """A taught network with its card.

    Parameters
    ----------
    session : onnxruntime.InferenceSession
        With input ``pictures`` (1, h, w, 3) uint8 and outputs ``heat``, ``kinds``, ``shape``.
    tile_px : int
        Pictures with a longer side are cut into tiles of this size plus context (multiple of 32).
    """

    def __init__(self, session: Any, card: ModelCard, *, tile_px: int = 1280) -> None:
        if tile_px < MULTIPLE_PX or tile_px % MULTIPLE_PX:
            raise InputError("a tile must be a multiple of 32 pixels", field="tile_px", value=tile_px)
        self._session = session
        self._tile_px = tile_px
        self.card = card

    def maps(self, image_rgb: Image) -> tuple[Any, Any, Any]:
        """Return heat logits (h, w), shape (3, h, w) and kind logits (k, h, w), 4 shrunk pixels per cell.

        Raises
        ------
        InputError
            If the picture is not RGB ``uint8`` or its sides are out of bounds.
        """
        image = shrunk(check_picture(image_rgb), self.card.scale)
        height, width = image.shape[:2]
        tile = self._tile_px
        if max(height, width) <= tile:
            return self._run(image)
        h, w = -(-height // STRIDE), -(-width // STRIDE)
        heat = np.zeros((h, w), np.float32)
        shape = np.zeros((3, h, w), np.float32)
        kinds = np.zeros((len(self.card.kinds), h, w), np.float32)
        for top in range(0, height, tile):
            for left in range(0, width, tile):
                t, s = max(top - MARGIN_PX, 0), max(left - MARGIN_PX, 0)
                part = image[t : top + tile + MARGIN_PX, s : left + tile + MARGIN_PX]
                got = self._run(part)
                i, j = top // STRIDE, left // STRIDE
                n, m = min(tile // STRIDE, h - i), min(tile // STRIDE, w - j)
                a, b = (top - t) // STRIDE, (left - s) // STRIDE
                heat[i : i + n, j : j + m] = got[0][a : a + n, b : b + m]
                shape[:, i : i + n, j : j + m] = got[1][:, a : a + n, b : b + m]
                kinds[:, i : i + n, j : j + m] = got[2][:, a : a + n, b : b + m]
        return heat, shape, kinds

    def _run(self, image: Image) -> tuple[Any, Any, Any]:
        height, width = image.shape[:2]
        down, right = -height % MULTIPLE_PX, -width % MULTIPLE_PX
        if down or right:
            image = np.pad(image, ((0, down), (0, right), (0, 0)), constant_values=OUTSIDE)
        heat, kinds, shape = self._session.run(["heat", "kinds", "shape"], {"pictures": image[None]})
        h, w = -(-height // STRIDE), -(-width // STRIDE)
        return heat[0, 0, :h, :w], shape[0, :, :h, :w], kinds[0, :, :h, :w]

    def candidates(self, image_rgb: Image, floor: float) -> Candidates:
        """Return all plants of heat logit above ``floor``, not calibrated, strongest first, pixels of the picture."""
        heat, shape, kinds = self.maps(image_rgb)
        got = decode(np.ascontiguousarray(heat), shape, kinds, floor, self.card.suppress_radii)
        scale = np.float32(self.card.scale)
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
        card = self.card
        p = min(max(card.threshold, 1e-6), 1 - 1e-6)
        floor = (np.log(p / (1 - p)) - card.bias) * card.temperature
        got = self.candidates(image_rgb, float(floor) - 1e-6)
        height, width = image_rgb.shape[:2]
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
            found.append(
                Detection(f"{frame_id}#{len(found)}", frame_id, u, v, float(got.radius_px[i]), float(probability[i]),
                          tuple(kinds))
            )  # fmt: skip
        return found


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


def load_detector(path: Path, *, threads: int = 2, tile_px: int = 1280) -> Detector:
    """Load an ONNX detector and the card beside it.

    Parameters
    ----------
    path : Path
        The ``.onnx`` file; ``.json`` of the same stem must lie beside it.
    threads : int
        Processor threads for inference.

    Raises
    ------
    InputError
        If a file is missing or too large, the ONNX file is corrupt or of another network, or the card is of another
        model.
    """
    path = Path(path)
    if not path.is_file():
        raise InputError("there is no such detector file", where=path.name,
                         remedy="name an existing .onnx file, or teach one with 'swardwright teach'")  # fmt: skip
    if path.stat().st_size > MAX_MODEL_BYTES:
        raise InputError("the detector file is too large", where=path.name, limit=f"{MAX_MODEL_BYTES} bytes")
    card = read_card(card_path(path))
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != card.onnx_sha256:
        raise InputError("the detector file is not the one its card describes", where=path.name, field="onnx_sha256",
                         remedy="copy the .onnx and its .json together again: one was changed or cut")  # fmt: skip
    return Detector(open_session(data, path.name, len(card.kinds), threads), card, tile_px=tile_px)


def open_session(data: bytes, where: str, kinds: int, threads: int) -> Any:
    """Return an ONNX Runtime session after checking that inputs and outputs are a detector's."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 4
    try:
        session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    except Exception as error:
        raise InputError("the detector file is not readable ONNX", where=where,
                         remedy="copy the file again, or teach the detector again") from error  # fmt: skip
    inputs = {i.name: (i.type, len(i.shape or [])) for i in session.get_inputs()}
    outputs = {o.name: o.shape for o in session.get_outputs()}
    foreign = None
    if inputs != {"pictures": ("tensor(uint8)", 4)}:
        foreign = f"inputs {sorted(inputs)}"
    elif set(outputs) != {"heat", "kinds", "shape"}:
        foreign = f"outputs {sorted(outputs)}"
    elif len(outputs["kinds"]) != 4 or outputs["kinds"][1] != kinds:
        foreign = f"{outputs['kinds'][1:2]} kind maps"
    if foreign is not None:
        raise InputError("this ONNX file is not a crown detector of this program", where=where, value=foreign,
                         limit=f"input 'pictures' (uint8), outputs 'heat', 'kinds' ({kinds}), 'shape'",
                         remedy="use a file written by 'swardwright teach'")  # fmt: skip
    return session


def detect(pairs: Iterable[tuple[Frame, Image]], detector: Detector) -> Iterator[tuple[Frame, list[Detection]]]:
    """Find the plants of every frame: the recipe of this step."""
    for frame, image in pairs:
        try:
            yield frame, detector.find(image, frame.id)
        except InputError as error:
            error.where = error.where or frame.id
            raise

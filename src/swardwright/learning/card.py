"""The model card beside an ONNX file: what the detector was taught on, how it is read, and what it misses."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError
from swardwright.learning.samples import SCALE_MIN

CARD_FORMAT = "swardwright detector card 1"
MAX_CARD_BYTES = 1_000_000
#: fields that cards written earlier may lack
LATER = ("scale", "margin_px", "metres_per_px", "crown_floor_px", "crown_share")
BANDS_MAX = 20
#: how far the networks see, px of the shrunk picture, rounded up to a multiple of 32 (a test derives it): the small one
#: 203 before and 188 after a cell, the pretrained one 486 and 517
REACH_PX = {"small": 224, "pretrained": 544}
REACH_MAX_PX = 4096


@dataclass(frozen=True)
class EdgeBand:
    """Plants found at the threshold, among those whose crown lies at least ``from_px`` from the picture's edge.

    The next band begins where this one ends; ``probability`` is the share found (drawn to the whole picture's where
    plants are few), ``low95`` and ``high95`` its Wilson interval.
    """

    from_px: float
    plants: int
    found: int
    probability: float
    low95: float
    high95: float


@dataclass(frozen=True)
class ModelCard:
    """Card of one detector.

    Attributes
    ----------
    kinds : tuple[str, ...]
        In the order of the network's kind outputs.
    threshold : float
        Detections of a lower calibrated probability are not given out.
    temperature, bias : float
        ``probability = logistic(logit / temperature + bias)``.
    kind_temperature : float
        Softmax temperature of the kinds.
    detection_probability : float
        Share of labelled plants found on the hold-out at the threshold.
    false_alarms_m2, false_alarms_per_picture : float
        On the hold-out at the threshold; per m2 is 0 with ``false_alarms_m2_known`` false if no picture stated its
        ground sampling distance.
    crown_sd_px : float
        Standard deviation of the crown per axis on the hold-out (pixels of the held-out pictures).
    log_radius_sd : float
        Root mean square of log(stated / labelled radius).
    suppress_radii : float
        Two maxima nearer than this many radii are one plant.
    cell_px, kind of outputs
        Pixels per output cell.
    onnx_sha256 : str
        Digest of the ONNX file that the card belongs to.
    data, scores, settings, training : dict
        What it was taught on, hold-out scores, settings, and machine, steps and seconds.
    cautions : str
        What it must not be trusted with.
    bands : tuple[EdgeBand, ...]
        Shares found by distance from the picture's edge, from the edge inwards; none: not measured.
    scale : float
        Pictures are shrunk by this before the network sees them. All pixels of the card but ``margin_px`` are those of
        whole pictures.
    metres_per_px : float
        Ground that one pixel of the taught pictures covers (their median): where a camera's is known too, its pictures
        are shrunk so that plants come to the network as large as they were taught. 0: not stated.
    crown_floor_px, crown_share : float
        Standard deviation of the crown per axis of a plant of radius r, ``hypot(crown_floor_px, crown_share r)``, on
        the hold-out; both 0: not measured.
    margin_px : int
        Context that a tile of a large picture needs on every side, pixels of the shrunk picture, a multiple of 32; 0
        becomes the reach of the network that the settings name.
    """

    name: str
    kinds: tuple[str, ...]
    threshold: float
    temperature: float
    bias: float
    kind_temperature: float
    detection_probability: float
    false_alarms_m2: float
    false_alarms_m2_known: bool
    false_alarms_per_picture: float
    crown_sd_px: float
    log_radius_sd: float
    suppress_radii: float
    cell_px: int
    onnx_sha256: str
    cautions: str
    data: dict[str, Any] = field(default_factory=dict)
    scores: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    training: dict[str, Any] = field(default_factory=dict)
    bands: tuple[EdgeBand, ...] = ()
    scale: float = 1.0
    margin_px: int = 0
    metres_per_px: float = 0.0
    crown_floor_px: float = 0.0
    crown_share: float = 0.0

    def __post_init__(self) -> None:
        if not self.margin_px:
            network = str(self.settings.get("network", "small"))
            object.__setattr__(self, "margin_px", REACH_PX.get(network, max(REACH_PX.values())))

    def detection_bands(self) -> tuple[tuple[float, float], ...] | None:
        """Return (distance from the edge from which on it holds, px; detection probability), None if not measured."""
        return tuple((b.from_px, min(max(b.probability, 0.01), 0.995)) for b in self.bands) or None

    def text(self) -> str:
        """Return the card as JSON text."""
        return json.dumps({"format": CARD_FORMAT, **asdict(self)}, indent=2, ensure_ascii=False) + "\n"


def card_path(model: Path) -> Path:
    """Return where the card of a model file lies: same stem, ``.json``."""
    return model.with_suffix(".json")


def read_card(path: Path) -> ModelCard:
    """Read and check a card.

    Raises
    ------
    InputError
        If the file is missing, too large, not JSON, of another format, or a field is missing or out of range.
    """
    return card_from_bytes(card_bytes(path), path.name)


def card_bytes(path: Path) -> bytes:
    """Return the card's file, not yet checked.

    Raises
    ------
    InputError
        If the file is missing or too large.
    """
    if not path.is_file():
        raise InputError("the model has no card beside it", where=path.name,
                         remedy="copy the .json of the same name beside the .onnx file")  # fmt: skip
    if path.stat().st_size > MAX_CARD_BYTES:
        raise InputError("the model card is too large", where=path.name, limit=f"{MAX_CARD_BYTES} bytes")
    return path.read_bytes()


def card_from_bytes(data: bytes, where: str) -> ModelCard:
    """Build a card from the bytes of its file, checking every field."""
    try:
        raw = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError("the model card is not readable JSON", where=where,
                         remedy="copy the card again, or teach the detector again") from error  # fmt: skip
    return card_from(raw, where)


def card_from(raw: object, where: str) -> ModelCard:
    """Build a card from parsed JSON, checking every field."""
    if not isinstance(raw, dict) or raw.get("format") != CARD_FORMAT:
        raise InputError("this is not a detector card", where=where, field="format",
                         value=raw.get("format") if isinstance(raw, dict) else type(raw).__name__, limit=CARD_FORMAT,
                         remedy="use the card written beside the detector when it was taught")  # fmt: skip
    values: dict[str, Any] = {}
    ranges: dict[str, tuple[float, float]] = {
        "threshold": (0, 1), "temperature": (1e-3, 1e3), "bias": (-1e3, 1e3), "kind_temperature": (1e-3, 1e3),
        "detection_probability": (0, 1), "false_alarms_m2": (0, 1e6), "false_alarms_per_picture": (0, 1e6),
        "crown_sd_px": (0, 1e4), "log_radius_sd": (0, 100), "suppress_radii": (0, 10), "cell_px": (1, 64),
        "scale": (SCALE_MIN, 1), "margin_px": (32, REACH_MAX_PX), "metres_per_px": (0, 100),
        "crown_floor_px": (0, 1e4), "crown_share": (0, 10),
    }  # fmt: skip
    for item in fields(ModelCard):
        name = item.name
        if name == "bands":
            values[name] = _bands(raw.get(name, []), where)
            continue
        if name in LATER and name not in raw:  # a card written before there was one
            continue
        if name not in raw:
            raise InputError("the card lacks a field", where=where, field=name,
                             remedy="teach the detector again")  # fmt: skip
        value = raw[name]
        if name in ranges:
            low, high = ranges[name]
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) \
                    or not low <= value <= high:  # fmt: skip
                raise InputError("the card's number is out of range", where=where, field=name, value=value,
                                 limit=f"{low:g} to {high:g}", remedy="teach the detector again")  # fmt: skip
        elif name == "kinds":
            if not (isinstance(value, list) and 1 <= len(value) <= 200
                    and all(isinstance(k, str) and k for k in value) and len(set(value)) == len(value)):  # fmt: skip
                raise InputError("the card's kinds must be 1 to 200 different names", where=where, field=name,
                                 value=value)  # fmt: skip
            value = tuple(value)
        elif name == "false_alarms_m2_known":
            if not isinstance(value, bool):
                raise InputError("the card's field must be true or false", where=where, field=name, value=value)
        elif name in ("name", "onnx_sha256", "cautions"):
            if not isinstance(value, str):
                raise InputError("the card's field must be text", where=where, field=name, value=value)
        elif not isinstance(value, dict):
            raise InputError("the card's field must be a table", where=where, field=name, value=value)
        values[name] = value
    values["cell_px"] = int(values["cell_px"])
    margin = values.setdefault("margin_px", 0)
    if margin % 32:
        raise InputError("the card's margin is not a multiple of 32 pixels", where=where, field="margin_px",
                         value=margin, remedy="teach the detector again")  # fmt: skip
    values["margin_px"] = int(margin)
    return ModelCard(**values)


def _bands(raw: object, where: str) -> tuple[EdgeBand, ...]:
    """Build the card's bands; a card written before they were measured has none."""
    names = [item.name for item in fields(EdgeBand)]
    limits = {"from_px": 1e5, "plants": 1e9, "found": 1e9, "probability": 1.0, "low95": 1.0, "high95": 1.0}
    out: list[EdgeBand] = []
    for row in raw if isinstance(raw, list) and len(raw) <= BANDS_MAX else [None]:
        numbers: list[Any] = [row.get(name) for name in names] if isinstance(row, dict) else []
        good = len(numbers) == len(names) and all(
            isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) and 0 <= v <= limits[name]
            for name, v in zip(names, numbers, strict=True)
        )
        nested = good and (numbers[0] > out[-1].from_px if out else numbers[0] == 0) and numbers[2] <= numbers[1]
        if not nested:
            raise InputError("the card's bands are not nested from the picture's edge inwards", where=where,
                             field="bands", value=str(row)[:80],
                             limit=f"at most {BANDS_MAX} tables of {', '.join(names)}; from_px 0 first, then rising",
                             remedy="take the field out of the card, or teach the detector again")  # fmt: skip
        out.append(EdgeBand(float(numbers[0]), int(numbers[1]), int(numbers[2]), *map(float, numbers[3:])))
    return tuple(out)

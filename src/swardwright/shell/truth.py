"""What really stands on an invented site, for truth columns only: no step ever reads it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.shell.report_rows import Truth

TRUTH_FILE, COMPARED_FILE = "simulation/truth.json", "simulation/compared.json"
#: a register's plant within this distance of a true one is right
NEAR_M = 0.05
#: entries of the register believed less are not counted as its word
BELIEVED = 0.5


@dataclass(frozen=True)
class Compared:
    """A register against the truth: one-to-one matching within ``NEAR_M``.

    ``rms_m`` is the root mean square distance of the matched plants, metres; None where nothing matched.
    """

    plants: int
    claimed: int
    matched: int
    recall: float
    precision: float
    rms_m: float | None
    kinds_right: float | None
    matches: tuple[tuple[str, str, float], ...]  # weed id, true kind, distance m


def compare(folder: Path, site: Site, register: Register) -> Compared | None:
    """Compare a register with the truth file of an invented site; None if there is none."""
    from scipy.optimize import linear_sum_assignment
    from shapely.geometry import Point, Polygon

    plants = _plants(folder, site)
    if plants is None:
        return None
    zones = [Polygon(zone.corners_m) for zone in site.zones]
    inside = [p for p in plants if p["alive"] and any(z.covers(Point(p["x_m"], p["y_m"])) for z in zones)]
    # a plant at the very edge may be placed outside by its error: it is neither a miss nor a false alarm there
    near = [z.buffer(NEAR_M) for z in zones]
    weeds = [w for w in register.weeds if w.presence >= BELIEVED and any(z.covers(Point(w.mean_m)) for z in near)]
    everywhere = [p for p in plants if p["alive"]]
    true_m = np.array([(p["x_m"], p["y_m"]) for p in everywhere]).reshape(-1, 2)
    said_m = np.array([w.mean_m for w in weeds]).reshape(-1, 2)
    distance = np.linalg.norm(true_m[:, None] - said_m[None], axis=2)
    rows, columns = linear_sum_assignment(np.where(distance <= NEAR_M, distance, 1e3))
    pairs = [(i, j) for i, j in zip(rows, columns, strict=True) if distance[i, j] <= NEAR_M]
    counted = {p["id"] for p in inside}
    found = [(i, j) for i, j in pairs if everywhere[i]["id"] in counted]
    matches = tuple((weeds[j].id, str(everywhere[i]["kind"]), float(distance[i, j])) for i, j in pairs)
    squares = [distance[i, j] ** 2 for i, j in pairs]
    right = [weeds[j].kind == everywhere[i]["kind"] for i, j in pairs]
    return Compared(
        plants=len(inside),
        claimed=len(weeds),
        matched=len(found),
        recall=len(found) / len(inside) if inside else 1.0,
        precision=len(pairs) / len(weeds) if weeds else 1.0,
        rms_m=float(np.sqrt(np.mean(squares))) if squares else None,
        kinds_right=float(np.mean(right)) if right else None,
        matches=matches,
    )


def _plants(folder: Path, site: Site) -> list[dict[str, Any]] | None:
    path = folder / TRUTH_FILE
    if not site.invented or not path.is_file():
        return None
    plants: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["plants"]
    return plants


def note_comparison(folder: Path, site: Site, register: Register) -> Compared | None:
    """Compare now and keep the figures beside the truth: later the ground itself will have changed."""
    compared = compare(folder, site, register)
    if compared is not None:
        kept = read_comparisons(folder)
        kept[str(register.revision)] = {k: v for k, v in vars(compared).items()}
        (folder / COMPARED_FILE).write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    return compared


def read_comparisons(folder: Path) -> dict[str, Any]:
    """Return the figures kept, by revision; none where the truth was taken away."""
    path = folder / COMPARED_FILE
    if not path.is_file() or not (folder / TRUTH_FILE).is_file():
        return {}
    kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return kept


def report_truth(folder: Path, revision: int) -> Truth | None:
    """Return the truth columns of a report on a register revision."""
    kept = read_comparisons(folder).get(str(revision))
    if kept is None:
        return None
    summary = [
        ("plants that stood on the zones", str(kept["plants"])),
        ("found within 5 cm (recall)", f"{100 * kept['recall']:.1f} %"),
        ("entries that are plants (precision)", f"{100 * kept['precision']:.1f} %"),
    ]
    if kept["rms_m"] is not None:
        summary.append(("root mean square distance", f"{1000 * kept['rms_m']:.1f} mm"))
    kinds = {weed: kind for weed, kind, _ in kept["matches"]}
    return Truth(kinds, {weed: error for weed, _, error in kept["matches"]}, summary)

"""How a detector does on parts of what it was judged on (kinds, sizes, lights, places), and its worst mistakes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.learning.bootstrap import Interval, share_by_place
from swardwright.learning.cost_curve import Prices, compares_kinds, plants_to_treat, would_burn
from swardwright.learning.judged import Judged
from swardwright.learning.measure import expected_calibration_error

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
#: radius of plants to the group's upper end, in metres, or in pixels where the sampling distance is not known
SIZES_M = (0.01, 0.02, 0.04, math.inf)
SIZES_PX = (8.0, 16.0, 32.0, math.inf)


@dataclass(frozen=True)
class Row:
    """How the detector does on one part: a kind, a size, a light, a place.

    Attributes
    ----------
    what, name : str
        Such as ``kind`` and ``daisy``.
    plants : int
    found : Interval
        Share of its plants found, whatever kind was said.
    kind_right : float
        Share of those of which the kind was said right; NaN where kinds are not compared.
    reported : int
        Reports that belong to the part (by the kind said, the radius said, the picture).
    right : Interval
        Share of them that are plants.
    calibration_error : float
        Expected calibration error of the card's probabilities on this part.
    """

    what: str
    name: str
    plants: int
    found: Interval
    kind_right: float
    reported: int
    right: Interval
    calibration_error: float


def per_m2(judged: Judged) -> bool:
    """Return whether every picture states its sampling distance, so that rates are per square metre."""
    return math.isfinite(judged.area_m2)


def found_plants(judged: Judged, kept: Bools) -> Bools:
    """Return whether each plant is found by a candidate that is kept."""
    out = judged.finder >= 0
    out[out] = kept[judged.finder[out]]
    return np.asarray(out)


def said_kind(judged: Judged) -> NDArray[np.int64]:
    """Return the index of each candidate's most probable kind."""
    return judged.kind_share.argmax(axis=1) if len(judged.logit) else np.zeros(0, np.int64)


def rows_of(judged: Judged, probability: Floats, threshold: float, rng: np.random.Generator) -> tuple[Row, ...]:
    """Return how the detector does by kind, size, light (brightness, contrast) and place."""
    out: list[Row] = []
    kept = probability >= threshold
    if compares_kinds(judged):
        said = said_kind(judged)
        out += [_row(judged, kept, probability, "kind", name, judged.plant_kind == k, said == k, rng)
                for k, name in enumerate(judged.kinds)]  # fmt: skip
    scale = np.array([p.metres_per_px or math.nan for p in judged.pictures])
    metric = per_m2(judged)
    plant_size = judged.plant_radius_px * (scale[judged.plant_picture] if metric else 1.0)
    row_size = judged.radius_px * (scale[judged.picture] if metric else 1.0)
    low = 0.0
    for high in SIZES_M if metric else SIZES_PX:
        name = _size_name(low, high, metric)
        out.append(_row(judged, kept, probability, "radius", name, (plant_size >= low) & (plant_size < high),
                        (row_size >= low) & (row_size < high), rng))  # fmt: skip
        low = high
    for what in ("brightness", "contrast"):
        values = np.array([getattr(p, what) for p in judged.pictures])
        ends = np.quantile(values, [1 / 3, 2 / 3])
        third = np.searchsorted(ends, values, side="left")
        for t, word in enumerate(("low", "middle", "high")):
            inside = values[third == t]
            if len(inside):
                name = f"{word} ({inside.min():.2f} to {inside.max():.2f})"
                out.append(_row(judged, kept, probability, what, name, third[judged.plant_picture] == t,
                                third[judged.picture] == t, rng))  # fmt: skip
    of_picture = judged.place_of_picture()
    for i, place in enumerate(judged.places):
        out.append(_row(judged, kept, probability, "place", place, of_picture[judged.plant_picture] == i,
                        of_picture[judged.picture] == i, rng))  # fmt: skip
    return tuple(r for r in out if r.plants or r.reported)


def _size_name(low: float, high: float, metric: bool) -> str:
    factor, unit = (100.0, "cm") if metric else (1.0, "px")
    if math.isinf(high):
        return f"{factor * low:g} {unit} and more"
    return f"{factor * low:g} to {factor * high:g} {unit}" if low else f"below {factor * high:g} {unit}"


def _row(
    judged: Judged, kept: Bools, probability: Floats, what: str, name: str, plants: Bools, rows: Bools,
    rng: np.random.Generator,
) -> Row:  # fmt: skip
    of_picture, places = judged.place_of_picture(), len(judged.places)
    found = found_plants(judged, kept) & plants
    reported = kept & rows
    right = reported & judged.hit

    def by_place(pictures: NDArray[np.int64]) -> Floats:
        return np.bincount(of_picture[pictures], minlength=places).astype(float)

    said_right = math.nan
    if compares_kinds(judged) and found.any():
        said = judged.kind_share[judged.finder[found]].argmax(axis=1)
        said_right = float(np.mean(said == judged.plant_kind[found]))
    return Row(
        what, name, int(plants.sum()),
        share_by_place(by_place(judged.plant_picture[found]), by_place(judged.plant_picture[plants]), rng,
                       resamples=1000),
        said_right, int(reported.sum()),
        share_by_place(by_place(judged.picture[right]), by_place(judged.picture[reported]), rng, resamples=1000),
        expected_calibration_error(probability[rows], judged.hit[rows]),
    )  # fmt: skip


@dataclass(frozen=True)
class Mistake:
    """One miss or wrong burn, for the picture sheet.

    ``sort``: ``missed``, ``taken for one to spare``, ``bare ground`` or ``one to spare``; pixels of the picture;
    ``probability``: as stated (of a miss: of the candidate there, 0 without one).
    """

    sort: str
    picture: int
    u_px: float
    v_px: float
    radius_px: float
    kind: str
    probability: float


def worst(judged: Judged, probability: Floats, threshold: float, prices: Prices, most: int = 24) -> list[Mistake]:
    """Return the worst misses (largest plants first) and wrong burns (surest first), at most so many of each."""
    kept = probability >= threshold
    burn, treat = kept & would_burn(judged, prices), plants_to_treat(judged, prices)
    found, burnt = found_plants(judged, kept), found_plants(judged, burn)
    left = np.flatnonzero(treat & ~burnt)
    left = left[np.argsort(-judged.plant_radius_px[left], kind="stable")][:most]
    out = []
    for i in left:
        finder = int(judged.finder[i])
        kind = judged.kinds[judged.plant_kind[i]] if judged.plant_kind[i] >= 0 else "plant"
        out.append(Mistake("taken for one to spare" if found[i] else "missed", int(judged.plant_picture[i]),
                           float(judged.plant_u_px[i]), float(judged.plant_v_px[i]), float(judged.plant_radius_px[i]),
                           kind, float(probability[finder]) if finder >= 0 else 0.0))  # fmt: skip
    right = burn & judged.hit
    right[right] = treat[judged.plant[right]]
    wrong = np.flatnonzero(burn & ~right)
    wrong = wrong[np.argsort(-probability[wrong], kind="stable")][:most]
    for i in wrong:
        said = judged.kinds[int(judged.kind_share[i].argmax())]
        out.append(Mistake("one to spare" if judged.hit[i] else "bare ground", int(judged.picture[i]),
                           float(judged.u_px[i]), float(judged.v_px[i]), float(judged.radius_px[i]),
                           said if compares_kinds(judged) else "plant", float(probability[i])))  # fmt: skip
    return out

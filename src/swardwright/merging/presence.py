"""Whether a plant stands there, of which kind, and how large: recursive Bayes over looks.

Two hypotheses per place: a plant, found with the detection probability of a look; or none. What is not a plant yet was
detected once (a leaf, a bare spot) tends to be detected again; a place of which the register of an earlier visit
speaks may have become bare, and is then detected by chance alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array

Kinds = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class PresenceSettings:
    """How belief moves (common practice, no source, unless the detector's card says better).

    Attributes
    ----------
    again : float
        Probability that what fooled the detector once fools it again in the next look.
    tempering : float
        Exponent on repeated evidence: looks from one recording are not independent.
    floor : float
        Belief is kept this far from 0 and 1.
    forget : float
        New weeds believed less than this after all looks are not entered.
    gone : float
        A weed of the register believed less than this is noted as gone.
    """

    again: float = 0.5
    tempering: float = 0.5
    floor: float = 1e-3
    forget: float = 0.05
    gone: float = 0.2


def logit(p: float) -> float:
    """Return log odds of a probability kept off 0 and 1 by 1e-6."""
    p = min(max(p, 1e-6), 1.0 - 1e-6)
    return float(np.log(p / (1.0 - p)))


def presence(before: float | None, hits: list[tuple[float, float]], misses: list[tuple[float, float]], *,
             chance_m2: float, settings: PresenceSettings) -> float:  # fmt: skip
    """Return the belief after looks.

    Parameters
    ----------
    before : float | None
        Belief of the earlier register; None for a weed that no earlier visit knew.
    hits : list[tuple[float, float]]
        Per sighting: the detector's probability, and the look's detection probability.
    misses : list[tuple[float, float]]
        Per look that held the place and did not see it: detection probability, false alarms per m2.
    chance_m2 : float
        Area in which a chance detection would have been taken for this weed, times false-alarm density (expected
        number).

    Notes
    -----
    Log odds add up. A new weed starts at the log odds of its first sighting (calibrated, so the density of false alarms
    is in it). Evidence is tempered: ``t (log(Pd / Pf) + log odds(p))`` per further sighting and
    ``t log((1 - Pd) / (1 - Pf))`` per miss, with ``Pf`` the probability of a detection though no plant is there.
    For a weed of an earlier visit, n looks count as ``1 + tempering (n - 1)``: the first one is independent evidence.
    """
    rest = list(hits)
    if before is None:
        odds = logit(rest[0][0]) if rest else 0.0
        rest = rest[1:]
        t = settings.tempering
        fooled = min(settings.again + chance_m2, 0.95)
    else:
        pieces = max(len(hits) + len(misses), 1)
        t = (1.0 + settings.tempering * (pieces - 1)) / pieces
        odds = logit(before)
        fooled = min(max(chance_m2, 1e-3), 0.95)
    for p, detection in rest:
        odds += t * (np.log(detection / fooled) + logit(p))
    for detection, _ in misses:
        odds += t * (np.log((1.0 - detection) / (1.0 - min(fooled, detection))))
    value = 1.0 / (1.0 + np.exp(-float(np.clip(odds, -30, 30))))
    return float(np.clip(value, settings.floor, 1.0 - settings.floor))


def fuse_kinds(evidence: list[Kinds], tempering: float) -> Kinds:
    """Return the tempered product of kind probabilities, largest first (ties by name).

    ``n`` pieces of evidence count as ``1 + tempering (n - 1)``: pictures of one plant are alike, so are the errors in
    them.
    """
    names = sorted({name for kinds in evidence for name, _ in kinds})
    if not names:
        return ()
    table = np.array([[dict(kinds).get(name, 0.0) for name in names] for kinds in evidence])
    logs = np.log(np.maximum(table, 1e-3)).sum(axis=0) * (1 + tempering * (len(evidence) - 1)) / len(evidence)
    p = np.exp(logs - logs.max())
    p /= p.sum()
    return tuple(sorted(((n, float(v)) for n, v in zip(names, p, strict=True)), key=lambda kv: (-kv[1], kv[0])))


def fuse_radius(pieces: list[tuple[float, float]]) -> tuple[float, float]:
    """Return radius and standard deviation (m) by inverse variance; never surer than half the best single one."""
    r, sd = np.array(pieces).T
    sd = np.maximum(sd, 1e-4)
    weight = 1 / sd**2
    fused = float(weight @ r / weight.sum())
    return fused, float(max(weight.sum() ** -0.5, 0.5 * sd.min()))


def inside(points_m: Array, outline_m: Array) -> NDArray[np.bool_]:
    """Return which points (n, 2) lie in a polygon (k, 2): even-odd rule."""
    low, high = outline_m.min(axis=0), outline_m.max(axis=0)
    out = np.zeros(len(points_m), dtype=bool)
    box = np.flatnonzero(((points_m >= low) & (points_m <= high)).all(axis=1))
    if not len(box):
        return out
    x, y = points_m[box, 0][:, None], points_m[box, 1][:, None]
    ax, ay = outline_m.T
    bx, by = np.roll(ax, -1), np.roll(ay, -1)
    straddles = (ay > y) != (by > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = ax + (y - ay) * (bx - ax) / (by - ay)
    out[box] = (straddles & (x < crossing)).sum(axis=1) % 2 == 1
    return out

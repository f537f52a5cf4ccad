"""Whether a plant stands there, of which kind, and how large: recursive Bayes over looks.

Two hypotheses per place: a plant, found with the detection probability that a look has *there*; or none, and then
either something that lasts (a leaf, a bare spot: what fooled the detector once tends to fool it again) or chance.
Plants are not alike: a few are hard to see, and are missed again and again, so that the fifth miss says less than
the first. A place of which the register of an earlier visit speaks may have become bare.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.footprint import inside
from swardwright.domain.poses import Array
from swardwright.domain.weed import Look

Kinds = tuple[tuple[str, float], ...]
#: Sigma points and weights of a normal variable: Gauss-Hermite with three points, exact to the fifth degree.
_NODES, _WEIGHTS = np.array([-math.sqrt(3.0), 0.0, math.sqrt(3.0)]), np.array([1.0, 4.0, 1.0]) / 6.0
#: No plant is found more surely than this.
SUREST = 0.995


@dataclass(frozen=True)
class PresenceSettings:
    """How belief moves (common practice, no source, unless the detector's card says better).

    Attributes
    ----------
    again : float
        How often what lasts and is no plant is found, and how often a plant that is hard to see, both as a share of how
        often a plant is.
    hard : float
        Share of plants that are hard to see.
    lasting : float
        Share of false alarms that come from something that lasts, and so is in the next picture too.
    remains : float
        Probability that a place where no plant stands any more still shows something that lasts (burnt remains).
    tempering : float
        Exponent on repeated evidence about the kind: pictures of one plant are alike, and so are the errors in them.
    floor : float
        Belief is kept this far from 0 and 1.
    forget : float
        New weeds believed less than this after all looks are not entered.
    gone : float
        A weed of the register believed less than this is noted as gone.
    back : float
        A weed that was gone is noted as returned when believed at least this much.
    """

    again: float = 0.5
    hard: float = 0.05
    lasting: float = 0.8
    remains: float = 0.1
    tempering: float = 0.5
    floor: float = 1e-3
    forget: float = 0.05
    gone: float = 0.2
    back: float = 0.5


def logit(p: float) -> float:
    """Return log odds of a probability kept off 0 and 1 by 1e-6."""
    p = min(max(p, 1e-6), 1.0 - 1e-6)
    return float(np.log(p / (1.0 - p)))


def presence(before: float | None, hits: Sequence[tuple[float, float]], misses: Sequence[float], *,
             chance: float, settings: PresenceSettings, usual: float = 0.9, real_share: float = 0.95,
             history: tuple[int, int] = (0, 0)) -> float:  # fmt: skip
    """Return the belief after looks.

    Parameters
    ----------
    before : float | None
        Belief of the earlier register; None for a weed that no earlier visit knew.
    hits : Sequence[tuple[float, float]]
        Per sighting: the detector's probability, and the look's detection probability at that place.
    misses : Sequence[float]
        Per look that held the place and did not see it: detection probability at that place.
    chance : float
        Expected number, per look, of chance detections that would have been taken for this weed (false-alarm density
        times area).
    usual : float
        Mean detection probability: what the detector's probabilities take for granted.
    real_share : float
        Share of all detections that are plants: the mean of the detector's probabilities.
    history : tuple[int, int]
        Sightings and misses of earlier visits: they tell whether the plant is one that is hard to see.

    Notes
    -----
    Log odds add up (Bayes' rule; Thrun, Burgard and Fox 2005, eq. 4.20, has the same for a grid cell; from memory). The
    likelihoods of ``h`` sightings and the misses, with ``d_k`` the detection probability in look ``k``:

    - plant: ``sum_c w_c prod_hits(s_c d_k) prod_misses(1 - s_c d_k)`` over two classes: hard to see with ``s = again``,
      and the others with the ``s`` that keeps the mean of ``s`` at 1;
    - none: ``share prod_hits(again d_k) prod_misses(1 - again d_k) + (1 - share) chance^h (1 - chance)^misses``, chance
      being at most ``again d_k``.

    A new weed's first odds are the detector's (mean log odds over its sightings: pictures of one thing are alike, so
    they count as one). They hold *given one detection*, so plant and lasting are divided by the mean probability of
    one and chance by itself. For a weed of an earlier visit the detector's odds count relative to the usual ones.

    Since nothing that lasts is found more often than any plant, no sighting ever lowers the belief through its count
    and no miss raises it. No looks: no change. The order of the looks does not matter.
    """
    if not hits and not misses:
        return settings.floor if before is None else before
    found = np.array([d for _, d in hits])
    missed = np.array(misses, dtype=float)
    surprise = float(np.mean([logit(p) for p, _ in hits])) if hits else 0.0
    classes = _classes(settings)
    weights = [_log(w) + _events(s, usual, *history) for w, s in classes]
    plant = _log_sum([w + _looks(s, found, missed) for w, (_, s) in zip(weights, classes, strict=True)])
    plant -= _log_sum(weights)
    thing = _looks(settings.again, found, missed)
    by_chance = np.maximum(np.minimum(chance, settings.again * found), 1e-12)
    luck = float(np.log(by_chance).sum() + np.log1p(-np.minimum(chance, settings.again * missed)).sum())
    if before is None:
        odds, share = surprise, settings.lasting
        if hits:
            plant -= math.log(usual)
            thing -= math.log(settings.again * usual)
            luck -= math.log(max(min(chance, settings.again * usual), 1e-12))
    else:
        odds, share = logit(before), settings.remains
        odds += surprise - logit(real_share) if hits else 0.0
    nothing = _log_sum([_log(share) + thing, _log(1.0 - share) + luck])
    value = 1.0 / (1.0 + math.exp(-float(np.clip(odds + plant - nothing, -30, 30))))
    return float(np.clip(value, settings.floor, 1.0 - settings.floor))


def all_missed(misses: Sequence[float], settings: PresenceSettings) -> float:
    """Return the probability that looks with these detection probabilities all miss a plant that stands there."""
    missed = np.array(misses, dtype=float)
    return math.exp(_log_sum([_log(w) + _looks(s, np.zeros(0), missed) for w, s in _classes(settings)]))


def _classes(settings: PresenceSettings) -> tuple[tuple[float, float], ...]:
    """Return share and relative detection probability of plants that are hard to see, and of the others."""
    plain = (1.0 - settings.hard * settings.again) / (1.0 - settings.hard)
    return (settings.hard, settings.again), (1.0 - settings.hard, plain)


def _looks(share: float, found: Array, missed: Array) -> float:
    """Return the log likelihood of sightings and misses of something found ``share`` times as often as usual."""
    return float(np.log(np.minimum(share * found, SUREST)).sum() + np.log1p(-np.minimum(share * missed, SUREST)).sum())


def _events(share: float, usual: float, hits: int, misses: int) -> float:
    p = min(share * usual, SUREST)
    return hits * math.log(p) + misses * math.log1p(-p)


def _log(share: float) -> float:
    return math.log(share) if share > 0.0 else -math.inf


def _log_sum(logs: Sequence[float]) -> float:
    top = max(logs)
    return top + math.log(sum(math.exp(v - top) for v in logs))


def detection_near(look: Look, means_m: Array, covariances_m2: Array) -> Array:
    """Return the probability (n,) that a look finds plants of uncertain place: expectation over nine sigma points.

    Parameters
    ----------
    means_m : Array
        Shape (n, 2), where the look has them.
    covariances_m2 : Array
        Shape (n, 2, 2).
    """
    values, vectors = np.linalg.eigh(covariances_m2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    steps = np.stack(np.meshgrid(_NODES, _NODES, indexing="ij"), axis=-1).reshape(9, 2)
    points = means_m[:, None] + np.einsum("nij,pj->npi", root, steps)
    weight = np.outer(_WEIGHTS, _WEIGHTS).ravel()
    return np.asarray(look.detection_at(points.reshape(-1, 2)).reshape(-1, 9) @ weight)


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


__all__ = [
    "PresenceSettings", "all_missed", "detection_near", "fuse_kinds", "fuse_radius", "inside", "logit", "presence",
]  # fmt: skip

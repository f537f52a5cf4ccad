"""From where a stop is looked at before the first hold.

Each look costs the arm's way and a picture. A stop needs those in which every plant to be heated, and every plant to
spare near one, is in a picture at least; any more of them only make it less likely that a plant is overlooked. Looks
are taken from the rig's own look postures and from postures between two of them: one picture from between two may show
all that is needed where each of them alone would not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RobotModelError, SiteError
from swardwright.domain.plan import Stop
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.motion import Motion, hindrances
from swardwright.planning.pace import pace
from swardwright.planning.reach import content_key
from swardwright.planning.view import ground_view_m, within

#: standing still and taking one picture, s (common practice, no source)
PICTURE_S = 1.0
#: probability that one picture finds a plant that it shows, where no detector says (common practice, no source)
FOUND = 0.95
#: postures between two neighbours among the rig's own
_BETWEEN = (0.2, 0.4, 0.6, 0.8)
#: looks from other than all of the rig's own postures: so many at most, out of so many postures at most
_LOOKS, _POSTURES = 3, 24
#: a camera that stands higher than at the rig's first look by more than this is not offered, m
_HIGHER_M = 0.005

Posture = tuple[float, ...]


@dataclass(frozen=True)
class LookWay:
    """Looks in order.

    Attributes
    ----------
    joints_rad : tuple[Posture, ...]
        Postures from which pictures are taken; one that comes twice in a row: two pictures.
    time_s : float
        Time of the arm from rest to the last of them, without pictures.
    unseen : float
        Expected number of weeds that no picture finds, if pictures overlook independently.
    lead_s : float
        What they count: the arm's time, the pictures', and the time that plants overlooked take at another visit.
    """

    joints_rad: tuple[Posture, ...]
    time_s: float
    unseen: float
    lead_s: float


def looks_taken(rig: Rig, stop: Stop) -> tuple[Posture, ...]:
    """Return the postures from which a stop is looked at, in order."""
    return rig.look_joints_rad if stop.looks_rad is None else stop.looks_rad


def look_motions(rig: Rig) -> tuple[Motion, ...]:
    """Return the checked motions from rest to each look posture in turn, straight, the flame out.

    Raises
    ------
    RobotModelError
        If one would strike something: a machine moved so at every stop would break.
    """
    way = np.array([rig.rest_joints_rad, *rig.look_joints_rad], dtype=float)
    names = ["rest", *(f"look {n + 1}" for n in range(len(rig.look_joints_rad)))]
    for name, here, text in zip(names, way, hindrances(rig, way, way, lit=False, margin_m=0.0), strict=True):
        if text:
            raise RobotModelError(
                f"in its {name} posture {text}", where="site.toml", field=f"{name} posture",
                value=", ".join(f"{q:.3f}" for q in here), remedy="give a posture that keeps clear",
            )  # fmt: skip
    for (one, two), text in zip(pairwise(names), hindrances(rig, way[:-1], way[1:], lit=False, margin_m=0.0),
                                strict=True):  # fmt: skip
        if text:
            raise RobotModelError(
                f"on the way from the {one} posture to the {two} posture {text}", where="site.toml",
                field=f"{two} posture", remedy="give postures with clear straight ways between them, in this order",
            )  # fmt: skip
    return tuple(Motion(np.array([a, b]), pace(rig, np.stack([a, b])).time_s) for a, b in pairwise(way))


def choose_looks(rig: Rig, weeds_m: Array, spared_m: Array, found: float = FOUND) -> list[LookWay]:
    """Return the best looks for each posture that they may end at; which end is best depends on what comes after.

    Of all sequences of up to three of the postures on offer, and all of the rig's own in their order, those that show
    every place which any of the rig's own shows, at least time: the arm's, the pictures', and for every weed that no
    picture finds what it takes to come for it alone. A posture that the rig lists twice is looked from twice. None at
    all: the rig has no look postures.

    Parameters
    ----------
    weeds_m, spared_m : Array
        Shapes (n, 2) and (m, 2), base axes: plants to heat, and plants to spare near them.
    found : float
        Probability that one picture finds a plant that it shows.
    """
    offer = look_offer(rig)
    if not offer.postures:
        return []
    weeds, spared = (_shown(offer.views_m, places) for places in (weeds_m, spared_m))
    owned = offer.taken[0] > 0
    weeds, spared = weeds[:, weeds[owned].any(axis=0)], spared[:, spared[owned].any(axis=0)]
    pictures = offer.taken @ weeds
    whole = (pictures > 0).all(axis=1) & (offer.taken @ spared > 0).all(axis=1)
    unseen = ((1.0 - found) ** pictures).sum(axis=1)
    total = offer.time_s + PICTURE_S * offer.taken.sum(axis=1) + offer.alone_s * unseen
    total = np.where(whole, total, np.inf)
    out = []
    for end in range(len(offer.postures)):
        these = np.flatnonzero(offer.last == end)
        best = int(these[np.argmin(total[these])]) if these.size else -1
        if best >= 0 and np.isfinite(total[best]):
            out.append(LookWay(offer.ways[best], float(offer.time_s[best]), float(unseen[best]), float(total[best])))
    return out


def all_looks(rig: Rig) -> LookWay:
    """Return all of the rig's own looks in their order, nothing counted but their times."""
    offer = look_offer(rig)
    time_s = float(offer.time_s[0]) if offer.ways else 0.0
    return LookWay(rig.look_joints_rad, time_s, 0.0, time_s + PICTURE_S * len(rig.look_joints_rad))


def looks_note(rig: Rig, ways: Sequence[LookWay], weeds: int, found: float) -> tuple[str, ...]:
    """Return what a person should know of the looks of a round."""
    pictures, every = sum(len(way.joints_rad) for way in ways), len(ways) * len(rig.look_joints_rad)
    if not pictures:
        return ()
    fewer = "" if pictures == every else f", where all look postures would be {every}"
    lost = sum(way.unseen for way in ways)
    return (
        f"pictures: {pictures} at the stops{fewer}; each finds {100 * found:.0f} % of the weeds that it shows, "
        f"and a weed that none at its stop finds is left to the next visit: about {lost:.1f} of {weeds}",
    )


def _shown(views_m: Array, places_m: Array) -> NDArray[np.int64]:
    """Return whether each view shows each place, shape (views, places), as 0 and 1."""
    return np.array([within(view, places_m) for view in views_m], dtype=np.int64)


@dataclass(frozen=True, eq=False)
class LookOffer:
    """What looks a rig may take at a stop.

    Attributes
    ----------
    postures : tuple[Posture, ...]
        Different ones: the rig's own, then those between.
    views_m : Array
        Shape (postures, 4, 2): what a picture from each shows, base axes.
    ways : tuple[tuple[Posture, ...], ...]
        Sequences of them, the rig's own list first, all clear of collision.
    taken : NDArray
        Shape (ways, postures): pictures from each posture.
    last : NDArray
        Shape (ways,): row of the posture that each ends at.
    time_s : Array
        Shape (ways,): time of the arm from rest.
    alone_s : float
        What one plant takes that is come for alone: all of the rig's looks, and the way back.
    """

    postures: tuple[Posture, ...]
    views_m: Array
    ways: tuple[tuple[Posture, ...], ...]
    taken: NDArray[np.int64]
    last: NDArray[np.int64]
    time_s: Array
    alone_s: float


_OFFERS: dict[tuple[object, ...], LookOffer] = {}


def look_offer(rig: Rig) -> LookOffer:
    """Return the looks on offer, kept by what they depend on.

    Raises
    ------
    RobotModelError
        As ``look_motions``.
    """
    camera = rig.camera
    key = (*content_key(rig), camera.width_px, camera.height_px, camera.matrix.tobytes(), camera.distortion.tobytes())
    if key not in _OFFERS:
        if len(_OFFERS) >= 4:
            _OFFERS.clear()
        _OFFERS[key] = _offer(rig)
    return _OFFERS[key]


def _offer(rig: Rig) -> LookOffer:
    own = list(dict.fromkeys(rig.look_joints_rad))
    if not own:
        none = np.empty((0, 0), dtype=np.int64)
        return LookOffer((), np.empty((0, 4, 2)), (), none, none[:, 0:0].reshape(0), np.empty(0), 0.0)
    times = {posture: rig.look_joints_rad.count(posture) for posture in own}
    postures = [*own, *_between(rig, own)] if len(own) <= _POSTURES else own
    postures = postures if len(postures) <= _POSTURES else own
    most = max(times.values())
    row = {posture: k for k, posture in enumerate(postures)}
    sequences = [rig.look_joints_rad]
    time_s = [sum(motion.time_s for motion in look_motions(rig))]
    if len(postures) <= _POSTURES:
        way_s = _way_s(rig, [*postures, rig.rest_joints_rad])
        for length in range(1, _LOOKS + 1):
            for order in permutations(range(len(postures)), length):
                takes = sum(float(way_s[a, b]) for a, b in pairwise((-1, *order)))
                if np.isfinite(takes):
                    sequences.append(tuple(p for k in order for p in [postures[k]] * times.get(postures[k], most)))
                    time_s.append(takes)
    taken = np.zeros((len(sequences), len(postures)), dtype=np.int64)
    for number, sequence in enumerate(sequences):
        for posture in sequence:
            taken[number, row[posture]] += 1
    alone_s = time_s[0] + PICTURE_S * len(rig.look_joints_rad)
    alone_s += 2.0 * pace(rig, np.array([rig.look_joints_rad[-1], rig.rest_joints_rad], dtype=float)).time_s
    views_m = np.array([ground_view_m(rig, posture) for posture in postures])
    return LookOffer(
        tuple(postures), views_m, tuple(sequences), taken, np.array([row[s[-1]] for s in sequences]),
        np.array(time_s), alone_s,
    )  # fmt: skip


def _between(rig: Rig, own: list[Posture]) -> list[Posture]:
    """Return postures between neighbours that show ground only, from no higher than the first look, free of collision.

    What a look is expected to tell of a place is reckoned at the height of the first.
    """
    found = []
    for a, b in pairwise(np.array(own, dtype=float)):
        found += [tuple(float(q) for q in a + share * (b - a)) for share in _BETWEEN]
    if not found:
        return []
    joints = np.array(found)
    top = float(rig.arm.forward(np.array(own[0]), rig.camera_link)[2, 3]) + _HIGHER_M
    low = rig.arm.forward(joints, rig.camera_link)[:, 2, 3] <= top
    clear = [not text for text in hindrances(rig, joints, joints, lit=False, margin_m=0.0)]
    return [p for p, fits, free in zip(found, low, clear, strict=True) if fits and free and _shows_ground(rig, p)]


def _shows_ground(rig: Rig, posture: Posture) -> bool:
    try:
        ground_view_m(rig, posture)
    except SiteError:
        return False
    return True


def _way_s(rig: Rig, postures: list[Posture]) -> Array:
    """Return the times (n, n) of the straight ways between postures, the flame out; inf where one would strike."""
    joints = np.array(postures, dtype=float)
    a, b = (axis.ravel() for axis in np.indices((len(joints), len(joints))))
    a, b = a[a != b], b[a != b]
    out = np.full((len(joints), len(joints)), np.inf)
    texts = hindrances(rig, joints[a], joints[b], lit=False, margin_m=0.0)
    for one, two, text in zip(a.tolist(), b.tolist(), texts, strict=True):
        if not text:
            out[one, two] = pace(rig, joints[[one, two]]).time_s
    return out

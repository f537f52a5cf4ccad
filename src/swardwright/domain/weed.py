"""Sightings, weeds and the register."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.footprint import inside
from swardwright.domain.poses import Array, BasePose, frozen
from swardwright.domain.uncertainty import SharedError, check_covariance


@dataclass(frozen=True, eq=False)
class Sighting:
    """One detection carried to the ground.

    Attributes
    ----------
    id : str
        The detection's id.
    mean_m : Array
        Shape (2,): crown in ground axes (x east, y north).
    covariance_m2 : Array
        Shape (2, 2): marginal covariance, all sources together (the sum of the parts).
    radius_m, radius_sd_m : float
        Plant radius and its standard deviation.
    errors : tuple[SharedError, ...]
        The parts of the covariance, by source, and which other sightings share them.
    """

    id: str
    frame_id: str
    mean_m: Array
    covariance_m2: Array
    radius_m: float
    radius_sd_m: float
    probability: float
    kinds: tuple[tuple[str, float], ...]
    errors: tuple[SharedError, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "mean_m", frozen(self.mean_m))
        object.__setattr__(self, "covariance_m2", check_covariance(self.covariance_m2, "covariance_m2"))


@dataclass(frozen=True, eq=False)
class Look:
    """What one frame could have seen: its footprint on the ground, so that absence counts too.

    Attributes
    ----------
    corners_m : Array
        Shape (k, 2): outline of the ground that can be counted as looked at (the rim of the picture is not in it),
        ground axes, anticlockwise.
    detection_probability : float
        Mean probability that a plant in the picture is detected.
    false_alarms_m2 : float
        Expected false detections per square metre.
    bands : tuple[tuple[Array, float], ...]
        Nested outlines from the picture's edge inwards (k, 2), each with the probability that a plant between it and
        the next one is detected; empty: ``detection_probability`` everywhere within ``corners_m``.
    """

    frame_id: str
    corners_m: Array
    detection_probability: float
    false_alarms_m2: float
    bands: tuple[tuple[Array, float], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_m", frozen(self.corners_m))
        object.__setattr__(self, "bands", tuple((frozen(outline), float(p)) for outline, p in self.bands))

    def detection_at(self, points_m: Array) -> Array:
        """Return the probability (n,) that plants at ground points (n, 2) are detected: 0 outside the picture."""
        points = np.asarray(points_m, dtype=float).reshape(-1, 2)
        out = np.zeros(len(points))
        within = np.arange(len(points))
        for outline, probability in self.bands or ((self.corners_m, self.detection_probability),):
            within = within[inside(points[within], outline)]
            out[within] = probability
        return out


@dataclass(frozen=True, eq=False)
class Weed:
    """One distinct plant believed to stand on the site.

    Attributes
    ----------
    mean_m, covariance_m2 : Array
        Crown in ground axes: shape (2,), metres; (2, 2), m2.
    presence : float
        Probability that it stands there.
    kinds : tuple[tuple[str, float], ...]
        Kind probabilities, largest first.
    heat_kg_m2 : float
        Expected dose received so far on the crown.
    control : bool
        Left untreated on purpose.
    sightings : tuple[str, ...]
        Ids of the sightings that belong to it.
    shared_m : Array | None
        Shape (2, k): loadings of the register's k common errors (unit variance), part of ``covariance_m2``. Between
        weeds a and b the covariance is ``a.shared_m @ b.shared_m.T``; None: independent of all others.
    crown_m2 : Array | None
        Shape (2, 2): part of ``covariance_m2`` that no number of looks takes away: how far the growing point lies from
        what cameras take for the crown; None: nothing.
    """

    id: str
    mean_m: Array
    covariance_m2: Array
    radius_m: float
    radius_sd_m: float
    presence: float
    kinds: tuple[tuple[str, float], ...]
    sightings: tuple[str, ...] = ()
    looks: int = 0
    heat_kg_m2: float = 0.0
    control: bool = False
    shared_m: Array | None = None
    crown_m2: Array | None = None

    def __post_init__(self) -> None:
        if self.shared_m is not None:
            object.__setattr__(self, "shared_m", frozen(self.shared_m))
        if self.crown_m2 is not None:
            object.__setattr__(self, "crown_m2", check_covariance(self.crown_m2, "crown_m2"))
        object.__setattr__(self, "mean_m", frozen(self.mean_m))
        if self.mean_m.shape != (2,) or not np.isfinite(self.mean_m).all():
            raise InputError("a weed's place must be two finite numbers", where=self.id, field="mean_m",
                             value=self.mean_m.tolist(), limit="x and y in metres, ground axes",
                             remedy="locate the weeds again")  # fmt: skip
        object.__setattr__(self, "covariance_m2", check_covariance(self.covariance_m2, "covariance_m2"))

    @property
    def kind(self) -> str:
        """The most probable kind."""
        return self.kinds[0][0]


@dataclass(frozen=True)
class Change:
    """One thing that happened to one weed from one revision to the next.

    Attributes
    ----------
    what : str
        ``"new"``, ``"merged"``, ``"split"``, ``"gone"``, ``"returned"``, ``"moved"`` or ``"kind changed"``.
    weed_id : str
        Who it happened to (of a merger: the one that is no more; of a split: the new one).
    reason : str
        One sentence.
    others : tuple[str, ...]
        Other weeds that took part (of a merger: who it is now; of a split: who it was taken for).
    numbers : tuple[tuple[str, float], ...]
        What the reason rests on, by name with its unit.
    """

    what: str
    weed_id: str
    reason: str
    others: tuple[str, ...] = ()
    numbers: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, eq=False)
class SiteError:
    """What a merger learnt of an error that all sightings share (belief minus truth), and whether it was expected.

    Attributes
    ----------
    source : str
        ``"mount"`` (rotation vector, translation; link axes), ``"intrinsics"``, ``"joint_offset"``, ``"plane"`` or
        ``"drift"`` (unit normals of a track).
    mean, covariance, prior_covariance : Array
        Shapes (k,), (k, k), (k, k): estimate, its covariance, and the covariance stated beforehand.
    statistic, degrees, probability : float, int, float
        Squared size of the estimate over what was to be expected of it; chi-square with so many degrees of freedom if
        the stated errors are right, and the probability of one at least as large.
    """

    source: str
    mean: Array
    covariance: Array
    prior_covariance: Array
    statistic: float
    degrees: int
    probability: float

    def __post_init__(self) -> None:
        for name in ("mean", "covariance", "prior_covariance"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True)
class Fit:
    """How well sightings and stated errors agree as a whole: chi-square with ``degrees`` if all is right."""

    statistic: float
    degrees: int

    @property
    def ratio(self) -> float:
        """Statistic per degree of freedom: 1 if the stated errors are right, more if they are too small."""
        return self.statistic / max(self.degrees, 1)


@dataclass(frozen=True)
class Register:
    """One revision of the list of weeds; a new revision never changes an old one.

    ``based_on`` is the revision whose weeds it took over (None: it began anew); ``changes`` are from that one to this.
    """

    revision: int
    weeds: tuple[Weed, ...]
    notes: tuple[str, ...] = ()
    #: corrected base pose of each frame or stop that took part, by key
    base_poses: tuple[tuple[str, BasePose], ...] = ()
    changes: tuple[Change, ...] = ()
    based_on: int | None = None
    #: errors of the whole site as estimated, and how well everything agrees; empty where nothing was merged
    site_errors: tuple[SiteError, ...] = ()
    fit: Fit | None = None

    def weed(self, weed_id: str) -> Weed:
        """Return the weed of that id (KeyError if there is none)."""
        for weed in self.weeds:
            if weed.id == weed_id:
                return weed
        raise KeyError(weed_id)


@dataclass(frozen=True, eq=False)
class Aim:
    """Where to aim, as a fresh look at a stop gives it: base axes.

    Attributes
    ----------
    mean_m : Array
        Shape (2,): crown in base axes (x forward, y left), metres.
    covariance_m2 : Array
        Shape (2, 2): relative to the base, m2.
    seen : bool
        Whether the fresh look saw the plant (False: only the register's word, carried over).
    """

    weed_id: str
    mean_m: Array
    covariance_m2: Array
    radius_m: float
    kinds: tuple[tuple[str, float], ...]
    presence: float
    seen: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "mean_m", frozen(self.mean_m))
        object.__setattr__(self, "covariance_m2", check_covariance(self.covariance_m2, "covariance_m2"))


__all__ = ["Aim", "Change", "Fit", "Look", "Register", "Sighting", "SiteError", "Weed"]

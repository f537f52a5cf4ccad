"""Sightings, weeds and the register."""

from __future__ import annotations

from dataclasses import dataclass

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
        Shape (k, 2): outline of the seen ground, ground axes, anticlockwise.
    detection_probability : float
        Probability that a plant inside is detected.
    false_alarms_m2 : float
        Expected false detections per square metre.
    """

    frame_id: str
    corners_m: Array
    detection_probability: float
    false_alarms_m2: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_m", frozen(self.corners_m))


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

    def __post_init__(self) -> None:
        if self.shared_m is not None:
            object.__setattr__(self, "shared_m", frozen(self.shared_m))
        object.__setattr__(self, "mean_m", frozen(self.mean_m))
        object.__setattr__(self, "covariance_m2", check_covariance(self.covariance_m2, "covariance_m2"))

    @property
    def kind(self) -> str:
        """The most probable kind."""
        return self.kinds[0][0]


@dataclass(frozen=True)
class Register:
    """One revision of the list of weeds; a new revision never changes an old one."""

    revision: int
    weeds: tuple[Weed, ...]
    notes: tuple[str, ...] = ()
    #: corrected base pose of each frame or stop that took part, by key
    base_poses: tuple[tuple[str, BasePose], ...] = ()

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


__all__ = ["Aim", "Look", "Register", "Sighting", "Weed"]

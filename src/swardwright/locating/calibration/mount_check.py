"""Whether a claimed mount is right, and if not, what was done wrong when it was written down.

Every usual mistake is undone on the claim, which gives one hypothesis each; the views say where the camera is, with a
covariance. A hypothesis is held against the views by its normalised squared distance (chi-square with six degrees of
freedom: what the views' cost rises by if the mount is forced there within the claim's own error). The likeliest
hypothesis within its chi-square limit is taken, a mistake costing odds against no mistake. Where none is within the
limit, a mistake is still named if undoing it leaves an error of some times the stated one and nothing else comes near;
otherwise the claim is just off.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import (
    Array,
    Pose,
    quaternion_from_rotation,
    rotation_from_quaternion,
    vector_from_rotation,
)
from swardwright.locating.calibration.mount import MountEstimate, MountNoise, cost_of_claim, solve_mount
from swardwright.locating.calibration.mount_model import BoardViews

#: chance that a sound claim is called wrong
FALSE_ALARM = 1e-5
#: a mistake must be this much likelier than its absence; each further mistake at once costs the same again
ODDS = 1000.0
#: rarer mistakes cost this much more (from memory of what people ask about: no source)
RARE = 30.0
#: errors may be this many times the stated ones before a mistake's name explains nothing any more
STRETCH_MAX = 10.0

#: beyond these a mount's uncertainty is no longer small (linear within 1 %: 8 deg; the shift goes with it)
_TURN_OPEN_RAD, _SHIFT_OPEN_M = math.radians(3.0), 0.03
SOUND, OFF = "sound", "off"
#: camera axes with x forward, y left, z up, in optical axes (z forward, x right, y down): REP-103's two conventions
_BODY_FROM_OPTICAL = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])


def _turned(degrees: int) -> Array:
    angle = math.radians(degrees)
    c, s = round(math.cos(angle)), round(math.sin(angle))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _after(turn: Array) -> Array:
    out = np.eye(4)
    out[:3, :3] = turn
    return out


def _scaled(claim: Array, factor: float) -> Array:
    out = claim.copy()
    out[:3, 3] *= factor
    return out


def _quaternion_shifted(claim: Array) -> Array:
    """Read a quaternion written x y z w as if it were w x y z, undone."""
    w, x, y, z = quaternion_from_rotation(claim[:3, :3])  # these stand for x y z w
    out = claim.copy()
    out[:3, :3] = rotation_from_quaternion((z, w, x, y))
    return out


def _transposed(claim: Array) -> Array:
    out = claim.copy()
    out[:3, :3] = claim[:3, :3].T
    return out


#: name -> (what undoes it, remedy)
_MISTAKES: dict[str, tuple[Callable[[Array], Array], str]] = {
    "inverted": (
        lambda c: np.asarray(np.linalg.inv(c)), "give link_from_camera, not camera_from_link: invert the transform"),
    "turned 180 degrees about the optical axis": (
        lambda c: c @ _after(_turned(180)), "turn the camera axes by 180 degrees about z (x right, y down)"),
    "turned 90 degrees about the optical axis": (
        lambda c: c @ _after(_turned(90)), "turn the camera axes by 90 degrees about z (x right, y down)"),
    "turned -90 degrees about the optical axis": (
        lambda c: c @ _after(_turned(-90)), "turn the camera axes by -90 degrees about z (x right, y down)"),
    "link axes given for optical axes": (
        lambda c: c @ _after(_BODY_FROM_OPTICAL),
        "camera axes must have z forward, x right, y down; these have x forward, y left, z up"),
    "optical axes turned once too often": (
        lambda c: c @ _after(_BODY_FROM_OPTICAL.T),
        "take out the turn from link axes to optical axes: it was applied twice or to the wrong side"),
    "millimetres for metres": (lambda c: _scaled(c, 1e-3), "write the translation in metres: divide by 1000"),
    "metres for millimetres": (lambda c: _scaled(c, 1e3), "the translation was divided by 1000 once too often"),
    "quaternion x y z w read as w x y z": (_quaternion_shifted, "write the quaternion in the order w x y z"),
    "rotation transposed": (_transposed, "transpose the rotation and keep the translation"),
}  # fmt: skip

_RARE = ("optical axes turned once too often", "metres for millimetres", "rotation transposed",
         "quaternion x y z w read as w x y z")  # fmt: skip
_SAID = {
    "inverted": "the mount is inverted: camera_from_link was given as link_from_camera",
    "millimetres for metres": "the mount's translation is in millimetres where metres are meant",
    "metres for millimetres": "the mount's translation is a thousandth of what it should be",
}


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One reading of the claim.

    Attributes
    ----------
    name : str
        What was done wrong; ``sound``: nothing.
    squared : float
        Normalised squared distance between the claim with that undone and the views' mount.
    log_odds : float
        Natural logarithm of its likelihood times its prior odds, the claim's errors being as stated.
    stretched : float
        The same with the scale of the claim's errors free above the stated one.
    """

    name: str
    squared: float
    log_odds: float
    stretched: float


@dataclass(frozen=True, eq=False)
class MountVerdict:
    """What the views say about a claimed mount.

    Attributes
    ----------
    name : str
        ``sound``, ``off``, ``mirrored``, ``not a rotation``, or the mistake (several joined by ``and``).
    sentence, remedy : str
        For a person.
    squared : float
        Normalised squared error of the claim as it stands (6 degrees of freedom; NaN where it is no rotation).
    off_rad, off_m : float
        How far the claim, as it stands, lies from where the views put the camera.
    hypotheses : tuple[Hypothesis, ...]
        Best first.
    estimate : MountEstimate
        Where the views put the camera.
    """

    name: str
    sentence: str
    remedy: str
    squared: float
    off_rad: float
    off_m: float
    hypotheses: tuple[Hypothesis, ...]
    estimate: MountEstimate

    @property
    def sound(self) -> bool:
        """Whether the claim lies within its stated error."""
        return self.name == SOUND


def difference(claim: Array, mount: Pose) -> Array:
    """Return the perturbation (rad, m) in link axes that takes ``claim`` (4, 4) to ``mount``."""
    turn = vector_from_rotation(mount.rotation @ claim[:3, :3].T)
    return np.concatenate([turn, mount.translation_m - claim[:3, 3]])


def diagnose_mount(views: BoardViews, camera: Camera, noise: MountNoise, claimed: Array | Pose,
                   claimed_covariance: Array, estimate: MountEstimate | None = None) -> MountVerdict:  # fmt: skip
    """Say whether a claimed ``link_from_camera`` is right, and if not, what was done wrong.

    Parameters
    ----------
    claimed : Array or Pose
        (4, 4), metres; need not be a rotation.
    claimed_covariance : Array
        Shape (6, 6) or six standard deviations: the claim's stated error, rotation vector then translation, link axes.
    estimate : MountEstimate, optional
        Of these views, where it is known already.

    Raises
    ------
    InputError
        If the views cannot say where the camera is, or the claim is not finite.
    """
    from scipy.special import chdtri

    claim = np.array(claimed.matrix if isinstance(claimed, Pose) else claimed, dtype=float)
    if claim.shape != (4, 4) or not np.isfinite(claim).all():
        raise InputError("a mount must be a finite 4 x 4 transform", where="mount check", value=claim.shape)
    stated = np.asarray(claimed_covariance, dtype=float)
    stated = np.diag(np.square(stated)) if stated.shape == (6,) else stated
    found = estimate or solve_mount(views, camera, noise)
    if np.abs(claim[:3, :3] @ claim[:3, :3].T - np.eye(3)).max() > 1e-3 or np.linalg.det(claim[:3, :3]) < 0:
        return _no_rotation(claim, found, stated)
    spread = np.asarray(np.linalg.inv(stated + found.covariance), dtype=np.float64)
    limit = float(chdtri(6, FALSE_ALARM))
    readings = _hypotheses(claim, found.link_from_camera, spread)
    if _open(found):
        readings = _by_cost(readings, claim, stated, views, camera, noise, found)
    as_it_stands = readings[0]
    within = [h for h in readings if h.squared <= limit]
    ranked = tuple(sorted(readings, key=lambda h: -(h.log_odds if within else h.stretched)))
    best = max(within, key=lambda h: h.log_odds) if within else ranked[0]
    off = difference(claim, found.link_from_camera)
    off_rad, off_m = float(np.linalg.norm(off[:3])), float(np.linalg.norm(off[3:]))
    away = f"{_angle(off_rad)} and {_length(off_m)}"
    if best.name == SOUND and within and _open(found):
        name, remedy = SOUND, "turn the arm about other axes as well, then check again"
        sentence = "the views do not speak against the mount, but they leave directions of it open"
    elif best.name == SOUND and within:
        name, remedy = SOUND, "nothing needs mending"
        sentence = f"the mount is sound: {away} from where the views put the camera, within the stated errors"
    elif best.name != SOUND and best.squared <= 6 * STRETCH_MAX**2:
        name, remedy = best.name, "; ".join(_MISTAKES[part][1] for part in best.name.split(" and "))
        besides = "" if within else "; with that mended it is still off by more than its stated error"
        sentence = (
            f"{_SAID.get(name, f'the mount is wrong: {name}')}; it lies {away} from where the views put the camera"
        )
        sentence += besides
    else:
        name, remedy = OFF, "use the mount found here, or look for a camera that has slipped"
        sentence = f"the mount is off by {away}, more than its stated error explains"
    return MountVerdict(name, sentence, remedy, as_it_stands.squared, off_rad, off_m, ranked, found)


def _hypotheses(claim: Array, mount: Pose, spread: Array) -> tuple[Hypothesis, ...]:
    """Return every reading of the claim, the claim as it stands first."""
    out = []
    names: list[tuple[str, ...]] = [(), *((name,) for name in _MISTAKES)]
    names += [p for p in itertools.permutations(_MISTAKES, 2) if _differ(*p)]
    for parts in names:
        reading = claim
        for part in parts:
            reading = _MISTAKES[part][0](reading)
        gap = difference(reading, mount)
        squared = float(gap @ spread @ gap)
        out.append(_hypothesis(" and ".join(parts) or SOUND, squared))
    return tuple(out)


def _hypothesis(name: str, squared: float) -> Hypothesis:
    parts = () if name == SOUND else name.split(" and ")
    against = sum(math.log(ODDS * (RARE if part in _RARE else 1.0)) for part in parts)
    if not math.isfinite(squared):
        return Hypothesis(name, squared, -math.inf, -math.inf)
    scale2 = max(squared / 6, 1.0)  # most likely scale of the errors
    return Hypothesis(name, squared, -squared / 2 - against, -3 * math.log(scale2) - squared / (2 * scale2) - against)


def _open(found: MountEstimate) -> bool:
    """Say whether the mount is so badly known that its errors are no longer small turns and shifts."""
    sigma = np.sqrt(np.diag(found.covariance))
    return bool(sigma[:3].max() > _TURN_OPEN_RAD or sigma[3:].max() > _SHIFT_OPEN_M)


def _by_cost(readings: tuple[Hypothesis, ...], claim: Array, stated: Array, views: BoardViews, camera: Camera,
             noise: MountNoise, found: MountEstimate) -> tuple[Hypothesis, ...]:  # fmt: skip
    """Return the readings with at most one mistake, each by what the views' cost rises by if it is forced on them."""
    out = []
    for reading in readings:
        if " and " in reading.name:
            continue
        matrix = claim if reading.name == SOUND else _MISTAKES[reading.name][0](claim)
        u, _, vt = np.linalg.svd(matrix[:3, :3])
        pose = Pose("link", "camera", u @ vt, matrix[:3, 3])
        squared = max(cost_of_claim(views, camera, noise, found, pose, stated) / found.inflated, 0.0)
        out.append(_hypothesis(reading.name, squared))
    return tuple(out)


def _differ(one: str, other: str) -> bool:
    """Say whether two mistakes are of different sorts: two turns of the axes at once are one other turn."""
    sorts = [0 if "inverted" in n or "transposed" in n else 1 if "metres" in n else 2 for n in (one, other)]
    return sorts[0] != sorts[1]


def _no_rotation(claim: Array, found: MountEstimate, stated: Array) -> MountVerdict:
    turn = claim[:3, :3]
    gap = claim[:3, 3] - found.link_from_camera.translation_m
    lengths = np.linalg.norm(turn, axis=0)
    if np.abs(turn @ turn.T - np.eye(3)).max() <= 1e-3:
        name, remedy = "mirrored", "the axes must be right-handed: one of them has the wrong sign"
        fits = []
        for axis in range(3):
            flipped = claim.copy()
            flipped[:3, axis] *= -1
            d = difference(flipped, found.link_from_camera)
            fits.append((float(d @ np.linalg.solve(stated + found.covariance, d)), axis))
        best, axis = min(fits)
        if best <= 6 * STRETCH_MAX**2:
            remedy += f" ({'xyz'[axis]} of the camera, by the views)"
        sentence = "the mount is mirrored: its axes are left-handed"
    else:
        name, remedy = "not a rotation", "write a rotation matrix with orthonormal columns, or a unit quaternion"
        sentence = ("the mount is not a rotation: the lengths of its axes are "
                    + ", ".join(f"{v:.3g}" for v in lengths) + ", or they are not square to each other")  # fmt: skip
    return MountVerdict(name, sentence, remedy, math.nan, math.nan, float(np.linalg.norm(gap)), (), found)


def _angle(value_rad: float) -> str:
    degrees = math.degrees(value_rad)
    return f"{degrees:.0f} degrees" if degrees >= 10 else f"{degrees:.2g} degrees"


def _length(value_m: float) -> str:
    return f"{value_m:.3g} m" if value_m >= 1 else f"{1000 * value_m:.2g} mm" if value_m < 0.1 else f"{value_m:.2f} m"

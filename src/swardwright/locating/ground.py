"""The ground as a local plane: how high, how steep, how rough, and how sure of it.

A plane is ``z = height + slope . (xy - about)``. Three kinds of data give one: points (contacts of the tracks, crowns
seen from several sides), patches (a board lying on the ground: height and slope at one place), and tilts of the base
(roll and pitch of an IMU). Each is a linear model whose scatter beyond the stated measurement error is estimated with
it (restricted maximum likelihood, ``calibration.restricted``); that scatter is the roughness.

Points are weighed by the effective variance ``n' C n`` with ``n = (-slope, 1)`` (Orear 1982, Am. J. Phys. 50:912, from
memory): errors in x and y count by the slope. With equal errors and none in x and y that is ordinary least squares.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, Pose, frozen, skew
from swardwright.domain.uncertainty import check_covariance
from swardwright.locating.calibration.restricted import Fit, fit

#: a point farther than this many standard deviations from the plane is no part of it (a stone, a tall plant)
FAR_SIGMAS = 3.0
#: fewer points than this and none is left out; fewer patches than this and no scatter is estimated
ROBUST_MIN, PATCHES_MIN = 8, 6
#: a Gaussian cut off at +-3 sigma has 0.9733 of its variance: 1 - 6 phi(3) / (2 Phi(3) - 1)
_CUT = 1.0 / 0.97333
#: wet grass slides at 11 degrees (secondary source): slopes beyond are said to be dangerous whatever the site allows
SLIDES_RAD = math.radians(11.0)


@dataclass(frozen=True, eq=False)
class Plane:
    """A local plane, in the axes of the data.

    Attributes
    ----------
    about_m : Array
        Shape (2,): where ``height_m`` holds.
    height_m : float
        Height there.
    slope : Array
        Shape (2,): rise per metre along x and along y.
    covariance : Array
        Shape (3, 3): of height (m) and the two slopes.
    roughness_m, roughness_95_m : float, tuple[float, float]
        Root mean square height about the plane beyond what the measurement explains, and its 95 % interval.
    left_out : tuple[int, ...]
        Data that are no part of the plane.
    residual_m : Array
        Shape (n,): height of each datum over the plane.
    consistent : bool
        False: the data disagree by more than they state, and the covariance is widened for it.
    """

    about_m: Array
    height_m: float
    slope: Array
    covariance: Array
    roughness_m: float
    roughness_95_m: tuple[float, float]
    left_out: tuple[int, ...]
    residual_m: Array
    consistent: bool = True

    def __post_init__(self) -> None:
        for name in ("about_m", "slope", "residual_m", "covariance"):
            object.__setattr__(self, name, frozen(getattr(self, name)))

    def height_at(self, places_m: Array) -> Array:
        """Return the plane's height at places (..., 2), m."""
        return np.asarray(self.height_m + (np.asarray(places_m) - self.about_m) @ self.slope)

    def sigma_at(self, places_m: Array) -> Array:
        """Return the standard deviation of the plane's height at places (..., 2), m."""
        away = np.asarray(places_m, dtype=float) - self.about_m
        row = np.concatenate([np.ones((*away.shape[:-1], 1)), away], axis=-1)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", row, self.covariance, row)))

    @property
    def slope_rad(self) -> float:
        """Steepest slope."""
        return math.atan(float(np.hypot(*self.slope)))

    @property
    def slope_sigma_rad(self) -> float:
        """Standard deviation of the steepest slope (of its larger component where there is hardly any)."""
        return slope_sigma(self.slope, self.covariance[1:, 1:])

    @property
    def uphill_rad(self) -> float:
        """Direction of the steepest rise, from x towards y."""
        return math.atan2(float(self.slope[1]), float(self.slope[0]))


@dataclass(frozen=True, eq=False)
class Patch:
    """Height and slope of the ground at one place.

    Attributes
    ----------
    place_m : Array
        Shape (2,).
    values : Array
        Shape (3,): height (m), slope along x, slope along y.
    covariance : Array
        Shape (3, 3): its own error.
    shared : Array
        Shape (3, k): how errors that all patches have in common (camera mount, zero offsets of joints) move it.
    """

    place_m: Array
    values: Array
    covariance: Array
    shared: Array


@dataclass(frozen=True, eq=False)
class Tilted:
    """Slope from the tilts of the base.

    Attributes
    ----------
    slope, covariance : Array
        Shapes (2,), (2, 2): mean slope in ground axes.
    tilt_rad : float
        Standard deviation of roll and pitch of the base against that plane, beyond the measurement.
    """

    slope: Array
    covariance: Array
    tilt_rad: float

    @property
    def slope_rad(self) -> float:
        """Steepest slope."""
        return math.atan(float(np.hypot(*self.slope)))

    @property
    def slope_sigma_rad(self) -> float:
        """Standard deviation of the steepest slope."""
        return slope_sigma(self.slope, self.covariance)


def slope_sigma(slope: Array, covariance: Array) -> float:
    """Return the standard deviation of ``atan |slope|``, rad; near level that of the larger component."""
    size2 = float(slope @ slope)
    along = float(slope @ covariance @ slope) / size2 if size2 > 0 else 0.0
    if size2 < 4.0 * float(np.linalg.eigvalsh(covariance).max()):
        along = float(np.linalg.eigvalsh(covariance).max())
    return math.sqrt(max(along, 0.0)) / (1.0 + size2)


def plane_of_points(points_m: Array, covariance_m2: Array, *, robust: bool = True) -> Plane:
    """Fit a plane to points.

    Parameters
    ----------
    points_m : Array
        Shape (n, 3), n >= 4: contacts with the ground, or crowns of plants.
    covariance_m2 : Array
        Shape (n, 3, 3), (3, 3) for all, or (n,) variances of the heights alone, m2.
    robust : bool
        Leave out what is no part of the plane: least median of squares over drawn triples (Rousseeuw 1984, from
        memory), then all within ``FAR_SIGMAS``.

    Raises
    ------
    InputError
        If there are too few points, or they lie on a line.
    """
    points = np.asarray(points_m, dtype=float)
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        raise InputError("a plane needs finite points x, y, z", field="points", value=points.shape)
    n = len(points)
    if n < 4:
        raise InputError("too few points for a plane and its roughness", field="points", value=n, limit="4 or more",
                         remedy="take more points, well apart")  # fmt: skip
    covariance = _each(covariance_m2, n)
    about = points[:, :2].mean(axis=0)
    design = np.column_stack([np.ones(n), points[:, :2] - about])
    _check_spread(design)
    kept = np.ones(n, dtype=bool)
    if robust and n >= ROBUST_MIN:
        kept = _agreeing(design, points[:, 2])
    value, found, variance = np.zeros(3), None, np.zeros(n)
    for _ in range(30):
        normal = np.array([-value[1], -value[2], 1.0])
        variance = np.einsum("i,nij,j->n", normal, covariance, normal)
        found = fit(points[kept, 2:], design[kept, None, :], variance[kept, None, None])
        rest = points[:, 2] - design @ found.value
        again = kept
        if robust and n >= ROBUST_MIN:
            again = np.abs(rest) <= FAR_SIGMAS * np.sqrt(variance + found.scatter[0, 0]) + 1e-12
            again = again if again.sum() >= max(4, n // 2) else kept
        settled = np.abs(found.value - value).max() < 1e-12 and (again == kept).all()
        value, kept = found.value, again
        if settled:
            break
    assert found is not None
    grown = _CUT if robust and n >= ROBUST_MIN else 1.0
    found = _uncut(found, grown)
    roughness = math.sqrt(float(found.scatter[0, 0]))
    return Plane(about, float(value[0]), value[1:], grown * found.covariance, roughness, found.interval(),
                 tuple(int(i) for i in np.flatnonzero(~kept)), points[:, 2] - design @ value)  # fmt: skip


def plane_of_patches(patches: Sequence[Patch], shared_covariance: Array | None = None) -> Plane:
    """Fit a plane to patches; their common errors do not average away.

    From ``PATCHES_MIN`` patches on the scatter between them is estimated; with fewer, the covariance is widened by the
    Birge ratio (square root of chi-square per degree of freedom) where that is more than 1.

    Parameters
    ----------
    shared_covariance : Array, optional
        Shape (k, k): of the errors in ``Patch.shared``.
    """
    if not patches:
        raise InputError("a plane needs at least one patch", field="patches", value=0,
                         remedy="lay the board flat on the ground and take its picture")  # fmt: skip
    n, roughness, interval = len(patches), 0.0, (0.0, 0.0)
    places = np.array([p.place_m for p in patches])
    about = places.mean(axis=0)
    values = np.array([p.values for p in patches])
    known = np.array([p.covariance for p in patches])
    design = np.tile(np.eye(3), (n, 1, 1))
    design[:, 0, 1:] = places - about
    if n >= PATCHES_MIN:
        found = fit(values, design, known)
        value, own = found.value, found.covariance
        heights = Fit(value, own, found.freedom, found.scatter[:1, :1], found.scatter_covariance[:1, :1],
                      found.total[:1, :1])  # fmt: skip
        roughness, interval = math.sqrt(float(found.scatter[0, 0])), heights.interval()
        weight, widen = np.linalg.inv(found.scatter + known), 1.0
    else:
        weight = np.linalg.inv(known)
        own = np.linalg.inv(np.einsum("nia,nij,njb->ab", design, weight, design))
        value = own @ np.einsum("nia,nij,nj->a", design, weight, values)
        rest = values - design @ value
        freedom = 3 * n - 3
        chi2 = float(np.einsum("ni,nij,nj->", rest, weight, rest))
        widen = max(chi2 / freedom, 1.0) if freedom else 1.0
        own = own * widen
    if shared_covariance is not None:
        gain = np.linalg.inv(np.einsum("nia,nij,njb->ab", design, weight, design))
        by = gain @ np.einsum("nia,nij,njk->ak", design, weight, np.array([p.shared for p in patches]))
        own = own + by @ np.asarray(shared_covariance) @ by.T
    residual = values[:, 0] - design[:, 0] @ value
    return Plane(about, float(value[0]), value[1:], np.asarray(own), roughness, interval, (), residual, widen < 3.0)


def patch_of_board(
    base_from_board: Pose, middle_m: Array, covariance: Array, shared: Array, thick_m: float = 0.0
) -> Patch:
    """Return the ground under a board that lies flat on it.

    Parameters
    ----------
    base_from_board : Pose
        Board axes: z into the board, so downwards when it lies face up.
    middle_m : Array
        Shape (2,): point of the board (board axes) for which the height is taken; its corners' mean is best known.
    covariance : Array
        Shape (6, 6): error of the pose (rotation vector, translation), base axes.
    shared : Array
        Shape (6, k): Jacobian of the pose with respect to errors that all pictures share.
    thick_m : float
        Thickness of the board: the ground lies that much below the print.

    Raises
    ------
    InputError
        If the board stands, or lies face down.
    """
    values, by, place = board_patch(base_from_board, middle_m, thick_m)
    return Patch(frozen(place), frozen(values), check_covariance(by @ covariance @ by.T, "board"), frozen(by @ shared))


def board_patch(base_from_board: Pose, middle_m: Array, thick_m: float = 0.0) -> tuple[Array, Array, Array]:
    """Return height and slopes (3,) of the ground under a board, their Jacobian by the pose (3, 6), and the place (2,).

    With ``d = R e_z`` the board's axis into the ground and ``p`` a point of it, the plane is ``d . (x - p) = thick``:
    slopes ``-d_xy / d_z``. A turn ``w`` moves d by ``w x d`` and p by ``w x R m``. The height is that above the place
    where p was, so that a shift of the board along its own plane changes nothing.
    """
    turn = base_from_board.rotation
    d = turn[:, 2]
    if d[2] > -0.5:
        raise InputError("the board does not lie flat on the ground, face up", field="board",
                         value=f"its face looks {math.degrees(math.acos(np.clip(-d[2], -1, 1))):.0f} degrees off up",
                         limit="at most 60", remedy="lay the board flat on the ground, print upwards")  # fmt: skip
    arm = turn @ np.array([*np.asarray(middle_m, dtype=float), 0.0])
    p = arm + base_from_board.translation_m
    slope = -d[:2] / d[2]
    by_turn = -skew(d)  # of d
    by_slope = np.zeros((2, 6))
    by_slope[:, :3] = -by_turn[:2] / d[2] + np.outer(d[:2], by_turn[2]) / d[2] ** 2
    normal = np.array([-slope[0], -slope[1], 1.0])
    by_height = np.concatenate([normal @ -skew(arm), normal])
    # thick / d_z is the height of the ground below the print, straight down
    height = p[2] + thick_m / d[2]
    by_height[:3] -= thick_m / d[2] ** 2 * by_turn[2]
    return np.array([height, *slope]), np.vstack([by_height, by_slope]), p[:2]


def slope_of_tilts(
    yaw_rad: Array, roll_rad: Array, pitch_rad: Array, sigma_rad: float, bias_rad: float = 0.0
) -> Tilted:
    """Return the mean slope of the ground from roll and pitch of the base, and how the base tilts against it.

    Parameters
    ----------
    yaw_rad, roll_rad, pitch_rad : Array
        Shape (n,), n >= 4: fixed-axis roll, pitch, yaw of ground from base (gravity up).
    sigma_rad : float
        Noise of one roll or pitch.
    bias_rad : float
        Standard deviation of the IMU's level against the base, the same in every reading.
    """
    yaw, roll, pitch = (np.asarray(v, dtype=float) for v in (yaw_rad, roll_rad, pitch_rad))
    if len(yaw) < 4 or not (np.isfinite(yaw).all() and np.isfinite(roll).all() and np.isfinite(pitch).all()):
        raise InputError("a slope needs four finite tilts or more", field="tilts", value=len(yaw),
                         remedy="record the IMU's orientation while driving over the ground")  # fmt: skip
    slopes, turn = tilt_slopes(yaw, roll, pitch)
    n = len(yaw)
    found = fit(slopes, np.tile(np.eye(2), (n, 1, 1)), np.tile(sigma_rad**2 * np.eye(2), (n, 1, 1)))
    mean = turn.mean(axis=0)  # a bias fixed to the base turns with it
    tilt = math.sqrt(float(np.trace(found.scatter)) / 2.0)
    return Tilted(frozen(found.value), frozen(found.covariance + bias_rad**2 * mean @ mean.T), tilt)


def tilt_slopes(yaw_rad: Array, roll_rad: Array, pitch_rad: Array) -> tuple[Array, Array]:
    """Return the slope under the base in ground axes (n, 2), and the turns of base to ground axes (n, 2, 2).

    The base's z axis is the ground's normal: ``-tan(pitch)`` ahead and ``tan(roll) / cos(pitch)`` to the left.
    """
    own = np.stack([-np.tan(pitch_rad), np.tan(roll_rad) / np.cos(pitch_rad)], axis=1)
    c, s = np.cos(yaw_rad), np.sin(yaw_rad)
    turn = np.stack([np.stack([c, -s], axis=1), np.stack([s, c], axis=1)], axis=1)
    return np.einsum("nij,nj->ni", turn, own), turn


def contact_points(poses: Array, roll_rad: Array, pitch_rad: Array, length_m: float, width_m: float,
                   offset_m: float = 0.0) -> Array:  # fmt: skip
    """Return where the corners of the base's footprint touch the ground, (4 n, 3), ground axes, first pose at z = 0.

    Heights follow the tilts along the drive (trapezoidal rule), so their error grows with the distance driven.

    Parameters
    ----------
    poses : Array
        Shape (n, 3): x_m, y_m, yaw_rad along the drive.
    """
    poses = np.asarray(poses, dtype=float)
    slopes, turn = tilt_slopes(poses[:, 2], np.asarray(roll_rad), np.asarray(pitch_rad))
    step = np.diff(poses[:, :2], axis=0)
    rise = np.einsum("ni,ni->n", 0.5 * (slopes[1:] + slopes[:-1]), step)
    height = np.concatenate([[0.0], np.cumsum(rise)])
    half = 0.5 * np.array([[length_m, width_m], [length_m, -width_m], [-length_m, -width_m], [-length_m, width_m]])
    feet = np.einsum("nij,kj->nki", turn, half + np.array([offset_m, 0.0]))
    z = height[:, None] + np.einsum("nki,ni->nk", feet, slopes)
    return np.concatenate([feet + poses[:, None, :2], z[..., None]], axis=2).reshape(-1, 3)


def slope_warnings(slope_rad: float, sigma_rad: float, allowed_rad: float, stated_rad: float) -> tuple[str, ...]:
    """Return what to say about a slope: against what the base may climb, what wet grass holds, and what the site says.

    Parameters
    ----------
    slope_rad, sigma_rad : float
        Measured, and its standard deviation; 1.645 of them are added (95 %, one-sided).
    allowed_rad, stated_rad : float
        ``base.slope_max`` and ``ground.slope`` of the site.
    """
    most = slope_rad + 1.645 * sigma_rad
    said = []
    degrees = f"{math.degrees(slope_rad):.1f} degrees (up to {math.degrees(most):.1f})"
    if most > allowed_rad:
        said.append(f"the ground is steeper than the base may climb: {degrees}, base.slope_max is "
                    f"{math.degrees(allowed_rad):.1f}; do not drive there")  # fmt: skip
    if most > SLIDES_RAD:
        said.append(f"{degrees}: wet grass slides from about 11 degrees on; a machine with a gas cylinder must not")
    if most > stated_rad + math.radians(1.0):
        said.append(f"the site states a slope of {math.degrees(stated_rad):.1f} degrees (ground.slope), measured are "
                    f"{degrees}: write the larger")  # fmt: skip
    return tuple(said)


def _each(covariance_m2: Array, n: int) -> Array:
    given = np.asarray(covariance_m2, dtype=float)
    if given.shape == (n,):
        out = np.zeros((n, 3, 3))
        out[:, 2, 2] = given
    elif given.shape in ((3, 3), (n, 3, 3)):
        out = np.broadcast_to(given, (n, 3, 3))
    else:
        raise InputError("covariances do not fit the points", field="covariance_m2", value=given.shape)
    if not np.isfinite(out).all() or (np.diagonal(out, axis1=1, axis2=2) < 0).any():
        raise InputError("covariances must be finite and not negative", field="covariance_m2")
    return out


def _check_spread(design: Array) -> None:
    values = np.linalg.svd(design[:, 1:], compute_uv=False) / math.sqrt(len(design))
    if values[-1] < max(0.02 * values[0], 1e-4):
        raise InputError("the points lie on a line, so the slope across it is not known", field="points",
                         value=f"{1e3 * values[-1]:.1f} mm across",
                         remedy="take points beside the line too: a second lane, the other track")  # fmt: skip


def _agreeing(design: Array, heights: Array) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return the points near the plane through three of them that has the least median of squared heights."""
    n = len(heights)
    rng = np.random.default_rng(17)
    best, chosen = math.inf, frozen(np.zeros(3))
    for _ in range(300):
        three = rng.choice(n, 3, replace=False)
        if abs(np.linalg.det(design[three])) < 1e-9:
            continue
        value = frozen(np.linalg.solve(design[three], heights[three]))
        median = float(np.median(np.square(heights - design @ value)))
        if median < best:
            best, chosen = median, value
    scale = 1.4826 * (1.0 + 5.0 / (n - 3)) * math.sqrt(best)  # Rousseeuw and Leroy 1987, ch. 5, from memory
    return np.asarray(np.abs(heights - design @ chosen) <= FAR_SIGMAS * scale + 1e-9)


def _uncut(found: Fit, grown: float) -> Fit:
    """Return the fit with the variance that the cut at three sigma took off."""
    if found.scatter[0, 0] < 1e-6 * found.total[0, 0]:
        return found
    return replace(found, scatter=found.scatter + (grown - 1.0) * found.total, total=grown * found.total)


__all__ = [
    "Patch", "Plane", "Tilted", "board_patch", "contact_points", "patch_of_board", "plane_of_patches",
    "plane_of_points", "slope_of_tilts", "slope_warnings", "tilt_slopes",
]  # fmt: skip

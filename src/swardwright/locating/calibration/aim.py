"""Where heat really lands: offset, scatter and footprint of the head from scorch marks on a test sheet.

Axes. Sheet axes lie in the sheet as a calibration board's do: x right and y down as one looks at it, z into the sheet.
A head that points straight down has its z axis along that z, so that head-link axes are sheet axes turned by the
head's *spin* (angle from the sheet's x to the head link's x, from x towards y).

Model (DESIGN section 6, Dose). The hold of mark i lands at ``aim_i + R(spin_i) (offset + scatter)`` with
``scatter ~ N(0, S)``. Dose at distance r of a hold of t seconds is ``m t g(r)``, g a Gaussian of standard deviation
sigma; the mark's edge is where it reaches the paper's own, unknown, mark dose: ``r^2 = 2 sigma^2 ln(t / t0)``. So the
centres are a linear model with a 2 x 2 scatter, the squared radii a straight line over ``ln t`` with a scatter of its
own, and both are one estimate: restricted maximum likelihood (Patterson and Thompson 1971, from memory), which for
equal measurement errors is the least-squares fit with the unbiased sample covariance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, frozen
from swardwright.domain.uncertainty import CHI2_2_95, check_covariance
from swardwright.locating.calibration.aim_checks import Finding, Outlier, chance_of_mean, chance_of_part, find_outliers
from swardwright.locating.calibration.restricted import Fit, fit

#: fewer marks than this give no scatter with an interval
MARKS_MIN = 4
#: dwell times whose largest is less than this times the smallest do not tell the footprint
DWELL_SPREAD = 1.2
#: a finding about the head (not round, depends on tilt or spin) is named below this probability of chance
FINDING_P = 0.01
#: and marks less elongated than this are round for every purpose (common practice, no source)
ROUND_RATIO = 1.05


@dataclass(frozen=True, eq=False)
class Mark:
    """One scorch mark that belongs to one aim.

    Attributes
    ----------
    aim : str
        Name of the aim.
    aim_m, centre_m : Array
        Shape (2,): aim and centre of the mark, sheet axes, m.
    centre_covariance_m2 : Array
        Shape (2, 2): how well the centre was measured in the picture, m2.
    radius_m, radius_sigma_m : float
        Radius of the circle of the mark's area, and how well it was measured.
    hold_s : float
        Dwell time.
    stretch : Array
        Shape (2,): ``ln(long axis / short axis)`` times cosine and sine of twice the long axis' direction, sheet axes.
    spin_rad : float
        Turn of the head about its axis: from the sheet's x to the head link's x, towards the sheet's y.
    lean : Array
        Shape (2,): tangent of the head's tilt times the direction in which the flame leans, sheet axes.
    """

    aim: str
    aim_m: Array
    centre_m: Array
    centre_covariance_m2: Array
    radius_m: float
    radius_sigma_m: float
    hold_s: float
    stretch: Array
    spin_rad: float = 0.0
    lean: Array = field(default_factory=lambda: frozen((0.0, 0.0)))

    def __post_init__(self) -> None:
        for name in ("aim_m", "centre_m", "stretch", "lean"):
            value = frozen(getattr(self, name))
            if value.shape != (2,) or not np.isfinite(value).all():
                raise InputError("a mark needs two finite numbers here", where=f"aim {self.aim}", field=name,
                                 value=np.asarray(value).tolist())  # fmt: skip
            object.__setattr__(self, name, value)
        numbers = (self.radius_m, self.radius_sigma_m, self.hold_s, self.spin_rad)
        if not all(math.isfinite(v) for v in numbers) or self.radius_m <= 0 or self.radius_sigma_m < 0:
            raise InputError("a mark needs a finite, positive radius", where=f"aim {self.aim}", field="radius_m",
                             value=self.radius_m)  # fmt: skip
        if self.hold_s <= 0:
            raise InputError("a dwell time must be more than 0", where=f"aim {self.aim}", field="hold_s",
                             value=self.hold_s, remedy="write the seconds that the flame was held")  # fmt: skip
        covariance = check_covariance(self.centre_covariance_m2, f"aim {self.aim}: centre_covariance_m2")
        object.__setattr__(self, "centre_covariance_m2", covariance)


@dataclass(frozen=True, eq=False)
class Footprint:
    """Spread of heat of the head.

    Attributes
    ----------
    sigma_m, t0_s : float
        Footprint's standard deviation; the dwell at which this paper just shows a mark.
    covariance : Array
        Shape (2, 2): of ``ln sigma_m`` and ``ln t0_s``.
    sigma_95_m : tuple[float, float]
        95 % interval (Student's t on the slope; 0 where even a footprint of nothing is not excluded).
    freedom : float
        Degrees of freedom of that interval: marks less two where all are measured equally well.
    scatter_m2 : float
        Standard deviation of a squared radius about the line, beyond its measurement, m2.
    """

    sigma_m: float
    t0_s: float
    covariance: Array
    sigma_95_m: tuple[float, float]
    freedom: float
    scatter_m2: float

    def radius2_m2(self, hold_s: Array) -> Array:
        """Return the expected squared radius of marks of ``hold_s`` (negative: no mark), m2."""
        return 2.0 * self.sigma_m**2 * np.log(np.asarray(hold_s, dtype=float) / self.t0_s)


@dataclass(frozen=True, eq=False)
class Aiming:
    """What a sheet of marks says about the head; offset, scatter and elongation in head-link axes.

    Attributes
    ----------
    offset_m, offset_covariance_m2 : Array
        Shapes (2,), (2, 2): where heat lands against the aim on average; the registration of the sheet is in it.
    offset_factor : float
        ``d' C^-1 d`` at the edge of the 95 % region (Hotelling's T2; 5.99 with very many marks).
    scatter_m2 : Array
        Shape (2, 2): covariance of single landings about the mean, measurement of the centres taken out.
    scatter_covariance : Array
        Shape (3, 3): covariance of the elements xx, xy, yy of ``scatter_m2``.
    landing_sigma_m, landing_sigma_95_m : float, tuple[float, float]
        Root of the mean variance per axis, and its 95 % interval.
    freedom : float
        Degrees of freedom of the offset's covariance: marks less one where all are measured equally well.
    footprint : Footprint | None
        None where it cannot be told; ``footprint_reason`` says why.
    findings : tuple[Finding, ...]
        What was tested: elongation, and where the data carry it dependence on tilt and on spin.
    outliers : tuple[Outlier, ...]
        Marks left out by the stated test.
    used : tuple[Mark, ...]
        Marks that were used.
    """

    offset_m: Array
    offset_covariance_m2: Array
    offset_factor: float
    scatter_m2: Array
    scatter_covariance: Array
    landing_sigma_m: float
    landing_sigma_95_m: tuple[float, float]
    freedom: float
    footprint: Footprint | None
    footprint_reason: str
    findings: tuple[Finding, ...]
    outliers: tuple[Outlier, ...]
    used: tuple[Mark, ...]

    @property
    def offset_sigma_m(self) -> float:
        """Largest standard deviation of the offset, widened until its Gaussian 95 % region is Hotelling's, m."""
        largest = float(np.linalg.eigvalsh(self.offset_covariance_m2).max())
        return math.sqrt(largest * self.offset_factor / CHI2_2_95)

    @property
    def offset_is_real(self) -> bool:
        """Whether zero offset lies outside the 95 % region."""
        d = self.offset_m
        return float(d @ np.linalg.solve(self.offset_covariance_m2, d)) > self.offset_factor

    def more_for_offset(self, sigma_m: float) -> int:
        """Return how many more marks bring the offset's standard deviation (largest axis) down to ``sigma_m``.

        The registration of the sheet is shared by its marks and does not average away: more marks on the same sheet
        are counted as if it did.
        """
        _check_wanted(sigma_m)
        largest = float(np.linalg.eigvalsh(self.offset_covariance_m2).max())
        return max(math.ceil(len(self.used) * (largest / sigma_m**2 - 1.0) - 1e-9), 0)

    def more_for_footprint(self, sigma_m: float) -> int | None:
        """Return how many more marks, of the same dwell times, bring the footprint's standard deviation to this."""
        _check_wanted(sigma_m)
        if self.footprint is None:
            return None
        now = self.footprint.sigma_m**2 * float(self.footprint.covariance[0, 0])
        return max(math.ceil(len(self.used) * (now / sigma_m**2 - 1.0) - 1e-9), 0)


def aiming(marks: Sequence[Mark], registration_m2: Array | None = None) -> Aiming:
    """Estimate offset, scatter and footprint of the head.

    Parameters
    ----------
    marks : Sequence[Mark]
        At least ``MARKS_MIN``.
    registration_m2 : Array, optional
        Shape (2, 2): covariance of the mean place of all marks from how well the sheets were rectified, head axes.

    Raises
    ------
    InputError
        If there are too few marks, or nothing is left after taking out those that do not fit.
    """
    if len(marks) < MARKS_MIN:
        raise InputError("too few marks for an offset with its scatter", field="marks", value=len(marks),
                         limit=f"{MARKS_MIN} or more, better 12",
                         remedy="heat more aims on the sheet and photograph it again")  # fmt: skip
    names = [m.aim for m in marks]
    if len(set(names)) < len(names):
        raise InputError("two marks have the same aim", field="aim", value=max(names, key=names.count),
                         remedy="give each aim its own name")  # fmt: skip
    place, known = landings(marks)
    out = find_outliers(names, place)
    gone = {o.aim for o in out}
    kept = np.array([name not in gone for name in names])
    used = tuple(m for m in marks if m.aim not in gone)
    place, known = place[kept], known[kept]
    design = np.broadcast_to(np.eye(2), (len(used), 2, 2))
    found = fit(place, design, known)
    shared = np.zeros((2, 2)) if registration_m2 is None else check_covariance(registration_m2, "registration_m2")
    freedom = float(found.freedom.min())
    footprint, reason = footprint_of(used)
    return Aiming(
        offset_m=frozen(found.value), offset_covariance_m2=frozen(found.covariance + shared),
        offset_factor=hotelling(freedom), scatter_m2=frozen(found.scatter),
        scatter_covariance=frozen(found.scatter_covariance),
        landing_sigma_m=math.sqrt(float(np.trace(found.scatter)) / 2.0), landing_sigma_95_m=found.interval(),
        freedom=freedom, footprint=footprint, footprint_reason=reason,
        findings=tuple(_findings(used, place, known)), outliers=out, used=used,
    )  # fmt: skip


def landings(marks: Sequence[Mark]) -> tuple[Array, Array]:
    """Return where the marks lie against their aims (n, 2), head-link axes, m, and their measurement (n, 2, 2), m2."""
    back = np.array([_turn(-m.spin_rad) for m in marks])
    place = np.einsum("nij,nj->ni", back, np.array([m.centre_m - m.aim_m for m in marks]))
    known = back @ np.array([m.centre_covariance_m2 for m in marks]) @ np.swapaxes(back, 1, 2)
    return place, known


def footprint_of(marks: Sequence[Mark]) -> tuple[Footprint | None, str]:
    """Return the footprint from the squared radii over ln t, or None and why it cannot be told."""
    from scipy.stats import t as student

    hold = np.array([m.hold_s for m in marks])
    if len(marks) < 3:
        return None, "fewer than three marks"
    if hold.max() < DWELL_SPREAD * hold.min():
        return None, (
            f"all dwell times are alike ({hold.min():.3g} to {hold.max():.3g} s): hold some aims 2, 4, 8 times as long"
        )
    radius = np.array([m.radius_m for m in marks])
    noise = np.square(2.0 * radius * np.array([m.radius_sigma_m for m in marks]))
    line = radius_line(np.log(hold))
    found = fit(np.square(radius)[:, None], line, noise[:, None, None])
    slope, level = (float(v) for v in found.value)
    freedom = float(found.freedom[0])
    sigma_slope = math.sqrt(float(found.covariance[0, 0]))
    low, high = slope + np.array([-1.0, 1.0]) * float(student.ppf(0.975, freedom)) * sigma_slope
    if slope <= 0:
        return None, "the marks do not grow with the dwell time: check the dwell times of the aims"
    by = _by_slope(slope, level)
    return Footprint(
        sigma_m=math.sqrt(slope / 2.0), t0_s=math.exp(level / slope),
        covariance=frozen(by @ found.covariance @ by.T),
        sigma_95_m=(math.sqrt(max(low, 0.0) / 2.0), math.sqrt(high / 2.0)), freedom=freedom,
        scatter_m2=math.sqrt(float(found.scatter[0, 0])),
    ), ""  # fmt: skip


def radius_line(log_hold: Array) -> Array:
    """Return the design (n, 1, 2) of ``r^2 = slope ln t - level``, slope = 2 sigma^2, level = slope ln t0."""
    return np.stack([log_hold, -np.ones(len(log_hold))], axis=1)[:, None, :]


def _by_slope(slope: float, level: float) -> Array:
    """Return the Jacobian (2, 2) of (ln sigma, ln t0) with respect to (slope, level)."""
    return np.array([[0.5 / slope, 0.0], [-level / slope**2, 1.0 / slope]])


def hotelling(freedom: float, probability: float = 0.95, size: int = 2) -> float:
    """Return the edge of ``d' C^-1 d`` for a mean whose scatter was estimated with ``freedom`` degrees.

    ``p nu / (nu - p + 1) F(p, nu - p + 1)`` (Hotelling 1931; Johnson and Wichern, eq. 5-6, from memory).
    """
    from scipy.stats import f

    return float(size * freedom / (freedom - size + 1) * f.ppf(probability, size, freedom - size + 1))


def _turn(angle_rad: float) -> Array:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s], [s, c]])


def _check_wanted(sigma_m: float) -> None:
    if not (math.isfinite(sigma_m) and sigma_m > 0):
        raise InputError("a wanted standard deviation must be more than 0", field="sigma_m", value=sigma_m)


def _findings(marks: Sequence[Mark], place: Array, known: Array) -> list[Finding]:
    """Test what would make one offset and one round footprint wrong."""
    out = []
    stretch = np.array([_turn(-2.0 * m.spin_rad) @ m.stretch for m in marks])
    tested = chance_of_mean(stretch)
    if tested is not None:
        mean, p = tested
        ratio = math.exp(float(np.hypot(*mean)))
        direction = 0.5 * math.degrees(math.atan2(mean[1], mean[0]))
        text = f"the marks are {ratio:.2f} times longer than wide, along {direction:.0f} degrees from the head's x"
        found = p < FINDING_P and ratio > ROUND_RATIO
        out.append(Finding("elongation", p, found, text if found else "the marks are round", ratio))
    back = np.array([_turn(-m.spin_rad) for m in marks])
    lean = np.einsum("nij,nj->ni", back, np.array([m.lean for m in marks]))
    if np.hypot(*lean.T).max() > 0.03:
        tested = chance_of_part(place, lean[:, :, None], known)
        if tested is not None:
            value, p = tested
            text = (
                f"landing moves with the head's tilt as if the flame met the paper {1e3 * value[0]:+.1f} mm further "
                "along its axis than the stand-off says: check the stand-off"
            )
            said = text if p < FINDING_P else "landing does not depend on the head's tilt"
            out.append(Finding("tilt", p, p < FINDING_P, said, float(value[0])))
    if abs(np.mean(np.exp(1j * np.array([m.spin_rad for m in marks])))) < 0.95:
        tested = chance_of_part(place, back, known)
        if tested is not None:
            value, p = tested
            text = (
                f"{1e3 * float(np.hypot(*value)):.1f} mm of the offset stay with the sheet when the head turns: they "
                "belong to the arm, the camera or the sheet, not to the head"
            )
            said = text if p < FINDING_P else "the offset turns with the head"
            out.append(Finding("spin", p, p < FINDING_P, said, float(np.hypot(*value))))
    return out


__all__ = ["Aiming", "Finding", "Fit", "Footprint", "Mark", "Outlier", "aiming", "footprint_of", "landings"]

"""Does it all agree: what a merger says of the stated errors, as a verdict. Its words are in ``agreement_words``.

Two questions are kept apart. Do sightings of one plant scatter as stated (`Register.fit`)? And is an error that all
sightings share, such as the camera's mount, larger than stated (`Register.site_errors`)? Both are chi-square tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from swardwright.domain.poses import Array
from swardwright.domain.site import Site
from swardwright.domain.weed import Register, SiteError

#: What has a smaller chance than this, if the stated errors are right, is no accident. Common practice, no source.
CHANCE = 1e-3
#: Any small difference becomes unlikely once there are sightings enough, so it must matter, too: variances off by a
#: factor outside these limits. With a factor r, an ellipse that is meant to hold 95 % holds ``1 - 0.05^(1/r)``: 99 %
#: and 93 %. Ellipses that are too large cost gas, too small ones cost plants: so the limits differ.
RATIO_MIN, RATIO_MAX = 0.64, 1.1
#: A direction of an error counts as surprising beyond this (chi-square with one degree of freedom, 1 %).
SURPRISING = 6.635
#: Suspects whose chances differ by less than this many powers of ten cannot be told apart by their fit.
ALIKE = 5.0
#: An error stated smaller than this (rad, m, px) is not stated at all: see ``UNSTATED_RAD`` in locating.
UNSTATED = 1e-5

AGREES, CONTRADICTS, GENEROUS, UNJUDGED = "agrees", "contradicts", "too generous", "not judged"

_WORDS = {
    "mount": "camera mount", "intrinsics": "camera's focal length and centre", "joint_offset": "zeros of the joints",
    "plane": "height of the ground", "drift": "drive (scales of odometry and turns, clock of the fixes)",
}  # fmt: skip


@dataclass(frozen=True)
class Learnt:
    """One component of a shared error in its own unit: estimate (belief minus truth), its s.d., and the stated s.d.

    ``explains``: the value that would explain the pictures if nothing had been stated, where they say anything at all.
    """

    name: str
    unit: str
    estimate: float
    sigma: float
    stated: float
    explains: float


@dataclass(frozen=True)
class Source:
    """One shared error: how surprising it is, and what was learnt of it.

    ``exponent``: powers of ten of its chance; ``needed``: size that would explain the pictures, in stated s.d.
    """

    source: str
    statistic: float
    degrees: int
    probability: float
    exponent: float
    suspect: bool
    needed: float
    learnt: tuple[Learnt, ...]

    @property
    def word(self) -> str:
        """The source in words."""
        return _WORDS.get(self.source, self.source)

    @property
    def is_stated(self) -> bool:
        """Whether the site states this error at all."""
        return any(c.stated > _UNITS_BACK.get(c.unit, 1.0) * UNSTATED for c in self.learnt)

    def size(self, which: str = "explains") -> str:
        """Return the size of the error by unit: of three axes the length, of others the largest."""
        parts = []
        units = dict.fromkeys(c.unit for c in self.learnt)
        for unit in [u for u in units if u] or units:  # a lens's plain numbers say nothing beside pixels
            values = [abs(float(getattr(c, which))) for c in self.learnt if c.unit == unit]
            value = max(values)
            if self.source == "mount" and which in ("explains", "estimate"):
                value = math.hypot(*values)
            parts.append(amount(value, unit))
        return " and ".join(parts)


@dataclass(frozen=True)
class Agreement:
    """Verdict on a register's stated errors.

    Attributes
    ----------
    verdict : str
        ``"agrees"``, ``"contradicts"``, ``"too generous"``, or ``"not judged"`` where nothing was seen twice.
    ratio, degrees, probability : float, int, float
        Fit: chi-square per degree of freedom, two-sided chance of one as far off if the stated errors are right.
    sources : tuple[Source, ...]
        Shared errors, the most surprising first.
    """

    verdict: str
    ratio: float
    degrees: int
    probability: float
    sources: tuple[Source, ...]

    @property
    def scatter(self) -> float:
        """By how much sightings of one plant scatter against what is stated (ratio of standard deviations)."""
        return math.sqrt(self.ratio)

    @property
    def suspects(self) -> tuple[Source, ...]:
        """Shared errors that are larger than stated, the likeliest first.

        Where their fit does not tell them apart, what need be least far from what is stated comes first.
        """
        found = [s for s in self.sources if s.suspect]
        near = [s for s in found if s.exponent - found[0].exponent < ALIKE]
        first = sorted((s for s in near if s.is_stated), key=lambda s: s.needed)
        return (*first, *(s for s in near if not s.is_stated), *found[len(near) :])

    @property
    def short(self) -> str:
        """The finding in a few words."""
        if self.verdict == CONTRADICTS:
            first = self.suspects
            what = f"what is stated of the {first[0].word}" if first else "the stated scatter"
            return f"the pictures contradict {what}"
        return {AGREES: "all agrees", GENEROUS: "the stated errors are too generous"}.get(
            self.verdict, "nothing judged"
        )


def agreement(register: Register, site: Site | None = None) -> Agreement:
    """Judge a register's stated errors.

    Parameters
    ----------
    site : Site, optional
        Names the joints.

    Notes
    -----
    Scatter: two-sided chi-square test of the fit, and the ratio beyond ``RATIO_MIN`` or ``RATIO_MAX``. Shared errors:
    score test of each (Rao 1948), its chance times the number of errors tested (Bonferroni) below ``CHANCE``.
    """
    joints = site.rig.arm.joint_names if site is not None else ()
    tested = sum(e.degrees > 0 for e in register.site_errors)
    sources = tuple(sorted((_source(e, tested, joints) for e in register.site_errors), key=lambda s: s.exponent))
    fit = register.fit
    if fit is None or fit.degrees <= 0:
        verdict = CONTRADICTS if any(s.suspect for s in sources) else UNJUDGED
        return Agreement(verdict, 1.0, 0, 1.0, sources)
    probability = _two_sided(fit.statistic, fit.degrees)
    surprising = probability < CHANCE
    verdict = AGREES
    if any(s.suspect for s in sources) or (surprising and fit.ratio > RATIO_MAX):
        verdict = CONTRADICTS
    elif surprising and fit.ratio < RATIO_MIN:
        verdict = GENEROUS
    return Agreement(verdict, fit.ratio, fit.degrees, probability, sources)


def _source(error: SiteError, tested: int, joints: tuple[str, ...]) -> Source:
    exponent = log10(_beyond(error.statistic, error.degrees)) if error.degrees else 0.0
    explains, needed = _explaining(error)
    sigma, stated = (np.sqrt(np.maximum(np.diag(c), 0.0)) for c in (error.covariance, error.prior_covariance))
    learnt = []
    for i, (name, unit, factor) in enumerate(_components(error.source, len(error.mean), joints)):
        values = (float(factor * v[i]) for v in (error.mean, sigma, stated, explains))
        learnt.append(Learnt(name, unit, *values))
    suspect = error.degrees > 0 and exponent + math.log10(tested) < math.log10(CHANCE)
    return Source(error.source, error.statistic, error.degrees, error.probability, exponent, suspect, needed,
                  tuple(learnt))  # fmt: skip


def _explaining(error: SiteError) -> tuple[Array, float]:
    """Return the value (k,) that explains the pictures best, and its size in stated standard deviations.

    With whitened estimate e and posterior covariance P, the value without the stated error is ``(I - P)^-1 e``: taken
    in the directions in which it is surprising, since in others there may be next to nothing to divide by; there the
    estimate stands.
    """
    scale = np.sqrt(np.maximum(np.diag(error.prior_covariance), 0.0))
    told = np.flatnonzero(scale > 0)
    out = np.array(error.mean, dtype=float)
    if not len(told):
        return out, 0.0
    s = scale[told]
    values, vectors = np.linalg.eigh(error.prior_covariance[np.ix_(told, told)] / np.outer(s, s))
    keep = values > 1e-9 * values[-1]
    root = s[:, None] * vectors[:, keep] * np.sqrt(values[keep])
    back = (vectors[:, keep] / np.sqrt(values[keep])).T / s
    e, spread = back @ error.mean[told], back @ error.covariance[np.ix_(told, told)] @ back.T
    gain, axes = np.linalg.eigh(np.eye(len(e)) - spread)
    along = axes.T @ e
    surprising = (gain > 1e-7) & (along**2 > SURPRISING * np.maximum(gain, 1e-12))
    along = np.where(surprising, along / np.maximum(gain, 1e-12), along)
    out[told] = root @ axes @ along
    return out, float(np.linalg.norm(along))


_DEG, _MM = math.degrees(1.0), 1000.0
_UNITS_BACK = {"deg": _DEG, "mm": _MM}


def _components(source: str, count: int, joints: tuple[str, ...]) -> list[tuple[str, str, float]]:
    """Return (name, unit, factor from SI) of each of a source's components."""
    if source == "mount" and count == 6:
        return [(f"mount turned about {a}", "deg", _DEG) for a in "xyz"] + [
            (f"mount shifted along {a}", "mm", _MM) for a in "xyz"
        ]
    if source == "intrinsics" and count in (4, 9):
        names = ["focal length across", "focal length down", "centre across", "centre down"]
        lens = [(f"lens {k}", "", 1.0) for k in ("k1", "k2", "p1", "p2", "k3")]
        return ([(n, "px", 1.0) for n in names] + lens)[:count]
    if source == "joint_offset":
        zeros = joints if len(joints) == count else tuple(f"joint {i + 1}" for i in range(count))
        return [(f"zero of {n}", "deg", _DEG) for n in zeros]
    if source == "plane" and count == 1:
        return [("height of the ground", "mm", _MM)]
    if source == "drift":
        return [(f"drive, pattern {i + 1}", "s.d.", 1.0) for i in range(count)]
    return [(f"{source} {i + 1}", "", 1.0) for i in range(count)]


def amount(value: float, unit: str) -> str:
    """Return a number with its unit, two figures."""
    return f"{value:.2g} {unit}".strip() if value < 100 else f"{value:.0f} {unit}".strip()


def _beyond(statistic: float, degrees: int) -> float:
    from scipy.special import gammaincc  # scipy.stats takes half a second to load

    return float(gammaincc(degrees / 2, max(statistic, 0.0) / 2))


def _two_sided(statistic: float, degrees: int) -> float:
    from scipy.special import gammainc

    return min(1.0, 2 * min(float(gammainc(degrees / 2, max(statistic, 0.0) / 2)), _beyond(statistic, degrees)))


def log10(probability: float) -> float:
    """Return the powers of ten of a chance, at least -300."""
    return math.log10(max(probability, 1e-300))


__all__ = ["AGREES", "CHANCE", "CONTRADICTS", "GENEROUS", "UNJUDGED", "Agreement", "Learnt", "Source", "agreement",
           "amount", "log10"]  # fmt: skip

"""Does it all agree: what a merger says of the stated errors, as a verdict and in plain sentences with the next step.

Two questions are kept apart. Do sightings of one plant scatter as stated (`Register.fit`)? And is an error that all
sightings share, such as the camera's mount, larger than stated (`Register.site_errors`)? Both are chi-square tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

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
#: An error stated smaller than this (rad, m, px) is not stated at all: see ``UNSTATED_RAD`` in locating.
UNSTATED = 1e-5
#: Suspects whose chances differ by less than this many powers of ten cannot be told apart by their fit.
ALIKE = 5.0

AGREES, CONTRADICTS, GENEROUS, UNJUDGED = "agrees", "contradicts", "too generous", "not judged"

_WORDS = {
    "mount": "camera mount", "intrinsics": "camera's focal length and centre", "joint_offset": "zeros of the joints",
    "plane": "height of the ground", "drift": "drive (scales of odometry and turns, clock of the fixes)",
}  # fmt: skip
#: which [errors] lines or files state it
_STATED_IN = {
    "mount": "mount_angle and mount", "intrinsics": "the covariance in camera.yaml", "joint_offset": "joint_offset",
    "plane": "plane", "drift": "odometry_scale, turn_scale and fix_late",
}  # fmt: skip
_NEXT = {
    "mount": "Calibrate it: swardwright calibrate mount {folder} PICTURES",
    "intrinsics": "Calibrate it: swardwright calibrate camera {folder} PICTURES",
    "joint_offset": "Zero the joints as the arm's maker says, and check: swardwright calibrate mount {folder} PICTURES",
    "plane": "Measure it: swardwright calibrate ground {folder}",
    "drift": "Look at the drive: swardwright track {folder}",
}
#: [errors] lines that the scatter of one plant's sightings rests on
SCATTER = "pixel, joint, tilt and ground_height"


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
    """One shared error: how surprising it is (``exponent``: powers of ten of its chance), and what was learnt of it."""

    source: str
    statistic: float
    degrees: int
    probability: float
    exponent: float
    suspect: bool
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
        for unit in dict.fromkeys(c.unit for c in self.learnt):
            values = [abs(float(getattr(c, which))) for c in self.learnt if c.unit == unit]
            value = max(values)
            if self.source == "mount" and which in ("explains", "estimate"):
                value = math.hypot(*values)
            parts.append(_number(value, unit))
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
        """Shared errors that are larger than stated, the most surprising first."""
        return tuple(s for s in self.sources if s.suspect)

    @property
    def short(self) -> str:
        """The finding in a few words."""
        if self.verdict == CONTRADICTS:
            first = self.suspects
            what = f"stated {first[0].word}" if first else "stated scatter"
            return f"the pictures contradict the {what}"
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
    from scipy.stats import chi2

    joints = site.rig.arm.joint_names if site is not None else ()
    tested = sum(e.degrees > 0 for e in register.site_errors)
    sources = tuple(sorted((_source(e, tested, joints) for e in register.site_errors), key=lambda s: s.exponent))
    fit = register.fit
    if fit is None or fit.degrees <= 0:
        verdict = CONTRADICTS if any(s.suspect for s in sources) else UNJUDGED
        return Agreement(verdict, 1.0, 0, 1.0, sources)
    low, high = float(chi2.cdf(fit.statistic, fit.degrees)), float(chi2.sf(fit.statistic, fit.degrees))
    surprising = 2 * min(low, high) < CHANCE
    verdict = AGREES
    if any(s.suspect for s in sources) or (surprising and fit.ratio > RATIO_MAX):
        verdict = CONTRADICTS
    elif surprising and fit.ratio < RATIO_MIN:
        verdict = GENEROUS
    return Agreement(verdict, fit.ratio, fit.degrees, min(1.0, 2 * min(low, high)), sources)


def _source(error: SiteError, tested: int, joints: tuple[str, ...]) -> Source:
    from scipy.stats import chi2

    exponent = float(chi2.logsf(error.statistic, error.degrees)) / math.log(10) if error.degrees else 0.0
    explains = _explaining(error)
    sigma, stated = (np.sqrt(np.maximum(np.diag(c), 0.0)) for c in (error.covariance, error.prior_covariance))
    learnt = []
    for i, (name, unit, factor) in enumerate(_components(error.source, len(error.mean), joints)):
        values = (float(factor * v[i]) for v in (error.mean, sigma, stated, explains))
        learnt.append(Learnt(name, unit, *values))
    suspect = error.degrees > 0 and exponent + math.log10(tested) < math.log10(CHANCE)
    return Source(error.source, error.statistic, error.degrees, error.probability, exponent, suspect, tuple(learnt))


def _explaining(error: SiteError) -> Array:
    """Return the value (k,) that explains the pictures best where they are surprising, and the estimate elsewhere.

    With whitened estimate e and posterior covariance P, the value without the stated error is ``(I - P)^-1 e``: taken
    in the directions in which it is surprising, since in others there may be next to nothing to divide by.
    """
    scale = np.sqrt(np.maximum(np.diag(error.prior_covariance), 0.0))
    told = np.flatnonzero(scale > 0)
    out = np.array(error.mean, dtype=float)
    if not len(told):
        return out
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
    return out


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


def _number(value: float, unit: str) -> str:
    return f"{value:.2g} {unit}".strip() if value < 100 else f"{value:.0f} {unit}".strip()


def chance_text(exponent: float) -> str:
    """Return a chance of ``10 ** exponent`` in words."""
    if exponent < -30:
        return "less than 1 in 10^30"
    if exponent > -3:
        return f"{100 * 10**exponent:.2g} in 100"
    return f"1 in 10^{round(-exponent)}"


def held(ratio: float) -> float:
    """Return the share that an ellipse meant to hold 95 % holds where variances are ``ratio`` times those stated."""
    return float(1.0 - 0.05 ** (1.0 / max(ratio, 1e-9)))


def sentences(a: Agreement, folder: str = "SITE", *, calibrated: bool = False) -> list[str]:
    """Return what a person needs to know: the finding with its numbers, then what to do.

    Parameters
    ----------
    calibrated : bool
        Whether the site states its mount in ``mount.yaml`` and not in ``site.toml``.
    """
    if a.verdict == UNJUDGED:
        return ["Whether the stated errors are right cannot be judged: no plant was seen twice."]
    scatter = f"sightings of one plant scatter {a.scatter:.2f} times what site.toml states"
    out = []
    if a.suspects:
        out += _accusation(a, folder, calibrated)
    elif a.verdict == CONTRADICTS:
        out.append(
            f"The pictures contradict the stated scatter: {scatter} (chance {chance_text(_log10(a.probability))}); an "
            f"ellipse meant to hold 95 % holds about {100 * held(a.ratio):.0f} %. Something moves or is read worse "
            "than stated: look for a loose camera, late pictures and rough ground, or raise what they rest on in "
            f"site.toml [errors]: {SCATTER}."
        )
    elif a.verdict == GENEROUS:
        out.append(
            f"The stated errors are too generous: {scatter} by {SCATTER}; an ellipse meant to hold 95 % holds about "
            f"{100 * held(a.ratio):.0f} %, and heat lasts longer than it need. Measure the largest of these "
            f"(swardwright budget {folder}), then lower its line in site.toml [errors]."
        )
    else:
        out.append(f"Pictures and stated errors agree: {scatter}, and no shared error is larger than stated.")
    learnt = learnt_line(a)
    return [*out, learnt] if learnt and not a.suspects else out


def _accusation(a: Agreement, folder: str, calibrated: bool) -> list[str]:
    first = a.suspects[0]
    stated_in = "mount.yaml" if first.source == "mount" and calibrated else "site.toml"
    if first.source == "intrinsics":
        stated_in = "camera.yaml"
    many = first.source in ("joint_offset", "intrinsics")
    were = "they were" if many else "it were"
    how = f"as exact as {stated_in} says" if first.is_stated else f"exact, as {stated_in} has it"
    chance = f"a chance of {chance_text(first.exponent)} if {were} {how}"
    off = f"the {first.word} off by about {first.size()}"
    out = [f"The pictures contradict the stated errors. What explains them best is {off}, with {chance}."]
    alike = [s for s in a.suspects[1:] if s.exponent - first.exponent < ALIKE]
    weaker = [s for s in a.suspects[1:] if s not in alike]
    if alike:
        out.append(
            f"The {_listed([s.word for s in alike])} ({_listed([chance_text(s.exponent) for s in alike])}) would "
            "explain them about as well: from one posture they look alike, and a calibration tells them apart."
        )
    if weaker:
        out.append(
            f"Alike in pictures, but explaining less: the {_listed([s.word for s in weaker])} "
            f"({_listed([chance_text(s.exponent) for s in weaker])})."
        )
    # a mount calibration has the joints' zeros among its unknowns: of two that look alike it is the one to do
    doing = "mount" if any(s.source == "mount" for s in (first, *alike)) else first.source
    step = _NEXT.get(doing, "Find and state it in site.toml [errors]")
    out.append(f"{step.format(folder=folder)}. Until then every place is doubtful.")
    return out


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def learnt_line(a: Agreement) -> str:
    """Return what the pictures taught of shared errors, where that is a good deal more than was stated."""
    parts = []
    for s in a.sources:
        units: dict[str, list[Learnt]] = {}
        for c in s.learnt:
            units.setdefault(c.unit, []).append(c)
        better = [
            (unit, max(c.sigma for c in mine), max(c.stated for c in mine))
            for unit, mine in units.items()
            if unit and unit != "s.d." and max(c.sigma / c.stated if c.stated > 0 else 1.0 for c in mine) < 0.7
        ]
        if better and s.is_stated:
            now = " and ".join(_number(sigma, unit) for unit, sigma, _ in better)
            was = " and ".join(_number(stated, unit) for unit, _, stated in better)
            parts.append(f"the {s.word} to {now} (stated {was})")
    return f"Learnt from the pictures: {_listed(parts)}." if parts else ""


def as_data(a: Agreement) -> dict[str, Any]:
    """Return an agreement as plain values; components in the units that they name, belief minus truth."""
    return {
        "verdict": a.verdict, "fit_ratio": a.ratio, "fit_degrees": a.degrees, "fit_probability": a.probability,
        "suspects": [s.source for s in a.suspects],
        "sources": [
            {"source": s.source, "statistic": s.statistic, "degrees": s.degrees, "probability": s.probability,
             "log10_probability": s.exponent, "suspect": s.suspect, "stated": s.is_stated,
             "learnt": [vars(c) for c in s.learnt]} for s in a.sources
        ],
    }  # fmt: skip


def _log10(probability: float) -> float:
    return math.log10(max(probability, 1e-300))


__all__ = ["AGREES", "CONTRADICTS", "GENEROUS", "UNJUDGED", "Agreement", "Learnt", "Source", "agreement", "as_data",
           "chance_text", "held", "learnt_line", "sentences"]  # fmt: skip

"""What an agreement, or the lack of it, means to a person: sentences with numbers, the next step; data for scripts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.shell.agreement import (
    ALIKE,
    CONTRADICTS,
    GENEROUS,
    UNJUDGED,
    Agreement,
    Learnt,
    Source,
    agreement,
    amount,
    log10,
)

_NEXT = {
    "mount": "Calibrate it: swardwright calibrate mount {folder} PICTURES",
    "intrinsics": "Calibrate it: swardwright calibrate camera {folder} PICTURES",
    "joint_offset": "Zero the joints as the arm's maker says, and check: swardwright calibrate mount {folder} PICTURES",
    "plane": "Measure it: swardwright calibrate ground {folder} RECORDING",
    "drift": "Look at the drive (swardwright track {folder}), and state its scales as they are",
}
_COMMAND = {"mount": "calibrate mount", "intrinsics": "calibrate camera", "joint_offset": "calibrate mount",
            "plane": "calibrate ground", "drift": "track"}  # fmt: skip
#: [errors] lines that the scatter of one plant's sightings rests on
SCATTER = "pixel, joint, tilt and ground_height"


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
            f"The pictures contradict the stated scatter: {scatter} (chance {chance_text(log10(a.probability))}); an "
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


def brief(register: Register | None, site: Site, folder: str = "SITE") -> str:
    """Return the finding and the next step in one or two sentences; empty where there is nothing to judge by."""
    if register is None or (register.fit is None and not register.site_errors):
        return ""
    told = sentences(agreement(register, site), folder, calibrated=site.rig.mount_covariance is not None)
    return " ".join(told if len(told) < 3 else (told[0], told[-1]))


@dataclass(frozen=True)
class Doubt:
    """What contradicts a register: one or two sentences, and the command that is to be run before the next plan."""

    sentence: str
    command: str
    reason: str


def doubt(register: Register | None, site: Site, folder: str = "SITE") -> Doubt | None:
    """Return what contradicts a register, None where nothing does."""
    if register is None:
        return None
    a = agreement(register, site)
    if a.verdict != CONTRADICTS:
        return None
    return Doubt(brief(register, site, folder), _COMMAND.get(_doing(a), "budget"), a.short)


def _doing(a: Agreement) -> str:
    """Return the source to see to first.

    A mount calibration has the joints' zeros among its unknowns: of two that look alike it is the one to do.
    """
    near = [s.source for s in a.suspects if s.exponent - a.suspects[0].exponent < ALIKE]
    return "mount" if near[:1] == ["joint_offset"] and "mount" in near else next(iter(near), "")


def _accusation(a: Agreement, folder: str, calibrated: bool) -> list[str]:
    first = a.suspects[0]
    stated_in = "mount.yaml" if first.source == "mount" and calibrated else "site.toml"
    if first.source == "intrinsics":
        stated_in = "camera.yaml"
    many = first.source in ("joint_offset", "intrinsics")
    were = "they were" if many else "it were"
    how = f"as exact as {stated_in} says" if first.is_stated else f"exact, as {stated_in} has it"
    chance = f"a chance of {chance_text(first.exponent)} if {were} {how}"
    off = f"the {first.word} off by about {first.size()}{_times(first)}"
    out = [f"The pictures contradict the stated errors. What explains them best is {off}, with {chance}."]
    alike = [s for s in a.suspects[1:] if s.exponent - first.exponent < ALIKE]
    weaker = [s for s in a.suspects[1:] if s not in alike]
    if alike:
        out.append(
            f"The {_listed([s.word for s in alike])} ({_listed([_weighed(s) for s in alike])}) would explain them "
            "about as well: from one posture they look alike, and a calibration tells them apart."
        )
    if weaker:
        out.append(
            f"Alike in pictures, but explaining less: the {_listed([s.word for s in weaker])} "
            f"({_listed([chance_text(s.exponent) for s in weaker])})."
        )
    step = _NEXT.get(_doing(a), "Find and state it in site.toml [errors]")
    out.append(f"{step.format(folder=folder)}. Until then every place is doubtful.")
    return out


def _times(s: Source) -> str:
    return f" ({s.needed:.0f} times as stated)" if s.is_stated else ""


def _weighed(s: Source) -> str:
    return chance_text(s.exponent) + (f", if {s.needed:.0f} times as stated" if s.is_stated else "")


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
            now = " and ".join(amount(sigma, unit) for unit, sigma, _ in better)
            was = " and ".join(amount(stated, unit) for unit, _, stated in better)
            parts.append(f"the {s.word} to {now} (stated {was})")
    return f"Learnt from the pictures: {_listed(parts)}." if parts else ""


def as_data(a: Agreement) -> dict[str, Any]:
    """Return an agreement as plain values; components in the units that they name, belief minus truth."""
    return {
        "verdict": a.verdict, "fit_ratio": a.ratio, "fit_degrees": a.degrees, "fit_probability": a.probability,
        "suspects": [s.source for s in a.suspects],
        "sources": [
            {"source": s.source, "statistic": s.statistic, "degrees": s.degrees, "probability": s.probability,
             "log10_probability": s.exponent, "suspect": s.suspect, "needed_sigmas": s.needed, "stated": s.is_stated,
             "learnt": [vars(c) for c in s.learnt]} for s in a.sources
        ],
    }  # fmt: skip


__all__ = ["Doubt", "as_data", "brief", "chance_text", "doubt", "held", "learnt_line", "sentences"]

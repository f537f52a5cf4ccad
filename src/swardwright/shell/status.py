"""What stands, what is stale because something before it changed, and what to do next.

Nothing here is remembered: every stored result names the content hashes of what it was made from, and the present
hashes are compared with those.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from swardwright.domain.site import Site
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.codec import content_hash, file_hash
from swardwright.shell.saying import Said
from swardwright.shell.site_file import SHIPPED
from swardwright.shell.store import Result, SiteStore

if TYPE_CHECKING:
    from swardwright.learning.card import ModelCard
    from swardwright.shell.agreement_words import Doubt

RECORDINGS = "recordings"


@dataclass(frozen=True)
class Standing:
    """One stored result: ``state`` is ``stands`` or ``stale``, and ``why`` says why (empty if it stands)."""

    name: str
    state: str
    why: str
    made_at_s: float | None


@dataclass(frozen=True)
class SiteStatus:
    """The site's one page."""

    site: str
    invented: bool
    standings: tuple[Standing, ...]
    next_command: str
    next_reason: str
    caution: str = " ".join(CAUTIONS[:2])
    #: what contradicts the newest register, if anything does
    doubt: str = ""


def detector_path(folder: Path, site: Site) -> Path:
    """Return the detector's file: the package's own, or one below the site folder."""
    if site.detector == SHIPPED:
        from swardwright.learning import shipped_detector

        return shipped_detector()
    return folder / site.detector


def model_card(folder: Path, site: Site) -> ModelCard:
    """Return the card of the site's detector."""
    from swardwright.learning.card import card_path, read_card

    return read_card(card_path(detector_path(folder, site)))


def input_hashes(folder: Path, site: Site) -> dict[str, str]:
    """Return the present hash of every input that is not itself a stored result."""
    rig, limits = site.rig, site.limits
    found = {
        "start, origin and topics": content_hash([site.start, site.origin, site.topics, limits.pose_age_s]),
        "arm": content_hash(rig.arm),
        "camera": content_hash(rig.camera),
        "camera link": content_hash([rig.camera_link]),
        "camera mount": content_hash([rig.mount_covariance]),
        "error sources": content_hash(rig.errors),
        "survey posture": content_hash([rig.survey_joints_rad, site.camera_height_m]),
        "zones and keep-outs": content_hash([site.zones, site.keep_outs]),
        "kinds": content_hash(site.kinds),
        "robot": content_hash([rig.head, rig.base, rig.power, rig.gas, rig.look_joints_rad, rig.rest_joints_rad]),
        "limits": content_hash(limits),
        "detector": _detector_hash(folder, site),
    }
    for path in waiting_recordings(folder):
        found[f"recording {path.name}"] = hash_of(path)
    return found


def waiting_recordings(folder: Path) -> tuple[Path, ...]:
    """Return everything in the site's ``recordings`` folder, by name."""
    inside = folder / RECORDINGS
    return tuple(sorted(p for p in inside.iterdir() if not p.name.startswith("."))) if inside.is_dir() else ()


def _detector_hash(folder: Path, site: Site) -> str:
    from swardwright.learning.card import card_path

    model = detector_path(folder, site)
    return content_hash([hash_of(model), hash_of(card_path(model))])


def hash_of(path: Path) -> str:
    """Return a file's or folder's content hash; an unchanged file (size, time) is not read again in this process."""
    if path.is_file():
        stat = path.stat()
        return _file_hash(path, stat.st_size, stat.st_mtime_ns)
    return file_hash(path)


@functools.lru_cache(maxsize=256)
def _file_hash(path: Path, size: int, changed_ns: int) -> str:
    return file_hash(path)


#: what each step is made from, besides stored results
FRAMES_FROM = ("start, origin and topics", "arm", "camera", "camera link", "error sources", "survey posture")
DETECTIONS_FROM = ("detector",)
REGISTER_FROM = ("arm", "camera", "camera link", "camera mount", "error sources", "kinds")
PLAN_FROM = ("zones and keep-outs", "kinds", "robot", "arm", "error sources", "limits")
PERMIT_FROM = ("limits",)
OUTCOME_FROM = ("limits",)
#: the command that makes each sort of stored result
MADE_BY = {"frames": "take-in", "detections": "detect", "register": "locate", "plan": "plan", "permit": "permit",
           "outcome": "score"}  # fmt: skip


def inputs_for(
    present: dict[str, str], names: tuple[str, ...], store: SiteStore, results: tuple[str, ...]
) -> dict[str, str]:
    """Return the hashes to note for a result made now from inputs ``names`` and stored ``results``."""
    made = store.results()
    return {n: present.get(n, "absent") for n in names} | {r: made[r].hash for r in results if r in made}


def site_status(folder: Path, site: Site, store: SiteStore) -> SiteStatus:
    """Compute the status of a site."""
    present = input_hashes(folder, site)
    results = store.results()
    reasons = dict.fromkeys(_history(store, results), "")
    for name in results:
        _why(name, results, present, reasons)
    why_stale = {name: why for name, why in reasons.items() if why}
    shown = _shown(store, list(results))
    standings = [
        Standing(n, "stale" if n in why_stale else "stands", why_stale.get(n, ""), results[n].made_at_s) for n in shown
    ]
    command, reason = _next(folder, store, why_stale, standings)
    found = _doubt(folder, site, store, why_stale)
    if found is not None and command == "plan":
        command, reason = found.command, f"{found.reason}: mend that before the next plan"
    return SiteStatus(
        site.name, site.invented, tuple(standings), command, reason, doubt=found.sentence if found else ""
    )


def _doubt(folder: Path, site: Site, store: SiteStore, stale: dict[str, str]) -> Doubt | None:
    """Return what contradicts the newest register that stands, None where nothing does."""
    from swardwright.shell.agreement_words import doubt

    revisions = store.revisions()
    if not revisions or f"register {revisions[-1].revision}" in stale:
        return None
    return doubt(store.register(revisions[-1].revision), site, str(folder))


def _history(store: SiteStore, results: dict[str, Result]) -> list[str]:
    """Return what cannot go stale: what was planned, permitted and done in a round that ran, the recordings behind it
    and, once the ground was looked at again, the registers up to the one that it left. None can be made again.
    """
    ran = [name.partition(" ")[2] for name in results if name.startswith("record ")]
    history = [f"{word} {key}" for word in ("plan", "permit", "record") for key in ran]
    revisions = store.revisions()
    left = next((r for r in reversed(revisions) if r.made_by == "run"), None)
    if left is not None:
        history += [f"{word} {name}" for word in ("frames", "detections") for name in left.recordings]
        if revisions[-1].revision > left.revision:
            history += [f"register {r.revision}" for r in revisions if r.revision <= left.revision]
    return history


def _why(name: str, results: dict[str, Result], present: dict[str, str], known: dict[str, str]) -> str:
    """Return why a result is stale, empty if it stands; an input's own staleness counts too."""
    if name in known:
        return known[name]
    known[name] = ""
    for source, was in results[name].inputs.items():
        if source in results:
            if results[source].hash != was:
                known[name] = f"{source} was made again since"
            elif _why(source, results, present, known):
                known[name] = f"{source} is stale"
        elif present.get(source, "absent") != was:
            known[name] = f"{source} " + ("changed since" if source in present else "is no longer there")
        if known[name]:
            break
    return known[name]


def _shown(store: SiteStore, names: list[str]) -> list[str]:
    """Leave out what a newer revision or round of the same sort supersedes."""
    revisions = [n for n in names if n.startswith("register ")]
    plan = store.plan()
    last_plan = "" if plan is None else plan.id
    keep = []
    for name in names:
        word, _, key = name.partition(" ")
        if word == "register" and name != revisions[-1]:
            continue
        if word in ("plan", "permit", "record", "outcome") and key != last_plan:
            continue
        keep.append(name)
    return keep


def _next(folder: Path, store: SiteStore, stale: dict[str, str], standings: list[Standing]) -> tuple[str, str]:
    every = store.recordings()
    for path in waiting_recordings(folder):
        if path.name not in {r.name for r in every}:
            return "take-in", f"the recording {path.name} has not been taken in"
    recordings = tuple(r for r in every if not store.for_teaching(r.name))  # what only teaches needs no next step
    taken = {r.name for r in recordings}
    plan = store.plan()
    sweeping = plan is not None and plan.sweep and store.record(plan.id) is None
    if not recordings and not sweeping:
        return "survey", "there is no recording yet (or take in one with: swardwright take-in PATH)"
    names = {s.name for s in standings}
    for recording in recordings:
        for word in ("frames", "detections"):
            command, name = MADE_BY[word], f"{word} {recording.name}"
            if name in stale:
                return command, f"{name} is stale: {stale[name]}"
            if word == "detections" and name not in names and store.frames(recording.name):
                return command, f"the frames of {recording.name} have not been looked through"
    revisions = store.revisions()
    new = set(taken) - set(revisions[-1].recordings if revisions else ())
    if (not revisions and not sweeping) or (new and any(store.frames(n) for n in taken)):
        return "locate", "there are detections that no register revision holds"
    register = f"register {revisions[-1].revision}" if revisions else ""
    if register in stale and revisions[-1].made_by == "locate":
        return "locate", f"{register} is stale: {stale[register]}"
    if plan is None:
        return "plan", "the register has no plan yet"
    record, outcome = store.record(plan.id), store.outcome(plan.id)
    if record is not None:
        if outcome is None and revisions[-1].made_by == "run":
            return "survey", "the round is over: look again after the revisit time (survey --wait-days)"
        if outcome is None or f"outcome {plan.id}" in stale:
            return "score", "the ground was looked at again since the round"
        return "report", "the round is scored: read the report, then plan the next one"
    if f"plan {plan.id}" in stale:
        return "plan", f"plan {plan.id} is stale: {stale[f'plan {plan.id}']}"
    permit = store.permit(plan.id)
    if permit is None or f"permit {plan.id}" in stale:
        return "permit", "the plan needs a hot-work permit"
    return "run", "the permit is granted: heat only with a person standing watch"


def told(folder: Path, status: SiteStatus) -> Said:
    """Return a status as the command line tells it."""
    lines = [f"{status.site}" + (" (invented)" if status.invented else "")]
    lines += [f"  {s.name}: {s.state}" + (f" - {s.why}" if s.why else "") for s in status.standings]
    lines += [f"Doubtful: {status.doubt}"] if status.doubt else []
    lines += [f"Next: swardwright {status.next_command} {folder} - {status.next_reason}.", status.caution]
    data = {
        "site": status.site,
        "invented": status.invented,
        "results": [vars(s) for s in status.standings],
        "next": status.next_command,
        "why": status.next_reason,
        "doubt": status.doubt,
    }
    return Said(tuple(lines), data)

"""An open site folder: the site as written, what is stored about it, and where it stands."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from swardwright.domain.errors import InputError, StaleError
from swardwright.domain.event import JournalEntry, RoundRecord
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.outcome import Outcome
from swardwright.domain.permit import Permit
from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.domain.weed import Register, Sighting
from swardwright.shell.site_file import load_site
from swardwright.shell.status import MADE_BY, SiteStatus, site_status
from swardwright.shell.store import SiteStore


@dataclass(frozen=True)
class OpenSite:
    """A site folder with its database; every accessor gives None (or nothing) where a step has not been done yet."""

    folder: Path
    site: Site
    store: SiteStore

    def register(self, revision: int | None = None) -> Register | None:
        """Return a register revision, by default the newest."""
        return self.store.register(revision)

    def plan(self, plan_id: str | None = None) -> Plan | None:
        """Return a plan, by default the newest."""
        return self.store.plan(plan_id)

    def plan_named(self, plan_id: str | None) -> Plan | None:
        """Return the plan that a person named with ``--plan``, by default the newest.

        Raises
        ------
        InputError
            If there is none of that name.
        """
        plan = self.store.plan(plan_id)
        if plan_id is not None and plan is None:
            raise InputError("there is no such plan", field="--plan", value=plan_id,
                             limit=", ".join(p.id for p in self.store.plans()) or "none yet",
                             remedy="name one of these")  # fmt: skip
        return plan

    def permit(self, plan_id: str | None = None) -> Permit | None:
        """Return the newest permit, or the newest for a plan."""
        return self.store.permit(plan_id)

    def record(self, plan_id: str | None = None) -> RoundRecord | None:
        """Return how a round went, by default the newest."""
        return self.store.record(plan_id)

    def outcome(self, plan_id: str | None = None) -> Outcome | None:
        """Return what a round achieved, by default the newest scored."""
        return self.store.outcome(plan_id)

    def frames(self, recording: str | None = None) -> tuple[Frame, ...]:
        """Return the kept frames, of one recording or of all."""
        return self.store.frames(recording)

    def detections(self, recording: str | None = None) -> tuple[Detection, ...]:
        """Return the detections, of one recording or of all."""
        return self.store.detections(recording)

    def sightings(self, recording: str | None = None) -> tuple[Sighting, ...]:
        """Return the sightings, of one recording or of all."""
        return self.store.sightings(recording)

    def journal(self, plan_id: str | None = None) -> tuple[JournalEntry, ...]:
        """Return the journal, of one plan or all of it."""
        return self.store.journal(plan_id)

    def status(self) -> SiteStatus:
        """Return what stands, what is stale and why, and what to do next."""
        return site_status(self.folder, self.site, self.store)

    def must_stand(self, result: str) -> None:
        """Refuse to build on a stale result; the remedy is the first step that must be done again for it.

        Raises
        ------
        StaleError
            If something that ``result`` was made from has changed since.
        """
        stale = {s.name: s.why for s in self.status().standings if s.state == "stale"}
        if result not in stale:
            return
        made, first = self.store.results(), result
        while (before := next((name for name in made[first].inputs if name in stale), None)) is not None:
            first = before
        remedy = f"run: swardwright {MADE_BY[first.partition(' ')[0]]} {self.folder}"
        if first != result:
            remedy += f" ({first} is stale: {stale[first]})"
        if stale[first].endswith("is no longer there"):
            remedy = f"put it back, then {remedy}"
        raise StaleError(f"{result} is stale: {stale[result]}", where=self.folder.name, remedy=remedy)

    def doubtful(self, register: Register | None) -> str:
        """Return what to say loudly where a register contradicts the site's stated errors; empty where it does not."""
        from swardwright.shell.agreement_words import doubt

        found = doubt(register, self.site, str(self.folder))
        return "" if found is None else f"DOUBTFUL, do not heat on it: {found.sentence}"

    def close(self) -> None:
        """Close the database."""
        self.store.close()


def open_site(folder: Path | str, *, write: bool = False) -> OpenSite:
    """Open a site folder; a reader (``write=False``) creates nothing in it.

    Raises
    ------
    SiteError, RobotModelError
        If a file of the site cannot be used.
    """
    folder = Path(folder)
    site = load_site(folder)
    return OpenSite(folder, site, SiteStore(folder, write=write))


@contextmanager
def opened(folder: Path | str, *, write: bool = False) -> Iterator[OpenSite]:
    """Open a site folder for a ``with`` block."""
    site = open_site(folder, write=write)
    try:
        yield site
    finally:
        site.close()

"""What the page shows, read from a site folder in one go."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from swardwright.domain.event import RoundRecord
from swardwright.domain.outcome import Outcome
from swardwright.domain.plan import Plan
from swardwright.domain.site import Site
from swardwright.domain.weed import Register
from swardwright.shell.open_site import opened
from swardwright.shell.status import SiteStatus


@dataclass(frozen=True)
class View:
    """A site as it stands: the newest register, and the newest plan made from it with its round."""

    site: Site
    status: SiteStatus
    register: Register | None
    plan: Plan | None
    record: RoundRecord | None
    outcome: Outcome | None
    reports: tuple[str, ...]


def load_view(folder: Path) -> View:
    """Read a site folder.

    Raises
    ------
    SwardwrightError
        If the folder or a file in it cannot be used.
    """
    with opened(folder) as site:
        plan = site.plan()
        shown = site.register(plan.register_revision) if plan else site.register()
        reports = folder / "reports"
        names = sorted(p.name for p in reports.glob("*.html")) if reports.is_dir() else []
        return View(
            site=site.site,
            status=site.status(),
            register=shown,
            plan=plan,
            record=site.record(plan.id) if plan else None,
            outcome=site.outcome(plan.id) if plan else None,
            reports=tuple(names),
        )


def changed_at(folder: Path) -> tuple[int, ...]:
    """Return what changes whenever the site folder's files do."""
    watched = [folder / name for name in ("site.toml", "robot.urdf", "camera.yaml", "site.db", "site.db-wal")]
    watched += [folder / "recordings", folder / "reports"]
    return tuple(p.stat().st_mtime_ns if p.exists() else 0 for p in watched)

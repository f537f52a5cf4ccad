"""``register``: every revision of the register can be recalled, compared with another, drawn and written out."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swardwright.domain.errors import InputError
from swardwright.shell.commanding import json_option, say, site_argument
from swardwright.shell.saying import Said

if TYPE_CHECKING:
    from swardwright.domain.site import Site
    from swardwright.domain.weed import Change, Register, Weed
    from swardwright.shell.open_site import OpenSite
    from swardwright.shell.store import Revision, SiteStore

#: plants of revisions that are not built on one another are the same within this distance, m
GATE_M = 0.05
#: a crown that moved farther than this many standard deviations of what was known is told
MOVED_SIGMA = 3.0
#: sorts of change in the order in which they are told, with the word for it
WORDS = {
    "new": "new", "gone": "gone", "heated": "heated", "returned": "back", "split": "split", "merged": "merged",
    "moved": "moved", "kind changed": "of another kind",
}  # fmt: skip
#: lines of one sort that are shown; all of them are in ``--json``
SHOWN = 12


@dataclass(frozen=True)
class Difference:
    """One plant that is not as it was: ``before`` and ``after`` are the plant in the two revisions."""

    what: str
    weed_id: str
    reason: str
    before: Weed | None
    after: Weed | None
    others: tuple[str, ...] = ()
    moved_sigma: float | None = None


@dataclass(frozen=True)
class Comparison:
    """Two revisions over each other.

    Attributes
    ----------
    by_place : bool
        The later one was not built on the earlier one, so that names mean nothing and plants were matched by place.
    same : tuple[tuple[Weed, Weed], ...]
        Plants that stand in both.
    """

    earlier: Register
    later: Register
    by_place: bool
    same: tuple[tuple[Weed, Weed], ...]
    differences: tuple[Difference, ...]

    def counts(self) -> dict[str, int]:
        """Return how many of each sort, in the order of telling."""
        found = Counter(d.what for d in self.differences)
        return {what: found[what] for what in WORDS if found[what]}

    def sentence(self) -> str:
        """Return what changed, counted."""
        told = [f"{n} {WORDS[what]}" for what, n in self.counts().items()]
        return ", ".join(told) if told else "nothing changed"


def chain(store: SiteStore, later: Register, earlier: Register) -> tuple[Change, ...] | None:
    """Return the changes recorded on the way from the earlier to the later revision; None: not built on one another."""
    changes: list[Change] = []
    at: Register | None = later
    while at is not None and at.revision != earlier.revision:
        changes = [*at.changes, *changes]
        at = None if at.based_on is None else store.register(at.based_on)
    return None if at is None else tuple(changes)


def compare(earlier: Register, later: Register, changes: Sequence[Change] | None, stands: float) -> Comparison:
    """Return what changed between two revisions.

    Parameters
    ----------
    changes : Sequence[Change], optional
        Recorded on the way; None: the later one was not built on the earlier one, so plants are matched by place.
    stands : float
        From this presence on a plant is believed to stand.
    """
    before = {w.id: w for w in earlier.weeds}
    pairs = {w.id: w.id for w in earlier.weeds}
    if changes is None:
        from swardwright.scoring.matching import match

        standing = [[w for w in r.weeds if w.presence >= stands] for r in (earlier, later)]
        pairs = {a: b for a, (b, _) in match(standing[0], standing[1], GATE_M).items()}
    partner = {b: a for a, b in pairs.items()}
    recorded = {c.weed_id: c for c in changes or () if c.what in ("split", "merged")}
    reasons = {(c.what, c.weed_id): c.reason for c in changes or ()}
    same: list[tuple[Weed, Weed]] = []
    out: list[Difference] = []
    for now in later.weeds:
        old = before.get(partner.get(now.id, ""))
        here, there = now.presence >= stands, old is not None and old.presence >= stands
        if old is not None and here and there:
            same.append((old, now))
            out += _between(old, now)
        elif here and old is not None:
            reason = reasons.get(
                ("returned", now.id), f"{now.id} is back: belief {now.presence:.2f}, {old.presence:.2f} before"
            )
            out.append(Difference("returned", now.id, reason, old, now))
        elif here:
            split = recorded.get(now.id)
            reason = reasons.get(("new", now.id), f"{now.id} is new: belief {now.presence:.2f}")
            out.append(Difference("new", now.id, reason, None, now) if split is None
                       else Difference("split", now.id, split.reason, None, now, split.others))  # fmt: skip
        elif there and old is not None:
            heated = now.heat_kg_m2 > old.heat_kg_m2 and now.looks == old.looks
            reason = _heated(old, now) if heated else _gone(old, now, reasons)
            out.append(Difference("heated" if heated else "gone", old.id, reason, old, now))
    left = {w.id for w in later.weeds}
    for old in earlier.weeds:
        if old.presence < stands or pairs.get(old.id) in left:
            continue
        merged = recorded.get(old.id)
        if merged is not None:
            out.append(Difference("merged", old.id, merged.reason, old, None, merged.others))
        else:
            out.append(Difference("gone", old.id, f"{old.id} has no counterpart in the later revision", old, None))
    order = list(WORDS)
    out.sort(key=lambda d: (order.index(d.what), -(d.moved_sigma or 0.0), d.weed_id))
    return Comparison(earlier, later, changes is None, tuple(same), tuple(out))


def _heated(old: Weed, now: Weed) -> str:
    return (
        f"{old.id} was heated and is expected dead: belief {now.presence:.2f}, {old.presence:.2f} before; nobody has "
        "looked yet"
    )


def _gone(old: Weed, now: Weed, reasons: dict[tuple[str, str], str]) -> str:
    if ("gone", old.id) in reasons:
        return reasons["gone", old.id]
    heated = now.heat_kg_m2 > old.heat_kg_m2
    return f"{old.id} is gone{' (heated since)' * heated}: belief {now.presence:.3f}, {old.presence:.2f} before"


def _between(old: Weed, now: Weed) -> list[Difference]:
    from swardwright.domain.uncertainty import mahalanobis2

    out = []
    sigma = math.sqrt(mahalanobis2(now.mean_m - old.mean_m, old.covariance_m2))
    if sigma > MOVED_SIGMA:
        mm = 1000 * math.dist(now.mean_m, old.mean_m)
        reason = f"{now.id} moved by {mm:.0f} mm, {sigma:.1f} standard deviations of what was known"
        out.append(Difference("moved", now.id, reason, old, now, moved_sigma=sigma))
    if now.kind != old.kind:
        reason = f"{now.id} is now taken for {now.kind} ({now.kinds[0][1]:.2f}), before for {old.kind}"
        out.append(Difference("kind changed", now.id, reason, old, now))
    return out


@click.command("register")
@site_argument
@click.option("--revision", type=click.IntRange(1), default=None, help="Show this revision  [default: the newest]")
@click.option("--since", type=click.IntRange(1), default=None,
              help="Compare with this one  [default: the one it was built on]")  # fmt: skip
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False),
              help="Write the revision's plants with their ellipses (.geojson or .csv).")  # fmt: skip
@click.option("--figure", type=click.Path(path_type=Path, dir_okay=False),
              help="Where to draw the two revisions over each other  [default: in reports]")  # fmt: skip
@click.option("--force", is_flag=True, help="Overwrite the file that --out or --figure names.")
@json_option
def register(
    site: Path, revision: int | None, since: int | None, out: Path | None, figure: Path | None, force: bool
) -> None:
    """List the register's revisions, recall one, and say what changed since another.

    Nothing is ever lost: each locate and each round makes a new revision and leaves the old ones as they are.

    Example: swardwright register green

    Example, what a round and the look after it changed: swardwright register green --revision 3 --since 1

    Example, for a mapping program: swardwright register green --revision 1 --out before.geojson
    """
    from swardwright.shell.open_site import opened

    _check_files(out, figure, force)
    with opened(site) as at:
        say(recalled(at, revision=revision, since=since, out=out, figure=figure))


def _check_files(out: Path | None, figure: Path | None, force: bool) -> None:
    for option, path, endings in (("--out", out, (".geojson", ".csv")), ("--figure", figure, (".png", ".svg", ".pdf"))):
        if path is None:
            continue
        if path.suffix.lower() not in endings:
            raise InputError("the file needs a known ending", where="register", field=option, value=path.name,
                             limit=", ".join(endings), remedy="name the file with one of these")  # fmt: skip
        if path.exists() and not force:
            raise InputError("there is a file of that name already", where="register", field=option, value=str(path),
                             remedy="name another one, or add --force to overwrite it")  # fmt: skip


def recalled(opened: OpenSite, *, revision: int | None = None, since: int | None = None, out: Path | None = None,
             figure: Path | None = None) -> Said:  # fmt: skip
    """Recall a revision, compare it, draw it and write it out.

    Raises
    ------
    InputError
        If there is no such revision, or a file cannot be written.
    StaleError
        If the site has no register yet.
    """
    from swardwright.shell.store import need

    store, site = opened.store, opened.site
    kept = store.revisions()
    newest = need(kept[-1] if kept else None, "register", f"locate {opened.folder}")
    later = _one(opened, newest.revision if revision is None else revision, kept, "--revision")
    since = later.revision - 1 if since is None and later.based_on is None and revision is None else since
    before = later.based_on if since is None else since
    earlier = None
    if before and before != later.revision:
        earlier = _one(opened, before, kept, "--since") if since is None or since > 0 else None
    found = None
    if earlier is not None:
        first, last = sorted((earlier, later), key=lambda r: r.revision)
        found = compare(first, last, chain(store, last, first), site.limits.presence_min)
    lines = _listed(opened, kept) if revision is None else _shown(site, later, kept)
    rows = [_row(store, r, site.limits.presence_min) for r in kept]
    data: dict[str, Any] = {"revisions": rows, "revision": later.revision}
    if revision is not None:
        data["weeds"] = [_weed_data(w) for w in later.weeds]
    if found is not None:
        lines += ["", *_told(found)]
        data |= _difference_data(found)
    written = _write_out(out, site, later) if out is not None else None
    if written:
        lines += ["", written]
        data["out"] = str(out)
    drawn, path = _draw(opened, later, found, figure)
    return Said((*lines, "" if not written else drawn, *(() if written else (drawn,))), data | {"figure": str(path)})


def _one(opened: OpenSite, number: int, kept: Sequence[Revision], option: str) -> Register:
    found = opened.store.register(number) if number in {r.revision for r in kept} else None
    if found is None:
        numbers = ", ".join(str(r.revision) for r in kept)
        raise InputError("there is no such revision of the register", where=opened.folder.name, field=option,
                         value=number, limit=numbers, remedy="name one of these")  # fmt: skip
    return found


def _row(store: SiteStore, kept: Revision, stands: float) -> dict[str, Any]:
    made = store.register(kept.revision)
    weeds = () if made is None else made.weeds
    changes = Counter(c.what for c in made.changes) if made is not None else Counter()
    return {
        "revision": kept.revision, "made_at_s": kept.made_at_s, "made_by": kept.made_by,
        "recordings": list(kept.recordings), "based_on": None if made is None else made.based_on,
        "plants": sum(w.presence >= stands for w in weeds), "entries": len(weeds), "changes": dict(changes),
    }  # fmt: skip


def _listed(opened: OpenSite, kept: Sequence[Revision]) -> list[str]:
    lines = [f"Revisions of the register of {opened.site.name}:"]
    for item in kept:
        row = _row(opened.store, item, opened.site.limits.presence_min)
        on = "" if row["based_on"] is None else f", built on {row['based_on']}"
        lines.append(f"  {row['revision']:>3}  {_when(item.made_at_s)}  {item.made_by:<7} {row['plants']:>4} plants"
                     f"{on}; {_recordings(item.recordings)}")  # fmt: skip
    return lines


def _when(at_s: float) -> str:
    import datetime

    return datetime.datetime.fromtimestamp(at_s, datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")


def _recordings(names: Sequence[str]) -> str:
    return "from " + ", ".join(names) if len(names) <= 3 else f"from {len(names)} recordings up to {names[-1]}"


def _shown(site: Site, register: Register, kept: Sequence[Revision]) -> list[str]:
    made = next(r for r in kept if r.revision == register.revision)
    standing = [w for w in register.weeds if w.presence >= site.limits.presence_min]
    kinds = Counter(w.kind for w in standing)
    told = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items(), key=lambda kv: (-kv[1], kv[0])))
    doubted = len(register.weeds) - len(standing)
    lines = [
        f"Register revision {register.revision}, made by {made.made_by} on {_when(made.made_at_s)}, "
        f"{_recordings(made.recordings)}:",
        f"  {len(standing)} plants believed to stand"
        + (f" ({told})" if told else "")
        + f"; {doubted} entries doubted or gone.",
    ]
    return lines + [f"  {note}." for note in register.notes]


def _told(found: Comparison) -> list[str]:
    lines = [f"Revision {found.later.revision} against {found.earlier.revision}: {found.sentence()}; "
             f"{len(found.same)} stand in both."]  # fmt: skip
    if found.by_place:
        lines.append(f"  The later one was not built on the earlier one: plants were matched by place, within "
                     f"{100 * GATE_M:.0f} cm.")  # fmt: skip
    for what in WORDS:
        mine = [d for d in found.differences if d.what == what]
        lines += [f"  {d.reason}." for d in mine[:SHOWN]]
        if len(mine) > SHOWN:
            lines.append(f"  ... and {len(mine) - SHOWN} more {WORDS[what]} (--json gives all).")
    return lines


def _weed_data(weed: Weed) -> dict[str, Any]:
    from swardwright.domain.uncertainty import ellipse

    large, small, direction = ellipse(weed.covariance_m2)
    return {
        "weed": weed.id, "kind": weed.kind, "x_m": float(weed.mean_m[0]), "y_m": float(weed.mean_m[1]),
        "ellipse_95_semi_axes_m": [large, small], "ellipse_direction_rad": direction, "presence": weed.presence,
        "radius_m": weed.radius_m, "sightings": len(weed.sightings), "looks": weed.looks,
        "heat_kg_m2": weed.heat_kg_m2, "control": weed.control,
    }  # fmt: skip


def _difference_data(found: Comparison) -> dict[str, Any]:
    return {
        "since": found.earlier.revision, "by_place": found.by_place, "in_both": len(found.same),
        "counts": found.counts(),
        "differences": [
            {
                "what": d.what, "weed": d.weed_id, "others": list(d.others), "reason": d.reason,
                "moved_sigma": d.moved_sigma,
                "moved_m": math.dist(d.before.mean_m, d.after.mean_m) if d.before and d.after else None,
                "presence_before": d.before.presence if d.before else None,
                "presence": d.after.presence if d.after else None,
            }
            for d in found.differences
        ],
    }  # fmt: skip


def _write_out(out: Path, site: Site, register: Register) -> str:
    import json

    from swardwright.shell.geojson import collection
    from swardwright.shell.report import write_whole
    from swardwright.shell.report_rows import weed_csv, weed_rows

    if out.suffix.lower() == ".csv":
        text = weed_csv(weed_rows(site, register))
    else:
        text = json.dumps(collection(site, register), indent=1, allow_nan=False)
    try:
        write_whole(out, text)
    except OSError as error:
        raise InputError(f"the file cannot be written ({error.strerror})", where=str(out), field="--out",
                         remedy="name a place that you may write to") from error  # fmt: skip
    return f"Written: {out} ({len(register.weeds)} entries of revision {register.revision})."


def _draw(opened: OpenSite, later: Register, found: Comparison | None, figure: Path | None) -> tuple[str, Path]:
    import os

    from swardwright.shell.recall_figure import revision_figure

    name = f"register-{later.revision}" + ("" if found is None else f"-since-{found.earlier.revision}") + ".png"
    path = opened.folder / "reports" / name if figure is None else figure
    was_there = path.exists()
    part = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        revision_figure(part, opened.site, later, found)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(f"the figure cannot be written ({error.strerror})", where=str(path),
                         remedy="name a place that you may write to with --figure") from error  # fmt: skip
    return f"Figure: {path}" + (" (the one before was replaced)." if was_there else "."), path


__all__ = ["Comparison", "Difference", "chain", "compare", "recalled", "register"]

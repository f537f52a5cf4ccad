"""``plan-files``: a plan to take along: GeoJSON, tables, an MCAP file with ROS 2 messages, and pictures."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import click

from swardwright.domain.errors import InputError
from swardwright.shell.commanding import json_option, site_argument, with_site
from swardwright.shell.saying import Said

if TYPE_CHECKING:
    from swardwright.domain.plan import Plan
    from swardwright.domain.site import Site
    from swardwright.domain.weed import Register
    from swardwright.shell.open_site import OpenSite

#: what is written, in the order of telling
NAMES = (
    "plan.geojson", "stops.csv", "holds.csv", "not-heated.csv", "supplies.csv", "plan.mcap", "plan-view.png",
    "reach-map.png", "timeline.png",
)  # fmt: skip
#: a larger picture is not put into a page
_MAX_SHOWN_BYTES = 2_000_000


@click.command("plan-files")
@site_argument
@click.option("--plan", "plan_id", default=None, help="An earlier one  [default: the newest]")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False),
              help="Folder to write into  [default: reports/PLAN]")  # fmt: skip
@click.option("--force", is_flag=True, help="Write into a folder named with --out though there are files in it.")
@json_option
def plan_files(site: Path, plan_id: str | None, out: Path | None, force: bool) -> None:
    """Write a plan to take along: GeoJSON, tables, ROS 2 messages (MCAP) and pictures.

    The MCAP file holds the drive (nav_msgs/Path) and the arm's motions at each stop (JointTrajectory). Nothing in these
    files lights a flame, and none of them is a permission.

    Example: swardwright plan-files green

    Example, elsewhere: swardwright plan-files green --plan round-1 --out ~/round-1
    """
    with_site(site, lambda at: files_of(at, plan_id=plan_id, out=out, force=force), write=False)


def files_of(opened: OpenSite, *, plan_id: str | None = None, out: Path | None = None, force: bool = False) -> Said:
    """Write the files of a stored plan.

    Raises
    ------
    InputError
        If there is no such plan, or the folder cannot be written to, or is not empty and is none of the site's.
    StaleError
        If there is no plan yet, or the newest no longer stands.
    """
    from swardwright.shell.reach_cache import recall_reach
    from swardwright.shell.store import need
    from swardwright.shell.sweeping import register_of

    plan = need(opened.plan_named(plan_id), "plan", f"plan {opened.folder}")
    opened.must_stand(f"plan {plan.id}")
    register = need(register_of(opened.store, plan), "register", f"locate {opened.folder}")
    recall_reach(opened.folder, opened.site.rig)
    if out is not None and not force and out.is_dir() and any(out.iterdir()):
        raise InputError("there are files in that folder already", where="plan-files", field="--out", value=str(out),
                         remedy="name another one, or add --force to write into it")  # fmt: skip
    folder = opened.folder / "reports" / plan.id if out is None else out
    said = write_plan_files(folder, opened.site, register, plan)
    newest = opened.plan()
    older = "" if newest is None or newest.id == plan.id else f"{plan.id} is not the newest plan: that is {newest.id}."
    return Said((*filter(None, (older,)), *said.lines), said.data)


def write_plan_files(folder: Path, site: Site, register: Register, plan: Plan) -> Said:
    """Write all files of a plan into ``folder``: first beside it, then, when all are whole, into it.

    Other files there are left alone.

    Raises
    ------
    InputError
        If the folder cannot be written to; then nothing in it has changed.
    StaleError
        If the plan does not say what each stop takes.
    """
    part = folder.with_name(f".{folder.name}.part")
    try:
        part.mkdir(parents=True, exist_ok=True)
        try:
            _write(part, site, register, plan)
            folder.mkdir(exist_ok=True)
            for name in NAMES:
                os.replace(part / name, folder / name)
        finally:
            with contextlib.suppress(OSError):
                shutil.rmtree(part)
    except OSError as error:
        raise InputError(f"the plan's files cannot be written ({error.strerror})", where=str(folder), field="--out",
                         remedy="name a folder that you may write to: swardwright plan-files SITE --out FOLDER",
                         ) from error  # fmt: skip
    from swardwright.shell.plan_view_figure import NOTE

    paths = [folder / name for name in NAMES]
    lines = (f"Written to {folder}: {', '.join(NAMES)}.", NOTE)
    return Said(lines, {"plan": plan.id, "folder": str(folder), "files": [str(path) for path in paths]})


def plan_pictures(folder: Path) -> tuple[tuple[str, str], ...]:
    """Return the timeline and the reach map written into ``folder``, as captions and data URIs; what is there of them.

    The plan view is left out: the page that shows these draws its own.
    """
    captions = {"timeline.png": "Drive, looks, arm and flame over time; gas and battery left",
                "reach-map.png": "Reach of the arm around the base, seen from above"}  # fmt: skip
    paths = {folder / name: caption for name, caption in captions.items()}
    return tuple(
        (caption, f"data:image/png;base64,{base64.b64encode(path.read_bytes()).decode()}")
        for path, caption in paths.items()
        if path.is_file() and path.stat().st_size <= _MAX_SHOWN_BYTES
    )


def _write(folder: Path, site: Site, register: Register, plan: Plan) -> None:
    from swardwright.planning.reach_map import reach_map
    from swardwright.shell.plan_geojson import plan_collection
    from swardwright.shell.plan_mcap import write_plan_mcap
    from swardwright.shell.plan_reach_figure import reach_figure
    from swardwright.shell.plan_tables import hold_table, left_table, stop_table, supply_table
    from swardwright.shell.plan_timeline_figure import timeline_figure
    from swardwright.shell.plan_view_figure import plan_view_figure
    from swardwright.shell.plan_work import arm_work
    from swardwright.shell.saying import Progress

    rig = site.rig
    work = arm_work(plan, rig, done=Progress("arm motions of stops"))
    reach = reach_map(rig)
    texts = {
        "plan.geojson": json.dumps(plan_collection(site, register, plan), indent=1, allow_nan=False) + "\n",
        "stops.csv": stop_table(plan),
        "holds.csv": hold_table(plan, register, work, rig.arm.moving),
        "not-heated.csv": left_table(plan, register),
        "supplies.csv": supply_table(plan.supplies),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    write_plan_mcap(folder / "plan.mcap", plan, rig, work)
    plan_view_figure(folder / "plan-view.png", site, register, plan, reach)
    reach_figure(folder / "reach-map.png", site, reach)
    timeline_figure(folder / "timeline.png", site, plan, work)

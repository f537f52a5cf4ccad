"""The commands ``labels import``, ``export``, ``versions``, ``check`` and ``queue``."""

from __future__ import annotations

import getpass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from swardwright.domain.errors import InputError
from swardwright.shell.commanding import EXISTING, Commands, json_option, site_argument, with_site

FILE = click.Path(path_type=Path, dir_okay=False)
FOLDER = click.Path(path_type=Path, file_okay=False)


@click.group("labels", cls=Commands)
def labels_group() -> None:
    """Labels on the site's frames: bring in, give out, doubt, and choose what to label next."""


@labels_group.command("import")
@site_argument
@click.argument("coco", type=EXISTING)
@click.option("--pictures", type=EXISTING,
              help="Folder of the pictures that COCO names; those not in the site are taken in.")  # fmt: skip
@click.option("--author", default=None, help="Who labelled  [default: your user name]")
@click.option("--name", default=None, help="Name of the recording for pictures taken in  [default: the file's]")
@click.option("--skip-empty", is_flag=True,
              help="Pass over pictures without labels; otherwise they say that the ground is bare.")  # fmt: skip
@json_option
def import_command(
    site: Path, coco: Path, pictures: Path | None, author: str | None, name: str | None, skip_empty: bool
) -> None:
    """Bring labels in from a COCO JSON file: a new version; the versions before stay.

    The crown is the key point if there is one, else the middle of the box; the radius is half the box's longer side.

    Example: swardwright labels import green labels.json --pictures ~/photos --author 'A. Keeper'
    """
    from swardwright.shell.label_files import import_labels

    who = (author if author is not None else _user()).strip()
    if not who or len(who) > 200 or not who.isprintable():
        raise InputError("the author needs a name", field="--author", value=author, limit="1 to 200 letters",
                         remedy="say who labelled, with --author")  # fmt: skip
    with_site(site, lambda at: import_labels(at, coco, pictures=pictures, author=who, name=name, skip_empty=skip_empty))


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a machine without user names
        return "not noted"


class _Moment(click.ParamType):  # type: ignore[type-arg]
    """A day (to its end) or a time of this machine's clock, as seconds since the epoch."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return seconds since the epoch."""
        if not isinstance(value, str):
            return value
        for form, ahead in (("%Y-%m-%d", timedelta(days=1)), ("%Y-%m-%d %H:%M", timedelta(minutes=1)),
                            ("%Y-%m-%dT%H:%M", timedelta(minutes=1)), ("%Y-%m-%d %H:%M:%S", timedelta(seconds=1)),
                            ("%Y-%m-%dT%H:%M:%S", timedelta(seconds=1))):  # fmt: skip
            try:
                return (datetime.strptime(value, form) + ahead).timestamp()
            except (ValueError, OverflowError, OSError):
                continue
        self.fail(f"{value!r} is no time; write such as 2026-05-01 or '2026-05-01 14:30'", param, ctx)


@labels_group.command("export")
@site_argument
@click.option("--out", type=FILE, required=True, help="The COCO JSON file to write.")
@click.option("--version", type=click.IntRange(1), default=None, help="As of this version  [default: the newest]")
@click.option("--at", "at_s", type=_Moment(), default=None, metavar="TIME",
              help="As of a day (its end) or time, such as '2026-05-01 14:30'.")  # fmt: skip
@click.option("--pictures", type=FOLDER, default=None, help="Write the pictures too, below this folder.")
@click.option("--force", is_flag=True, help="Overwrite the file that --out names.")
@json_option
def export_command(
    site: Path, out: Path, version: int | None, at_s: float | None, pictures: Path | None, force: bool
) -> None:
    """Write labels as COCO JSON, the newest or those of an earlier version.

    Each label is a key point 'crown', a box and an area; reading the file again gives the same labels.

    Example: swardwright labels export green --out labels.json --pictures pictures
    """
    from swardwright.shell.label_files import export_labels

    with_site(site, lambda at: export_labels(at, out, version=version, at_s=at_s, pictures=pictures, force=force),
              write=False)  # fmt: skip


@labels_group.command("versions")
@site_argument
@json_option
def versions_command(site: Path) -> None:
    """List every version of the labels: number, time, author, file, and what changed.

    Example: swardwright labels versions green
    """
    from swardwright.shell.label_files import versions_told

    def when(seconds: float) -> str:
        return datetime.fromtimestamp(seconds).strftime("%Y-%m-%d %H:%M") if seconds else "time not noted"

    with_site(site, lambda at: versions_told(at, when), write=False)


@labels_group.command("check")
@site_argument
@click.option("--no-detector", is_flag=True, help="Leave out what the detector contradicts.")
@click.option("--model", type=FILE, default=None, help="Another detector than site.toml names.")
@click.option("--duplicate-radii", type=click.FloatRange(0.05, 5.0), default=0.5, show_default=True,
              help="Two labels nearer than so many of the smaller's radii may be one plant.")  # fmt: skip
@click.option("--count", type=click.IntRange(1), default=30, show_default=True, help="How many to print.")
@json_option
def check_command(site: Path, no_detector: bool, model: Path | None, duplicate_radii: float, count: int) -> None:
    """List doubtful labels, the most doubtful first: where, why, and what to do about each.

    Pairs of pictures of different places that show the same ground are named too.

    Nothing is changed: a doubt is a reason to look, not a fault. The exit status is 0 with doubts or without.

    Example: swardwright labels check green
    """
    from swardwright.shell.label_order import check_labels

    with_site(site, lambda at: check_labels(at, use_detector=not no_detector, model=model,
                                            duplicate_radii=duplicate_radii, count=count))  # fmt: skip


@labels_group.command("queue")
@site_argument
@click.option("--count", type=click.IntRange(1, 100_000), default=10, show_default=True, help="How many frames.")
@click.option("--recording", default=None, help="Only frames of this recording.")
@click.option("--model", type=FILE, default=None, help="Another detector than site.toml names.")
@click.option("--out", type=FOLDER, default=None,
              help="Write the pictures and a labels.json to fill in to this new folder.")  # fmt: skip
@json_option
def queue_command(site: Path, count: int, recording: str | None, model: Path | None, out: Path | None) -> None:
    """Order the frames without labels by what labelling them would teach, and say why.

    Counts what the detector is unsure of, how unlike anything labelled a picture is, how much new ground it shows, and
    how many others look like it, over the work of marking the plants that seem to stand there.

    Example: swardwright labels queue green --count 20 --out to-label
    """
    from swardwright.shell.label_order import queue_labels

    with_site(site, lambda at: queue_labels(at, count=count, recording=recording, model=model, out=out))

"""``frames``: which pictures of a video to keep, into a folder of pictures or into a site."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swardwright.domain.errors import InputError
from swardwright.domain.units import parse_quantity
from swardwright.shell.commanding import EXISTING, json_option, say, show, with_site
from swardwright.shell.saying import Said

if TYPE_CHECKING:
    from swardwright.frames.choosing import Choice
    from swardwright.shell.choosing_frames import Optics
    from swardwright.shell.frames_index import Index


@click.command("frames")
@click.argument("paths", nargs=-1, required=True, type=EXISTING, metavar="[SITE] VIDEO...")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder to write the pictures into.")
@click.option("--overlap", type=click.FloatRange(0.0, 0.9), default=0.4, show_default=True,
              help="Most of its ground that a kept picture may share with the others.")  # fmt: skip
@click.option("--blur", type=click.FloatRange(0.0, 1.0), default=0.6, show_default=True,
              help="Blurred: less sharp than this share of its neighbours' median.")  # fmt: skip
@click.option("--clipped", type=click.FloatRange(0.0, 1.0), default=0.25, show_default=True,
              help="Over-exposed: this share of its pixels is white.")  # fmt: skip
@click.option("--dark", type=click.FloatRange(0.0, 1.0), default=0.6, show_default=True,
              help="Under-exposed: this share of its pixels is black.")  # fmt: skip
@click.option("--place", type=click.IntRange(0, 100_000), default=12, show_default=True,
              help="Most pictures of one place before a gap, so that a walk can be split. 0: no gaps.")  # fmt: skip
@click.option("--height", default=None, help="Of the camera above the ground, such as '1.2 m', for metres per pixel.")
@click.option("--sensor-width", default=None, help="Of the longer side; '36 mm' with a 35 mm equivalent focal length.")
@click.option("--focal-length", default=None, help="Such as '26 mm'.")
@json_option
def frames(
    paths: tuple[Path, ...], out: Path | None, overlap: float, blur: float, clipped: float, dark: float, place: int,
    height: str | None, sensor_width: str | None, focal_length: str | None,
) -> None:  # fmt: skip
    """Keep the pictures of a video that are worth labelling: sharp, well exposed, of new ground, grouped by place.

    With --out: pictures, an index (frames.json) and a table of every picture with its reason. With a SITE first: the
    video is taken into the site, and its pictures are for teaching. Run the same command again after an interruption.

    Example: swardwright frames walk.mp4 --out pictures

    Example, into a site: swardwright frames green walk.mp4
    """
    from swardwright.frames.choosing import Choice

    choice = Choice(overlap, blur, clipped, dark, place)
    optics = _optics(height, sensor_width, focal_length)
    if (paths[0] / "site.toml").is_file():
        _into_site(paths[0], paths[1:], out, choice, optics)
        return
    if out is None:
        raise InputError("the pictures need a folder", where="frames", field="--out",
                         remedy="name one with --out, or name a site before the video")  # fmt: skip
    if (out / "site.toml").is_file():
        raise InputError("the folder is a site", where="frames", field="--out", value=str(out),
                         remedy=f"name it first: swardwright frames {out} VIDEO")  # fmt: skip
    from swardwright.shell.choosing_frames import choose_from_videos

    try:
        index, before = choose_from_videos(paths, out, choice, optics=optics)
    except KeyboardInterrupt:
        show("stopped: what was kept so far stays; run the same command to go on")
        raise
    say(summary(index, before, out))


def _optics(height: str | None, sensor: str | None, focal: str | None) -> Optics | None:
    given = {"--height": height, "--sensor-width": sensor, "--focal-length": focal}
    if not any(given.values()):
        return None
    missing = [name for name, text in given.items() if not text]
    if missing:
        raise InputError("metres per pixel need height, sensor width and focal length", where="frames",
                         field=", ".join(missing), remedy="give all three or none")  # fmt: skip
    from swardwright.frames.ground import sampling_distance_m
    from swardwright.shell.choosing_frames import Optics

    values = []
    for name, text in given.items():
        try:
            values.append(parse_quantity(str(text), "length"))
        except InputError as error:
            raise InputError(error.what, where="frames", field=name, value=error.value, limit=error.limit,
                             remedy=error.remedy) from error  # fmt: skip
    optics = Optics(*values)
    sampling_distance_m(optics.sensor_width_m, optics.height_m, optics.focal_length_m, 1)
    return optics


def _into_site(site: Path, videos: tuple[Path, ...], out: Path | None, choice: Choice, optics: Optics | None) -> None:
    from swardwright.shell.taking_in import take_in

    if not videos:
        raise InputError("a video is needed", where="frames", remedy=f"name it: swardwright frames {site} VIDEO")
    if out is not None or optics is not None:
        raise InputError("a site keeps the video itself and writes no pictures", where="frames",
                         field="--out" if out is not None else "--height",
                         remedy="leave the option out, or leave the site out")  # fmt: skip
    from swardwright.footage.video_reading import container_of

    for video in videos:
        inside = site / "recordings" / video
        container_of(video if video.exists() or len(video.parts) > 1 else inside)
    named = [v if v.exists() or len(v.parts) > 1 else site / "recordings" / v for v in videos]
    with_site(site, lambda at: take_in(at, named, choice=choice))


def summary(index: Index, before: list[str], out: Path) -> Said:
    """Return what was kept and what was dropped, and why."""
    lines = []
    groups = Counter(str(f["group"]) for f in index.frames)
    for video in index.videos:
        gone = "; ".join(f"{reason}: {count}" for reason, count in video["left_out"].items())
        told = f"{video['name']}: {video['kept']} of {video['pictures_found']} pictures kept"
        told += (f" ({gone})" if gone else "") + (", done before." if video["name"] in before else ".")
        lines.append(told)
        lines += [f"  {note}." for note in video["notes"]]
    places = f"{len(groups)} {'place' if len(groups) == 1 else 'places'}"
    tables = ", ".join(str(v["table"]) for v in index.videos)
    lines.append(f"{len(index.frames)} pictures of {places} in {out}; every picture's reason: {tables}.")
    if len(groups) == 1 and len(index.frames) > 1:
        lines.append("All of them are of one place: film another one too, or nothing can be held out for judging.")
    kept: list[dict[str, Any]] = [{k: v for k, v in f.items() if k != "stamp_ns"} for f in index.frames]
    return Said(tuple(lines), {"videos": index.videos, "frames": kept, "places": dict(groups), "done_before": before})

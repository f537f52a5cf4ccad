"""The command line. Light to import: each command loads what it needs when it is called."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

import click

from swardwright.domain.errors import InputError
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.commanding import EXISTING, Commands, json_option, say, show, site_argument, with_site

if TYPE_CHECKING:
    from datetime import datetime

    from swardwright.domain.permit import Weather

F = TypeVar("F", bound=Callable[..., Any])


class _Main(Commands):
    elsewhere: ClassVar = {
        "calibrate": ("swardwright.shell.calibrating", "calibrate_group", "Calibrate camera, mount and aim."),
        "budget": ("swardwright.shell.budgeting", "budget", "Say how wrong the rig is, why, and what to fix first."),
        "plan-files": ("swardwright.shell.plan_files", "plan_files", "Write a plan to take along: maps, tables, MCAP."),
        "track": ("swardwright.shell.tracking", "track", "Follow the base through a recording: TUM file and figure."),
        "register": ("swardwright.shell.recalling", "register", "Recall any revision of the register, compare two."),
        "frames": ("swardwright.shell.framing", "frames", "Keep a video's sharp pictures of new ground, by place."),
        "labels": ("swardwright.shell.labelling", "labels_group", "Bring labels in, doubt them, choose what to label."),
        "teach": ("swardwright.shell.teach_commands", "teach_group", "Teach a detector of your own."),
        "trust": ("swardwright.shell.trusting", "trust", "Say what a detector will miss and wrongly burn."),
    }


class _Day(click.DateTime):
    """A day of the calendar, told as people write it."""

    def __init__(self) -> None:
        super().__init__(["%Y-%m-%d"])

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return midnight of the day."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value!r} is no day; write year, month and day, such as 2026-05-01", param, ctx)


@click.group(cls=_Main, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="swardwright")
def main() -> None:
    """From a robot's pictures of turf to weeds that are dead.

    The commands in the order of the work: init, survey, take-in, detect, locate, plan, permit, run, then survey again
    after the revisit time, and score and report. 'status' says at any time what to do next and why.
    """


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--invented", is_flag=True, help="Write the invented practice green with its simulated robot.")
@click.option("--seed", type=click.IntRange(0, 999_999), default=7, show_default=True, help="Of the invented site.")
@click.option("--urdf", type=EXISTING, help="Your robot's URDF.")
@click.option("--camera-file", type=EXISTING, help="Your camera's calibration (ROS CameraInfo fields, YAML).")
@click.option("--from-recording", "recording", type=EXISTING,
              help="A recording to take the camera (its CameraInfo) and the arm's survey posture from.")  # fmt: skip
@click.option("--name", default="My site", show_default=True, help="What to call the site.")
@click.option("--size", default="12 m, 8 m", show_default=True, help="Ground to treat: east, north, from the origin.")
@click.option("--start", default="0 m, 0 m, 0 deg", show_default=True,
              help="Where the base stands when a recording begins: x, y, yaw.")  # fmt: skip
@click.option("--camera-link", default="camera_optical", show_default=True, help="URDF link of the optical axes.")
@click.option("--head-link", default="head_tip", show_default=True, help="URDF link of the flame's working point.")
@click.option("--topic", "topics", multiple=True, metavar="NAME=/TOPIC",
              help="Stream of your recordings: image, camera_info, joints, odometry, imu or fix (repeat).")  # fmt: skip
@click.option("--kind", "kinds", multiple=True, help="A kind of plant to treat (repeat).")
@click.option("--spare", "spared", multiple=True, help="A kind of plant to spare (repeat).")
@click.option("--set", "settings", multiple=True, metavar="TABLE.FIELD=VALUE",
              help="Any other field of site.toml, such as errors.mount='4 mm' (repeat).")  # fmt: skip
@json_option
def init(folder: Path, invented: bool, seed: int, urdf: Path | None, **own: Any) -> None:
    """Start a site folder.

    Example, the invented site: swardwright init green --invented --seed 7

    Example, your own robot: swardwright init lawn --urdf robot.urdf --from-recording survey.mcap --size '6 m, 4 m'
    """
    from swardwright.shell.starting import OwnSite, start_invented, start_own, topic_pairs

    if invented:
        say(start_invented(folder, seed))
        return
    if urdf is None:
        raise InputError("a site needs the robot's URDF", where="init", field="--urdf",
                         remedy="name it with --urdf, or add --invented for the invented site")  # fmt: skip
    own["topics"] = topic_pairs(own["topics"])
    if not own["kinds"] and not own["spared"]:
        own["kinds"], own["spared"] = ("dandelion", "plantain", "clover", "woodrush"), ("daisy",)
    say(start_own(folder, OwnSite(urdf=urdf, **own)))


@main.command()
@site_argument
@click.option("--wait-days", type=click.FloatRange(0, 3650), default=0.0,
              help="Let this many days pass first (a simulated robot's plants wilt and regrow).")  # fmt: skip
@click.option("--name", default=None, help="Name of the recording  [default: survey-1, survey-2, ...]")
@json_option
def survey(site: Path, wait_days: float, name: str | None) -> None:
    """Let the robot drive the survey lanes and record.

    The robot's factory, named in site.toml, is loaded and run: name only a module that you trust.

    Example: swardwright survey green
    """
    from swardwright.shell.taking_in import survey as do

    with_site(site, lambda at: do(at, wait_days=wait_days, name=name))


@main.command("take-in")
@site_argument
@click.argument("recordings", nargs=-1, type=EXISTING)
@click.option("--topic", "topics", multiple=True, metavar="NAME=/TOPIC",
              help="Another topic than site.toml names, for this recording (repeat).")  # fmt: skip
@click.option("--overlap", type=click.FloatRange(0.0, 0.95), default=0.6, show_default=True,
              help="Share of ground that successive kept pictures have in common.")  # fmt: skip
@click.option("--trust-camera-file", is_flag=True,
              help="Take in a robot log whose own camera info is missing or not calibrated.")  # fmt: skip
@json_option
def take_in(
    site: Path, recordings: tuple[Path, ...], topics: tuple[str, ...], overlap: float, trust_camera_file: bool
) -> None:
    """Take recordings into the site: copied, read, posed, and the frames worth keeping chosen.

    Without RECORDINGS: everything in the site's recordings folder that is new or stale.

    Example: swardwright take-in green ~/logs/tuesday.mcap
    """
    from swardwright.domain.site import Topics
    from swardwright.shell.starting import topic_pairs
    from swardwright.shell.taking_in import take_in as do

    given = Topics(**dict(topic_pairs(topics))) if topics else None
    with_site(site, lambda at: do(at, recordings, topics=given, overlap=overlap, trust_camera_file=trust_camera_file))


@main.command()
@site_argument
@click.option("--model", type=EXISTING, help="A detector for a plain folder  [default: the one in the package]")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write a plain folder's detections here.")
@click.option("--again", is_flag=True, help="Look through frames again that were looked through already.")
@click.option("--tile", "tile_px", type=click.IntRange(32, 20_000), default=1280, show_default=True,
              help="Cut large pictures into tiles of so many pixels (multiple of 32) to save memory.")  # fmt: skip
@click.option("--batch", type=click.IntRange(1, 256), help="Tiles run together  [default: 1, on an accelerator 8]")
@click.option("--threads", type=click.IntRange(1, 1024), help="Processor cores to use  [default: all]")
@click.option("--provider", metavar="NAME",
              help="What computes: cpu, cuda, openvino, ...  [default: the best that there is]")  # fmt: skip
@click.option("--cluster", metavar="local|ADDRESS",
              help="Share the pictures over processes of this machine, or a Dask scheduler's workers.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 256), help="Processes of '--cluster local'  [default: one a core]")
@click.option("--own-network", is_flag=True,
              help="Use a cluster without TLS: every machine on its network is yours.")  # fmt: skip
@json_option
def detect(site: Path, model: Path | None, out: Path | None, again: bool, **options: Any) -> None:
    """Find plants in the site's frames, or in a plain folder of photographs.

    What was found is kept picture by picture: stopped and run again, it goes on where it stopped.

    Example, a site: swardwright detect green

    Example, photographs: swardwright detect ~/photos --out found.csv

    Example, on every core of several machines: swardwright detect green --cluster tls://farm:8786
    """
    from swardwright.shell.finding import detect_folder, detect_site
    from swardwright.shell.spreading import how_from

    how = how_from(**options)
    if site.is_dir() and not (site / "site.toml").exists():
        say(detect_folder(site, model=model, out=out, how=how))
        return
    if model is not None or out is not None:
        raise InputError("--model and --out are for a plain folder of photographs", where="detect",
                         remedy="name the detector in site.toml ([detector] model)")  # fmt: skip
    with_site(site, lambda at: detect_site(at, again=again, how=how))


@main.command()
@site_argument
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False),
              help="Where to write the figure (.png, .svg, .pdf)  [default: reports/locate-REVISION.png]")  # fmt: skip
@click.option("--force", is_flag=True, help="Overwrite the file that --out names.")
@json_option
def locate(site: Path, out: Path | None, force: bool) -> None:
    """Carry detections to the ground, merge them into the next register revision, and say whether all agrees.

    Example: swardwright locate green
    """
    from swardwright.shell.finding import locate_site

    with_site(site, lambda at: locate_site(at, out=out, force=force))


@main.command()
@site_argument
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True,
              help="Of the draw of controls and the order searches.")  # fmt: skip
@click.option("--limit", type=click.Choice(["time", "gas", "battery"]),
              help="Cut the plan where a working day, the gas or the batteries carried end.")  # fmt: skip
@click.option("--day", type=_Day(), metavar="YYYY-MM-DD",
              help="Whose daylight counts  [default: today's; an invented site's days have no end]")  # fmt: skip
@click.option("--files", is_flag=True, help="Write it to take along too, as plan-files does.")
@click.option("--what-if", "better", is_flag=True,
              help="Say instead what half the error, a narrower head, one more look, a faster arm or base would save: "
              "eight plans, nothing is stored.")  # fmt: skip
@click.option("--sweep", is_flag=True,
              help="Plan stops that see and reach all of the zones, of which nothing need be known: the run looks, "
              "decides and treats at each.")  # fmt: skip
@click.option(
    "--density",
    type=click.FloatRange(0.0),
    metavar="PER-M2",
    help="With --sweep: weeds per square metre to bring gas for  [default: as in the register, or 1]",
)
@json_option
def plan(
    site: Path, seed: int, limit: str | None, day: datetime | None, files: bool, better: bool, sweep: bool,
    density: float | None,
) -> None:  # fmt: skip
    """Plan a round: stops with a proven bound, holds, gas, battery, time, and every refusal with its reason.

    Example: swardwright plan green

    Example, what a better robot would save: swardwright plan green --what-if

    Example, without a survey: swardwright plan green --sweep --density 2
    """
    from swardwright.shell.planning_round import plan_site

    if density is not None and not sweep:
        raise InputError("a density of weeds is for a sweep: otherwise the register has the weeds", where="plan",
                         field="--density", value=density, remedy="add --sweep, or leave it out")  # fmt: skip
    if sweep and better:
        raise InputError("--what-if compares plans of weeds that are known", where="plan", field="--sweep",
                         remedy="leave one of the two out")  # fmt: skip

    if better:
        from swardwright.shell.what_if import what_if

        if limit is not None or files:
            raise InputError("--what-if compares whole plans and stores none", where="plan",
                             field="--limit" if limit is not None else "--files",
                             remedy="leave that option out, or plan without --what-if")  # fmt: skip
        with_site(site, lambda at: what_if(at, seed=seed, day=day, show=show), write=False)
        return
    if sweep:
        from swardwright.shell.sweeping import sweep_site

        with_site(site, lambda at: sweep_site(at, seed=seed, limit=limit, day=day, files=files, density_m2=density))
        return
    with_site(site, lambda at: plan_site(at, seed=seed, limit=limit, day=day, files=files))


@main.command(epilog=" ".join(CAUTIONS))
@site_argument
@click.option("--signed-by", required=True, help="Name of the person who answers and stands watch.")
@click.option("--temperature", required=True, help="Observed now, such as '18 C'.")
@click.option("--humidity", required=True, help="Relative humidity, such as '60 %'.")
@click.option("--wind", required=True, help="Wind, such as '2 m/s'.")
@click.option("--rain", default="0 mm", show_default=True, help="Rain of the last 24 hours.")
@click.option("--codes-before", default=None, metavar="FFMC,DMC,DC",
              help="Yesterday's fire weather codes  [default: the system's starting values]")  # fmt: skip
@click.option("--answer", "answers", multiple=True, metavar="KEY=yes|no",
              help="Answer a question without being asked (repeat).")  # fmt: skip
@json_option
def permit(site: Path, signed_by: str, answers: tuple[str, ...], codes_before: str | None, **weather: str) -> None:
    """Ask for the hot-work permit of the newest plan; refused with every reason.

    Example: swardwright permit green --signed-by 'A. Keeper' --temperature '14 C' --humidity '75 %' --wind '2 m/s'
    """
    from swardwright.running import QUESTIONS
    from swardwright.shell.rounds import permit_site

    given = {}
    known = {key for key, _, _ in QUESTIONS}
    for word in answers:
        key, sign, value = word.partition("=")
        if not sign or key not in known:
            raise InputError("an answer needs a question's key", field="--answer", value=word,
                             limit=f"KEY=yes|no with KEY one of {', '.join(sorted(known))}",
                             remedy="leave it out and be asked")  # fmt: skip
        given[key] = value
    observed = _weather(**weather)
    codes = _codes(codes_before)
    for key, text, _ in QUESTIONS:
        if key not in given:
            click.echo(text, err=True)
            given[key] = click.prompt("  yes or no", type=click.Choice(["yes", "no"]), err=True)
    with_site(
        site,
        lambda at: permit_site(at, signed_by=signed_by, weather=observed, codes_before=codes, answers=given),
    )


def _weather(temperature: str, humidity: str, wind: str, rain: str) -> Callable[[float], Weather]:
    from swardwright.domain.permit import Weather
    from swardwright.domain.units import parse_quantity

    values = []
    pairs = {"temperature": temperature, "fraction": humidity, "speed": wind, "length": rain}
    for option, (dimension, text) in zip(("temperature", "humidity", "wind", "rain"), pairs.items(), strict=True):
        try:
            values.append(parse_quantity(text, dimension))
        except InputError as error:
            raise InputError(error.what, where="permit", field=f"--{option}", value=error.value, limit=error.limit,
                             remedy=error.remedy) from error  # fmt: skip
    return lambda at_s: Weather(at_s, *values)


def _codes(text: str | None) -> tuple[float, float, float] | None:
    if text is None:
        return None
    try:
        ffmc, dmc, dc = (float(part) for part in text.split(","))
    except ValueError as error:
        raise InputError("three numbers are needed", field="--codes-before", value=text, limit="FFMC,DMC,DC",
                         remedy="write yesterday's codes with commas between") from error  # fmt: skip
    return ffmc, dmc, dc


@main.command(epilog=" ".join(CAUTIONS))
@site_argument
@click.option("--close", is_flag=True, help="End an interrupted round as it stands; no robot is called.")
@json_option
def run(site: Path, close: bool) -> None:
    """Run the newest plan under its permit, or go on where an interruption left it.

    The robot's factory, named in site.toml, is loaded and run: name only a module that you trust. Every heat is in the
    journal as an intent before and as a result after; one without a result is never repeated blindly.

    Example: swardwright run green
    """
    from swardwright.shell.rounds import run_site

    with_site(site, lambda at: run_site(at, show=show, close=close))


@main.command()
@site_argument
@json_option
def score(site: Path) -> None:
    """Say what the newest round achieved, from the look after it: kill rate with its interval, controls, new plants.

    Example: swardwright score green
    """
    from swardwright.shell.rounds import score_site

    with_site(site, score_site)


@main.command()
@site_argument
@click.option("--plan", "plan_id", default=None, help="Of an earlier round  [default: the newest]")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder  [default: the site's reports]")
@json_option
def report(site: Path, plan_id: str | None, out: Path | None) -> None:
    """Write the report of a round as far as it has come: one HTML page, GeoJSON and CSV.

    Example: swardwright report green
    """
    from swardwright.shell.rounds import report_site

    with_site(site, lambda at: report_site(at, out=out, plan_id=plan_id), write=False)


@main.command()
@site_argument
@json_option
def status(site: Path) -> None:
    """Say what stands, what is stale because something before it changed, and what to do next and why.

    Example: swardwright status green
    """
    from swardwright.shell.status import told

    with_site(site, lambda at: told(at.folder, at.status()), write=False)


@main.command()
@site_argument
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8080, show_default=True)
def serve(site: Path, host: str, port: int) -> None:
    """Show the site's page: status, map and register, on this machine.

    Example: swardwright serve green
    """
    from swardwright.shell.web.serve import serve as do

    do(site, host=host, port=port, say=click.echo)


@main.command()
@click.option("--seed", type=click.IntRange(0, 999_999), default=7, show_default=True, help="Of the invented site.")
@click.option(
    "--site",
    type=click.Path(path_type=Path),
    default=None,
    help="Where to put the site; a demo folder that is there is gone on with  [default: a temporary folder]",
)
@click.option("--stop-after", default=None, metavar="STEP", help="Stop after this step, such as take-in.")
@json_option
def demo(seed: int, site: Path | None, stop_after: str | None) -> None:
    """Do the whole job on the invented site: these commands in order, then a table in which every row is computed.

    Example: swardwright demo --seed 7 --site green
    """
    from swardwright.shell.demo import demonstrate

    say(demonstrate(seed=seed, folder=site, stop_after=stop_after))


if __name__ == "__main__":
    sys.exit(main())

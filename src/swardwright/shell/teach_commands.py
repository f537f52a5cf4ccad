"""The commands ``teach site``, ``teach coco`` and ``teach rendered``."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swardwright.domain.errors import InputError
from swardwright.shell.commanding import EXISTING, Commands, json_option, say, site_argument

if TYPE_CHECKING:
    from swardwright.learning import ModelCard, TeachSettings

VARIETIES = ("plain", "wide")
#: with neither named; a limit named alone is the only one (``UNLIMITED`` steps are more than any time allows)
STEPS, MINUTES, UNLIMITED = 5000, 8.0, 1_000_000


def _told(phase: str, step: int, steps: int, figures: dict[str, float]) -> None:
    if phase == "check" or step % 50 == 0:
        shown = "  ".join(f"{name} {value:.4g}" for name, value in figures.items())
        of = "" if steps == UNLIMITED else f"/{steps}"
        click.echo(f"{phase:>8} {step:>6}{of}  {shown}", err=True)


@click.group("teach", cls=Commands)
def teach_group() -> None:
    """Teach a detector of weeds from pictures (needs the extra [learning]).

    A run that is interrupted goes on from where it was when the same command is given again.
    """


def _options(*extra: Callable[..., Any]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return a decorator that adds the options of every way of teaching, after those given."""
    options = [
        *extra,
        click.option("--minutes", type=float, default=None,
                     help=f"Time limit of the teaching steps  [default: {MINUTES:g}, without --steps]"),
        click.option("--steps", type=int, default=None,
                     help=f"Teaching steps at most  [default: {STEPS}, without --minutes]"),
        click.option("--seed", type=int, default=0, show_default=True, help="Seed of every random choice."),
        click.option("--miss-price", type=float, default=None,
                     help="Your price of a missed plant; with no price at all the threshold gives the best F1."),
        click.option("--false-alarm-price", type=float, default=None,
                     help="Your price of a false alarm (scorched turf, time, gas), in the same money."),
        click.option("--network", type=click.Choice(["small", "pretrained"]), default="small", show_default=True,
                     help="Plain convolutions, quick on a robot; or a larger one that has seen everyday photographs."),
        click.option("--scale", type=float, default=None,
                     help="Shrink pictures by this first; not given: so that 95 % of plants have at most 64 px."),
        click.option("--batch", type=int, default=8, show_default=True,
                     help="Crops per step; taken in parts where memory is short."),
        click.option("--crop-px", type=int, default=256, show_default=True, help="Side of a crop, a multiple of 32."),
        click.option("--device", default="auto", show_default=True,
                     help="'cpu', 'cuda' or 'cuda:1'; 'auto' takes a CUDA device if there is one."),
        json_option,
    ]  # fmt: skip

    def add(command: Callable[..., None]) -> Callable[..., None]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


OUT = click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True,
                   help="The .onnx file to write; its card (.json) and weights (.pt) go beside it.")  # fmt: skip
SMALLEST = click.option("--min-radius-px", type=float, default=3.0, show_default=True,
                        help="Smaller labels are passed over.")  # fmt: skip


def _start_option(default: str) -> Callable[..., Any]:
    return click.option("--start", default=None,
                        help="Weights to teach on from: 'shipped' (with this program; taught on invented ground of many"
                        f" sorts), 'none', or the .pt file of an earlier run  [default: {default}]")  # fmt: skip


START = _start_option("shipped for fewer than 20 labelled pictures, or where these weights, as they are, find what is"
                      " labelled with F1 0.5; else, and with --network pretrained, none")  # fmt: skip
FOLDS = click.option("--folds", type=int, default=1, show_default=True,
                     help="2 and more: judge every place by a run without it, then teach on all of them.")  # fmt: skip
PASTE = click.option("--paste", type=float, default=0.0, show_default=True,
                     help="Share of crops that get labelled plants of other pictures pasted in.")  # fmt: skip


def _settings(options: dict[str, Any], **more: Any) -> TeachSettings:
    """Return the settings of a command's options; without a price the threshold balances."""
    from swardwright.learning import TeachSettings

    if options["steps"] is None and options["minutes"] is None:
        options["minutes"] = MINUTES
        options["steps"] = STEPS
    elif options["steps"] is None:
        options["steps"] = UNLIMITED
    prices = {name: options.pop(name) for name in ("miss_price", "false_alarm_price")}
    given = {name: price for name, price in prices.items() if price is not None}
    by = "cost" if given else "balance"
    return TeachSettings(**options, **given, threshold_by=by, **more)


def _say(card: ModelCard, out: Path, *more: str) -> None:
    from swardwright.shell.saying import Said
    from swardwright.shell.teaching import summary

    say(Said((*summary(card, out).splitlines(), *more), {"detector": str(out), "card": asdict(card)}))


@teach_group.command("site")
@site_argument
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), default=None,
              help="The .onnx file to write  [default: models/own.onnx in the site folder]")  # fmt: skip
@click.option("--version", type=int, default=None, help="Labels as of this version  [default: the newest]")
@click.option("--places", type=click.Choice(["auto", "recording", "block"]), default="auto", show_default=True,
              help="What counts as one place: whole places are held out.")  # fmt: skip
@_options(SMALLEST, START, FOLDS, PASTE)
def teach_site(
    site: Path, out: Path | None, version: int | None, places: str, min_radius_px: float, start: str | None,
    **options: Any,
) -> None:  # fmt: skip
    """Teach from the labels in the SITE's database.

    Whole places are held out: they choose when to stop, calibrate the probabilities and set the threshold.

    Example: swardwright teach site green --minutes 8
    """
    from swardwright.shell.open_site import opened
    from swardwright.shell.teaching import teach_from_site

    settings = _settings(options)
    with opened(site) as at:
        path = at.folder / "models" / "own.onnx" if out is None else out
        card = teach_from_site(at, path, settings, version=version, places=places, min_radius_px=min_radius_px,
                               start=start, progress=_told)  # fmt: skip
        inside = path.resolve().is_relative_to(at.folder.resolve())
        name = path.resolve().relative_to(at.folder.resolve()) if inside else path
    use = (
        f'  to use it        model = "{name}" under [detector] in site.toml' if inside else "  to use it        copy it"
    )
    _say(card, path, use if inside else f"{use} and its card into the site folder, and name it in site.toml")


@teach_group.command("coco")
@click.argument("labels", type=EXISTING)
@click.argument("pictures", type=EXISTING)
@OUT
@click.option("--exclude", multiple=True, help="Picture to leave out (repeat); '@file' reads one name per line.")
@click.option("--places", type=click.Choice(["auto", "folder", "block", "picture"]), default="auto", show_default=True,
              help="What counts as one place: whole places are held out.")  # fmt: skip
@click.option("--metres-per-px", type=float, default=None, help="Ground covered by one pixel, if all pictures agree.")
@_options(SMALLEST, START, FOLDS, PASTE)
def teach_coco(
    labels: Path, pictures: Path, out: Path, exclude: tuple[str, ...], places: str, metres_per_px: float | None,
    min_radius_px: float, start: str | None, **options: Any,
) -> None:  # fmt: skip
    """Teach from COCO JSON LABELS and the folder of PICTURES that they name.

    Example: swardwright teach coco labels.json photos --out mine.onnx
    """
    if metres_per_px is not None and not (math.isfinite(metres_per_px) and 0 < metres_per_px < 1):
        raise InputError("the ground sampling distance is out of range", field="metres-per-px", value=metres_per_px,
                         limit="0 to 1 m")  # fmt: skip
    from swardwright.shell.teach_samples import names_given
    from swardwright.shell.teaching import teach_from_coco

    settings = _settings(options)
    card = teach_from_coco(
        labels, pictures, out, settings, exclude=names_given(exclude), grouping=places, min_radius_px=min_radius_px,
        metres_per_px=metres_per_px, start=start, progress=_told,
    )  # fmt: skip
    _say(card, out)


@teach_group.command("rendered")
@OUT
@click.option(
    "--scenes", type=click.IntRange(2, 5000), default=60, show_default=True, help="Pieces of ground taught on."
)
@click.option("--held-out", type=click.IntRange(1, 1000), default=12, show_default=True, help="Pieces held out.")
@click.option("--views", type=click.IntRange(1, 100), default=6, show_default=True, help="Pictures of each piece.")
@click.option(
    "--variety",
    type=click.Choice(VARIETIES),
    default="wide",
    show_default=True,
    help="Ground, plants, light and cameras of many sorts; or mown turf with five kinds of plants only.",
)
@click.option("--processes", type=click.IntRange(1, 256), default=2, show_default=True, help="Worker processes.")
@click.option("--in-memory/--compressed", default=False, help="Keep pictures uncompressed (3.7 MB each).")
@_options(_start_option("none"))
def teach_rendered(
    out: Path, scenes: int, held_out: int, views: int, variety: str, processes: int, in_memory: bool,
    start: str | None, **options: Any,
) -> None:  # fmt: skip
    """Teach from rendered scenes of invented ground: how the detector that comes with the package was made.

    Example: swardwright teach rendered --out turf.onnx --scenes 60 --minutes 30
    """
    import cv2

    from swardwright.shell.teaching import FIRST_SEED, rendered_pictures, teach_from_scenes

    settings = _settings(options, workers=processes if processes > 2 else 0, patience=1000,
                         evaluate_every=max(250, (options["steps"] or 0) // 16))  # fmt: skip
    cv2.setNumThreads(1)  # what prepares crops is forked: no thread pool may stand behind it
    first = FIRST_SEED + 100_000 * settings.seed
    taught_seeds = list(range(first, first + scenes))
    held_seeds = list(range(first + 50_000, first + 50_000 + held_out))
    click.echo(f"rendering {scenes + held_out} pieces of invented ground", err=True)
    card = teach_from_scenes(
        list(rendered_pictures(taught_seeds, views, processes, variety)),
        list(rendered_pictures(held_seeds, views, processes, variety)),
        out, settings, in_memory=in_memory, start=start, progress=_told,
        data={"scene_seeds_taught": [taught_seeds[0], taught_seeds[-1]],
              "scene_seeds_held_out": [held_seeds[0], held_seeds[-1]], "views_per_scene": views, "variety": variety},
        about="rendered pictures of invented ground: " + ("many sorts of ground, plants, light and cameras; five kinds"
        " by name, all others as 'other'" if variety == "wide" else "mown turf with five kinds of plants"),
    )  # fmt: skip
    _say(card, out)

"""The command ``trust``: what a detector will miss and wrongly burn, and whether that is good enough for fire."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from swardwright.domain.errors import InputError
from swardwright.domain.units import parse_quantity
from swardwright.shell.commanding import EXISTING, json_option, say, show
from swardwright.shell.saying import Progress, Said, plain, progress_by_phase

if TYPE_CHECKING:
    from swardwright.learning import Sample
    from swardwright.learning.cost_curve import Prices
    from swardwright.learning.detector import Detector

#: a hit lies within this distance of the crown where no head says otherwise
WITHIN_M = 0.03


@dataclasses.dataclass(frozen=True)
class Options:
    """What a person asks of a judgement; see the command's help."""

    detector: Path | None = None
    pictures: Path | None = None
    exclude: tuple[str, ...] = ()
    places: str = "auto"
    min_radius_px: float = 3.0
    metres_per_px: float | None = None
    within: str | None = None
    spare: tuple[str, ...] = ()
    any_kind: bool = False
    miss_price: float | None = None
    burn_price: float | None = None
    found_least: float = 0.8
    right_least: float = 0.9
    taught_too: bool = False
    adopt: bool = False
    out: Path | None = None
    minutes: float | None = None
    runs: tuple[Path, ...] = ()
    seed: int = 0


@click.command("trust")
@click.argument("source", type=EXISTING)
@click.argument("pictures", type=EXISTING, required=False)
@click.option("--detector", type=EXISTING, help="The .onnx file to judge  [default: the site's, or the package's]")
@click.option("--exclude", multiple=True, help="Picture to leave out (repeat); '@file' reads one name per line.")
@click.option("--places", type=click.Choice(["auto", "folder", "block", "picture"]), default="auto", show_default=True,
              help="What is one place (in a site a recording, or with block its neighbours in time).")  # fmt: skip
@click.option("--min-radius-px", type=click.FloatRange(0.0, 1000.0), default=3.0, show_default=True,
              help="Smaller labels are passed over.")  # fmt: skip
@click.option(
    "--metres-per-px", type=float, help="Ground covered by one pixel, where pictures have no poses and all agree."
)
@click.option(
    "--within", help="How near to a crown is a hit  [default: the head's footprint sigma; 3 cm without a site]"
)
@click.option("--spare", multiple=True, help="A kind to spare, without a site (repeat).")
@click.option("--any-kind", is_flag=True, help="Every label is a plant to treat, whatever it is called.")
@click.option("--miss-price", type=click.FloatRange(0.0, 1e6), help="Of a missed plant, without a site.")
@click.option("--burn-price", type=click.FloatRange(0.0, 1e6), help="Of a wrong burn, without a site.")
@click.option("--found-least", type=click.FloatRange(0.0, 1.0), default=0.8, show_default=True,
              help="Share of the plants to treat that must be burnt to be good enough.")  # fmt: skip
@click.option("--right-least", type=click.FloatRange(0.0, 1.0), default=0.9, show_default=True,
              help="Share of the burns that must be right.")  # fmt: skip
@click.option("--taught-too", is_flag=True, help="Judge on pictures it was taught on too: flattering, said loudly.")
@click.option("--adopt", is_flag=True, help="Take the threshold, calibration and rates found here: a new card.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False),
              help="Folder for figure, sheet and figures as JSON  [default: the site's reports folder]")  # fmt: skip
@click.option("--more-labels", "minutes", type=click.FloatRange(0.1, 10_000.0), metavar="MINUTES",
              help="Teach three times so long in all, to say what more labels would bring.")  # fmt: skip
@click.option("--runs", type=EXISTING, multiple=True, help="Card of an earlier run for that instead (repeat, 3+).")
@click.option("--seed", type=click.IntRange(0, 2**31), default=0, show_default=True, help="Of the intervals' draws.")
@json_option
def trust(source: Path, **asked: Any) -> None:
    """Say what a detector will miss and wrongly burn, on labelled pictures that it was not taught on.

    SOURCE is a site folder with labels, or a COCO JSON file together with the folder of PICTURES that it names.

    Example, a site: swardwright trust green

    Example, COCO: swardwright trust labels.json photos --detector mine.onnx --metres-per-px 0.0005 --out trusted
    """
    options = Options(**asked)
    if source.is_dir():
        if options.pictures is not None:
            raise InputError("a folder of pictures goes with a COCO file, not with a site", where="trust",
                             value=str(options.pictures), remedy="leave it out")  # fmt: skip
        say(trust_site(source, options))
        return
    say(trust_coco(source, options))


def trust_site(folder: Path, options: Options) -> Said:
    """Judge a site's detector (or another) on the site's labels."""
    from swardwright.learning import load_detector
    from swardwright.shell.open_site import opened
    from swardwright.shell.status import detector_path
    from swardwright.shell.teach_samples import samples_of_site
    from swardwright.shell.trust_prices import site_prices

    given = [n for n, v in (("--spare", options.spare), ("--miss-price", options.miss_price),
                            ("--burn-price", options.burn_price), ("--exclude", options.exclude)) if v]  # fmt: skip
    if given:
        raise InputError("a site states its kinds and prices in site.toml", where="trust", field=given[0],
                         remedy="change site.toml, or leave the option out")  # fmt: skip
    if options.places in ("folder", "picture"):
        raise InputError("in a site a recording is a place, or a block of neighbours", where="trust",
                         field="--places", value=options.places, limit="auto or block",
                         remedy="leave it out")  # fmt: skip
    places = "block" if options.places == "block" else "recording"
    with opened(folder) as at:
        model = options.detector or detector_path(at.folder, at.site)
        detector = load_detector(model)
        prices = site_prices(at.site, detector.card.kinds)
        scale = _scale(options)
        samples = [
            s if s.metres_per_px is not None else dataclasses.replace(s, metres_per_px=scale)
            for s in samples_of_site(at, places=places, min_radius_px=options.min_radius_px)
        ]
        within_m = _within(options, at.site.rig.head.footprint_sigma_m)
        return _judged(samples, detector, model, prices, within_m, options, at.site.name, folder)


def trust_coco(labels: Path, options: Options) -> Said:
    """Judge a detector on a COCO file and its pictures."""
    from swardwright.labels import read_coco
    from swardwright.learning import load_detector, shipped_detector
    from swardwright.shell.teach_samples import names_given, samples_from_labels
    from swardwright.shell.trust_prices import plain_prices

    if options.pictures is None:
        raise InputError("a COCO file needs the folder of its pictures", where="trust", field="PICTURES",
                         remedy=f"swardwright trust {labels} FOLDER")  # fmt: skip
    if options.adopt and options.out is None:
        raise InputError("the judged detector needs a folder to go to", where="trust", field="--out",
                         remedy="name one with --out")  # fmt: skip
    scale = _scale(options)
    model = options.detector or shipped_detector()
    detector = load_detector(model)
    prices = plain_prices(detector.card, options.spare, options.miss_price, options.burn_price)
    samples = samples_from_labels(
        read_coco(labels), options.pictures, exclude=names_given(options.exclude), grouping=options.places,
        min_radius_px=options.min_radius_px, metres_per_px=scale,
    )  # fmt: skip
    return _judged(samples, detector, model, prices, _within(options, WITHIN_M), options, labels.name, None)


def _within(options: Options, usual_m: float) -> float:
    within_m = usual_m if options.within is None else parse_quantity(options.within, "length")
    if not 1e-3 <= within_m <= 1.0:
        raise InputError("a hit lies within a distance that matters to the head", field="--within", value=within_m,
                         limit="1 mm to 1 m")  # fmt: skip
    return within_m


def _scale(options: Options) -> float | None:
    scale = options.metres_per_px
    if scale is not None and not 0 < scale < 1:
        raise InputError("the ground sampling distance is out of range", field="--metres-per-px", value=scale,
                         limit="more than 0, less than 1 m")  # fmt: skip
    return scale


def _judged(
    samples: Sequence[Sample],
    detector: Detector,
    model: Path,
    prices: Prices,
    within_m: float,
    options: Options,
    name: str,
    site: Path | None,
) -> Said:
    from swardwright.learning import TeachSettings
    from swardwright.learning.judged import judge, stated_probability
    from swardwright.learning.optimism import counts_by_picture, optimism
    from swardwright.learning.trust import trust_of
    from swardwright.learning.trust_parts import worst
    from swardwright.shell import trust_words as words
    from swardwright.shell.place_check import FOLDER
    from swardwright.shell.trust_card import adopt, judged_card, write_judged
    from swardwright.shell.trust_figure import learning_figure, trust_figure
    from swardwright.shell.trust_sheet import mistake_sheet

    card = detector.card
    all_samples = samples
    cache = (site or model.parent) / FOLDER
    samples, known, loud = not_taught(samples, detector, options.taught_too, cache)
    settings = TeachSettings(match_m=within_m)
    judged = judge(detector, samples, settings, compare_kinds=not options.any_kind, progress=Progress("judging"))
    found = trust_of(judged, card, prices, seed=options.seed)
    verdict = words.judged_verdict(found, words.Demands(options.found_least, options.right_least),
                                   adopted=options.adopt)  # fmt: skip
    told_within = (
        f"{100 * within_m:.2g} cm" if found.per_m2
        else f"{settings.match_radii:g} radii (at least {settings.match_min_px:g} px; the ground is not known)"
    )  # fmt: skip
    lines = [*loud, *words.sentences(found, prices, told_within)]
    gap = None
    if any(s.labels for s in known) and any(s.labels for s in samples):
        there = judge(detector, known, settings, compare_kinds=not options.any_kind, progress=Progress("judging"))
        at = card.temperature, card.bias, card.threshold
        gap = optimism(counts_by_picture(there, *at), counts_by_picture(judged, *at), seed=options.seed)
        lines.append(words.optimism_told(gap))
    data: dict[str, Any] = {
        "source": name, "detector": card.name, "onnx_sha256": card.onnx_sha256, "within_m": within_m,
        "warnings": list(loud), "optimism": None if gap is None else dataclasses.asdict(gap), **words.as_data(found),
        "verdict": verdict.word, "reasons": list(verdict.reasons), "next": list(verdict.next),
    }  # fmt: skip
    curve = None
    if options.minutes is not None or options.runs:
        from swardwright.shell import trust_more as more

        curve = (
            more.curve_of_cards(options.runs) if options.runs
            else more.curve_of_runs(all_samples, settings, options.minutes or 1.0, seed=options.seed,
                                    progress=show)
        )  # fmt: skip
        lines += more.told(curve)
        data["learning_curve"] = more.as_data(curve)
    lines += words.told_verdict(verdict)
    if options.adopt and found.curve.chosen == 0:
        lines.append(
            "Nothing was adopted: in your prices burning nothing costs least, so there is no threshold to take."
        )
    elif options.adopt:
        new = judged_card(card, found, samples, f"judged on {name}: {verdict.word}")
        if site is not None:
            lines += adopt(site, model, new)
        elif options.out is not None:
            path = options.out / f"{model.stem}-judged.onnx"
            write_judged(model, new, path)
            lines.append(f"The detector with its new card was written to {path}.")
    out = options.out or (None if site is None else site / "reports")
    if out is None:
        lines.append("Figure and sheet of mistakes are drawn where --out names a folder.")
    else:
        title = f"{name}, detector {card.name}: {verdict.word}" + (" for fire" if "good" in verdict.word else "")
        made = [out / n for n in ("trust.png", "trust-mistakes.png", "trust.json")]
        try:
            trust_figure(made[0], title, found)
            wrong = worst(judged, stated_probability(judged, card.temperature, card.bias), card.threshold, prices)
            mistake_sheet(made[1], f"{name}: worst misses (dashed) and wrong burns at threshold {card.threshold:.2f}",
                          judged, samples, wrong)  # fmt: skip
            if curve is not None:
                made.append(out / "trust-more-labels.png")
                learning_figure(made[-1], curve)
            made[2].write_text(json.dumps(plain(data), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        except OSError as error:
            raise InputError(f"the report cannot be written ({error.strerror})", where=str(out),
                             remedy="name a folder that you may write to with --out") from error  # fmt: skip
        lines.append(f"Drawn: {', '.join(str(p) for p in made)}.")
        data["files"] = [str(p) for p in made]
    return Said(tuple(lines), data)


def not_taught(
    samples: Sequence[Sample], detector: Detector, taught_too: bool, cache: Path | None = None
) -> tuple[list[Sample], list[Sample], list[str]]:
    """Return the samples on ground the detector was not taught on, those on taught ground, and what to say loudly.

    Raises
    ------
    InputError
        If none of the first is labelled.
    """
    from swardwright.labels.splits import named
    from swardwright.learning.taught import already_seen, notes_pictures
    from swardwright.shell.place_check import taught_ground

    card = detector.card
    taught, held = already_seen(card, samples)
    loud = []
    kept, known = list(samples), []
    if taught and taught_too:
        loud.append(f"CAUTION: {len(taught)} of these pictures were taught on: all figures are flattering.")
    elif taught:
        seen = set(taught)
        kept = [s for s in samples if s.name not in seen]
        loud.append(f"CAUTION: {len(taught)} of {len(samples)} pictures were taught on and are left out.")
        pairs = taught_ground([s for s in samples if s.name in seen], kept, cache=cache,
                              progress=progress_by_phase())  # fmt: skip
        if pairs:
            names = {n for p in pairs for n in (p.first, p.second)}
            known, kept = [s for s in kept if s.name in names], [s for s in kept if s.name not in names]
            loud.append(f"CAUTION: {len(known)} more show ground that was taught and are left out: {named(pairs)}.")
        if not any(s.labels for s in kept):
            raise InputError("the detector was taught on every labelled picture here, or on its ground",
                             where=card.name,
                             value=f"{len(taught)} of {len(samples)} taught, {len(known)} of the same ground",
                             remedy="label places that it has not seen, or teach with some left out")  # fmt: skip
    if held := [n for n in held if taught_too or n not in {s.name for s in known}]:
        loud.append(f"CAUTION: {len(held)} of these pictures chose the threshold or calibration: slightly flattering.")
    if not notes_pictures(card):
        loud.append("CAUTION: the detector's card does not say which pictures it was taught on; judge only on others.")
    return kept, known, loud

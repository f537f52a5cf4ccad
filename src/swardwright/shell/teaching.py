"""The command ``teach``: a detector from rendered scenes of invented ground, or from pictures with COCO labels.

Scenes are drawn from seeds of 1,000,000 and above, which no demo, test or benchmark uses.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.labels import LabelSet, picture_path, read_coco
from swardwright.learning import ModelCard, Sample, TeachSettings, teach

#: seeds of teaching scenes start here; everything below is for demo, tests and benchmarks
FIRST_SEED = 1_000_000
RENDERED_CAUTIONS = (
    "It has seen invented, rendered ground only and no real turf: on real grass expect far less. Teach it on pictures"
    " of your own ground and judge it there before any heat."
)
Image = NDArray[np.uint8]


@dataclasses.dataclass(frozen=True)
class RenderedPicture:
    """One rendered picture: JPEG bytes, truth labels, scene it belongs to and ground sampling distance."""

    name: str
    scene: str
    jpeg: bytes
    labels: tuple[Label, ...]
    metres_per_px: float


def render_scene(seed: int, views: int) -> list[RenderedPicture]:
    """Render one small piece of invented ground from ``views`` random cameras and lights.

    Grounds vary in look, light, built things and in the plants' number and state; some plants are burnt and dead
    (no label), some are half brown and alive (labelled).

    Parameters
    ----------
    seed : int
        ``FIRST_SEED`` or above.
    """
    import cv2

    from swardwright.domain.camera import Camera
    from swardwright.domain.poses import Pose
    from swardwright.simulation.ground import Light, Scorch, labels_in_view, render_ground, render_view
    from swardwright.simulation.plants import stand_of_plants
    from swardwright.simulation.scenes import FIRST_TEACHING_SEED, aged
    from swardwright.simulation.turf import TurfLook

    if seed < FIRST_TEACHING_SEED:
        raise InputError("teaching scenes use other seeds than demo and tests", field="seed", value=seed,
                         limit=f"{FIRST_TEACHING_SEED} or more")  # fmt: skip
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, 101])
    size = (4.2, 3.6)
    mix = tuple(float(v) for v in rng.dirichlet(np.full(5, 2.0)))
    stages = tuple(float(v) for v in rng.dirichlet(np.full(3, 3.0)))
    count = int(rng.integers(6, 75))
    plants = stand_of_plants(rng, size, count, mix=mix, stages=stages, clusters=rng.uniform(0, 0.8))  # type: ignore[arg-type]
    treated = rng.uniform(0, 0.7) if rng.random() < 0.6 else 0.0
    scorches = []
    standing = []
    for plant in plants:
        if rng.random() < treated:
            age_days = float(rng.uniform(0, 20))
            scorches.append(Scorch(plant.x_m, plant.y_m, float(rng.uniform(0.002, 0.014)), 0.03, age_days))
            plant = aged(plant, rng)
        standing.append(plant)
    for _ in range(rng.poisson(1.5)):
        scorches.append(
            Scorch(
                float(rng.uniform(0, size[0])),
                float(rng.uniform(0, size[1])),
                float(rng.uniform(0.002, 0.012)),
                0.03,
                float(rng.uniform(0, 20)),
            )
        )
    features: list[tuple[str, tuple[tuple[float, float], ...]]] = []
    if rng.random() < 0.3:
        name = str(rng.choice(["pavilion", "hedge", "lid"]))
        x, y = (0.0, float(rng.choice([-0.5, 3.3])))
        wide = (size[0], 0.8) if name != "lid" else (0.3, 0.3)
        x, y = (x, y) if name != "lid" else tuple(float(v) for v in rng.uniform((0.5, 0.5), (3.5, 3.0)))
        features.append((name, ((x, y), (x + wide[0], y), (x + wide[0], y + wide[1]), (x, y + wide[1]))))
        standing = [
            p for p in standing
            if not (x - 0.08 < p.x_m < x + wide[0] + 0.08 and y - 0.08 < p.y_m < y + wide[1] + 0.08)
        ]  # fmt: skip
    ground = render_ground(
        rng, size, (0.5, 0.5), standing, look=TurfLook.draw(rng), features=features, scorches=scorches
    )
    pictures = []
    for view in range(views):
        focal = float(rng.uniform(800, 1000))
        bend = rng.uniform(-0.16, 0.02)
        # 0.45 k1^2 < k2 keeps the lens model one-to-one, so that nothing far outside folds into the picture
        lens = np.array([bend, 0.45 * bend**2 + rng.uniform(0.005, 0.03), *rng.normal(0, 5e-4, 2), 0.0])
        camera = Camera(1280, 960, focal, focal * float(rng.normal(1, 0.002)), 639.5 + float(rng.normal(0, 8)),
                        479.5 + float(rng.normal(0, 8)), lens, np.zeros((4, 4)))  # fmt: skip
        height = float(rng.uniform(0.7, 1.4))
        tilt = rng.normal(0, 0.04, 2)
        place = rng.uniform((0.4, 0.4), (size[0] - 0.4, size[1] - 0.4))
        pose = Pose.from_rpy(
            "ground", "camera", (*place, height), (math.pi + tilt[0], tilt[1], rng.uniform(-math.pi, math.pi))
        )
        light = Light.draw(rng, spread=1.8)
        picture = render_view(ground, camera, pose, rng, light)
        name = f"scene-{seed}-{view}"
        labels = tuple(
            Label(name, seen.u_px, seen.v_px, seen.radius_px, seen.kind)
            for seen in labels_in_view(standing, camera, pose)
        )
        quality = int(rng.integers(80, 97))
        done, jpeg = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
        if not done:
            raise InputError("a rendered picture could not be compressed", where=name)
        pictures.append(RenderedPicture(name, f"scene-{seed}", jpeg.tobytes(), labels, height / focal))
    return pictures


def rendered_pictures(seeds: Sequence[int], views: int, processes: int) -> Iterator[RenderedPicture]:
    """Render scenes in worker processes, in the order of their seeds."""
    work = functools.partial(render_scene, views=views)
    if processes <= 1:
        for seed in seeds:
            yield from work(seed)
        return
    with ProcessPoolExecutor(processes) as pool:
        for pictures in pool.map(work, seeds):
            yield from pictures


def decoded(data: bytes, name: str) -> Image:
    """Return the RGB picture of compressed bytes."""
    import cv2

    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if image is None:
        raise InputError("the picture cannot be read", where=name, remedy="save it again as JPEG or PNG")
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB), np.uint8)


def teach_from_scenes(
    taught: Iterable[RenderedPicture],
    held: Iterable[RenderedPicture],
    out: Path,
    settings: TeachSettings,
    *,
    data: dict[str, Any],
    in_memory: bool = False,
    progress: Callable[[str, int, int, dict[str, float]], None] | None = None,
) -> ModelCard:
    """Teach a detector from rendered pictures; ``in_memory`` keeps them uncompressed (3.7 MB each)."""

    def samples(pictures: Iterable[RenderedPicture]) -> list[Sample]:
        made = []
        for p in pictures:
            image = decoded(p.jpeg, p.name) if in_memory else None
            load = functools.partial(decoded, p.jpeg, p.name) if image is None else functools.partial(_same, image)
            made.append(Sample(p.name, load, p.labels, p.scene, metres_per_px=p.metres_per_px))
        return made

    return teach(
        samples(taught), out, settings, held_out=samples(held), name=out.stem, data={"invented": True, **data},
        about="rendered pictures of invented turf with five kinds of plants", cautions=RENDERED_CAUTIONS,
        progress=progress,
    )  # fmt: skip


def _same(image: Image) -> Image:
    return image


def samples_from_labels(
    labels: LabelSet,
    root: Path,
    *,
    exclude: frozenset[str] = frozenset(),
    grouping: str = "auto",
    min_radius_px: float = 3.0,
    metres_per_px: float | None = None,
) -> list[Sample]:
    """Turn labelled pictures into samples, grouped by place.

    Parameters
    ----------
    exclude : frozenset[str]
        Pictures to leave out: file names, with or without folder and ending.
    grouping : str
        ``folder``: a folder is a place. ``block``: neighbours in the order of names are (about eight blocks).
        ``picture``: each picture is. ``auto``: by folder where there are four or more, else by block.
    min_radius_px : float
        Smaller labels count neither as plants nor as bare ground.

    Raises
    ------
    InputError
        If an excluded name is not there, a picture is missing, or has another size than the labels state.
    """
    kept = []
    unused = set(exclude)
    for picture in sorted(labels.pictures, key=lambda p: p.file_name):
        name = Path(picture.file_name)
        ways = {picture.file_name, name.name, name.stem}
        unused -= ways
        if not ways & exclude:
            kept.append(picture)
    if unused:
        raise InputError("a picture to leave out is not among the labels", field="exclude",
                         value=", ".join(sorted(unused)), remedy="correct the name")  # fmt: skip
    folders = {str(Path(p.file_name).parent) for p in kept}
    if grouping == "auto":
        grouping = "folder" if len(folders) >= 4 else "block"
    block = max(1, math.ceil(len(kept) / 8))
    samples = []
    for number, picture in enumerate(kept):
        path = picture_path(root, picture.file_name)
        group = {"folder": str(Path(picture.file_name).parent), "picture": picture.file_name}.get(
            grouping, f"block {number // block + 1}"
        )
        small = tuple(lb for lb in picture.labels if lb.radius_px < min_radius_px)
        samples.append(
            Sample(
                picture.file_name, functools.partial(_picture_of_size, path, picture.width_px, picture.height_px),
                tuple(lb for lb in picture.labels if lb.radius_px >= min_radius_px), group,
                (*picture.ignored, *small), metres_per_px,
            )
        )  # fmt: skip
    return samples


def _picture_of_size(path: Path, width: int, height: int) -> Image:
    image = decoded(path.read_bytes(), path.name)
    if image.shape[:2] != (height, width):
        raise InputError("the picture has another size than its labels", where=path.name,
                         value=f"{image.shape[1]} x {image.shape[0]} px", limit=f"{width} x {height} px",
                         remedy="label the pictures as they are, or resize both")  # fmt: skip
    return image


def teach_from_coco(
    coco_json: Path,
    image_root: Path,
    out: Path,
    settings: TeachSettings,
    *,
    exclude: frozenset[str] = frozenset(),
    grouping: str = "auto",
    min_radius_px: float = 3.0,
    metres_per_px: float | None = None,
    start: Path | None = None,
    progress: Callable[[str, int, int, dict[str, float]], None] | None = None,
) -> ModelCard:
    """Teach a detector from a COCO file and its pictures; see ``samples_from_labels`` for the options."""
    samples = samples_from_labels(
        read_coco(coco_json), image_root, exclude=exclude, grouping=grouping, min_radius_px=min_radius_px,
        metres_per_px=metres_per_px,
    )  # fmt: skip
    return teach(
        samples, out, settings, name=out.stem, about=f"pictures labelled in {coco_json.name}",
        data={"left_out": sorted(exclude), "grouping": grouping}, start=start, progress=progress,
    )  # fmt: skip


def summary(card: ModelCard, out: Path) -> str:
    """Return what a person needs to know about a taught detector, in a few lines."""
    s = card.scores
    alarms = (
        f"{card.false_alarms_m2:.3g} per m2" if card.false_alarms_m2_known
        else f"{card.false_alarms_per_picture:.3g} per picture"
    )  # fmt: skip
    return "\n".join([
        f"Detector written to {out} with its card {out.with_suffix('.json').name}",
        f"  kinds            {', '.join(card.kinds)}",
        f"  hold-out         {card.data['pictures_held_out']} pictures of other places, {int(s['plants'])} plants",
        f"  finds            {100 * s['recall']:.1f} % of the plants"
        f" (95 %: {100 * s['recall_low95']:.1f} to {100 * s['recall_high95']:.1f})",
        f"  false alarms     {alarms}; {100 * s['precision']:.1f} % of what it reports are plants",
        f"  kind right       {100 * s['kind_accuracy']:.1f} %",
        f"  crown error      {card.crown_sd_px:.1f} px per axis",
        f"  pictures         shrunk to {card.scale:.2f} of their size before the network sees them"
        if card.scale < 1.0 else "  pictures         seen at their full size",
        f"  threshold        {card.threshold:.2f} (least expected cost in your prices)",
        f"  taught           {card.training['steps']} steps, {card.training['seconds']:.0f} s on"
        f" {card.training['machine']}; ended: {card.training['ended']}",
        f"  caution          {card.cautions}",
    ])  # fmt: skip


def _told(phase: str, step: int, steps: int, figures: dict[str, float]) -> None:
    if phase == "check" or step % 50 == 0:
        shown = "  ".join(f"{name} {value:.4g}" for name, value in figures.items())
        click.echo(f"{phase:>6} {step:>6}/{steps}  {shown}", err=True)


@click.group("teach")
def teach_group() -> None:
    """Teach a detector of weeds from pictures (needs the extra [learning])."""


def _common(command: Callable[..., None]) -> Callable[..., None]:
    options = [
        click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True,
                     help="The .onnx file to write; its card (.json) and weights (.pt) go beside it."),
        click.option("--minutes", type=float, default=8.0, show_default=True, help="Time limit of the teaching steps."),
        click.option("--steps", type=int, default=2000, show_default=True, help="Teaching steps at most."),
        click.option("--seed", type=int, default=0, show_default=True, help="Seed of every random choice."),
        click.option("--miss-price", type=float, default=1.0, show_default=True, help="Your price of a missed plant."),
        click.option("--false-alarm-price", type=float, default=1.0, show_default=True,
                     help="Your price of a false alarm (scorched turf, time, gas)."),
        click.option("--network", type=click.Choice(["small", "pretrained"]), default="small", show_default=True,
                     help="Plain convolutions, quick on a robot; or a larger one that has seen everyday photographs."),
        click.option("--scale", type=float, default=None,
                     help="Shrink pictures by this first; not given: so that most plants are 20 px in radius."),
    ]  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@teach_group.command("coco")
@click.argument("labels", type=click.Path(path_type=Path))
@click.argument("pictures", type=click.Path(path_type=Path))
@click.option("--exclude", multiple=True, help="Picture to leave out (repeat); '@file' reads one name per line.")
@click.option("--places", type=click.Choice(["auto", "folder", "block", "picture"]), default="auto", show_default=True,
              help="What counts as one place: whole places are held out.")  # fmt: skip
@click.option("--min-radius-px", type=float, default=3.0, show_default=True, help="Smaller labels are passed over.")
@click.option("--metres-per-px", type=float, default=None, help="Ground covered by one pixel, if all pictures agree.")
@click.option("--start", type=click.Path(path_type=Path), default=None, help="Weights (.pt) of an earlier run.")
@_common
def teach_coco(
    labels: Path,
    pictures: Path,
    exclude: tuple[str, ...],
    places: str,
    min_radius_px: float,
    metres_per_px: float | None,
    start: Path | None,
    out: Path,
    minutes: float,
    steps: int,
    seed: int,
    miss_price: float,
    false_alarm_price: float,
    network: str,
    scale: float | None,
) -> None:
    """Teach from COCO JSON LABELS and the folder of PICTURES that they name."""
    if metres_per_px is not None and not (math.isfinite(metres_per_px) and 0 < metres_per_px < 1):
        raise InputError("the ground sampling distance is out of range", field="metres-per-px", value=metres_per_px,
                         limit="0 to 1 m")  # fmt: skip
    settings = TeachSettings(seed=seed, steps=steps, minutes=minutes, miss_price=miss_price,
                             false_alarm_price=false_alarm_price, network=network, scale=scale)  # fmt: skip
    card = teach_from_coco(
        labels, pictures, out, settings, exclude=_names(exclude), grouping=places, min_radius_px=min_radius_px,
        metres_per_px=metres_per_px, start=start, progress=_told,
    )  # fmt: skip
    click.echo(summary(card, out))


@teach_group.command("rendered")
@click.option(
    "--scenes", type=click.IntRange(2, 5000), default=60, show_default=True, help="Pieces of ground taught on."
)
@click.option("--held-out", type=click.IntRange(1, 1000), default=12, show_default=True, help="Pieces held out.")
@click.option("--views", type=click.IntRange(1, 100), default=6, show_default=True, help="Pictures of each piece.")
@click.option("--processes", type=click.IntRange(1, 256), default=2, show_default=True, help="Worker processes.")
@click.option("--batch", type=int, default=8, show_default=True, help="Crops per step.")
@click.option("--crop-px", type=int, default=256, show_default=True, help="Side of a crop.")
@click.option("--in-memory/--compressed", default=False, help="Keep pictures uncompressed (3.7 MB each).")
@_common
def teach_rendered(
    scenes: int,
    held_out: int,
    views: int,
    processes: int,
    batch: int,
    crop_px: int,
    in_memory: bool,
    out: Path,
    minutes: float,
    steps: int,
    seed: int,
    miss_price: float,
    false_alarm_price: float,
    network: str,
    scale: float | None,
) -> None:
    """Teach from rendered scenes of invented ground: how the detector that comes with the package was made."""
    settings = TeachSettings(
        seed=seed, steps=steps, minutes=minutes, batch=batch, crop_px=crop_px, miss_price=miss_price,
        false_alarm_price=false_alarm_price, network=network, scale=scale, workers=processes if processes > 2 else 0,
        patience=1000, evaluate_every=max(250, steps // 16),
    )  # fmt: skip
    import cv2

    cv2.setNumThreads(1)  # worker processes are forked: no thread pool may stand behind them
    first = FIRST_SEED + 100_000 * seed
    taught_seeds = list(range(first, first + scenes))
    held_seeds = list(range(first + 50_000, first + 50_000 + held_out))
    click.echo(f"rendering {scenes + held_out} pieces of invented ground", err=True)
    card = teach_from_scenes(
        list(rendered_pictures(taught_seeds, views, processes)),
        list(rendered_pictures(held_seeds, views, processes)),
        out, settings, in_memory=in_memory, progress=_told,
        data={"scene_seeds_taught": [taught_seeds[0], taught_seeds[-1]],
              "scene_seeds_held_out": [held_seeds[0], held_seeds[-1]], "views_per_scene": views},
    )  # fmt: skip
    click.echo(summary(card, out))


def _names(values: Sequence[str]) -> frozenset[str]:
    """Return names given singly or, after '@', in a file with one name per line."""
    names: set[str] = set()
    for value in values:
        if not value.startswith("@"):
            names.add(value)
            continue
        path = Path(value[1:])
        if not path.is_file() or path.stat().st_size > 10_000_000:
            raise InputError("the list of names is not a readable file", field="exclude", value=value,
                             remedy="name a text file with one picture per line")  # fmt: skip
        names |= {line.strip() for line in path.read_text(encoding="utf-8").splitlines() if line.strip()}
    return frozenset(names)

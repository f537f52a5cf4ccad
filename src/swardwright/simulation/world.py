"""The invented site on disk: parameters, what has happened so far, and the truth file that nobody reads back.

``simulation/world.json`` (seed and parameters) with ``simulation/state.json`` (clock, calls, heat received) give back
everything; ``simulation/truth.json`` is written for the truth columns of reports only.
"""

from __future__ import annotations

import json
import math
import os
import tomllib
import zlib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError, SiteError
from swardwright.domain.heat_given import crown_points_m
from swardwright.domain.pattern import CROWN_SHARE
from swardwright.domain.poses import Array
from swardwright.domain.site import Polygon, Site
from swardwright.domain.units import parse_quantity
from swardwright.simulation.plants import STAGES, Plant, stand_of_plants
from swardwright.simulation.scenes import FIRST_TEACHING_SEED
from swardwright.simulation.turf import TurfLook

#: 2026-05-12 07:00:00 UTC
START_S = 1_778_569_200.0
DAY_S = 86_400.0
MAX_JSON_BYTES = 20_000_000
#: heat more than this long ago belongs to another round: what survived it has grown a new tolerance
_ROUND_S = 5 * DAY_S
#: share of top-killed taproots that sprout again, and after how many days (invented)
_SPROUT_SHARE, _SPROUT_DAYS = 0.8, (18.0, 35.0)
#: growing points of a plant: its centre and 24 round it
GROWING_POINTS = 25
#: seedlings that come up on the whole green, per day (invented)
EMERGING_PER_DAY = 0.35


@dataclass(frozen=True)
class World:
    """Everything that was decided when the site was invented."""

    seed: int
    size_m: tuple[float, float]
    margin_m: tuple[float, float]
    resolution_m: float
    count: int
    look: TurfLook
    features: tuple[tuple[str, Polygon], ...]

    def plants(self) -> list[Plant]:
        """Return the plants that stood there at the start."""
        rng = np.random.default_rng([self.seed, 1])
        return stand_of_plants(rng, self.size_m, self.count, closed=self.closed)

    def closed(self, x_m: float, y_m: float) -> bool:
        """Say whether a point lies in (or within 8 cm of the bounding box of) a built thing: no plant stands there."""
        for _, corners in self.features:
            xs, ys = [c[0] for c in corners], [c[1] for c in corners]
            if min(xs) - 0.08 <= x_m <= max(xs) + 0.08 and min(ys) - 0.08 <= y_m <= max(ys) + 0.08:
                return True
        return False


@dataclass
class Fate:
    """Heat that one plant received and what came of it.

    Attributes
    ----------
    dose_kg_m2 : float
        On the least heated growing point, summed over one round.
    points_kg_m2 : list[float]
        On each growing point (``growing_points_m``), summed over the same round.
    heated_s, died_s, sprout_s : float | None
        Clock times: last heat, death of the top, sprouting from the root.
    life : int
        Counts the tolerances drawn so far.
    """

    dose_kg_m2: float = 0.0
    heated_s: float | None = None
    died_s: float | None = None
    sprout_s: float | None = None
    life: int = 0
    points_kg_m2: list[float] = field(default_factory=list)

    def alive(self, clock_s: float) -> bool:
        """Say whether the plant's top is alive."""
        return self.died_s is None or (self.sprout_s is not None and clock_s >= self.sprout_s)

    def take(self, doses_kg_m2: Array) -> None:
        """Add heat on each growing point, shape (25,)."""
        had = np.array(self.points_kg_m2) if self.points_kg_m2 else np.full(len(doses_kg_m2), self.dose_kg_m2)
        self.points_kg_m2 = (had + doses_kg_m2).tolist()
        self.dose_kg_m2 = min(self.points_kg_m2)


@dataclass
class State:
    """What has happened so far. ``error`` is belief minus truth of the base (m, m, rad)."""

    clock_s: float = START_S
    calls: int = 0
    base: tuple[float, float, float] = (0.0, 0.0, 0.0)
    error: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tilt_rad: tuple[float, float] = (0.0, 0.0)
    height_m: float = 0.0
    joints_rad: tuple[float, ...] = ()
    joint_error_rad: tuple[float, ...] = ()
    lit: bool = False
    gas_kg: float = 0.0
    battery: float = 1.0
    fates: dict[str, Fate] = field(default_factory=dict)
    heats: list[tuple[float, float, float, float]] = field(default_factory=list)  # x_m, y_m, peak kg/m2, clock s
    emerged: list[tuple[Plant, float]] = field(default_factory=list)  # plant, clock s

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> State:
        """Return the state of plain values."""
        data = dict(data)
        for name in ("base", "error", "tilt_rad", "joints_rad", "joint_error_rad"):
            data[name] = tuple(data[name])
        data["fates"] = {name: Fate(**fate) for name, fate in data["fates"].items()}
        data["heats"] = [tuple(heat) for heat in data["heats"]]
        data["emerged"] = [(Plant(**plant), at) for plant, at in data["emerged"]]
        return cls(**data)


def write_json(path: Path, data: Any) -> None:
    """Write JSON so that a reader sees the old file or the new one, never half of it."""
    write_bytes(path, (json.dumps(data, indent=1, allow_nan=False) + "\n").encode())


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file under a temporary name and move it into place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    os.replace(part, path)


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON object of bounded size.

    Raises
    ------
    SiteError
        If it is missing, too large or not a JSON object.
    """
    remedy = "make the invented site anew (swardwright demo)"
    try:
        if path.stat().st_size > MAX_JSON_BYTES:
            raise SiteError("the file is too large", where=str(path), limit=f"{MAX_JSON_BYTES} bytes", remedy=remedy)
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise SiteError("the simulated site has no such file", where=str(path), remedy=remedy) from None
    except (ValueError, OSError) as error:
        raise SiteError(f"the file is not readable JSON: {error}", where=str(path), remedy=remedy) from error
    if not isinstance(data, dict):
        raise SiteError("the file must hold one JSON object", where=str(path), remedy=remedy)
    return data


def new_world(seed: int) -> World:
    """Return the world of one seed: look and plants differ, the green and what is built around it do not."""
    if isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed < FIRST_TEACHING_SEED:
        raise InputError("a seed is a whole number; large ones are kept for teaching the detector", field="seed",
                         value=seed, limit=f"0 to {FIRST_TEACHING_SEED - 1}", remedy="choose another seed")  # fmt: skip
    look = TurfLook.draw(np.random.default_rng([seed, 0]), spread=0.5)
    return World(seed, (12.0, 8.0), (1.25, 1.0), 0.0015, 120, look, _built_things())


def _built_things() -> tuple[tuple[str, Polygon], ...]:
    """Return names and corners of what the shipped site file keeps the flame away from."""
    table = tomllib.loads((files("swardwright.simulation") / "assets" / "site.toml").read_text(encoding="utf-8"))
    return tuple(
        (str(thing["name"]), tuple(_corner(text) for text in thing["corners"])) for thing in table.get("keep_outs", [])
    )


def _corner(text: str) -> tuple[float, float]:
    x, y = text.split(",")
    return parse_quantity(x, "length"), parse_quantity(y, "length")


def world_to_json(world: World) -> dict[str, Any]:
    """Return plain values, marked as invented."""
    return {"invented": True, "format": 1, **asdict(world)}


def world_from_json(data: dict[str, Any], where: str) -> World:
    """Return the world of plain values.

    Raises
    ------
    SiteError
        If a value is missing or of another type.
    """
    try:
        look = dict(data["look"])
        look["tint"] = tuple(float(v) for v in look["tint"])
        features = tuple(
            (str(name), tuple((float(x), float(y)) for x, y in corners)) for name, corners in data["features"]
        )
        east, north = (float(v) for v in data["size_m"])
        wide, high = (float(v) for v in data["margin_m"])
        return World(int(data["seed"]), (east, north), (wide, high), float(data["resolution_m"]),
                     min(int(data["count"]), 5000), TurfLook(**look), features)  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise SiteError(f"the simulated world's parameters are wrong: {error}", where=where,
                        remedy="make the invented site anew (swardwright demo)") from error  # fmt: skip


def write_scenario(folder: Path, seed: int) -> None:
    """Write the invented site into a folder: site file, robot description, camera file, world and truth."""
    world = new_world(seed)
    assets = files("swardwright.simulation") / "assets"
    for name in ("site.toml", "robot.urdf", "camera.yaml"):
        write_bytes(folder / name, (assets / name).read_bytes())
    inside = folder / "simulation"
    (inside / "state.json").unlink(missing_ok=True)
    write_json(inside / "world.json", world_to_json(world))
    write_truth(inside / "truth.json", ((p, p) for p in world.plants()), START_S)


def write_truth(path: Path, plants: Iterable[tuple[Plant, Plant]], clock_s: float) -> None:
    """Write where every plant stands and whether it is alive: ``(as it first stood, as it is now)`` of each."""
    rows = [
        {"id": now.id, "x_m": now.x_m, "y_m": now.y_m, "radius_m": now.radius_m, "kind": now.kind, "alive": now.alive}
        for _, now in plants
    ]
    write_json(path, {"invented": True, "clock_s": clock_s, "plants": rows})


# --- what becomes of plants ---------------------------------------------------------------------------------------


def tolerance_kg_m2(world: World, site: Site, plant: Plant, life: int) -> float:
    """Return the dose above which this plant dies: a draw from its kind's log-logistic law.

    ``P(kill | D) = 1 / (1 + (D / ED50)^-slope)`` is the distribution function of the tolerance, so with ``u`` uniform
    the tolerance is ``ED50 (u / (1 - u))^(1 / slope)``.
    """
    kind = site.kind(plant.kind)
    if kind is None:
        return math.inf
    u = np.random.default_rng([world.seed, 31, zlib.crc32(plant.id.encode()), life]).uniform()
    return float(kind.ed50_kg_m2 * (u / (1.0 - u)) ** (1.0 / kind.slope))


def growing_points_m(plant: Plant) -> Array:
    """Return the growing points of a plant as it is now, shape (25, 2), ground axes, m.

    Its centre and a rim at ``CROWN_SHARE`` of its radius. That a plant lives on as long as one of them does is
    invented; it is what the plan believes of plants.
    """
    return np.array([plant.x_m, plant.y_m]) + crown_points_m(CROWN_SHARE * plant.radius_m, GROWING_POINTS - 1)


def receive(
    world: World, site: Site, plant: Plant, fate: Fate, doses_kg_m2: Array | float, clock_s: float
) -> None:  # fmt: skip
    """Add heat to a plant's account and let it die if its tolerance is passed (changes ``fate``).

    ``doses_kg_m2``: on each of its growing points, shape (25,), or the same on all. The plant dies when the least
    heated of them has had more than its tolerance, from all heat of the round together.
    """
    doses = np.broadcast_to(np.asarray(doses_kg_m2, dtype=float), (GROWING_POINTS,))
    if not fate.alive(clock_s):
        fate.take(doses)
        return
    sprouted = fate.died_s is not None
    if sprouted or (fate.heated_s is not None and clock_s - fate.heated_s > _ROUND_S):
        fate.dose_kg_m2, fate.points_kg_m2, fate.died_s, fate.life = 0.0, [], None, fate.life + 1
    fate.take(doses)
    fate.heated_s = clock_s
    if fate.dose_kg_m2 > tolerance_kg_m2(world, site, plant, fate.life):
        fate.died_s, fate.sprout_s = clock_s, None
        kind = site.kind(plant.kind)
        rng = np.random.default_rng([world.seed, 37, zlib.crc32(plant.id.encode()), fate.life])
        if kind is not None and kind.taproot and rng.uniform() < _SPROUT_SHARE:
            fate.sprout_s = clock_s + DAY_S * float(rng.uniform(*_SPROUT_DAYS))


def as_it_is(site: Site, plant: Plant, fate: Fate | None, born_s: float, clock_s: float) -> Plant:
    """Return the plant as it looks now. Whole days count: nothing changes its look within the day of its heat.

    Dead plants turn brown within two days and are gone after 17; survivors are singed and smaller, and recover.
    """
    days = math.floor((clock_s - born_s) / DAY_S)
    largest = STAGES[plant.kind][2][1]
    grown = replace(plant, radius_m=min(plant.radius_m * (1 + 0.006 * days), max(largest, plant.radius_m)))
    if fate is None or fate.heated_s is None:
        return grown
    if fate.died_s is not None and fate.sprout_s is not None and clock_s >= fate.sprout_s:
        size = min(0.9, 0.4 + 0.025 * math.floor((clock_s - fate.sprout_s) / DAY_S))
        return replace(grown, radius_m=grown.radius_m * size, stage=max(plant.stage - 1, 0))
    since = math.floor((clock_s - fate.heated_s) / DAY_S)
    if fate.died_s is not None:
        since = math.floor((clock_s - fate.died_s) / DAY_S)
        brown = (0.0, 0.6)[since] if since < 2 else 1.0
        return replace(grown, alive=False, brown=brown, cover=max(0.0, 1.0 - since / 17.0))
    kind = site.kind(plant.kind)
    if since < 1 or kind is None:
        return grown
    strength = min(1.0, fate.dose_kg_m2 / kind.ed50_kg_m2)
    singed = strength * math.exp(-since / 8.0)
    return replace(grown, brown=0.6 * singed, radius_m=grown.radius_m * (1 - 0.35 * strength * math.exp(-since / 20.0)))


def emerge(world: World, standing: Iterable[Plant], days: float, number: int, rng: np.random.Generator) -> list[Plant]:
    """Return seedlings that came up in ``days``; ``number`` is the count of those that came up before."""
    count = int(rng.poisson(EMERGING_PER_DAY * max(days, 0.0)))
    if count == 0:
        return []
    new = stand_of_plants(rng, world.size_m, count, stages=(1.0, 0.0, 0.0), clusters=0.0, closed=world.closed,
                          standing=tuple(standing))  # fmt: skip
    return [replace(p, id=f"e{number + i:03d}") for i, p in enumerate(new)]

"""Looks at one place on the ground, each with every error in it and with whom that error is shared.

Base axes of the present stop (or of the first survey picture) serve as ground axes: x forward, y left. Errors come from
``locate_counted``, so that the budget can never know other sources than the sightings do; only their keys are renamed,
so that looks share what really is shared: a picture, a stop (in a survey: one pass of a lane), the plant, the site.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame
from swardwright.domain.poses import Array, BasePose, frozen
from swardwright.domain.site import Rig
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.locating import locate_counted, picture_outline
from swardwright.locating.chain import meet_ground, stations

#: share of ground that successive pictures of a survey have in common (the default of taking in)
OVERLAP = 0.6
#: headings of further stops from which the same plant is looked at: back, left, right, the same again
HEADINGS_RAD = (math.pi, math.pi / 2.0, -math.pi / 2.0, 0.0)
#: the errors of one look
Errors = tuple[SharedError, ...]
#: key of the present stop
NOW = "stop-1"


@dataclass(frozen=True, eq=False)
class Seen:
    """Looks at places.

    Attributes
    ----------
    what : str
        ``"survey"``: crown in ground axes from survey pictures; ``"stop"``: crown relative to the base from looks at a
        stop; ``"landing"``: where heat lands, relative to the crown.
    looks : float
        Number of looks at each place; infinite: what no number of looks removes.
    places_m : Array
        Shape (k, 2), base axes.
    views : tuple[tuple[Errors, ...], ...]
        For each place the errors of each of its looks.
    """

    what: str
    looks: float
    places_m: Array
    views: tuple[tuple[Errors, ...], ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "places_m", frozen(self.places_m))


def check_places(places_m: Array, field: str = "at") -> Array:
    """Return places as (k, 2), or raise ``InputError``."""
    places = np.asarray(places_m, dtype=float)
    places = places[None] if places.ndim == 1 else places
    if places.ndim != 2 or places.shape[1:] != (2,) or len(places) == 0 or not np.isfinite(places).all():
        raise InputError("a place on the ground needs two finite numbers, x and y in base axes", field=field,
                         value=np.asarray(places_m).tolist(), limit="text such as '0.7 m, 0.1 m'",
                         remedy="write x forward and y left of the base, with units")  # fmt: skip
    return places


def check_looks(looks: float) -> float:
    """Return a number of looks (infinite: the floor), or raise ``InputError``."""
    if not (looks >= 1 and (math.isinf(looks) or looks == int(looks))):
        raise InputError("the number of looks must be a whole number from 1", field="looks", value=looks,
                         remedy="write 1 or more")  # fmt: skip
    return looks


def errors_at(rig: Rig, frames: Sequence[Frame], places_m: Array) -> list[Errors | None]:
    """Return the errors of a look at each place (k, 2), ground axes, in its own picture (k, or one for all).

    None where the picture does not show the place.
    """
    index = np.zeros(len(places_m), dtype=np.int64) if len(frames) == 1 else np.arange(len(places_m))
    pixels, shown = _shown(rig, frames, index, places_m)
    out: list[Errors | None] = [None] * len(places_m)
    rows = {f"{i}": int(i) for i in np.flatnonzero(shown)}
    found = [Detection(n, frames[index[i]].id, float(pixels[i, 0]), float(pixels[i, 1]), 0.0, 1.0, (("", 1.0),))
             for n, i in rows.items()]  # fmt: skip
    try:
        sightings = locate_counted(frames, found, rig).sightings
    except InputError:  # every ray too flat or too far
        return out
    for sighting in sightings:
        i = rows[sighting.id]
        if np.linalg.norm(sighting.mean_m - places_m[i]) < 1e-4:  # else the lens folds back there
            out[i] = sighting.errors
    return out


def _shown(
    rig: Rig, frames: Sequence[Frame], index: NDArray[np.int64], places_m: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Return where places (n, 2) stand in their pictures (n, 2), px, and whether they stand in them at all."""
    place = stations(frames, rig)
    away = np.column_stack([places_m, np.zeros(len(places_m))]) - place.centre_m[index]
    pixels = rig.camera.project(np.einsum("nji,nj->ni", place.rotation[index], away))
    size = (rig.camera.width_px - 1, rig.camera.height_px - 1)
    with np.errstate(invalid="ignore"):
        shown: NDArray[np.bool_] = np.all((pixels >= 0) & (pixels <= size), axis=1)
    return pixels, shown


def _facing(frames: Sequence[Frame], places_m: Array, aims_m: Array, heading_rad: float) -> list[Frame]:
    """Return each picture from the base pose with that heading that has the place at its aim (base axes)."""
    c, s = math.cos(heading_rad), math.sin(heading_rad)
    origins = places_m - aims_m @ np.array([[c, s], [-s, c]])
    return [replace(frame, id=f"look-{i}", base=BasePose(float(x), float(y), heading_rad))
            for i, (frame, (x, y)) in enumerate(zip(frames, origins, strict=True))]  # fmt: skip


def survey_frame(rig: Rig, base_covariance: Array | None = None) -> Frame:
    """Return a picture of the survey posture with the base at the origin."""
    size = (rig.camera.width_px, rig.camera.height_px)
    return Frame("look", "", 0, "", size, BasePose(0.0, 0.0, 0.0), base_covariance, rig.survey_joints_rad)


def view_outline_m(rig: Rig, joints_rad: tuple[float, ...]) -> Array:
    """Return the outline (n, 2) of a picture on the ground, base axes, m, without the points that meet no ground."""
    frame = replace(survey_frame(rig), joints_rad=joints_rad)
    edge = picture_outline(rig)
    meeting = meet_ground(stations([frame], rig), np.zeros(len(edge), dtype=np.int64), edge, rig)
    outline: Array = meeting.point_m[[not reason for reason in meeting.reason]]
    if len(outline) < 3:
        raise InputError("the camera does not look at the ground in this posture", where="site.toml",
                         field="postures", value=[round(float(q), 3) for q in joints_rad],
                         remedy="choose postures in which the whole picture is ground")  # fmt: skip
    return outline


@dataclass(frozen=True, eq=False)
class SurveyViews:
    """What survey pictures show of places while the base passes, worked out once for any number of looks.

    Attributes
    ----------
    places_m : Array
        Shape (k, 2), ground axes; base axes of the first picture.
    passes : tuple
        For each place the errors of its pictures in a pass one way and in one the other way.
    """

    places_m: Array
    passes: tuple[tuple[tuple[Errors, ...], tuple[Errors, ...]], ...]

    def seen(self, looks: float = 1) -> Seen:
        """Return that many looks at each place; infinite: the floor."""
        check_looks(looks)
        return Seen("survey", looks, self.places_m, tuple(tuple(_survey_sequence(p, looks)) for p in self.passes))


def survey_views(rig: Rig, places_m: Array, base_covariance: Array | None = None) -> SurveyViews:
    """Return what survey pictures show of places.

    A pass shows a plant in successive pictures, at places of the picture ``1 - OVERLAP`` of its length apart; the next
    pass goes the other way. The base's error is shared by one pass, the joints', tilt's and ground's by one picture.

    Parameters
    ----------
    base_covariance : Array, optional
        Shape (3, 3): of base poses as recorded; None: of the start pose.

    Raises
    ------
    InputError
        If a place is not in the picture.
    """
    places = check_places(places_m)
    outline = view_outline_m(rig, rig.survey_joints_rad)
    steps = (1.0 - OVERLAP) * float(np.ptp(outline[:, 0])) * np.array([0, -1, 1, -2, 2])
    frames = [survey_frame(rig, base_covariance)] * len(places)
    table = [
        [errors_at(rig, _facing(frames, places, np.add(places, [step, 0.0]), heading), places) for step in steps]
        for heading in (0.0, math.pi)
    ]
    for k, place in enumerate(places):
        if table[0][0][k] is None:
            raise _unseen(place, outline, "the survey picture", "the picture")
    there, back = ([tuple(e for row in way if (e := row[k]) is not None) for k in range(len(places))] for way in table)
    return SurveyViews(frozen(places), tuple(zip(there, back, strict=True)))


def _survey_sequence(both: tuple[tuple[Errors, ...], tuple[Errors, ...]], looks: float) -> list[Errors]:
    passes = [p for p in both if p]
    if math.isinf(looks):
        return [_keyed(e, None, None) for p in passes for e in p]
    out: list[Errors] = []
    turn = 0
    while len(out) < looks:
        for e in passes[turn % len(passes)][: int(looks) - len(out)]:
            out.append(_keyed(e, f"look-{len(out) + 1}", f"pass-{turn + 1}"))
        turn += 1
    return out


def _keyed(errors: Errors, look: str | None, stop: str | None) -> Errors:
    """Rename the keys; None drops what one look (or stop) has to itself: it averages away over very many."""
    out = []
    for e in errors:
        scope = Scope.STOP if e.source == "base" else e.scope
        key = {Scope.PIXEL: look, Scope.FRAME: look, Scope.STOP: stop, Scope.PLANT: "plant", Scope.SITE: "site"}[scope]
        if key is not None:
            out.append(replace(e, scope=scope, key=key, gradient=None))
    return tuple(out)


@dataclass(frozen=True, eq=False)
class StopViews:
    """What the look postures show of places at a stop, worked out once for any number of looks.

    Attributes
    ----------
    places_m : Array
        Shape (k, 2), base axes.
    shown : tuple[tuple[Errors, ...], ...]
        For each place the errors of a look from each posture that shows it, the best first.
    frames : tuple[Frame, ...]
        The best posture's picture of each place.
    """

    rig: Rig
    places_m: Array
    shown: tuple[tuple[Errors, ...], ...]
    frames: tuple[Frame, ...]

    def seen(self, looks: float = 1) -> Seen:
        """Return that many looks at each place, crowns relative to the base; the postures take turns."""
        check_looks(looks)
        views = []
        for shown in self.shown:
            relative = [tuple(e for e in errors if e.source != "base") for errors in shown]
            if math.isinf(looks):
                views.append(tuple(_keyed(e, None, NOW) for e in relative))
            else:
                turns = range(int(looks))
                views.append(tuple(_keyed(relative[n % len(relative)], f"look-{n + 1}", NOW) for n in turns))
        return Seen("stop", looks, self.places_m, tuple(views))

    @functools.cached_property
    def _elsewhere(self) -> list[list[Errors | None]]:
        return [errors_at(self.rig, _facing(self.frames, self.places_m, self.places_m, heading), self.places_m)
                for heading in HEADINGS_RAD]  # fmt: skip

    def from_other_stops(self, looks: float) -> Seen:
        """Return one look from the present stop and the others from stops round the plant, relative to this base.

        Each stop has base, tilt and ground errors of its own, so how well the bases' poses are known matters too.
        """
        check_looks(looks)
        forever = math.isinf(looks)
        views = []
        for k, shown in enumerate(self.shown):
            base = [e for e in shown[0] if e.source == "base"]
            back = tuple(replace(e, scope=Scope.STOP, key=NOW, jacobian=-e.jacobian, gradient=None) for e in base)
            here = tuple(e for e in shown[0] if e.source != "base")
            row = [_keyed(here, None if forever else "look-1", NOW)]
            for n in range(len(HEADINGS_RAD) if forever else int(looks) - 1):
                own = (None, None) if forever else (f"look-{n + 2}", f"stop-{n + 2}")
                there = self._elsewhere[n % len(HEADINGS_RAD)][k]
                if there is not None:
                    row.append((*_keyed(there, *own), *back))
            views.append(tuple(row))
        return Seen("stop", looks, self.places_m, tuple(views))


def stop_views(rig: Rig, places_m: Array, base_covariance: Array | None = None) -> StopViews:
    """Return what the look postures show of places at a stop.

    Parameters
    ----------
    base_covariance : Array, optional
        Shape (3, 3): of base poses; it matters for looks from other stops only; None: of the start pose.

    Raises
    ------
    InputError
        If a place is in no picture.
    """
    places = check_places(places_m)
    postures = rig.look_joints_rad or (rig.survey_joints_rad,)
    upright = replace(survey_frame(rig, base_covariance), stop=NOW)
    table = [errors_at(rig, [replace(upright, joints_rad=q)], places) for q in postures]
    ranked, frames = [], []
    for k, place in enumerate(places):
        shown = [(_relative_trace(e), n, e) for n, row in enumerate(table) if (e := row[k]) is not None]
        if not shown:
            outline = np.concatenate([view_outline_m(rig, q) for q in postures])
            raise _unseen(place, outline, "any picture of the look postures", "a picture")
        shown.sort(key=lambda item: item[:2])
        ranked.append(tuple(e for _, _, e in shown))
        frames.append(replace(upright, joints_rad=postures[shown[0][1]]))
    return StopViews(rig, frozen(places), tuple(ranked), tuple(frames))


def _relative_trace(errors: Errors) -> float:
    return sum(float(np.trace(e.ground_covariance_m2)) for e in errors if e.source != "base")


def _unseen(place: Array, outline_m: Array, where: str, what: str) -> InputError:
    low, high = outline_m.min(axis=0), outline_m.max(axis=0)
    return InputError(
        f"the place is not in {where}", field="at", value=f"{place[0]:.2f} m, {place[1]:.2f} m",
        limit=f"x from {low[0]:.2f} to {high[0]:.2f} m and y from {low[1]:.2f} to {high[1]:.2f} m in base axes, "
        f"inside {what}",
        remedy="name a place that the camera sees, or add a look posture to site.toml that shows it",
    )  # fmt: skip


def places_in_view(rig: Rig, postures: Sequence[tuple[float, ...]], step_m: float) -> Array:
    """Return a grid of places (n, 2) that pictures from these postures show, base axes, ``step_m`` apart."""
    outline = np.concatenate([view_outline_m(rig, q) for q in postures])
    low, high = np.ceil(outline.min(axis=0) / step_m), np.floor(outline.max(axis=0) / step_m)
    axes = [step_m * np.arange(a, b + 1) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    seen = np.zeros(len(grid), dtype=bool)
    for q in postures:
        frame = replace(survey_frame(rig), joints_rad=q)
        seen |= _shown(rig, [frame], np.zeros(len(grid), dtype=np.int64), grid)[1]
    return grid[seen]

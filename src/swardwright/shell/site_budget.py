"""The error budget of a site: what its rig, its register and its base poses say together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from swardwright.domain.errors import InputError

if TYPE_CHECKING:
    from swardwright.domain.poses import Array
    from swardwright.domain.site import Kind, Site
    from swardwright.domain.weed import Register
    from swardwright.locating.budget import ErrorBudget, Part
    from swardwright.locating.fixing import Fix, Price
    from swardwright.locating.views import Seen
    from swardwright.shell.open_site import OpenSite

#: places that the means are taken over stand this far apart, m
GRID_M = 0.20
#: numbers of looks that are told
LOOKS = (1, 2, 3, 5, 10, math.inf)
#: more looks than this at one place are no plan
LOOKS_MAX = 50
#: who shares one draw of an error, in words
_SHARED_BY = {"pixel": "nobody", "frame": "a picture", "stop": "a stop", "plant": "a plant", "site": "the site"}


@dataclass(frozen=True)
class LooksRow:
    """What so many looks reach: from one stop, from as many stops, and in a survey; prices for the first two."""

    looks: float
    sigma_m: float
    price: Price
    other_sigma_m: float
    other_price: Price
    survey_sigma_m: float


@dataclass(frozen=True)
class RegisterRow:
    """The survey's budget beside the register: standard deviations per axis (m), median over the plants.

    ``learnt_m`` uses what the merger learnt of errors that the whole site shares; None where it learnt nothing.
    """

    looks: int
    predicted_m: float
    learnt_m: float | None
    register_m: float
    plants: int


@dataclass(frozen=True, eq=False)
class SiteBudget:
    """The error budget of a site.

    Attributes
    ----------
    survey, stop, landing : ErrorBudget
        See ``locating.budget.budget``; ``survey`` with as many looks as plants got, one without a register.
    now : Price
        Per weed at present.
    rows : tuple[LooksRow, ...]
    fixes, removals, actions : tuple[Fix, ...]
        Halving each source, the most gas saved first; removing it; other things to do.
    kinds : tuple[tuple[str, float], ...]
        Kinds that prices are over, and their share.
    notes : tuple[str, ...]
    at_m : tuple[float, float] | None
        The place asked for; None: means over the reach.
    """

    survey: ErrorBudget
    stop: ErrorBudget
    landing: ErrorBudget
    now: Price
    rows: tuple[LooksRow, ...]
    fixes: tuple[Fix, ...]
    removals: tuple[Fix, ...]
    actions: tuple[Fix, ...]
    kinds: tuple[tuple[str, float], ...]
    register: RegisterRow | None
    notes: tuple[str, ...]
    at_m: tuple[float, float] | None

    def steps(self) -> list[str]:
        """Return one sentence per thing to do, the most gas saved first, those that save nothing left out."""
        done = {"mount"} if any(fix.what == "board calibration" for fix in self.actions) else set()
        wanted = [fix for fix in (*self.fixes, *self.actions) if fix.what not in done]
        by_gas = sorted(wanted, key=lambda fix: -fix.saves_kg)
        return [fix.sentence for fix in by_gas if fix.saves_kg > 0.0]


def site_budget(site: Site, *, register: Register | None = None, base_covariance: Array | None = None,
                at_m: tuple[float, float] | None = None, looks: int = 1, kind: str | None = None,
                rows: bool = True) -> SiteBudget:  # fmt: skip
    """Return the error budget of a site.

    Parameters
    ----------
    register : Register, optional
        Weights the kinds, says how many looks the survey gave a plant, and is compared with what was to be expected.
    base_covariance : Array, optional
        Shape (3, 3): of base poses while surveying, base axes; None: of the start pose.
    at_m : tuple of float, optional
        A place in base axes; None: the mean over what the arm reaches and a look posture shows.
    kind : str, optional
        Price for this kind alone.
    rows : bool
        Also say what more looks reach.

    Raises
    ------
    InputError
        If the place is out of reach or of view, the kind is unknown, or every source is zero.
    """
    import numpy as np

    from swardwright.locating import budget as budgets
    from swardwright.locating import fixing
    from swardwright.locating.landing import landing_seen
    from swardwright.locating.views import stop_views, survey_views

    rig, limits = site.rig, site.limits
    if not 1 <= looks <= LOOKS_MAX:
        raise InputError("the number of looks is not possible", where="budget", field="--looks", value=looks,
                         limit=f"1 to {LOOKS_MAX}", remedy="write how many pictures show a plant")  # fmt: skip
    kinds = _kinds(site, register, kind)
    places, postures = _places(site, at_m)
    base = np.diag([rig.errors.start_m**2] * 2 + [rig.errors.start_rad**2]) if base_covariance is None else (
        base_covariance)  # fmt: skip
    notes = []
    if register is None and kind is None:
        notes.append("There is no register yet, so every kind to treat counts alike; locate the weeds, then ask again.")
    survey_places = _survey_places(site, at_m)
    if at_m is not None and len(survey_places) > 1:
        notes.append("The survey picture does not show that place; the survey's numbers are means over its picture.")
    count = _survey_looks(register)
    passing, parked = survey_views(rig, survey_places, base), stop_views(rig, places, base)
    surveyed = passing.seen(count)
    here = landing_seen(rig, parked.seen(looks), postures)
    now = budgets.split(here)
    fixes = fixing.source_fixes(here, rig.head, kinds, limits)
    total = sum(weight for _, weight in kinds)
    table = []
    for number in LOOKS if rows else ():
        ways = (parked.seen(number), parked.from_other_stops(number))
        own, other = (budgets.split(landing_seen(rig, seen, postures)) for seen in ways)
        costs = [fixing.price(b.covariance_m2, rig.head, kinds, limits) for b in (own, other)]
        survey_m = budgets.split(passing.seen(number)).sigma_m
        table.append(LooksRow(number, own.sigma_m, costs[0], other.sigma_m, costs[1], survey_m))
    price = fixing.price(now.covariance_m2, rig.head, kinds, limits)
    if price.reached < 1.0:
        notes.append(
            f"{100 * (1 - price.reached):.0f} % of the weeds do not get the wanted kill within the longest hold: "
            "for them prices are those of the longest hold, and a smaller error buys kill, not gas."
        )
    return SiteBudget(
        survey=budgets.split(surveyed), stop=budgets.split(parked.seen(looks)), landing=now, now=price,
        rows=tuple(table), fixes=tuple(f for f in fixes if f.step == "halve"),
        removals=tuple(f for f in fixes if f.step == "remove"),
        actions=tuple(fixing.actions(parked, postures, looks, base, surveyed, kinds, limits)),
        kinds=tuple((k.name, weight / total) for k, weight in kinds),
        register=_beside(register, surveyed, count), notes=tuple(notes), at_m=at_m,
    )  # fmt: skip


def _kinds(site: Site, register: Register | None, kind: str | None) -> list[tuple[Kind, float]]:
    """Return kinds to treat with their weights: expected numbers in the register, or 1 each."""
    if kind is not None:
        one = site.kind(kind)
        if one is None or not one.treat:
            raise InputError("the site treats no such kind", where="budget", field="--kind", value=kind,
                             limit=", ".join(k.name for k in site.kinds if k.treat) or "none is to be treated",
                             remedy="name one of these, or leave --kind out")  # fmt: skip
        return [(one, 1.0)]
    treat = [k for k in site.kinds if k.treat]
    weeds = register.weeds if register is not None else ()
    counts = [sum(w.presence * dict(w.kinds).get(k.name, 0.0) for w in weeds) for k in treat]
    return [(k, c) for k, c in zip(treat, counts if sum(counts) > 0.0 else [1.0] * len(treat), strict=True)]


def _places(site: Site, at_m: tuple[float, float] | None) -> tuple[Array, Array]:
    """Return places (k, 2), base axes, that are reached and seen at a stop, and the postures (k, dof) over them."""
    import numpy as np

    from swardwright.planning import posture_over
    from swardwright.planning.reach import check_rig
    from swardwright.planning.reach_map import CELL_M, reach_map
    from swardwright.planning.view import seen_at_stop

    rig = site.rig
    check_rig(rig)
    reach = reach_map(rig)
    if at_m is not None:
        if not all(math.isfinite(v) for v in at_m):
            raise InputError("a place on the ground needs two finite numbers", where="budget", field="--at", value=at_m,
                             limit="text such as '0.7 m, 0.1 m'", remedy="write x and y in base axes")  # fmt: skip
        posture = posture_over(rig, at_m, rig.look_joints_rad[0] if rig.look_joints_rad else rig.survey_joints_rad)
        if posture is None:
            raise InputError("the place is out of the arm's reach", where="budget", field="--at",
                             value=f"{at_m[0]:.2f} m, {at_m[1]:.2f} m",
                             limit=f"within {reach.radius_m:.2f} m of the base, and not under it",
                             remedy="name a place that the head can work on")  # fmt: skip
        return np.array([at_m]), np.array([posture])
    every = max(round(GRID_M / CELL_M), 1)
    i, j = np.nonzero(reach.sure)
    kept = (i % every == 0) & (j % every == 0)
    places = reach.first_m + CELL_M * np.column_stack([i, j])
    kept &= seen_at_stop(rig, places)
    if not kept.any():
        raise InputError("no place is both in the arm's reach and in a picture of a look posture", where="site.toml",
                         field="look_postures",
                         remedy="add a look posture that shows the ground on which the head can work")  # fmt: skip
    return places[kept], reach.joints_rad[i[kept], j[kept]]


def _survey_places(site: Site, at_m: tuple[float, float] | None) -> Array:
    import numpy as np

    from swardwright.locating.views import errors_at, places_in_view, survey_frame

    if at_m is not None and errors_at(site.rig, [survey_frame(site.rig)], np.array([at_m]))[0] is not None:
        return np.array([at_m])
    return places_in_view(site.rig, [site.rig.survey_joints_rad], GRID_M)


def _survey_looks(register: Register | None) -> int:
    """Return how many sightings the median plant of a register has; 1 without."""
    import numpy as np

    counts = [len(w.sightings) for w in register.weeds if w.sightings] if register is not None else []
    return max(1, round(float(np.median(counts)))) if counts else 1


def _beside(register: Register | None, surveyed: Seen, looks: int) -> RegisterRow | None:
    import numpy as np

    from swardwright.locating.budget import split
    from swardwright.locating.fixing import with_covariances

    if register is None or not register.weeds:
        return None
    sigma = float(np.median([math.sqrt(0.5 * float(np.trace(w.covariance_m2))) for w in register.weeds]))
    learnt = {e.source: e.covariance for e in register.site_errors if e.source != "drift"}
    known = split(with_covariances(surveyed, learnt)).sigma_m if learnt else None
    return RegisterRow(looks, split(surveyed).sigma_m, known, sigma, len(register.weeds))


def budget_of(opened: OpenSite, **how: Any) -> SiteBudget:
    """Return the budget of an open site, with its newest register and the base poses behind it; see ``site_budget``."""
    from swardwright.shell.reach_cache import recall_reach

    recall_reach(opened.folder, opened.site.rig)
    register = opened.register() if "register" not in how else how.pop("register")
    behind: Sequence[str] = ()
    if register is not None:
        behind = next((r.recordings for r in opened.store.revisions() if r.revision == register.revision), ())
    return site_budget(opened.site, register=register, base_covariance=_base_covariance(opened, behind), **how)


def _base_covariance(opened: OpenSite, recordings: Sequence[str]) -> Array | None:
    """Return the middle frame's (by size) covariance of the base pose (3, 3), base axes; None: no frames."""
    import numpy as np

    frames = [f for name in recordings for f in opened.frames(name) if f.base is not None]
    known = [(f.base.yaw_rad, f.base_covariance) for f in frames if f.base and f.base_covariance is not None]
    if not known:
        return None
    known.sort(key=lambda item: float(np.trace(item[1][:2, :2])))
    yaw, covariance = known[len(known) // 2]
    c, s = math.cos(yaw), math.sin(yaw)
    back = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    turned: Array = back @ covariance @ back.T
    return turned


def register_line(row: RegisterRow) -> str:
    """Return the survey's budget beside the register, in one sentence."""
    text = (
        f"The survey's {plural(row.looks, 'look')} by themselves should place a plant within "
        f"{1e3 * row.predicted_m:.1f} mm"
    )
    if row.learnt_m is not None:
        text += f" ({1e3 * row.learnt_m:.1f} mm with what all plants together taught of mount and joints)"
    return f"{text}; the register says {1e3 * row.register_m:.1f} mm (median of {row.plants})."


def shared_by(part: Part) -> str:
    """Return who shares one draw of an error, in words; the flame scatters anew in every hold."""
    return "a hold" if part.source == "landing" else _SHARED_BY[str(part.scope)]


def plural(count: int, one: str) -> str:
    """Return ``"1 look"`` or ``"2 looks"``."""
    return f"{count} {one}{'' if count == 1 else 's'}"


__all__ = ["LOOKS_MAX", "SiteBudget", "budget_of", "plural", "register_line", "shared_by", "site_budget"]

"""What the plan would gain from a better robot: the same round planned again with one thing changed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

from swardwright.domain.arm import Arm, Joint
from swardwright.domain.heat import Head
from swardwright.domain.plan import Hold, Plan
from swardwright.domain.site import Rig, Site
from swardwright.domain.weed import Register, Weed
from swardwright.planning.choose import expected_covariance_m2
from swardwright.planning.view import LOOK_ERRORS, after_look_covariance_m2, fresh_look_covariance_m2

#: width of the smaller head's footprint against the present one's
SMALLER = 0.7
#: speed of the faster arm and of the faster base against the present ones'
FASTER = 2.0


@dataclass(frozen=True, eq=False)
class Variant:
    """The site and the register with one thing changed.

    Attributes
    ----------
    key : str
        ``"place"``, ``"landing"``, ``"both"``, ``"head"``, ``"look"``, ``"arm"`` or ``"base"``.
    title : str
        In a few words.
    """

    key: str
    title: str
    site: Site
    register: Register


@dataclass(frozen=True)
class Figures:
    """What a plan comes to, or by how much one differs from another.

    Attributes
    ----------
    gas_kg : float
        To bring: burnt and purged.
    scorch_m2 : float
        Turf above its limit, all holds.
    time_s, energy_j : float
    stops, refused, weeds : float
        Numbers of stops, of refused plants, of weeds that are heated.
    kills : float
        Expected number of weeds killed.
    cost : float
        Gas, hours and scorched turf, less what missing the weeds killed would cost, at the user's prices.
    """

    gas_kg: float
    scorch_m2: float
    time_s: float
    energy_j: float
    stops: float
    refused: float
    weeds: float
    kills: float
    cost: float

    def __sub__(self, other: Figures) -> Figures:
        return Figures(*(getattr(self, f.name) - getattr(other, f.name) for f in fields(Figures)))


@dataclass(frozen=True, eq=False)
class Row:
    """One variant's plan beside the plan as it is.

    Attributes
    ----------
    figures : Figures
        Of its plan.
    more : Figures
        Its plan less the plan as it is: negative gas is gas saved.
    same_gas_kg, same_scorch_m2 : float
        Gas of the holds and turf scorched on the weeds that both plans heat, less that of the plan as it is.
    """

    variant: Variant
    figures: Figures
    more: Figures
    same_gas_kg: float
    same_scorch_m2: float


def variants(site: Site, register: Register) -> tuple[Variant, ...]:
    """Return what is tried, each with one thing changed and all else as it is."""
    rig = site.rig
    return (
        Variant("place", "half the place error", replace(site, rig=_surer(rig)), _halved(register)),
        Variant("landing", "half the landing error", replace(site, rig=_steadier(rig)), register),
        Variant("both", "half of both errors", replace(site, rig=_steadier(_surer(rig))), _halved(register)),
        Variant("look", "one more look per stop", *_looked(site, register)),
        Variant("head", f"head {SMALLER:g} times as wide", replace(site, rig=_smaller(rig)), register),
        Variant("arm", f"arm {FASTER:g} times as fast", replace(site, rig=_quicker(rig)), register),
        Variant("base", f"base {FASTER:g} times as fast", replace(site, rig=_swifter(rig)), register),
    )


def sensitivity(
    plan: Plan, register: Register, site: Site, *, seed: int, at_s: float | None = None, found: float | None = None
) -> Iterator[Row]:  # fmt: skip
    """Yield each variant's row, a whole plan each, with the seed and the controls of the plan as it is.

    Parameters
    ----------
    plan : Plan
        The plan as it is: of ``plan_round`` with the same register, site, seed and moment, and not cut.
    """
    now = figures(plan, register, site)
    for variant in variants(site, register):
        yield compare(variant, plan, now, seed=seed, at_s=at_s, found=found)


def compare(
    variant: Variant, plan: Plan, now: Figures, *, seed: int, at_s: float | None = None, found: float | None = None
) -> Row:
    """Return one variant's row beside the plan as it is, whose figures are ``now``; see ``sensitivity``."""
    from swardwright.planning import plan_round

    other = plan_round(
        variant.register, variant.site, plan_id=plan.id, seed=seed, at_s=at_s, controls=plan.controls, found=found
    )  # fmt: skip
    after = figures(other, variant.register, variant.site)
    before, then = _holds(plan), _holds(other)
    both = before.keys() & then.keys()
    gas = sum(then[weed].gas_kg - before[weed].gas_kg for weed in both)
    scorch = sum(then[weed].scorch_m2 - before[weed].scorch_m2 for weed in both)
    return Row(variant, after, after - now, gas, scorch)


def figures(plan: Plan, register: Register, site: Site) -> Figures:
    """Return what a plan comes to."""
    supplies, holds = plan.supplies, _holds(plan)
    prices = {kind.name: kind.miss_price for kind in site.kinds if kind.treat}
    kind_of = {weed.id: weed.kind for weed in register.weeds}
    worth = sum(hold.kill * prices.get(kind_of[weed], 0.0) for weed, hold in holds.items())
    scorch_m2 = sum(hold.scorch_m2 for hold in holds.values())
    gas_kg = supplies.gas_kg + site.limits.turf_worth_kg_m2 * scorch_m2
    cost = gas_kg * site.rig.gas.price + supplies.time_s / 3600.0 * site.limits.hour_price
    return Figures(
        gas_kg=supplies.gas_kg, scorch_m2=scorch_m2, time_s=supplies.time_s,
        energy_j=supplies.energy_j, stops=len(plan.stops), refused=len(plan.refused), weeds=len(holds),
        kills=sum(hold.kill for hold in holds.values()), cost=cost - worth,
    )  # fmt: skip


def _holds(plan: Plan) -> dict[str, Hold]:
    return {hold.weed_id: hold for stop in plan.stops for hold in stop.holds}


def _halved(register: Register) -> Register:
    """Return the register with half the standard deviation of every place."""

    def half(weed: Weed) -> Weed:
        return replace(
            weed, covariance_m2=0.25 * weed.covariance_m2,
            shared_m=None if weed.shared_m is None else 0.5 * weed.shared_m,
            crown_m2=None if weed.crown_m2 is None else 0.25 * weed.crown_m2,
        )  # fmt: skip

    return replace(register, weeds=tuple(half(weed) for weed in register.weeds))


def _surer(rig: Rig) -> Rig:
    """Return the rig with half of every error that a look at a stop has."""
    halves = {name: 0.5 * getattr(rig.errors, name) for name in LOOK_ERRORS}
    mount = None if rig.mount_covariance is None else 0.25 * rig.mount_covariance
    return replace(rig, errors=replace(rig.errors, **halves), mount_covariance=mount)


def _steadier(rig: Rig) -> Rig:
    head = rig.head
    return _with_head(rig, landing_sigma_m=0.5 * head.landing_sigma_m, offset_sigma_m=0.5 * head.offset_sigma_m)


def _smaller(rig: Rig) -> Rig:
    return _with_head(rig, footprint_sigma_m=SMALLER * rig.head.footprint_sigma_m)


def _with_head(rig: Rig, **changes: float) -> Rig:
    head: Head = replace(rig.head, **changes)  # type: ignore[arg-type]
    return replace(rig, head=head)


def _looked(site: Site, register: Register) -> tuple[Site, Register]:
    """Return the site with each look posture taken twice, and the register as one more look leaves it.

    A plan counts one look of each plant: the second round of postures gives each one more, and takes its time. What is
    expected of a place at the stop is the best of register and fresh look, so the gain goes into the register.
    """
    rig = site.rig
    fresh = fresh_look_covariance_m2(rig)
    weeds = tuple(
        replace(weed, covariance_m2=after_look_covariance_m2(rig, expected_covariance_m2(weed, fresh)))
        for weed in register.weeds
    )
    looks = rig.look_joints_rad or (rig.survey_joints_rad,)
    return replace(site, rig=replace(rig, look_joints_rad=looks * 2)), replace(register, weeds=weeds)


def _quicker(rig: Rig) -> Rig:
    def quick(joint: Joint) -> Joint:
        return replace(joint, velocity_rad_s=FASTER * joint.velocity_rad_s)

    arm: Arm = replace(
        rig.arm, joints=tuple(map(quick, rig.arm.joints)), moving=tuple(map(quick, rig.arm.moving))
    )  # fmt: skip
    return replace(rig, arm=arm)


def _swifter(rig: Rig) -> Rig:
    base = replace(rig.base, speed_m_s=FASTER * rig.base.speed_m_s, turn_rad_s=FASTER * rig.base.turn_rad_s)
    return replace(rig, base=base)


__all__ = ["FASTER", "SMALLER", "Figures", "Row", "Variant", "compare", "figures", "sensitivity", "variants"]

"""What a miss and a wrong burn cost a site, from the prices that its ``site.toml`` states."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

import numpy as np

from swardwright.domain.dwell import dwell_for
from swardwright.domain.errors import InputError
from swardwright.domain.site import Site
from swardwright.learning.card import ModelCard
from swardwright.learning.cost_curve import Prices

#: how well a crown is known when it is heated, per axis (common practice, no source; the register knows better)
PLACE_SIGMA_M = 0.01
#: the arm's way to a plant and back (common practice, no source)
MOVE_S = 5.0


def site_prices(site: Site, kinds: Sequence[str]) -> Prices:
    """Return a site's prices for a detector's kinds; kinds that ``site.toml`` does not list are never heated.

    A hold: gas and minutes (``[gas] price``, ``[limits] hour_price``) of the median kind's hold. Scorched turf:
    ``[limits] turf_worth`` (gas that may be spent to save a square metre) at the price of gas. ``miss_price`` of a kind
    to spare is what burning one costs.

    Raises
    ------
    InputError
        If none of the detector's kinds is to be treated.
    """
    treated = [k for k in site.kinds if k.treat and k.name in kinds]
    if not treated:
        raise InputError("the detector knows no kind that this site treats", where="site.toml", field="kinds",
                         value=", ".join(k.name for k in site.kinds), limit=", ".join(kinds),
                         remedy="name kinds in site.toml that the detector knows")  # fmt: skip
    rig, limits = site.rig, site.limits
    covariance = PLACE_SIGMA_M**2 * np.eye(2)
    holds = [dwell_for(rig.head, kind, covariance, limits) for kind in treated]
    gas = statistics.median(h.gas_kg for h in holds)
    seconds = statistics.median(h.heat_s for h in holds) + 2.0 * rig.head.valve_delay_s + MOVE_S
    scorch = statistics.median(h.scorch_m2 for h in holds)
    unlisted = {k: 0.0 for k in kinds if site.kind(k) is None}
    return Prices(
        miss={k.name: k.miss_price for k in treated},
        spared={k.name: k.miss_price for k in site.kinds if not k.treat} | unlisted,
        hold=gas * rig.gas.price + seconds / 3600.0 * limits.hour_price,
        scorch=scorch * limits.turf_worth_kg_m2 * rig.gas.price,
    )


def plain_prices(card: ModelCard, spare: Sequence[str], miss: float | None, burn: float | None) -> Prices:
    """Return prices without a site: a miss and a wrong burn, by default as the detector was taught with.

    Raises
    ------
    InputError
        If a kind to spare is not one that the detector knows, or none is left to treat.
    """
    unknown = sorted(set(spare) - set(card.kinds))
    if unknown:
        raise InputError("the detector does not know a kind to spare", field="--spare", value=", ".join(unknown),
                         limit=", ".join(card.kinds), remedy="correct the name")  # fmt: skip
    treated = [k for k in card.kinds if k not in spare]
    if not treated:
        raise InputError("no kind is left to treat", field="--spare", value=", ".join(spare),
                         remedy="spare fewer kinds")  # fmt: skip
    miss = _taught_with(card, "miss_price") if miss is None else miss
    burn = _taught_with(card, "false_alarm_price") if burn is None else burn
    return Prices(dict.fromkeys(treated, miss), dict.fromkeys(spare, burn), hold=0.0, scorch=burn, other=miss)


def _taught_with(card: ModelCard, name: str) -> float:
    value = card.settings.get(name, 1.0)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else 1.0


def told_prices(prices: Prices) -> str:
    """Return the prices in words."""
    misses = sorted(set(prices.miss.values()))
    missed = f"{misses[0]:g}" if len(misses) == 1 else f"{misses[0]:g} to {misses[-1]:g}"
    burnt = f"a burn on bare ground {prices.hold + prices.scorch:.3g}"
    hold = f" (gas and minutes {prices.hold:.3g}, turf {prices.scorch:.3g})" if prices.hold else ""
    return f"a missed plant {missed}, {burnt}{hold}"

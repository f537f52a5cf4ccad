"""Whether what ``trust`` says holds elsewhere: calibration and threshold carried to places that chose neither.

The shipped detector on rendered ground of its own kind and of seeds that nothing else uses (from 1,800,000 on). Half of
the places calibrate and choose the threshold, the other half are judged, then the other way round. Prices: a miss
costs a quarter of, as much as, and four times as much as a wrong burn, and the invented site's own. The least cost
found afterwards profits from luck: beside each ratio stands what the best threshold of all would show.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.learning import Sample, TeachSettings, load_detector, shipped_detector
from swardwright.learning.cost_curve import Prices, cost_at, cost_curve, would_burn
from swardwright.learning.judged import Judged, judge, stated_probability
from swardwright.learning.measure import calibrate, expected_calibration_error
from swardwright.learning.trust import trust_of

FIRST_SEED = 1_800_000
ERROR_BOUND, COST_BOUND = 0.03, 1.03
SPARED = "daisy"
SAMPLE_SCENES, FULL_SCENES, VIEWS = 40, 480, 3


def judged_ground(scenes: int) -> Judged:
    """Judge the shipped detector on rendered ground of the variety that it was taught on; each scene is a place."""
    from swardwright.shell.rendering import rendered_pictures
    from swardwright.shell.teaching import decoded

    detector = load_detector(shipped_detector())
    variety = str(detector.card.data.get("variety", "plain"))
    samples = []
    seeds = range(FIRST_SEED, FIRST_SEED + scenes)
    for p in rendered_pictures(seeds, VIEWS, min(os.cpu_count() or 1, 8), variety=variety):
        load = functools.partial(decoded, p.jpeg, p.name)
        samples.append(Sample(p.name, load, p.labels, p.scene, p.ignored, p.metres_per_px))
    return judge(detector, samples, TeachSettings())


def prices(kinds: tuple[str, ...]) -> dict[str, Prices]:
    """Return the prices tried, by name; the last are those of the invented site."""
    from swardwright.shell.open_site import opened
    from swardwright.shell.starting import start_invented
    from swardwright.shell.trust_prices import site_prices

    treated = [k for k in kinds if k != SPARED]
    out = {
        name: Prices(dict.fromkeys(treated, miss), {SPARED: 1.0}, 0.0, 1.0)
        for name, miss in (("1:4", 0.25), ("1:1", 1.0), ("4:1", 4.0))
    }
    with TemporaryDirectory() as folder:
        start_invented(Path(folder) / "site", 7)
        with opened(Path(folder) / "site") as at:
            out["site"] = site_prices(at.site, kinds)
    return out


def crossed_halves(judged: Judged) -> Iterator[tuple[Judged, Judged]]:
    """Yield (places that choose, places that are judged): half and half, both ways round."""
    even, odd = judged.places[::2], judged.places[1::2]
    yield judged.of_places(even), judged.of_places(odd)
    yield judged.of_places(odd), judged.of_places(even)


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield calibration error and cost on places that chose neither calibration nor threshold."""
    judged = judged_ground(FULL_SCENES if full else SAMPLE_SCENES)
    card = load_detector(shipped_detector()).card
    stated: list[NDArray[np.float64]] = []
    hit: list[NDArray[np.bool_]] = []
    every = prices(judged.kinds)
    cost, best, lucky = (dict.fromkeys(every, 0.0) for _ in range(3))
    for choosing, other in crossed_halves(judged):
        temperature, bias = calibrate(choosing.logit, choosing.hit)
        here = stated_probability(other, temperature, bias)
        stated.append(here)
        hit.append(other.hit)
        for name, price in every.items():
            curve = cost_curve(choosing, stated_probability(choosing, temperature, bias), price)
            cost[name] += cost_at(other, here, price, float(curve.threshold[curve.chosen]))
            best[name] += float(cost_curve(other, here, price).cost.min())
            lucky[name] += _luck(other, here, price)
    p, h = np.concatenate(stated), np.concatenate(hit)
    error = expected_calibration_error(p, h)
    chance = _chance(p)
    yield {"figure": "calibration error on places that did not calibrate", "value": round(error, 4), "unit": "1",
           "bound": ERROR_BOUND, "holds": _error_holds(error, chance), "places": len(judged.places),
           "candidates": int((p >= 0.05).sum()), "by_chance_alone": round(chance, 4)}  # fmt: skip
    own = expected_calibration_error(stated_probability(judged, card.temperature, card.bias), judged.hit)
    yield {"figure": "calibration error of the shipped card as it is", "value": round(own, 4), "unit": "1",
           "bound": ERROR_BOUND, "holds": _error_holds(own, chance)}  # fmt: skip
    for name in every:
        ratio, luck = cost[name] / best[name], 1.0 + lucky[name] / best[name]
        # where even the best threshold that there is shows more than the bound by luck, it cannot be tested
        holds = ratio <= COST_BOUND if ratio <= COST_BOUND or luck <= COST_BOUND else None
        yield {"figure": f"cost at a threshold chosen on other places over the best found afterwards, prices {name}",
               "value": round(ratio, 4), "unit": "1", "bound": COST_BOUND, "holds": holds,
               "by_luck_alone": round(luck, 4)}  # fmt: skip
    trust = trust_of(judged, card, every["1:1"])
    for what, one in (("missed plants to treat", trust.as_is.missed), ("wrong burns", trust.as_is.wrong)):
        yield {"figure": f"{what} of the shipped detector", "value": round(one.value, 4), "unit": "1/m2",
               "low95": round(one.low, 4), "high95": round(one.high, 4), "bound": None, "holds": None}  # fmt: skip


def _error_holds(error: float, chance: float) -> bool | None:
    """Return whether an error keeps the bound; None where perfect probabilities would not, with so few candidates."""
    return error <= ERROR_BOUND if error <= ERROR_BOUND or chance <= ERROR_BOUND else None


def _luck(judged: Judged, probability: NDArray[np.float64], price: Prices, draws: int = 100) -> float:
    """Return by how much hindsight beats the best threshold that there is, on average, where nothing but luck differs.

    Outcomes are drawn from the probabilities (which are then perfect); the best threshold minimises expected cost.
    """
    rng = np.random.default_rng(1)
    burn = would_burn(judged, price)
    order = np.argsort(-probability[burn], kind="stable")
    p, share = probability[burn][order], judged.kind_share[burn][order]
    treated = np.array([price.treats(k) for k in judged.kinds])
    of_kind = np.array([-price.miss[k] if price.treats(k) else price.spared[k] for k in judged.kinds])
    foretold = price.hold + p * (share @ of_kind) + (1 - p) * price.scorch
    known = int(np.argmin(np.concatenate([[0.0], np.cumsum(foretold)])))
    gains = []
    for _ in range(draws):
        hit = rng.uniform(size=len(p)) < p
        kind = (rng.uniform(size=len(p))[:, None] > np.cumsum(share, axis=1)[:, :-1]).sum(axis=1)
        delta = price.hold + np.where(hit, of_kind[kind], price.scorch)
        cost = np.concatenate([[0.0], np.cumsum(delta)]) - of_kind[kind[hit & treated[kind]]].sum()
        gains.append(cost[known] - cost.min())
    return float(np.mean(gains))


def _chance(probability: NDArray[np.float64], draws: int = 100) -> float:
    """Return the mean calibration error that perfect probabilities of these values would show by chance."""
    rng = np.random.default_rng(0)
    return float(np.mean([
        expected_calibration_error(probability, rng.uniform(size=len(probability)) < probability) for _ in range(draws)
    ]))  # fmt: skip

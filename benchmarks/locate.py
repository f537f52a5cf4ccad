"""How right is the register, and does it know how wrong it is? Seeded surveys, and an outside recording.

``FULL=1``: 40 sites and 200 + 200 hand-eyes; otherwise a sample. Timings are ratios within one run.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.stats import chi2

from benchmarks._mount_cases import hand_eye_figures
from benchmarks._outside import LANE, lane, register_of
from benchmarks._sites import (
    ERRORS,
    bound,
    full_covariance,
    joint_of,
    located,
    owners,
    second_visit,
    site,
    tally,
)
from swardwright.domain.uncertainty import CHI2_2_95, mahalanobis2
from swardwright.merging import merge
from swardwright.simulation.pixel_survey import clustered_plants, draw_survey, invented_rig, lanes

Figure = dict[str, Any]


def _figure(name: str, value: float, unit: str, bound_text: Any, holds: bool | None) -> Figure:
    return {"figure": name, "value": float(f"{float(value):.4g}"), "unit": unit, "bound": bound_text,
            "holds": None if holds is None else bool(holds)}  # fmt: skip


def figures(full: bool) -> Iterator[Figure]:
    """Yield every figure of locating and merging."""
    yield from honesty(40 if full else 10)
    yield from honesty(120 if full else 10, fixes=False)
    yield from against_one_frame(40 if full else 10)
    yield from identity(40 if full else 6)
    yield from hand_eye_figures(full)
    yield from outside()
    yield from cost()


def honesty(sites: int, fixes: bool = True) -> Iterator[Figure]:
    """Error over its bound, normalised error, ellipses.

    Without position fixes one draw of start, yaw and drift moves a whole site: sites are few, so error and ellipses are
    given with the interval in which chance alone puts them (bootstrap over sites), and without a bound.
    """
    rows: list[tuple[float, float, float, int, int, float]] = []
    for seed in range(sites):
        drawn = site(seed, fixes=fixes)
        estimate = joint_of(drawn)
        limits = bound(drawn)
        truth = drawn.survey.growth.crowns_m
        pure = [(w, who[0]) for w, who in enumerate(owners(estimate, drawn)) if set(who) == {who[0]} and who[0] >= 0]
        at = np.array([w for w, _ in pure])
        errors = estimate.solution.crowns_m[at] - truth[[j for _, j in pure]]
        covariance = estimate.solution.covariance_m2[at] + estimate.crown_m2[at]
        normalised = np.einsum("ni,nij,nj->n", errors, np.linalg.inv(covariance), errors)
        index = (2 * at[:, None] + [0, 1]).ravel()
        whole = full_covariance(estimate.solution, estimate.crown_m2)[np.ix_(index, index)]
        rows.append((
            float(np.sum(errors**2)), float(sum(np.trace(limits[j]) for _, j in pure)),
            float(errors.ravel() @ np.linalg.solve(whole, errors.ravel())),
            int((normalised < CHI2_2_95).sum()), len(pure), float(np.random.default_rng(seed).choice(normalised)),
        ))  # fmt: skip
    square, least, joint, inside, weeds, single = np.array(rows).T
    resampled = np.random.default_rng(1).integers(0, sites, (2000, sites))
    name = "" if fixes else ", no position fixes"
    yield _figure(f"ground error, root mean square{name}", 1000 * np.sqrt(square.sum() / weeds.sum()), "mm",
                  f"{sites} sites, {int(weeds.sum())} weeds", None)  # fmt: skip
    ratio = float(np.sqrt(square.sum() / least.sum()))
    chance = np.sqrt(square[resampled].sum(axis=1) / least[resampled].sum(axis=1))
    yield _figure(f"root-mean-square error over the Cramer-Rao bound{name}", ratio, "1",
                  "<= 1.10" if fixes else f"none: by chance {_interval(chance)}",
                  ratio <= 1.10 if fixes else None)  # fmt: skip
    low, high = (float(v) for v in chi2.ppf([0.025, 0.975], 2 * weeds.sum()) / (2 * weeds.sum()))
    mean = float(joint.sum() / (2 * weeds.sum()))
    yield _figure(f"normalised error squared per degree of freedom, all weeds of each site jointly{name}", mean, "1",
                  [round(low, 4), round(high, 4)], low <= mean <= high)  # fmt: skip
    low, high = (float(v) for v in chi2.ppf([0.025, 0.975], 2 * sites) / (2 * sites))
    mean = float(single.sum() / (2 * sites))
    yield _figure(f"normalised error squared per degree of freedom, one weed of each site{name}", mean, "1",
                  [round(low, 4), round(high, 4)], low <= mean <= high)  # fmt: skip
    share = float(100 * inside.sum() / weeds.sum())
    chance = 100 * inside[resampled].sum(axis=1) / weeds[resampled].sum(axis=1)
    yield _figure(f"95 % ellipses that hold the truth{name}", share, "%",
                  [93, 97] if fixes else f"none: by chance {_interval(chance)}",
                  93 <= share <= 97 if fixes else None)  # fmt: skip


def _interval(draws: Any) -> str:
    low, high = np.percentile(draws, [2.5, 97.5])
    return f"{low:.3g} to {high:.3g}"


def against_one_frame(sites: int) -> Iterator[Figure]:
    """Two lanes, odometry drifting by 2 %: the register against each plant's first sighting, dead reckoning only."""
    for fixes, bounds in ((True, (3.0, 4.0)), (False, None)):
        ours: list[float] = []
        naive: list[float] = []
        for seed in range(sites):
            drawn = site(500 + seed, length_m=10.0, density_m2=2.0, fixes=fixes)
            alone = drawn if not fixes else site(500 + seed, length_m=10.0, density_m2=2.0, fixes=False)
            truth, owner = drawn.survey.growth.crowns_m, alone.survey.owner
            first: dict[int, float] = {}
            for s in alone.sightings:
                j = owner[s.id]
                if j >= 0 and j not in first:
                    first[j] = float(np.linalg.norm(s.mean_m - alone.survey.growth.crowns_m[j]))
            naive += list(first.values())
            register = merge(None, drawn.sightings, drawn.looks, tracks=[drawn.survey.track])
            _, weed_of = tally(register, drawn.survey.owner)
            ours += [float(np.linalg.norm(register.weed(i).mean_m - truth[j])) for j, i in weed_of.items()]
        name = "with position fixes" if fixes else "without any fix (loop closures alone)"
        for text, q, limit in (("median", 50, 0), ("95th percentile", 95, 1)):
            ratio = float(np.percentile(naive, q) / np.percentile(ours, q))
            yield _figure(f"one frame's error over ours, {text}, {name}", ratio, "1",
                          f">= {bounds[limit]:g}" if bounds else None,
                          ratio >= bounds[limit] if bounds else None)  # fmt: skip


def identity(sites: int) -> Iterator[Figure]:
    """Duplicates, mix-ups and identities over two visits, 4 weeds/m2, negative binomial with k = 0.25."""
    plants = duplicates = mixed = both = kept = 0
    for seed in range(sites):
        one = site(seed, fixes=seed % 2 == 0)
        first = merge(None, one.sightings, one.looks, tracks=[one.survey.track])
        two = second_visit(one, seed, fixes=seed % 2 == 0)
        second = merge(first, two.sightings, two.looks, tracks=[two.survey.track])
        counts, before = tally(first, one.survey.owner)
        plants, duplicates, mixed = plants + counts.plants, duplicates + counts.duplicates, mixed + counts.mixed
        seen = {j for j in two.survey.owner.values() if j >= 0}
        own: dict[str, list[int]] = {}
        for weed in second.weeds:
            own[weed.id] = [j for s in weed.sightings if (j := two.survey.owner.get(s, -1)) >= 0]
        for j, weed_id in before.items():
            if j in seen:
                both += 1
                mine = own.get(weed_id, [])
                kept += bool(mine) and max(set(mine), key=mine.count) == j
    yield _figure("plants entered twice", 100 * duplicates / plants, "%", "< 1", duplicates < 0.01 * plants)
    yield _figure("entries that mix plants", 100 * mixed / plants, "%", "< 1", mixed < 0.01 * plants)
    yield _figure("identity kept over two visits", 100 * kept / both, "%", ">= 98", kept >= 0.98 * both)


def outside() -> Iterator[Figure]:
    """The recording of another's making, where it is at hand."""
    if not LANE.exists():
        yield _figure("outside recording: not here, nothing measured", 0, "recordings", None, None)
        return
    it = lane()
    register = register_of(it)
    errors, inside = [], 0
    for weed in register.weeds:
        who = [it.owner[s] for s in weed.sightings]
        off = weed.mean_m - it.plants_m[max(sorted(set(who)), key=who.count)]
        errors.append(off)
        inside += mahalanobis2(off, weed.covariance_m2) < CHI2_2_95
    rms = float(np.sqrt(np.mean(np.sum(np.square(errors), axis=1))))
    share = inside / len(errors)
    yield _figure("outside recording: plants in the register", len(errors), "plants",
                  f"{len(set(it.owner.values()))} detected", None)  # fmt: skip
    yield _figure("outside recording: root-mean-square error", 1000 * rms, "mm", "<= 25", rms <= 0.025)
    yield _figure("outside recording: 95 % ellipses that hold the truth", 100 * share, "%", [88, 99],
                  0.88 <= share <= 0.99)  # fmt: skip
    mount = next(e for e in register.site_errors if e.source == "mount")
    off = mahalanobis2(mount.mean - it.mount_error, mount.covariance)
    limit = float(chi2.ppf(0.95, 6))
    yield _figure("outside recording: true mount error in its estimated region, squared distance", off, "1",
                  f"<= {limit:.2f}", off <= limit)  # fmt: skip
    blind = register_of(it, replace(it.rig.errors, mount_rad=0.0, mount_m=0.0))
    for name, one, wanted in (("stated", register, True), ("left out of the model", blind, False)):
        worst = min(e.probability for e in one.site_errors)
        yield _figure(f"outside recording: smallest probability of a shared error, mount error {name}", worst, "1",
                      "> 0.001" if wanted else "< 0.001", (worst > 1e-3) is wanted)  # fmt: skip


def cost() -> Iterator[Figure]:
    """Time of 400 frames with 4,000 detections over that of 40 with 400: the least of five each, in turn, one thread.

    Both sites are patches of lanes side by side: a single pair of lanes has fewer neighbours to each frame.
    """
    surveys = []
    for length, count, density in ((3.6, 4, 7.8), (15.6, 10, 6.7)):
        rng = np.random.default_rng(73)
        rig = invented_rig(ERRORS)
        crowns = clustered_plants(rng, (-0.3, -0.6), (length + 0.3, count - 0.4), density_m2=density, k=20.0)
        surveys.append(located(draw_survey(rig, crowns, lanes(length, count), rng, fixes=True, name="one")))
    times: list[list[float]] = [[], []]
    for _ in range(5):
        for mine, drawn in zip(times, surveys, strict=True):
            start = time.process_time()
            merge(None, drawn.sightings, drawn.looks, tracks=[drawn.survey.track])
            mine.append(time.process_time() - start)
    (f, d), (ff, dd) = ((len(s.survey.frames), len(s.sightings)) for s in surveys)
    ratio = min(times[1]) / min(times[0])
    yield _figure(f"time to merge {ff} frames with {dd} detections over {f} frames with {d}", ratio, "1", "<= 12",
                  ratio <= 12)  # fmt: skip
    yield _figure(f"time to merge {ff} frames with {dd} detections", min(times[1]), "s", None, None)

"""Dose: hold patterns against one fixed dwell for all, against draws, and against exhaustive search.

Both registers are invented, with the demonstration's head, kinds and sizes: in the *mixed* one places are known to 4 to
20 mm, as far as the plan heats at all; in the *even* one to 3.4 to 6.9 mm, as in the demonstration, where one dwell
for all loses less. Growing points are taken to sit within half of a plant's radius (common practice, no source); the
least dose there counts. The fixed dwell may be longer than the longest hold.

Gas and scorched turf pull apart: a single hold scorches least of all patterns that do not land anew, and what lands
anew takes a valve delay more. Both bounds are checked twice, by default and where turf has a price: by default the
scorched area misses its bound by a few per cent, and with ``FULL=1`` the frontier says what forbids it at 1.05 times
the least gas.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from swardwright.domain.dwell import Pattern, dwell_for
from swardwright.domain.heat import Head
from swardwright.domain.pattern import CROWN_SHARE, MOVE_S, gas_of_pattern_kg, pattern_for
from swardwright.domain.poses import Array
from swardwright.domain.site import Kind, Limits
from swardwright.simulation.plants import STAGES

Figure = dict[str, Any]
Case = tuple[Kind, Array, float]
HEAD = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.4, 0.15, 3.0)
LIMITS = Limits(
    pose_age_s=0.15, kill_target=0.95, presence_min=0.6, hold_max_s=6.0, spare_dose_kg_m2=5e-4, turf_dose_kg_m2=30e-4,
    control_fraction=0.0, wind_max_m_s=5.0, fwi_max=10.0, ffmc_max=85.0, human_clear_m=10.7, aim_sigma_max_m=0.02,
    revisit_days=14.0, observation_age_s=0.5, gate_m=0.05, battery_reserve=0.15, gas_reserve=0.1,
)  # fmt: skip
#: gas that may be spent on a square metre of turf, where the two bounds against one fixed dwell are to hold, kg/m2
TURF_WORTH = 0.2
CAREFUL = f"mixed register, turf worth {1e3 * TURF_WORTH:g} g/m2 of gas"
KINDS = (
    Kind("dandelion", True, 45e-4, 3.0, True, 1.0, "invented"),
    Kind("plantain", True, 40e-4, 3.0, False, 1.0, "invented"),
    Kind("clover", True, 30e-4, 3.0, False, 1.0, "invented"),
    Kind("woodrush", True, 50e-4, 2.8, False, 1.0, "invented"),
)


def figures(full: bool) -> Iterator[Figure]:
    """Yield time, gas, scorched turf, kill among draws and the distance from the exhaustive search's least."""
    cases = invented_register(np.random.default_rng(411), 500)
    even = even_register(np.random.default_rng(414), 500)
    rng = np.random.default_rng(412)
    pattern_for(HEAD, *cases[0][:2], LIMITS)  # so that the time is without imports
    begin = time.process_time()
    patterns = chosen(cases, LIMITS)
    yield _figure("dose: patterns for 500 weeds, processor time", time.process_time() - begin, "s", 5.0)
    if full:
        many = invented_register(np.random.default_rng(415), 10_000)
        begin = time.process_time()
        chosen(many, LIMITS)
        yield _figure("dose: patterns for 10,000 weeds, processor time", time.process_time() - begin, "s", 60.0)
    careful = chosen(cases, replace(LIMITS, turf_worth_kg_m2=TURF_WORTH))
    for name, found in (("mixed register", patterns), (CAREFUL, careful)):
        yield from kill_and_scorch(name, cases, found, rng, 160 if full else 30)
    yield from against_fixed("mixed register", cases, patterns, bounded=True)
    yield from against_fixed(CAREFUL, cases, careful, bounded=True)
    if full:
        yield from frontier(cases, patterns)
    yield from against_fixed("even register", even, chosen(even, LIMITS), bounded=False)
    few = 50 if full else 12
    ratios: list[float] = []
    alone: list[float] = []
    for kind, covariance, radius in small_cases(np.random.default_rng(413), few):
        least = least_by_search_kg(kind, covariance, radius, rng, 4000)
        for limits, ratio in ((LIMITS, ratios), (replace(LIMITS, turf_worth_kg_m2=0.0), alone)):
            ratio.append(all_gas_kg(pattern_for(HEAD, kind, covariance, limits, radius)) / least)
    yield _figure(f"dose: gas against exhaustive search, worst of {few}", max(ratios), "x", 1.05)
    yield _said("dose: gas against exhaustive search, mean", float(np.mean(ratios)), "x")
    yield _figure(f"dose: the same where turf is worth nothing, worst of {few}", max(alone), "x", 1.05)


def chosen(cases: list[Case], limits: Limits) -> list[Pattern]:
    """Return the pattern of each case."""
    return [pattern_for(HEAD, kind, covariance, limits, radius) for kind, covariance, radius in cases]


def all_gas_kg(pattern: Pattern) -> float:
    """Return the gas of a pattern with the pilot's, as if it were lit for this weed alone."""
    return gas_of_pattern_kg(HEAD, len(pattern.offsets_m), pattern.hold_s)


def kill_and_scorch(
    name: str, cases: list[Case], patterns: list[Pattern], rng: np.random.Generator, count: int
) -> Iterator[Figure]:  # fmt: skip
    """Yield what ``count`` of the patterns do among draws, against what they claim."""
    several = sum(len(p.offsets_m) > 1 for p in patterns)
    reached = [i for i, p in enumerate(patterns) if p.reached]
    picked = sorted(reached, key=lambda i: -len(patterns[i].offsets_m))[: count // 2]  # half of them: the most holds
    picked += [int(i) for i in rng.choice([i for i in reached if i not in picked], count - len(picked), replace=False)]
    off = [abs(kill_among_draws(patterns[i], *cases[i], rng) - LIMITS.kill_target) for i in picked]
    yield _said(f"dose: {name}, weeds that get several holds", 100.0 * several / len(cases), "%")
    yield _figure(f"dose: {name}, kill among 1e5 draws less 0.95, worst of {len(off)}", max(off), "", 0.005)
    far = [scorch_among_draws_m2(patterns[i], rng) / patterns[i].scorch_m2 - 1.0 for i in picked[:20]]
    yield _figure(
        f"dose: {name}, scorched area among draws against the claim, worst of 20", max(map(abs, far)), "", 0.03
    )


def frontier(cases: list[Case], patterns: list[Pattern]) -> Iterator[Figure]:
    """Yield how little the patterns could scorch in all, were each allowed 1.05 times its least gas."""
    offers = [chosen(cases, replace(LIMITS, turf_worth_kg_m2=w)) for w in (0.0, 0.02, 0.05, 0.1, 0.2, 0.5)]
    total = 0.0
    for several in zip(patterns, *offers, strict=True):
        least = min(all_gas_kg(p) for p in several)
        total += min(p.scorch_m2 for p in several if all_gas_kg(p) <= 1.05 * least)
    fixed = max(one.scorch_m2 for one in least_singles(cases))
    yield _said("dose: mixed register, least scorched area within 1.05 of the least gas, against one fixed dwell",
                total / len(cases) / fixed, "x")  # fmt: skip


def least_singles(cases: list[Case]) -> list[Pattern]:
    """Return the least single hold of each case, as long as it takes."""
    long = replace(LIMITS, hold_max_s=600.0)
    return [dwell_for(HEAD, kind, covariance, long, radius) for kind, covariance, radius in cases]


def against_fixed(name: str, cases: list[Case], patterns: list[Pattern], *, bounded: bool) -> Iterator[Figure]:
    """Yield gas and scorched area against one fixed dwell for all that gives the worst weed the wanted kill."""
    singles = least_singles(cases)
    fixed = max(singles, key=lambda one: one.hold_s)
    count = len(cases)
    yield _said(f"dose: {name}, fixed dwell that gives the worst weed 0.95", fixed.hold_s, "s")
    used = sum(map(all_gas_kg, patterns))
    gas = used / count / all_gas_kg(fixed)
    scorch = sum(p.scorch_m2 for p in patterns) / count / fixed.scorch_m2
    own = [math.pi * (radius / CROWN_SHARE) ** 2 for _, _, radius in cases]  # ground that the plants cover: no turf
    left = sum(max(p.scorch_m2 - o, 0.0) for p, o in zip(patterns, own, strict=True))
    fixed_left = sum(max(fixed.scorch_m2 - o, 0.0) for o in own)
    say = f"dose: {name}, %s against one fixed dwell"
    for what, value, bound in (("gas", gas, 0.4), ("scorched area", scorch, 0.5)):
        yield _figure(say % what, value, "x", bound) if bounded else _said(say % what, value, "x")
    yield _said(say % "scorched area that no weed covers", left / fixed_left, "x")
    alone = sum(map(all_gas_kg, singles))
    yield _said(f"dose: {name}, gas against the least single hold of each weed", used / alone, "x")


def even_register(rng: np.random.Generator, count: int) -> list[Case]:
    """Return weeds as the demonstration's register has them: shares, sizes and errors read from its plan (seed 7)."""
    cases = []
    for _ in range(count):
        kind = KINDS[int(rng.choice(4, p=(0.39, 0.33, 0.17, 0.11)))]
        radius = CROWN_SHARE * rng.uniform(*STAGES[kind.name][int(rng.choice(3, p=(0.25, 0.40, 0.35)))])
        major = float(np.clip(math.exp(rng.normal(math.log(0.0038), 0.13)), 0.0034, 0.0069))
        cases.append((kind, _covariance(major, 0.95 * major, rng.uniform(0.0, math.pi)), radius))
    return cases


def invented_register(rng: np.random.Generator, count: int) -> list[Case]:
    """Return kind, covariance and crown radius of weeds: demo kinds and sizes, places known to 4 to 20 mm."""
    cases = []
    for _ in range(count):
        kind = KINDS[int(rng.integers(len(KINDS)))]
        stage = int(rng.choice(3, p=(0.35, 0.45, 0.2)))
        radius = CROWN_SHARE * rng.uniform(*STAGES[kind.name][stage])
        major = float(np.clip(math.exp(rng.normal(math.log(0.008), 0.4)), 0.004, 0.02))
        cases.append((kind, _covariance(major, rng.uniform(0.4, 1.0) * major, rng.uniform(0.0, math.pi)), radius))
    return cases


def small_cases(rng: np.random.Generator, count: int) -> Iterator[Case]:
    """Yield cases that one hold or a ring can treat, wide plants and vague places among them."""
    while count:
        major = rng.uniform(0.003, 0.025)
        kind = Kind("any", True, rng.uniform(20e-4, 60e-4), rng.uniform(2.0, 5.0), False, 1.0, "invented")
        covariance = _covariance(major, rng.uniform(0.3, 1.0) * major, rng.uniform(0.0, math.pi))
        case = (kind, covariance, float(rng.choice((0.0, rng.uniform(0.005, 0.06)))))
        if pattern_for(HEAD, kind, covariance, LIMITS, case[2]).reached:
            count -= 1
            yield case


def _covariance(major: float, minor: float, turn: float) -> Array:
    r = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return np.asarray(r @ np.diag([major**2, minor**2]) @ r.T)


def kill_among_draws(
    pattern: Pattern, kind: Kind, covariance: Array, radius: float, rng: np.random.Generator, draws: int = 100_000
) -> float:
    """Return the mean kill among draws of crown and of each hold's landing, dose summed here, not by the package."""
    return float(
        _kill(_least(np.array(pattern.offsets_m), covariance, radius, rng, draws), pattern.hold_s, kind).mean()
    )


def scorch_among_draws_m2(pattern: Pattern, rng: np.random.Generator, draws: int = 300) -> float:
    """Return the mean area above the turf's limit among draws of each hold's landing, counted in cells of 2 mm."""
    x = np.arange(-0.3, 0.3, 0.002)
    s2, aims = HEAD.footprint_sigma_m**2, np.array(pattern.offsets_m)
    limit = LIMITS.turf_dose_kg_m2 * 2.0 * math.pi * s2 / (HEAD.flow_kg_s * pattern.hold_s)
    cells = 0
    for _ in range(draws):
        lands = aims + HEAD.landing_sigma_m * rng.standard_normal(aims.shape)
        across, along = (np.exp(-np.square(x[:, None] - lands[:, axis]) / (2.0 * s2)) for axis in (0, 1))
        cells += int((across @ along.T > limit).sum())
    return cells / draws * 0.002**2


def _least(offsets: Array, covariance: Array, radius: float, rng: np.random.Generator, draws: int) -> Array:
    """Return the least density (draws,), 1/m2, of all holds over 49 points of the crown."""
    crown = rng.multivariate_normal([0.0, 0.0], covariance, draws)
    landing = HEAD.landing_sigma_m * rng.standard_normal((len(offsets), draws, 2)) + offsets[:, None, :]
    polar = [(0.0, 0.0)]
    if radius > 0.0:
        polar += [(radius, 2 * math.pi * k / 36) for k in range(36)]
        polar += [(radius / 2, 2 * math.pi * k / 12) for k in range(12)]
    least = np.full(draws, np.inf)
    s2 = HEAD.footprint_sigma_m**2
    for r, angle in polar:
        x, y = crown[:, 0] + r * math.cos(angle), crown[:, 1] + r * math.sin(angle)
        density = np.zeros(draws)
        for lands in landing:
            density += np.exp(-((x - lands[:, 0]) ** 2 + (y - lands[:, 1]) ** 2) / (2.0 * s2)) / (2.0 * math.pi * s2)
        np.minimum(least, density, out=least)
    return least


def _kill(least: Array, hold_s: float, kind: Kind) -> Array:
    dose = np.maximum(HEAD.flow_kg_s * hold_s * least, 1e-30)
    return np.asarray(1.0 / (1.0 + (kind.ed50_kg_m2 / dose) ** kind.slope))


def least_by_search_kg(kind: Kind, covariance: Array, radius: float, rng: np.random.Generator, draws: int) -> float:
    """Return the least gas over hold patterns, brute force.

    One hold; 2 to 7 on a ring of 0 to 128 mm in steps of 4 mm, two turns each; the same with one hold in the middle.
    Nowhere is the dose larger than under the longest single hold. The least of so many noisy figures is too low, so
    that the pattern found is priced again on 1e5 draws of its own.
    """
    best, found = math.inf, np.zeros((1, 2))
    major = np.linalg.eigh(covariance)[1][:, -1]
    seed = int(rng.integers(2**31))
    for offsets in _all_patterns(math.atan2(major[1], major[0])):
        n = len(offsets)
        lit_s = HEAD.ignition_s + n * 2.0 * HEAD.valve_delay_s + (n - 1) * MOVE_S
        idle = n * HEAD.flow_kg_s * 2.0 * HEAD.valve_delay_s + HEAD.pilot_kg_s * lit_s
        per_second = n * (HEAD.flow_kg_s + HEAD.pilot_kg_s)
        longest = min(LIMITS.hold_max_s / _peak(offsets), (best - idle) / per_second)
        if longest <= 0.0:
            continue
        least = _few_points(offsets, covariance, radius, np.random.default_rng(seed), draws // 5)
        if _kill(least, longest, kind).mean() < LIMITS.kill_target - 0.02:  # five standard errors: no need for more
            continue
        least = _few_points(offsets, covariance, radius, np.random.default_rng(seed), draws)
        if _kill(least, longest, kind).mean() < LIMITS.kill_target:
            continue
        best, found = idle + per_second * _needed_s(least, longest, kind), offsets
    hold_s = _needed_s(_few_points(found, covariance, radius, rng, 100_000), 2.0 * LIMITS.hold_max_s, kind)
    return gas_of_pattern_kg(HEAD, len(found), hold_s)


def _needed_s(least: Array, longest_s: float, kind: Kind) -> float:
    low, high = 0.0, longest_s
    for _ in range(14):
        middle = 0.5 * (low + high)
        enough = _kill(least, middle, kind).mean() >= LIMITS.kill_target
        low, high = (low, middle) if enough else (middle, high)
    return high


def _all_patterns(major_rad: float) -> Iterator[Array]:
    yield np.zeros((1, 2))
    for ring in np.arange(0.0, 0.13, 0.004):
        for holds in range(2, 8):
            for turned in (0.0, 0.5):
                angle = major_rad + 2.0 * math.pi / holds * (np.arange(holds) + turned)
                offsets = ring * np.column_stack([np.cos(angle), np.sin(angle)])
                yield offsets
                yield np.vstack([offsets, np.zeros((1, 2))])


def _peak(offsets: Array) -> float:
    """Return the largest dose anywhere over that at the centre of one hold, on a grid of 15 by 15 cells."""
    x, y = (np.linspace(*(offsets[:, axis].min(), offsets[:, axis].max()), 15) for axis in (0, 1))
    d2 = np.square(x[:, None, None] - offsets[:, 0]) + np.square(y[None, :, None] - offsets[:, 1])
    return float(np.exp(-d2 / (2.0 * HEAD.footprint_sigma_m**2)).sum(axis=2).max())


def _few_points(offsets: Array, covariance: Array, radius: float, rng: np.random.Generator, draws: int) -> Array:
    """Return the least density (draws,) over centre and 12 rim points: as ``_least``, for many patterns."""
    crown = rng.multivariate_normal([0.0, 0.0], covariance, draws)
    landing = HEAD.landing_sigma_m * rng.standard_normal((draws, len(offsets), 2)) + offsets
    angle = 2.0 * math.pi * np.arange(12) / 12
    rim = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    points = np.vstack([[0.0, 0.0], rim]) if radius > 0.0 else np.zeros((1, 2))
    s2 = HEAD.footprint_sigma_m**2
    least = np.full(draws, np.inf)
    for point in points:
        d2 = np.square(crown[:, None, :] + point - landing).sum(axis=2)
        np.minimum(least, np.exp(-d2 / (2.0 * s2)).sum(axis=1) / (2.0 * math.pi * s2), out=least)
    return least


def _figure(name: str, value: float, unit: str, bound: float) -> Figure:
    return {"figure": name, "value": round(value, 4), "unit": unit, "bound": bound, "holds": value <= bound}


def _said(name: str, value: float, unit: str) -> Figure:
    return {"figure": name, "value": round(value, 4), "unit": unit, "bound": None, "holds": None}

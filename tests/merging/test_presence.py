"""Belief: honesty over many drawn places, and what must hold for any looks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.shares import wilson
from swardwright.domain.weed import Look
from swardwright.merging.presence import PresenceSettings, detection_near, presence

SETTINGS = PresenceSettings()
#: detection probabilities of four bands and the share of the picture in each
BANDS, AREA = np.array([0.4, 0.7, 0.9, 0.95]), np.array([0.15, 0.15, 0.3, 0.4])


def drawn(seed: int, count: int, looks: int) -> list[tuple[bool, list[tuple[float, float]], list[float], float]]:
    """Draw places with one detection or more: (a plant?, hits, misses, mean detection probability).

    Plants, things that last, and chance, in the shares that the settings state; detector scores with known odds.
    """
    rng = np.random.default_rng(seed)
    usual, chance = float(BANDS @ AREA), 0.01
    plain = (1 - SETTINGS.hard * SETTINGS.again) / (1 - SETTINGS.hard)
    # one detection in four is false, and of those the share ``lasting`` comes from what lasts
    real, false = 0.75, 0.25
    places = {"plant": real / usual, "thing": false * SETTINGS.lasting / (SETTINGS.again * usual),
              "chance": false * (1 - SETTINGS.lasting) / chance}  # fmt: skip
    total = sum(places.values())
    out = []
    for what in rng.choice(list(places), count, p=[v / total for v in places.values()]):
        d = rng.choice(BANDS, looks, p=AREA)
        if what == "plant":
            share = np.minimum((SETTINGS.again if rng.random() < SETTINGS.hard else plain) * d, 0.995)
        else:
            share = SETTINGS.again * d if what == "thing" else np.full(looks, chance)
        seen = rng.random(looks) < share
        if not seen.any():
            continue
        score = rng.normal(1.0 if what == "plant" else -1.0, 1.0)  # log likelihood ratio 2 x score
        p = 1 / (1 + math.exp(-(math.log(real / false) + 2 * score)))
        out.append((what == "plant", [(p, float(v)) for v in d[seen]], [float(v) for v in d[~seen]], usual))
    return out


def honest(beliefs: np.ndarray, true: np.ndarray) -> list[bool]:
    """Return for each tenth of belief whether its mean lies in the Wilson interval of the share of plants.

    99.9 % intervals: ten of 95 % would fail by luck two times in five.
    """
    out = []
    for low in np.arange(10) / 10:
        in_it = (beliefs >= low) & (beliefs < low + 0.1 + (low > 0.85))
        if in_it.sum() < 40:
            continue
        least, most = wilson(int(true[in_it].sum()), int(in_it.sum()), 0.999)
        out.append(least <= beliefs[in_it].mean() <= most)
    return out


def test_belief_is_honest_over_places_seen_for_the_first_time() -> None:
    """Of the places believed with p, a share p are plants, also where all looks saw the place at the picture's edge.

    With one probability for the whole picture, those at the edge are believed far too little.
    """
    places = drawn(4, 120_000, 4)
    true = np.array([plant for plant, *_ in places])
    edge = np.array([np.mean([d for _, d in hits] + misses) < 0.65 for _, hits, misses, _ in places])

    def believed(hits: list[tuple[float, float]], misses: list[float], usual: float) -> float:
        return presence(None, hits, misses, chance=0.01, settings=SETTINGS, usual=usual, real_share=0.75)

    by_place = np.array([believed(hits, misses, u) for _, hits, misses, u in places])
    told = honest(by_place, true)
    assert len(told) == 10
    assert all(told)
    at_edge = honest(by_place[edge], true[edge])
    assert len(at_edge) >= 6
    assert all(at_edge)
    few = [place for place, e in zip(places, edge, strict=True) if e]
    by_mean = np.array([believed([(p, u) for p, _ in hits], [u] * len(misses), u) for _, hits, misses, u in few])
    assert sum(honest(by_mean, true[edge])) <= 4


def test_belief_is_honest_over_weeds_of_an_earlier_visit() -> None:
    """A plant stands there with the belief from before, or the place is bare, with remains now and then."""
    rng = np.random.default_rng(2)
    chance, real = 0.01, 0.75
    plain = (1 - SETTINGS.hard * SETTINGS.again) / (1 - SETTINGS.hard)
    beliefs, true = [], []
    for _ in range(20_000):
        before = float(rng.uniform(0.02, 0.98))
        stands = bool(rng.random() < before)
        d = rng.choice(BANDS, int(rng.integers(1, 5)), p=AREA)
        if stands:
            share = np.minimum((SETTINGS.again if rng.random() < SETTINGS.hard else plain) * d, 0.995)
        else:
            share = SETTINGS.again * d if rng.random() < SETTINGS.remains else np.full(len(d), chance)
        seen = rng.random(len(d)) < share
        score = rng.normal(1.0 if stands else -1.0, 1.0)
        p = 1 / (1 + math.exp(-(math.log(real / (1 - real)) + 2 * score)))
        beliefs.append(presence(before, [(p, float(v)) for v in d[seen]], list(map(float, d[~seen])), chance=chance,
                                settings=SETTINGS, usual=float(BANDS @ AREA), real_share=real))  # fmt: skip
        true.append(stands)
    told = honest(np.array(beliefs), np.array(true))
    assert len(told) == 10
    assert all(told)


PLACE = st.floats(0.05, 0.99)
LOOKS = st.lists(PLACE, max_size=6)
BEFORE = st.one_of(st.none(), st.floats(0.01, 0.99))


@given(BEFORE, LOOKS, LOOKS, PLACE, st.floats(0.05, 0.95), st.floats(0, 1))
def test_a_hit_never_lowers_and_a_miss_never_raises(
    before: float | None, found: list[float], missed: list[float], more: float, p: float, chance: float
) -> None:
    def at(seen: list[float], not_seen: list[float]) -> float:
        return presence(before, [(p, d) for d in seen], not_seen, chance=chance, settings=SETTINGS, real_share=p)

    if before is None and not found:
        found = [0.9]
    now = at(found, missed)
    assert SETTINGS.floor <= now <= 1 - SETTINGS.floor
    assert at([*found, more], missed) >= now - 1e-12
    assert at(found, [*missed, more]) <= now + 1e-12


@given(BEFORE, st.lists(st.tuples(st.floats(0.05, 0.95), PLACE), min_size=1, max_size=6), LOOKS, st.randoms())
def test_the_order_of_looks_does_not_matter(
    before: float | None, hits: list[tuple[float, float]], misses: list[float], shuffler: object
) -> None:
    first = presence(before, hits, misses, chance=0.01, settings=SETTINGS)
    for some in (hits, misses):
        shuffler.shuffle(some)  # type: ignore[attr-defined]
    assert presence(before, hits, misses, chance=0.01, settings=SETTINGS) == pytest.approx(first, abs=1e-12)


@given(st.floats(0, 1))
def test_no_evidence_leaves_the_belief(before: float) -> None:
    assert presence(before, [], [], chance=0.01, settings=SETTINGS) == before


def test_a_miss_at_the_edge_says_less_and_a_plant_often_missed_before_is_given_up_later() -> None:
    def after(*misses: float, history: tuple[int, int] = (0, 0)) -> float:
        return presence(0.95, [], list(misses), chance=0.001, settings=SETTINGS, history=history)

    assert after(0.95, 0.95) < 0.3 < 0.75 < after(0.6, 0.6) < after(0.1, 0.1) < 0.95
    assert after(0.95, 0.95, history=(3, 5)) > after(0.95, 0.95) > after(0.95, 0.95, history=(8, 0))
    # the fifth miss says less than the first: a plant that is left is then one that is hard to see
    odds = [math.log(b / (1 - b)) for b in (after(*[0.95] * n) for n in range(6))]
    assert odds[0] - odds[1] > 2 * (odds[4] - odds[5]) > 0


def test_a_look_knows_where_it_sees_less() -> None:
    def square(half: float) -> np.ndarray:
        return half * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])

    look = Look("f", square(0.9), 0.8, 0.1, ((square(1.0), 0.5), (square(0.8), 0.7), (square(0.5), 0.95)))
    places = np.array([[0.0, 0], [0.6, 0], [0, -0.95], [1.1, 0]])
    assert look.detection_at(places).tolist() == [0.95, 0.7, 0.5, 0.0]
    assert Look("f", square(0.9), 0.8, 0.1).detection_at(places).tolist() == [0.8, 0.8, 0.0, 0.0]
    assert look.detection_at(np.zeros((0, 2))).shape == (0,)
    # an uncertain place: the expectation, compared with 1e5 draws; nine points cannot follow a step exactly
    rng = np.random.default_rng(0)
    means = rng.uniform(-1.1, 1.1, (40, 2))
    spread = np.array([[0.12**2, 0.5 * 0.12 * 0.08], [0.5 * 0.12 * 0.08, 0.08**2]])
    draws = rng.multivariate_normal([0, 0], spread, 100_000)
    near = detection_near(look, means, np.broadcast_to(spread, (40, 2, 2)))
    true = np.array([look.detection_at(m + draws).mean() for m in means])
    at = look.detection_at(means)
    assert np.abs(near - true).max() < 0.12
    assert np.mean((near - true) ** 2) < 0.25 * np.mean((at - true) ** 2)
    assert detection_near(look, means, np.zeros((40, 2, 2))) == pytest.approx(at)

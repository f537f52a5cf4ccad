"""Cost curve, figures of trust and their parts, on judgements made up here."""

import math

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.learning import Sample, TeachSettings, load_detector, shipped_detector
from swardwright.learning.cost_curve import Prices, cost_at, cost_curve, would_burn
from swardwright.learning.judged import Judged, PictureFacts, judge, light_of
from swardwright.learning.measure import expected_calibration_error, logistic
from swardwright.learning.taught import already_seen, notes_pictures, picture_mark, seen_pictures
from swardwright.learning.trust import chance_error, crossed, fold_of_place, reliability, trust_of
from swardwright.learning.trust_parts import found_plants, worst

KINDS = ("daisy", "dandelion")
PRICES = Prices({"dandelion": 3.0}, {"daisy": 2.0}, hold=0.1, scorch=0.4)


def made(rng: np.random.Generator, places: int = 6, per_place: int = 40, temperature: float = 1.0) -> Judged:
    """Return a judgement whose true probabilities are ``logistic(logit / temperature)``."""
    n = places * per_place
    picture = np.repeat(np.arange(2 * places), per_place // 2)
    logit = rng.normal(0, 3, n) * temperature
    hit = rng.uniform(size=n) < logistic(logit / temperature)
    kind = rng.integers(0, 2, n)
    share = np.where(kind[:, None] == np.arange(2), 0.9, 0.1)
    extra = 3
    found = np.flatnonzero(hit)
    plants = len(found) + extra
    plant = np.full(n, -1)
    plant[found] = np.arange(len(found))
    finder = np.concatenate([found, np.full(extra, -1)])
    pictures = tuple(PictureFacts(f"p{i}", f"place {i // 2}", 1000, 1000, 0.001, 0.2 + 0.01 * i, 0.1)
                     for i in range(2 * places))  # fmt: skip
    u, v = rng.uniform(50, 950, (2, n))
    radius = rng.uniform(5, 60, n)
    return Judged(
        pictures, KINDS, picture, logit, u, v, radius, share, plant,
        np.concatenate([picture[found], [0, 1, 0]]), np.append(u[found], [5.0] * 3), np.append(v[found], [5.0] * 3),
        np.append(radius[found], [30.0, 20, 10]), np.append(kind[found], [1, 1, 0]), np.full(plants, 50.0), finder,
        tuple(np.zeros((0, 3)) for _ in pictures),
    )  # fmt: skip


def by_hand(judged: Judged, kept: np.ndarray, prices: Prices) -> float:
    """Count the cost plant by plant and burn by burn, with loops."""
    cost, burnt = 0.0, set()
    for i in np.flatnonzero(kept):
        if judged.kind_share[i, 1] < 0.5:
            continue
        cost += prices.hold
        if judged.plant[i] < 0:
            cost += prices.scorch
        elif judged.plant_kind[judged.plant[i]] == 0:
            cost += prices.spared["daisy"]
        else:
            burnt.add(int(judged.plant[i]))
    return cost + sum(prices.miss["dandelion"] for j, k in enumerate(judged.plant_kind) if k == 1 and j not in burnt)


def test_the_curve_is_what_counting_by_hand_gives():
    judged = made(np.random.default_rng(0))
    p = logistic(judged.logit)
    curve = cost_curve(judged, p, PRICES)
    for row in (0, 1, 7, curve.chosen, curve.best, len(curve.cost) - 1):
        t = curve.threshold[row]
        if row == 0:
            assert curve.cost[0] == pytest.approx(curve.nothing) == pytest.approx(by_hand(judged, p > 2, PRICES))
            continue
        assert curve.cost[row] == pytest.approx(by_hand(judged, p >= t, PRICES))
        assert cost_at(judged, p, PRICES, t) == pytest.approx(curve.cost[row])
    assert curve.cost[curve.best] == curve.cost.min()
    assert (np.diff(curve.missed) <= 0).all()
    assert (np.diff(curve.wrong) >= 0).all()


def test_the_threshold_is_the_one_of_decision_theory():
    """Calibrated, kinds known: burn where p (3 - 0.1) > (1 - p) 0.5 + p 0.1..., by hand: p > 0.5 / 3.4 = 0.147."""
    rng = np.random.default_rng(1)
    judged = made(rng, places=20, per_place=400)
    sure = Judged(**{**vars(judged), "kind_share": np.round(judged.kind_share)})
    curve = cost_curve(sure, logistic(sure.logit), PRICES)
    assert curve.threshold[curve.chosen] == pytest.approx(0.5 / 3.4, abs=0.05)


def test_dear_misses_lower_it_and_dear_turf_raises_it():
    judged = made(np.random.default_rng(2), places=10, per_place=200)
    p = logistic(judged.logit)

    def chosen(miss, scorch):
        curve = cost_curve(judged, p, Prices({"dandelion": miss}, {"daisy": 0.0}, 0.0, scorch))
        return curve.threshold[curve.chosen]

    assert chosen(10, 1) < chosen(1, 1) < chosen(1, 5)


def test_kinds_decide_what_is_burnt():
    judged = made(np.random.default_rng(3))
    assert (would_burn(judged, PRICES) == (judged.kind_share[:, 1] >= 0.5)).all()
    anything = Judged(**{**vars(judged), "plant_kind": np.full(len(judged.plant_kind), -1)})
    assert would_burn(anything, PRICES).all()


def card(**changes):
    from dataclasses import replace

    return replace(load_detector(shipped_detector()).card, **changes)


def test_rates_are_per_square_metre_and_calibration_is_found_back():
    judged = made(np.random.default_rng(4), places=8, per_place=400, temperature=2.0)
    trust = trust_of(judged, card(temperature=1.0, bias=0.0, threshold=0.5, kinds=KINDS), PRICES)
    assert trust.area_m2 == pytest.approx(16.0)  # 16 pictures of 1 m2
    kept = judged.logit >= 0
    burn = kept & (judged.kind_share[:, 1] >= 0.5)
    turf = burn & (judged.plant < 0)
    assert trust.as_is.wrong_turf.value == pytest.approx(turf.sum() / 16)
    assert trust.as_is.false_alarms.value == pytest.approx((kept & (judged.plant < 0)).sum() / 16)
    assert trust.as_is.found.value == pytest.approx(found_plants(judged, kept).mean())
    assert trust.as_is.cost == pytest.approx(100 / 16 * by_hand(judged, kept, PRICES))
    assert trust.temperature == pytest.approx(2.0, rel=0.1)
    assert trust.error_as_is > 0.05
    assert trust.error_elsewhere < 0.03
    assert 1.0 <= trust.cost_ratio_elsewhere < 1.08
    assert sum(r.plants for r in trust.rows if r.what == "place") == trust.plants
    assert sum(r.plants for r in trust.rows if r.what == "radius") == trust.plants


def test_each_place_is_judged_by_what_the_others_say():
    """Changing one fold's outcomes changes nothing in how that fold's own candidates are read."""
    judged = made(np.random.default_rng(5))
    before, _, kept, _ = crossed(judged, PRICES)
    folds = fold_of_place(len(judged.places), 0)
    mine = folds[judged.place_of_picture()[judged.picture]] == 0
    spoilt = Judged(**{**vars(judged), "plant": np.where(mine, -1, judged.plant)})
    after, _, kept_after, _ = crossed(spoilt, PRICES)
    np.testing.assert_array_equal(before[mine], after[mine])
    np.testing.assert_array_equal(kept[mine], kept_after[mine])
    assert not np.array_equal(before[~mine], after[~mine])


def test_places_can_be_taken_out_of_the_table():
    judged = made(np.random.default_rng(6))
    part = judged.of_places(["place 1", "place 4"])
    assert part.places == ("place 1", "place 4")
    assert len(part.logit) == 80
    inside = np.isin(judged.picture // 2, [1, 4])
    np.testing.assert_array_equal(part.logit, judged.logit[inside])
    hits = part.plant >= 0
    np.testing.assert_array_equal(part.plant_u_px[part.plant[hits]], part.u_px[hits])
    finders = part.finder >= 0
    np.testing.assert_array_equal(part.plant[part.finder[finders]], np.flatnonzero(finders))


def test_one_place_says_nothing_of_others():
    judged = made(np.random.default_rng(7), places=1)
    trust = trust_of(judged, card(kinds=KINDS), PRICES)
    assert trust.elsewhere is None
    assert math.isnan(trust.error_elsewhere)


def test_a_detector_that_says_nothing_has_figures_too():
    judged = made(np.random.default_rng(10))
    none = np.zeros(0, np.int64)
    silent = Judged(
        **{**vars(judged), "picture": none, "logit": np.zeros(0), "u_px": np.zeros(0), "v_px": np.zeros(0),
           "radius_px": np.zeros(0), "kind_share": np.zeros((0, 2)), "plant": none,
           "finder": np.full(len(judged.plant_kind), -1)}
    )  # fmt: skip
    trust = trust_of(silent, card(kinds=KINDS), PRICES)
    assert trust.as_is.found.value == trust.precision_points == trust.precision_boxes == 0.0
    assert trust.as_is.missed.value == pytest.approx(trust.to_treat / trust.area_m2)
    assert math.isnan(trust.as_is.right.value)
    assert trust.curve.chosen == 0
    assert worst(silent, np.zeros(0), 0.5, PRICES)


def test_the_worst_come_first():
    judged = made(np.random.default_rng(8))
    p = logistic(judged.logit)
    mistakes = worst(judged, p, 0.5, PRICES, most=5)
    misses = [m for m in mistakes if m.sort in ("missed", "taken for one to spare")]
    burns = [m for m in mistakes if m.sort in ("bare ground", "one to spare")]
    assert len(misses) == len(burns) == 5
    assert [m.radius_px for m in misses] == sorted((m.radius_px for m in misses), reverse=True)
    assert [m.probability for m in burns] == sorted((m.probability for m in burns), reverse=True)
    assert min(m.probability for m in burns) >= 0.5


def test_reliability_counts_every_candidate_above_the_least():
    p = np.array([0.01, 0.06, 0.07, 0.95, 0.96])
    bins = reliability(p, np.array([1, 0, 1, 1, 1], bool))
    assert [(b.count, b.found) for b in bins] == [(2, 0.5), (2, 1.0)]


def test_prices_that_are_none_are_refused():
    with pytest.raises(InputError):
        Prices({"dandelion": -1.0}, {}, 0.0, 0.0)
    with pytest.raises(InputError):
        Prices({"dandelion": float("nan")}, {}, 0.0, 0.0)


def picture(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 255, (64, 96, 3)).astype(np.uint8)


def test_pictures_taught_on_are_known_by_their_pixels():
    samples = [Sample(f"n{i}", lambda i=i: picture(i), (), "g") for i in range(4)]
    taught_card = card(data=seen_pictures(samples[:2], samples[2:3]))
    renamed = [Sample("other name", s.load, (), "elsewhere") for s in samples]
    assert already_seen(taught_card, renamed) == (["other name"] * 2, ["other name"])
    assert notes_pictures(taught_card)
    assert not notes_pictures(card(data={}))
    assert picture_mark(picture(0)) != picture_mark(picture(0).reshape(96, 64, 3))
    with pytest.raises(InputError):
        already_seen(card(data={"taught_marks": "abc"}), samples)


def test_judging_needs_labels_and_known_kinds():
    detector = load_detector(shipped_detector())
    bare = Sample("a", lambda: picture(0), (), "g")
    with pytest.raises(InputError, match="no labelled plant"):
        judge(detector, [bare], TeachSettings())
    odd = Sample("a", lambda: picture(0), (Label("a", 20.0, 20.0, 9.0, "moss"),), "g", metres_per_px=0.001)
    with pytest.raises(InputError, match="does not know"):
        judge(detector, [odd], TeachSettings())
    judged = judge(detector, [odd, bare], TeachSettings(), compare_kinds=False)
    assert judged.plant_kind.tolist() == [-1]
    assert not np.isfinite(judged.area_m2)  # the second picture does not say


def test_light():
    image = np.zeros((10, 10, 3), np.uint8)
    image[:5] = 255
    assert light_of(image) == pytest.approx((0.5, 0.5))


def test_chance_alone_reaches_what_it_is_said_to_reach():
    """Perfect probabilities stay below it 19 times in 20 (400 draws, seeded)."""
    rng = np.random.default_rng(9)
    p = rng.uniform(0.05, 1, 150)
    limit = chance_error(p, np.random.default_rng(1), draws=400)
    below = [expected_calibration_error(p, rng.uniform(size=150) < p) <= limit for _ in range(400)]
    assert np.mean(below) == pytest.approx(0.95, abs=0.04)

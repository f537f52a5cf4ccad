"""Optimism: F1 by hand, intervals that hold the truth as often as they say, nothing said where nothing is compared."""

import numpy as np
import pytest
from tests.learning.test_trust import made

from swardwright.domain.errors import InputError
from swardwright.learning.judged import stated_probability
from swardwright.learning.optimism import counts_by_picture, f1, optimism


def drawn(rng, pictures, found, alarms=0.5, plants=8):
    n = rng.poisson(plants, pictures)
    hit = rng.binomial(n, found)
    return np.stack([hit, hit + rng.poisson(alarms, pictures), n], axis=1)


def test_f1_by_hand():
    assert f1(np.array([6, 8, 10])) == pytest.approx(2 * 0.75 * 0.6 / (0.75 + 0.6))  # precision 6/8, recall 6/10
    assert f1(np.zeros((2, 3))).tolist() == [0.0, 0.0]


def test_counts_are_those_of_each_picture():
    judged = made(np.random.default_rng(5))
    counts = counts_by_picture(judged, 1.0, 0.0, 0.6)
    kept = stated_probability(judged, 1.0, 0.0) >= 0.6
    for i in range(len(judged.pictures)):
        mine = judged.picture == i
        assert counts[i].tolist() == [(kept & judged.hit & mine).sum(), (kept & mine).sum(),
                                      (judged.plant_picture == i).sum()]  # fmt: skip


def test_the_gap_lies_in_its_interval_as_often_as_said():
    rng = np.random.default_rng(6)
    alike = [optimism(drawn(rng, 30, 0.8), drawn(rng, 30, 0.8), seed=i).gap for i in range(100)]
    assert sum(g.low <= 0 <= g.high for g in alike) >= 86  # 95 % less three standard deviations of 100 draws less 2
    better = [optimism(drawn(rng, 30, 0.95), drawn(rng, 30, 0.75), seed=i).gap for i in range(30)]
    assert sum(g.low > 0 for g in better) >= 28


def test_one_picture_judges_with_no_width_and_none_is_refused():
    one = np.array([[3, 4, 5]])
    found = optimism(one, one)
    assert (found.gap.low, found.gap.value, found.gap.high) == (0, 0, 0)
    for empty in (np.zeros((0, 3), int), np.zeros((2, 3), int)):
        with pytest.raises(InputError, match="no plants"):
            optimism(one, empty)

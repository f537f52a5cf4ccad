"""Folds by place, and the threshold of the best F1."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.learning import Sample
from swardwright.learning.folds import balanced_threshold, place_folds


def sample(name, group, plants):
    return Sample(name, lambda: None, tuple(Label(name, 5.0, 5.0, 4.0, "dock") for _ in range(plants)), group)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 8)), min_size=4, max_size=40), st.integers(2, 4),
       st.integers(0, 99))  # fmt: skip
def test_every_place_lies_in_one_fold_and_every_fold_has_plants(rows, count, seed):
    samples = [sample(f"p{n}", f"g{group}", plants) for n, (group, plants) in enumerate(rows)]
    labelled = {s.group for s in samples if s.labels}
    if len(labelled) < count:
        with pytest.raises(InputError):
            place_folds(samples, count, np.random.default_rng(seed))
        return
    folds = place_folds(samples, count, np.random.default_rng(seed))
    assert sorted(name for fold in folds for name in fold) == sorted({s.group for s in samples})
    for fold in folds:
        assert fold & labelled
        assert labelled - fold


def test_balanced_threshold_keeps_what_is_likelier_than_half_the_best_f1():
    """Lipton et al. 2014, theorem 1, on candidates whose probabilities are true."""
    rng = np.random.default_rng(3)
    p = rng.beta(0.6, 0.9, 200_000)
    hit = rng.random(len(p)) < p
    missed = 20_000  # plants without a candidate
    threshold, f1 = balanced_threshold(p, hit, int(hit.sum()) + missed)
    assert threshold == pytest.approx(f1 / 2, abs=0.01)
    kept = p >= threshold
    assert f1 == pytest.approx(2 * hit[kept].sum() / (kept.sum() + hit.sum() + missed), abs=0.003)
    assert balanced_threshold(np.zeros(0), np.zeros(0, bool), 3) == (0.5, 0.0)

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.scoring import abbott, chapman, henderson_tilton, wilson


@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_contains_the_share_and_mirrors(k_n):
    k, n = k_n
    low, high = wilson(k, n)
    assert 0.0 <= low <= k / n <= high <= 1.0
    assert low < high
    assert (1.0 - high, 1.0 - low) == pytest.approx(wilson(n - k, n), abs=1e-12)
    wider = wilson(k, n, 0.99)
    assert wider[0] <= low
    assert wider[1] >= high


def test_wilson_covers_about_as_often_as_it_says():
    # exact coverage by the binomial law, averaged over p: near 95 % (Newcombe 1998 reports 0.952 on average)
    from scipy.stats import binom

    n = 40
    intervals = np.array([wilson(k, n) for k in range(n + 1)])
    shares = np.linspace(0.02, 0.98, 193)
    inside = (intervals[:, :1] <= shares) & (shares <= intervals[:, 1:])
    coverage = (binom.pmf(np.arange(n + 1)[:, None], n, shares) * inside).sum(axis=0)
    assert coverage.mean() == pytest.approx(0.952, abs=0.004)


@pytest.mark.parametrize(
    "call",
    [
        lambda: wilson(3, 2), lambda: wilson(-1, 2), lambda: wilson(0, 0), lambda: wilson(1, 2, 1.0),
        lambda: wilson(1, 2, math.nan), lambda: abbott(0.0, 0.0), lambda: abbott(-1.0, 0.5),
        lambda: abbott(1.0, math.nan),
        lambda: henderson_tilton(1, 0, 1, 1), lambda: henderson_tilton(1, 1, 0, 1),
        lambda: henderson_tilton(math.inf, 1, 1, 1), lambda: chapman(5, 4, 5), lambda: chapman(5, 4, -1),
    ],
)  # fmt: skip
def test_wrong_numbers_are_refused_in_one_sentence(call):
    with pytest.raises(InputError) as caught:
        call()
    assert caught.value.sentence().count("\n") == 0
    assert caught.value.field


def test_chapman_is_nearly_unbiased_where_passes_miss_independently():
    rng = np.random.default_rng(4)
    seen = rng.random((2, 4000, 120)) < np.array([0.8, 0.7])[:, None, None]
    estimates = [chapman(int(a.sum()), int(b.sum()), int((a & b).sum()))[0] for a, b in zip(*seen, strict=True)]
    assert np.mean(estimates) == pytest.approx(120, abs=4 * np.std(estimates) / 4000**0.5 + 0.05)

"""What more labels would bring."""

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.learning.learning_curve import fit_learning_curve


def test_a_law_without_noise_is_foretold():
    n = np.array([50.0, 100, 200, 400, 800])
    law = 2.0 * n**-0.6 + 0.03
    curve = fit_learning_curve(n, law, np.full(5, 1e-3))
    for more in (800, 1600, 3200):
        middle, low, high = curve.at(more)
        assert low <= 2.0 * more**-0.6 + 0.03 <= high
        assert middle == pytest.approx(2.0 * more**-0.6 + 0.03, abs=0.004)


def test_three_noisy_runs_promise_no_more_than_they_keep():
    """300 laws drawn at random, three runs each: twice the labels fall into the interval at least 9 times in 10."""
    rng = np.random.default_rng(2)
    held, widths = 0, []
    for _ in range(300):
        b, c = rng.uniform(0.2, 1.2), rng.uniform(0, 0.15)
        a = rng.uniform(0.2, 0.6) * 50**b
        n = np.array([50.0, 100, 200])
        error = np.clip(a * n**-b + c + rng.normal(0, 0.03, 3), 0, 1)
        _, low, high = fit_learning_curve(n, error, np.full(3, 0.03)).at(400)
        held += low <= a * 400**-b + c <= high
        widths.append(high - low)
    assert held / 300 > 0.9
    assert np.median(widths) < 0.2  # and it still says something


def test_more_labels_never_look_worse():
    curve = fit_learning_curve([20, 40, 80], [0.30, 0.35, 0.25], [0.03] * 3)
    errors = [curve.at(n)[0] for n in (80, 160, 320, 640)]
    assert errors == sorted(errors, reverse=True)


@pytest.mark.parametrize(
    ("labels", "error", "sd"),
    [
        ([10, 20], [0.3, 0.2], [0.1, 0.1]),
        ([10, 10, 20], [0.3, 0.3, 0.2], [0.1] * 3),
        ([10, 20, 40], [0.3, float("nan"), 0.2], [0.1] * 3),
        ([10, 20, 40], [0.3, 0.2, 0.1], [0.1, 0.0, 0.1]),
    ],
)
def test_too_few_or_bad_runs_are_refused(labels, error, sd):
    with pytest.raises(InputError):
        fit_learning_curve(labels, error, sd)

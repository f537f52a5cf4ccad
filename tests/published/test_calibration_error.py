"""Expected calibration error against torchmetrics (BinaryCalibrationError, l1 norm, equal-width bins).

Tolerance 1e-6: the same sums in another order. Below ``least`` nothing is handed to either.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.learning.measure import expected_calibration_error
from swardwright.learning.trust import reliability


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 400), st.sampled_from([5, 10, 15]), st.floats(0.5, 2.0))
def test_expected_calibration_error_is_torchmetrics(seed, n, bins, bend):
    torch = pytest.importorskip("torch")
    metrics = pytest.importorskip("torchmetrics")
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.05, 1, n)
    hit = rng.uniform(size=n) < p**bend
    judge = metrics.classification.BinaryCalibrationError(n_bins=bins, norm="l1")
    wanted = float(judge(torch.from_numpy(p), torch.from_numpy(hit.astype(np.int64))))
    assert expected_calibration_error(p, hit, bins=bins) == pytest.approx(wanted, abs=1e-6)


def test_the_diagram_adds_up_to_the_error():
    rng = np.random.default_rng(1)
    p = rng.uniform(0, 1, 500)
    hit = rng.uniform(size=500) < p**1.5
    bars = reliability(p, hit)
    total = sum(b.count for b in bars)
    error = sum(b.count * abs(b.stated - b.found) for b in bars) / total
    assert total == int((p >= 0.05).sum())
    assert error == pytest.approx(expected_calibration_error(p, hit))

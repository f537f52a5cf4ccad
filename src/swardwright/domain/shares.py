"""Shares of counts with their intervals."""

from __future__ import annotations

import math
from statistics import NormalDist

from swardwright.domain.errors import InputError


def wilson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the Wilson score interval of a proportion.

    Parameters
    ----------
    k, n : int
        Successes out of trials; ``n`` at least 1.
    confidence : float
        Between 0 and 1.

    Returns
    -------
    low, high : float
        Exactly 0 (1) where nothing (everything) succeeded.

    Raises
    ------
    InputError
        If ``k`` is not between 0 and ``n``, ``n`` is not positive, or the confidence is not between 0 and 1.

    Notes
    -----
    Wilson 1927; method 3 of R. G. Newcombe, Statistics in Medicine 17, 1998. It takes the weeds as independent: weeds
    missed together (one gust, one bad stop) make the true interval wider.
    """
    if not 0 <= k <= n or n < 1:
        raise InputError("a share needs 0 <= k <= n and n at least 1", field="k, n", value=(k, n))
    if not 0.0 < confidence < 1.0:
        raise InputError("a confidence lies between 0 and 1", field="confidence", value=confidence)
    z2 = NormalDist().inv_cdf(0.5 + 0.5 * confidence) ** 2
    p = k / n
    middle = p + z2 / (2.0 * n)
    spread = math.sqrt(z2 * (p * (1.0 - p) / n + z2 / (4.0 * n * n)))
    scale = 1.0 + z2 / n
    low = 0.0 if k == 0 else (middle - spread) / scale
    high = 1.0 if k == n else (middle + spread) / scale
    return low, high

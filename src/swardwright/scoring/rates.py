"""Rates with their intervals: Wilson, Abbott, Henderson and Tilton, Chapman."""

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


def abbott(control_alive: float, treated_alive: float) -> float:
    """Return the effect corrected for what dies anyway: ``(X - Y) / X``.

    Parameters
    ----------
    control_alive, treated_alive : float
        What is alive without and with treatment, counts of equal plots or shares of survival.

    Returns
    -------
    float
        1 is everything; negative where more died without treatment.

    Raises
    ------
    InputError
        If a number is negative or not finite, or nothing is alive without treatment.

    Notes
    -----
    W. S. Abbott, Journal of Economic Entomology 18, 1925.
    """
    _not_negative(control_alive=control_alive, treated_alive=treated_alive)
    if control_alive == 0.0:
        raise InputError(
            "no correction is possible where no control is alive",
            field="control_alive",
            remedy="leave more weeds untreated as controls",
        )
    return (control_alive - treated_alive) / control_alive


def henderson_tilton(control_before: float, control_after: float, treated_before: float, treated_after: float) -> float:
    """Return the effect corrected for unequal numbers before and for change in the controls.

    ``1 - Ta Cb / (Tb Ca)``: C. F. Henderson and E. W. Tilton, Journal of Economic Entomology 48, 1955.

    Raises
    ------
    InputError
        If a number is negative or not finite, or the treated before or the controls after are zero.
    """
    _not_negative(
        control_before=control_before,
        control_after=control_after,
        treated_before=treated_before,
        treated_after=treated_after,
    )
    if control_after == 0.0 or treated_before == 0.0:
        raise InputError(
            "no correction is possible without treated weeds before and controls alive after",
            field="treated_before, control_after",
            value=(treated_before, control_after),
            remedy="leave more weeds untreated as controls",
        )
    return 1.0 - (treated_after * control_before) / (treated_before * control_after)


def chapman(first: int, second: int, both: int) -> tuple[float, float]:
    """Return how many there are, seen or not, from two passes, and the standard error.

    Parameters
    ----------
    first, second : int
        Distinct weeds seen in each pass.
    both : int
        Seen in both.

    Raises
    ------
    InputError
        If ``both`` is negative or more than either pass saw.

    Notes
    -----
    D. G. Chapman 1951, Lincoln-Petersen with one added; variance of G. A. F. Seber 1970. It assumes that the passes
    miss independently: weeds that are hard to see are missed by both, and the estimate is then too low.
    """
    if not 0 <= both <= min(first, second):
        raise InputError("the weeds seen in both passes are among those of each", field="both", value=both,
                         limit=f"0 to {min(first, second)}")  # fmt: skip
    number = (first + 1) * (second + 1) / (both + 1) - 1
    variance = (first + 1) * (second + 1) * (first - both) * (second - both) / ((both + 1) ** 2 * (both + 2))
    return number, math.sqrt(variance)


def _not_negative(**values: float) -> None:
    for field, value in values.items():
        if not 0.0 <= value < math.inf:
            raise InputError("a number alive cannot be negative or unknown", field=field, value=value)

"""Rates with their intervals: Wilson, Abbott, Henderson and Tilton, Chapman."""

from __future__ import annotations

import math

from swardwright.domain.errors import InputError
from swardwright.domain.shares import wilson


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


__all__ = ["abbott", "chapman", "henderson_tilton", "wilson"]

"""Did it work: before and after matched on the ground, kill rate with its interval, controls, corrections."""

from swardwright.scoring.rates import abbott, chapman, henderson_tilton, wilson
from swardwright.scoring.score import score

__all__ = ["abbott", "chapman", "henderson_tilton", "score", "wilson"]

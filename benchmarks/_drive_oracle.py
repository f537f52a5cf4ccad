"""Drives by a solver from outside: pyvrp (iterated local search over vehicle routes; MIT), one vehicle, open route."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def best_known_s(cost: Array, *, iterations: int, seed: int = 0) -> tuple[float, list[int]]:
    """Return the shortest time from the first place through all others found, s, and the order.

    Parameters
    ----------
    cost : Array
        Shape (n, n), s; handed over in whole milliseconds, as the solver wants them, and added up as they are here.
    """
    import pyvrp

    n = len(cost)
    if n < 3:
        return float(cost[0, -1]), list(range(n))
    whole = np.zeros((n + 1, n + 1), dtype=np.int64)  # the last place is the end: the way there is free
    whole[:n, :n] = np.rint(1000.0 * cost)
    make: Any = pyvrp
    data = make.ProblemData(
        [make.Location(0, k) for k in range(n + 1)], [make.Client(k) for k in range(1, n)],
        [make.Depot(0), make.Depot(n)], [make.VehicleType(1, start_depot=0, end_depot=1)], [whole], [whole],
    )  # fmt: skip
    result = make.solve(data, make.stop.MaxIterations(iterations), seed=seed, collect_stats=False)
    (route,) = result.best.routes()
    order = [0, *(1 + int(visit.idx) for visit in route if visit.is_client())]
    if sorted(order) != list(range(n)):
        raise ValueError("the solver from outside left a place out")
    return float(sum(cost[a, b] for a, b in pairwise(order))), order

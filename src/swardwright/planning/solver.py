"""The exact solver for set covering (HiGHS): whole covers with a bound, and prices of what is covered."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from swardwright.domain.poses import Array


def fewest(sets: Any, cost: Array, time_s: float, nodes: int | None = None) -> tuple[list[int], float]:
    """Return the columns of a cheap cover (none, if none was found in the time) and a proven lower bound on its cost.

    It ends within 1 % of its bound, or 0.4, or after so many branches: unlike the time, the same on any machine.

    Parameters
    ----------
    sets : csr_array
        Shape (m, n): where there is an entry, the stop (row) covers the weed (column).
    cost : Array
        Shape (m,).
    """
    solver, highspy = _solver()
    solver.setOptionValue("time_limit", float(time_s))
    solver.setOptionValue("mip_rel_gap", 0.01)
    solver.setOptionValue("mip_abs_gap", 0.4)
    if nodes is not None:
        solver.setOptionValue("mip_max_nodes", nodes)
    model = _model(highspy, sets, cost)
    model.col_upper_ = np.ones(len(cost))
    model.integrality_ = [highspy.HighsVarType.kInteger] * len(cost)
    solver.passModel(model)
    solver.run()
    dual = float(solver.getInfo().mip_dual_bound)
    found = np.array(solver.getSolution().col_value)
    chosen = [int(i) for i in np.flatnonzero(found > 0.5)] if len(found) == len(cost) else []
    return chosen, dual if math.isfinite(dual) else 0.0


def dual_prices(sets: Any) -> Array:
    """Return the best prices (n,) of what is covered, over the sets given, as an inner point's duals: not exact."""
    solver, highspy = _solver()
    solver.setOptionValue("solver", "ipm")
    solver.setOptionValue("run_crossover", "off")
    solver.passModel(_model(highspy, sets, np.ones(sets.shape[0])))
    solver.run()
    prices = np.array(solver.getSolution().row_dual)
    return np.maximum(prices, 0.0) if len(prices) == sets.shape[1] else np.zeros(sets.shape[1])


def _solver() -> tuple[Any, Any]:
    import highspy

    class Quiet(highspy.Highs):  # type: ignore[misc]
        """A solver whose constructor prints no banner to the user's output."""

        def enableCallbacks(self) -> None:  # noqa: N802  (the name is the library's)
            self.silent()
            super().enableCallbacks()

    solver = Quiet()
    solver.silent()
    return solver, highspy


def _model(highspy: Any, sets: Any, cost: Array) -> Any:
    m, n = sets.shape
    across = sets.T.tocsr()
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = m, n
    model.col_cost_ = cost
    model.col_lower_, model.col_upper_ = np.zeros(m), np.full(m, highspy.kHighsInf)
    model.row_lower_, model.row_upper_ = np.ones(n), np.full(n, highspy.kHighsInf)
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_ = across.indptr.astype(np.int32)
    model.a_matrix_.index_ = across.indices.astype(np.int32)
    model.a_matrix_.value_ = np.ones(across.nnz)
    return model

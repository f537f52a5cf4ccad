"""The joint estimate's linear problem by our own elimination, by SciPy and by GTSAM: time, memory, agreement.

One linearised problem of each size, one thread, every solver in a process of its own. All give the crowns and, but for
SciPy's least_squares, their covariances; ours also those of the errors and of neighbours, and counts its assembly.
GTSAM is left out where it is not installed. Decision 0006 rests on this.
"""

from __future__ import annotations

import multiprocessing
import resource
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse.linalg import splu

from benchmarks._sites import ERRORS, joint_of, located
from benchmarks._stacked import Factors, factors_of
from swardwright.domain.poses import Array
from swardwright.merging.joint import Joint
from swardwright.merging.solve import solve
from swardwright.simulation.pixel_survey import clustered_plants, draw_survey, invented_rig, lanes

Figure = dict[str, Any]
#: Crowns (n, 2) and their covariances (n, 2, 2), None where a solver gives the mean only.
Answer = tuple[Array, Array | None]
#: Largest difference: of crowns in standard deviations, of covariances relative to their size.
AGREE, AGREE_COVARIANCE = 1e-4, 1e-8


def figures(full: bool) -> Iterator[Figure]:
    """Yield time, memory and agreement of each solver for 40 and 400 frames."""
    for length, count, density in ((3.6, 4, 7.8), (15.6, 10, 6.7)):
        rng = np.random.default_rng(73)
        crowns = clustered_plants(rng, (-0.3, -0.6), (length + 0.3, count - 0.4), density_m2=density, k=20.0)
        drawn = located(draw_survey(invented_rig(ERRORS), crowns, lanes(length, count), rng, fixes=True, name="one"))
        joint = joint_of(drawn)
        n = len(joint.solution.crowns_m)
        system = factors_of(joint.problem, joint.weed_of, n)
        size = f"{len(joint.problem.frames)} frames, {n} weeds, {sum(system.sizes.values())} unknowns"
        runs = 5 if full else 1
        reference: Answer | None = None
        for name, work in _solvers(joint, system, n).items():
            answer, seconds, memory = _apart(work, runs)
            yield _figure(f"{name}: time, {size}", seconds, "s", None, None)
            yield _figure(f"{name}: memory, {size}", memory, "MB", None, None)
            if reference is None:
                reference = answer
                continue
            mean, spread = _differences(reference, answer)
            iterative = "least_squares" in name
            yield _figure(f"{name}: crowns differ from ours by, {size}", mean, "standard deviations",
                          None if iterative else f"<= {AGREE:g}", None if iterative else mean <= AGREE)  # fmt: skip
            if spread is not None:
                yield _figure(f"{name}: covariances differ from ours by, {size}", spread, "1",
                              f"<= {AGREE_COVARIANCE:g}", spread <= AGREE_COVARIANCE)  # fmt: skip


def _figure(name: str, value: float, unit: str, bound: Any, holds: bool | None) -> Figure:
    return {"figure": name, "value": float(f"{value:.3g}"), "unit": unit, "bound": bound,
            "holds": None if holds is None else bool(holds)}  # fmt: skip


def _solvers(joint: Joint, system: Factors, n: int) -> dict[str, Callable[[], Answer]]:
    """Return what each solver does, ours first; the means come without the centre that keeps numbers small."""
    problem = joint.problem
    centre = problem.position_m.mean(axis=0)
    matrix, right = system.stacked()
    crown = (3 * np.arange(n)[:, None] + [0, 1]).ravel()
    moved = (problem.jacobian @ joint.solution.errors).reshape(-1, 2)

    def ours() -> Answer:
        out = solve(problem, joint.weed_of, n, None, moved)
        return out.crowns_m - centre, out.covariance_m2

    def blocks_of(full: Array) -> Array:
        at = np.arange(n)
        return np.asarray(full.reshape(n, 2, n, 2)[at, :, at, :])

    def lu() -> Answer:
        factored = splu((matrix.T @ matrix).tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                        options={"SymmetricMode": True})  # fmt: skip
        unit = np.zeros((matrix.shape[1], 2 * n))
        unit[crown, np.arange(2 * n)] = 1.0
        return factored.solve(matrix.T @ right)[crown].reshape(n, 2), blocks_of(factored.solve(unit)[crown])

    def dense() -> Answer:
        inverse = np.linalg.inv((matrix.T @ matrix).toarray())
        return (inverse @ (matrix.T @ right))[crown].reshape(n, 2), blocks_of(inverse[np.ix_(crown, crown)])

    def trust_region() -> Answer:
        def rest(x: Array) -> Array:
            return np.asarray(matrix @ x - right)

        def jacobian(_: Array) -> Any:
            return matrix

        start, small = np.zeros(matrix.shape[1]), 1e-12
        out = least_squares(rest, start, jac=jacobian, method="trf", tr_solver="lsmr", x_scale="jac", xtol=small,
                            ftol=small, gtol=small, max_nfev=50)  # fmt: skip
        return out.x[crown].reshape(n, 2), None

    out: dict[str, Callable[[], Answer]] = {
        "ours": ours,
        "SciPy splu": lu,
        "NumPy inv": dense,
        "SciPy least_squares (trf, lsmr)": trust_region,
    }
    try:
        import gtsam
    except ImportError:
        return out
    graph, keys = system.graph()

    def factor_graph() -> Answer:
        mean = graph.optimize()
        marginals = gtsam.Marginals(graph, mean)
        weeds = [keys[("weed", w)] for w in range(n)]
        covariance = np.array([marginals.marginalCovariance(k)[:2, :2] for k in weeds])
        return np.array([mean.at(k)[:2] for k in weeds]), covariance

    return out | {"GTSAM": factor_graph}


def _apart(work: Callable[[], Answer], runs: int) -> tuple[Answer, float, float]:
    """Return the answer, the median processor time (s) and the memory (MB) it took beyond what was there."""
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)

    def child() -> None:
        times, before = [], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        for _ in range(runs):
            start = time.process_time()
            answer = work()
            times.append(time.process_time() - start)
        there.send(
            (answer, float(np.median(times)), (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1e3)
        )

    process = context.Process(target=child)
    process.start()
    there.close()
    out: tuple[Answer, float, float] = here.recv()
    process.join()
    return out


def _differences(reference: Answer, other: Answer) -> tuple[float, float | None]:
    covariance = reference[1]
    assert covariance is not None
    off = other[0] - reference[0]
    mean = float(np.sqrt(np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance), off).max()))
    if other[1] is None:
        return mean, None
    size = np.linalg.norm(covariance, axis=(1, 2))
    return mean, float((np.linalg.norm(other[1] - covariance, axis=(1, 2)) / size).max())

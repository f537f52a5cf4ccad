"""The least-squares problem of a smoothed track: a chain of poses, and errors that the whole recording shares.

Unknowns: poses (n, 3) and shared errors (k,). The information matrix is block-tridiagonal in the poses with a border of
k columns. Given the shared errors the poses are a chain; by what the shared errors are uncertain, all poses move
together: error of pose i = chain error + ``shared_i @ m`` with unit normals m, independent, which is exact for a
Gaussian. Formulas: Gauss-Newton normal equations; bordered systems by the Schur complement of the border.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import Array, wrap_angle

#: a fix farther off than this (squared normalised distance; chi-square with 2 degrees of freedom: 4e-6) is left out
FIX_GATE = 25.0


def solve_banded(diagonal: Array, upper: Array, right: Array) -> Array:
    """Return x of ``A x = right`` for a block-tridiagonal, positive definite A: banded Cholesky, in SciPy.

    As ``domain.chain.solve_chain``, which has no SciPy and is slower.

    Parameters
    ----------
    diagonal, upper : Array
        Shapes (n, k, k) and (n - 1, k, k).
    right : Array
        Shape (n, k), or (n, k, m) for m right-hand sides.

    Returns
    -------
    Array
        Of the shape of ``right``.
    """
    from scipy.linalg import solveh_banded

    n, k = diagonal.shape[:2]
    band = np.zeros((2 * k, n * k))
    for row in range(k):
        for column in range(k):
            if row >= column:
                band[row - column, column::k] = diagonal[:, row, column]
            band[k + row - column, column : (n - 1) * k : k] = upper[:, column, row]
    solved = solveh_banded(band, np.reshape(right, (n * k, -1)), lower=True)
    return np.asarray(solved.reshape(np.shape(right)), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Normal:
    """Normal equations: diagonal (n, 3, 3), upper (n - 1, 3, 3), border (n, 3, k), corner (k, k), gradients, cost."""

    diagonal: Array
    upper: Array
    border: Array
    corner: Array
    gradient: Array
    corner_gradient: Array
    cost: float

    def step(self) -> tuple[Array, Array, Array, Array]:
        """Return the step of poses (n, 3) and of shared errors (k,), loadings (n, 3, k) and their root (k, k)."""
        right = np.concatenate([self.gradient[:, :, None], self.border], axis=2)
        solved = solve_banded(self.diagonal, self.upper, right)
        along, by_shared = solved[:, :, 0], solved[:, :, 1:]
        left = self.corner - np.einsum("nik,nil->kl", self.border, by_shared)
        if not len(left):
            return -along, np.zeros(0), by_shared, left
        covariance = np.asarray(np.linalg.inv(0.5 * (left + left.T)))
        step = covariance @ (np.einsum("nik,ni->k", self.border, along) - self.corner_gradient)
        root: Array = np.linalg.cholesky(0.5 * (covariance + covariance.T))
        return -along - by_shared @ step, step, -by_shared @ root, root


@dataclass(frozen=True, eq=False)
class Solved:
    """The optimum: poses (n, 3), shared errors (k,), the chain's information given these, and loadings (n, 3, k).

    ``root`` (k, k): Cholesky factor of the shared errors' covariance; the loadings are of the same unit normals.
    """

    poses: Array
    shared: Array
    diagonal: Array
    upper: Array
    loadings: Array
    root: Array


@dataclass(frozen=True, eq=False)
class ChainProblem:
    """The least-squares problem: n nodes, n - 1 links, one prior, any number of fixes, k shared errors.

    Attributes
    ----------
    steps : Array
        Shape (n - 1, 3): measured pose of node i + 1 in the axes of node i.
    step_information : Array
        Shape (n - 1, 3, 3).
    start_node : int
        The node on which the prior ``start`` (3,) with ``start_information`` (3, 3) lies.
    fix_nodes, fix_places, fix_information : Array
        Shapes (m,), (m, 2), (m, 2, 2).
    step_loads : Array
        Shape (n - 1, 3, k): change of the measured steps per unit of each shared error.
    fix_loads : Array
        Shape (m, 2, k): change of the measured places per unit of each shared error.
    shared_mean, shared_information : Array
        Shapes (k,) and (k, k): what is known of the shared errors beforehand.
    stretched : bool
        The first shared error is the odometry's scale k: a measured step is ``1 + k`` times the true one. (By the true
        step, not the measured: a scale times a noisy step would be drawn to what explains the noise.)
    """

    steps: Array
    step_information: Array
    start_node: int
    start: Array
    start_information: Array
    fix_nodes: NDArray[np.intp]
    fix_places: Array
    fix_information: Array
    step_loads: Array
    fix_loads: Array
    shared_mean: Array
    shared_information: Array
    stretched: bool = False

    def with_fixes(self, good: NDArray[np.bool_]) -> ChainProblem:
        """Return the problem with the fixes marked in ``good`` only."""
        return replace(self, fix_nodes=self.fix_nodes[good], fix_places=self.fix_places[good],
                       fix_information=self.fix_information[good], fix_loads=self.fix_loads[good])  # fmt: skip

    def fix_misses(self, poses: Array, shared: Array) -> Array:
        """Return the fixes' residuals (m, 2)."""
        return np.asarray(poses[self.fix_nodes, :2] - self.fix_places - self.fix_loads @ shared)

    def wild_fixes(self, poses: Array, shared: Array) -> NDArray[np.bool_]:
        """Say which fixes are beyond ``FIX_GATE`` and among the worst (the milder may only be drawn off by these)."""
        if not len(self.fix_nodes):
            return np.zeros(0, dtype=bool)
        off = self.fix_misses(poses, shared)
        distance2 = np.einsum("ni,nij,nj->n", off, self.fix_information, off)
        return np.asarray(distance2 > max(FIX_GATE, 0.5 * float(distance2.max())))

    def first_guess(self) -> Array:
        """Return the poses (n, 3) of following the links both ways from the start pose."""
        n = len(self.steps) + 1
        poses = np.empty((n, 3))
        poses[self.start_node] = self.start
        for i in range(self.start_node, n - 1):
            x, y, a = poses[i]
            dx, dy, da = self.steps[i]
            poses[i + 1] = (x + np.cos(a) * dx - np.sin(a) * dy, y + np.sin(a) * dx + np.cos(a) * dy, a + da)
        for i in range(self.start_node - 1, -1, -1):
            dx, dy, da = self.steps[i]
            a = poses[i + 1, 2] - da
            x, y = poses[i + 1, :2]
            poses[i] = (x - np.cos(a) * dx + np.sin(a) * dy, y - np.sin(a) * dx - np.cos(a) * dy, a)
        return poses

    def links(self, poses: Array, shared: Array) -> tuple[Array, Array, Array, Array]:
        """Return the links' residuals (n - 1, 3) and their Jacobians.

        These are by the earlier and by the later pose (n - 1, 3, 3), and by the shared errors (n - 1, 3, k).
        """
        size = 1.0 + float(shared[0]) if self.stretched else 1.0
        d = np.diff(poses, axis=0)
        c, s = np.cos(poses[:-1, 2]), np.sin(poses[:-1, 2])
        told = self.steps + self.step_loads @ shared
        true = np.column_stack([c * d[:, 0] + s * d[:, 1], -s * d[:, 0] + c * d[:, 1], d[:, 2]])
        residual = true * [size, size, 1.0] - told
        residual[:, 2] = np.pi - (np.pi - residual[:, 2]) % (2.0 * np.pi)
        later = np.zeros((len(d), 3, 3))
        later[:, 0, 0], later[:, 0, 1], later[:, 1, 0], later[:, 1, 1], later[:, 2, 2] = c, s, -s, c, 1.0
        earlier = -later
        earlier[:, 0, 2] = -s * d[:, 0] + c * d[:, 1]
        earlier[:, 1, 2] = -c * d[:, 0] - s * d[:, 1]
        earlier[:, :2] *= size
        later[:, :2] *= size
        by_shared = -self.step_loads
        if self.stretched:
            by_shared = by_shared.copy()
            by_shared[:, :2, 0] += true[:, :2]
        return residual, earlier, later, by_shared

    def normal(self, poses: Array, shared: Array) -> Normal:
        """Return the normal equations at ``poses`` (n, 3) and ``shared`` (k,)."""
        n, k = len(poses), len(shared)
        residual, earlier, later, by_shared = self.links(poses, shared)
        info = self.step_information
        diagonal, gradient, border = np.zeros((n, 3, 3)), np.zeros((n, 3)), np.zeros((n, 3, k))
        weighted = np.einsum("nij,nj->ni", info, residual)
        weighted_shared = info @ by_shared
        early_t, late_t = earlier.transpose(0, 2, 1), later.transpose(0, 2, 1)
        diagonal[:-1] += early_t @ info @ earlier
        diagonal[1:] += late_t @ info @ later
        upper = early_t @ info @ later
        gradient[:-1] += np.einsum("nij,nj->ni", early_t, weighted)
        gradient[1:] += np.einsum("nij,nj->ni", late_t, weighted)
        border[:-1] += early_t @ weighted_shared
        border[1:] += late_t @ weighted_shared
        corner = self.shared_information + np.einsum("nik,nil->kl", by_shared, weighted_shared)
        beyond = shared - self.shared_mean
        corner_gradient = self.shared_information @ beyond + np.einsum("nik,ni->k", by_shared, weighted)
        cost = float(np.sum(residual * weighted)) + float(beyond @ self.shared_information @ beyond)
        off = poses[self.start_node] - self.start
        off[2] = wrap_angle(float(off[2]))
        diagonal[self.start_node] += self.start_information
        gradient[self.start_node] += self.start_information @ off
        cost += float(off @ self.start_information @ off)
        if len(self.fix_nodes):
            miss = self.fix_misses(poses, shared)
            pull = np.einsum("nij,nj->ni", self.fix_information, miss)
            pulled_loads = self.fix_information @ self.fix_loads
            np.add.at(diagonal[:, :2, :2], self.fix_nodes, self.fix_information)
            np.add.at(gradient[:, :2], self.fix_nodes, pull)
            np.add.at(border[:, :2, :], self.fix_nodes, -pulled_loads)
            corner = corner + np.einsum("nik,nil->kl", self.fix_loads, pulled_loads)
            corner_gradient = corner_gradient - np.einsum("nik,ni->k", self.fix_loads, pull)
            cost += float(np.sum(miss * pull))
        return Normal(diagonal, upper, border, corner, gradient, corner_gradient, cost)

    def solve(self, where: str = "") -> Solved:
        """Return the optimum.

        Raises
        ------
        RecordingError
            If it does not settle, which sound recordings do in a few steps.
        """
        poses, shared = self.first_guess(), np.array(self.shared_mean)
        here = self.normal(poses, shared)
        for _ in range(30):
            step, shared_step, _, _ = here.step()
            size = 1.0
            there = self.normal(poses + step, shared + shared_step)
            while size > 1e-4 and there.cost > here.cost + 1e-9 * (1.0 + here.cost):
                size *= 0.5
                there = self.normal(poses + size * step, shared + size * shared_step)
            poses, shared, here = poses + size * step, shared + size * shared_step, there
            largest = max(float(np.abs(step).max()), float(np.abs(shared_step).max(initial=0.0)))
            if largest < 1e-9 or (largest < 1e-6 and size < 1.0):
                _, _, loadings, root = here.step()
                return Solved(poses, shared, here.diagonal, here.upper, loadings, root)
        raise RecordingError("odometry and position fixes contradict each other", where=where,
                             remedy="check start pose and origin in site.toml against the recording")  # fmt: skip

"""Joint maximum a posteriori for a given association, with marginal covariances.

Normal equations in crowns and errors; the crowns' block is 2 x 2 block-diagonal and is eliminated first (Schur
complement), the errors' block is inverted densely, by halves. With ``G = H_ww^-1 H_we`` and ``S`` the inverse of the
complement, the crowns' covariance is ``H_ww^-1 + G S G'`` (block inverse), so honest marginals and the covariance
between any two weeds come with the solution.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, eigsh
from scipy.spatial import cKDTree

from swardwright.domain.poses import Array
from swardwright.merging.association import best_assignment, gains
from swardwright.merging.problem import Ints, Problem

#: Residuals beyond this many standard deviations count less (Huber's weight).
HUBER = 3.0
#: Matrices up to this size are inverted in one piece; entries below TINY count as zero.
BLOCK, TINY = 192, 1e-100


@dataclass(frozen=True, eq=False)
class Solution:
    """Estimates and covariances.

    Attributes
    ----------
    crowns_m : Array
        Shape (n, 2).
    covariance_m2 : Array
        Shape (n, 2, 2): marginal covariances.
    errors : Array
        Shape (width,): whitened errors (base errors of a track in metres and radians).
    error_covariance : Array
        Shape (width, width).
    private_m2 : Array
        Shape (n, 2, 2): ``H_ww^-1``, the part of the covariance that no other weed shares.
    gain : Array
        Shape (2 n, width): ``G``; ``crown error = -G @ error``, so the shared covariance is ``G S G'``.
    product : Array
        Shape (2 n, width): ``G S``.
    """

    crowns_m: Array
    covariance_m2: Array
    errors: Array
    error_covariance: Array
    private_m2: Array
    gain: Array
    product: Array

    def between(self, a: Ints, b: Ints) -> Array:
        """Return covariances (p, 2, 2) between different weeds a and b."""
        left = self.product.reshape(len(self.crowns_m), 2, -1)[a]
        right = self.gain.reshape(len(self.crowns_m), 2, -1)[b]
        return np.asarray(np.einsum("piv,pjv->pij", left, right))


def solve(problem: Problem, weed_of: Ints, count: int, weight: Array | None = None) -> Solution:
    """Solve for crowns and errors given the weed of every sighting.

    Parameters
    ----------
    weed_of : Ints
        Shape (K,).
    count : int
        Number of weeds; the register's come first, every other has at least one sighting.
    weight : Array, optional
        Shape (K,): robust weights.
    """
    k, n, prior = len(weed_of), count, problem.prior
    known = len(prior.mean_m)
    local = _inverses(problem.local_m2)
    if weight is not None:
        local = local * weight[:, None, None]
    centre = problem.position_m.mean(axis=0) if k else np.zeros(2)
    y = problem.position_m - centre
    crown = np.zeros((n, 2, 2))
    np.add.at(crown, weed_of, local)
    right = np.zeros((n, 2))
    np.add.at(right, weed_of, np.einsum("kij,kj->ki", local, y))
    weighted: Any = _diagonal(local) @ problem.jacobian
    rows = (2 * weed_of[:, None] + [0, 1]).ravel()
    pick: Any = sparse.csr_array((np.ones(2 * k), (rows, np.arange(2 * k))), shape=(2 * n, 2 * k))
    cross = (pick @ weighted).tocsr()
    errors = sparse.csc_array(problem.jacobian.T @ weighted) + problem.information
    right_e = weighted.T @ y.ravel()
    if known:
        own = np.linalg.inv(prior.own_m2)
        crown[:known] += own
        mean = prior.mean_m - centre
        right[:known] += np.einsum("nij,nj->ni", own, mean)
        if problem.modes:
            load = own @ prior.shared_m
            extra = sparse.lil_array((2 * n, problem.width))
            extra[: 2 * known, : problem.modes] = -load.reshape(2 * known, -1)
            cross = (cross + extra.tocsr()).tocsr()
            block = np.einsum("nik,nil->kl", prior.shared_m, load)
            added = sparse.lil_array((problem.width, problem.width))
            added[: problem.modes, : problem.modes] = block
            errors = sparse.csc_array(errors + added.tocsc())
            right_e[: problem.modes] -= np.einsum("nik,ni->k", load, mean)
    private = _inverses(crown)
    inverse = _diagonal(private)
    gain = (inverse @ cross).tocsr()
    complement = (errors - cross.T @ gain).toarray()
    complement = _flushed(0.5 * (complement + complement.T))
    spread = _inverse(complement)
    right_e = right_e - gain.T @ right.ravel()
    e = spread @ right_e
    e = e + spread @ (right_e - complement @ e)  # one refinement
    x = (inverse @ right.ravel() - gain @ e).reshape(n, 2) + centre
    product = np.asarray(gain @ spread)
    dense = gain.toarray()
    total = private + np.einsum(
        "niv,njv->nij", product.reshape(n, 2, problem.width), dense.reshape(n, 2, problem.width)
    )
    return Solution(x, 0.5 * (total + total.transpose(0, 2, 1)), e, spread, private, dense, product)


def _inverses(blocks: Array) -> Array:
    """Return the inverses of blocks (n, 2, 2)."""
    return np.asarray(np.linalg.inv(blocks), dtype=np.float64)


def _diagonal(blocks: Array) -> Any:
    """Return the block-diagonal matrix of blocks (n, 2, 2)."""
    n = len(blocks)
    columns = (2 * np.arange(n)[:, None, None] + np.array([[0, 1], [0, 1]])).ravel()
    return sparse.csr_array((blocks.ravel(), columns, 2 * np.arange(2 * n + 1)), shape=(2 * n, 2 * n))


def _inverse(matrix: Array) -> Array:
    """Return the inverse of a positive definite matrix by halving (block inverse by the Schur complement).

    Along a chain of frames correlations die out geometrically, down to denormal numbers, in which processors are slow
    by a factor of a hundred: what is tiny is set to zero between the steps. (LAPACK's Cholesky factor and inverse took
    5.7 s for 1,300 columns of a real chain, this 0.2 s on the same loaded machine.)
    """
    n = len(matrix)
    if n <= BLOCK:
        return np.asarray(np.linalg.inv(matrix)) if n else np.zeros((0, 0))
    half = n // 2
    first, off = _inverse(matrix[:half, :half]), matrix[:half, half:]
    weight = _flushed(first @ off)
    second = _inverse(matrix[half:, half:] - off.T @ weight)
    cross = _flushed(weight @ second)
    out = np.empty((n, n))
    out[:half, :half] = first + cross @ weight.T
    out[:half, half:] = -cross
    out[half:, :half] = -cross.T
    out[half:, half:] = second
    return _flushed(out)


def _flushed(matrix: Array) -> Array:
    matrix[np.abs(matrix) < TINY] = 0.0
    return matrix


def residuals(problem: Problem, solution: Solution, weed_of: Ints) -> Array:
    """Return what is left of each sighting, shape (K, 2), metres."""
    carried = (problem.jacobian @ solution.errors).reshape(-1, 2)
    return np.asarray(problem.position_m - carried - solution.crowns_m[weed_of])


def robust_weights(problem: Problem, solution: Solution, weed_of: Ints) -> Array:
    """Return Huber weights (K,) from the residuals and the local noise."""
    rest = residuals(problem, solution, weed_of)
    size = np.sqrt(np.einsum("ki,kij,kj->k", rest, np.linalg.inv(problem.local_m2), rest))
    return np.asarray(np.minimum(1.0, HUBER / np.maximum(size, 1e-12)))


def reassociate(problem: Problem, solution: Solution, weed_of: Ints, log_ratio: float, gate: float) -> Ints:
    """Associate every frame anew with the joint solution's covariances; -1 where no weed fits."""
    out = np.full(len(problem.sightings), -1, dtype=np.int64)
    if not len(solution.crowns_m):
        return out
    seen = problem.position_m - (problem.jacobian @ solution.errors).reshape(-1, 2)
    tree = cKDTree(solution.crowns_m)
    widest = float(np.linalg.eigvalsh(solution.covariance_m2)[:, -1].max())
    stacked = solution.product.reshape(len(solution.crowns_m), 2, problem.width)
    site = np.arange(problem.site, dtype=np.int64)
    for members, own, jacobian in zip(problem.members, problem.columns, problem.dense, strict=True):
        columns = np.concatenate([site, own])
        inner = solution.error_covariance[np.ix_(columns, columns)]
        m = len(members)
        blocks = jacobian.reshape(m, 2, -1)
        spread = np.einsum("mic,cd,mjd->mij", blocks, inner, blocks, optimize=True) + problem.local_m2[members]
        reach = np.sqrt(gate * 2 * (np.linalg.eigvalsh(spread)[:, -1] + widest))
        near = tree.query_ball_point(seen[members], reach)
        s = np.repeat(np.arange(m), [len(v) for v in near])
        w = np.concatenate([np.array(sorted(v), dtype=np.int64) for v in near]).astype(np.int64)
        if not len(s):
            continue
        # crown error = -G e, so cov(crown, e) = -product
        between = np.einsum("pic,pjc->pij", blocks[s], stacked[w][:, :, columns])
        covariance = solution.covariance_m2[w] + spread[s] - between - between.transpose(0, 2, 1)
        gain = gains(seen[members[s]] - solution.crowns_m[w], covariance, log_ratio, gate)
        keep = np.flatnonzero(gain > 0)
        for a, b in best_assignment(s[keep], w[keep], gain[keep]).items():
            out[members[a]] = b
    # a residual of the joint solution is smaller than the local noise: far beyond it, the pair is wrong
    held = np.flatnonzero(out >= 0)
    rest = seen[held] - solution.crowns_m[out[held]]
    far = np.einsum("ki,kij,kj->k", rest, np.linalg.inv(problem.local_m2[held]), rest) > gate
    out[held[far & (out[held] == weed_of[held])]] = -1
    return out


def shared_loadings(solution: Solution, modes: int) -> Array:
    """Return loadings (n, 2, k) of the k largest common errors: principal axes of the shared covariance ``G S G'``."""
    n = len(solution.crowns_m)
    k = min(modes, 2 * n, solution.gain.shape[1])
    if k == 0:
        return np.zeros((n, 2, 0))
    if 2 * n <= 4 * k:
        values, vectors = np.linalg.eigh(solution.product @ solution.gain.T)
        values, vectors = values[-k:], vectors[:, -k:]
    else:
        operator = LinearOperator(
            (2 * n, 2 * n), matvec=lambda v: solution.product @ (solution.gain.T @ v), dtype=np.float64
        )
        values, vectors = eigsh(operator, k=k, v0=np.ones(2 * n))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))).reshape(n, 2, k)

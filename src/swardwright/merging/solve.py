"""Joint maximum a posteriori for a given association, with marginal covariances.

Normal equations in weeds (crown and height) and errors; the weeds' block is 3 x 3 block-diagonal and is eliminated
first (Schur complement); what is left couples errors of frames that see the same ground and is sparse
(``elimination``).
With ``G = H_ww^-1 H_we`` and ``S`` the inverse of the complement, the weeds' covariance is ``H_ww^-1 + G S G'`` (block
inverse), so honest marginals and the covariance between neighbours come with the solution.
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
from swardwright.merging.elimination import Elimination
from swardwright.merging.problem import Problem
from swardwright.merging.stack import Ints

#: Residuals beyond this many standard deviations count less (Huber's weight).
HUBER = 3.0
#: Frames whose sightings come within twice this of each other (m) are treated as seeing the same ground: between them,
#: and between weeds nearer than that, covariances are exact.
MARGIN_M = 0.15


@dataclass(frozen=True, eq=False)
class Solution:
    """Estimates and covariances.

    Attributes
    ----------
    crowns_m : Array
        Shape (n, 2): apparent crowns.
    covariance_m2 : Array
        Shape (n, 2, 2): marginal covariances.
    private_m2 : Array
        Shape (n, 2, 2): the part of the covariance that no other weed shares.
    heights : Array
        Shape (n,): height of each plant over the ground as known, in its standard deviations.
    errors : Array
        Shape (width,): whitened errors (base errors of a track in metres and radians).
    error_covariance : sparse.csr_array
        Shape (width, width): for errors of frames that see the same ground, and of the site.
    gain : sparse.csr_array
        Shape (2 n, width): ``G``; ``crown error = -G @ error``, so the shared covariance is ``G S G'``.
    product : sparse.csr_array
        Shape (2 n, width): ``G S``, for errors of frames that see the weed's ground, and of the site.
    normal : Elimination
        The factored complement.
    statistic : float
        Squared size of all residuals and errors over their stated covariances.
    """

    crowns_m: Array
    covariance_m2: Array
    private_m2: Array
    heights: Array
    errors: Array
    error_covariance: sparse.csr_array
    gain: sparse.csr_array
    product: sparse.csr_array
    normal: Elimination
    statistic: float

    def between(self, a: Ints, b: Ints) -> Array:
        """Return covariances (p, 2, 2) between different weeds a and b that are near each other."""
        out = np.empty((len(a), 2, 2))
        for i in range(2):
            left: Any = self.product[(2 * a + i).tolist()]
            for j in range(2):
                out[:, i, j] = left.multiply(self.gain[(2 * b + j).tolist()]).sum(axis=1)
        return out

    def of_errors(self, columns: Ints) -> Array:
        """Return the covariance (c, c) of errors of one frame and of the site."""
        return np.asarray(self.error_covariance[columns][:, columns].toarray())

    def with_errors(self, weed: Ints, columns: Ints) -> Array:
        """Return minus the covariance (m, 2, c) of crowns with errors of a frame near them."""
        rows = (2 * weed[:, None] + [0, 1]).ravel().tolist()
        return np.asarray(self.product[rows][:, columns].toarray()).reshape(len(weed), 2, -1)


def solve(problem: Problem, weed_of: Ints, count: int, weight: Array | None = None) -> Solution:
    """Solve for weeds and errors given the weed of every sighting.

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
    by_weed = np.concatenate([np.broadcast_to(np.eye(2), (k, 2, 2)), problem.height_m[:, :, None]], axis=2)
    weighted = by_weed.transpose(0, 2, 1) @ local  # (K, 3, 2)
    block = np.zeros((n, 3, 3))
    block[:, 2, 2] = 1.0
    np.add.at(block, weed_of, weighted @ by_weed)
    right = np.zeros((n, 3))
    np.add.at(right, weed_of, np.einsum("kij,kj->ki", weighted, y))
    rows = np.repeat((3 * weed_of[:, None] + [0, 1, 2]).ravel(), 2)
    cols = np.tile(np.arange(2 * k).reshape(k, 1, 2), (1, 3, 1)).ravel()
    pick: Any = sparse.csr_array((weighted.ravel(), (rows, cols)), shape=(3 * n, 2 * k))
    cross = pick @ problem.jacobian
    pulled: Any = _diagonal(local) @ problem.jacobian
    errors: Any = problem.jacobian.T @ pulled + problem.information
    right_e = pulled.T @ y.ravel()
    if known:
        own = _inverses(prior.own_m2)
        block[:known, :2, :2] += own
        mean = prior.mean_m - centre
        right[:known, :2] += np.einsum("nij,nj->ni", own, mean)
        if problem.modes:
            load = own @ prior.shared_m
            wide = np.zeros((known, 3, problem.modes))
            wide[:, :2] = -load
            cross = (cross + _corner(wide.reshape(3 * known, -1), (3 * n, problem.width))).tocsr()
            common = np.einsum("nik,nil->kl", prior.shared_m, load)
            errors = errors + _corner(common, (problem.width, problem.width))
            right_e[: problem.modes] -= np.einsum("nik,ni->k", load, mean)
    private = _inverses(block)
    inverse = _diagonal(private)
    gain = (inverse @ cross).tocsr()
    complement = (errors - cross.T @ gain).tocsr()
    complement = (0.5 * (complement + complement.T)).tocsr()
    right_e = right_e - gain.T @ right.ravel()
    normal, e = _solved(problem, complement, right_e, weed_of)
    spread = normal.inverse_where_touching()
    w = (inverse @ right.ravel() - gain @ e).reshape(n, 3)
    crown_rows = (3 * np.arange(n)[:, None] + [0, 1]).ravel()
    gain = gain[crown_rows]
    product = (gain @ spread).tocsr()
    total = private[:, :2, :2].copy()
    for i in range(2):
        for j in range(2):
            total[:, i, j] += product[i::2].multiply(gain[j::2]).sum(axis=1)
    crowns = w[:, :2] + centre
    rest = y - (problem.jacobian @ e).reshape(-1, 2) - np.einsum("kij,kj->ki", by_weed, w[weed_of])
    statistic = float(np.einsum("ki,kij,kj->", rest, local, rest) + e @ (problem.information @ e) + w[:, 2] @ w[:, 2])
    if known:
        off = crowns[:known] - prior.mean_m - prior.shared_m @ e[: problem.modes]
        statistic += float(np.einsum("ni,nij,nj->", off, own, off))
    return Solution(crowns, 0.5 * (total + total.transpose(0, 2, 1)), private[:, :2, :2], w[:, 2], e, spread, gain,
                    product, normal, statistic)  # fmt: skip


def _solved(problem: Problem, complement: sparse.csr_array, right: Array,
            weed_of: Ints) -> tuple[Elimination, Array]:  # fmt: skip
    """Return the factored complement, its pattern wide enough for what is asked of it, and the errors.

    Which frames see the same ground is judged by corrected places, so there are two turns: with the frames that share
    weeds, then with those that are near each other.
    """
    groups, of_frame = _groups(problem)
    frame_of = np.repeat(np.arange(len(problem.members)), [len(m) for m in problem.members])
    shape = (len(problem.members), int(weed_of.max(initial=0)) + 1)
    frame_of = np.repeat(np.arange(len(problem.members)), [len(m) for m in problem.members])
    shape = (len(problem.members), int(weed_of.max(initial=0)) + 1)
    shared: Any = sparse.csr_array((np.ones(len(weed_of)), (frame_of, weed_of)), shape=shape)
    touching = np.asarray((shared @ shared.T).toarray() > 0)
    touching |= _near(problem, problem.position_m)
    e = np.zeros(problem.width)
    for _ in range(2):
        places, neighbours = _neighbours(problem, groups, of_frame, touching)
        normal = Elimination(complement, groups, places, neighbours, np.arange(problem.site, dtype=np.int64))
        e = normal.solve(right)
        e = e + normal.solve(right - complement @ e)  # one refinement
        wider = touching | _near(problem, problem.position_m - (problem.jacobian @ e).reshape(-1, 2))
        if (wider == touching).all():
            break
        touching = wider
    return normal, e


def _groups(problem: Problem) -> tuple[list[Ints], list[list[int]]]:
    """Return the columns of each block of unknowns, and the blocks of each frame: its own, and those of its stop."""
    of_key: dict[str, int] = {}
    columns: list[list[int]] = []
    of_frame: list[list[int]] = []
    for frame_id, keys in zip(problem.frames, problem.frame_blocks, strict=True):
        mine: list[int] = []
        for source, key in keys:
            start, stop = problem.blocks[(source, key)]
            name = f"frame {frame_id}" if key == frame_id else f"stop {key}"
            if name not in of_key:
                of_key[name] = len(columns)
                columns.append([])
            g = of_key[name]
            if start not in columns[g]:
                columns[g] += range(start, stop)
            if g not in mine:
                mine.append(g)
        of_frame.append(mine)
    return [np.array(c, dtype=np.int64) for c in columns], of_frame


def _near(problem: Problem, position_m: Array) -> Array:
    """Return which frames (n, n) have sightings whose boxes, widened by the margin, meet."""
    if not problem.members:
        return np.zeros((0, 0), dtype=bool)
    low = np.array([position_m[m].min(axis=0) for m in problem.members]) - MARGIN_M
    high = np.array([position_m[m].max(axis=0) for m in problem.members]) + MARGIN_M
    return np.asarray(((low[:, None] <= high[None]) & (low[None] <= high[:, None])).all(axis=2))


def _neighbours(problem: Problem, groups: list[Ints], of_frame: list[list[int]],
                touching: Array) -> tuple[Array, list[set[int]]]:  # fmt: skip
    """Return a place for each block (g, 2), and the blocks that it touches."""
    neighbours: list[set[int]] = [set() for _ in groups]
    places, weight = np.zeros((len(groups), 2)), np.zeros(len(groups))
    frame_of = {f: i for i, f in enumerate(problem.frames)}
    for i, mine in enumerate(of_frame):
        near = {h for j in np.flatnonzero(touching[i]) for h in of_frame[j]} | set(mine)
        before = problem.chain.get(("base", problem.frames[i]))
        if before is not None and before.before is not None:
            linked = of_frame[frame_of[before.before[1]]]
            near |= set(linked)
            for h in linked:
                neighbours[h] |= set(mine)
        for g in mine:
            neighbours[g] |= near
            places[g] += problem.position_m[problem.members[i]].mean(axis=0)
            weight[g] += 1
    for g, near in enumerate(neighbours):
        near.discard(g)
    return places / np.maximum(weight, 1)[:, None], neighbours


def _corner(block: Array, shape: tuple[int, int]) -> Any:
    """Return a sparse matrix of that shape with a dense block at its upper left."""
    rows, cols = np.indices(block.shape)
    return sparse.csr_array((block.ravel(), (rows.ravel(), cols.ravel())), shape=shape)


def _inverses(blocks: Array) -> Array:
    """Return the inverses of blocks (n, d, d)."""
    return np.asarray(np.linalg.inv(blocks), dtype=np.float64)


def _diagonal(blocks: Array) -> Any:
    """Return the block-diagonal matrix of blocks (n, d, d)."""
    n, d = blocks.shape[:2]
    columns = (d * np.arange(n)[:, None, None] + np.tile(np.arange(d), (d, 1))).ravel()
    return sparse.csr_array((blocks.ravel(), columns, d * np.arange(d * n + 1)), shape=(d * n, d * n))


def residuals(problem: Problem, solution: Solution, weed_of: Ints) -> Array:
    """Return what is left of each sighting, shape (K, 2), metres."""
    carried = (problem.jacobian @ solution.errors).reshape(-1, 2)
    tall = problem.height_m * solution.heights[weed_of][:, None]
    return np.asarray(problem.position_m - carried - solution.crowns_m[weed_of] - tall)


def crown_offsets(problem: Problem, weed_of: Ints, count: int) -> Array:
    """Return the covariance (n, 2, 2) between growing point and apparent crown of every weed."""
    out, seen = np.zeros((count, 2, 2)), np.zeros(count)
    np.add.at(out, weed_of, problem.crown_m2)
    np.add.at(seen, weed_of, 1.0)
    out /= np.maximum(seen, 1.0)[:, None, None]
    known = np.flatnonzero(seen[: len(problem.prior.mean_m)] == 0)
    out[known] = problem.prior.crown_m2[known]
    return out


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
    single = problem.single_m2
    site = np.arange(problem.site, dtype=np.int64)
    for members, own, jacobian in zip(problem.members, problem.columns, problem.dense, strict=True):
        columns = np.concatenate([site, own])
        inner = solution.of_errors(columns)
        m = len(members)
        blocks = jacobian.reshape(m, 2, -1)
        spread = np.einsum("mic,cd,mjd->mij", blocks, inner, blocks, optimize=True) + single[members]
        reach = np.minimum(np.sqrt(gate * 2 * (np.linalg.eigvalsh(spread)[:, -1] + widest)), 2 * MARGIN_M)
        near = tree.query_ball_point(seen[members], reach)
        s = np.repeat(np.arange(m), [len(v) for v in near])
        w = np.concatenate([np.array(sorted(v), dtype=np.int64) for v in near]).astype(np.int64)
        if not len(s):
            continue
        # crown error = -G e, so cov(crown, e) = -product
        near_by, at = np.unique(w, return_inverse=True)
        between = np.einsum("pic,pjc->pij", blocks[s], solution.with_errors(near_by, columns)[at])
        covariance = solution.covariance_m2[w] + spread[s] - between - between.transpose(0, 2, 1)
        gain = gains(seen[members[s]] - solution.crowns_m[w], covariance, log_ratio, gate)
        keep = np.flatnonzero(gain > 0)
        for a, b in best_assignment(s[keep], w[keep], gain[keep]).items():
            out[members[a]] = b
    # a residual of the joint solution is smaller than the local noise: far beyond it, the pair is wrong
    held = np.flatnonzero(out >= 0)
    rest = seen[held] - solution.crowns_m[out[held]]
    far = np.einsum("ki,kij,kj->k", rest, np.linalg.inv(single[held]), rest) > gate
    out[held[far & (out[held] == weed_of[held])]] = -1
    return out


def shared_loadings(solution: Solution, modes: int) -> Array:
    """Return loadings (n, 2, k) of the k largest common errors: principal axes of the shared covariance ``G S G'``."""
    n = len(solution.crowns_m)
    k = min(modes, 2 * n, solution.gain.shape[1])
    if k == 0:
        return np.zeros((n, 2, 0))
    if 2 * n <= 4 * k:
        values, vectors = np.linalg.eigh(solution.gain @ solution.normal.solve(solution.gain.T.toarray()))
        values, vectors = values[-k:], vectors[:, -k:]
    else:
        operator = LinearOperator(
            (2 * n, 2 * n),
            matvec=lambda v: solution.gain @ solution.normal.solve(solution.gain.T @ v),
            dtype=np.float64,
        )
        values, vectors = eigsh(operator, k=k, v0=np.ones(2 * n))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))).reshape(n, 2, k)

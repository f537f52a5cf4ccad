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
from swardwright.merging.blocks import Blocks
from swardwright.merging.elimination import Bordered, Elimination
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
    spread : Bordered
        Covariance of errors: of the site, and of frames that see the same ground.
    gain_site, gain : Array, Blocks
        ``G``, shape (n, 2, site) and blocks (2, b): ``crown error = -G @ error``, shared covariance ``G S G'``.
    product_site, product : Array, Blocks
        ``G S`` without what the site's errors contribute to it.
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
    spread: Bordered
    gain_site: Array
    gain: Blocks
    product_site: Array
    product: Blocks
    normal: Elimination
    statistic: float

    def between(self, a: Ints, b: Ints) -> Array:
        """Return covariances (p, 2, 2) between different weeds a and b that are near each other."""
        return _shared(self.gain_site, self.gain, self.product_site, self.product, self.spread.corner, a, b)

    def of_errors(self, columns: Ints) -> Array:
        """Return the covariance (c, c) of errors of the site and of one frame."""
        own, groups, at = self._split(columns)
        s, k = len(own), len(groups)
        b = self.normal.block
        inner = self.spread.inner.at(np.repeat(groups, k), np.tile(groups, k)).reshape(k, k, b, b)
        inner = inner.transpose(0, 2, 1, 3).reshape(k * b, k * b)[np.ix_(at, at)]
        strip = self.spread.strip[groups].reshape(k * b, self.normal.common)[at][:, own]
        out = np.empty((len(columns),) * 2)
        out[:s, :s] = self.spread.corner[np.ix_(own, own)]
        out[s:, :s], out[:s, s:], out[s:, s:] = strip, strip.T, inner
        return out

    def with_errors(self, weed: Ints, columns: Ints) -> Array:
        """Return minus the covariance (m, 2, c) of crowns with errors of the site and of a frame near them."""
        own, groups, at = self._split(columns)
        m, k = len(weed), len(groups)
        gain = self.gain_site[weed]
        site = self.product_site[weed][:, :, own] + gain @ self.spread.corner[:, own]
        b = self.normal.block
        part = self.product.at(np.repeat(weed, k), np.tile(groups, m)).reshape(m, k, 2, b)
        part = part.transpose(0, 2, 1, 3).reshape(m, 2, k * b)[:, :, at]
        part = part + gain @ self.spread.strip[groups].reshape(k * b, self.normal.common)[at].T
        return np.concatenate([site, part], axis=2)

    def _split(self, columns: Ints) -> tuple[Ints, Ints, Ints]:
        """Return the site's columns, the groups, and the places of the rest in the groups' blocks side by side."""
        own = columns[columns < self.normal.common]
        rest = columns[columns >= self.normal.common] - self.normal.common
        groups, which = np.unique(rest // self.normal.block, return_inverse=True)
        return own, groups, which * self.normal.block + rest % self.normal.block

    def together(self, weeds: Ints) -> Array:
        """Return the covariance (2 m, 2 m) of any weeds, near each other or not."""
        rows = (2 * weeds[:, None] + [0, 1]).ravel()
        unit = np.zeros((2 * len(self.crowns_m), len(rows)))
        unit[rows, np.arange(len(rows))] = 1.0
        out = self.carry(unit)[rows]
        for i, block in enumerate(self.private_m2[weeds]):
            out[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += block
        return np.asarray(0.5 * (out + out.T))

    def carry(self, v: Array) -> Array:
        """Return the shared covariance of all crowns times v, ``G S G' v``, shape (2 n,) or (2 n, k)."""
        site = self.gain_site.reshape(2 * len(self.crowns_m), self.normal.common)
        inner = self.gain.sparse
        e = self.normal.solve(np.concatenate([site.T @ v, inner.T @ v]))
        s = self.normal.common
        return np.asarray(site @ e[:s] + inner @ e[s:])


def _shared(gain_site: Array, gain: Blocks, product_site: Array, product: Blocks, corner: Array, a: Ints,
            b: Ints) -> Array:  # fmt: skip
    """Return ``(G S G')_ab``: through frames, through the site, and the mixed terms."""
    back = gain_site[b].transpose(0, 2, 1)
    out = product.dot(gain, a, b) + gain_site[a] @ corner @ back
    return np.asarray(out + product_site[a] @ back + gain_site[a] @ product_site[b].transpose(0, 2, 1))


@dataclass(frozen=True, eq=False)
class _Normal:
    """Normal equations: of the weeds (3 each), of the errors, and between them."""

    weeds: Array
    cross_site: Array
    cross: Blocks
    errors: Bordered
    right_weeds: Array
    right: Array


def solve(problem: Problem, weed_of: Ints, count: int, weight: Array | None = None,
          moved_m: Array | None = None) -> Solution:  # fmt: skip
    """Solve for weeds and errors given the weed of every sighting.

    Parameters
    ----------
    weed_of : Ints
        Shape (K,).
    count : int
        Number of weeds; the register's come first, every other has at least one sighting.
    weight : Array, optional
        Shape (K,): robust weights.
    moved_m : Array, optional
        Shape (K, 2): how far an earlier solution moved the sightings: which frames see the same ground is judged by it.
    """
    n, prior, site = count, problem.prior, problem.site
    local = _inverses(problem.local_m2)
    if weight is not None:
        local = local * weight[:, None, None]
    centre = problem.position_m.mean(axis=0) if len(weed_of) else np.zeros(2)
    y = problem.position_m - centre
    normal = _assembled(problem, weed_of, n, local, y, prior.mean_m - centre)
    private = _inverses(normal.weeds)
    gain_site = private @ normal.cross_site
    cross = normal.cross
    gain = Blocks(n, cross.count, cross.keys, private[cross.row] @ cross.data)
    flat = gain.sparse
    through = Blocks.product(cross.sparse.T, flat, (problem.block, problem.block))
    inner = normal.errors.inner
    complement = Bordered(
        normal.errors.corner - np.einsum("nij,nik->jk", normal.cross_site, gain_site),
        normal.errors.strip - (flat.T @ normal.cross_site.reshape(3 * n, site)).reshape(normal.errors.strip.shape),
        Blocks.summed(inner.rows, inner.count, np.concatenate([inner.keys, through.keys]),
                      np.concatenate([inner.data, -through.data])),
    )  # fmt: skip
    right = normal.right - np.concatenate(
        [np.einsum("nij,ni->j", gain_site, normal.right_weeds), flat.T @ normal.right_weeds.ravel()]
    )
    elimination, e = _solved(problem, complement, right, weed_of, moved_m)
    w = np.einsum("nij,nj->ni", private, normal.right_weeds) - gain_site @ e[:site] - (flat @ e[site:]).reshape(n, 3)
    spread = elimination.inverse_where_touching()
    own_site, own = gain_site[:, :2], Blocks(n, gain.count, gain.keys, gain.data[:, :2])
    product = Blocks.product(own.sparse, spread.inner.sparse, (2, problem.block))
    product_site = (own.sparse @ spread.strip.reshape(flat.shape[1], site)).reshape(n, 2, site)
    every = np.arange(n, dtype=np.int64)
    total = private[:, :2, :2] + _shared(own_site, own, product_site, product, spread.corner, every, every)
    crowns = w[:, :2] + centre
    carried = (problem.jacobian @ e).reshape(-1, 2) + problem.height_m * w[weed_of, 2:]
    rest = problem.position_m - carried - crowns[weed_of]
    statistic = float(np.einsum("ki,kij,kj->", rest, local, rest) + e @ (problem.information @ e) + w[:, 2] @ w[:, 2])
    known = len(prior.mean_m)
    if known:
        off = crowns[:known] - prior.mean_m - prior.shared_m @ e[: problem.modes]
        statistic += float(np.einsum("ni,nij,nj->", off, _inverses(prior.own_m2), off))
    return Solution(crowns, 0.5 * (total + total.transpose(0, 2, 1)), private[:, :2, :2], w[:, 2], e, spread, own_site,
                    own, product_site, product, elimination, statistic)  # fmt: skip


def _assembled(problem: Problem, weed_of: Ints, n: int, local: Array, y: Array, mean_m: Array) -> _Normal:
    """Return the normal equations; ``local`` (K, 2, 2) are weights, ``y`` and ``mean_m`` centred places."""
    k, s, b, prior = len(weed_of), problem.site, problem.block, problem.prior
    count = (problem.width - s) // b
    by_weed = np.concatenate([np.broadcast_to(np.eye(2), (k, 2, 2)), problem.height_m[:, :, None]], axis=2)
    weighted = by_weed.transpose(0, 2, 1) @ local  # (K, 3, 2)
    weeds, right_weeds = np.zeros((n, 3, 3)), np.zeros((n, 3))
    weeds[:, 2, 2] = 1.0
    np.add.at(weeds, weed_of, weighted @ by_weed)
    np.add.at(right_weeds, weed_of, np.einsum("kij,kj->ki", weighted, y))
    corner, strip, right = np.zeros((s, s)), np.zeros((count, b, s)), np.zeros(problem.width)
    cross_site = np.zeros((n, 3, s))
    keys, data, cross_keys, cross_data = _prior_blocks(problem, corner, count)
    for members, dense, columns, groups in zip(
        problem.members, problem.dense, problem.columns, problem.groups, strict=True
    ):
        m, g = len(members), len(groups)
        at = np.searchsorted(groups, (columns - s) // b) * b + (columns - s) % b
        wide = np.zeros((m, 2, s + g * b))
        wide[:, :, :s] = dense[:, :s].reshape(m, 2, s)
        wide[:, :, s + at] = dense[:, s:].reshape(m, 2, -1)
        pulled = (local[members] @ wide).reshape(2 * m, -1)
        square = wide.reshape(2 * m, -1).T @ pulled
        corner += square[:s, :s]
        strip[groups] += square[s:, :s].reshape(g, b, s)
        keys.append((groups[:, None] * count + groups).ravel())
        data.append(square[s:, s:].reshape(g, b, g, b).transpose(0, 2, 1, 3).reshape(g * g, b, b))
        pull = pulled.T @ y[members].ravel()
        right[:s] += pull[:s]
        right[s:].reshape(count, b)[groups] += pull[s:].reshape(g, b)
        mixed = weighted[members] @ wide
        np.add.at(cross_site, weed_of[members], mixed[:, :, :s])
        cross_keys.append((weed_of[members][:, None] * count + groups).ravel())
        cross_data.append(mixed[:, :, s:].reshape(m, 3, g, b).transpose(0, 2, 1, 3).reshape(m * g, 3, b))
    known = len(prior.mean_m)
    if known:
        own = _inverses(prior.own_m2)
        weeds[:known, :2, :2] += own
        right_weeds[:known, :2] += np.einsum("nij,nj->ni", own, mean_m)
        load, modes = own @ prior.shared_m, problem.modes
        cross_site[:known, :2, :modes] -= load
        corner[:modes, :modes] += np.einsum("nik,nil->kl", prior.shared_m, load)
        right[:modes] -= np.einsum("nik,ni->k", load, mean_m)
    cross = Blocks.summed(n, count, np.concatenate(cross_keys), np.concatenate(cross_data))
    inner = Blocks.summed(count, count, np.concatenate(keys), np.concatenate(data))
    return _Normal(weeds, cross_site, cross, Bordered(corner, strip, inner), right_weeds, right)


def _prior_blocks(
    problem: Problem, corner: Array, count: int
) -> tuple[list[Ints], list[Array], list[Ints], list[Array]]:
    """Add the errors' prior information to the corner; return its blocks, and empty lists for those with weeds."""
    s, b = problem.site, problem.block
    told: Any = problem.information.tocoo()
    row, column = told.coords[0].astype(np.int64), told.coords[1].astype(np.int64)
    common = row < s
    corner[row[common], column[common]] += told.data[common]
    row, column, value = row[~common] - s, column[~common] - s, told.data[~common]
    places, at = np.unique((row // b) * count + column // b, return_inverse=True)
    data = np.zeros((len(places), b, b))
    np.add.at(data, (at, row % b, column % b), value)
    return [places], [data], [np.zeros(0, dtype=np.int64)], [np.zeros((0, 3, b))]


def _solved(problem: Problem, complement: Bordered, right: Array, weed_of: Ints,
            moved_m: Array | None) -> tuple[Elimination, Array]:  # fmt: skip
    """Return the factored complement, its pattern wide enough for what is asked of it, and the errors.

    Which frames see the same ground is judged by corrected places, so there may be two turns: with the frames that
    share weeds or were near each other before, then with those that are near each other now.
    """
    frame_of = np.repeat(np.arange(len(problem.members)), [len(m) for m in problem.members])
    shape = (len(problem.members), int(weed_of.max(initial=0)) + 1)
    shared: Any = sparse.csr_array((np.ones(len(weed_of)), (frame_of, weed_of)), shape=shape)
    touching = np.asarray((shared @ shared.T).toarray() > 0)
    if moved_m is not None:
        touching |= _near(problem, problem.position_m - moved_m, 1.2 * MARGIN_M)
    e = np.zeros(problem.width)
    for _ in range(2):
        places, neighbours = _neighbours(problem, touching)
        normal = Elimination(complement, places, neighbours)
        e = normal.solve(right)
        e = e + normal.solve(right - complement.times(e))  # one refinement
        near = _near(problem, problem.position_m - (problem.jacobian @ e).reshape(-1, 2), MARGIN_M)
        if not (near & ~touching).any():
            break
        touching |= near
    return normal, e


def _near(problem: Problem, position_m: Array, margin_m: float) -> Array:
    """Return which frames (n, n) have sightings whose boxes, widened by the margin, meet."""
    if not problem.members:
        return np.zeros((0, 0), dtype=bool)
    low = np.array([position_m[m].min(axis=0) for m in problem.members]) - margin_m
    high = np.array([position_m[m].max(axis=0) for m in problem.members]) + margin_m
    return np.asarray(((low[:, None] <= high[None]) & (low[None] <= high[:, None])).all(axis=2))


def _neighbours(problem: Problem, touching: Array) -> tuple[Array, list[set[int]]]:
    """Return a place for each group (G, 2), and the groups that it touches."""
    count = (problem.width - problem.site) // problem.block
    neighbours: list[set[int]] = [set() for _ in range(count)]
    places, weight = np.zeros((count, 2)), np.zeros(count)
    frame_of = {f: i for i, f in enumerate(problem.frames)}
    of_frame = [groups.tolist() for groups in problem.groups]
    for i, mine in enumerate(of_frame):
        near = {h for j in np.flatnonzero(touching[i]) for h in of_frame[j]} | set(mine)
        link = problem.chain.get(("base", problem.frames[i]))
        if link is not None and link.before is not None:
            linked = of_frame[frame_of[link.before[1]]]
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


def _inverses(blocks: Array) -> Array:
    """Return the inverses of blocks (n, d, d)."""
    return np.asarray(np.linalg.inv(blocks), dtype=np.float64)


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
    k = min(modes, 2 * n, solution.errors.size)
    if k == 0:
        return np.zeros((n, 2, 0))
    if 2 * n <= 4 * k:
        values, vectors = np.linalg.eigh(solution.carry(np.eye(2 * n)))
        values, vectors = values[-k:], vectors[:, -k:]
    else:
        operator = LinearOperator((2 * n, 2 * n), matvec=solution.carry, dtype=np.float64)
        values, vectors = eigsh(operator, k=k, v0=np.ones(2 * n), tol=1e-3)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))).reshape(n, 2, k)

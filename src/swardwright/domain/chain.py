"""Gaussian chains: block-tridiagonal information matrices, solved, inverted and shortened exactly.

A chain of n nodes with k unknowns each has diagonal blocks (n, k, k) and upper blocks (n - 1, k, k), block i joining
nodes i and i + 1; the lower blocks are their transposes.
Formulas: block Gaussian elimination (Thomas algorithm); marginalising a node is the Schur complement
(Horn and Johnson, Matrix Analysis, 0.8.5).
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence

import numpy as np

from swardwright.domain.frame import Track
from swardwright.domain.poses import Array


def solve_chain(diagonal: Array, upper: Array, right: Array) -> Array:
    """Return x of ``A x = right`` for a block-tridiagonal, positive definite A.

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
    n = len(diagonal)
    out = np.array(right, dtype=float)
    pivot = np.array(diagonal, dtype=float)
    gain = np.empty_like(upper)
    for i in range(1, n):
        gain[i - 1] = np.linalg.solve(pivot[i - 1], upper[i - 1]).T
        pivot[i] -= gain[i - 1] @ upper[i - 1]
        out[i] -= gain[i - 1] @ out[i - 1]
    out[n - 1] = np.linalg.solve(pivot[n - 1], out[n - 1])
    for i in range(n - 2, -1, -1):
        out[i] = np.linalg.solve(pivot[i], out[i] - upper[i] @ out[i + 1])
    return out


def chain_marginals(diagonal: Array, upper: Array) -> Array:
    """Return the diagonal blocks of the inverse: each node's marginal covariance, shape (n, k, k), exactly.

    The information left in node i when all before it and all after it are marginalised out is ``F_i + B_i - A_ii``,
    F and B being the pivots of the elimination from either end.
    """
    n = len(diagonal)
    forward, backward = np.array(diagonal, dtype=float), np.array(diagonal, dtype=float)
    for i in range(1, n):
        forward[i] -= upper[i - 1].T @ np.linalg.solve(forward[i - 1], upper[i - 1])
        j = n - 1 - i
        backward[j] -= upper[j] @ np.linalg.solve(backward[j + 1], upper[j].T)
    out = np.linalg.inv(forward + backward - diagonal)
    return np.asarray(0.5 * (out + out.transpose(0, 2, 1)))


def keep_nodes(diagonal: Array, upper: Array, keep: Sequence[int]) -> tuple[Array, Array]:
    """Return the information of the nodes in ``keep`` (ascending) after marginalising out all others.

    Raises
    ------
    ValueError
        If ``keep`` is empty or not ascending.
    """
    if not keep or any(b <= a for a, b in itertools.pairwise(keep)):
        raise ValueError("nodes to keep must be given, in ascending order")
    kept = set(keep)
    blocks: list[Array] = []
    links: list[Array] = []
    waiting: tuple[Array, Array] | None = None  # a dropped node before the next: its diagonal, its link to the left
    for i, block in enumerate(diagonal):
        own = np.array(block, dtype=float)
        left = np.array(upper[i - 1]) if i else np.zeros_like(own)  # link between the node before and this one
        if waiting is not None:
            gone, gone_left = waiting
            solved = np.linalg.solve(gone, left)
            own -= left.T @ solved
            if blocks:
                blocks[-1] = blocks[-1] - gone_left @ np.linalg.solve(gone, gone_left.T)
            left = -gone_left @ solved
            waiting = None
        if i in kept:
            if blocks:
                links.append(left)
            blocks.append(own)
        else:
            waiting = (own, left)
    if waiting is not None:
        gone, gone_left = waiting
        blocks[-1] = blocks[-1] - gone_left @ np.linalg.solve(gone, gone_left.T)
    symmetric = np.array([0.5 * (b + b.T) for b in blocks])
    return symmetric, np.array(links).reshape(-1, *symmetric.shape[1:])


def cut_track(track: Track, frame_ids: Collection[str]) -> Track | None:
    """Return the track of the frames in ``frame_ids`` only, with their marginal information; None if none remains."""
    wanted = set(frame_ids)
    keep = [i for i, name in enumerate(track.frame_ids) if name in wanted]
    if not keep:
        return None
    if len(keep) == len(track.frame_ids):
        return track
    diagonal, upper = keep_nodes(track.diagonal, track.upper, keep)
    shared = None if track.shared is None else track.shared[keep]
    return Track(tuple(track.frame_ids[i] for i in keep), tuple(track.poses[i] for i in keep), diagonal, upper, shared)

"""The joint linear-Gaussian problem: sightings, weeds, and every error that sightings share.

``position_k = crown_w(k) + sum_b J_kb e_b + local_k``: crowns and errors ``e_b`` are unknown, local noise (pixel, crown) is
private to a sighting. Base-pose errors of frames in a ``Track`` are a Markov chain; other errors are unit normals after
whitening (so a zero variance is allowed: such an error has no column).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Track
from swardwright.domain.poses import Array
from swardwright.domain.uncertainty import Scope
from swardwright.domain.weed import Sighting, Weed

Ints = NDArray[np.int64]
#: Smallest local variance (m2): a tenth of a millimetre, so that noiseless inputs stay solvable.
FLOOR_M2 = 1e-8
Key = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Link:
    """Base error of a frame given the one before it in the chain: ``e = transition @ e_before + N(0, noise)``."""

    before: Key | None
    transition: Array
    noise: Array


@dataclass(frozen=True, eq=False)
class PriorWeeds:
    """Weeds of the register: ``crown = mean + shared @ m + own``, ``m ~ N(0, I)``, ``own ~ N(0, covariance)``.

    Attributes
    ----------
    mean_m : Array
        Shape (n, 2).
    own_m2 : Array
        Shape (n, 2, 2).
    shared_m : Array
        Shape (n, 2, k): loadings of the register's common errors.
    """

    mean_m: Array
    own_m2: Array
    shared_m: Array

    @classmethod
    def of(cls, weeds: Sequence[Weed]) -> PriorWeeds:
        """Return the prior that a register's weeds are."""
        n = len(weeds)
        modes = max((0 if w.shared_m is None else w.shared_m.shape[1] for w in weeds), default=0)
        shared = np.zeros((n, 2, modes))
        for i, w in enumerate(weeds):
            if w.shared_m is not None:
                shared[i, :, : w.shared_m.shape[1]] = w.shared_m
        mean = np.array([w.mean_m for w in weeds]).reshape(n, 2)
        total = np.array([w.covariance_m2 for w in weeds]).reshape(n, 2, 2)
        return cls(mean, total - shared @ shared.transpose(0, 2, 1) + FLOOR_M2 * np.eye(2), shared)


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything of the joint problem but who is who.

    Attributes
    ----------
    frames : tuple[str, ...]
        Frames with sightings, in the order of work: track after track, then by shared pose and id.
    members : tuple[Ints, ...]
        Sightings of each frame.
    position_m, local_m2 : Array
        Shapes (K, 2) and (K, 2, 2).
    width : int
        Number of error columns; the first ``site`` are shared by all (the register's modes come first).
    columns : tuple[Ints, ...]
        Per frame: its own error columns.
    dense : tuple[Array, ...]
        Per frame: Jacobian (2 m, site + own columns).
    jacobian : sparse.csr_array
        Shape (2 K, width).
    information : sparse.csc_array
        Prior information of the errors.
    blocks : dict[Key, tuple[int, int]]
        (source, key) -> columns.
    """

    sightings: tuple[Sighting, ...]
    frames: tuple[str, ...]
    members: tuple[Ints, ...]
    position_m: Array
    local_m2: Array
    width: int
    site: int
    modes: int
    columns: tuple[Ints, ...]
    frame_blocks: tuple[tuple[Key, ...], ...]
    dense: tuple[Array, ...]
    jacobian: sparse.csr_array
    information: sparse.csc_array
    blocks: dict[Key, tuple[int, int]]
    chain: dict[Key, Link]
    prior: PriorWeeds


def chain_links(track: Track, used: Sequence[str]) -> dict[Key, Link]:
    """Return the track's base-pose errors as a forward Markov chain over the used frames.

    Notes
    -----
    Block elimination from the end of the block-tridiagonal information matrix (block Cholesky factor read backwards):
    ``L_i = D_i - U_i L_{i+1}^-1 U_i'``, ``e_{i+1} | e_i ~ N(-L_{i+1}^-1 U_i' e_i, L_{i+1}^-1)``, ``e_0 ~ N(0, L_0^-1)``.
    Frames without sightings are stepped over by composing.

    Raises
    ------
    InputError
        If the track's information is not positive definite: nothing ties it to the ground.
    """
    n = len(track.frame_ids)
    rest = np.array(track.diagonal, dtype=float)
    for i in range(n - 2, -1, -1):
        rest[i] = rest[i] - track.upper[i] @ np.linalg.solve(rest[i + 1], track.upper[i].T)
    values = np.linalg.eigvalsh(rest) if n else np.ones((1, 3))
    if not np.isfinite(values).all() or values.min() <= 0:
        raise InputError("the track of base poses is tied to the ground by nothing", where=track.frame_ids[0],
                         field="track", remedy="give the start pose its standard deviations in site.toml, or use fixes")  # fmt: skip
    noise = np.linalg.inv(rest)
    wanted = set(used)
    links: dict[Key, Link] = {}
    before: Key | None = None
    transition, spread = np.zeros((3, 3)), np.zeros((3, 3))
    for i, frame_id in enumerate(track.frame_ids):
        step = np.zeros((3, 3)) if i == 0 else -noise[i] @ track.upper[i - 1].T
        transition, spread = step @ transition, step @ spread @ step.T + noise[i]
        if frame_id in wanted:
            key = ("base", frame_id)
            links[key] = Link(before, transition, 0.5 * (spread + spread.T))
            before, transition, spread = key, np.eye(3), np.zeros((3, 3))
    return links


def square_root(covariance: Array) -> Array:
    """Return F with ``F F' == covariance``, columns of zero variance left out."""
    values, vectors = np.linalg.eigh(covariance)
    keep = values > 1e-14 * max(float(values.max(initial=0.0)), 1e-300)
    return np.asarray(vectors[:, keep] * np.sqrt(values[keep]))


def _order(sightings: Sequence[Sighting], tracks: Sequence[Track]) -> list[tuple[str, list[Sighting]]]:
    in_frame: dict[str, list[Sighting]] = {}
    for s in sorted(sightings, key=lambda s: s.id):
        in_frame.setdefault(s.frame_id, []).append(s)
    place = {
        f: (0, t, i, "", f)
        for t, track in enumerate(sorted(tracks, key=lambda t: t.frame_ids[:1]))
        for i, f in enumerate(track.frame_ids)
    }

    def rank(frame_id: str) -> tuple[int, int, int, str, str]:
        stop = next((e.key for e in in_frame[frame_id][0].errors if e.scope is Scope.STOP), frame_id)
        return place.get(frame_id, (1, 0, 0, stop, frame_id))

    return [(f, in_frame[f]) for f in sorted(in_frame, key=rank)]


def build(sightings: Sequence[Sighting], tracks: Sequence[Track], prior: PriorWeeds) -> Problem:
    """Stack sightings, tracks and register into one problem; the order of the arguments' items does not matter.

    Raises
    ------
    InputError
        If two sightings have the same id, or a track is tied to nothing.
    """
    ordered = _order(sightings, tracks)
    flat = [s for _, group in ordered for s in group]
    if len({s.id for s in flat}) != len(flat):
        raise InputError("two sightings have the same id", field="id", remedy="locate each detection once")
    used = [f for f, _ in ordered]
    chain: dict[Key, Link] = {}
    for track in tracks:
        chain |= chain_links(track, used) if set(track.frame_ids) & set(used) else {}
    modes = prior.shared_m.shape[2]
    site_keys: dict[Key, Array] = {}
    own_keys: dict[Key, Array] = {}
    for s in flat:
        for e in s.errors:
            key = (e.source, e.key)
            if e.scope is Scope.SITE and key not in site_keys:
                site_keys[key] = square_root(e.covariance)
            elif e.scope in (Scope.FRAME, Scope.STOP) and key not in own_keys:
                own_keys[key] = np.eye(3) if key in chain else square_root(e.covariance)
    blocks: dict[Key, tuple[int, int]] = {}
    width = modes
    for key, root in (*site_keys.items(), *own_keys.items()):
        blocks[key] = (width, width + root.shape[1])
        width += root.shape[1]
    site = modes + sum(root.shape[1] for root in site_keys.values())
    roots = site_keys | own_keys
    local = np.tile(FLOOR_M2 * np.eye(2), (len(flat), 1, 1))
    members, columns, frame_blocks, dense = [], [], [], []
    rows_of, cols_of, values_of = [], [], []
    number = 0
    for _, group in ordered:
        keys: list[Key] = []
        for s in group:
            keys += [k for e in s.errors if (k := (e.source, e.key)) in own_keys and k not in keys]
        own = np.concatenate([np.arange(*blocks[k]) for k in keys] or [np.zeros(0, dtype=np.int64)]).astype(np.int64)
        where = np.full(width, -1, dtype=np.int64)
        where[:site] = np.arange(site)
        where[own] = site + np.arange(len(own))
        matrix = np.zeros((2 * len(group), site + len(own)))
        for i, s in enumerate(group):
            for e in s.errors:
                if e.scope is Scope.PIXEL:
                    local[number + i] += e.ground_covariance_m2
                else:
                    start, stop = blocks[(e.source, e.key)]
                    matrix[2 * i : 2 * i + 2, where[start:stop]] += e.jacobian @ roots[(e.source, e.key)]
        full = np.concatenate([np.arange(site, dtype=np.int64), own])
        r, c = np.nonzero(matrix)
        rows_of.append(2 * number + r)
        cols_of.append(full[c])
        values_of.append(matrix[r, c])
        members.append(np.arange(number, number + len(group), dtype=np.int64))
        columns.append(own)
        frame_blocks.append(tuple(keys))
        dense.append(matrix)
        number += len(group)
    rows, cols, values = (np.concatenate(v) if v else np.zeros(0) for v in (rows_of, cols_of, values_of))
    jacobian = sparse.csr_array((values, (rows.astype(int), cols.astype(int))), shape=(2 * number, width))
    return Problem(
        tuple(flat), tuple(used), tuple(members), np.array([s.mean_m for s in flat]).reshape(-1, 2), local, width, site,
        modes, tuple(columns), tuple(frame_blocks), tuple(dense), jacobian, _information(width, blocks, chain), blocks,
        {k: v for k, v in chain.items() if k in blocks}, prior,
    )  # fmt: skip


def _information(width: int, blocks: dict[Key, tuple[int, int]], chain: dict[Key, Link]) -> sparse.csc_array:
    """Return the prior information of all error columns: identity, and the chain where there is one."""
    matrix = sparse.lil_array((width, width))
    matrix.setdiag(np.ones(width))
    for key in chain:
        if key in blocks:
            start, stop = blocks[key]
            matrix[start:stop, start:stop] = np.zeros((3, 3))
    for key, link in chain.items():
        if key not in blocks:
            continue
        weight = np.linalg.inv(link.noise)
        a = slice(*blocks[key])
        matrix[a, a] = matrix[a, a].toarray() + weight
        if link.before is not None:
            b = slice(*blocks[link.before])
            cross = -link.transition.T @ weight
            matrix[b, b] = matrix[b, b].toarray() - cross @ link.transition
            matrix[b, a] = cross
            matrix[a, b] = cross.T
    return sparse.csc_array(matrix)

"""The joint linear-Gaussian problem: sightings, weeds, and every error that sightings share.

``position_k = crown_w(k) + sum_b J_kb e_b + h_k u_w(k) + local_k``: apparent crowns, errors ``e_b`` and one height
``u`` per weed (roughness; unit normal, ``h_k`` carries its standard deviation) are unknown, local noise (pixel) is
private to a sighting. How far the growing point lies from the apparent crown no number of looks can tell: it is added
to the crown's covariance at the end (``crown_m2``).
Base-pose errors of frames in a ``Track`` are a Markov chain; other errors are unit normals
after whitening (so a zero variance is allowed: such an error has no column). Errors private to one frame (tilt, joints,
ground height) only matter through how they move that frame's few sightings together: they are replaced by the principal
patterns of that movement (singular value decomposition), the smallest of which go to the local noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import sparse

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, frozen
from swardwright.domain.uncertainty import Scope
from swardwright.domain.weed import Sighting, Weed
from swardwright.merging.stack import Ints, Key, Part

#: Smallest local variance (m2): a tenth of a millimetre, so that noiseless inputs stay solvable.
FLOOR_M2 = 1e-8
#: Patterns of private frame errors smaller than this (m, root mean square over a frame's sightings) become local noise.
PATTERN_M = 2e-4


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
        Shape (n, 2): apparent crowns.
    own_m2 : Array
        Shape (n, 2, 2).
    shared_m : Array
        Shape (n, 2, k): loadings of the register's common errors.
    crown_m2 : Array
        Shape (n, 2, 2): offset of the growing point from the apparent crown.
    """

    mean_m: Array
    own_m2: Array
    shared_m: Array
    crown_m2: Array

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
        crown = np.array([np.zeros((2, 2)) if w.crown_m2 is None else w.crown_m2 for w in weeds]).reshape(n, 2, 2)
        total = np.array([w.covariance_m2 for w in weeds]).reshape(n, 2, 2) - crown
        return cls(mean, total - shared @ shared.transpose(0, 2, 1) + FLOOR_M2 * np.eye(2), shared, crown)


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything of the joint problem but who is who.

    Attributes
    ----------
    frames : tuple[str, ...]
        Frames with sightings, in the order of work: track after track, then by shared pose and id.
    members : tuple[Ints, ...]
        Sightings of each frame.
    position_m, local_m2, height_m, crown_m2 : Array
        Shapes (K, 2), (K, 2, 2), (K, 2): effect of one standard deviation of the plant's height, and (K, 2, 2):
        offset of the growing point from the apparent crown.
    width, site, modes, block : int
        Number of error columns; the first ``site`` are shared by all (of these, the register's ``modes`` come first);
        after them every frame and every stop has a group of ``block`` columns, some of which may be unused.
    groups : tuple[Ints, ...]
        Per frame: its groups.
    columns : tuple[Ints, ...]
        Per frame: its own error columns.
    dense : tuple[Array, ...]
        Per frame: Jacobian (2 m, site + own columns).
    jacobian : sparse.csr_array
        Shape (2 K, width).
    information : sparse.csr_array
        Prior information of the errors.
    blocks : dict[Key, tuple[int, int]]
        (source, key) -> columns.
    roots : dict[Key, Array]
        (source, key) -> whitening root F of its covariance, ``error = F @ whitened``.
    drift : dict[str, tuple[Key, Array]]
        Frame of a track with shared errors -> their block, and their loadings (3, s) on the frame's base pose.
    """

    sightings: tuple[Sighting, ...]
    frames: tuple[str, ...]
    members: tuple[Ints, ...]
    position_m: Array
    local_m2: Array
    height_m: Array
    crown_m2: Array
    width: int
    site: int
    modes: int
    block: int
    groups: tuple[Ints, ...]
    columns: tuple[Ints, ...]
    frame_blocks: tuple[tuple[Key, ...], ...]
    dense: tuple[Array, ...]
    jacobian: sparse.csr_array
    information: sparse.csr_array
    blocks: dict[Key, tuple[int, int]]
    roots: dict[Key, Array]
    chain: dict[Key, Link]
    drift: dict[str, tuple[Key, Array]]
    prior: PriorWeeds

    @property
    def single_m2(self) -> Array:
        """Noise of one sighting by itself (K, 2, 2): local noise and the plant's height."""
        return self.local_m2 + self.height_m[:, :, None] * self.height_m[:, None, :]


def chain_links(track: Track, used: Sequence[str]) -> dict[Key, Link]:
    """Return the track's base-pose errors as a forward Markov chain over the used frames.

    Notes
    -----
    Block elimination from the end of the block-tridiagonal information matrix (block Cholesky factor read backwards):
    ``L_i = D_i - U_i L_{i+1}^-1 U_i'``, ``e_{i+1} | e_i ~ N(-L_{i+1}^-1 U_i' e_i, L_{i+1}^-1)``, ``e_0 ~ N(0,
    L_0^-1)``. Frames without sightings are stepped over by composing.

    Raises
    ------
    InputError
        If the track's information is not positive definite: nothing ties it to the ground.
    """
    n = len(track.frame_ids)
    rest = np.array(track.diagonal, dtype=float)
    tied = bool(np.isfinite(rest).all())
    for i in range(n - 1, -1, -1):
        if i < n - 1 and tied:
            rest[i] = rest[i] - track.upper[i] @ np.linalg.solve(rest[i + 1], track.upper[i].T)
        tied = tied and float(np.linalg.eigvalsh(rest[i]).min()) > 0
    if not tied:
        raise InputError("the track of base poses is tied to the ground by nothing", where=track.frame_ids[0],
                         field="track", remedy="state start errors in site.toml, or use fixes")  # fmt: skip
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
    covariance = np.asarray(covariance, dtype=np.float64)
    return _square_root(covariance.tobytes(), len(covariance))


@lru_cache(maxsize=4096)
def _square_root(buffer: bytes, size: int) -> Array:
    values, vectors = np.linalg.eigh(np.frombuffer(buffer).reshape(size, size))
    keep = values > 1e-14 * max(float(values.max(initial=0.0)), 1e-300)
    return frozen(vectors[:, keep] * np.sqrt(values[keep]))


def build(sightings: tuple[Sighting, ...], parts: tuple[Part, ...], tracks: Sequence[Track],
          prior: PriorWeeds) -> Problem:  # fmt: skip
    """Stack sightings (``stack``), tracks and register into one problem.

    Raises
    ------
    InputError
        If a track is tied to nothing.
    """
    used = [part.frame_id for part in parts]
    chain: dict[Key, Link] = {}
    drift: dict[str, tuple[Key, Array]] = {}
    modes = prior.shared_m.shape[2]
    roots: dict[Key, Array] = {}
    for track in tracks:
        if not set(track.frame_ids) & set(used):
            continue
        chain |= chain_links(track, used)
        if track.shared is not None:
            key = ("drift", track.frame_ids[0])
            roots[key] = np.eye(track.shared.shape[2])
            drift |= {f: (key, loading) for f, loading in zip(track.frame_ids, track.shared, strict=True)}
    site_keys = set(roots) | {s.key for part in parts for s in part.sources if s.scope is Scope.SITE}
    for scope in (Scope.SITE, Scope.STOP, Scope.FRAME):
        for part in parts:
            for s in part.sources:
                if s.scope is scope and s.key not in roots and (scope is not Scope.FRAME or s.key[0] == "base"):
                    roots[s.key] = np.eye(3) if s.key in chain else square_root(s.covariance)
    patterns = [_patterns(part) for part in parts]
    blocks: dict[Key, tuple[int, int]] = {}
    site = modes
    for key in roots:
        if key in site_keys:
            blocks[key] = (site, site + roots[key].shape[1])
            site += roots[key].shape[1]
    frame_blocks: list[tuple[Key, ...]] = []
    inside: dict[str, dict[Key, tuple[int, int]]] = {}  # of each group: where its errors lie in its block
    for part, (pattern, _) in zip(parts, patterns, strict=True):
        sizes = {s.key: roots[s.key].shape[1] for s in part.sources if s.key in roots and s.key not in site_keys}
        if pattern.shape[1]:
            sizes[("frame", part.frame_id)] = pattern.shape[1]
        for key, size in sizes.items():
            group = inside.setdefault(key[1], {})
            last = max((stop for _, stop in group.values()), default=0)
            group.setdefault(key, (last, last + size))
        frame_blocks.append(tuple(sizes))
    block = max((stop for group in inside.values() for _, stop in group.values()), default=1)
    number_of = {name: g for g, name in enumerate(inside)}
    for name, group in inside.items():
        at = site + block * number_of[name]
        blocks |= {key: (at + start, at + stop) for key, (start, stop) in group.items()}
    width = site + block * len(inside)
    local, columns, dense = [], [], []
    rows_of, cols_of, values_of = [], [], []
    for part, (pattern, rest), keys in zip(parts, patterns, frame_blocks, strict=True):
        m = len(part.members)
        local.append(part.local_m2 + rest + FLOOR_M2 * np.eye(2))
        own = np.concatenate([np.arange(*blocks[k]) for k in keys] or [np.zeros(0, dtype=np.int64)]).astype(np.int64)
        full = np.concatenate([np.arange(site, dtype=np.int64), own])
        at_column = {int(c): i for i, c in enumerate(full)}
        matrix = np.zeros((m, 2, len(full)))
        matrix[:, :, len(full) - pattern.shape[1] :] = pattern.reshape(m, 2, -1)
        for s in part.sources:
            if s.key in roots and roots[s.key].shape[1]:
                first = at_column[blocks[s.key][0]]
                matrix[:, :, first : first + roots[s.key].shape[1]] += part.jacobian[:, :, s.columns] @ roots[s.key]
            if s.key[0] == "base" and part.frame_id in drift:
                shared, loading = drift[part.frame_id]
                matrix[:, :, slice(*blocks[shared])] += part.jacobian[:, :, s.columns] @ loading
        flat = matrix.reshape(2 * m, -1)
        r, c = np.nonzero(flat)
        rows_of.append(2 * part.members[0] + r)
        cols_of.append(full[c])
        values_of.append(flat[r, c])
        columns.append(own)
        dense.append(flat)
    rows, cols, values = (np.concatenate(v) if v else np.zeros(0) for v in (rows_of, cols_of, values_of))
    number = len(sightings)
    jacobian = sparse.csr_array((values, (rows.astype(int), cols.astype(int))), shape=(2 * number, width))
    return Problem(
        sightings, tuple(used), tuple(part.members for part in parts),
        _joined([part.position_m for part in parts], (0, 2)), _joined(local, (0, 2, 2)),
        _joined([part.jacobian[:, :, -1] for part in parts], (0, 2)),
        _joined([part.crown_m2 for part in parts], (0, 2, 2)), width, site, modes, block,
        tuple(np.array(sorted({number_of[k[1]] for k in keys}), dtype=np.int64) for keys in frame_blocks),
        tuple(columns), tuple(frame_blocks), tuple(dense), jacobian, _information(width, blocks, chain), blocks, roots,
        {k: v for k, v in chain.items() if k in blocks}, drift, prior,
    )  # fmt: skip


def _joined(arrays: Sequence[Array], empty: tuple[int, ...]) -> Array:
    return np.concatenate(arrays) if arrays else np.zeros(empty)


def _patterns(part: Part) -> tuple[Array, Array]:
    """Return the patterns (2 m, r) in which a frame's private errors move its sightings, and local rests (m, 2, 2)."""
    m = len(part.members)
    private = [
        (part.jacobian[:, :, s.columns] @ square_root(s.covariance)).reshape(2 * m, -1)
        for s in part.sources
        if s.scope is Scope.FRAME and s.key[0] != "base"
    ]
    if not private:
        return np.zeros((2 * m, 0)), np.zeros((m, 2, 2))
    left, size, _ = np.linalg.svd(np.concatenate(private, axis=1), full_matrices=False)
    keep = size > PATTERN_M * np.sqrt(2 * m)
    rest = (left[:, ~keep] * size[~keep]).reshape(m, 2, -1)
    return left[:, keep] * size[keep], rest @ rest.transpose(0, 2, 1)


def base_errors(problem: Problem, errors: Array) -> dict[Key, Array]:
    """Return the base error (x_m, y_m, yaw_rad) of every base key from whitened errors (width,)."""
    out: dict[Key, Array] = {}
    for key in problem.blocks:
        if key[0] == "base":
            out[key] = problem.roots[key] @ errors[slice(*problem.blocks[key])]
            if key[1] in problem.drift:
                shared, loading = problem.drift[key[1]]
                out[key] = out[key] + loading @ errors[slice(*problem.blocks[shared])]
    return out


def _information(width: int, blocks: dict[Key, tuple[int, int]], chain: dict[Key, Link]) -> sparse.csr_array:
    """Return the prior information of all error columns: identity, and the chain where there is one."""
    plain = np.ones(width)
    rows, cols, values = [], [], []

    def add(a: Key, b: Key, block: Array) -> None:
        r, c = np.meshgrid(np.arange(*blocks[a]), np.arange(*blocks[b]), indexing="ij")
        rows.append(r.ravel())
        cols.append(c.ravel())
        values.append(block.ravel())

    for key, link in chain.items():
        if key not in blocks:
            continue
        plain[slice(*blocks[key])] = 0.0
        weight = np.asarray(np.linalg.inv(link.noise), dtype=np.float64)
        add(key, key, weight)
        if link.before is not None:
            cross = -link.transition.T @ weight
            add(link.before, link.before, -cross @ link.transition)
            add(link.before, key, cross)
            add(key, link.before, cross.T)
    rows.append(np.arange(width))
    cols.append(np.arange(width))
    values.append(plain)
    r, c, v = (np.concatenate(part) for part in (rows, cols, values))
    return sparse.csr_array((v, (r, c)), shape=(width, width))

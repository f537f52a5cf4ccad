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
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, frozen
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.domain.weed import Sighting, Weed

Ints = NDArray[np.int64]
#: Smallest local variance (m2): a tenth of a millimetre, so that noiseless inputs stay solvable.
FLOOR_M2 = 1e-8
#: Patterns of private frame errors smaller than this (m, root mean square over a frame's sightings) become local noise.
PATTERN_M = 1e-3
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
    width : int
        Number of error columns; the first ``site`` are shared by all (the register's modes come first).
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
    site_keys = set(roots) | {(e.source, e.key) for s in flat for e in s.errors if e.scope is Scope.SITE}
    for scope in (Scope.SITE, Scope.STOP, Scope.FRAME):
        for s in flat:
            for e in s.errors:
                key = (e.source, e.key)
                if e.scope is scope and key not in roots and (scope is not Scope.FRAME or e.source == "base"):
                    roots[key] = np.eye(3) if key in chain else square_root(np.asarray(e.covariance))
    blocks: dict[Key, tuple[int, int]] = {}
    width = modes
    for key, root in roots.items():
        blocks[key] = (width, width + root.shape[1])
        width += root.shape[1]
    site = modes + sum(roots[key].shape[1] for key in site_keys)
    local = np.tile(FLOOR_M2 * np.eye(2), (len(flat), 1, 1))
    height, crown = np.zeros((len(flat), 2)), np.zeros((len(flat), 2, 2))
    members, columns, frame_blocks, dense = [], [], [], []
    rows_of, cols_of, values_of = [], [], []
    number = 0
    for frame_id, group in ordered:
        m = len(group)
        patterns, rest = _patterns(group)
        keys = _own_keys(group, roots, site_keys)
        if patterns.shape[1]:
            keys.append(("frame", frame_id))
            blocks[keys[-1]] = (width, width + patterns.shape[1])
            width += patterns.shape[1]
        own = np.concatenate([np.arange(*blocks[k]) for k in keys] or [np.zeros(0, dtype=np.int64)]).astype(np.int64)
        full = np.concatenate([np.arange(site, dtype=np.int64), own])
        at = {int(c): i for i, c in enumerate(full)}
        matrix = np.zeros((2 * m, len(full)))
        matrix[:, len(full) - patterns.shape[1] :] = patterns
        for i, s in enumerate(group):
            local[number + i] += rest[i]
            for e in s.errors:
                key = (e.source, e.key)
                if e.scope is Scope.PIXEL:
                    local[number + i] += e.ground_covariance_m2
                elif e.source == "crown":
                    crown[number + i] = e.ground_covariance_m2
                elif e.scope is Scope.PLANT:
                    height[number + i] = e.jacobian[:, 0] * np.sqrt(e.covariance[0, 0])
                elif key in roots and roots[key].shape[1]:
                    first = at[blocks[key][0]]
                    matrix[2 * i : 2 * i + 2, first : first + roots[key].shape[1]] += e.jacobian @ roots[key]
                if e.source == "base" and frame_id in drift:
                    shared, loading = drift[frame_id]
                    matrix[2 * i : 2 * i + 2, slice(*blocks[shared])] += e.jacobian @ loading
        r, c = np.nonzero(matrix)
        rows_of.append(2 * number + r)
        cols_of.append(full[c])
        values_of.append(matrix[r, c])
        members.append(np.arange(number, number + m, dtype=np.int64))
        columns.append(own)
        frame_blocks.append(tuple(keys))
        dense.append(matrix)
        number += m
    rows, cols, values = (np.concatenate(v) if v else np.zeros(0) for v in (rows_of, cols_of, values_of))
    jacobian = sparse.csr_array((values, (rows.astype(int), cols.astype(int))), shape=(2 * number, width))
    return Problem(
        tuple(flat), tuple(used), tuple(members), np.array([s.mean_m for s in flat]).reshape(-1, 2), local, height,
        crown, width, site, modes, tuple(columns), tuple(frame_blocks), tuple(dense), jacobian,
        _information(width, blocks, chain), blocks, roots, {k: v for k, v in chain.items() if k in blocks}, drift,
        prior,
    )  # fmt: skip


def _own_keys(group: Sequence[Sighting], roots: dict[Key, Array], site_keys: set[Key]) -> list[Key]:
    """Return the keys of a frame's errors that are neither private nor shared by the whole site, in order."""
    keys: list[Key] = []
    for s in group:
        keys += [k for e in s.errors if (k := (e.source, e.key)) in roots and k not in site_keys and k not in keys]
    return keys


def _patterns(group: Sequence[Sighting]) -> tuple[Array, Array]:
    """Return the patterns (2 m, r) in which a frame's private errors move its sightings, and local rests (m, 2, 2)."""
    m = len(group)
    parts: dict[Key, Array] = {}
    for i, s in enumerate(group):
        for e in s.errors:
            if e.scope is Scope.FRAME and e.source != "base":
                key = (e.source, e.key)
                root = square_root(np.asarray(e.covariance))
                parts.setdefault(key, np.zeros((2 * m, root.shape[1])))[2 * i : 2 * i + 2] = e.jacobian @ root
    if not parts:
        return np.zeros((2 * m, 0)), np.zeros((m, 2, 2))
    left, size, _ = np.linalg.svd(np.concatenate(list(parts.values()), axis=1), full_matrices=False)
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


def relinearised(
    sightings: Sequence[Sighting], base_error: dict[Key, Array], noise_m: dict[str, Array]
) -> list[Sighting]:
    """Return sightings linearised about the estimate; errors keep their meaning (belief minus truth).

    Parameters
    ----------
    base_error : dict[Key, Array]
        Estimated base errors.
    noise_m : dict[str, Array]
        Sighting -> its residual (2,): where the plant was seen less where it should have been seen.

    Notes
    -----
    Jacobians are evaluated at the position less its residual. Evaluated at the noisy position they correlate with the
    noise, and a solution that shrinks the scale of all pictures would shrink the residuals with it: it would believe to
    know a scale that nothing has measured (errors in variables).

    With lever ``l`` (crown minus base, read off the yaw column of the base Jacobian), belief ``t`` and error ``e``, the
    crown lies at ``t - e_xy + l'`` with ``l' = R(-e_yaw) l``. Expanding there: position ``t + l' + e_yaw z x l'``, base
    Jacobian ``[I, z x l']``, other Jacobians turned by ``R(-e_yaw)``.
    """
    out = []
    for s in sightings:
        noise = noise_m.get(s.id, np.zeros(2))
        errors = tuple(
            e if e.gradient is None else replace(e, jacobian=e.jacobian - e.gradient @ noise) for e in s.errors
        )
        base = next((e for e in errors if e.source == "base" and ("base", e.key) in base_error), None)
        mean = s.mean_m
        if base is not None:
            yaw = float(base_error[("base", base.key)][2])
            c, si = np.cos(yaw), np.sin(yaw)
            turn = np.array([[c, si], [-si, c]])
            lever = np.array([base.jacobian[1, 2], -base.jacobian[0, 2]])
            arm = turn @ lever
            across = np.array([-arm[1], arm[0]])
            flat = np.array([[1.0, 0.0, across[0]], [0.0, 1.0, across[1]]])
            errors = tuple(replace(e, jacobian=flat if e is base else _turned(e, turn)) for e in errors)
            mean = mean - lever + arm + yaw * across
        out.append(replace(s, mean_m=mean, errors=errors))
    return out


def _turned(error: SharedError, turn: Array) -> Array:
    return error.jacobian if error.scope is Scope.PIXEL else turn @ error.jacobian


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

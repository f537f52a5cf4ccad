"""Smoothed base poses at frame times: odometry and gyro links, position fixes and the start pose, all at once.

Batch maximum a posteriori on the plane: unknowns are the base poses (x_m, y_m, yaw_rad) at the start, at each frame and
at each fix; Gauss-Newton on a chain; fixes and start are then marginalised out exactly. A fix is taken to be of the
base's origin: an antenna elsewhere must be brought there by the receiver's driver.
Formulas: Gauss-Newton normal equations; covariance = inverse information at the optimum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.chain import chain_marginals, keep_nodes, solve_chain
from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.site import ErrorSources, Origin
from swardwright.footage.clock import seconds
from swardwright.footage.motion import drive
from swardwright.footage.streams import Timed

#: a fix farther off than this (squared normalised distance; chi-square with 2 degrees of freedom: 4e-6) is left out
FIX_GATE = 25.0
FIX_ROUNDS = 12
#: fixes nearer in time than this count as one: their covariance is raised by the number within it. Errors that wander
#: more slowly (reflections) must be in the covariance that the receiver states (common practice, no source)
FIX_MEMORY_S = 0.2
FIX_FAR_M = 5000.0


@dataclass(frozen=True, eq=False)
class Fixes:
    """Position fixes on the ground: times (n,) s, places (n, 2) m, covariances (n, 2, 2) m2."""

    times_s: Array
    places_m: Array
    covariances_m2: Array


@dataclass(frozen=True, eq=False)
class Smoothed:
    """Result of ``smooth``: the track, each frame's covariance, and how the streams were used."""

    track: Track
    covariances: Array
    distance_m: float
    gyro_used: bool
    gyro_note: str
    fixes_used: int
    fixes_refused: int


def local_fixes(fixes: Timed, origin: Origin, zero_ns: int, fix_m: float, where: str) -> Fixes:
    """Carry WGS84 fixes to ground axes (local east-north-up about ``origin``).

    Raises
    ------
    RecordingError
        If a fix is farther than 5 km from the origin.
    """
    import pymap3d

    height = np.where(np.isfinite(fixes.values[:, 2]), fixes.values[:, 2], origin.height_m)
    east, north, _ = pymap3d.geodetic2enu(
        fixes.values[:, 0], fixes.values[:, 1], height, origin.latitude_deg, origin.longitude_deg, origin.height_m
    )
    places = np.column_stack([east, north])
    far = float(np.hypot(*places.T).max())
    if far > FIX_FAR_M:
        raise RecordingError("a position fix is far from the site", where=where, field="latitude, longitude",
                             value=f"{far / 1000:.1f} km from the origin", limit=f"{FIX_FAR_M / 1000:.0f} km",
                             remedy="check the origin in site.toml")  # fmt: skip
    stated = fixes.values[:, 3:6]
    known = np.asarray(np.isfinite(stated).all(axis=1))
    stated = np.where(known.reshape(-1, 1), stated, [fix_m**2, 0.0, fix_m**2])
    covariances = stated[:, [0, 1, 1, 2]].reshape(-1, 2, 2)
    times = seconds(fixes.stamps_ns, zero_ns)
    if len(times) > 1:
        covariances = covariances * max(1.0, FIX_MEMORY_S / float(np.median(np.diff(times))))
    return Fixes(times, places, covariances)


def smooth(
    odometry: Timed,
    gyro: Timed | None,
    fixes: Timed | None,
    frame_ids: tuple[str, ...],
    frame_stamps_ns: NDArray[np.int64],
    *,
    start: BasePose,
    origin: Origin,
    errors: ErrorSources,
    where: str,
) -> Smoothed:
    """Return the most probable base poses at the frames' times.

    The first odometry pose is laid on ``start``, wherever the odometry's own axes lie.

    Raises
    ------
    RecordingError
        If the odometry jumps, a fix is far away, or the solution does not settle.
    """
    zero = int(odometry.stamps_ns[0])
    own = seconds(odometry.stamps_ns, zero)
    wanted = seconds(frame_stamps_ns, zero)
    placed = None if fixes is None else local_fixes(fixes, origin, zero, errors.fix_m, where)
    outside = 0
    if placed is not None:
        inside = (placed.times_s >= own[0]) & (placed.times_s <= own[-1])
        outside = int((~inside).sum())
        placed = Fixes(placed.times_s[inside], placed.places_m[inside], placed.covariances_m2[inside])
    fix_times = placed.times_s if placed is not None else np.zeros(0)
    way = drive(odometry, gyro, np.concatenate([wanted, fix_times]), zero, errors, where)
    node_times = np.unique(np.concatenate([own[:1], wanted, fix_times]))
    nodes = np.searchsorted(way.times_s, node_times)
    steps, step_covariances = way.relative(nodes)
    first = int(np.searchsorted(node_times, own[0]))
    problem = ChainProblem(
        steps=steps,
        step_information=_inverse(step_covariances),
        start_node=first,
        start=start.as_array(),
        start_information=np.diag([errors.start_m**-2, errors.start_m**-2, errors.start_rad**-2]),
        fix_nodes=np.searchsorted(node_times, fix_times),
        fix_places=placed.places_m if placed is not None else np.zeros((0, 2)),
        fix_information=_inverse(placed.covariances_m2) if placed is not None else np.zeros((0, 2, 2)),
    )
    poses, diagonal, upper = problem.solve(where)
    refused = outside
    for _ in range(FIX_ROUNDS):
        wild = problem.wild_fixes(poses)
        if not wild.any():
            break
        refused += int(wild.sum())
        problem = problem.with_fixes(~wild)
        poses, diagonal, upper = problem.solve(where)
    keep = np.searchsorted(node_times, wanted)
    diagonal, upper = keep_nodes(diagonal, upper, keep.tolist())
    kept = tuple(BasePose(float(x), float(y), wrap_angle(float(a))) for x, y, a in poses[keep])
    track = Track(frame_ids, kept, diagonal, upper)
    return Smoothed(track, chain_marginals(diagonal, upper), way.distance_m, way.gyro_used, way.note,
                    len(problem.fix_nodes), refused)  # fmt: skip


def _inverse(covariances: Array) -> Array:
    return np.asarray(np.linalg.inv(covariances), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class ChainProblem:
    """The least-squares problem: n nodes, n - 1 links, one prior, any number of fixes.

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
    """

    steps: Array
    step_information: Array
    start_node: int
    start: Array
    start_information: Array
    fix_nodes: NDArray[np.intp]
    fix_places: Array
    fix_information: Array

    def with_fixes(self, good: NDArray[np.bool_]) -> ChainProblem:
        """Return the problem with the fixes marked in ``good`` only."""
        return ChainProblem(self.steps, self.step_information, self.start_node, self.start, self.start_information,
                            self.fix_nodes[good], self.fix_places[good], self.fix_information[good])  # fmt: skip

    def wild_fixes(self, poses: Array) -> NDArray[np.bool_]:
        """Say which fixes are beyond ``FIX_GATE`` and among the worst (the milder may only be drawn off by these)."""
        if not len(self.fix_nodes):
            return np.zeros(0, dtype=bool)
        off = poses[self.fix_nodes, :2] - self.fix_places
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

    def links(self, poses: Array) -> tuple[Array, Array, Array]:
        """Return the links' residuals (n - 1, 3) and Jacobians (n - 1, 3, 3) by the earlier and the later pose."""
        d = np.diff(poses, axis=0)
        c, s = np.cos(poses[:-1, 2]), np.sin(poses[:-1, 2])
        residual = np.column_stack([c * d[:, 0] + s * d[:, 1], -s * d[:, 0] + c * d[:, 1], d[:, 2]]) - self.steps
        residual[:, 2] = np.pi - (np.pi - residual[:, 2]) % (2.0 * np.pi)
        later = np.zeros((len(d), 3, 3))
        later[:, 0, 0], later[:, 0, 1], later[:, 1, 0], later[:, 1, 1], later[:, 2, 2] = c, s, -s, c, 1.0
        earlier = -later
        earlier[:, 0, 2] = -s * d[:, 0] + c * d[:, 1]
        earlier[:, 1, 2] = -c * d[:, 0] - s * d[:, 1]
        return residual, earlier, later

    def normal(self, poses: Array) -> tuple[Array, Array, Array, float]:
        """Return the normal equations at ``poses``: diagonal, upper, gradient (n, 3) and cost."""
        n = len(poses)
        residual, earlier, later = self.links(poses)
        info = self.step_information
        diagonal, gradient = np.zeros((n, 3, 3)), np.zeros((n, 3))
        weighted = np.einsum("nij,nj->ni", info, residual)
        early_t, late_t = earlier.transpose(0, 2, 1), later.transpose(0, 2, 1)
        diagonal[:-1] += early_t @ info @ earlier
        diagonal[1:] += late_t @ info @ later
        upper = early_t @ info @ later
        gradient[:-1] += np.einsum("nij,nj->ni", early_t, weighted)
        gradient[1:] += np.einsum("nij,nj->ni", late_t, weighted)
        cost = float(np.sum(residual * weighted))
        off = poses[self.start_node] - self.start
        off[2] = wrap_angle(float(off[2]))
        diagonal[self.start_node] += self.start_information
        gradient[self.start_node] += self.start_information @ off
        cost += float(off @ self.start_information @ off)
        if len(self.fix_nodes):
            miss = poses[self.fix_nodes, :2] - self.fix_places
            pull = np.einsum("nij,nj->ni", self.fix_information, miss)
            np.add.at(diagonal[:, :2, :2], self.fix_nodes, self.fix_information)
            np.add.at(gradient[:, :2], self.fix_nodes, pull)
            cost += float(np.sum(miss * pull))
        return diagonal, upper, gradient, cost

    def solve(self, where: str = "") -> tuple[Array, Array, Array]:
        """Return the optimum (n, 3) and the information (diagonal, upper) there.

        Raises
        ------
        RecordingError
            If it does not settle, which sound recordings do in a few steps.
        """
        poses = self.first_guess()
        for _ in range(30):
            diagonal, upper, gradient, cost = self.normal(poses)
            step = solve_chain(diagonal, upper, -gradient)
            size = 1.0
            while size > 1e-4 and self.normal(poses + size * step)[3] > cost + 1e-9 * (1.0 + cost):
                size *= 0.5
            poses = poses + size * step
            if np.abs(step).max() < 1e-9 or (np.abs(step).max() < 1e-6 and size < 1.0):
                diagonal, upper, _, _ = self.normal(poses)
                return poses, diagonal, upper
        raise RecordingError("odometry and position fixes contradict each other", where=where,
                             remedy="check start pose and origin in site.toml against the recording")  # fmt: skip

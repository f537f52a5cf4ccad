"""Smoothed base poses at frame times: odometry and gyro links, position fixes and the start pose, all at once.

Batch maximum a posteriori on the plane: unknowns are the base poses (x_m, y_m, yaw_rad) at the start, at each frame and
at each fix, and what the whole recording shares (scale of the odometry, gyro bias, lateness of the fixes, ...). Fixes
and start are then marginalised out exactly. A fix is taken to be of the base's origin: an antenna elsewhere must be
brought there by the receiver's driver. Formulas: ``pose_chain``; covariance = inverse information at the optimum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.chain import chain_marginals, keep_nodes
from swardwright.domain.frame import Track
from swardwright.domain.poses import Array, BasePose, wrap_angle
from swardwright.domain.site import ErrorSources, Origin
from swardwright.footage.clock import interpolate, seconds
from swardwright.footage.fixes import (
    Fixes,
    coarse_lateness,
    local_fixes,
    memory_factor,
    refuse_late,
    stated_memory_factor,
)
from swardwright.footage.lateness import Lateness, gyro_lateness
from swardwright.footage.motion import WAY_SCALE, Drive, drive
from swardwright.footage.pose_chain import ChainProblem, Solved
from swardwright.footage.standing import Standing
from swardwright.footage.streams import Timed

FIX_ROUNDS = 12
FIX_LATE = "lateness of fixes"
#: the smoother is linear about the lateness it started from: again from there until it moves by less than this
_LATE_SETTLED_S, _LATE_ROUNDS = 1e-3, 8
#: fixes whose errors add up by less than this more than independent ones count as independent
_MEMORY_MATTERS = 1.3
#: speed at a fix: over this time before and after
_SPEED_S = 0.1


@dataclass(frozen=True)
class Estimate:
    """A number with its standard deviation."""

    name: str
    value: float
    sigma: float


@dataclass(frozen=True, eq=False)
class Smoothed:
    """Result of ``smooth``: the track, each frame's covariance, and how the streams were used.

    Attributes
    ----------
    shared : tuple[Estimate, ...]
        What the whole recording shares, estimated: scales as shares, gyro bias rad/s, lateness of fixes s.
    dead_reckoned : Array
        Shape (n, 3): poses at the frames' times by wheels alone, laid on the start pose.
    fixes : Fixes | None
        Those used, times as corrected; covariances as stated.
    fix_memory_s : float
        Correlation time that the fixes' errors were given; 0: none.
    """

    track: Track
    covariances: Array
    distance_m: float
    gyro_used: bool
    gyro_note: str
    fixes_used: int
    fixes_refused: int
    shared: tuple[Estimate, ...]
    standing: Standing
    gyro_late: Lateness | None
    dead_reckoned: Array
    fixes: Fixes | None
    fix_memory_s: float

    def estimate(self, name: str) -> Estimate | None:
        """Return the shared error of that name, or None."""
        return next((e for e in self.shared if e.name == name), None)

    def notes(self) -> tuple[str, ...]:
        """Return what a person should know, one clause each."""
        said = [self.gyro_note] if self.gyro_note else []
        late = self.gyro_late
        if late is not None and late.note:
            said.append(late.note)
        elif late is not None and late.applied:
            said.append(f"the gyro is {_late(late.late_s)}: taken into account")
        fix = self.estimate(FIX_LATE)
        if fix is not None and self.fixes_used and abs(fix.value) > max(3.0 * fix.sigma, 0.02):
            said.append(f"fixes are {_late(fix.value)}: taken into account")
        if self.fix_memory_s and self.fixes_used:
            said.append(f"errors of the position fixes last about {self.fix_memory_s:.2g} s: taken into account")
        scale = self.estimate(WAY_SCALE)
        if scale is not None and abs(scale.value) > 3.0 * scale.sigma:
            said.append(f"the odometry counts {100 * abs(scale.value):.1f} % too "
                        f"{'far' if scale.value > 0 else 'short'}: taken into account")  # fmt: skip
        if len(self.standing.carried_s):
            seconds_ = float(np.diff(self.standing.carried_s, axis=1).sum())
            said.append(f"the base turned while its wheels stood still, {seconds_:.1f} s in all: the gyro is followed")
        return tuple(said)


def _late(late_s: float) -> str:
    return f"{abs(late_s):.2f} s {'late' if late_s > 0 else 'early'}"


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
        If the odometry jumps, a fix is far away, clocks are more than a second apart, or the solution does not settle.
    """
    zero = int(odometry.stamps_ns[0])
    own = seconds(odometry.stamps_ns, zero)
    wanted = seconds(frame_stamps_ns, zero)
    late = gyro_lateness(odometry, gyro, zero) if gyro is not None else None
    if gyro is not None and late is not None and late.applied:
        gyro = Timed(gyro.stamps_ns - round(late.late_s * 1e9), gyro.values)
    placed = None if fixes is None else local_fixes(fixes, origin, zero, errors.fix_m, where)
    fitted = _fit(odometry, gyro, placed, wanted, start=start, errors=errors, where=where)
    way, problem, solved = fitted.way, fitted.problem, fitted.solved
    keep = np.searchsorted(fitted.node_times, wanted)
    diagonal, upper = keep_nodes(solved.diagonal, solved.upper, keep.tolist())
    loadings = solved.loadings[keep]
    kept = tuple(BasePose(float(x), float(y), wrap_angle(float(a))) for x, y, a in solved.poses[keep])
    track = Track(frame_ids, kept, diagonal, upper, loadings if loadings.shape[2] else None)
    covariances = chain_marginals(diagonal, upper) + loadings @ loadings.transpose(0, 2, 1)
    sigmas = np.sqrt(np.einsum("ij,ij->i", solved.root, solved.root))
    known = np.concatenate([way.values, [fitted.late_s] * (len(solved.shared) - len(way.values))])
    shared = tuple(
        Estimate(name, float(value), float(sigma))
        for name, value, sigma in zip(fitted.names, known + solved.shared, sigmas, strict=True)
    )
    total = 0 if placed is None else len(placed.times_s)
    used = None
    if fitted.used is not None and len(problem.fix_nodes):
        used = fitted.used
    return Smoothed(
        track=track, covariances=covariances, distance_m=way.distance_m, gyro_used=way.gyro_used, gyro_note=way.note,
        fixes_used=len(problem.fix_nodes), fixes_refused=total - len(problem.fix_nodes), shared=shared,
        standing=way.standing, gyro_late=late, dead_reckoned=_laid_on(start, own, odometry.values[:, :3], wanted),
        fixes=used, fix_memory_s=fitted.memory_s,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Fitted:
    way: Drive
    problem: ChainProblem
    solved: Solved
    node_times: Array
    names: tuple[str, ...]
    late_s: float
    memory_s: float
    used: Fixes | None


def _fit(
    odometry: Timed, gyro: Timed | None, placed: Fixes | None, wanted: Array, *, start: BasePose,
    errors: ErrorSources, where: str,
) -> _Fitted:  # fmt: skip
    """Solve; where fixes are there, again about their lateness, with the memory of their errors, without wild ones."""
    zero = int(odometry.stamps_ns[0])
    own = seconds(odometry.stamps_ns, zero)
    asks_late = placed is not None and errors.fix_late_s > 0
    late = coarse_lateness(own, odometry.values[:, :2], placed, where) if placed is not None and asks_late else 0.0
    factor, memory = 1.0, 0.0
    good: NDArray[np.bool_] | None = None
    judged = False
    for _ in range(_LATE_ROUNDS + FIX_ROUNDS):
        fixes = None if placed is None else _shifted(placed, late)
        inside = np.zeros(0, dtype=bool)
        if fixes is not None:
            inside = (fixes.times_s >= own[0]) & (fixes.times_s <= own[-1])
            good = inside if good is None else good & inside
            fixes = Fixes(fixes.times_s[good], fixes.places_m[good], fixes.covariances_m2[good])
        fix_times = fixes.times_s if fixes is not None else np.zeros(0)
        way = drive(odometry, gyro, np.concatenate([wanted, fix_times]), zero, errors, where)
        node_times = np.unique(np.concatenate([own[:1], wanted, fix_times]))
        problem, names = _problem(way, node_times, fixes, own[0], start, errors, late if asks_late else None, factor)
        solved = problem.solve(where)
        if fixes is None or not len(fix_times) or good is None:
            break
        if asks_late:
            moved = float(solved.shared[-1])
            refuse_late(late + moved, where)
            if abs(moved) > _LATE_SETTLED_S:
                late += moved
                continue
        if not judged:
            judged = True
            every = float(np.median(np.diff(fix_times))) if len(fix_times) > 1 else 1.0
            if errors.fix_memory_s > 0:
                factor, memory = stated_memory_factor(errors.fix_memory_s, every), errors.fix_memory_s
            else:
                factor = _judged_memory(way, problem, solved, fixes, errors)
                factor, memory = (factor, 0.5 * factor * every) if factor > _MEMORY_MATTERS else (1.0, 0.0)
            if factor > 1.0:
                continue
        wild = problem.wild_fixes(solved.poses, solved.shared)
        if not wild.any():
            break
        good = good.copy()
        good[np.flatnonzero(good)[wild]] = False
    return _Fitted(way, problem, solved, node_times, names, late, memory, fixes)


def _shifted(fixes: Fixes, late_s: float) -> Fixes:
    return Fixes(fixes.times_s - late_s, fixes.places_m, fixes.covariances_m2)


def _problem(
    way: Drive, node_times: Array, fixes: Fixes | None, begin_s: float, start: BasePose, errors: ErrorSources,
    late_s: float | None, factor: float,
) -> tuple[ChainProblem, tuple[str, ...]]:  # fmt: skip
    nodes = np.searchsorted(way.times_s, node_times)
    steps, covariances, loads = way.relative(nodes)
    names, mean, information = way.shared, np.zeros(len(way.shared)), way.information
    fix_nodes, places = np.zeros(0, dtype=np.intp), np.zeros((0, 2))
    fix_information, fix_loads = np.zeros((0, 2, 2)), np.zeros((0, 2, len(names)))
    if fixes is not None:
        fix_nodes, places = np.searchsorted(node_times, fixes.times_s), fixes.places_m
        fix_information = _inverse(fixes.covariances_m2 * factor)
        fix_loads = np.zeros((len(places), 2, len(names)))
    if fixes is not None and late_s is not None:
        names, mean = (*names, FIX_LATE), np.append(mean, -late_s)
        wider = np.zeros((len(names), len(names)))
        wider[:-1, :-1], wider[-1, -1] = information, errors.fix_late_s**-2
        information = wider
        loads = np.concatenate([loads, np.zeros((*loads.shape[:2], 1))], axis=2)
        # by the way itself, turned from its own axes to the ground's at the start
        speed = _speed(way, fixes.times_s)
        swing = start.yaw_rad - float(way.poses[0, 2])
        c, s = np.cos(swing), np.sin(swing)
        fix_loads = np.concatenate([fix_loads, (speed @ np.array([[c, s], [-s, c]]))[:, :, None]], axis=2)
    problem = ChainProblem(
        steps=steps,
        step_information=_inverse(covariances),
        start_node=int(np.searchsorted(node_times, begin_s)),
        start=start.as_array(),
        start_information=np.diag([errors.start_m**-2, errors.start_m**-2, errors.start_rad**-2]),
        fix_nodes=fix_nodes,
        fix_places=places,
        fix_information=fix_information,
        step_loads=loads,
        fix_loads=fix_loads,
        shared_mean=mean,
        shared_information=information,
        stretched=way.shared[:1] == (WAY_SCALE,),
    )
    return problem, names


def _speed(way: Drive, at_s: Array) -> Array:
    """Return the velocity (n, 2) in the way's axes at ``at_s``, m/s."""
    before = np.clip(at_s - _SPEED_S, way.times_s[0], way.times_s[-1])
    after = np.clip(at_s + _SPEED_S, way.times_s[0], way.times_s[-1])
    gone = interpolate(way.times_s, way.poses[:, :2], after) - interpolate(way.times_s, way.poses[:, :2], before)
    return np.asarray(gone / np.maximum(after - before, 1e-9)[:, None])


def _judged_memory(way: Drive, problem: ChainProblem, solved: Solved, fixes: Fixes, errors: ErrorSources) -> float:
    """Hold fixes against the way, laid along the smoothed headings."""
    at = np.searchsorted(way.times_s, fixes.times_s)
    moved = np.diff(way.poses[at], axis=0)
    swing = (solved.poses[problem.fix_nodes, 2] - way.poses[at, 2])[:-1]
    c, s = np.cos(swing), np.sin(swing)
    steps = np.column_stack([c * moved[:, 0] - s * moved[:, 1], s * moved[:, 0] + c * moved[:, 1]])
    along = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    length = np.hypot(*steps.T)
    return memory_factor(fixes, along, errors.odometry_per_m**2 * length + 0.5 * (errors.odometry_scale * length) ** 2)


def _laid_on(start: BasePose, own_s: Array, raw: Array, at_s: Array) -> Array:
    """Return the odometry's poses at ``at_s``, its first laid on ``start``."""
    raw = raw.copy()
    raw[:, 2] = np.unwrap(raw[:, 2])
    poses = interpolate(own_s, raw, at_s) - raw[0]
    swing = start.yaw_rad - raw[0, 2]
    c, s = np.cos(swing), np.sin(swing)
    out = poses.copy()
    out[:, 0] = start.x_m + c * poses[:, 0] - s * poses[:, 1]
    out[:, 1] = start.y_m + s * poses[:, 0] + c * poses[:, 1]
    out[:, 2] += start.yaw_rad
    return np.asarray(out)


def _inverse(covariances: Array) -> Array:
    return np.asarray(np.linalg.inv(covariances), dtype=np.float64)

"""Position fixes on the ground: how late they are stamped, and how long their errors last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import Array
from swardwright.domain.site import Origin
from swardwright.footage.clock import interpolate, seconds
from swardwright.footage.streams import Timed

FIX_FAR_M = 5000.0
#: fixes later or earlier than this are refused; looked for twice as far
FIX_LATE_MAX_S = 1.0
#: chords between fixes this far apart in time are held against the odometry's
CHORD_S = 2.0
_CHORD_GATE2, _CHORD_EVIDENCE = 9.0, 25.0
#: correlation below this, or below what chance shows in so few fixes, is none (by medians of n fixes it is known to
#: about 1.7 / sqrt(n))
_MEMORY_LOW, _MEMORY_CHANCE = 0.05, 4.0
_MEMORY_LAGS = 300


@dataclass(frozen=True, eq=False)
class Fixes:
    """Position fixes on the ground: times (n,) s, places (n, 2) m, covariances (n, 2, 2) m2."""

    times_s: Array
    places_m: Array
    covariances_m2: Array

    @property
    def sigma_m(self) -> float:
        """Median standard deviation per axis."""
        return float(np.sqrt(np.median(0.5 * np.trace(self.covariances_m2, axis1=1, axis2=2))))

    def between(self, begin_s: float, end_s: float) -> Fixes:
        """Return those in the span."""
        ok = (self.times_s >= begin_s) & (self.times_s <= end_s)
        return Fixes(self.times_s[ok], self.places_m[ok], self.covariances_m2[ok])


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
    return Fixes(seconds(fixes.stamps_ns, zero_ns), places, covariances)


def coarse_lateness(own_s: Array, places: Array, fixes: Fixes, where: str) -> float:
    """Return by how much the fixes are stamped late (s), 0 where the recording cannot tell.

    The distance between two fixes is held against the distance that the odometry went between the same two times,
    shifted: it needs no heading and no start, but speeds that change. Only a start for the smoother, which refines it.

    Raises
    ------
    RecordingError
        If they are late or early by more than ``FIX_LATE_MAX_S``.
    """
    times = fixes.times_s
    if len(times) < 10 or len(own_s) < 3:
        return 0.0
    later = np.searchsorted(times, times + CHORD_S)
    first = np.flatnonzero(later < len(times))
    last = later[first]
    reach = 2.0 * FIX_LATE_MAX_S
    # the same chords for every shift, so that costs compare
    inner = (times[first] - reach >= own_s[0]) & (times[last] + reach <= own_s[-1])
    first, last = first[inner], last[inner]
    if len(first) < 10:
        return 0.0
    told = np.hypot(*(fixes.places_m[last] - fixes.places_m[first]).T)
    variance = 0.5 * np.trace(fixes.covariances_m2[first] + fixes.covariances_m2[last], axis1=1, axis2=2)
    shifts = np.arange(-reach, reach + 1e-9, 0.05)

    def cost(shift: float) -> float:
        chord = interpolate(own_s, places, times[last] - shift) - interpolate(own_s, places, times[first] - shift)
        # 3 % of the way for what odometry counts too far or too short
        off2 = (told - np.hypot(*chord.T)) ** 2 / (variance + (0.03 * told) ** 2)
        return float(np.minimum(off2, _CHORD_GATE2).sum())

    costs = np.array([cost(float(s)) for s in shifts])
    overlap = max(1.0, CHORD_S / max(float(np.median(np.diff(times))), 1e-3))
    best = int(np.argmin(costs))
    if cost(0.0) - costs[best] < _CHORD_EVIDENCE * overlap:
        return 0.0
    late = float(shifts[best])
    refuse_late(late, where)
    return late


def refuse_late(late_s: float, where: str) -> None:
    """Raise if fixes are later or earlier than anything that a receiver does."""
    if abs(late_s) > FIX_LATE_MAX_S:
        raise RecordingError(
            "the position fixes and the odometry are on different clocks", where=where, field="header.stamp",
            value=f"fixes {abs(late_s):.2f} s {'late' if late_s > 0 else 'early'}", limit=f"{FIX_LATE_MAX_S:g} s",
            remedy="stamp fixes with the time of the measurement and keep all clocks in step (chrony, PTP)",
        )  # fmt: skip


def memory_factor(fixes: Fixes, way: Array, drift2_m2: Array) -> float:
    """Return by how much more than independent ones the fixes' errors add up: ``1 + 2 sum rho_k``.

    Parameters
    ----------
    way : Array
        Shape (n, 2): where the base was at the fixes' times by odometry, in ground axes up to a constant.
    drift2_m2 : Array
        Shape (n - 1,): odometry's own variance per axis between successive fixes.

    Notes
    -----
    ``E |e_(i+k) - e_i|^2 = 4 sigma^2 (1 - rho_k)`` for two axes: small where the stated errors last from one fix to the
    next. Robust mean: median over ln 2 (two Gaussian axes). Correlation is summed until it is gone (automatic
    windowing: Sokal 1997), or until odometry cannot tell any more; then carried on as an exponential.
    """
    n = len(fixes.times_s)
    if n < 20:
        return 1.0
    error = fixes.places_m - way
    variance = float(np.median(np.trace(fixes.covariances_m2, axis1=1, axis2=2)))
    drift = np.concatenate([[0.0], np.cumsum(drift2_m2)])
    factor = 1.0
    for k in range(1, min(n // 4, _MEMORY_LAGS)):
        apart2 = float(np.median(np.sum((error[k:] - error[:-k]) ** 2, axis=1))) / np.log(2.0)
        by_drift = 2.0 * float(np.median(drift[k:] - drift[:-k]))
        rho = min(1.0 - (apart2 - by_drift) / (2.0 * variance), 0.98)
        if rho < max(_MEMORY_LOW, _MEMORY_CHANCE / np.sqrt(n - k)):
            break
        factor += 2.0 * rho
        if by_drift > variance or k == min(n // 4, _MEMORY_LAGS) - 1:
            fades = rho ** (1.0 / k)
            factor += 2.0 * rho * fades / (1.0 - fades)
            break
    return factor


def stated_memory_factor(memory_s: float, every_s: float) -> float:
    """Return ``1 + 2 sum rho^k`` for errors that fade as ``exp(-t / memory_s)``, fixes ``every_s`` apart."""
    if memory_s <= 0:
        return 1.0
    rho = float(np.exp(-every_s / memory_s))
    return (1.0 + rho) / (1.0 - rho)

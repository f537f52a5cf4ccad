"""One clock for all streams: header stamps, strictly increasing, and interpolation that refuses what is stale."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import Array
from swardwright.footage.streams import Timed


def timed(stamps_ns: Sequence[int], values: Sequence[Sequence[float]], columns: int, where: str) -> Timed | None:
    """Return a stream with repeated stamps dropped, or None if it is empty.

    Raises
    ------
    RecordingError
        If stamps run backwards or were never set.
    """
    if not stamps_ns:
        return None
    stamps = np.array(stamps_ns, dtype=np.int64)
    table = np.array(values, dtype=float).reshape(len(stamps), columns)
    if len(stamps) > 1 and not stamps.any():
        raise RecordingError("the messages carry no time", where=where, field="header.stamp", value=0,
                             remedy="have the driver stamp its messages, and record again")  # fmt: skip
    steps = np.diff(stamps)
    if (steps < 0).any():
        i = int(np.argmax(steps < 0))
        raise RecordingError("the clock runs backwards", where=where, field="header.stamp",
                             value=f"{stamps[i] / 1e9:.6f} s then {stamps[i + 1] / 1e9:.6f} s",
                             limit="increasing stamps",
                             remedy="record with one steady clock, or cut the recording at the jump")  # fmt: skip
    fresh = np.concatenate([[True], steps > 0])
    return Timed(stamps[fresh], table[fresh])


def seconds(stamps_ns: NDArray[np.int64], zero_ns: int) -> Array:
    """Return stamps as seconds after ``zero_ns``, without loss for recordings of days."""
    return np.asarray((stamps_ns - zero_ns) / 1e9, dtype=float)


def interpolate(times_s: Array, values: Array, at_s: Array) -> Array:
    """Return ``values`` (n, k) at times ``at_s`` (m,): linear between samples, and carried on straight outside them."""
    if len(times_s) == 1:
        return np.repeat(values, len(at_s), axis=0)
    i = np.clip(np.searchsorted(times_s, at_s, side="right") - 1, 0, len(times_s) - 2)
    share = (at_s - times_s[i]) / (times_s[i + 1] - times_s[i])
    return np.asarray(values[i] + share[:, None] * (values[i + 1] - values[i]))


def usable(times_s: Array, at_s: Array, age_s: float) -> NDArray[np.bool_]:
    """Say for which of ``at_s`` the stream is fresh.

    Fresh means: the nearest sample is no farther than ``age_s``, and, between two samples, these are no farther apart
    than twice that (so that a pose just before a gap does not lend its freshness to a guess across it).
    """
    i = np.clip(np.searchsorted(times_s, at_s, side="right") - 1, 0, len(times_s) - 1)
    j = np.clip(i + 1, 0, len(times_s) - 1)
    slack = age_s + 1e-9
    nearest = np.minimum(np.abs(at_s - times_s[i]), np.abs(at_s - times_s[j]))
    inside = (at_s > times_s[i]) & (at_s < times_s[j])
    gap = np.where(inside, times_s[j] - times_s[i], 0.0)
    return np.asarray((nearest <= slack) & (gap <= 2.0 * slack))

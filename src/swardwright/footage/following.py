"""Follow the base through a recording without its pictures: the smoothed track, and what was learnt on the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.domain.poses import BasePose
from swardwright.domain.site import ErrorSources, Origin, Topics
from swardwright.footage.imu import Tilt, tilt_at_rest
from swardwright.footage.streams import Streams, Wanted
from swardwright.footage.track import Smoothed, smooth

#: most poses of a followed track
POSES_MAX = 20_000


@dataclass(frozen=True, eq=False)
class Followed:
    """A recording's base poses.

    Attributes
    ----------
    stamps_ns : Array
        Shape (n,): the times of ``smoothed.track``, nanoseconds since the epoch.
    tilt : Tilt | None
        Roll and pitch while standing, where an Imu says so. They are told, not used: an accelerometer's own bias
        (some mrad) is as large as the tilt error that pictures already correct.
    """

    recording: str
    stamps_ns: NDArray[np.int64]
    smoothed: Smoothed
    tilt: Tilt | None
    notes: tuple[str, ...]


def follow_streams(
    streams: Streams, name: str, *, start: BasePose, origin: Origin, errors: ErrorSources, rate_hz: float
) -> Followed:
    """Smooth the streams' odometry at ``rate_hz``; see ``follow``."""
    odometry = streams.odometry
    if odometry is None or len(odometry) < 2:
        raise RecordingError("the recording has no odometry to follow", where=name, field="topics.odometry",
                             remedy="record the base's Odometry, or name it in site.toml under [topics]")  # fmt: skip
    first, last = int(odometry.stamps_ns[0]), int(odometry.stamps_ns[-1])
    count = round((last - first) / 1e9 * rate_hz) + 1
    if count > POSES_MAX:
        raise RecordingError("the track would have too many poses", where=name, field="rate", value=count,
                             limit=POSES_MAX, remedy="ask for fewer a second")  # fmt: skip
    stamps = np.unique(np.linspace(first, last, max(count, 2)).astype(np.int64))
    ids = tuple(f"{name}/pose-{i:05d}" for i in range(len(stamps)))
    smoothed = smooth(odometry, streams.gyro, streams.fixes, ids, stamps, start=start, origin=origin, errors=errors,
                      where=name)  # fmt: skip
    tilt, wrong = None, ""
    if streams.imu is not None:
        tilt, wrong = tilt_at_rest(streams.imu, first, smoothed.standing.periods_s)
    notes = (*streams.notes, *smoothed.notes(), *([wrong] if wrong else []))
    return Followed(name, stamps, smoothed, tilt, notes)


def follow(
    path: Path,
    *,
    topics: Topics,
    start: BasePose,
    origin: Origin,
    errors: ErrorSources,
    rate_hz: float = 10.0,
    progress: Callable[[int, int], None] | None = None,
) -> Followed:
    """Return the smoothed base poses of a robot log, ``rate_hz`` a second.

    Raises
    ------
    RecordingError
        If the log cannot be read, has no odometry, or cannot be followed.
    """
    from swardwright.footage import open_source

    streams = open_source(path).streams(Wanted(topics, (), None, 0.0, False, progress))
    return follow_streams(streams, path.name, start=start, origin=origin, errors=errors, rate_hz=rate_hz)

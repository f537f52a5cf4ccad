"""``track``: the base's smoothed way through a recording, as TUM file and figure, and what was learnt of clocks."""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from swardwright.domain.errors import InputError, RecordingError
from swardwright.shell.commanding import json_option, say, site_argument
from swardwright.shell.saying import Progress, Said

if TYPE_CHECKING:
    from swardwright.footage.following import Followed
    from swardwright.shell.open_site import OpenSite

#: fixes better than this are called RTK (receivers: 8 mm + 1 ppm; a metre or more without)
RTK_M = 0.05


@click.command("track")
@site_argument
@click.argument("recording", type=click.Path(path_type=Path), required=False)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False),
              help="TUM file to write, the figure beside it  [default: reports/track-RECORDING.tum]")  # fmt: skip
@click.option("--rate", type=click.FloatRange(0.1, 200.0), default=10.0, show_default=True, help="Poses a second.")
@click.option("--force", is_flag=True, help="Overwrite the files that --out names.")
@json_option
def track(site: Path, recording: Path | None, out: Path | None, rate: float, force: bool) -> None:
    """Follow the base through a recording: odometry, gyro and fixes smoothed together, as a TUM file and a figure.

    RECORDING is a path, or the name of one in the site's recordings  [default: the newest there]. A TUM file has one
    pose a line, in ground axes: timestamp (s) tx ty tz (m) qx qy qz qw.

    Example: swardwright track green survey-1.mcap --out survey-1.tum
    """
    from swardwright.shell.open_site import opened

    with opened(site) as at:
        path = _recording(at, recording)
        target = _target(at.folder, path, out, force)
        say(told(at, path, target, rate_hz=rate))


def _recording(opened: OpenSite, given: Path | None) -> Path:
    from swardwright.shell.status import RECORDINGS, waiting_recordings

    if given is None:
        there = waiting_recordings(opened.folder)
        if not there:
            raise RecordingError("there is no recording to follow", where=RECORDINGS,
                                 remedy="name one: swardwright track SITE PATH")  # fmt: skip
        return max(there, key=lambda p: p.stat().st_mtime)
    if given.exists():
        return given
    inside = opened.folder / RECORDINGS / given
    if len(given.parts) == 1 and inside.exists():
        return inside
    raise RecordingError("there is no such recording", where=str(given), remedy="check the path")


def _target(folder: Path, recording: Path, out: Path | None, force: bool) -> Path:
    if out is None:
        return folder / "reports" / f"track-{recording.stem}.tum"
    if out.suffix.lower() not in (".tum", ".txt"):
        raise InputError("a TUM file needs a known ending", where="track", field="--out", value=out.name,
                         limit=".tum or .txt", remedy="name the file with one of these")  # fmt: skip
    for path in (out, out.with_suffix(".png")):
        if path.exists() and not force:
            raise InputError("there is a file of that name already", where="track", field="--out", value=str(path),
                             remedy="name another one, or add --force to overwrite it")  # fmt: skip
    return out


def told(opened: OpenSite, recording: Path, target: Path, *, rate_hz: float) -> Said:
    """Follow the base, write TUM file and figure, and say what was found."""
    from swardwright.footage import follow
    from swardwright.shell.track_figure import track_figure

    site = opened.site
    followed = follow(recording, topics=site.topics, start=site.start, origin=site.origin, errors=site.rig.errors,
                      rate_hz=rate_hz, progress=Progress(f"reading {recording.name}"))  # fmt: skip
    figure = target.with_suffix(".png")
    was_there = target.exists() or figure.exists()
    part, drawn = (path.with_name(f".{path.stem}.part{path.suffix}") for path in (target, figure))
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(tum_text(followed), encoding="ascii", newline="")
        track_figure(drawn, site, followed)
        os.replace(part, target)
        os.replace(drawn, figure)
    except OSError as error:
        part.unlink(missing_ok=True)
        drawn.unlink(missing_ok=True)
        raise InputError(f"the track cannot be written ({error.strerror})", where=str(target),
                         remedy="name a place that you may write to with --out") from error  # fmt: skip
    written = f"Track: {target}; figure: {figure}" + (" (those before were replaced)." if was_there else ".")
    data = as_data(followed) | {"track": str(target), "figure": str(figure)}
    return Said((*lines(followed), written), data)


def tum_text(followed: Followed) -> str:
    """Return the track as a TUM trajectory: timestamp tx ty tz qx qy qz qw, the ground's axes, tz 0."""
    rows = ["# timestamp tx ty tz qx qy qz qw; seconds, metres in ground axes (x east, y north), unit quaternion"]
    for stamp, pose in zip(followed.stamps_ns.tolist(), followed.smoothed.track.poses, strict=True):
        half = 0.5 * pose.yaw_rad
        rows.append(
            f"{stamp // 10**9}.{stamp % 10**9:09d} {pose.x_m:.9f} {pose.y_m:.9f} 0.000000000 "
            f"0.000000000 0.000000000 {math.sin(half):.12f} {math.cos(half):.12f}"
        )
    return "\n".join(rows) + "\n"


def as_data(followed: Followed) -> dict[str, Any]:
    """Return what was found as plain values, SI."""
    s = followed.smoothed
    end = s.covariances[-1]
    drift = np.array([p.as_array() for p in s.track.poses[-1:]])[0] - s.dead_reckoned[-1]
    late = s.gyro_late
    return {
        "recording": followed.recording,
        "poses": len(s.track.poses),
        "length_m": s.distance_m,
        "duration_s": float(followed.stamps_ns[-1] - followed.stamps_ns[0]) / 1e9,
        "end": dict(zip(("x_m", "y_m", "yaw_rad"), s.track.poses[-1].as_array().tolist(), strict=True)),
        "end_sigma": dict(zip(("x_m", "y_m", "yaw_rad"), np.sqrt(np.diag(end)).tolist(), strict=True)),
        "largest_sigma_m": _largest_sigma(s.covariances),
        "odometry_alone": {"end_off_m": float(np.hypot(*drift[:2])),
                           "end_off_rad": float(math.remainder(drift[2], math.tau)),
                           "share_of_length": float(np.hypot(*drift[:2])) / s.distance_m if s.distance_m else None},
        "fixes_used": s.fixes_used,
        "fixes_refused": s.fixes_refused,
        "fix_sigma_m": s.fixes.sigma_m if s.fixes is not None else None,
        "fix_kind": None if s.fixes is None else "RTK" if s.fixes.sigma_m < RTK_M else "not RTK",
        "fix_memory_s": s.fix_memory_s,
        "gyro_used": s.gyro_used,
        "gyro_late": late and {"late_s": late.late_s, "sigma_s": late.sigma_s, "applied": late.applied},
        "shared_errors": {e.name: {"value": e.value, "sigma": e.sigma} for e in s.shared},
        "stands_s": s.standing.periods_s.tolist(),
        "turned_while_wheels_stood_s": s.standing.carried_s.tolist(),
        "tilt_at_rest": None if followed.tilt is None else vars(followed.tilt),
        "notes": list(followed.notes),
    }  # fmt: skip


def _largest_sigma(covariances: Any) -> float:
    return float(np.sqrt(np.linalg.eigvalsh(covariances[:, :2, :2])[:, -1].max()))


def lines(followed: Followed) -> list[str]:
    """Return what was found as a person reads it."""
    s, data = followed.smoothed, as_data(followed)
    end, sigma, alone = data["end"], data["end_sigma"], data["odometry_alone"]
    stood = s.standing.total_s
    streams = ["wheels", *(["gyro"] if s.gyro_used else [])]
    if s.fixes_used:
        streams.append(f"{s.fixes_used} fixes ({data['fix_kind']}, {1e3 * data['fix_sigma_m']:.0f} mm)")
    out = [
        f"{followed.recording}: {s.distance_m:.1f} m in {data['duration_s']:.0f} s, from {', '.join(streams)}.",
        f"End at {end['x_m']:.3f} m east, {end['y_m']:.3f} m north, {math.degrees(end['yaw_rad']):.1f} deg; standard "
        f"deviations {1e3 * sigma['x_m']:.0f} mm, {1e3 * sigma['y_m']:.0f} mm, "
        f"{math.degrees(sigma['yaw_rad']):.2f} deg; at worst on the way {1e3 * data['largest_sigma_m']:.0f} mm.",
        f"By odometry alone it would end {1e3 * alone['end_off_m']:.0f} mm and "
        f"{math.degrees(abs(alone['end_off_rad'])):.1f} deg from there.",
    ]
    if s.fixes_refused:
        out.append(f"{s.fixes_refused} fixes were refused: far from the drive, or outside its time.")
    out.append(
        f"It stood still {len(s.standing.periods_s)} times, {stood:.1f} s in all." if stood else "It never stood still."
    )
    if followed.tilt is not None:
        roll, pitch = (round(math.degrees(v), 1) + 0.0 for v in (followed.tilt.roll_rad, followed.tilt.pitch_rad))
        out.append(f"Standing, it leaned {roll:.1f} deg to its right and {pitch:.1f} deg forward "
                   f"({followed.tilt.source}; told, not used).")  # fmt: skip
    out += [f"  {e.name}: {_amount(e.name, e.value)} (+- {_amount(e.name, e.sigma)})" for e in s.shared]
    return out + [f"  {note}" for note in followed.notes]


def _amount(name: str, value: float) -> str:
    if "bias" in name:
        return f"{math.degrees(value):.4f} deg/s"
    return f"{value:.3f} s" if "lateness" in name else f"{100 * value:.2f} %"


__all__ = ["as_data", "lines", "told", "track", "tum_text"]

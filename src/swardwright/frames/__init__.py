"""Which pictures to keep: sharp ones that show new ground from a known pose."""

from __future__ import annotations

import dataclasses
from collections import Counter

import numpy as np

from swardwright.domain.chain import cut_track
from swardwright.domain.frame import Footage, Frame, LeftOut, Track
from swardwright.domain.poses import Pose
from swardwright.domain.site import Rig
from swardwright.frames.ground import camera_pose, ground_view, new_ground, undistorted

#: a picture with less than this share of the recording's median sharpness is blurred (common practice, no source)
SHARPNESS_MIN = 0.4
#: without poses: one picture, the sharpest, is kept of each this many seconds
SECONDS_WITHOUT_POSE = 1.0


def choose_frames(footage: Footage, rig: Rig | None, *, overlap: float = 0.6) -> Footage:
    """Keep sharp frames that show new ground, and cut the track to them without losing information.

    Parameters
    ----------
    rig : Rig | None
        Arm and camera, for the ground that each picture shows; None: pictures are chosen by sharpness and time only.
    overlap : float
        Share of ground that successive kept pictures should have in common, 0 to 1. A picture is dropped only if the
        next one still shares this much with the last kept one; at 0.5 or more each place on the way is seen at
        least twice.

    Returns
    -------
    Footage
        With fewer frames, ``left_out`` extended, ``track`` of the kept frames: the Schur complement of the others.
    """
    left_out: Counter[str] = Counter({item.reason: item.count for item in footage.left_out})
    frames = _sharp(footage.frames, left_out)
    poses = {f.id: camera_pose(f, rig) for f in frames} if rig is not None else {}
    if rig is not None and any(p is not None for p in poses.values()):
        known = [f for f in frames if poses[f.id] is not None]
        left_out["pictures without a pose"] += len(frames) - len(known)
        pairs: list[tuple[Frame, Pose]] = [(f, p) for f in known if (p := poses[f.id]) is not None]
        kept = new_ground(pairs, rig.camera, overlap)
        left_out["pictures that show no new ground"] += len(known) - len(kept)
    elif footage.frames and all(f.base is None and f.ground_from_camera is None for f in frames):
        kept = _one_each(frames, left_out)
    else:
        kept = frames
    return dataclasses.replace(
        footage,
        frames=tuple(kept),
        left_out=tuple(LeftOut(reason, count) for reason, count in sorted(left_out.items()) if count),
        track=None if footage.track is None else _cut(footage, kept),
    )


def _cut(footage: Footage, kept: list[Frame]) -> Track | None:
    return cut_track(footage.track, {f.id for f in kept}) if footage.track is not None and footage.frames else None


def _sharp(frames: tuple[Frame, ...], left_out: Counter[str]) -> list[Frame]:
    if not frames:
        return []
    least = SHARPNESS_MIN * float(np.median([f.sharpness for f in frames]))
    sharp = [f for f in frames if f.sharpness >= least]
    left_out["pictures that are blurred"] += len(frames) - len(sharp)
    return sharp


def _one_each(frames: list[Frame], left_out: Counter[str]) -> list[Frame]:
    """Keep the sharpest picture of each second of a video; photographs (numbered, not timed) are all kept."""
    if len({f.picture for f in frames}) > 1 or not frames:
        return frames
    best: dict[int, Frame] = {}
    for frame in frames:
        key = int(frame.stamp_ns // round(SECONDS_WITHOUT_POSE * 1e9))
        if key not in best or frame.sharpness > best[key].sharpness:
            best[key] = frame
    left_out["pictures less sharp than another of the same second"] += len(frames) - len(best)
    return list(best.values())


__all__ = ["choose_frames", "ground_view", "undistorted"]

"""A recording that this project did not write: real pictures, its own odometry, URDF, camera, and a true mount error.

It lies outside the project (``shared/recordings/soil-lane`` beside it, or ``SOIL_LANE``); without it there are no
figures. Its truth is used to judge, and to make detections: the plants of its published masks projected through the
true chain with 1.5 px of noise, so that positions are judged and not a detector.
"""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.frame import Detection, Footage
from swardwright.domain.poses import Array, BasePose, Pose, rotation_from_vector, vector_from_rotation
from swardwright.domain.site import ErrorSources, Origin, Rig, Topics
from swardwright.domain.weed import Register
from swardwright.footage import read
from swardwright.locating import locate, looks
from swardwright.merging import merge

LANE = Path(os.environ.get("SOIL_LANE", Path(__file__).parents[2] / "shared" / "recordings" / "soil-lane"))
NOISE_PX, DETECT = 1.5, 0.85
#: The recording's facts state the mount (4 mm, 0.4 degrees) and the start pose as exact; joints are "small", the ground
#: is a flat picture. A tracked base drifts by 1 % and more (Pentzer 2014): a scale of 2 %, and what wanders beside it.
#: The wandering was set after looking at the odometry (it counts 1.5 % too far, and wanders little).
ERRORS = ErrorSources(
    pixel_px=NOISE_PX, crown_m=0.001, mount_rad=math.radians(0.4), mount_m=0.004, joint_rad=0.0005,
    tilt_rad=math.radians(0.05), ground_m=0.001, start_m=0.001, start_rad=0.001, odometry_per_m=0.003,
    yaw_per_m=0.005, yaw_per_rad=0.01, fix_m=0.02, odometry_scale=0.02,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Lane:
    """The recording taken in, with what is known of the truth."""

    footage: Footage
    rig: Rig
    plants_m: Array
    detections: tuple[Detection, ...]
    owner: dict[str, int]
    mount_error: Array


def lane(errors: ErrorSources = ERRORS, seed: int = 5) -> Lane:
    """Take the recording in and make detections from its truth."""
    facts: Any = json.loads((LANE / "facts.json").read_text())
    truth: Any = json.loads((LANE / "truth.json").read_text())
    arm = arm_from_urdf((LANE / "robot.urdf").read_text())
    footage = read(LANE / "survey", topics=Topics(), joint_names=arm.joint_names, start=BasePose(*facts["start_pose"]),
                   origin=Origin(0.0, 0.0, 0.0), errors=errors, pose_age_s=0.2, camera=None)  # fmt: skip
    assert footage.camera is not None
    camera = footage.camera
    rig = Rig(arm, camera, facts["camera_link"], None, None, None, None, errors, (), (), ())  # type: ignore[arg-type]
    plants, radii = (np.array([w[k] for w in truth["weeds"]]) for k in ("xy", "radius_m"))
    kept: list[int] = []  # a detector keeps one of two crowns nearer than 2 cm
    for i in np.argsort(-radii):
        if all(np.linalg.norm(plants[i] - plants[k]) > 0.02 for k in kept):
            kept.append(int(i))
    plants = plants[kept]
    link = arm.chain(facts["camera_link"])[-1]
    stated = Pose("link", "camera", link.origin[:3, :3], link.origin[:3, 3])
    # the error is one in camera axes, after the stated mount: so do plants of its truth fall on those in its pictures
    # (detections of a taught detector lie 0.3 px from them on average; with any other reading, 5 to 10 px)
    rot, xyz = (np.array(truth["mount_error"][k]) for k in ("rot", "xyz"))
    turned = stated.rotation @ rotation_from_vector(rot)
    mounted = Pose("link", "camera", turned, stated.translation_m + stated.rotation @ xyz)
    off = np.concatenate(
        [vector_from_rotation(turned @ stated.rotation.T), mounted.translation_m - stated.translation_m]
    )
    rng = np.random.default_rng(seed)
    times = np.array([f["t"] for f in truth["frames"]])
    detections, owner = [], {}
    for frame in footage.frames:
        true = truth["frames"][int(np.argmin(np.abs(times - frame.stamp_ns * 1e-9)))]
        pose = BasePose(*true["base"]).ground_from_base @ arm.pose(np.array(truth["joints"]), link.parent, "link")
        seen = (pose @ mounted).inverse.apply(np.column_stack([plants, np.zeros(len(plants))]))
        pixels = camera.project(seen) + rng.normal(0, NOISE_PX, (len(plants), 2))
        inside = ((pixels > 15) & (pixels < [camera.width_px - 15, camera.height_px - 15])).all(axis=1)
        for j in np.flatnonzero(inside & (rng.random(len(plants)) < DETECT)):
            d = Detection(f"{frame.id}#{j}", frame.id, *map(float, pixels[j]), 15.0, 0.8, (("weed", 1.0),))
            detections.append(d)
            owner[d.id] = int(j)
    # belief minus truth: the true mount is the believed one perturbed by ``off``
    return Lane(footage, rig, plants, tuple(detections), owner, -off)


def register_of(it: Lane, errors: ErrorSources | None = None) -> Register:
    """Return the register with these stated errors (default: those of the lane)."""
    rig = it.rig if errors is None else replace(it.rig, errors=errors)
    frames = it.footage.frames
    seen = looks(frames, rig, detection_probability=DETECT, false_alarms_m2=0.2)
    tracks = [] if it.footage.track is None else [it.footage.track]
    return merge(None, locate(frames, it.detections, rig), seen, tracks=tracks)

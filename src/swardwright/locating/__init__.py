"""Locating: each detection carried to the ground, with its covariance and which errors it shares with whom.

``locate`` is the recipe; ``locate_counted`` also says what was left out and why; ``looks`` gives the ground that each
frame could have seen. A ray that does not meet the ground, meets it too flat or too far away is left out and counted;
when *every* detection is, the rig's description is wrong and an error says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Detection, Frame, LeftOut
from swardwright.domain.poses import Array
from swardwright.domain.site import ErrorSources, Rig
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.domain.weed import Sighting
from swardwright.locating.chain import Meeting, jacobian_gradients, meet_ground, stations
from swardwright.locating.looking import EDGE_SHARE, ground_sampling, looks, picture_outline

#: The detector's radius is right to about this share, where it does not say worse (common practice, no source).
RADIUS_SHARE = 0.10
#: Share of the variance of the detector's crown error that is the same whenever this plant is seen, and so does not
#: average away (seeds of two networks on one lane of soil: 0.3 to 0.55).
LASTING_SHARE = 0.5
#: An error that the site says is zero keeps this little (rad, m): too small to matter, enough for merging to notice
#: that the pictures contradict it.
UNSTATED_RAD, UNSTATED_M = 1e-6, 1e-6


@dataclass(frozen=True)
class Located:
    """Sightings, and what was left out of them and why."""

    sightings: tuple[Sighting, ...]
    left_out: tuple[LeftOut, ...]


def locate(frames: Sequence[Frame], detections: Sequence[Detection], rig: Rig) -> list[Sighting]:
    """Return the sightings of detections, ground axes; see ``locate_counted``."""
    return list(locate_counted(frames, detections, rig).sightings)


def locate_counted(frames: Sequence[Frame], detections: Sequence[Detection], rig: Rig) -> Located:
    """Carry detections to the ground with first-order covariance.

    Parameters
    ----------
    frames : Sequence[Frame]
        Must hold every frame that a detection names.
    detections : Sequence[Detection]
        Pixels of the frames as recorded.
    rig : Rig
        Camera, arm and error sources.

    Returns
    -------
    Located
        Sightings in the order of the detections, and counted reasons for those left out.

    Raises
    ------
    InputError
        If a detection names an unknown frame or lies outside its picture, a frame has no pose or another size than the
        camera file, or no detection at all meets the ground.

    Notes
    -----
    ``position = truth + sum_s J_s e_s`` with ``e_s`` drawn once per key: pixel per detection (the site's, or what the
    detector measured of itself where that is more; half of that variance lasts with the plant); crown offset and height
    (roughness) per plant; base, tilt and ground height per frame, or per stop where ``frame.stop`` is set; mount, joint
    zero offsets, intrinsics and plane height once for the site. Joint readings err anew in each frame: within a survey
    they are read anew, and at a stop each look has another posture.
    Frames with a camera pose of their own have ``"camera_pose"`` (6, mount sigmas) per frame.
    """
    by_id = {frame.id: i for i, frame in enumerate(frames)}
    unknown = next((d for d in detections if d.frame_id not in by_id), None)
    if unknown is not None:
        raise InputError("a detection names a frame that is not there", where=unknown.id, field="frame_id",
                         value=unknown.frame_id, remedy="detect again on the frames that were kept")  # fmt: skip
    if not detections:
        return Located((), ())
    used = sorted({by_id[d.frame_id] for d in detections})
    kept = [frames[i] for i in used]
    position = {frame.id: i for i, frame in enumerate(kept)}
    _check_sizes(kept, rig)
    index = np.array([position[d.frame_id] for d in detections], dtype=np.int64)
    pixels = np.array([(d.u_px, d.v_px) for d in detections], dtype=float)
    _check_pixels(detections, pixels, rig)
    place = stations(kept, rig)
    meeting = meet_ground(place, index, pixels, rig)
    reasons = Counter(reason for reason in meeting.reason if reason)
    if sum(reasons.values()) == len(detections):
        raise InputError(f"no detection meets the ground: {reasons.most_common(1)[0][0]}", where=detections[0].frame_id,
                         field="camera_link", value=rig.camera_link,
                         remedy="check the camera link's axes in the URDF (z forward, x right, y down)")  # fmt: skip
    names = [name for name in meeting.jacobians if name not in ("pixel", "crown")]
    gradients = jacobian_gradients(place, index, pixels, rig, meeting, names)
    sightings = tuple(
        _sighting(detection, kept[index[i]], meeting, gradients, i, rig)
        for i, detection in enumerate(detections)
        if not meeting.reason[i]
    )
    return Located(sightings, tuple(LeftOut(reason, count) for reason, count in sorted(reasons.items())))


def _check_sizes(frames: Sequence[Frame], rig: Rig) -> None:
    size = (rig.camera.width_px, rig.camera.height_px)
    for frame in frames:
        if tuple(frame.size_px) != size:
            raise InputError("the picture has another size than the camera file", where=frame.id, field="size_px",
                             value=frame.size_px, limit=size,
                             remedy=rig.camera.size_remedy(frame.size_px))  # fmt: skip


def _check_pixels(detections: Sequence[Detection], pixels: Array, rig: Rig) -> None:
    numbers = np.column_stack([pixels, [d.radius_px for d in detections], [d.probability for d in detections]])
    bad = ~np.isfinite(numbers).all(axis=1) | (pixels < -1).any(axis=1)
    bad |= (pixels[:, 0] > rig.camera.width_px) | (pixels[:, 1] > rig.camera.height_px) | (numbers[:, 2] < 0)
    bad |= (numbers[:, 3] < 0) | (numbers[:, 3] > 1)
    if bad.any():
        d = detections[int(np.flatnonzero(bad)[0])]
        raise InputError("a detection must lie in its picture, with a radius not below 0 and a probability from 0 to 1",
                         where=d.id, value=(d.u_px, d.v_px, d.radius_px, d.probability),
                         limit=f"{rig.camera.width_px} x {rig.camera.height_px} px",
                         remedy="detect again on the recorded pictures")  # fmt: skip


def source_covariances(frame: Frame, rig: Rig) -> dict[str, tuple[Scope, str, Array]]:
    """Return source -> (scope, key, prior covariance) of every error in a frame's chain except pixel and crown."""
    e: ErrorSources = rig.errors
    scope, key = (Scope.FRAME, frame.id) if frame.stop is None else (Scope.STOP, frame.stop)
    out = {"intrinsics": (Scope.SITE, "site", np.asarray(rig.camera.covariance))}
    if frame.base is None or frame.joints_rad is None:
        pose6 = np.diag([e.mount_rad**2] * 3 + [e.mount_m**2] * 3)
        out["camera_pose"] = (Scope.FRAME, frame.id, pose6)
    else:
        base = frame.base_covariance
        if base is None:
            base = np.diag([e.start_m**2, e.start_m**2, e.start_rad**2])
        dof = len(frame.joints_rad)
        out |= {
            "mount": (Scope.SITE, "site", rig.mount_prior + np.diag([UNSTATED_RAD**2] * 3 + [UNSTATED_M**2] * 3)),
            "joint_offset": (Scope.SITE, "site", (e.joint_offset_rad**2 + UNSTATED_RAD**2) * np.eye(dof)),
            "joints": (Scope.FRAME, frame.id, e.joint_rad**2 * np.eye(dof)),
            "tilt": (scope, key, e.tilt_rad**2 * np.eye(2)),
            "base": (scope, key, np.asarray(base)),
        }
    out["plane"] = (Scope.SITE, "site", np.array([[e.plane_m**2 + UNSTATED_M**2]]))
    out["ground"] = (scope, key, np.array([[e.ground_m**2]]))
    return out


def _sighting(detection: Detection, frame: Frame, meeting: Meeting, gradients: dict[str, Array], i: int,
              rig: Rig) -> Sighting:  # fmt: skip
    e = rig.errors
    image, measured = meeting.jacobians["pixel"][i], detection.crown_sd_px**2
    own_px2 = max(e.pixel_px**2, (1.0 - LASTING_SHARE) * measured)
    sources = {
        "pixel": (Scope.PIXEL, detection.id, own_px2 * np.eye(2)),
        "crown": (Scope.PLANT, detection.id, e.crown_m**2 * np.eye(2) + LASTING_SHARE * measured * image @ image.T),
        "roughness": (Scope.PLANT, detection.id, np.array([[e.roughness_m**2]])),
        **source_covariances(frame, rig),
    }
    errors = tuple(
        SharedError(source, scope, key, meeting.jacobians[source][i], covariance, gradient)
        for source, (scope, key, covariance) in sources.items()
        for gradient in (gradients[source][i] if source in gradients else None,)
    )
    total = np.sum([error.ground_covariance_m2 for error in errors], axis=0)
    sampling = float(meeting.sampling_m_px[i])
    radius = detection.radius_px * sampling
    return Sighting(
        id=detection.id,
        frame_id=frame.id,
        mean_m=meeting.point_m[i],
        covariance_m2=total,
        radius_m=radius,
        radius_sd_m=float(np.hypot(e.pixel_px * sampling, max(RADIUS_SHARE, detection.log_radius_sd) * radius)),
        probability=detection.probability,
        kinds=detection.kinds,
        errors=errors,
    )


__all__ = [
    "EDGE_SHARE", "Located", "ground_sampling", "locate", "locate_counted", "looks", "picture_outline",
    "source_covariances",
]  # fmt: skip

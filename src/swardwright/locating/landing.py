"""Where heat lands relative to the crown: the error of a look what the flame shares with it, what heating adds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, skew
from swardwright.domain.site import Rig
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.locating.views import NOW, Errors, Seen


def landing_seen(rig: Rig, seen: Seen, head_joints_rad: Array) -> Seen:
    """Return where heat lands relative to the crowns, from looks at a stop.

    Parameters
    ----------
    seen : Seen
        Of ``StopViews``.
    head_joints_rad : Array
        Shape (k, dof): the posture with which each place is heated.

    Notes
    -----
    Where the look errs by ``J e``, the landing errs by ``(J - H) e``: ``H`` is the effect of the same error on the
    point where the flame meets the ground (zero offsets of joints and tilt of the base, which the look shares with the
    flame, partly cancel). Joint readings err anew while heating; wind and flame wander are the head's landing spread.
    """
    out = []
    for views, q in zip(seen.views, np.asarray(head_joints_rad, dtype=float), strict=True):
        by_head = head_jacobians(rig, q)
        held = _held(rig, by_head)
        out.append(tuple((*_less(errors, by_head, views[0]), *held) for errors in views))
    return Seen("landing", seen.looks, seen.places_m, tuple(out))


def _held(rig: Rig, by_head: dict[str, Array]) -> Errors:
    """Return what heating adds whatever the look: joint readings anew, landing spread, what is left of the offset."""
    head, joint = rig.head, rig.errors.joint_rad
    dof = len(rig.arm.moving)
    return (
        SharedError("joints", Scope.FRAME, "heating", -by_head["joints"], joint**2 * np.eye(dof)),
        SharedError("landing", Scope.STOP, "heating", np.eye(2), head.landing_sigma_m**2 * np.eye(2)),
        SharedError("head_offset", Scope.SITE, "site", np.eye(2), head.offset_sigma_m**2 * np.eye(2)),
    )


def _less(errors: Errors, by_head: dict[str, Array], first: Errors) -> Errors:
    """Take the flame's share of common errors off a look's; ``first`` is the look from the present stop."""
    out, left = [], {s: h for s, h in by_head.items() if s != "joints"}
    for e in errors:
        shared = e.scope in (Scope.PLANT, Scope.SITE) or e.key == NOW
        if e.source in left and shared:
            e = replace(e, jacobian=e.jacobian - left.pop(e.source))
        out.append(e)
    for source, jacobian in left.items():  # a look from another stop does not share the present one's tilt and ground
        prior = next((e for e in first if e.source == source), None)
        if prior is not None:
            out.append(SharedError(source, Scope.STOP, NOW, -jacobian, prior.covariance))
    return tuple(out)


def head_jacobians(rig: Rig, joints_rad: Array) -> dict[str, Array]:
    """Return source -> (2, k): how far each error moves the point where the flame meets the ground, base axes.

    The same identity as for a ray of the camera (see ``chain``), with the flame's axis in its place. Finite
    differences: ``tests/derivatives/test_budget.py``.
    """
    end = rig.arm.forward(np.asarray(joints_rad, dtype=float), rig.head.link)
    axis = end[:3, 2]
    if axis[2] > -0.1:
        raise InputError("the flame does not point at the ground in this posture", field="joints_rad",
                         value=[round(float(q), 3) for q in joints_rad],
                         remedy="choose a posture with the head's z axis down")  # fmt: skip
    slide = np.column_stack([np.eye(2), -axis[:2] / axis[2]])
    start = end[:3, 3] + end[:3, :2] @ np.array(rig.head.offset_m)
    reach = start - axis * (start[2] / axis[2])
    arm = rig.arm.jacobian(np.asarray(joints_rad, dtype=float), rig.head.link)
    joints = slide @ (arm[3:] - skew(reach - end[:3, 3]) @ arm[:3])
    height = (axis[:2] / axis[2])[:, None]
    tilt = -slide @ skew(reach)[:, :2]
    return {"joints": joints, "joint_offset": joints, "tilt": tilt, "ground": height, "plane": height,
            "roughness": height}  # fmt: skip

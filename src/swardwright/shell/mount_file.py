"""``mount.yaml``: where the camera (and the head's tip) sit on the arm, as calibrated, with covariance.

The file overrides the fixed joint of the URDF that carries the camera's link (and the head's). It is written by
``swardwright calibrate mount``; a person may write it by hand.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.arm import Arm, Joint
from swardwright.domain.errors import InputError, SiteError
from swardwright.domain.poses import Array, Pose, quaternion_from_rotation
from swardwright.domain.site import Site
from swardwright.domain.uncertainty import check_covariance
from swardwright.shell.camera_file import read_text

MOUNT_FILE = "mount.yaml"
MAX_BYTES = 100_000
#: nothing on an arm is farther from its link than this (m): more is millimetres for metres
FAR_M = 5.0
_REMEDY = "mend it, or take the file away: the URDF's own mount is used then, and can be calibrated again"


@dataclass(frozen=True, eq=False)
class Mounted:
    """One calibrated fixed joint.

    Attributes
    ----------
    parent, child : str
        Links of the URDF.
    pose : Pose
        ``parent_from_child``.
    covariance : Array | None
        Shape (6, 6): rotation vector (rad), then translation (m), in the parent's axes; None: not stated.
    """

    parent: str
    child: str
    pose: Pose
    covariance: Array | None


@dataclass(frozen=True, eq=False)
class MountFile:
    """What ``mount.yaml`` holds: the camera's joint, the head's, or both; when it was made and from what."""

    camera: Mounted | None
    head: Mounted | None
    made: str
    made_from: str


def load_mount(path: Path) -> MountFile:
    """Read a mount file.

    Raises
    ------
    SiteError
        If the file or one of its fields cannot be used.
    """
    import yaml

    try:
        data: Any = yaml.safe_load(read_text(path, MAX_BYTES, _REMEDY))
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise SiteError("the mount file is not YAML", where=path.name, remedy=_REMEDY) from error
    if not isinstance(data, dict):
        raise SiteError("the mount file holds no fields", where=path.name, remedy=_REMEDY)
    strange = sorted(set(map(str, data)) - {"camera", "head", "made", "made_from"})
    if strange:
        raise SiteError("there is no such field", where=path.name, field=strange[0],
                        limit="camera, head, made, made_from", remedy="take it out, or mend its spelling")  # fmt: skip
    camera, head = (_mounted(data.get(name), name, path.name) for name in ("camera", "head"))
    if camera is None and head is None:
        raise SiteError("the mount file says neither where the camera nor where the head is", where=path.name,
                        remedy=_REMEDY)  # fmt: skip
    return MountFile(camera, head, str(data.get("made", ""))[:100], str(data.get("made_from", ""))[:1000])


def _mounted(data: Any, field: str, where: str) -> Mounted | None:
    if data is None:
        return None
    if not isinstance(data, dict):
        raise SiteError("this field needs parent, child, xyz_m and quaternion_wxyz", where=where, field=field,
                        remedy=_REMEDY)  # fmt: skip
    parent, child = (_name(data, key, field, where) for key in ("parent", "child"))
    xyz = _numbers(data, "xyz_m", field, where, 3)
    if max(map(abs, xyz)) > FAR_M:
        raise SiteError("nothing on an arm is that far from its link: are these millimetres?", where=where,
                        field=f"{field}.xyz_m", value=xyz, limit=f"at most {FAR_M:g} m",
                        remedy="write metres")  # fmt: skip
    quaternion = _numbers(data, "quaternion_wxyz", field, where, 4)
    if abs(float(np.linalg.norm(quaternion)) - 1.0) > 1e-3:
        raise SiteError("a quaternion must have length 1", where=where, field=f"{field}.quaternion_wxyz",
                        value=f"length {float(np.linalg.norm(quaternion)):.4g}",
                        remedy="write w first, then x, y, z")  # fmt: skip
    covariance = None
    if data.get("covariance") is not None:
        matrix = np.reshape(_numbers(data, "covariance", field, where, 36), (6, 6))
        try:
            covariance = check_covariance(matrix, f"{field}.covariance")
        except InputError as error:
            raise SiteError(error.what, where=where, field=error.field,
                            remedy="copy it again from the calibration") from error  # fmt: skip
    pose = Pose.from_quaternion(parent, child, xyz, quaternion)
    return Mounted(parent, child, pose, covariance)


def _name(data: dict[str, Any], key: str, field: str, where: str) -> str:
    value = data.get(key)
    if isinstance(value, str) and 0 < len(value) <= 200:
        return value
    raise SiteError("a link's name is needed", where=where, field=f"{field}.{key}", value=value, remedy=_REMEDY)


def _numbers(data: dict[str, Any], key: str, field: str, where: str, size: int) -> list[float]:
    value = data.get(key)
    if isinstance(value, list) and len(value) == size:
        numbers = [n for v in value if (n := _float(v)) is not None]
        if len(numbers) == size and bool(np.isfinite(numbers).all()):
            return numbers
    raise SiteError("finite numbers are needed", where=where, field=f"{field}.{key}", value=value,
                    limit=f"{size} numbers", remedy=_REMEDY)  # fmt: skip


def _float(value: object) -> float | None:
    """Return a number; YAML 1.1 takes 1e-6, without a point, for text."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        return float(value)
    except (ValueError, OverflowError):
        return None


def fixed_joint(arm: Arm, link: str) -> Joint:
    """Return the fixed joint that carries a link.

    Raises
    ------
    SiteError
        If the link hangs on a moving joint, so that no mount can be calibrated.
    """
    last = arm.chain(link)[-1:]
    if last and last[0].kind == "fixed":
        return last[0]
    raise SiteError("the link is not fixed to the arm by a fixed joint, so it has no mount to calibrate",
                    where="robot.urdf", field="link", value=link,
                    remedy=f"add a link for it with a fixed joint below {link}")  # fmt: skip


def with_mount(site: Site, mount: MountFile) -> Site:
    """Return the site with the calibrated joints in place of the URDF's, and the camera mount's covariance.

    Raises
    ------
    SiteError
        If the file names other links than the URDF and ``site.toml`` do.
    """
    arm = site.rig.arm
    for field, part, link in (("camera", mount.camera, site.rig.camera_link), ("head", mount.head, site.rig.head.link)):
        if part is None:
            continue
        joint = fixed_joint(arm, link)
        if (part.parent, part.child) != (joint.parent, joint.child):
            raise SiteError("the mount is of other links than the site's", where=MOUNT_FILE, field=field,
                            value=f"{part.parent} -> {part.child}", limit=f"{joint.parent} -> {joint.child}",
                            remedy=_REMEDY)  # fmt: skip
        origin = np.array(part.pose.matrix)
        origin.setflags(write=False)
        changed = replace(joint, origin=origin)
        arm = replace(arm, joints=tuple(changed if j is joint else j for j in arm.joints))
    covariance = mount.camera.covariance if mount.camera is not None else None
    return replace(site, rig=replace(site.rig, arm=arm, mount_covariance=covariance))


def mount_text(mount: MountFile) -> str:
    """Return the text of a mount file."""
    lines = [
        "# Where the camera and the head sit on the arm: in place of the URDF's fixed joints.",
        "# child axes in parent axes; covariance: rotation vector (rad), then translation (m), parent axes, row-major",
        f"made: {_quoted(mount.made)}",
        f"made_from: {_quoted(mount.made_from)}",
    ]
    for name, part in (("camera", mount.camera), ("head", mount.head)):
        if part is None:
            continue
        lines += [
            f"{name}:",
            f"  parent: {_quoted(part.parent)}",
            f"  child: {_quoted(part.child)}",
            f"  xyz_m: {_listed(part.pose.translation_m)}",
            f"  quaternion_wxyz: {_listed(quaternion_from_rotation(part.pose.rotation))}",
        ]
        if part.covariance is not None:
            lines.append(f"  covariance: {_listed(part.covariance)}")
    return "\n".join(lines) + "\n"


def _listed(values: Array) -> str:
    """Return numbers as YAML 1.1 reads them back: an exponent needs a point before it."""
    words = [repr(float(v)) for v in np.ravel(values)]
    return "[" + ", ".join(w if "." in w else w.replace("e", ".0e") for w in words) + "]"


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


def write_mount(folder: Path, mount: MountFile) -> Path | None:
    """Write ``mount.yaml`` whole; return where the old one was kept, under its date, if there was one."""
    path = folder / MOUNT_FILE
    kept = None
    if path.exists():
        when = datetime.fromtimestamp(path.stat().st_mtime, UTC).strftime("%Y-%m-%dT%H%M%S")
        kept = folder / f"mount-until-{when}.yaml"
        number = 1
        while kept.exists():
            number += 1
            kept = folder / f"mount-until-{when}-{number}.yaml"
        kept.write_bytes(path.read_bytes())
    staging = path.with_name(f".{MOUNT_FILE}.{os.getpid()}")
    try:
        staging.write_text(mount_text(mount), encoding="utf-8")
        os.replace(staging, path)
    finally:
        staging.unlink(missing_ok=True)
    return kept

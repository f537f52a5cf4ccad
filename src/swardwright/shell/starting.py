"""``init``: a new site folder, from the invented scenario or for a person's own robot."""

from __future__ import annotations

import re
import shutil
import string
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.arm import MAX_URDF_BYTES, Arm, arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError, SiteError
from swardwright.domain.poses import BasePose
from swardwright.domain.site import ErrorSources, Origin, Topics
from swardwright.domain.units import parse_quantity
from swardwright.shell.camera_file import camera_text, load_camera, read_text
from swardwright.shell.saying import Said
from swardwright.shell.site_file import CAMERA_FILE, SITE_FILE, URDF_FILE, load_site, site_from
from swardwright.shell.store import SiteStore

#: only used to open a recording for its camera and arm posture; poses are not kept
_LOOSE = ErrorSources(1.0, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.1, 0.1, 0.05, 0.01, 0.02, 0.1)
TOPIC_NAMES = ("image", "camera_info", "joints", "odometry", "imu", "fix")


@dataclass(frozen=True)
class OwnSite:
    """What ``init`` is told about a person's own site; text as typed, checked when the site file is."""

    urdf: Path
    camera_file: Path | None
    recording: Path | None
    name: str
    size: str
    start: str
    camera_link: str
    head_link: str
    topics: tuple[tuple[str, str], ...]
    kinds: tuple[str, ...]
    spared: tuple[str, ...]
    settings: tuple[str, ...]


def start_invented(folder: Path, seed: int) -> Said:
    """Write the invented practice green into ``folder``."""
    from swardwright.simulation import write_scenario

    with _new_folder(folder) as staging:
        write_scenario(staging, seed)
        site = load_site(staging)
        SiteStore(staging, write=True).close()
    return Said(
        (f"{folder}: the invented site '{site.name}' is ready (seed {seed}).", f"Next: swardwright survey {folder}"),
        {"site": str(folder), "name": site.name, "invented": True, "seed": seed},
    )


def start_own(folder: Path, own: OwnSite) -> Said:
    """Write a site folder for a person's own robot."""
    urdf = read_text(own.urdf, MAX_URDF_BYTES, "name the robot's URDF with --urdf")
    arm = arm_from_urdf(urdf, own.urdf.name)
    topics = Topics(**dict(own.topics))
    posture, recorded = _from_recording(own.recording, arm, topics)
    if own.camera_file is not None:
        camera, from_where = load_camera(own.camera_file), own.camera_file.name
    elif recorded is not None and own.recording is not None:
        camera, from_where = recorded, f"the recording {own.recording.name}"
    else:
        raise SiteError(
            "there is no camera", where="init", field="--camera-file",
            remedy="name a camera file with --camera-file, or a recording that has CameraInfo with --from-recording",
        )  # fmt: skip
    text = _site_text(own, arm, posture)
    for setting in own.settings:
        text = with_setting(text, setting)
    with _new_folder(folder) as staging:
        (staging / SITE_FILE).write_text(text, encoding="utf-8")
        (staging / URDF_FILE).write_text(urdf, encoding="utf-8")
        comment = f"Intrinsics from {from_where}; the covariance is a guess unless your calibration stated it."
        (staging / CAMERA_FILE).write_text(camera_text(camera, comment), encoding="utf-8")
        for inner in ("recordings", "models", "reports"):
            (staging / inner).mkdir()
        site = site_from(text, arm, camera, staging)
        SiteStore(staging, write=True).close()
    return Said(
        (
            f"{folder}: the site '{site.name}' is ready; read {SITE_FILE} and replace every value that is not yours.",
            f"Next: swardwright take-in {folder} RECORDING",
        ),
        {"site": str(folder), "name": site.name, "invented": False},
    )


#: how far the arm is swung to each side for a stop's further looks: pictures about 70 degrees wide still overlap
LOOK_SWING_RAD = 0.7


class _new_folder:  # noqa: N801 - reads as a statement: with _new_folder(...)
    """Make a folder complete or not at all: written beside its place, then renamed."""

    def __init__(self, folder: Path) -> None:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise SiteError("there is something at this place already", where=str(folder),
                            limit="a new or empty folder", remedy="name another folder")  # fmt: skip
        self._folder = folder
        self._staging = folder.with_name(f".{folder.name}.unfinished")

    def __enter__(self) -> Path:
        shutil.rmtree(self._staging, ignore_errors=True)
        try:
            self._staging.mkdir(parents=True)
        except OSError as error:
            raise SiteError(f"the folder cannot be made ({error.strerror})", where=str(self._folder),
                            remedy="name a place that you may write to") from error  # fmt: skip
        return self._staging

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if kind is not None:
            shutil.rmtree(self._staging, ignore_errors=True)
            return
        if self._folder.exists():
            self._folder.rmdir()
        self._staging.rename(self._folder)


def _from_recording(path: Path | None, arm: Arm, topics: Topics) -> tuple[tuple[float, ...], Camera | None]:
    """Return the arm's usual posture and the camera of a recording; a middle posture without one."""
    middle = tuple(float(min(max(0.0, j.lower_rad), j.upper_rad)) for j in arm.moving)
    if path is None:
        return middle, None
    from swardwright.footage import read

    footage = read(
        path, topics=topics, joint_names=arm.joint_names, start=BasePose(0.0, 0.0, 0.0), origin=Origin(0.0, 0.0, 0.0),
        errors=_LOOSE, pose_age_s=1.0, camera=None,
    )  # fmt: skip
    held = [f.joints_rad for f in footage.frames if f.joints_rad]
    posture = np.median(held, axis=0) if held else np.array(middle)
    inside = (min(max(q, j.lower_rad), j.upper_rad) for q, j in zip(posture, arm.moving, strict=True))
    return tuple(float(q) for q in inside), footage.camera


def _site_text(own: OwnSite, arm: Arm, posture: tuple[float, ...]) -> str:
    """Fill the template of a site file."""
    east, north = _lengths(own.size, 2, "--size", "text such as '12 m, 8 m'")
    for field, link in (("--camera-link", own.camera_link), ("--head-link", own.head_link)):
        if link not in arm.links:
            raise SiteError("the robot description has no such link", where=own.urdf.name, field=field, value=link,
                            limit="one of: " + ", ".join(arm.links), remedy="name one of its links")  # fmt: skip
    start = [part.strip() for part in own.start.split(",")]
    if len(start) != 3:
        raise InputError("a start pose needs x, y and yaw with units", where="init", field="--start", value=own.start,
                         limit="text such as '0.4 m, 0.8 m, 0 deg'", remedy="write all three")  # fmt: skip
    height_m = float(arm.forward(np.array(posture), own.camera_link)[2, 3])
    if not 0.05 <= height_m <= 20.0:
        height_m = 1.0
    template = (Path(__file__).parent / "templates" / "new_site.toml").read_text(encoding="utf-8")
    return string.Template(template).substitute(
        name=_quoted(own.name),
        start_x=_quoted(start[0]), start_y=_quoted(start[1]), start_yaw=_quoted(start[2]),
        corners=f'["0 m, 0 m", "{east:g} m, 0 m", "{east:g} m, {north:g} m", "0 m, {north:g} m"]',
        kinds="\n".join([_kind(k, treat=True) for k in own.kinds] + [_kind(k, treat=False) for k in own.spared]),
        camera_link=_quoted(own.camera_link), head_link=_quoted(own.head_link), camera_height=f'"{height_m:.3f} m"',
        posture=_posture_text(arm, posture),
        looks=", ".join(_posture_text(arm, look) for look in _looks(arm, posture)),
        joints=", ".join(arm.joint_names),
        topics="\n".join(f"{k} = {_quoted(v)}" for k, v in own.topics) or "# (none named: each is found by its type)",
    )  # fmt: skip


def _posture_text(arm: Arm, posture: Sequence[float]) -> str:
    units = ["m" if joint.kind == "prismatic" else "rad" for joint in arm.moving]
    return "[" + ", ".join(f'"{q:.6f} {unit}"' for q, unit in zip(posture, units, strict=True)) + "]"


def _looks(arm: Arm, posture: tuple[float, ...]) -> list[tuple[float, ...]]:
    """Return the survey posture, and it swung to both sides where the first joint turns the arm about the vertical."""
    first = arm.moving[0]
    axis = arm.forward(np.zeros(len(arm.moving)), first.child)[:3, :3] @ first.axis
    if first.kind == "prismatic" or abs(axis[2]) < 0.999:
        return [posture]
    swung = [posture[0] + turn for turn in (LOOK_SWING_RAD, -LOOK_SWING_RAD)]
    return [posture, *((q, *posture[1:]) for q in swung if first.lower_rad <= q <= first.upper_rad)]


def _kind(name: str, *, treat: bool) -> str:
    """Return a kind's table: with the published dose where there is one, else with a guess that says so."""
    text = (Path(__file__).parent / "templates" / "published_kinds.toml").read_text(encoding="utf-8")
    known = {kind["name"]: kind for kind in tomllib.loads(text)["kinds"]}
    guess = {"ed50": "40 kg/ha", "slope": 3.0, "taproot": False, "source": "guess of swardwright init"}
    dose: dict[str, Any] = known.get(name.strip().lower(), guess)
    remark = "guess" if dose is guess else "a trial's plants"
    return (
        f"[[kinds]]\nname = {_quoted(name)}\ntreat = {'true' if treat else 'false'}\n"
        f"ed50 = {_quoted(dose['ed50'])}       # {remark}: replace with what your trials show\n"
        f"slope = {dose['slope']}\ntaproot = {'true' if dose['taproot'] else 'false'}\nmiss_price = 1.0\n"
        f"source = {_quoted(dose['source'])}\n"
    )


def _lengths(text: str, count: int, field: str, example: str) -> list[float]:
    parts = text.split(",")
    if len(parts) != count:
        raise InputError(f"{count} lengths are needed", where="init", field=field, value=text, limit=example,
                         remedy="write them with a comma between")  # fmt: skip
    values = [parse_quantity(part, "length") for part in parts]
    if not all(0.0 < v <= 100_000.0 for v in values):
        raise InputError("a length is not possible", where="init", field=field, value=text,
                         limit="more than 0 m", remedy="write the size of the ground")  # fmt: skip
    return values


def _quoted(text: str) -> str:
    """Return a TOML basic string."""
    return '"' + "".join(f"\\u{ord(c):04x}" if ord(c) < 32 or c in '"\\' or ord(c) == 127 else c for c in text) + '"'


def with_setting(text: str, setting: str) -> str:
    """Return a site file's text with one field replaced, keeping comments.

    Parameters
    ----------
    setting : str
        ``table.field=value``; the value is TOML, or bare text, which is then quoted.

    Raises
    ------
    InputError
        If the template has no such field.
    """
    left, sign, value = setting.partition("=")
    table, dot, field = left.strip().rpartition(".")
    try:
        tomllib.loads(f"x = {value.strip()}")
    except tomllib.TOMLDecodeError:
        value = _quoted(value.strip())
    lines = text.split("\n")
    here = ""
    for number, line in enumerate(lines):
        if head := re.match(r"^\[([^\[\]]+)\]", line):
            here = head.group(1).strip()
        found = re.match(rf"^{re.escape(field)}\s*=", line) if sign and dot and here == table else None
        if found:
            lines[number] = f"{field} = {value.strip()}"
            return "\n".join(lines)
    raise InputError("there is no such field to set", where="init", field="--set", value=setting,
                     limit="table.field=value, such as errors.mount='4 mm'",
                     remedy="see site.toml for the names, or edit it afterwards")  # fmt: skip


def topic_pairs(words: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Split ``name=/topic`` words.

    Raises
    ------
    InputError
        If a name is not one of the streams.
    """
    pairs = []
    for word in words:
        name, sign, topic = word.partition("=")
        if name not in TOPIC_NAMES or not sign or not topic:
            raise InputError("a topic needs a stream's name and the topic", field="--topic", value=word,
                             limit=f"NAME=/topic with NAME one of {', '.join(TOPIC_NAMES)}",
                             remedy="for example --topic odometry=/odom")  # fmt: skip
        pairs.append((name, topic))
    return tuple(pairs)

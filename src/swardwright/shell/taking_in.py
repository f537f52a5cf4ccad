"""``survey`` and ``take-in``: recordings made, copied into the site and read into frames."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from swardwright.domain.camera import Camera
from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Footage, LeftOut
from swardwright.domain.site import Topics
from swardwright.frames.choosing import Choice
from swardwright.shell.open_site import OpenSite
from swardwright.shell.saying import Progress, Said
from swardwright.shell.status import FRAMES_FROM, RECORDINGS, hash_of, input_hashes, inputs_for, waiting_recordings

_INCOMING = ".incoming"
CACHE = "cache"


@dataclass(frozen=True)
class TakenIn:
    """What became of one recording."""

    recording: str
    pictures_found: int
    frames_kept: int
    poses_found: int
    distance_m: float
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]

    def sentence(self) -> str:
        """Return one line for a person."""
        if not self.pictures_found:
            return (
                f"{self.recording}: no pictures in this recording; {self.poses_found} poses "
                + (f"over {self.distance_m:.1f} m " if self.distance_m else "")
                + "were taken in."
            )
        gone = "; ".join(f"{item.reason}: {item.count}" for item in self.left_out)
        return (
            f"{self.recording}: {self.pictures_found} pictures, {self.frames_kept} frames kept"
            + (f" (left out: {gone})" if gone else "")
            + f", {self.distance_m:.1f} m driven."
        )


def survey(opened: OpenSite, *, wait_days: float = 0.0, name: str | None = None) -> Said:
    """Let the robot drive the survey lanes and record; the recording lies in ``recordings/`` afterwards."""
    from swardwright.planning import survey_lanes
    from swardwright.shell.driving import load_robot

    with opened.store.writer():
        robot = load_robot(opened.folder, opened.site)
        lanes = survey_lanes(opened.site)
        with incoming(opened.folder) as staging:
            existing = {path.name for path in waiting_recordings(opened.folder)}
            free = (f"survey-{n}.mcap" for n in range(1, 10_000))
            chosen = f"{name}.mcap" if name else next(n for n in free if n not in existing)
            if chosen in existing:
                raise RecordingError("there is a recording of that name already", where=RECORDINGS, value=chosen,
                                     remedy="give another name with --name")  # fmt: skip
            if wait_days > 0:
                robot.wait(wait_days * 86_400.0)
            path = staging / chosen
            robot.record_survey(lanes, path)
            path.rename(opened.folder / RECORDINGS / path.name)
    text = f"{chosen}: {len(lanes)} lanes driven and recorded."
    return Said((text, f"Next: swardwright take-in {opened.folder}"), {"recording": chosen, "lanes": len(lanes)})


def take_in(
    opened: OpenSite,
    paths: Sequence[Path] = (),
    *,
    topics: Topics | None = None,
    overlap: float = 0.6,
    trust_camera_file: bool = False,
    choice: Choice | None = None,
) -> Said:
    """Take recordings into the site: those named, or all in ``recordings/`` that are new or whose frames are stale.

    Nothing is stored unless every recording can be used. ``choice`` says what to keep of a video.
    """
    taken: list[TakenIn] = []
    with opened.store.writer(), incoming(opened.folder) as staging:
        inside = [_copy(path, staging, opened.folder) for path in paths]
        if not inside:
            inside = [(path, path) for path in _to_read(opened)]
        if not inside:
            raise RecordingError(
                "there is nothing new to take in", where=RECORDINGS, limit="a recording that has not been taken in",
                remedy=f"name one: swardwright take-in {opened.folder} PATH, or make one with swardwright survey",
            )  # fmt: skip
        read = [
            (_read(opened, source, topics, overlap, trust_camera_file, choice), source, target)
            for source, target in inside
        ]
        moved: list[Path] = []
        try:
            present = input_hashes(opened.folder, opened.site)
            for (footage, pictures), source, target in read:
                opened.store.add_footage(footage, target.relative_to(opened.folder).as_posix())
                name = footage.recording
                present[f"recording {name}"] = hash_of(source)
                inputs = inputs_for(present, (*FRAMES_FROM, f"recording {name}"), opened.store, ())
                opened.store.set_result(f"frames {name}", footage.frames, inputs)
                taken.append(TakenIn(name, pictures, len(footage.frames), footage.poses_found, footage.distance_m,
                                     footage.left_out, footage.notes))  # fmt: skip
            for _, source, target in read:  # last of all: the files appear and the transaction ends
                if source != target:
                    source.rename(target)
                    moved.append(target)
        except BaseException:
            for target in moved:
                remove(target)
            raise
    data = [
        {
            "recording": t.recording, "pictures_found": t.pictures_found, "frames_kept": t.frames_kept,
            "poses_found": t.poses_found, "distance_m": t.distance_m,
            "left_out": {item.reason: item.count for item in t.left_out},
            "notes": list(t.notes),
        }
        for t in taken
    ]  # fmt: skip
    lines = [line for t in taken for line in (t.sentence(), *(f"  {note}" for note in t.notes))]
    return Said(tuple(lines), {"recordings": data})


def _read(
    opened: OpenSite,
    path: Path,
    topics: Topics | None,
    overlap: float,
    trust_camera_file: bool,
    choice: Choice | None,
) -> tuple[Footage, int]:
    from swardwright.footage import VIDEOS, read
    from swardwright.frames import choose_frames

    if path.is_file() and path.suffix.lower() in VIDEOS:
        from swardwright.shell.choosing_frames import footage_of_video

        footage = footage_of_video(path, opened.folder / CACHE, choice)
        return footage, footage.pictures_found

    site = opened.site

    def reading(camera: Camera | None) -> Footage:
        return read(
            path, topics=site.topics if topics is None else _merged(site.topics, topics),
            joint_names=site.rig.arm.joint_names, start=site.start, origin=site.origin, errors=site.rig.errors,
            pose_age_s=site.limits.pose_age_s, camera=camera, progress=Progress(f"reading {path.name}"),
        )  # fmt: skip

    footage = reading(site.rig.camera)
    if footage.pictures_found and not footage.frames:
        gone = "; ".join(f"{item.reason}: {item.count}" for item in footage.left_out)
        raise RecordingError(
            f"none of the {footage.pictures_found} pictures can be used ({gone})", where=path.name,
            remedy="record poses and pictures on one clock, or raise limits.pose_age in site.toml if the robot is slow",
        )  # fmt: skip
    if not footage.frames:
        return footage, footage.pictures_found
    logged = any(f.joints_rad is not None for f in footage.frames)
    if logged and footage.camera is None and not trust_camera_file:
        try:
            reading(None)  # says what is wrong with the recorded camera
        except RecordingError as error:
            raise RecordingError(
                error.what, where=error.where, field=error.field, value=error.value, limit=error.limit,
                remedy=f"{error.remedy or 'calibrate the camera'}; "
                "or add --trust-camera-file if camera.yaml is this camera's own calibration",
            ) from error  # fmt: skip
    posed = any(f.base is not None or f.ground_from_camera is not None for f in footage.frames)
    return choose_frames(footage, site.rig if posed else None, overlap=overlap), footage.pictures_found


def _merged(of_site: Topics, given: Topics) -> Topics:
    changes = {k: v for k, v in vars(given).items() if v is not None}
    return replace(of_site, **changes)


def _to_read(opened: OpenSite) -> list[Path]:
    taken = {r.name for r in opened.store.recordings()}
    stale = {s.name for s in opened.status().standings if s.state == "stale"}
    return [p for p in waiting_recordings(opened.folder) if p.name not in taken or f"frames {p.name}" in stale]


@contextlib.contextmanager
def incoming(folder: Path) -> Iterator[Path]:
    """Give a place for unfinished recordings; what an interrupted command left there is swept away first and last."""
    staging = folder / RECORDINGS / _INCOMING
    made = not staging.parent.exists()
    shutil.rmtree(staging, ignore_errors=True)
    staging.mkdir(parents=True)
    try:
        yield staging
    except BaseException:
        shutil.rmtree(staging, ignore_errors=True)
        if made:
            with contextlib.suppress(OSError):
                staging.parent.rmdir()
        raise
    shutil.rmtree(staging, ignore_errors=True)


def _copy(path: Path, staging: Path, folder: Path) -> tuple[Path, Path]:
    """Copy a recording beside its place; return where it is now and where it will be."""
    if not path.exists():
        raise RecordingError("there is no such recording", where=str(path), remedy="check the path")
    inside = (folder / RECORDINGS).resolve()
    source = path.resolve()
    if source.parent == inside:
        return folder / RECORDINGS / path.name, folder / RECORDINGS / path.name
    target = folder / RECORDINGS / source.name
    if source.is_relative_to(folder.resolve()) or folder.resolve().is_relative_to(source):
        raise RecordingError("a recording must lie in the site's recordings folder or outside the site",
                             where=str(path), remedy="move it out of the site folder first")  # fmt: skip
    if target.exists() or any(p.name == source.name for p in waiting_recordings(folder)):
        raise RecordingError("the site has a recording of that name already", where=str(path), value=source.name,
                             remedy="rename the new one, or take in the old one again without naming it")  # fmt: skip
    try:
        if source.is_dir():
            shutil.copytree(source, staging / source.name)
        else:
            shutil.copy2(source, staging / source.name)
    except (OSError, shutil.Error) as error:
        raise RecordingError("the recording cannot be copied", where=str(path), value=str(error)[:80],
                             remedy="check its permissions and the room on the disk") from error  # fmt: skip
    return staging / source.name, target


def remove(path: Path) -> None:
    """Delete a file or folder that an unfinished command put into the site."""
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)

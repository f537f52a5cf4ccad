"""``labels import`` and ``labels export``: COCO JSON into the site's label versions and out again."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Footage, Frame, Label
from swardwright.domain.label import LabelledFrame, LabelVersion
from swardwright.labels import LabelledPicture, LabelSet, read_coco, write_coco
from swardwright.shell.label_pictures import (
    KnownFrames,
    file_of,
    in_folder,
    name_of,
    picture_hash,
    pictures_of,
    stage_pictures,
)
from swardwright.shell.open_site import OpenSite
from swardwright.shell.saying import Said
from swardwright.shell.status import RECORDINGS, hash_of, input_hashes, inputs_for
from swardwright.shell.taking_in import incoming, remove


def import_labels(
    opened: OpenSite, coco: Path, *, pictures: Path | None, author: str, name: str | None, skip_empty: bool
) -> Said:
    """Store a COCO file's labels as a new version; pictures that are no frames of the site are taken in."""
    told = read_coco(coco, keep_doubtful=True)
    if pictures is not None and not pictures.is_dir():
        raise InputError("there is no such folder of pictures", field="--pictures", value=str(pictures),
                         remedy="name the folder that the label file's picture names start from")  # fmt: skip
    wanted = [p for p in told.pictures if not skip_empty or p.labels or p.ignored]
    if not wanted:
        raise InputError("the label file has no labelled picture", where=coco.name, field="images",
                         remedy="label at least one picture, or leave --skip-empty out")  # fmt: skip
    with opened.store.writer(), incoming(opened.folder) as staging:
        frames, outside = _matched(opened, wanted, pictures, coco.name)
        staged = stage_pictures(opened, outside, name or coco.stem, staging) if outside else []
        for _, _, new in staged:
            frames |= new
        for picture in wanted:
            _check_size(picture, frames[picture.file_name])
        made = _labelled(opened, wanted, frames, {id(f) for _, _, new in staged for f in new.values()})
        moved: list[Path] = []
        try:
            _add_recordings(opened, [(footage, at) for footage, at, _ in staged])
            hashes = _hashes_of(staged)
            made = [replace(m, picture_hash=hashes.get(m.id, m.picture_hash)) for m in made]
            listed = {k.name for k in opened.site.kinds}
            others = [k for k in told.kinds if k not in listed]
            version = opened.store.add_labels(made, author=author, source=coco.name, kinds=others)
            for footage, at, _ in staged:  # last of all: the files appear and the transaction ends
                target = opened.folder / RECORDINGS / footage.recording
                at.rename(target)
                moved.append(target)
        except BaseException:
            for target in moved:
                remove(target)
            raise
    return _imported(opened, version, wanted, [footage for footage, _, _ in staged], told)


def _matched(
    opened: OpenSite, wanted: Sequence[LabelledPicture], pictures: Path | None, where: str
) -> tuple[dict[str, Frame], list[tuple[LabelledPicture, Path]]]:
    """Return the frames by the file's picture names, and the pictures to take in."""
    known = KnownFrames(opened)
    frames: dict[str, Frame] = {}
    outside = []
    for picture in wanted:
        file = None
        if pictures is not None:
            with suppress(InputError):
                file = file_of(pictures, picture)
        frame = known.find(picture, file)
        if frame is not None:
            twice = next((n for n, f in frames.items() if f is frame), None)
            if twice is not None:
                raise InputError("two entries are of the same frame", where=where, field="images[].file_name",
                                 value=f"{twice} and {picture.file_name}", remedy="join their labels")  # fmt: skip
            frames[picture.file_name] = frame
        elif pictures is None:
            raise InputError(
                "a labelled picture is no frame of this site", where=where, field="images[].file_name",
                value=picture.file_name, limit="recording/picture as 'labels export' writes it",
                remedy="add --pictures FOLDER to take the pictures into the site",
            )  # fmt: skip
        else:
            outside.append((picture, file_of(pictures, picture)))
    return frames, outside


def _check_size(picture: LabelledPicture, frame: Frame) -> None:
    if (picture.width_px, picture.height_px) != frame.size_px:
        raise InputError(
            "the picture has another size than its labels", where=picture.file_name, field="width x height",
            value=f"{picture.width_px} x {picture.height_px} px in the labels",
            limit=f"{frame.size_px[0]} x {frame.size_px[1]} px as the picture is",
            remedy="label the pictures as they are (turned upright), or resize the labels",
        )  # fmt: skip


def _labelled(
    opened: OpenSite, wanted: Sequence[LabelledPicture], frames: dict[str, Frame], new: set[int]
) -> list[LabelledFrame]:
    known = {f.id: f.picture_hash for f in opened.store.labelled() if f.picture_hash}
    unhashed = [f for f in frames.values() if id(f) not in new and f.id not in known]
    if unhashed:
        pairs = pictures_of(opened, unhashed, "reading labelled pictures")
        known |= {frame.id: picture_hash(image) for frame, image in pairs}

    def own(labels: tuple[Label, ...], frame: Frame) -> tuple[Label, ...]:
        return tuple(replace(label, frame_id=frame.id) for label in labels)

    made = []
    for picture in wanted:
        frame = frames[picture.file_name]
        made.append(LabelledFrame(frame, known.get(frame.id, ""), own(picture.labels, frame),
                                  own(picture.ignored, frame), picture.outlines))  # fmt: skip
    return made


def _hashes_of(staged: Sequence[tuple[Footage, Path, dict[str, Frame]]]) -> dict[str, str]:
    from swardwright.footage import pictures

    return {f.id: picture_hash(image) for _, at, new in staged for f, image in pictures(at, list(new.values()))}


def _add_recordings(opened: OpenSite, staged: Sequence[tuple[Footage, Path]]) -> None:
    present = input_hashes(opened.folder, opened.site)
    for footage, at in staged:
        name = footage.recording
        opened.store.add_footage(footage, f"{RECORDINGS}/{name}")
        present[f"recording {name}"] = hash_of(at)
        inputs = inputs_for(present, (f"recording {name}",), opened.store, ())
        opened.store.set_result(f"frames {name}", footage.frames, inputs)


def _imported(
    opened: OpenSite, version: LabelVersion | None, wanted: Sequence[LabelledPicture], taken: Sequence[Footage],
    told: LabelSet,
) -> Said:  # fmt: skip
    listed = {k.name for k in opened.site.kinds}
    labels = [b for p in wanted for b in p.labels]
    unknown = sorted({b.kind for b in labels} - listed)
    empty = sorted(set(told.kinds) - {b.kind for b in labels})
    bare = sum(1 for p in wanted if not p.labels and not p.ignored)
    lines = [
        f"{len(wanted)} pictures, {len(labels)} labels: nothing differs from the newest version, none was made."
        if version is None else
        f"Version {version.number} of the labels, by {version.author}: {version.words}; earlier versions stay."
    ]  # fmt: skip
    if taken:
        count = sum(len(f.frames) for f in taken)
        lines.append(f"{count} pictures taken in without poses, for teaching only: "
                     + ", ".join(f.recording for f in taken) + ".")  # fmt: skip
    if bare:
        lines.append(f"{bare} pictures have no label and count as bare ground; --skip-empty passes over them.")
    if unknown:
        lines.append(f"Kinds that site.toml does not list: {', '.join(unknown)}; they are never heated.")
    if empty:
        lines.append(f"Kinds without a label: {', '.join(empty)}.")
    if len(labels) == 1:
        lines.append("One label is too few to teach with: label plants in at least two places.")
    lines.append(f"Next: swardwright labels check {opened.folder}")
    data = {
        "version": None if version is None else version.number, "pictures": len(wanted), "labels": len(labels),
        "changed": 0 if version is None else version.pictures, "recordings": [f.recording for f in taken],
        "bare": bare, "unknown_kinds": unknown, "empty_kinds": empty, "notes": list(told.notes),
    }  # fmt: skip
    return Said(tuple(lines), data)


def export_labels(
    opened: OpenSite, out: Path, *, version: int | None, at_s: float | None, pictures: Path | None, force: bool
) -> Said:
    """Write the labels of a version as COCO JSON, and with ``pictures`` the pictures that it names."""
    store = opened.store
    if version is not None and version not in {v.number for v in store.label_versions()}:
        raise InputError("there is no such version of the labels", field="--version", value=version,
                         limit=f"1 to {len(store.label_versions())}" if store.label_versions() else "none yet",
                         remedy=f"see: swardwright labels versions {opened.folder}")  # fmt: skip
    frames = store.labelled(version, at_s)
    if not frames:
        raise InputError("there are no labels to write", where=opened.folder.name,
                         value=None if at_s is None else "none at that time",
                         remedy=f"bring some in: swardwright labels import {opened.folder} labels.json")  # fmt: skip
    write_labels(opened, out, frames, force=force)
    if pictures is not None:
        write_pictures(opened, pictures, [f.frame for f in frames])
    count = sum(len(f.labels) for f in frames)
    lines = [f"{len(frames)} pictures with {count} labels written to {out}."]
    lines += [] if pictures is None else [f"Their pictures lie below {pictures}."]
    return Said(tuple(lines), {"pictures": len(frames), "labels": count, "file": str(out)})


def write_labels(opened: OpenSite, out: Path, frames: Sequence[LabelledFrame], *, force: bool) -> None:
    """Write COCO JSON whole or not at all; every kind of the site is a category, with labels or without."""
    if out.suffix.lower() != ".json":
        raise InputError("labels are written as COCO JSON", field="--out", value=out.name, limit="a name in .json",
                         remedy="change the name")  # fmt: skip
    if out.exists() and not force:
        raise InputError("the file is there already", field="--out", value=str(out),
                         remedy="name another, or add --force to overwrite it")  # fmt: skip
    used = {b.kind for f in frames for b in (*f.labels, *f.ignored)}
    listed = [k.name for k in opened.site.kinds]
    kinds = (*listed, *sorted(used - set(listed)))
    pictures = tuple(
        LabelledPicture(name_of(f.frame), *f.frame.size_px, f.labels, f.ignored, f.outlines) for f in frames
    )
    part = out.with_name(f".{out.name}.part")
    try:
        part.write_text(write_coco(LabelSet(kinds, pictures)), encoding="utf-8")
        os.replace(part, out)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(f"the file cannot be written ({error.strerror})", where=str(out),
                         remedy="name a place that you may write to") from error  # fmt: skip


def write_pictures(opened: OpenSite, folder: Path, frames: Sequence[Frame]) -> None:
    """Write frames' pictures below a folder under the names that labels use: files as they are, others as PNG."""
    import cv2

    paths = {r.name: opened.folder / r.path for r in opened.store.recordings()}

    def place(frame: Frame) -> Path:
        target = folder / name_of(frame)
        target.parent.mkdir(parents=True, exist_ok=True)
        return target

    try:
        copied = [f for f in frames if in_folder(f)]
        for frame in copied:
            source = paths.get(frame.recording, Path()) / frame.picture
            if not source.is_file():
                raise InputError("a picture taken in earlier is no longer there", where=frame.recording,
                                 value=frame.picture, remedy="put it back")  # fmt: skip
            shutil.copy2(source, place(frame))
        for frame, image in pictures_of(opened, [f for f in frames if not in_folder(f)], "writing pictures"):
            done, data = cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR))
            if done:
                place(frame).write_bytes(data.tobytes())
    except OSError as error:
        raise InputError(f"the pictures cannot be written ({error.strerror})", where=str(folder),
                         remedy="name a folder that you may write to") from error  # fmt: skip


def versions_told(opened: OpenSite, when: Any) -> Said:
    """Say which versions of the labels there are; ``when`` makes a person's time of seconds since the epoch."""
    found = opened.store.label_versions()
    lines = [f"{v.number}  {when(v.made_at_s)}  {v.author}  {v.source}: {v.words}" for v in found]
    data = [
        {"version": v.number, "author": v.author, "made_at_s": v.made_at_s, "source": v.source, "kinds": list(v.kinds),
         "pictures": v.pictures, "changed": v.words} for v in found
    ]  # fmt: skip
    return Said(tuple(lines) or ("There are no labels yet.",), {"versions": data})

"""``labels check`` and ``labels queue``: which labels to look at again, and which frames to label next."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from swardwright.domain.errors import InputError, StaleError
from swardwright.domain.frame import Frame
from swardwright.domain.label import LabelledFrame
from swardwright.labels.doubts import Doubt, DoubtSettings, doubts
from swardwright.labels.near_copies import NearCopy
from swardwright.labels.queue import QueueFrame, cells_of, order
from swardwright.labels.splits import named as pairs_in_words
from swardwright.shell.label_files import write_labels, write_pictures
from swardwright.shell.label_looks import Looks, looks_of
from swardwright.shell.label_pictures import name_of
from swardwright.shell.label_samples import place_of
from swardwright.shell.open_site import OpenSite
from swardwright.shell.place_check import FOLDER, copies_among
from swardwright.shell.saying import Said, progress_by_phase
from swardwright.shell.teach_samples import samples_of_site

SHIPPED_WORDS = (
    "The detector is the one that comes with the package, which has seen invented ground only: it contradicts much"
    " that is right. Teach one on these labels and check again."
)
#: cells across the middle frame's ground; finer tells little more
CELLS_ACROSS = 12


def check_labels(
    opened: OpenSite, *, use_detector: bool, model: Path | None, duplicate_radii: float, count: int
) -> Said:
    """Say which labels are doubtful, most doubtful first."""
    frames = opened.store.labelled()
    if not frames:
        raise InputError("there are no labels to check", where=opened.folder.name,
                         remedy=f"bring some in: swardwright labels import {opened.folder} labels.json")  # fmt: skip
    looks = looks_of(opened, [f.frame for f in frames], model=model) if use_detector else None
    named = {k for v in opened.store.label_versions() for k in v.kinds}
    found = doubts(
        frames,
        site_kinds=[k.name for k in opened.site.kinds],
        named_kinds=sorted(named),
        detections=None if looks is None else {i: k.detections for i, k in looks.by_frame.items()},
        detector_kinds=() if looks is None else looks.kinds,
        settings=DoubtSettings(0.5 if looks is None else looks.threshold, duplicate_radii),
    )
    found = [*_changed_pictures(frames, looks), *found]
    names = {f.id: name_of(f.frame) for f in frames}
    total = sum(len(f.labels) for f in frames)
    lines = [f"{len(found)} doubts about {total} labels on {len(frames)} pictures, the most doubtful first."]
    for doubt in found[:count]:
        lines.append(_line(doubt, names))
    if len(found) > count:
        lines.append(f"... and {len(found) - count} more (--count, or all of them with --json).")
    if looks is not None and looks.shipped:
        lines.append(SHIPPED_WORDS)
    copies, said = _same_ground(opened, names)
    lines += said
    data = {
        "same_ground": [asdict(c) for c in copies],
        "labels": total, "pictures": len(frames), "detector": None if looks is None else looks.kinds,
        "doubts": [asdict(d) | {"picture": names.get(d.frame_id, "")} for d in found],
        "by_sort": dict(Counter(d.sort for d in found)),
    }  # fmt: skip
    return Said(tuple(lines), data)


def _same_ground(opened: OpenSite, names: Mapping[str, str]) -> tuple[list[NearCopy], list[str]]:
    """Return the pairs of labelled pictures that show the same ground in different places, and what to say."""
    try:
        samples = samples_of_site(opened)
        found, _ = copies_among(
            {s.name: s.load for s in samples}, {s.name: s.group for s in samples}, cache=opened.folder / FOLDER,
            progress=progress_by_phase(),
        )  # fmt: skip
    except InputError as error:  # a picture that is gone is no reason to keep doubts back
        return [], [f"The ground that pictures show was not compared: {error}"]
    copies = [replace(c, first=names[c.first], second=names[c.second])
              for c in sorted(found, key=lambda c: -c.shared)]  # fmt: skip
    if not copies:
        return [], []
    return copies, [f"{len(copies)} pairs of labelled pictures from different places show the same ground, which"
                    f" teaching keeps on one side: {pairs_in_words(copies)}."]  # fmt: skip


def _changed_pictures(frames: Sequence[LabelledFrame], looks: Looks | None) -> list[Doubt]:
    found = []
    for frame in frames if looks is not None else ():
        look = looks.by_frame.get(frame.id) if looks is not None else None
        if look is not None and frame.picture_hash and look.picture_hash != frame.picture_hash:
            found.append(Doubt(1.0, "picture", frame.id, None, None, "",
                               "the picture is not the one that was labelled",
                               "put the old picture back, or label the new one"))  # fmt: skip
    return found


def _line(doubt: Doubt, names: dict[str, str]) -> str:
    place = names.get(doubt.frame_id, "")
    if doubt.u_px is not None and doubt.v_px is not None:
        place += f" at ({doubt.u_px:.0f}, {doubt.v_px:.0f}) px"
    subject = ", ".join(part for part in (place, doubt.kind) if part)
    return f"{doubt.doubt:.2f}  {subject}: {doubt.why}; {doubt.remedy}."


def queue_labels(opened: OpenSite, *, count: int, recording: str | None, model: Path | None, out: Path | None) -> Said:
    """Say which frames to label next and why; with ``out`` write their pictures and a label file to fill in."""
    store = opened.store
    names = [r.name for r in store.recordings()]
    if recording is not None and recording not in names:
        raise InputError("there is no such recording in the site", field="--recording", value=recording,
                         limit=", ".join(names) or "none yet", remedy="name one of these")  # fmt: skip
    labelled = store.labelled()
    done = {f.id for f in labelled}
    pool = [f for f in store.frames(recording) if f.id not in done]
    if not pool:
        raise StaleError("there is no frame without labels", where=opened.folder.name,
                         remedy=f"take more pictures in: swardwright take-in {opened.folder} PATH")  # fmt: skip
    frames = [*pool, *(f.frame for f in labelled)]
    looks = looks_of(opened, frames, model=model)
    ground = ground_cells(opened, frames)
    made = [QueueFrame(looks.by_frame[f.id], ground[f.id], place_of(f)) for f in frames]
    per_kind = Counter(b.kind for f in labelled for b in f.labels)
    kinds = {k: per_kind.get(k, 0) for k in {*looks.kinds, *(k.name for k in opened.site.kinds)}} if labelled else {}
    ranked = list(itertools.islice(
        order(made[: len(pool)], made[len(pool) :], threshold=looks.threshold, kinds=looks.kinds,
              labels_of_kind=kinds), count,
    ))  # fmt: skip
    by_id = {f.id: f for f in pool}
    lines = [f"{len(pool)} frames without labels, {len(labelled)} with; label these next:"]
    for number, item in enumerate(ranked, start=1):
        lines.append(f"{number:>3}  {name_of(by_id[item.frame_id])}: {item.why}.")
    if looks.shipped:
        lines.append("Ranked with the detector that comes with the package, which has seen invented ground only.")
    if out is not None:
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise InputError("the folder is not empty", field="--out", value=str(out),
                             remedy="name a new folder")  # fmt: skip
        chosen = [by_id[item.frame_id] for item in ranked]
        out.mkdir(parents=True, exist_ok=True)
        write_pictures(opened, out, chosen)
        write_labels(opened, out / "labels.json", [LabelledFrame(f, "", ()) for f in chosen], force=False)
        lines.append(f"Their pictures and labels.json to fill in lie in {out}; bring it back with: swardwright labels"
                     f" import {opened.folder} {out / 'labels.json'} --skip-empty")  # fmt: skip
    data = {
        "unlabelled": len(pool), "labelled": len(labelled),
        "queue": [asdict(item) | {"picture": name_of(by_id[item.frame_id])} for item in ranked],
    }  # fmt: skip
    return Said(tuple(lines), data)


def ground_cells(opened: OpenSite, frames: Sequence[Frame]) -> dict[str, frozenset[tuple[int, int]]]:
    """Return the cells of ground that each frame shows; none where its pose is not known or it sees the horizon."""
    from swardwright.domain.footprint import footprint
    from swardwright.frames.ground import camera_pose

    rig = opened.site.rig
    outlines = {}
    for frame in frames:
        pose = camera_pose(frame, rig)
        fits = frame.size_px == (rig.camera.width_px, rig.camera.height_px)
        outlines[frame.id] = None if pose is None or not fits else footprint(rig.camera, pose)
    extents = [float(np.sqrt(np.prod(np.ptp(o, axis=0)))) for o in outlines.values() if o is not None]
    cell = max(float(np.median(extents)) / CELLS_ACROSS, 1e-3) if extents else 1.0
    return {i: frozenset() if o is None else cells_of(o, cell) for i, o in outlines.items()}

"""``detect`` and ``locate``: pictures to detections, detections to the next register revision."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError, StaleError
from swardwright.domain.frame import Detection, Frame, Track
from swardwright.domain.site import treat_probability
from swardwright.domain.weed import Look, Register, Sighting
from swardwright.shell.agreement import agreement
from swardwright.shell.agreement_words import as_data, sentences
from swardwright.shell.open_site import OpenSite
from swardwright.shell.saying import Progress, Said
from swardwright.shell.status import DETECTIONS_FROM, REGISTER_FROM, detector_path, input_hashes, inputs_for, model_card
from swardwright.shell.truth import note_comparison

#: pictures that a folder of photographs may hold
PHOTOGRAPHS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp")


def detect_site(opened: OpenSite, *, again: bool = False) -> Said:
    """Look through the frames of every recording that has not been looked through (or whose detections are stale)."""
    from swardwright.footage import pictures
    from swardwright.learning import detect, load_detector

    store = opened.store
    with store.writer():
        standing = {s.name: s.state for s in opened.status().standings}
        waiting = [
            r for r in store.recordings()
            if store.frames(r.name) and (again or standing.get(f"detections {r.name}") != "stands")
        ]  # fmt: skip
        if not store.recordings() or not any(store.frames(r.name) for r in store.recordings()):
            raise StaleError("there are no frames to look through", where=opened.folder.name,
                             remedy=f"take a recording in first: swardwright take-in {opened.folder}")  # fmt: skip
        detector = load_detector(detector_path(opened.folder, opened.site))
        present = input_hashes(opened.folder, opened.site)
        counts: dict[str, int] = {}
        frames_seen = 0
        for recording in waiting:
            frames = store.frames(recording.name)
            progress = Progress(f"looking through {recording.name}")
            found: list[Detection] = []
            pairs = pictures(opened.folder / recording.path, frames)
            for number, (_, detections) in enumerate(detect(pairs, detector), start=1):
                found += detections
                progress(number, len(frames))
            store.set_detections(recording.name, found)
            inputs = inputs_for(present, DETECTIONS_FROM, store, (f"frames {recording.name}",))
            store.set_result(f"detections {recording.name}", tuple(found), inputs)
            counts[recording.name] = len(found)
            frames_seen += len(frames)
    lines = [f"{name}: {count} detections." for name, count in counts.items()]
    unknown = sorted(set(detector.card.kinds) - {k.name for k in opened.site.kinds})
    if unknown:
        lines.append(
            f"The detector also knows {', '.join(unknown)}, which site.toml does not list: they are never heated."
        )
    if not waiting:
        lines.append("Every frame was looked through already; --again does it once more.")
    return Said(tuple(lines), {"detections": counts, "frames": frames_seen})


def detect_folder(folder: Path, *, model: Path | None, out: Path | None) -> Said:
    """Look through a plain folder of photographs."""
    from swardwright.learning import detect, load_detector, shipped_detector

    paths = sorted(p for p in folder.rglob("*") if p.suffix.lower() in PHOTOGRAPHS and p.is_file())
    if not paths:
        raise InputError("there are no photographs in this folder", where=str(folder), limit=", ".join(PHOTOGRAPHS),
                         remedy="name a folder of photographs, or a site folder")  # fmt: skip
    if out is not None and out.suffix.lower() not in (".json", ".csv"):
        raise InputError("detections are written as JSON or CSV", field="--out", value=out.name,
                         limit="a name that ends in .json or .csv", remedy="change the name")  # fmt: skip
    detector = load_detector(shipped_detector() if model is None else model)
    progress = Progress("looking through photographs")
    rows: list[dict[str, Any]] = []
    for number, (frame, found) in enumerate(detect(_photographs(folder, paths), detector), start=1):
        rows += [
            {
                "picture": frame.id, "u_px": round(d.u_px, 2), "v_px": round(d.v_px, 2),
                "radius_px": round(d.radius_px, 2), "probability": round(d.probability, 4), "kind": d.kind,
                "kinds": {name: round(p, 4) for name, p in d.kinds},
            }
            for d in found
        ]  # fmt: skip
        progress(number, len(paths))
    if out is not None:
        _write_rows(out, rows)
    lines = [f"{len(paths)} photographs, {len(rows)} detections" + (f", written to {out}." if out else ".")]
    if out is None:
        lines += [
            f"{r['picture']}: {r['kind']} at ({r['u_px']:.0f}, {r['v_px']:.0f}) px, radius {r['radius_px']:.0f} px, "
            f"probability {r['probability']:.2f}"
            for r in rows
        ]
    return Said(tuple(lines), {"photographs": len(paths), "detections": rows})


def _photographs(folder: Path, paths: list[Path]) -> Iterator[tuple[Frame, Any]]:
    from swardwright.footage.picture import UnreadablePictureError, decode

    for number, path in enumerate(paths):
        try:
            image = decode(path.read_bytes(), upright=True)
        except UnreadablePictureError as error:
            raise InputError("the photograph cannot be read", where=path.name,
                             remedy="take it out of the folder, or copy it again") from error  # fmt: skip
        name = path.relative_to(folder).as_posix()
        yield Frame(name, folder.name, number, name, (int(image.shape[1]), int(image.shape[0]))), image


def _write_rows(out: Path, rows: list[dict[str, Any]]) -> None:
    try:
        with out.open("w", encoding="utf-8", newline="") as stream:
            if out.suffix.lower() == ".json":
                json.dump(rows, stream, indent=1)
                return
            names = ["picture", "u_px", "v_px", "radius_px", "probability", "kind"]
            writer = csv.DictWriter(stream, names, extrasaction="ignore")
            writer.writeheader()
            writer.writerows(rows)
    except OSError as error:
        raise InputError(f"the file cannot be written ({error.strerror})", where=str(out),
                         remedy="name a place that you may write to") from error  # fmt: skip


def locate_site(opened: OpenSite, *, out: Path | None = None, force: bool = False) -> Said:
    """Carry this visit's detections to the ground and merge them into the next register revision, and draw it.

    A visit is every recording taken in since the last round; its prior is the register as that round left it.
    """
    from swardwright.locating import locate_counted, looks
    from swardwright.merging import merge
    from swardwright.shell.locate_figure import check_out, write_figure

    check_out(out, force)

    store, rig = opened.store, opened.site.rig
    with store.writer():
        base, names = this_visit(opened)
        made = store.results()
        for name in names:
            if f"detections {name}" not in made:
                raise StaleError(f"the frames of {name} have not been looked through", where=opened.folder.name,
                                 remedy=f"run: swardwright detect {opened.folder}")  # fmt: skip
        if not names:
            raise StaleError("there is nothing new to locate", where=opened.folder.name,
                             remedy=f"take in a new recording: swardwright take-in {opened.folder}")  # fmt: skip
        card = model_card(opened.folder, opened.site)
        sightings: list[Sighting] = []
        seen: list[Look] = []
        tracks: list[Track] = []
        left_out = 0
        for name in names:
            frames = store.frames(name)
            _need_poses(frames, name)
            located = locate_counted(frames, store.detections(name), rig)
            store.set_sightings(name, located.sightings)
            left_out += sum(item.count for item in located.left_out)
            sightings += located.sightings
            seen += looks(frames, rig, detection_probability=card.detection_probability,
                          false_alarms_m2=card.false_alarms_m2, bands=card.detection_bands())  # fmt: skip
            track = store.track(name)
            tracks += [] if track is None else [track]
        register = merge(base, sightings, seen, tracks=tracks)
        revisions = store.revisions()
        register = replace(register, revision=1 + max((r.revision for r in revisions), default=0))
        behind = (*_behind(opened, base), *names)
        store.add_register(register, made_by="locate", recordings=behind)
        present = input_hashes(opened.folder, opened.site)
        results = tuple(f"detections {n}" for n in names)
        results += () if base is None else (f"register {base.revision}",)
        inputs = inputs_for(present, REGISTER_FROM, store, results)
        store.set_result(f"register {register.revision}", register, inputs)
    if opened.site.invented:
        note_comparison(opened.folder, opened.site, register)
    said = _located(opened, register, len(sightings), left_out)
    path, line = write_figure(opened.folder, opened.site, register, out)
    return Said((*said.lines, line), said.data | {"figure": str(path)})


def this_visit(opened: OpenSite) -> tuple[Register | None, tuple[str, ...]]:
    """Return the register as the last round left it (None before the first) and the recordings since.

    Recordings for teaching only are passed over.
    """
    rounds = [r for r in opened.store.revisions() if r.made_by == "run"]
    base = opened.store.register(rounds[-1].revision) if rounds else None
    behind = set(rounds[-1].recordings) if rounds else set()
    names = [r.name for r in opened.store.recordings() if r.name not in behind and opened.store.frames(r.name)]
    # pictures taken in with labels only teach; where there is nothing else, locating says what they lack
    return base, tuple(n for n in names if not opened.store.for_teaching(n)) or tuple(names if base is None else ())


def _behind(opened: OpenSite, base: Register | None) -> tuple[str, ...]:
    revisions = {r.revision: r.recordings for r in opened.store.revisions()}
    return () if base is None else revisions[base.revision]


def _need_poses(frames: tuple[Frame, ...], name: str) -> None:
    if any(not f.joints_rad and f.ground_from_camera is None for f in frames):
        raise InputError(
            "the pictures of this recording have no camera poses", where=name, field="base pose and joints",
            remedy="take in a robot log with odometry and joint states, or pictures with poses.csv; "
            "a video without poses is for teaching only",
        )  # fmt: skip


def _located(opened: OpenSite, register: Register, sightings: int, left_out: int) -> Said:
    import numpy as np

    present = [w for w in register.weeds if w.presence >= opened.site.limits.presence_min]
    treat = [w for w in present if treat_probability(w.kinds, opened.site) >= 0.5]
    unlisted = [w for w in present if opened.site.kind(w.kind) is None]
    spare = len(present) - len(treat) - len(unlisted)
    sigma = [float(np.sqrt(np.trace(w.covariance_m2) / 2)) for w in present]
    median_mm = 1000 * float(np.median(sigma)) if sigma else None
    line = (
        f"Register revision {register.revision}: {len(present)} plants believed to stand "
        f"({len(treat)} to treat, {spare} to spare"
        + (f", {len(unlisted)} of kinds that site.toml does not list" if unlisted else "")
        + f") from {sightings} sightings"
    )
    if median_mm is not None:
        line += f", each known to {median_mm:.0f} mm (median standard deviation per axis)"
    lines = [line + "."]
    if left_out:
        lines.append(f"{left_out} detections do not meet the ground and were left out.")
    judged = agreement(register, opened.site)
    calibrated = opened.site.rig.mount_covariance is not None
    lines += sentences(judged, str(opened.folder), calibrated=calibrated)
    data = {
        "revision": register.revision, "plants": len(present), "to_treat": len(treat), "unlisted": len(unlisted),
        "sightings": sightings,
        "median_sigma_m": None if median_mm is None else median_mm / 1000, "entries": len(register.weeds),
        "agreement": as_data(judged),
    }  # fmt: skip
    return Said(tuple(lines), data)

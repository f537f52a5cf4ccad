"""``detect`` and ``locate``: pictures to detections, detections to the next register revision."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from swardwright.domain.errors import InputError, StaleError
from swardwright.domain.frame import Detection, Frame, Track
from swardwright.domain.site import treat_probability
from swardwright.domain.weed import Look, Register, Sighting
from swardwright.shell.agreement import agreement
from swardwright.shell.agreement_words import as_data, sentences
from swardwright.shell.codec import content_hash
from swardwright.shell.open_site import OpenSite
from swardwright.shell.reach_cache import FOLDER as CACHE
from swardwright.shell.saying import Progress, Said
from swardwright.shell.status import DETECTIONS_FROM, REGISTER_FROM, detector_path, input_hashes, inputs_for, model_card
from swardwright.shell.truth import note_comparison

if TYPE_CHECKING:
    from swardwright.shell.spreading import How
    from swardwright.shell.store import Recording

#: pictures that a folder of photographs may hold
PHOTOGRAPHS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp")
REMEDY = "take it out of the folder, or copy it again"


def detect_site(opened: OpenSite, *, again: bool = False, how: How | None = None) -> Said:
    """Look through the frames of every recording that has not been looked through (or whose detections are stale).

    What was found is kept picture by picture in the site's cache until the recording is done, so that an interrupted
    look goes on where it stopped.
    """
    store = opened.store
    with store.writer(one_transaction=False):
        standing = {s.name: s.state for s in opened.status().standings}
        waiting = [
            r for r in store.recordings()
            if store.frames(r.name) and (again or standing.get(f"detections {r.name}") != "stands")
        ]  # fmt: skip
        if not store.recordings() or not any(store.frames(r.name) for r in store.recordings()):
            raise StaleError("there are no frames to look through", where=opened.folder.name,
                             remedy=f"take a recording in first: swardwright take-in {opened.folder}")  # fmt: skip
        for recording in waiting:
            opened.must_stand(f"frames {recording.name}")
        card = model_card(opened.folder, opened.site)
        counts: dict[str, int] = {}
        frames_seen = kept_count = 0
        for recording in waiting:
            count, kept = _look_through(opened, recording, how)
            counts[recording.name] = count
            frames_seen += len(store.frames(recording.name))
            kept_count += kept
    lines = [f"{name}: {count} detections." for name, count in counts.items()]
    lines += _went_on(kept_count)
    unknown = sorted(set(card.kinds) - {k.name for k in opened.site.kinds})
    if unknown:
        lines.append(
            f"The detector also knows {', '.join(unknown)}, which site.toml does not list: they are never heated."
        )
    if not waiting:
        lines.append("Every frame was looked through already; --again does it once more.")
    return Said(tuple(lines), {"detections": counts, "frames": frames_seen, "kept_from_before": kept_count})


def _look_through(opened: OpenSite, recording: Recording, how: How | None) -> tuple[int, int]:
    """Look through one recording and store it; return detections and pictures looked through before a stop."""
    from swardwright.footage import coded
    from swardwright.locating import ground_sampling
    from swardwright.shell.looked import looked
    from swardwright.shell.spreading import How, look_through

    store, name = opened.store, recording.name
    frames = store.frames(name)
    present = input_hashes(opened.folder, opened.site)
    inputs = inputs_for(present, DETECTIONS_FROM, store, (f"frames {name}",))
    made_from = content_hash((name, sorted(inputs.items())))
    model = detector_path(opened.folder, opened.site)
    place = f"looked-{content_hash(name)[:12]}"
    with looked(opened.folder / CACHE / f"{place}-{made_from[:24]}.jsonl", made_from) as notes:
        before = sum(frame.id in notes.found for frame in frames)
        rest = [frame for frame in frames if frame.id not in notes.found]
        progress = Progress(f"looking through {name}")
        pairs = coded(opened.folder / recording.path, rest)
        how = replace(how or How(), metres_per_px=ground_sampling(frames, opened.site.rig))
        with contextlib.closing(look_through(pairs, model, how)) as found:
            for number, (frame, detections) in enumerate(found, start=before + 1):
                notes.keep(frame.id, detections)
                progress(number, len(frames))
        everything = tuple(d for frame in frames for d in notes.found[frame.id])
        with store.transaction():
            store.set_detections(name, everything)
            store.set_result(f"detections {name}", everything, inputs)
        notes.done()
        for old in (opened.folder / CACHE).glob(f"{place}-*.jsonl"):
            old.unlink(missing_ok=True)
    return len(everything), before


def _went_on(kept: int) -> list[str]:
    return [f"{kept} pictures were looked through before a stop, and kept."] if kept else []


def detect_folder(folder: Path, *, model: Path | None, out: Path | None, how: How | None = None) -> Said:
    """Look through a plain folder of photographs.

    With ``out``, what was found is kept picture by picture beside it until all is done.
    """
    from swardwright.learning import shipped_detector
    from swardwright.learning.detector import read_detector
    from swardwright.shell.looked import looked
    from swardwright.shell.spreading import How, look_through

    paths = sorted(p for p in folder.rglob("*") if p.suffix.lower() in PHOTOGRAPHS and p.is_file())
    if not paths:
        raise InputError("there are no photographs in this folder", where=str(folder), limit=", ".join(PHOTOGRAPHS),
                         remedy="name a folder of photographs, or a site folder")  # fmt: skip
    if out is not None and out.suffix.lower() not in (".json", ".csv"):
        raise InputError("detections are written as JSON or CSV", field="--out", value=out.name,
                         limit="a name that ends in .json or .csv", remedy="change the name")  # fmt: skip
    model = shipped_detector() if model is None else model
    names = {path.relative_to(folder).as_posix(): path for path in paths}
    with contextlib.ExitStack() as held:
        keys = {name: _key(name, path) for name, path in names.items()}
        found: dict[str, tuple[Detection, ...]] = {}
        notes = None
        if out is not None:
            _, data, card = read_detector(model)
            made_from = hashlib.sha256(data + card).hexdigest()
            notes = held.enter_context(looked(out.with_name(f"{out.name}.looked.jsonl"), made_from))
            found = {name: notes.found[key] for name, key in keys.items() if key in notes.found}
        before = len(found)
        progress = Progress("looking through photographs")
        pairs = _photographs(folder, {name: path for name, path in names.items() if name not in found})
        seen = held.enter_context(contextlib.closing(look_through(pairs, model, how or How())))
        for number, (frame, detections) in enumerate(seen, start=before + 1):
            if notes is not None:
                notes.keep(keys[frame.id], detections)
            found[frame.id] = tuple(detections)
            progress(number, len(paths))
        rows = [_row(name, d) for name in names for d in found[name]]
        if out is not None and notes is not None:
            _write_rows(out, rows)
            notes.done()
    lines = [f"{len(paths)} photographs, {len(rows)} detections" + (f", written to {out}." if out else ".")]
    lines += _went_on(before)
    if out is None:
        lines += [
            f"{r['picture']}: {r['kind']} at ({r['u_px']:.0f}, {r['v_px']:.0f}) px, radius {r['radius_px']:.0f} px, "
            f"probability {r['probability']:.2f}"
            for r in rows
        ]
    return Said(tuple(lines), {"photographs": len(paths), "detections": rows, "kept_from_before": before})


def _row(picture: str, d: Detection) -> dict[str, Any]:
    return {
        "picture": picture, "u_px": round(d.u_px, 2), "v_px": round(d.v_px, 2), "radius_px": round(d.radius_px, 2),
        "probability": round(d.probability, 4), "kind": d.kind, "kinds": {name: round(p, 4) for name, p in d.kinds},
    }  # fmt: skip


def _key(name: str, path: Path) -> str:
    """Tell a photograph from one that was put in its place."""
    stat = path.stat()
    return f"{name}|{stat.st_size}|{stat.st_mtime_ns}"


def _photographs(folder: Path, names: dict[str, Path]) -> Iterator[tuple[Frame, Callable[[], Any]]]:
    from swardwright.footage.picture import UnreadablePictureError, compressed_size, decode_or_tell

    for number, (name, path) in enumerate(names.items()):
        try:
            data = path.read_bytes()
            width, height, turned = compressed_size(data)
        except UnreadablePictureError as error:
            raise InputError("the photograph cannot be read", where=path.name, remedy=REMEDY) from error
        size = (width, height) if turned < 5 else (height, width)
        load = partial(decode_or_tell, data, True, path.name, None, REMEDY)
        yield Frame(name, folder.name, number, name, size), load


def _write_rows(out: Path, rows: list[dict[str, Any]]) -> None:
    from swardwright.shell.looked import write_whole

    stream = io.StringIO(newline="")
    if out.suffix.lower() == ".json":
        json.dump(rows, stream, indent=1)
    else:
        names = ["picture", "u_px", "v_px", "radius_px", "probability", "kind"]
        writer = csv.DictWriter(stream, names, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    write_whole(out, stream.getvalue().encode("utf-8"))


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
            opened.must_stand(f"detections {name}")
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

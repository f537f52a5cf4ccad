"""Videos to a folder of kept pictures: decode, choose, write; goes on after an interruption where it was."""

from __future__ import annotations

import contextlib
import csv
import io
import shutil
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError, RecordingError, SwardwrightError
from swardwright.domain.frame import Footage, Frame, LeftOut
from swardwright.frames.choosing import KEPT, REASONS, Choice, Chooser, Row
from swardwright.frames.seen import Look, Seen, groups, look_of
from swardwright.shell.codec import content_hash, file_hash
from swardwright.shell.frames_index import Index, Journal, alone, read_index, settle_on_disk, write_index, write_whole
from swardwright.shell.saying import Progress

if TYPE_CHECKING:
    from swardwright.footage.video_reading import Decoded, VideoReading

Image = NDArray[np.uint8]
JPEG_QUALITY = 95


@dataclass(frozen=True)
class Optics:
    """What the ground sampling distance needs; see ``frames.ground.sampling_distance_m``."""

    height_m: float
    sensor_width_m: float
    focal_length_m: float


def choose_from_videos(
    videos: Sequence[Path],
    folder: Path,
    choice: Choice,
    *,
    optics: Optics | None = None,
    progress: Callable[[str], Callable[[int, int], None]] = Progress,
) -> tuple[Index, list[str]]:
    """Keep pictures of videos in a folder; return its index and the names of videos that were done before.

    Raises
    ------
    RecordingError
        If a video cannot be used; those done before it stay.
    InputError
        If the folder was made with other settings, or cannot be written.
    """
    from swardwright.footage.video_reading import container_of

    for path in videos:
        container_of(path)  # all are looked at before the first is read
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"the folder cannot be made ({error.strerror})", where=str(folder), field="--out",
                         remedy="name a place that you may write to") from error  # fmt: skip
    with alone(folder):
        index = read_index(folder) or Index(asdict(choice))
        if index.settings != asdict(choice):
            other = [k for k, v in asdict(choice).items() if index.settings.get(k) != v]
            raise InputError(
                "the folder's pictures were chosen with other settings", where=str(folder), field=", ".join(other),
                value=", ".join(str(index.settings.get(k)) for k in other),
                remedy="give the same ones again, or another folder",
            )  # fmt: skip
        seen = Seen()
        for frame in index.frames:
            seen.add(str(frame["name"]), _look_again(folder, str(frame["name"])))
        before = []
        for path in videos:
            key = file_hash(path)
            if any(v["hash"] == key for v in index.videos):
                before.append(path.name)
                continue
            _Video(path, key, folder, choice, optics, index, seen).run(progress(f"looking through {path.name}"))
    return index, before


def footage_of_video(path: Path, cache: Path, choice: Choice | None) -> Footage:
    """Return what taking in a video gave: frames without poses, each with its place.

    Pictures go into a folder below ``cache`` while this runs, so that an interrupted video is gone on with; it is taken
    away at the end, for the site keeps the video itself.
    """
    choice = choice or Choice()
    settings = content_hash([asdict(choice)])
    folder = cache / f"frames-{file_hash(path)}-{settings}"
    made = not cache.exists()
    try:
        index, _ = choose_from_videos([path], folder, choice)
    except SwardwrightError:
        shutil.rmtree(folder, ignore_errors=True)
        if made:
            with contextlib.suppress(OSError):
                cache.rmdir()
        raise
    (video,) = index.videos
    frames = tuple(
        Frame(
            id=f"{path.name}/{f['number']:05d}", recording=path.name, stamp_ns=int(f["stamp_ns"]), picture=path.name,
            size_px=(int(f["width_px"]), int(f["height_px"])), sharpness=float(f["sharpness"]),
            place=str(f["group"]).removeprefix("place-"),
        )
        for f in index.frames
    )  # fmt: skip
    left_out = tuple(LeftOut(f"video pictures left out: {reason}", n) for reason, n in video["left_out"].items())
    shutil.rmtree(folder, ignore_errors=True)
    return Footage(path.name, frames, None, left_out, int(video["pictures_found"]), 0, 0.0, notes=tuple(video["notes"]))


def _look_again(folder: Path, name: str) -> Look:
    try:
        return _look((folder / name).read_bytes(), name)
    except OSError as error:
        raise InputError("a picture that the index names is not there", where=str(folder / name),
                         remedy="put it back, or write into another folder") from error  # fmt: skip


def _look(jpeg: bytes, name: str) -> Look:
    import cv2

    grey = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_2)
    if grey is None:
        raise InputError("a kept picture is damaged", where=name, remedy="write into another folder")
    return look_of(np.asarray(grey, np.uint8))


def _stems_begun(folder: Path, own: Path) -> set[str]:
    """Return the stems of other videos that were interrupted in this folder."""
    begun = [Journal(p).lines() for p in sorted(folder.glob(".*.journal")) if p != own]
    return {str(lines[0].get("stem")) for lines in begun if lines}


def _jpeg(image: Image) -> bytes:
    import cv2

    done, data = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise RecordingError("a picture cannot be written as JPEG", value=f"{image.shape[1]} x {image.shape[0]}")
    return bytes(data)


class _Video:
    """One video on its way into the folder."""

    def __init__(
        self, path: Path, key: str, folder: Path, choice: Choice, optics: Optics | None, index: Index, seen: Seen
    ) -> None:
        from swardwright.footage.video_reading import VideoReading

        self.path, self.key, self.folder, self.index, self.seen = path, key, folder, index, seen
        self.choice, self.optics = choice, optics
        self.reading: VideoReading = VideoReading(path)
        self.journal = Journal(folder / f".{key}.journal")
        self.rows: list[dict[str, Any]] = []
        self.kept: list[dict[str, Any]] = []
        self.held: Decoded | None = None
        self.chooser = Chooser(choice)
        used = {str(v["stem"]) for v in index.videos} | _stems_begun(folder, self.journal.path)
        plain = "".join(c if c.isalnum() or c in "-_" else "-" for c in path.stem)[:80] or "video"
        self.stem = next(s for s in (plain, *(f"{plain}-{n}" for n in range(2, 10_000))) if s not in used)

    def run(self, progress: Callable[[int, int], None]) -> None:
        """Look through the video, from its start or from where the journal ends, and enter it into the index."""
        after = self._taken_up()
        for item in self.reading.frames(after):
            if item.number % 50 == 0:
                progress(item.number + 1, max(self.reading.stated_frames, item.number + 1))
            self._frame(item, taken_up=after is not None and item.number == after[0])
        if self.chooser.candidate is not None:
            self._settle()
        self.rows += [asdict(r) for r in self.chooser.flushed()]
        progress(self.reading.found, max(self.reading.found, 1))
        self._entered()

    def _frame(self, item: Decoded, *, taken_up: bool) -> None:
        from swardwright.footage.video_picture import grey

        seconds, damaged = item.time_ns / 1e9, bool(getattr(item.frame, "is_corrupt", False))
        found = None if damaged else grey(item.frame)
        if taken_up and found is not None:
            self.chooser.resume(item.number, seconds, found.half, found.bright, found.dark)
        elif found is None:
            self.chooser.measure(item.number, seconds, None, 0.0, 0.0)
        elif self.chooser.measure(item.number, seconds, found.half, found.bright, found.dark):
            entry = self._settle()
            if entry is not None:
                rows = [asdict(r) for r in self.chooser.flushed(but_last=True)]
                self.rows += rows
                state = {"state": self.chooser.anchored(), "after": [item.number, item.time_ns]}
                self.journal.append({"kept": entry, "rows": rows, "zero": self.reading.zero, **state})
        if self.chooser.consider():
            self.held = item

    def _taken_up(self) -> tuple[int, int] | None:
        """Read the journal of an interrupted run, as far as its pictures are there."""
        lines, good = self.journal.lines(), []
        settings = asdict(self.choice)
        if not lines or lines[0].get("settings") != settings or lines[0].get("seen") != self.seen.names:
            for line in lines[1:]:
                (self.folder / Path(str(line.get("kept", {}).get("name", "."))).name).unlink(missing_ok=True)
            self.journal.begin([{"settings": settings, "seen": self.seen.names, "stem": self.stem}])
            return None
        self.stem = str(lines[0]["stem"])
        after = None
        for line in lines[1:]:
            try:
                name = Path(str(line["kept"]["name"])).name
                look = _look((self.folder / name).read_bytes(), name)
                chooser = Chooser(self.choice, line["state"])
                after = (int(line["after"][0]), int(line["after"][1]))
                rows, kept, zero = list(line["rows"]), dict(line["kept"]), line["zero"]
            except (OSError, InputError, KeyError, TypeError, ValueError, IndexError, AttributeError):
                break
            self.chooser, self.reading.zero = chooser, None if zero is None else int(zero)
            self.rows += rows
            self.kept.append(kept)
            self.seen.add(name, look)
            good.append(line)
        if len(good) + 1 < len(lines):
            self.journal.begin([lines[0], *good])
        return after if good else None

    def _settle(self) -> dict[str, Any] | None:
        """Keep the held frame or let it go; return its entry."""
        candidate, held = self.chooser.candidate, self.held
        self.held = None
        if candidate is None or held is None or not self.chooser.sharp():
            return None
        image = np.asarray(held.picture(), np.uint8)
        jpeg = _jpeg(image)
        name = f"{self.stem}-{round(held.time_ns / 1e6):08d}.jpg"
        look = _look(jpeg, name)
        alike = self.seen.find(look, known=tuple(candidate.shares))
        row = next(r for r in self.chooser.rows if r.number == candidate.number)
        if not self.chooser.settle(name, alike):
            return None
        shares = {
            k: round(max(candidate.shares.get(k, 0.0), alike.get(k, 0.0)), 3) for k in {**candidate.shares, **alike}
        }
        entry = {
            "name": name, "video": self.path.name, "time_s": round(held.time_ns / 1e9, 6), "number": held.number,
            "stamp_ns": held.time_ns, "group": "", "sharpness": round(row.sharpness, 3),
            "relative_sharpness": round(row.relative, 3), "clipped": round(row.clipped, 4),
            "shared": round(row.shared, 3), "shares": shares, "why": _why(row, shares),
            "width_px": int(image.shape[1]), "height_px": int(image.shape[0]),
        }  # fmt: skip
        if self.optics is not None:
            from swardwright.frames.ground import sampling_distance_m

            o, wide = self.optics, max(image.shape[:2])
            entry["metres_per_px"] = sampling_distance_m(o.sensor_width_m, o.height_m, o.focal_length_m, wide)
        write_whole(self.folder / name, jpeg, sync=False)
        self.seen.add(name, look)
        self.kept.append(entry)
        return entry

    def _entered(self) -> None:
        counts = Counter(str(r["reason"]) for r in self.rows)
        self.index.frames += self.kept
        places = groups([f["name"] for f in self.index.frames], {f["name"]: f["shares"] for f in self.index.frames})
        for frame in self.index.frames:
            frame["group"] = places[frame["name"]]
        self.index.videos.append({
            "name": self.path.name, "hash": self.key, "stem": self.stem,
            "seconds": round(self.reading.last_ns / 1e9, 3), "pictures_found": len(self.rows), "kept": len(self.kept),
            "left_out": {r: counts[r] for r in REASONS if counts[r]}, "notes": list(self.reading.notes()),
            "table": f"{self.stem}.csv",
        })  # fmt: skip
        write_whole(self.folder / f"{self.stem}.csv", _table(self.rows, {k["number"]: k["name"] for k in self.kept}))
        settle_on_disk([self.folder / k["name"] for k in self.kept])
        write_index(self.folder, self.index)
        self.journal.done()


def _why(row: Row, shares: dict[str, float]) -> str:
    new = f"{100 * (1 - row.shared):.0f} % new ground" if shares else "ground that no earlier picture shows"
    return f"{new}; sharpest of its neighbours that show it ({row.relative:.2f} of their median)"


def _table(rows: list[dict[str, Any]], names: dict[int, str]) -> bytes:
    stream = io.StringIO(newline="")
    columns = [f.name for f in fields(Row)]
    writer = csv.writer(stream)
    writer.writerow([*columns, "name"])
    for row in rows:
        values = [round(v, 5) if isinstance(v, float) else v for v in (row[c] for c in columns)]
        writer.writerow([*values, names.get(int(row["number"]), "")])
    return stream.getvalue().encode()


__all__ = ["KEPT", "Optics", "choose_from_videos", "footage_of_video"]

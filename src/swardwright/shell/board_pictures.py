"""Pictures of a calibration board as the sensor took them, from files, folders, robot logs and video."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import RecordingError
from swardwright.domain.site import Topics

if TYPE_CHECKING:
    from swardwright.locating.calibration.boards import Board, BoardView

Image = NDArray[np.uint8]
Named = Iterator[tuple[str, Image | None]]
#: pictures of one recording that are looked at, evenly spread, and views that are kept, the most different ones
LOOKED_AT, VIEWS_MAX = 240, 60
#: views whose outer corners all lie within this share of the picture's longer side of each other are the same view
SAME_SHARE = 0.01


@dataclass(frozen=True)
class Found:
    """Views of a board, and why other pictures gave none."""

    views: tuple[BoardView, ...]
    pictures: int
    left_out: dict[str, int]


def find_views(sources: Sequence[Path], board: Board, topic: str | None, progress: Callable[[int, int], None]) -> Found:
    """Find the board in pictures.

    Parameters
    ----------
    sources : Sequence[Path]
        Picture files, folders of pictures, robot logs, videos.
    topic : str | None
        The image stream of a robot log; None: the only one.

    Raises
    ------
    RecordingError
        If a source cannot be read, or no picture shows the board.
    """
    from swardwright.locating.calibration.boards import look_for_board

    left_out: Counter[str] = Counter()
    views, pictures = [], 0
    read = [_images(source, topic, left_out) for source in dict.fromkeys(sources)]
    total = sum(count for count, _ in read)
    for _, images in read:
        for name, image in images:
            pictures += 1
            progress(pictures, total)
            if image is None:
                left_out["pictures that cannot be decoded"] += 1
                continue
            view, reason = look_for_board(image, board, name=name)
            if view is None:
                left_out[reason] += 1
            else:
                views.append(view)
    if not views:
        why = "; ".join(f"{n} x {reason}" for reason, n in left_out.most_common(3))
        raise RecordingError(f"the {board} was found in no picture", where=sources[0].name,
                             value=f"{pictures} pictures: {why}" if why else f"{pictures} pictures",
                             remedy="check the number of corners; take the whole board into the picture")  # fmt: skip
    kept = _spread(views)
    if len(kept) < len(views):
        left_out["views like others that were kept"] += len(views) - len(kept)
    return Found(tuple(kept), pictures, dict(sorted(left_out.items())))


def _images(source: Path, topic: str | None, left_out: Counter[str]) -> tuple[int, Named]:
    from swardwright.footage import LOGS, VIDEOS, open_source
    from swardwright.footage.folder import SUFFIXES, PictureFolder
    from swardwright.footage.robot_log import RobotLog

    suffix = source.suffix.lower()
    if source.is_file() and suffix in SUFFIXES:
        return 1, _decoded([source])
    if source.is_file() and suffix not in (*LOGS, *VIDEOS):
        raise RecordingError("this kind of file cannot show a board", where=source.name, value=suffix or "no suffix",
                             limit=", ".join((*SUFFIXES, *LOGS, *VIDEOS)),
                             remedy="give pictures, a folder of them, a robot log or a video")  # fmt: skip
    opened = open_source(source)
    if isinstance(opened, PictureFolder):
        files = sorted(p for p in source.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
        if not files:
            raise RecordingError("the folder has no pictures", where=source.name, limit=", ".join(SUFFIXES),
                                 remedy="give pictures, a robot log or a video")  # fmt: skip
        chosen = _evenly(len(files), left_out)
        return len(chosen), _decoded([files[i] for i in chosen])
    if isinstance(opened, RobotLog):
        return _logged(source, topic, left_out)
    return _filmed(source, left_out)


def _evenly(count: int, left_out: Counter[str]) -> list[int]:
    """Return at most ``LOOKED_AT`` numbers below ``count``, evenly spread."""
    chosen = sorted({int(i) for i in np.linspace(0, count - 1, min(count, LOOKED_AT)).round()}) if count else []
    if len(chosen) < count:
        left_out["pictures between those looked at"] += count - len(chosen)
    return chosen


def _decoded(files: Sequence[Path]) -> Named:
    """Yield pictures as the sensor took them: never turned upright, the calibration is the sensor's."""
    from swardwright.footage.picture import UnreadablePictureError, decode
    from swardwright.footage.streams import MAX_MESSAGE_BYTES

    for file in files:
        try:
            if file.stat().st_size > MAX_MESSAGE_BYTES:
                raise RecordingError("a picture file is too large", where=file.name, limit=f"{MAX_MESSAGE_BYTES} bytes",
                                     remedy="leave the picture out")  # fmt: skip
            yield file.name, decode(file.read_bytes())
        except UnreadablePictureError:
            yield file.name, None
        except OSError as error:
            raise RecordingError(f"the picture cannot be read ({error.strerror})", where=file.name,
                                 remedy="check the path and its permissions") from error  # fmt: skip


def _logged(path: Path, topic: str | None, left_out: Counter[str]) -> tuple[int, Named]:
    """Return the pictures of a robot log; unlike a survey it needs neither poses nor a calibrated camera."""
    from swardwright.footage.bag import Bag
    from swardwright.footage.picture import UnreadablePictureError, decode, decode_raw
    from swardwright.footage.robot_log import COMPRESSED, RAW, find_topic

    with Bag(path) as bag:
        streams = bag.streams()
        try:
            name = find_topic(streams, topic, (COMPRESSED, RAW), "image", path.name)
        except RecordingError as error:
            raise RecordingError(error.what, where=error.where, field="--topic", value=error.value, limit=error.limit,
                                 remedy="name the camera's stream with --topic") from error  # fmt: skip
        count = sum(s.count for s in streams if s.topic == name)
    if name is None:
        raise RecordingError("the recording has no pictures", where=path.name, remedy="record the camera's pictures")
    wanted = set(_evenly(count, left_out))

    def images() -> Named:
        with Bag(path) as bag:
            for number, (_, kind, message) in enumerate(bag.messages({name})):
                if number not in wanted:
                    continue
                data = np.asarray(message.data, np.uint8)
                try:
                    yield f"picture {number}", (
                        decode(data.tobytes()) if kind == COMPRESSED
                        else decode_raw(str(message.encoding), int(message.width), int(message.height),
                                        int(message.step), data, path.name)
                    )  # fmt: skip
                except UnreadablePictureError:
                    yield f"picture {number}", None

    return len(wanted), images()


def _filmed(path: Path, left_out: Counter[str]) -> tuple[int, Named]:
    from swardwright.domain.frame import Frame
    from swardwright.footage.streams import Wanted
    from swardwright.footage.video import Video

    video = Video(path)
    streams = video.streams(Wanted(Topics(), (), None, 1.0, True, None))
    left_out.update(streams.left_out)
    chosen = [streams.pictures[i] for i in _evenly(len(streams.pictures), left_out)]
    frames = [Frame(f"picture {p.number}", path.name, p.stamp_ns, p.name, p.size_px) for p in chosen]
    return len(frames), ((frame.id, image) for frame, image in video.pictures(frames))


def _spread(views: list[BoardView]) -> list[BoardView]:
    """Return at most ``VIEWS_MAX`` views, each the most different from those before, and none twice.

    A board that stands still before a camera that films it gives one view many times: its corners err alike each time,
    so the copies would only feign evidence.
    """
    shape = np.array([_shape(v) for v in views])
    same_px = SAME_SHARE * max(views[0].size_px)
    chosen = [0]
    far = np.abs(shape - shape[0]).max(axis=1)
    while len(chosen) < VIEWS_MAX and far.max() > same_px:
        chosen.append(int(np.argmax(far)))
        far = np.minimum(far, np.abs(shape - shape[chosen[-1]]).max(axis=1))
    return [views[i] for i in sorted(chosen)]


def _shape(view: BoardView) -> NDArray[np.float64]:
    """Return where the board's outer corners lie in the picture, (8,), px, by its homography."""
    import cv2

    homography, _ = cv2.findHomography(view.points_m[:, :2], view.pixels)
    low, high = view.points_m[:, :2].min(axis=0), view.points_m[:, :2].max(axis=0)
    corners = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return np.asarray(cv2.perspectiveTransform(corners[:, None], homography), dtype=float).ravel()


__all__ = ["Found", "find_views"]

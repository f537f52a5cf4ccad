"""Video to pictures, upright. A video says nothing about where it was taken: it is for teaching and detecting only."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Frame
from swardwright.footage.picture import check_pixels, image_sharpness
from swardwright.footage.streams import MAX_PICTURES, Image, RawPicture, Streams, Wanted

#: pictures taken in per second of video: neighbours in a video show the same plants
PICTURES_PER_S = 4.0
BETWEEN = f"video pictures between those taken in ({PICTURES_PER_S:g} a second)"


class Video:
    """An MP4 or MOV file. See ``streams.Source``."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def _frames(self) -> Iterator[tuple[int, int, Any]]:
        """Yield number, time (ns) and decoded frame."""
        import av

        if self.path.stat().st_size == 0:
            raise RecordingError("the file is empty", where=self.path.name, remedy="copy it again from the camera")
        try:
            with av.open(str(self.path)) as container:
                if not container.streams.video:
                    raise RecordingError("the file has no video", where=self.path.name,
                                         remedy="give an MP4 or MOV video")  # fmt: skip
                stream = container.streams.video[0]
                check_pixels(int(stream.codec_context.width), int(stream.codec_context.height))
                stream.thread_type = "AUTO"
                zero: int | None = None
                for number, frame in enumerate(container.decode(stream)):
                    if frame.pts is None or frame.time_base is None:
                        raise RecordingError("a video picture carries no time", where=self.path.name, value=number)
                    stamp = round(frame.pts * frame.time_base * 1_000_000_000)
                    zero = stamp if zero is None else zero
                    yield number, stamp - zero, frame
        except av.FFmpegError as error:
            raise RecordingError(
                "the video is cut, damaged or of an unknown kind", where=self.path.name,
                value=str(error.strerror or type(error).__name__), remedy="copy it again from the camera",
            ) from error  # fmt: skip

    def streams(self, wanted: Wanted) -> Streams:
        """Take the video apart; see ``streams.Source.streams``."""
        import av

        out, due = Streams(), 0
        with _opened(self.path, av) as container:
            total = int(container.streams.video[0].frames) if container.streams.video else 0
        for number, stamp, frame in self._frames():
            out.pictures_found += 1
            if wanted.progress is not None and number % 50 == 0:
                wanted.progress(number + 1, max(total, number + 1))
            if stamp < due or not wanted.pictures:
                out.left_out[BETWEEN] += wanted.pictures
                continue
            due = stamp + round(0.999e9 / PICTURES_PER_S)
            image = upright(frame)
            height, width = image.shape[:2]
            out.pictures.append(RawPicture(number, stamp, self.path.name, (width, height), image_sharpness(image)))
            if len(out.pictures) > MAX_PICTURES:
                raise RecordingError("the video is too long", where=self.path.name, limit=f"{MAX_PICTURES} pictures",
                                     remedy="split it")  # fmt: skip
        if not out.pictures_found:
            raise RecordingError("the video has no pictures", where=self.path.name, remedy="copy it again")
        return out

    def pictures(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Image]]:
        """Yield the frames' pictures in the order of the video."""
        asked = {f.stamp_ns: f for f in frames}
        if not asked:
            return
        for _, stamp, frame in self._frames():
            wanted = asked.pop(stamp, None)
            if wanted is not None:
                yield wanted, upright(frame)
            if not asked:
                return
        raise RecordingError("a picture taken in earlier is no longer in the video", where=self.path.name,
                             field=next(iter(asked.values())).id, remedy="take the video in again")  # fmt: skip


def _opened(path: Path, av: Any) -> Any:
    try:
        return av.open(str(path))
    except av.FFmpegError as error:
        empty = path.stat().st_size == 0
        raise RecordingError(
            "the file is empty" if empty else "the video is cut, damaged or of an unknown kind", where=path.name,
            value=None if empty else str(error.strerror or type(error).__name__),
            remedy="copy it again from the camera",
        ) from error  # fmt: skip


def upright(frame: Any) -> Image:
    """Return a decoded frame red-green-blue (height, width, 3), turned as its rotation flag says."""
    image = frame.to_ndarray(format="rgb24")
    quarter_turns = round(float(getattr(frame, "rotation", 0) or 0) / 90.0) % 4
    return np.ascontiguousarray(np.rot90(image, quarter_turns), dtype=np.uint8)

"""Video to pictures, upright. A video says nothing about where it was taken: it is for teaching and detecting only."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from swardwright.domain.errors import RecordingError
from swardwright.domain.frame import Frame
from swardwright.footage.picture import image_sharpness
from swardwright.footage.streams import MAX_PICTURES, Image, RawPicture, Streams, Wanted
from swardwright.footage.video_picture import upright
from swardwright.footage.video_reading import Decoded, VideoReading

#: pictures taken in per second of video: neighbours in a video show the same plants
PICTURES_PER_S = 4.0
BETWEEN = f"video pictures between those taken in ({PICTURES_PER_S:g} a second)"


class Video:
    """An MP4 or MOV file. See ``streams.Source``."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.reading = VideoReading(path)

    def _frames(self) -> Iterator[tuple[int, int, Decoded]]:
        """Yield number, time (ns) and decoded frame."""
        self.reading = VideoReading(self.path)
        for item in self.reading.frames():
            yield item.number, item.time_ns, item

    def streams(self, wanted: Wanted) -> Streams:
        """Take the video apart; see ``streams.Source.streams``."""
        out, due = Streams(), 0
        for number, stamp, frame in self._frames():
            out.pictures_found += 1
            if wanted.progress is not None and number % 50 == 0:
                wanted.progress(number + 1, max(self.reading.stated_frames, number + 1))
            if stamp < due or not wanted.pictures:
                out.left_out[BETWEEN] += wanted.pictures
                continue
            due = stamp + round(0.999e9 / PICTURES_PER_S)
            image = frame.picture()
            height, width = image.shape[:2]
            out.pictures.append(RawPicture(number, stamp, self.path.name, (width, height), image_sharpness(image)))
            if len(out.pictures) > MAX_PICTURES:
                raise RecordingError("the video is too long", where=self.path.name, limit=f"{MAX_PICTURES} pictures",
                                     remedy="split it")  # fmt: skip
        out.notes.extend(self.reading.notes())
        return out

    def pictures(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Image]]:
        """Yield the frames' pictures in the order of the video."""
        asked = {f.stamp_ns: f for f in frames}
        if not asked:
            return
        for _, stamp, frame in self._frames():
            wanted = asked.pop(stamp, None)
            if wanted is not None:
                yield wanted, frame.picture()
            if not asked:
                return
        raise RecordingError("a picture taken in earlier is no longer in the video", where=self.path.name,
                             field=next(iter(asked.values())).id, remedy="take the video in again")  # fmt: skip


__all__ = ["Video", "upright"]

"""Video files opened with care: known containers only, bounded, and read on past damage as far as it can be decoded.

The file's own first bytes say what it is, never its name, and only that one reader is tried: a text that lists other
files or addresses is not a video. Times are presentation times, so that a variable frame rate needs no care elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from swardwright.domain.errors import RecordingError
from swardwright.footage.picture import check_pixels
from swardwright.footage.video_picture import squared, turn, upright

#: bounds on outside data
MAX_VIDEO_PIXELS = 40_000_000
MAX_VIDEO_FRAMES = 1_000_000
MAX_VIDEO_S = 6 * 3600.0
#: so many packets in a row that cannot be decoded end the reading
MAX_BAD_PACKETS = 2000
_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
KINDS = "MP4, MOV, M4V, MKV or AVI"


@dataclass(frozen=True, eq=False)
class Decoded:
    """One decoded frame: count from 0, time since the video's first frame (ns), and the decoder's own object."""

    number: int
    time_ns: int
    frame: Any
    #: width of a pixel over its height, before turning
    aspect: float = 1.0

    def picture(self) -> Any:
        """Return it red-green-blue, 8 bit, upright, pixels square."""
        return squared(upright(self.frame), self.aspect, turn(self.frame)[0])


def container_of(path: Path) -> str:
    """Return the reader for what the file's first bytes say it is.

    Raises
    ------
    RecordingError
        If it is not there, a folder, empty, or no video of a known kind.
    """
    if not path.exists():
        raise RecordingError("there is no such video", where=str(path), remedy="check the path")
    if not path.is_file():
        raise RecordingError("this is a folder, not a video", where=str(path),
                             remedy="name the videos themselves")  # fmt: skip
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except OSError as error:
        raise RecordingError(f"the file cannot be read ({error.strerror})", where=str(path),
                             remedy="check its permissions") from error  # fmt: skip
    if not head:
        raise RecordingError("the file is empty", where=path.name, remedy="copy it again from the camera")
    if head[4:8] in _BOXES:
        return "mp4"
    if head[:4] == b"\x1aE\xdf\xa3":
        return "matroska"
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        return "avi"
    raise RecordingError("the file is not a video", where=path.name, limit=KINDS,
                         remedy="give a video as the camera wrote it")  # fmt: skip


class VideoReading:
    """One pass through a video; ``found``, ``bad_packets`` and ``notes`` say afterwards how it went."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.found = 0
        self.bad_packets = 0
        self.damaged = 0
        self.last_ns = 0
        self.stated_s = 0.0
        self.stated_frames = 0
        self.broke: str | None = None
        self.zero: int | None = None

    # -- opening -------------------------------------------------------------------------------------------------

    def _open(self) -> tuple[Any, Any]:
        import av

        kind = container_of(self.path)
        try:
            container = av.open(str(self.path), format=kind, options={"protocol_whitelist": "file"},
                                metadata_errors="ignore")  # fmt: skip
        except av.error.EOFError as error:
            raise self._none() from error
        except (av.FFmpegError, ValueError) as error:
            raise self._unknown(str(getattr(error, "strerror", None) or type(error).__name__)) from error
        streams = [s for s in container.streams.video if not int(s.disposition) & 0x400]  # no cover pictures
        if not streams:
            container.close()
            raise RecordingError("the file has no video", where=self.path.name, remedy="give an MP4 or MOV video")
        known = [s for s in streams if s.codec_context is not None]
        try:
            if not known:
                raise RecordingError("the video's kind of coding is not known", where=self.path.name,
                                     remedy="export it as H.264 or H.265 in MP4")  # fmt: skip
            stream = max(known, key=lambda s: (s.width or 0) * (s.height or 0))
            self._check_size(int(stream.width or 0), int(stream.height or 0))
            seconds = float(stream.duration * stream.time_base) if stream.duration else 0.0
            seconds = seconds or (float(container.duration) / 1e6 if container.duration else 0.0)
            if seconds > MAX_VIDEO_S:
                raise RecordingError("the video is too long", where=self.path.name, value=f"{seconds / 3600:.1f} h",
                                     limit=f"{MAX_VIDEO_S / 3600:g} h", remedy="split it")  # fmt: skip
        except BaseException:
            container.close()
            raise
        self.stated_s, self.stated_frames = max(0.0, seconds), max(0, int(stream.frames or 0))
        stream.thread_type = "AUTO"
        return container, stream

    def _check_size(self, width: int, height: int) -> None:
        if width * height > MAX_VIDEO_PIXELS or max(width, height) > 16_384:
            raise RecordingError("the video's pictures are too large", where=self.path.name,
                                 value=f"{width} x {height}", limit=f"{MAX_VIDEO_PIXELS} pixels",
                                 remedy="export it smaller")  # fmt: skip
        check_pixels(width, height)

    def _none(self) -> RecordingError:
        return RecordingError("the video has no pictures", where=self.path.name,
                              remedy="copy it again from the camera")  # fmt: skip

    def _unknown(self, value: str) -> RecordingError:
        return RecordingError("the video is cut, damaged or of an unknown kind", where=self.path.name, value=value,
                              remedy="copy it again from the camera")  # fmt: skip

    # -- reading -------------------------------------------------------------------------------------------------

    def frames(self, after: tuple[int, int] | None = None) -> Iterator[Decoded]:
        """Yield decoded frames in order of time.

        Parameters
        ----------
        after : tuple[int, int] | None
            Number and time (ns) of a frame to go on from; that frame itself comes first.

        Raises
        ------
        RecordingError
            If nothing can be decoded, or the video is beyond the bounds.
        """
        if after is not None:
            number = after[0]
            ready = False
            for item in self._decoded(after[1]):
                if not ready and item.time_ns > after[1]:
                    break  # the jump went too far: read from the start
                if item.time_ns == after[1]:
                    ready = True
                if ready:
                    yield Decoded(number, item.time_ns, item.frame, item.aspect)
                    number += 1
            if ready:
                return
        for item in self._decoded(None):
            if after is None or item.number >= after[0]:
                yield item
        if not self.found:
            raise self._none()

    def _decoded(self, jump_ns: int | None) -> Iterator[Decoded]:
        import av

        container, stream = self._open()
        self.found, self.last_ns = 0, -1
        try:
            if jump_ns is not None and self.zero is not None and stream.time_base:
                target = self.zero + int(jump_ns / 1e9 / float(stream.time_base))
                try:
                    container.seek(max(target, 0), stream=stream, backward=True)
                except (av.FFmpegError, ValueError):
                    return
            step_ns = round(1e9 / float(stream.average_rate)) if stream.average_rate else 33_333_333
            for frame in self._raw(av, container, stream):
                self._check_size(int(frame.width), int(frame.height))
                if frame.pts is None or frame.time_base is None:
                    time_ns = self.last_ns + step_ns if self.last_ns >= 0 else 0
                else:
                    if self.zero is None:
                        self.zero = int(frame.pts)
                    time_ns = round((frame.pts - self.zero) * frame.time_base * 1_000_000_000)
                if time_ns <= self.last_ns:  # two pictures of one time, or time running backwards
                    self.damaged += 1
                    continue
                if self.found >= MAX_VIDEO_FRAMES or time_ns > MAX_VIDEO_S * 1e9:
                    raise RecordingError("the video is too long", where=self.path.name, value=f"{self.found} pictures",
                                         limit=f"{MAX_VIDEO_FRAMES} pictures, {MAX_VIDEO_S / 3600:g} h",
                                         remedy="split it")  # fmt: skip
                aspect = stream.sample_aspect_ratio or stream.codec_context.sample_aspect_ratio
                self.last_ns = time_ns
                self.found += 1
                yield Decoded(self.found - 1, time_ns, frame, float(aspect) if aspect else 1.0)
        finally:
            container.close()

    def _raw(self, av: Any, container: Any, stream: Any) -> Iterator[Any]:
        """Yield the decoder's frames; what cannot be decoded is counted and passed over."""
        self.bad_packets, self.damaged, self.broke = 0, 0, None
        bad = 0
        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except (av.FFmpegError, ValueError) as error:
                self.broke = str(getattr(error, "strerror", None) or type(error).__name__)
                packet = None
            try:
                yield from stream.decode(packet)  # None drains the decoder
                bad = 0
            except av.error.EOFError:
                return
            except (av.FFmpegError, ValueError) as error:
                self.bad_packets += 1
                bad += 1
                if bad >= MAX_BAD_PACKETS:
                    self.broke = str(getattr(error, "strerror", None) or type(error).__name__)
                    return
            if packet is None:
                return

    # -- afterwards ----------------------------------------------------------------------------------------------

    def notes(self) -> tuple[str, ...]:
        """Return what a person should know about the video, after the last frame."""
        told = []
        got_s = self.last_ns / 1e9
        if self.broke is not None or got_s < self.stated_s - max(0.5, 0.02 * self.stated_s):
            told.append(
                f"the video is cut short or damaged: {got_s:.1f} s"
                + (f" of {self.stated_s:.1f} s" if self.stated_s > got_s else "")
                + " could be read, and these are used; copy it again from the camera for the rest"
            )
        if self.bad_packets:
            told.append(f"{self.bad_packets} damaged pieces of the video were passed over")
        if self.damaged:
            told.append(f"{self.damaged} pictures without a time of their own were left out")
        return tuple(told)

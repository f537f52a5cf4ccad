"""Open a robot log (MCAP, ROS 2 bag folder or file, ROS 1 bag) and yield its standard messages.

Message definitions found inside a file are never turned into code: only the standard types of the fixed type store
are read, everything else is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from swardwright.domain.errors import RecordingError
from swardwright.footage.streams import MAX_MESSAGE_BYTES, MAX_MESSAGES

MAX_CHUNK_BYTES = 1_000_000_000
MAX_METADATA_BYTES = 20_000_000
_MCAP_MAGIC = b"\x89MCAP0\r\n"


@dataclass(frozen=True)
class Stream:
    """One topic: its name, message type (``package/msg/Name``) and number of messages."""

    topic: str
    kind: str
    count: int


class Bag:
    """A robot log opened for reading; use as a context manager.

    Raises
    ------
    RecordingError
        If the file is empty, cut, or not a robot log.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.where = path.name
        self._reader: Any = None
        self._types: Any = None

    def __enter__(self) -> Bag:
        from rosbags.typesys import Stores, get_typestore

        self._check_start()
        self._ros1 = self.path.suffix.lower() == ".bag"
        self._types = get_typestore(Stores.ROS1_NOETIC if self._ros1 else Stores.ROS2_HUMBLE)
        try:
            if self._ros1:
                from rosbags.rosbag1 import Reader as Reader1

                self._reader = Reader1(self.path)
            else:
                from rosbags.rosbag2 import Reader as Reader2

                self._reader = Reader2(self.path)
            self._reader.open()
        except Exception as error:
            raise self._broken(error) from error
        total = sum(s.count for s in self.streams())
        if total > MAX_MESSAGES:
            self._reader.close()
            raise RecordingError("the recording has too many messages", where=self.where, value=total,
                                 limit=MAX_MESSAGES, remedy="split the recording")  # fmt: skip
        return self

    def __exit__(self, *_: object) -> None:
        self._reader.close()

    def streams(self) -> tuple[Stream, ...]:
        """Return the topics, in order of name."""
        counts: dict[tuple[str, str], int] = {}
        for c in self._reader.connections:
            counts[c.topic, c.msgtype] = counts.get((c.topic, c.msgtype), 0) + int(c.msgcount)
        return tuple(Stream(topic, kind, n) for (topic, kind), n in sorted(counts.items()))

    def messages(self, topics: set[str]) -> Iterator[tuple[str, str, Any]]:
        """Yield ``(topic, message type, message)`` of ``topics`` in the order they were received."""
        chosen = [c for c in self._reader.connections if c.topic in topics and c.msgcount]
        if not chosen:
            return
        read = self._types.deserialize_ros1 if self._ros1 else self._types.deserialize_cdr
        rows = self._reader.messages(chosen)
        while True:
            try:
                connection, _, data = next(rows)
            except StopIteration:
                return
            except Exception as error:
                raise self._broken(error) from error
            if len(data) > MAX_MESSAGE_BYTES:
                raise RecordingError("a message is too large", where=self.where, field=connection.topic,
                                     value=f"{len(data)} bytes", limit=f"{MAX_MESSAGE_BYTES} bytes")  # fmt: skip
            try:
                message = read(data, connection.msgtype)
            except Exception as error:
                raise RecordingError(
                    "a message does not follow its standard definition", where=self.where, field=connection.topic,
                    value=connection.msgtype, remedy="record the standard message types",
                ) from error  # fmt: skip
            yield connection.topic, connection.msgtype, message

    def _broken(self, error: Exception) -> RecordingError:
        return RecordingError(
            "the recording cannot be read: it is cut, damaged or of an unsupported kind", where=self.where,
            value=str(error) or type(error).__name__,
            remedy="copy it again from the robot, or mend it with the tool that recorded it (re-index)",
        )  # fmt: skip

    def _check_start(self) -> None:
        """Refuse what is plainly not a robot log before a library opens it."""
        if self.path.is_dir():
            metadata = self.path / "metadata.yaml"
            if metadata.stat().st_size > MAX_METADATA_BYTES:
                raise RecordingError("the metadata is too large", where=f"{self.where}/metadata.yaml")
            files = [p for p in sorted(self.path.iterdir()) if p.suffix in (".mcap", ".db3")]
        else:
            files = [self.path]
        for file in files:
            where = file.name if file == self.path else f"{self.where}/{file.name}"
            with file.open("rb") as stream:
                start = stream.read(16)
            if not start:
                raise RecordingError("the file is empty", where=where, remedy="copy it again from the robot")
            wanted = {".mcap": _MCAP_MAGIC, ".bag": b"#ROSBAG V", ".db3": b"SQLite format 3"}[file.suffix.lower()]
            if not start.startswith(wanted):
                what = {".mcap": "an MCAP file", ".bag": "a ROS 1 bag", ".db3": "a ROS 2 bag"}[file.suffix.lower()]
                raise RecordingError(f"the file is not {what}", where=where, value=repr(start[:8]),
                                     limit=repr(wanted), remedy="give the file as the robot recorded it")  # fmt: skip
            if file.suffix.lower() == ".mcap":
                _check_chunks(file, where)


def _check_chunks(file: Path, where: str) -> None:
    """Refuse an MCAP file that is cut, or whose chunks would unpack beyond a bound."""
    from mcap.reader import make_reader

    try:
        with file.open("rb") as stream:
            summary = make_reader(stream).get_summary()
    except Exception as error:
        raise RecordingError(
            "the recording is cut: the MCAP file does not end as it must", where=where,
            value=str(error) or type(error).__name__,
            remedy="copy it again from the robot, or mend it with an MCAP tool (recover)",
        ) from error  # fmt: skip
    for chunk in summary.chunk_indexes if summary else ():
        if chunk.uncompressed_size > MAX_CHUNK_BYTES:
            raise RecordingError("a chunk of the recording would unpack beyond all bounds", where=where,
                                 value=f"{chunk.uncompressed_size} bytes", limit=MAX_CHUNK_BYTES)  # fmt: skip


def find_topic(
    streams: Sequence[Stream], name: str | None, kinds: tuple[str, ...], field: str, where: str
) -> str | None:
    """Return the topic that the site names, or the only one with messages of ``kinds``; None if there is none.

    Raises
    ------
    RecordingError
        If the named topic is missing or of another type, or if there are several and none is named.
    """
    candidates = [s for s in streams if s.kind in kinds and s.count]
    listed = ", ".join(s.topic for s in candidates) or "none"
    if name is not None:
        if name in (s.topic for s in candidates):
            return name
        raise RecordingError("the recording has no such stream", where=where, field=f"topics.{field}", value=name,
                             limit=f"one of: {listed}",
                             remedy=f"name one of these in site.toml under [topics] as {field}")  # fmt: skip
    if len(candidates) > 1:
        raise RecordingError("the recording has several streams that could be meant", where=where,
                             field=f"topics.{field}", value=listed, limit="one",
                             remedy=f"name one of these in site.toml under [topics] as {field}")  # fmt: skip
    return candidates[0].topic if candidates else None


def sole_topic(streams: Sequence[Stream], name: str | None, kind: str) -> str | None:
    """Return the named stream of that kind, or the only one; None if there is no saying which."""
    topics = [s.topic for s in streams if s.kind == kind and s.count and name in (None, s.topic)]
    return topics[0] if len(topics) == 1 else None

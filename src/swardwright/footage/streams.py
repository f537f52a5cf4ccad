"""What any kind of recording is turned into before poses are matched, and the bounds that keep it small."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.camera import Camera
from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array, Pose
from swardwright.domain.site import Topics

if TYPE_CHECKING:
    from swardwright.footage.imu import Imu

#: bounds on outside data; a recording beyond them is refused with a sentence
MAX_MESSAGE_BYTES = 256_000_000
MAX_MESSAGES = 20_000_000
MAX_PICTURES = 100_000
MAX_PIXELS = 120_000_000
MAX_CSV_BYTES = 50_000_000

Image = NDArray[np.uint8]
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class RawPicture:
    """One picture found in a recording.

    Attributes
    ----------
    number : int
        Count from 0 over all pictures of the recording, usable or not.
    stamp_ns : int
        Exposure time: header stamp of a log, time in a video, number for a folder.
    name : str
        Topic or file name by which it is found again.
    """

    number: int
    stamp_ns: int
    name: str
    size_px: tuple[int, int]
    sharpness: float


@dataclass(frozen=True, eq=False)
class Timed:
    """A stream of numbers: ``stamps_ns`` (n,) int64, strictly increasing; ``values`` (n, k)."""

    stamps_ns: NDArray[np.int64]
    values: Array

    def __len__(self) -> int:
        return len(self.stamps_ns)


@dataclass(eq=False)
class Streams:
    """A recording taken apart.

    Attributes
    ----------
    joints : Timed | None
        Joint positions in the wanted order, rad.
    odometry : Timed | None
        Columns x_m, y_m, yaw_rad in the odometry's own axes.
    gyro : Timed | None
        Columns z rate (rad/s) and its variance (rad2/s2; 0: not stated), base axes.
    imu : Imu | None
        All that the Imu gave, ``gyro`` included.
    fixes : Timed | None
        Columns latitude_deg, longitude_deg, height_m, and the east-north covariance ee, en, nn (m2; NaN: not stated).
    camera_poses : dict[int, Pose]
        ``ground_from_camera`` by picture number.
    left_out : Counter[str]
        Why pictures or poses were left out.
    """

    pictures: list[RawPicture] = field(default_factory=list)
    pictures_found: int = 0
    joints: Timed | None = None
    odometry: Timed | None = None
    gyro: Timed | None = None
    imu: Imu | None = None
    notes: list[str] = field(default_factory=list)
    fixes: Timed | None = None
    camera_poses: dict[int, Pose] = field(default_factory=dict)
    camera: Camera | None = None
    poses_found: int = 0
    left_out: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, eq=False)
class Wanted:
    """What the caller wants of a source."""

    topics: Topics
    joint_names: tuple[str, ...]
    camera: Camera | None
    pose_age_s: float
    pictures: bool
    progress: Progress | None


class Source(Protocol):
    """One kind of recording."""

    def streams(self, wanted: Wanted) -> Streams:
        """Take the recording apart; raise ``RecordingError`` if it cannot be used."""

    def pictures(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Image]]:
        """Yield the pictures of ``frames`` in the order of the recording, red-green-blue (height, width, 3)."""


@runtime_checkable
class Coded(Protocol):
    """A recording whose pictures lie in it one by one, and can be decoded elsewhere."""

    def coded(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Callable[[], Image]]]:
        """Yield the frames in the order of the recording, with what makes the picture of each (goes by pickle)."""

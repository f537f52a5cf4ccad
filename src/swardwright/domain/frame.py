"""Frames, what was left out of a recording, labels and detections."""

from __future__ import annotations

from dataclasses import dataclass

from swardwright.domain.camera import Camera
from swardwright.domain.poses import Array, BasePose, Pose, frozen
from swardwright.domain.uncertainty import check_covariance


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture kept from a recording.

    Either ``base`` with ``joints_rad`` (robot log) or ``ground_from_camera`` (pictures with poses) says where the
    camera was; with neither, the frame is for teaching only.

    Attributes
    ----------
    id : str
        Unique in the site: ``<recording>/<number>``.
    recording : str
        Name of the recording in the site's ``recordings/``.
    stamp_ns : int
        Exposure time, nanoseconds since the epoch (or since the start of a video).
    picture : str
        How the recording finds the picture again: topic or file name.
    size_px : tuple[int, int]
        Width, height.
    joints_rad : tuple[float, ...] | None
        In the arm's joint order.
    base_covariance : Array | None
        Shape (3, 3): covariance of ``x_m y_m yaw_rad`` in ground axes.
    sharpness : float
        Variance of the Laplacian at half size, unitless: compare within one recording only.
    stop : str | None
        Stop at which a frame of a round was taken.
    place : str | None
        Which of its recording's pieces of ground a video's frame shows: frames that share ground, directly or through
        others, are of one place; None: not known.
    """

    id: str
    recording: str
    stamp_ns: int
    picture: str
    size_px: tuple[int, int]
    base: BasePose | None = None
    base_covariance: Array | None = None
    joints_rad: tuple[float, ...] | None = None
    ground_from_camera: Pose | None = None
    sharpness: float = 0.0
    stop: str | None = None
    place: str | None = None

    def __post_init__(self) -> None:
        if self.base_covariance is not None:
            object.__setattr__(self, "base_covariance", check_covariance(self.base_covariance, "base_covariance"))


@dataclass(frozen=True)
class LeftOut:
    """Why pictures of a recording were not kept, counted: ``reason`` is one plain clause."""

    reason: str
    count: int


@dataclass(frozen=True, eq=False)
class Track:
    """Base poses at frame times with their joint information, as a chain.

    The error of ``poses`` is Gaussian with a block-tridiagonal information matrix (odometry links neighbours, fixes
    and the start pose tie single ones).

    Attributes
    ----------
    frame_ids : tuple[str, ...]
        In time order.
    poses : tuple[BasePose, ...]
        Smoothed means in ground axes.
    diagonal : Array
        Shape (n, 3, 3): diagonal blocks of the information matrix (x_m, y_m, yaw_rad).
    upper : Array
        Shape (n - 1, 3, 3): blocks (i, i + 1).
    shared : Array | None
        Shape (n, 3, s): loadings of s errors of the whole recording (unit normals, independent of the chain, such as
        the odometry's scale): the error of pose i is ``chain_i + shared_i @ m``; None: there are none.
    """

    frame_ids: tuple[str, ...]
    poses: tuple[BasePose, ...]
    diagonal: Array
    upper: Array
    shared: Array | None = None

    def __post_init__(self) -> None:
        if self.shared is not None:
            object.__setattr__(self, "shared", frozen(self.shared))
        object.__setattr__(self, "diagonal", frozen(self.diagonal))
        object.__setattr__(self, "upper", frozen(self.upper))


@dataclass(frozen=True)
class Footage:
    """What taking in one recording gave: kept frames, the camera as recorded, and what was left out and why."""

    recording: str
    frames: tuple[Frame, ...]
    camera: Camera | None
    left_out: tuple[LeftOut, ...]
    pictures_found: int
    poses_found: int
    distance_m: float
    track: Track | None = None
    #: what a person should know about the whole recording
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Label:
    """A person's word on a frame: crown (px), radius (px), kind."""

    frame_id: str
    u_px: float
    v_px: float
    radius_px: float
    kind: str


@dataclass(frozen=True)
class Detection:
    """The detector's word on a frame.

    Attributes
    ----------
    u_px, v_px, radius_px : float
        Crown and radius, pixels of the frame as recorded.
    probability : float
        That a plant of interest stands here.
    kinds : tuple[tuple[str, float], ...]
        Probability of each kind given that it is one, largest first; they add up to 1.
    crown_sd_px : float
        Standard deviation of the crown per axis as measured on labelled pictures; 0: the detector does not say.
    log_radius_sd : float
        The same of the radius's logarithm.
    """

    id: str
    frame_id: str
    u_px: float
    v_px: float
    radius_px: float
    probability: float
    kinds: tuple[tuple[str, float], ...]
    crown_sd_px: float = 0.0
    log_radius_sd: float = 0.0

    @property
    def kind(self) -> str:
        """The most probable kind."""
        return self.kinds[0][0]

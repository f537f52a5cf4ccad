"""Whether a picture shows ground that an earlier one showed, found again by what it looks like, from any direction.

Binary corner descriptors (ORB: Rublee et al. 2011), a few of each picture to find likely pictures, all of them with a
homography by RANSAC to be sure. A match needs many corners that agree on one homography, which different pieces of
turf, however alike, do not give.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.frames.moving import sane, shared_with

#: longer side of the picture described, px; corners kept of it, and those that look for likely pictures
LOOK_PX, CORNERS, SEEKERS = 560, 900, 150
#: likely pictures that are looked at closely
LIKELY = 4
#: Hamming distance, of 256 bits, at which two corners may be the same, and the ratio to the second best
ALIKE_BITS, RATIO = 64, 0.85
#: corners that must agree: this many, and this share of those matched
AGREE_MIN, AGREE_SHARE = 14, 0.25


@dataclass(frozen=True, eq=False)
class Look:
    """What a picture looks like: corners (n, 2) px of the reduced picture, descriptors (n, 32), its size."""

    points: NDArray[np.float32]
    bits: NDArray[np.uint8]
    width: int
    height: int


def look_of(grey: NDArray[np.uint8]) -> Look:
    """Return the look of a grey picture of any size, upright."""
    import cv2

    height, width = grey.shape
    scale = min(1.0, LOOK_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    reduced = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    corners, bits = cv2.ORB_create(CORNERS, fastThreshold=5).detectAndCompute(reduced, None)
    if bits is None:
        return Look(np.zeros((0, 2), np.float32), np.zeros((0, 32), np.uint8), *size)
    order = np.argsort([-c.response for c in corners], kind="stable")
    points = np.array([c.pt for c in corners], np.float32)
    return Look(points[order], np.asarray(bits, np.uint8)[order], *size)


def same_ground(a: Look, b: Look) -> float:
    """Return the share of ``a``'s ground that ``b`` shows too, 0 if nothing says that they share any."""
    import cv2

    if len(a.bits) < AGREE_MIN or len(b.bits) < AGREE_MIN:
        return 0.0
    pairs = [
        p[0] for p in cv2.BFMatcher(cv2.NORM_HAMMING).knnMatch(a.bits, b.bits, 2)
        if len(p) == 2 and p[0].distance <= ALIKE_BITS and p[0].distance < RATIO * p[1].distance
    ]  # fmt: skip
    if len(pairs) < AGREE_MIN:
        return 0.0
    cv2.setRNGSeed(1)
    of_a = np.array([a.points[p.queryIdx] for p in pairs])
    of_b = np.array([b.points[p.trainIdx] for p in pairs])
    matrix, agree = cv2.findHomography(of_a, of_b, cv2.RANSAC, 4.0, maxIters=1000)
    if agree is None or int(agree.sum()) < max(AGREE_MIN, AGREE_SHARE * len(pairs)):
        return 0.0
    matrix = None if matrix is None else np.asarray(matrix, float)
    if matrix is None or not sane(matrix, a.width, a.height) or not _spread(of_a[agree[:, 0] > 0], a):
        return 0.0
    return _inside(matrix, a, b)


def _spread(points: Array, look: Look) -> bool:
    """Corners that agree must not all sit in one spot: a repeated leaf is not the same ground."""
    return bool((points.std(axis=0) > 0.03 * min(look.width, look.height)).all())


def _inside(matrix: Array, a: Look, b: Look) -> float:
    stretch = np.diag([a.width / b.width, a.height / b.height, 1.0])  # shared_with wants equal sizes
    return shared_with(stretch @ matrix, [np.eye(3)], a.width, a.height)[0]


@dataclass(eq=False)
class Seen:
    """All pictures kept so far by name, to be searched."""

    names: list[str] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)

    def add(self, name: str, look: Look) -> None:
        """Remember a picture."""
        self.names.append(name)
        self.looks.append(look)

    def find(self, look: Look, known: tuple[str, ...] = ()) -> dict[str, float]:
        """Return the earlier pictures that share ground with this one, and the share of this one's ground.

        Parameters
        ----------
        known : tuple[str, ...]
            Pictures whose share is known already: they are not looked at.
        """
        wanted = [i for i in sorted(self._likely(look)) if self.names[i] not in known]
        shares = {self.names[i]: same_ground(look, self.looks[i]) for i in wanted}
        return {name: share for name, share in shares.items() if share > 0}

    def _likely(self, look: Look) -> set[int]:
        import cv2

        if not self.looks or len(look.bits) == 0:
            return set()
        seekers = [x.bits[:SEEKERS] for x in self.looks]
        owner = np.repeat(np.arange(len(seekers)), [len(s) for s in seekers])
        if not len(owner):
            return set()
        matches = cv2.BFMatcher(cv2.NORM_HAMMING).match(look.bits[:SEEKERS], np.concatenate(seekers))
        votes = np.bincount([owner[m.trainIdx] for m in matches if m.distance <= ALIKE_BITS], minlength=len(seekers))
        order = np.argsort(-votes, kind="stable")[:LIKELY]
        return {int(i) for i in order if votes[i] >= 2}


def groups(names: list[str], shares: dict[str, dict[str, float]], *, least: float = 0.02) -> dict[str, str]:
    """Return the place of every picture: those joined by shared ground, directly or through others, are one place.

    Parameters
    ----------
    names : list[str]
        In order; places are numbered by their first picture.
    shares : dict[str, dict[str, float]]
        For a picture, earlier ones and the share of ground that they have in common.
    """
    root = {name: name for name in names}

    def top(name: str) -> str:
        while root[name] != name:
            root[name] = root[root[name]]
            name = root[name]
        return name

    for name, others in shares.items():
        for other, share in others.items():
            if share >= least and name in root and other in root:
                root[top(name)] = top(other)
    number: dict[str, int] = {}
    return {name: f"place-{number.setdefault(top(name), len(number) + 1):03d}" for name in names}

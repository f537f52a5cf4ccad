"""Pictures that show the same ground, found from the pictures alone.

Three steps for each pair. *Match*: local features (Lowe 2004, "Distinctive image features from scale-invariant
keypoints", with the square root of Arandjelovic and Zisserman 2012). *Fit*: where the same ground is seen, matches
agree on how far the picture is turned and zoomed (Jegou, Douze and Schmid 2008, "Hamming embedding and weak geometric
consistency"); for each of the turns and zooms that most agree on, a turn, zoom and shift by random sampling, which
goes no further if chance gives one as good (Moisan and Stival 2004). *Check*: the second picture is laid over the
first, and both are compared twice. In *marks* of one to five hundredths of the side (plants, leaves, bare spots,
clods) over the whole overlap: what only repeats in its grain (the same patch of turf, a print) differs there. In
*grain* block by block: what agrees in places only (the robot's own shadow, a speck on the lens) agrees in a few blocks;
the same ground agrees nearly everywhere the two overlap. What block correlation chance gives is measured on the same
pair, between blocks that do not belong together. (Papers cited from memory.)

Ground that has changed between two days (mown, grown, wet) is not recognised: keep those apart by folder or recording.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]
Progress = Callable[[str, int, int], None]

#: part of every cache key: what was kept by another version is made again
VERSION = 3
#: pictures are shrunk to this longer side: 3 to 4 mm of ground per pixel from 1 m up; finer, noise and blur rule
SIDE_PX = 384
FEATURES = 600
#: descriptors are compared in their strongest directions, so many
DIRECTIONS = 64
#: pairs whose features are matched in one go
AT_ONCE = 16
#: a turn of 15 degrees and a quarter of an octave of zoom are one bin; neighbouring bins are taken together
TURNS, ZOOMS = 24, 16
#: a fit's features may be off by this share of the longer side (lens distortion, parallax of plants)
FIT_SHARE = 0.02
#: expected number of pairs of different ground with so good a fit by chance, over all pairs of the set
CHANCE_FITS = 1.0
#: turns and zooms that are tried for a pair, the one with most matches first
FITS = 5
#: marks lie between these two scales (standard deviations of a Gaussian, shares of the longer side)
MARKS = (1 / 77, 4 / 77)
#: least correlation of the marks over the overlap: the smallest overlap has some 60 places for one, so that chance
#: gives 0 with a standard deviation of 0.13
MARKS_MIN = 0.4
#: share of the blocks in the overlap that must agree, and least correlation of a block that does
AGREE_MIN, BLOCK_MIN = 0.60, 0.30
#: less ground in common than this (share of the picture that shows less ground) is not called a copy
SHARED_MIN = 0.20
#: and the ground that agrees must be at least this share
AGREED_GROUND_MIN = 0.15
BLOCKS_ACROSS = 8
MAX_PICTURES = 5000


@dataclass(frozen=True, eq=False)
class Look:
    """What is kept of a picture to recognise its ground.

    Attributes
    ----------
    grey : Image
        Shape (rows, columns), the longer side ``SIDE_PX``.
    points : Floats
        Shape (n, 2): features, pixels of ``grey``, strongest first.
    turn_rad, zoom_log2 : Floats
        Shape (n,): direction and size (octaves) of each.
    words : NDArray[uint8]
        Shape (n, 128): descriptors.
    """

    grey: Image
    points: Floats
    turn_rad: Floats
    zoom_log2: Floats
    words: Image


@dataclass(frozen=True)
class NearCopy:
    """Two pictures that show the same ground.

    Attributes
    ----------
    shared : float
        Ground in common as a share of the picture that shows less ground, 0 to 1.
    agreement : float
        Share of the blocks in the overlap that look the same.
    turn_rad, zoom : float
        How the second picture is turned and zoomed against the first.
    """

    first: str
    second: str
    shared: float
    agreement: float
    turn_rad: float
    zoom: float


def look_of(image: Image) -> Look:
    """Return what is kept of a picture, shape (rows, columns) grey or (rows, columns, 3) red-green-blue."""
    import cv2

    if image.ndim not in (2, 3) or min(image.shape[:2]) < 16 or image.dtype != np.uint8:
        raise InputError("the picture is too small or of a strange sort to be compared", value=str(image.shape),
                         limit="16 x 16 px or more, 8 bit", remedy="leave it out")  # fmt: skip
    scale = SIDE_PX / max(image.shape[:2])
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    size = tuple(max(16, round(side * scale)) for side in (image.shape[1], image.shape[0]))
    grey = cv2.resize(image, size, interpolation=way)
    if grey.ndim == 3:
        grey = cv2.cvtColor(np.ascontiguousarray(grey[..., :3]), cv2.COLOR_RGB2GRAY)
    found, words = cv2.SIFT_create(nfeatures=FEATURES, contrastThreshold=0.01).detectAndCompute(grey, None)
    if words is None:
        found, words = (), np.zeros((0, 128), np.float32)
    order = np.argsort([-k.response for k in found], kind="stable")[:FEATURES].astype(int)
    words = np.sqrt(words / np.maximum(words.sum(axis=1, keepdims=True), 1e-9))
    return Look(
        np.asarray(grey, np.uint8),
        np.array([found[i].pt for i in order], np.float32).reshape(-1, 2),
        np.radians(np.array([found[i].angle for i in order], np.float32)),
        np.log2(np.maximum(np.array([found[i].size for i in order], np.float32), 1e-3)),
        np.clip(np.round(255.0 * words[order]), 0, 255).astype(np.uint8),
    )


def near_copies(
    looks: Mapping[str, Look],
    places: Mapping[str, str] | None = None,
    progress: Progress | None = None,
    *,
    threads: int = 1,
) -> tuple[NearCopy, ...]:
    """Return the pairs of pictures that show the same ground.

    Parameters
    ----------
    looks : Mapping[str, Look]
        By name of picture.
    places : Mapping[str, str], optional
        Pictures of the same place are not compared with each other.
    progress : Callable, optional
        Called with (what is done, done, of).
    threads : int
        Pairs looked at side by side; the result does not depend on it.

    Raises
    ------
    InputError
        If there are more than ``MAX_PICTURES``: every picture is compared with every other.
    """
    names = sorted(looks)
    if len(names) > MAX_PICTURES:
        raise InputError("too many pictures to compare each with each", value=len(names), limit=MAX_PICTURES,
                         remedy="teach from fewer, or choose frames with less overlap")  # fmt: skip
    numbers = {place: i for i, place in enumerate(sorted(set(places[n] for n in names)))} if places else {}
    group = [numbers[places[n]] for n in names] if places else list(range(len(names)))
    tests = max(1, len(names) * (len(names) - 1) // 2)
    words = _shortened([looks[n].words for n in names])
    bands: dict[int, tuple[Floats, Floats]] = {}  # made when first asked for; two threads may make the same twice

    def of(index: int) -> tuple[Floats, Floats]:
        if index not in bands:
            bands[index] = _grain_and_marks(looks[names[index]].grey)
        return bands[index]

    def verified(i: int, j: int, likeness: Floats) -> NearCopy | None:
        for fit in _fits(looks[names[i]], looks[names[j]], likeness, CHANCE_FITS / tests):
            if (seen := _checked(of(i), of(j), fit)) is not None:
                return NearCopy(names[i], names[j], *seen)
        return None

    found: list[NearCopy] = []
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for i in range(len(names)):
            if progress is not None:
                progress("comparing pictures", i + 1, len(names))
            others = [j for j in range(i + 1, len(names)) if group[i] != group[j]]
            for start in range(0, len(others), AT_ONCE):
                some = others[start : start + AT_ONCE]
                # one product for many pairs: a product in each thread would start threads of its own
                parts = np.split(words[i] @ np.concatenate([words[j] for j in some]).T,
                                 np.cumsum([len(words[j]) for j in some])[:-1], axis=1)  # fmt: skip
                found += [c for c in pool.map(verified, itertools.repeat(i), some, parts) if c is not None]
            bands.pop(i, None)
    return tuple(found)


def _shortened(words: Sequence[Image]) -> list[Floats]:
    """Return descriptors (n, 128) in the directions in which all of them spread most, length 1, (n, DIRECTIONS)."""
    some = np.concatenate([w[:: max(1, len(words) // 80)] for w in words]) if words else np.zeros((0, 128), np.uint8)
    if len(some) < 2:
        return [np.zeros((len(w), DIRECTIONS), np.float32) for w in words]
    mean = some.mean(axis=0, dtype=np.float32)
    _, axes = np.linalg.eigh(np.cov((some - mean).T))
    axes = axes[:, -DIRECTIONS:].astype(np.float32)
    short = [(w - mean) @ axes for w in words]
    return [w / np.maximum(np.linalg.norm(w, axis=1, keepdims=True), 1e-9) for w in short]


def _bins(turn: Floats, zoom: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    t = np.floor(np.mod(turn / (2 * math.pi), 1.0) * TURNS).astype(np.int64) % TURNS
    return t, np.clip(np.round(4 * zoom) + ZOOMS // 2, 0, ZOOMS - 1).astype(np.int64)


def _fits(a: Look, b: Look, likeness: Floats, chance: float) -> Iterator[NDArray[np.float64]]:
    """Yield turns, zooms and shifts, shape (2, 3), from pixels of ``a`` to ``b``, that are better than chance.

    Parameters
    ----------
    likeness : Floats
        Shape (features of ``a``, features of ``b``).
    chance : float
        Expected number of fits as good between two pictures of unrelated features.
    """
    import cv2

    if min(len(a.points), len(b.points)) < 8:
        return
    best = likeness.argmax(axis=1)
    q = np.flatnonzero(likeness.argmax(axis=0)[best] == np.arange(len(best)))
    n = best[q]
    t, z = _bins(b.turn_rad[n] - a.turn_rad[q], b.zoom_log2[n] - a.zoom_log2[q])
    votes = np.bincount(t * ZOOMS + z, minlength=TURNS * ZOOMS).reshape(TURNS, ZOOMS)
    votes += np.roll(votes, -1, axis=0)  # each bin together with the next turn and the next zoom
    votes[:, :-1] += votes[:, 1:].copy()
    gate = FIT_SHARE * SIDE_PX
    for _ in range(FITS):
        at = np.unravel_index(int(votes.argmax()), votes.shape)
        near = (np.mod(t - at[0] + 1, TURNS) <= 3) & (z >= at[1] - 1) & (z <= at[1] + 2)
        if near.sum() < 6:
            return
        fit, used = cv2.estimateAffinePartial2D(
            a.points[q[near]], b.points[n[near]], ransacReprojThreshold=gate, maxIters=1000, confidence=0.999
        )
        share = math.pi * gate**2 / float(b.grey.size)
        if fit is not None and _fits_by_chance(int(near.sum()), int(used.sum()), share) <= chance:
            yield fit
        votes[np.mod(at[0] + np.arange(-2, 3), TURNS)[:, None], np.clip(at[1] + np.arange(-2, 3), 0, ZOOMS - 1)] = 0


def _fits_by_chance(matches: int, agreeing: int, share: float) -> float:
    """Return the expected number of fits from two of ``matches`` that ``agreeing`` agree with by chance.

    Moisan and Stival 2004, "A probabilistic criterion to detect rigid point matches between two images and estimate the
    fundamental matrix", equation for the number of false alarms, here with two points per fit.

    Parameters
    ----------
    share : float
        Share of the picture within which a match counts as agreeing.
    """
    if agreeing <= 2:
        return math.inf
    log10 = (
        math.log10(matches - 2)
        + math.log10(math.comb(matches, agreeing))
        + math.log10(math.comb(agreeing, 2))
        + (agreeing - 2) * math.log10(share)
    ) if matches > 2 else 0.0  # fmt: skip
    return float(10.0 ** min(log10, 300.0))


def _grain_and_marks(grey: Image) -> tuple[Floats, Floats]:
    """Return a picture without its light, twice, shape (rows, columns) and, a quarter as large, (rows, columns).

    Grain: brightness and contrast evened out over a fortieth of the side. Marks: logarithm of the brightness between
    the two scales of ``MARKS``.
    """
    import cv2

    def blurred(image: Floats, sigma: float) -> Floats:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)

    light = grey.astype(np.float32)
    sigma = SIDE_PX / 40
    grain = blurred(light - blurred(light, sigma), 0.8)
    grain /= np.sqrt(blurred(grain * grain, sigma)) + 1.0
    small = np.log(cv2.resize(light, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) + 8.0)
    fine, coarse = (blurred(small, share * SIDE_PX / 4) for share in MARKS)
    return grain, fine - coarse


def _marks_agree(a: Floats, b: Floats, fit: NDArray[np.float64]) -> bool:
    """Return whether marks correlate over the overlap; ``fit`` is in pixels four times as small."""
    import cv2

    fit = fit.copy()
    fit[:, 2] = (fit[:, 2] + 1.5 * (fit[:, 0] + fit[:, 1] - 1.0)) / 4.0  # middles of pixels onto middles
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    laid = cv2.warpAffine(b, fit, a.shape[::-1], flags=flags)
    covered = cv2.warpAffine(np.ones_like(b), fit, a.shape[::-1], flags=flags) > 0.5
    one, other = a[covered] - a[covered].mean(), laid[covered] - laid[covered].mean()
    return float(one @ other) >= MARKS_MIN * max(math.sqrt(float(one @ one) * float(other @ other)), 1e-9)


def _checked(
    a: tuple[Floats, Floats], b: tuple[Floats, Floats], fit: NDArray[np.float64]
) -> tuple[float, float, float, float] | None:
    """Lay ``b`` (grain, marks) over ``a`` and return (shared, agreement, turn_rad, zoom); None: different ground."""
    import cv2

    zoom = math.hypot(fit[0, 0], fit[1, 0])
    if not 0.2 < zoom < 5.0:
        return None
    if zoom > 1.0:  # work in the pixels of the picture whose pixels are the larger
        turned = _checked(b, a, cv2.invertAffineTransform(fit))
        return None if turned is None else (turned[0], turned[1], -turned[2], 1.0 / turned[3])
    grain, other = a[0], b[0]
    rows, columns = grain.shape
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * other.shape[::-1]
    back = cv2.invertAffineTransform(fit)
    outline = (corners @ back[:, :2].T + back[:, 2]).astype(np.float32)
    own = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
    common, _ = cv2.intersectConvexConvex(own, outline)
    shared = float(common) / min(float(rows * columns), abs(float(cv2.contourArea(outline))))
    if shared < SHARED_MIN:
        return None
    if not _marks_agree(a[1], b[1], fit):
        return None
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    laid = cv2.warpAffine(other, fit, (columns, rows), flags=flags)
    seen = cv2.integral((cv2.warpAffine(np.ones_like(other), fit, (columns, rows), flags=flags) > 0.5).astype(np.uint8))
    side, reach = SIDE_PX // BLOCKS_ACROSS, SIDE_PX // 40
    blocks = [
        (x, y)
        for y, x in itertools.product(
            range(0, rows - side + 1, side // 2), range(0, columns - side + 1, side // 2)
        )
        if seen[y + side, x + side] - seen[y, x + side] - seen[y + side, x] + seen[y, x] >= 0.95 * side * side
    ]  # fmt: skip
    if len(blocks) < 4:
        return None

    def likeness(
        one: tuple[int, int], other: tuple[int, int], shift: tuple[int, int] = (0, 0)
    ) -> tuple[float, int, int]:
        """Return the best correlation of a block near another place, and how far from that place it is."""
        x, y = other[0] + shift[0], other[1] + shift[1]
        left, top = min(max(x - reach, 0), columns - side), min(max(y - reach, 0), rows - side)
        right, bottom = max(min(x + side + reach, columns), left + side), max(min(y + side + reach, rows), top + side)
        block = grain[one[1] : one[1] + side, one[0] : one[0] + side]
        _, best, _, at = cv2.minMaxLoc(cv2.matchTemplate(laid[top:bottom, left:right], block, cv2.TM_CCOEFF_NORMED))
        return float(best), left + at[0] - other[0], top + at[1] - other[1]

    few = range(0, len(blocks), max(1, len(blocks) // 16))
    strangers = [likeness(blocks[i], blocks[(i + len(blocks) // 2) % len(blocks)])[0] for i in few]
    limit = max(BLOCK_MIN, float(np.quantile(strangers, 0.9)))
    own = np.array([likeness(c, c) for c in blocks])
    agree = own[:, 0] >= limit
    if agree.sum() < max(3, 0.5 * len(blocks)):
        return None
    # a lens bends the picture: where the others lie says where to look for those not found
    xy = np.array(blocks, float) / SIDE_PX
    ones = np.ones(len(xy))
    terms = np.column_stack([ones, xy, xy**2, xy[:, 0] * xy[:, 1]] if agree.sum() >= 12 else [ones, xy])
    bend = terms @ np.linalg.lstsq(terms[agree], own[agree, 1:], rcond=None)[0]
    for i in np.flatnonzero(~agree):
        shift = np.clip(np.round(bend[i]), -side, side).astype(int)
        agree[i] = likeness(blocks[i], blocks[i], (int(shift[0]), int(shift[1])))[0] >= limit
    agreement = float(agree.mean())
    if agreement < AGREE_MIN or shared * agreement < AGREED_GROUND_MIN:
        return None
    return shared, agreement, math.atan2(float(fit[1, 0]), float(fit[0, 0])), zoom

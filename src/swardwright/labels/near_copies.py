"""Pictures that show the same ground, found from the pictures alone.

Three steps. *Screen*: local features of every picture (Lowe 2004, "Distinctive image features from scale-invariant
keypoints", with the square root of Arandjelovic and Zisserman 2012) are matched between all pairs; where the same
ground is seen, matches agree on how far the picture is turned and zoomed (Jegou, Douze and Schmid 2008, "Hamming
embedding and weak geometric consistency"), and a pair that agrees no better than chance goes no further. *Fit*: a
turn, zoom and shift by random sampling. *Check*: the second picture is laid over the first and both are compared
block by block. What makes pictures of different ground look alike (a repeated patch, the robot's own shadow, a speck
on the lens) agrees in a few blocks only; the same ground agrees nearly everywhere the two overlap. What block
correlation chance gives is measured on the same pair, between blocks that do not belong together. (Papers cited from
memory.)

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
VERSION = 2
#: pictures are shrunk to this longer side: 3 to 4 mm of ground per pixel from 1 m up; finer, noise and blur rule
SIDE_PX = 384
FEATURES = 600
SCREEN_FEATURES = 256
#: a turn of 15 degrees and a quarter of an octave of zoom are one bin; neighbouring bins are taken together
TURNS, ZOOMS = 24, 16
#: agreement beyond chance (standard deviations of a Poisson count) that sends a pair on to the fit
SCREEN_Z = 3.0
#: a fit's features may be off by this share of the longer side (lens distortion, parallax of plants)
FIT_SHARE = 0.02
#: expected number of pairs of different ground with so good a fit by chance, over all pairs of the set
CHANCE_FITS = 1.0
#: share of the blocks in the overlap that must agree, and least correlation of a block that does
AGREE_MIN, BLOCK_MIN = 0.70, 0.30
#: less ground in common than this (share of the picture that shows less ground) is not called a copy
SHARED_MIN = 0.22
#: and the ground that agrees must be at least this share
AGREED_GROUND_MIN = 0.20
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
    group = np.array([numbers[places[n]] for n in names] if places else range(len(names)), int)
    tests = max(1, len(names) * (len(names) - 1) // 2)
    told = (lambda done, of: progress("comparing pictures", done, of)) if progress is not None else None
    evened: dict[int, Floats] = {}

    def verified(pair: tuple[int, int]) -> NearCopy | None:
        i, j = pair
        copy = _verified(looks[names[i]], looks[names[j]], CHANCE_FITS / tests, evened, pair)
        return None if copy is None else NearCopy(names[i], names[j], *copy)

    found: list[NearCopy] = []
    pairs = screened([looks[n] for n in names], group, told)
    with ThreadPoolExecutor(max(1, threads)) as pool:
        while some := list(itertools.islice(pairs, 64 * max(1, threads))):
            found += [copy for copy in pool.map(verified, some) if copy is not None]
    return tuple(found)


def screened(
    looks: Sequence[Look], group: NDArray[np.int64], progress: Callable[[int, int], None] | None = None
) -> Iterator[tuple[int, int]]:
    """Yield pairs (i < j) of different groups whose matches agree on a turn and zoom more than chance explains."""
    count, k = len(looks), SCREEN_FEATURES
    words = np.zeros((count, k, 128), np.float32)
    turn, zoom = np.zeros((count, k), np.float32), np.zeros((count, k), np.float32)
    for i, look in enumerate(looks):
        n = min(k, len(look.points))
        words[i, :n] = look.words[:n] / 255.0
        turn[i, :n], zoom[i, :n] = look.turn_rad[:n], look.zoom_log2[:n]
    flat, has = _shortened(words), np.asarray(words.any(axis=2))
    step = max(1, 8_000_000 // (k * k))
    for i in range(count):
        if progress is not None:
            progress(i + 1, count)
        others = np.flatnonzero((np.arange(count) > i) & (group != group[i]))
        for start in range(0, len(others), step):
            part = others[start : start + step]
            likeness = (flat[i] @ flat[part].reshape(len(part) * k, -1).T).reshape(k, len(part), k)
            best = likeness.argmax(axis=2)
            top = np.take_along_axis(likeness, best[..., None], axis=2)[..., 0]
            theirs = np.take_along_axis(likeness.max(axis=0), best.T, axis=1).T
            q, p = np.nonzero((top >= theirs) & (top > 0) & has[i][:, None])
            j, n = part[p], best[q, p]
            votes = _votes(turn[j, n] - turn[i, q], zoom[j, n] - zoom[i, q], p, len(part))
            matched = np.bincount(p, minlength=len(part))
            # by chance turns are even; zooms are as this part's are
            by_zoom = np.maximum(votes.sum(axis=1).sum(axis=0), 1.0)
            expected = matched[:, None] * _pooled((by_zoom / by_zoom.sum())[None, None, :] / TURNS, even=True)[0, 0]
            seen = _pooled(votes).max(axis=1)
            z = ((seen - expected) / np.sqrt(expected + 1.0)).max(axis=1)
            yield from ((i, int(m)) for m in part[z >= SCREEN_Z])


def _shortened(words: Floats) -> Floats:
    """Return descriptors in their 64 strongest directions, length 1, shape (pictures, features, 64)."""
    rows = words.reshape(-1, words.shape[-1])
    used = rows[rows.any(axis=1)]
    if len(used) < 2:
        return words
    mean = used.mean(axis=0)
    _, axes = np.linalg.eigh(np.cov((used[:: max(1, len(used) // 50_000)] - mean).T))
    out = (rows - mean) @ axes[:, -64:].astype(np.float32)
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
    out[~rows.any(axis=1)] = 0.0
    return np.ascontiguousarray(out.reshape(*words.shape[:2], 64), np.float32)


def _votes(turn: Floats, zoom: Floats, owner: NDArray[np.int64], owners: int) -> NDArray[np.float64]:
    """Return counts, shape (owners, TURNS, ZOOMS)."""
    t, z = _bins(turn, zoom)
    index = (owner * TURNS + t) * ZOOMS + z
    return np.bincount(index, minlength=owners * TURNS * ZOOMS).reshape(owners, TURNS, ZOOMS).astype(float)


def _bins(turn: Floats, zoom: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    t = np.floor(np.mod(turn / (2 * math.pi), 1.0) * TURNS).astype(np.int64) % TURNS
    return t, np.clip(np.round(4 * zoom) + ZOOMS // 2, 0, ZOOMS - 1).astype(np.int64)


def _pooled(votes: NDArray[np.float64], even: bool = False) -> NDArray[np.float64]:
    """Return each bin together with the next turn and the next zoom."""
    out = 2.0 * votes if even else votes + np.roll(votes, -1, axis=1)
    return np.asarray(out + np.concatenate([out[..., 1:], np.zeros_like(out[..., :1])], axis=-1))


def compare(a: Look, b: Look, chance: float = 1e-4) -> tuple[float, float, float, float] | None:
    """Return (shared, agreement, turn_rad, zoom) of two pictures that show the same ground, None if they do not.

    ``chance`` is the expected number of fits as good between two pictures of unrelated features.
    """
    return _verified(a, b, chance, {}, (0, 1))


def _verified(
    a: Look, b: Look, chance: float, evened: dict[int, Floats], key: tuple[int, int]
) -> tuple[float, float, float, float] | None:
    import cv2

    if min(len(a.points), len(b.points)) < 8:
        return None
    likeness = (a.words.astype(np.float32) / 255.0) @ (b.words.astype(np.float32) / 255.0).T
    best = likeness.argmax(axis=1)
    q = np.flatnonzero(likeness.argmax(axis=0)[best] == np.arange(len(best)))
    n = best[q]
    turn, zoom = b.turn_rad[n] - a.turn_rad[q], b.zoom_log2[n] - a.zoom_log2[q]
    votes = _pooled(_votes(turn, zoom, np.zeros(len(q), np.int64), 1))[0]
    t, z = _bins(turn, zoom)
    gate = FIT_SHARE * SIDE_PX
    for _ in range(3):
        at = np.unravel_index(int(votes.argmax()), votes.shape)
        near = (np.mod(t - at[0] + 1, TURNS) <= 3) & (z >= at[1] - 1) & (z <= at[1] + 2)
        if near.sum() < 6:
            return None
        fit, used = cv2.estimateAffinePartial2D(
            a.points[q[near]], b.points[n[near]], ransacReprojThreshold=gate, maxIters=1000, confidence=0.999
        )
        if fit is not None:
            area = float(b.grey.size)
            if _fits_by_chance(int(near.sum()), int(used.sum()), math.pi * gate**2 / area) <= chance:
                for number, look in zip(key, (a, b), strict=True):
                    if number not in evened:
                        evened[number] = _flattened(look.grey)
                copy = _checked(evened[key[0]], evened[key[1]], fit)
                if copy is not None:
                    return copy
        votes[np.mod(at[0] + np.arange(-2, 3), TURNS)[:, None], np.clip(at[1] + np.arange(-2, 3), 0, ZOOMS - 1)] = 0.0
    return None


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


def _flattened(grey: Image) -> Floats:
    """Return the picture with its brightness and contrast evened out over a fortieth of its side."""
    import cv2

    sigma = SIDE_PX / 40
    out = grey.astype(np.float32)
    out -= cv2.GaussianBlur(out, (0, 0), sigma)
    out = cv2.GaussianBlur(out, (0, 0), 0.8)
    return np.asarray(out / (np.sqrt(cv2.GaussianBlur(out * out, (0, 0), sigma)) + 1.0), np.float32)


def _checked(a: Floats, b: Floats, fit: NDArray[np.float64]) -> tuple[float, float, float, float] | None:
    """Lay ``b`` over ``a`` and compare block by block; see ``compare``."""
    import cv2

    zoom = math.hypot(fit[0, 0], fit[1, 0])
    if not 0.2 < zoom < 5.0:
        return None
    if zoom > 1.0:  # work in the pixels of the picture whose pixels are the larger
        back = cv2.invertAffineTransform(fit)
        turned = _checked(b, a, back)
        return None if turned is None else (turned[0], turned[1], -turned[2], 1.0 / turned[3])
    rows, columns = a.shape
    corners = np.array([[0, 0], [b.shape[1], 0], [b.shape[1], b.shape[0]], [0, b.shape[0]]], np.float32)
    back = cv2.invertAffineTransform(fit)
    outline = (corners @ back[:, :2].T + back[:, 2]).astype(np.float32)
    own = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
    common, _ = cv2.intersectConvexConvex(own, outline)
    shared = float(common) / min(float(rows * columns), abs(float(cv2.contourArea(outline))))
    if shared < SHARED_MIN:
        return None
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    laid = cv2.warpAffine(b, fit, (columns, rows), flags=flags)
    seen = cv2.integral((cv2.warpAffine(np.ones_like(b), fit, (columns, rows), flags=flags) > 0.5).astype(np.uint8))
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
        block = a[one[1] : one[1] + side, one[0] : one[0] + side]
        _, best, _, at = cv2.minMaxLoc(cv2.matchTemplate(laid[top:bottom, left:right], block, cv2.TM_CCOEFF_NORMED))
        return float(best), left + at[0] - other[0], top + at[1] - other[1]

    # a few blocks spread over the overlap first: most pairs that only look alike end here
    some = blocks[:: max(1, len(blocks) // 8)]
    if sum(likeness(c, c)[0] >= BLOCK_MIN for c in some) < 0.5 * len(some):
        return None
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

"""Scorch marks in a photograph of a test sheet: segmented, measured, and given to their aims.

The picture is rectified to the sheet's plane first. A mark's edge is where its contrast against the paper (as a share
of the paper's own grey, so that uneven light does not matter) is half of what it is inside. Scorched paper is darker
than clean paper, dried patches of damp paper are lighter: which, the contrast tells.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array
from swardwright.locating.calibration.aim import Mark
from swardwright.locating.calibration.sheet import Sheet

#: a rectified picture has at most this many pixels
MAX_PIXELS = 4_000_000
#: lines thinner than this are pencil, not scorch, m
LINE_M = 2e-3
#: a mark is at least this large, m (radius)
RADIUS_MIN_M = 3e-3
#: a mark differs from the paper by this share of its grey and by five standard deviations of noise
CONTRAST_MIN = 0.05
#: an edge that strays this share of the radius from an ellipse, or an ellipse longer than this, is not one mark (common
#: practice, no source; two round marks half across each other reach 0.10 and 1.8)
ROUGH_SHARE, LONGEST = 0.08, 1.6
#: a mark and its aim are paired if they agree with the common shift within this, m, at least
PAIR_M = 0.02


@dataclass(frozen=True)
class Aimed:
    """One planned aim on the sheet: place (m, sheet axes), dwell (s), and how the head stood."""

    aim: str
    x_m: float
    y_m: float
    hold_s: float
    spin_rad: float = 0.0
    tilt_rad: float = 0.0
    tilt_towards_rad: float = 0.0

    @property
    def lean(self) -> tuple[float, float]:
        """Tangent of the tilt times its direction, sheet axes."""
        size = math.tan(self.tilt_rad)
        return size * math.cos(self.tilt_towards_rad), size * math.sin(self.tilt_towards_rad)


@dataclass(frozen=True, eq=False)
class Spot:
    """A mark as found: centre (2,), its covariance, radius and error (m), stretch, and edge (k, 2), sheet axes."""

    centre_m: Array
    centre_covariance_m2: Array
    radius_m: float
    radius_sigma_m: float
    stretch: Array
    edge_m: Array


@dataclass(frozen=True, eq=False)
class Seen:
    """What one picture of a sheet shows.

    Attributes
    ----------
    marks : tuple[Mark, ...]
        Marks with their aims.
    unmarked : tuple[str, ...]
        Aims that left no mark.
    spare : int
        Marks that belong to no aim.
    dropped : tuple[str, ...]
        What was seen and not used, and why.
    picture : NDArray[uint8]
        Rectified picture, (height, width), grey.
    corner_m : Array
        Shape (2,): sheet place of the centre of its top-left pixel.
    pixel_m : float
        Side of its pixels.
    registration_m2 : Array
        Shape (2, 2): covariance, shared by all marks, from the rectification; head axes.
    lighter : bool
        Whether marks are lighter than the paper (dried patches on damp paper).
    outlines : tuple[Array, ...]
        Edge (k, 2) of each of ``marks``, sheet axes, m.
    """

    marks: tuple[Mark, ...]
    unmarked: tuple[str, ...]
    spare: int
    dropped: tuple[str, ...]
    picture: NDArray[np.uint8]
    corner_m: Array
    pixel_m: float
    registration_m2: Array
    lighter: bool
    outlines: tuple[Array, ...]


def look_at_sheet(
    image: NDArray[np.uint8],
    sheet: Sheet,
    aims: Sequence[Aimed],
    *,
    exclude_m: Array | None = None,
    lighter: bool | None = None,
) -> Seen:
    """Find the marks of one picture and give them to their aims.

    Parameters
    ----------
    image : NDArray[uint8]
        Shape (height, width) or (height, width, 3), red-green-blue.
    aims : Sequence[Aimed]
        The aims of this sheet.
    exclude_m : Array, optional
        Shape (4,): rectangle x0 y0 x1 y1 in the sheet where no mark is looked for (the printed board).
    lighter : bool, optional
        Whether marks are lighter than the paper; None: by contrast.

    Raises
    ------
    InputError
        If an aim lies outside the picture, or no mark is found.
    """
    places = np.array([(a.x_m, a.y_m) for a in aims])
    if not len(aims) or not np.isfinite(places).all():
        raise InputError("aims need finite places", field="aims", value=len(aims),
                         remedy="write one row for each aim")  # fmt: skip
    grey, corner, pixel, inside = rectified(image, sheet, *_region(places), aims)
    usable = inside.copy()
    if exclude_m is not None:
        x0, y0, x1, y1 = np.asarray(exclude_m, dtype=float)
        for aim in aims:
            if x0 <= aim.x_m <= x1 and y0 <= aim.y_m <= y1:
                raise InputError("an aim lies on the printed board or its margin", where=f"aim {aim.aim}", field="x, y",
                                 value=f"{1e3 * aim.x_m:.0f} mm, {1e3 * aim.y_m:.0f} mm",
                                 remedy="check the aims' unit; they count from the first inner corner")  # fmt: skip
        (c0, r0), (c1, r1) = ((np.reshape(exclude_m, (2, 2)) - corner) / pixel).round().astype(int)
        usable[max(r0, 0) : max(r1 + 1, 0), max(c0, 0) : max(c1 + 1, 0)] = False
    contrast = against_paper(grey, usable)
    spots, dropped, sign = _by_contrast(contrast, usable, inside, corner, pixel, lighter)
    if not spots:
        raise InputError("no mark is seen on the sheet", field="marks", value=0,
                         limit="round marks, clearly darker or lighter than the paper",
                         remedy="photograph the sheet sharp and evenly lit, or hold the flame longer"
                         + (f" ({dropped[0]})" if dropped else ""))  # fmt: skip
    pairs, _ = pair(places, np.array([s.centre_m for s in spots]))
    marks = tuple(_mark(aims[i], spots[j]) for i, j in pairs)
    found = {i for i, _ in pairs}
    return Seen(
        marks, tuple(a.aim for i, a in enumerate(aims) if i not in found), len(spots) - len(pairs), tuple(dropped),
        grey, corner, pixel, _registration(sheet, marks), sign > 0,
        tuple(spots[j].edge_m for _, j in pairs),
    )  # fmt: skip


def _mark(aim: Aimed, spot: Spot) -> Mark:
    return Mark(aim.aim, np.array([aim.x_m, aim.y_m]), spot.centre_m, spot.centre_covariance_m2, spot.radius_m,
                spot.radius_sigma_m, aim.hold_s, spot.stretch, aim.spin_rad, np.array(aim.lean))  # fmt: skip


def _registration(sheet: Sheet, marks: Sequence[Mark]) -> Array:
    """Return what the rectification's error does to the mean of all marks, (2, 2), head axes."""
    by = sheet.registration(np.array([m.centre_m for m in marks]))
    turned = [[[math.cos(m.spin_rad), math.sin(m.spin_rad)], [-math.sin(m.spin_rad), math.cos(m.spin_rad)]]
              for m in marks]  # fmt: skip
    mean = (np.array(turned) @ by).mean(axis=0)
    return np.asarray(mean @ sheet.covariance @ mean.T)


def _region(places: Array) -> tuple[Array, Array]:
    """Return the corners of the part of the sheet to look at: the aims and some room around them."""
    margin = 0.08
    if len(places) > 1:
        apart = np.linalg.norm(places[:, None] - places[None], axis=2)
        np.fill_diagonal(apart, np.inf)
        margin = float(np.clip(0.75 * np.median(apart.min(axis=1)), 0.04, 0.15))
    return places.min(axis=0) - margin, places.max(axis=0) + margin


def rectified(
    image: NDArray[np.uint8], sheet: Sheet, low_m: Array, high_m: Array, aims: Sequence[Aimed] = ()
) -> tuple[NDArray[np.uint8], Array, float, NDArray[np.bool_]]:
    """Carry part of a picture to the sheet's plane.

    Returns
    -------
    tuple[NDArray[uint8], Array, float, NDArray[bool]]
        Grey picture, sheet place of its first pixel's centre (m), side of a pixel (m), which pixels the photograph has.

    Raises
    ------
    InputError
        If an aim lies outside the photograph.
    """
    import cv2

    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image
    height, width = grey.shape
    for aim in aims:
        x, y = sheet.to_pixels(np.array([[aim.x_m, aim.y_m]]))[0]
        if not (0 <= x <= width - 1 and 0 <= y <= height - 1):
            raise InputError("an aim lies outside the picture", where=f"aim {aim.aim}", field="x, y",
                             value=f"{1e3 * aim.x_m:.0f} mm, {1e3 * aim.y_m:.0f} mm",
                             remedy="check unit and origin of the aims, or photograph the whole sheet")  # fmt: skip
    size = high_m - low_m
    pixel = max(1.0 / sheet.pixels_per_m(0.5 * (low_m + high_m)), math.sqrt(float(size.prod()) / MAX_PIXELS))
    columns, rows = (max(int(n), 2) for n in np.ceil(size / pixel))
    sheet_from_flat = np.array([[pixel, 0, low_m[0]], [0, pixel, low_m[1]], [0, 0, 1.0]])
    matrix = sheet.pixel_from_sheet @ sheet_from_flat
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(grey, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    there = cv2.warpPerspective(np.full_like(grey, 255), matrix, (columns, rows), flags=flags)
    return flat, np.asarray(low_m, dtype=float), float(pixel), there > 254


def against_paper(grey: NDArray[np.uint8], usable: NDArray[np.bool_]) -> Array:
    """Return grey over that of the paper under its light, less 1; where not ``usable``: 0.

    The paper's log grey is a cubic surface fitted without what stands out from it.
    """
    import cv2

    level = np.log(np.maximum(grey.astype(np.float64), 1.0))
    rows, columns = grey.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    step = max(math.isqrt(rows * columns // 20_000), 1)
    few = np.zeros_like(usable)
    few[::step, ::step] = True
    few &= usable
    if few.sum() < 50:
        raise InputError("the picture shows too little of the sheet", field="picture",
                         remedy="photograph the whole sheet")  # fmt: skip
    powers = [(i, j) for i, j in itertools.product(range(4), range(4)) if i + j <= 3]
    terms = np.stack([x[few] ** i * y[few] ** j for i, j in powers], axis=1)
    values = cv2.GaussianBlur(level, (0, 0), max(step / 2.0, 1.0))[few]
    # the paper is what most of the sheet is: start at the commonest grey, then take what lies near the surface
    counts, edges = np.histogram(values, bins=60)
    smooth = np.convolve(counts, [1, 2, 3, 2, 1], mode="same")
    keep = np.abs(values - edges[int(np.argmax(smooth))]) < max(0.15, 2.0 * float(edges[1] - edges[0]))
    for _ in range(25):
        if keep.sum() < 2 * len(powers):
            break
        surface, *_ = np.linalg.lstsq(terms[keep], values[keep], rcond=None)
        rest = values - terms @ surface
        spread = max(1.4826 * float(np.median(np.abs(rest[keep] - np.median(rest[keep])))), 4e-3)
        again = np.abs(rest) < 3.0 * spread
        if (again == keep).all():
            break
        keep = again
    paper = sum(c * x**i * y**j for c, (i, j) in zip(surface, powers, strict=True))
    return np.where(usable, np.expm1(level - paper), 0.0)


def _by_contrast(
    contrast: Array, usable: NDArray[np.bool_], inside: NDArray[np.bool_], corner: Array, pixel: float,
    lighter: bool | None,
) -> tuple[list[Spot], list[str], int]:  # fmt: skip
    """Look for marks of either contrast and keep the kind that covers more of the sheet."""
    best: tuple[float, list[Spot], list[str], int] | None = None
    for sign in (-1, 1) if lighter is None else ((1,) if lighter else (-1,)):
        spots, dropped = find_spots(sign * contrast, usable, corner, pixel)
        area = sum(s.radius_m**2 for s in spots)
        if best is None or area > best[0]:
            best = (area, spots, dropped, sign)
    assert best is not None
    return best[1], best[2], best[3]


def find_spots(
    contrast: Array, usable: NDArray[np.bool_], corner_m: Array, pixel_m: float
) -> tuple[list[Spot], list[str]]:
    """Return the marks of positive ``contrast``, and what was seen and left out.

    Parameters
    ----------
    contrast : Array
        Shape (rows, columns): share of the paper's grey, marks positive.
    """
    import cv2

    smooth = cv2.GaussianBlur(contrast, (0, 0), 1.2)
    noise = 1.4826 * float(np.median(np.abs(smooth[usable] - np.median(smooth[usable]))))
    size = 2 * round(0.5 * LINE_M / pixel_m) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    solid = cv2.morphologyEx(smooth, cv2.MORPH_OPEN, kernel)
    above = (solid > max(CONTRAST_MIN, 5.0 * noise)) & usable
    count, labels, stats, _ = cv2.connectedComponentsWithStats(above.astype(np.uint8))
    least = math.pi * (RADIUS_MIN_M / pixel_m) ** 2
    parts = [n for n in range(1, count) if stats[n][cv2.CC_STAT_AREA] >= least]
    cores = {n: float(np.percentile(solid[labels == n], 85)) for n in parts}
    strongest = float(np.median(sorted(cores.values())[-max(len(cores) // 2, 1) :])) if cores else 0.0
    spots, dropped = [], []
    for n in parts:
        if cores[n] < 0.3 * strongest:
            continue
        spot, why = _measure(solid, labels == n, stats[n], cores[n], usable, pixel_m, corner_m)
        if spot is not None:
            spots.append(spot)
        elif why:
            dropped.append(why)
    return spots, dropped


def _measure(
    solid: Array, own: NDArray[np.bool_], box: Any, core: float, usable: NDArray[np.bool_], pixel_m: float,
    corner_m: Array,
) -> tuple[Spot | None, str]:  # fmt: skip
    from skimage.measure import find_contours

    left, top, wide, high = (int(v) for v in box[:4])
    room = 3
    rows = slice(max(top - room, 0), min(top + high + room, solid.shape[0]))
    columns = slice(max(left - room, 0), min(left + wide + room, solid.shape[1]))
    near = own[rows, columns]
    here = np.where(_grown(near), solid[rows, columns], 0.0)
    middle = corner_m + pixel_m * np.array([left + 0.5 * wide, top + 0.5 * high])
    place = f"{1e3 * middle[0]:.0f}, {1e3 * middle[1]:.0f} mm"
    if not usable[rows, columns][_grown(near)].all() or not _whole(box, solid.shape):
        return None, f"a mark at {place} is cut by the edge of the picture or by the board"
    rings = [c for c in find_contours(here, 0.5 * core) if len(c) > 8 and np.allclose(c[0], c[-1])]
    if not rings:
        return None, ""
    edge = max(rings, key=lambda c: abs(_moments(c[:, ::-1])[0]))[:-1, ::-1]
    area, centre, second = _moments(edge)
    radius = math.sqrt(abs(area) / math.pi)
    if radius * pixel_m < RADIUS_MIN_M:
        return None, ""
    noise, rough = _edge_noise(edge - centre, second, radius)
    values, vectors = np.linalg.eigh(second)
    if rough > ROUGH_SHARE or values[1] > LONGEST**2 * values[0]:
        return None, f"a mark at {place} is not round: marks run together, or something lies on it"
    ratio = 0.5 * math.log(max(values[1], 1e-12) / max(values[0], 1e-12))
    twice = 2.0 * math.atan2(vectors[1, 1], vectors[0, 1])
    floor = (0.05 * pixel_m) ** 2  # common practice, no source: a sub-pixel edge is no better than 1/20 px
    variance = (noise * pixel_m) ** 2
    return Spot(
        centre_m=corner_m + pixel_m * (centre + np.array([columns.start, rows.start])),
        centre_covariance_m2=(variance + floor) * np.eye(2), radius_m=radius * pixel_m,
        radius_sigma_m=math.sqrt(0.5 * variance + floor), stretch=ratio * np.array([math.cos(twice), math.sin(twice)]),
        edge_m=corner_m + pixel_m * (edge + np.array([columns.start, rows.start])),
    ), ""  # fmt: skip


def _grown(part: NDArray[np.bool_]) -> NDArray[np.bool_]:
    import cv2

    return np.asarray(cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=2)).astype(bool)


def _whole(box: Any, shape: tuple[int, ...]) -> bool:
    left, top, wide, high = (int(v) for v in box[:4])
    return left > 0 and top > 0 and left + wide < shape[1] and top + high < shape[0]


def _moments(ring: Array) -> tuple[float, Array, Array]:
    """Return signed area, centre (2,) and second central moments (2, 2) per area of a polygon (Green's theorem)."""
    origin = ring.mean(axis=0)
    x, y = (ring - origin).T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    area = 0.5 * float(cross.sum())
    if abs(area) < 1e-9:
        return 0.0, origin, np.eye(2)
    centre = np.array([((x + x1) * cross).sum(), ((y + y1) * cross).sum()]) / (6.0 * area)
    xx = float(((x * x + x * x1 + x1 * x1) * cross).sum()) / (12.0 * area)
    yy = float(((y * y + y * y1 + y1 * y1) * cross).sum()) / (12.0 * area)
    xy = float(((x * y1 + 2 * x * y + 2 * x1 * y1 + x1 * y) * cross).sum()) / (24.0 * area)
    second = np.array([[xx, xy], [xy, yy]]) - np.outer(centre, centre)
    return area, origin + centre, second


def _edge_noise(edge: Array, second: Array, radius: float) -> tuple[float, float]:
    """Return the noise of the centre, px, and the roughness of the edge as a share of the radius.

    What the edge's distance from the centre differs from that of the ellipse of the same second moments, as a Fourier
    series over the angle: orders 0, 1 and 2 are size, place and elongation; the mean power of orders 3 to 8 is the
    noise that these carry too.
    """
    angle = np.arctan2(edge[:, 1], edge[:, 0])
    order = np.argsort(angle)
    angle, far = angle[order], np.hypot(*edge.T)[order]
    even = np.linspace(-math.pi, math.pi, 256, endpoint=False)
    along = np.stack([np.cos(even), np.sin(even)], axis=1)
    ellipse = 2.0 / np.sqrt(np.einsum("ni,ij,nj->n", along, np.linalg.inv(second), along))
    rest = np.interp(even, angle, far, period=2.0 * math.pi) - ellipse
    power = np.square(np.abs(np.fft.rfft(rest)[3:9] / 128.0)) / 2.0
    return math.sqrt(float(power.mean())), float(np.sqrt(np.mean(np.square(rest)))) / radius


def pair(aims_m: Array, centres_m: Array) -> tuple[list[tuple[int, int]], Array]:
    """Give marks to aims: the common shift that most pairs agree on, then the best assignment about it.

    Of shifts with equally many pairs the smaller wins, so that an offset of a whole grid step on a regular grid is
    told apart only where marks stand at the grid's border.

    Parameters
    ----------
    aims_m, centres_m : Array
        Shapes (n, 2), (m, 2).

    Returns
    -------
    tuple[list[tuple[int, int]], Array]
        Rows of aims and centres; the shift (2,), m.
    """
    from scipy.optimize import linear_sum_assignment

    between = centres_m[None] - aims_m[:, None]
    reach = PAIR_M
    if len(aims_m) > 1:
        apart = np.linalg.norm(aims_m[:, None] - aims_m[None], axis=2)
        np.fill_diagonal(apart, np.inf)
        reach = max(PAIR_M, 0.4 * float(np.median(apart.min(axis=1))))

    def assigned(shift: Array) -> list[tuple[int, int]]:
        far = np.linalg.norm(between - shift, axis=2)
        rows, columns = linear_sum_assignment(np.minimum(far, 4.0 * reach) ** 2)
        return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if far[i, j] < reach]

    candidates = between.reshape(-1, 2)
    if len(candidates) > 400:
        candidates = candidates[np.argsort(np.hypot(*candidates.T))[:400]]
    best: tuple[int, float, Array] | None = None
    for shift in candidates:
        near = (np.linalg.norm(between - shift, axis=2) < 0.5 * reach).any(axis=1).sum()
        key = (int(near), -float(np.hypot(*shift)))
        if best is None or key > best[:2]:
            best = (*key, shift)
    assert best is not None
    shift = best[2]
    for _ in range(5):
        pairs = assigned(shift)
        if not pairs:
            break
        shift = np.median([between[i, j] for i, j in pairs], axis=0)
    return assigned(shift), np.asarray(shift)

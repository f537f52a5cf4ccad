"""Labelled plants pasted onto other places: few labels shown among more neighbours, on more grounds.

Cut and paste with a soft edge, after Dwibedi et al. 2017 (arXiv:1708.01642; from memory), on discs: a label states
no outline.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.learning.samples import Image

#: a disc is cut out this many radii wide; it is whole up to one radius and gone at the rim
RIM_RADII = 1.3
PATCHES_MAX = 600
PATCH_RADIUS_PX = (5.0, 90.0)
#: crowns of two plants come no nearer than this share of the sum of their radii: leaves may overlap, crowns may not
APART = 0.7
TRIES = 6


@dataclass(frozen=True, eq=False)
class Bank:
    """Discs cut out of labelled pictures.

    Attributes
    ----------
    discs : tuple[Image, ...]
        Square RGB pictures with the crown in their middle.
    radii_px : NDArray
        Shape (n,): radius of each plant.
    kinds : NDArray
        Shape (n,): index of its kind.
    """

    discs: tuple[Image, ...]
    radii_px: NDArray[np.float64]
    kinds: NDArray[np.int64]


def make_bank(
    picture: Callable[[int], Image],
    labels: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]],
    seed: int,
) -> Bank:
    """Cut up to ``PATCHES_MAX`` plants out of their pictures; those at a picture's edge are passed over.

    Parameters
    ----------
    picture : Callable[[int], Image]
        Returns picture n.
    labels : Sequence
        Plants (n, 4: u, v, radius px, kind index) and ignored discs of each picture.
    """
    rng = np.random.default_rng([seed, 23])
    every = [(n, i) for n, (plants, _) in enumerate(labels) for i in range(len(plants))]
    chosen = sorted(rng.permutation(len(every))[:PATCHES_MAX].tolist())
    discs, radii, kinds = [], [], []
    for n, i in (every[k] for k in chosen):
        u, v, radius, kind = labels[n][0][i]
        reach = math.ceil(RIM_RADII * radius)
        x, y = round(u), round(v)
        image = picture(n)
        inside = reach <= x < image.shape[1] - reach and reach <= y < image.shape[0] - reach
        if inside and PATCH_RADIUS_PX[0] <= radius <= PATCH_RADIUS_PX[1]:
            discs.append(image[y - reach : y + reach + 1, x - reach : x + reach + 1].copy())
            radii.append(radius)
            kinds.append(int(kind))
    return Bank(tuple(discs), np.array(radii), np.array(kinds, np.int64))


def pasted(
    crop: Image, plants: NDArray[np.float64], zoom: float, bank: Bank, rng: np.random.Generator
) -> tuple[Image, NDArray[np.float64]]:
    """Return the crop with one to three plants more, turned, zoomed as the crop is and a little besides.

    Parameters
    ----------
    crop : Image
        RGB (height, width, 3); not changed.
    plants : NDArray
        Shape (n, 4), pixels of the crop.
    zoom : float
        Of the crop against its picture.
    """
    import cv2

    if not bank.discs:
        return crop, plants
    out, side = crop.astype(np.float32), crop.shape[0]
    for _ in range(int(rng.integers(1, 4))):
        n = int(rng.integers(len(bank.discs)))
        scale = zoom * math.exp(rng.uniform(-0.25, 0.25))
        radius = scale * float(bank.radii_px[n])
        reach = RIM_RADII * radius
        if radius < 2.0 or 2 * reach >= side:
            continue
        for _ in range(TRIES):
            u, v = rng.uniform(0, side - 1, 2)
            apart = np.hypot(plants[:, 0] - u, plants[:, 1] - v)
            if (apart >= APART * (plants[:, 2] + radius)).all():
                break
        else:
            continue
        x0, y0 = max(math.floor(u - reach), 0), max(math.floor(v - reach), 0)
        x1, y1 = min(math.ceil(u + reach) + 1, side), min(math.ceil(v + reach) + 1, side)
        angle, mirror = rng.uniform(-math.pi, math.pi), -1.0 if rng.random() < 0.5 else 1.0
        turn = scale * np.array(
            [[mirror * math.cos(angle), -mirror * math.sin(angle)], [math.sin(angle), math.cos(angle)]]
        )
        middle = np.full(2, (bank.discs[n].shape[0] - 1) / 2)
        shift = np.array([u - x0, v - y0]) - turn @ middle
        disc = cv2.warpAffine(
            bank.discs[n], np.hstack([turn, shift[:, None]]), (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        away = np.hypot(np.arange(x0, x1)[None, :] - u, np.arange(y0, y1)[:, None] - v) / radius
        cover = np.clip((RIM_RADII - 0.05 - away) / (RIM_RADII - 1.05), 0.0, 1.0)
        cover = (cover * cover * (3 - 2 * cover)).astype(np.float32)[:, :, None]
        part = out[y0:y1, x0:x1]
        part += cover * (disc.astype(np.float32) - part)
        plants = np.vstack([plants, [u, v, radius, float(bank.kinds[n])]])
    return np.round(out).astype(np.uint8), plants

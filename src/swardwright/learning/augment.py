"""Random crops for teaching: zoom, turn, mirror, pasted plants, light, season, colour, blur and noise.

All randomness is passed in.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from swardwright.learning.paste import Bank, pasted
from swardwright.learning.samples import Image, TeachSettings

#: grey of what lies outside the picture
OUTSIDE = 114
#: share of crops of one channel; of these, share with leaves bright as near infra-red shows them (decision 0015)
GREY_SHARE, LEAF_SHARE = 0.16, 0.5
#: share of crops with another colour: turf from dry to lush, hues turned by so much (standard deviation, rad)
COLOUR_SHARE, HUE_RAD = 0.45, 0.12


def random_crop(
    image: Image,
    plants: NDArray[np.float64],
    ignored: NDArray[np.float64],
    settings: TeachSettings,
    rng: np.random.Generator,
    bank: Bank | None = None,
) -> tuple[Image, NDArray[np.float64], NDArray[np.float64]]:
    """Cut one turned, zoomed and recoloured square out of a picture.

    Parameters
    ----------
    image : Image
        RGB (height, width, 3).
    plants : NDArray
        Shape (n, 4): u, v, radius (px), kind index.
    ignored : NDArray
        Shape (m, 3): u, v, radius (px).
    bank : Bank, optional
        Plants to paste into ``settings.paste`` of the crops.

    Returns
    -------
    tuple
        Crop of ``settings.crop_px``, and plants and ignored discs in its pixels.
    """
    import cv2

    height, width = image.shape[:2]
    side = settings.crop_px
    zoom = math.exp(rng.uniform(math.log(settings.scale_min), math.log(settings.scale_max)))
    angle = rng.uniform(-math.pi, math.pi) if settings.turn else rng.uniform(-0.15, 0.15)
    mirror = -1.0 if rng.random() < 0.5 else 1.0
    if len(plants) and rng.random() < 0.6:
        u, v = plants[rng.integers(len(plants)), :2] + rng.uniform(-0.4, 0.4, 2) * side / zoom
    else:
        u, v = rng.uniform(0, width), rng.uniform(0, height)
    room = 0.5 * side / zoom
    u = float(np.clip(u, min(room, width / 2), max(width - room, width / 2)))
    v = float(np.clip(v, min(room, height / 2), max(height - room, height / 2)))
    turn = zoom * np.array([[mirror * math.cos(angle), -mirror * math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    shift = np.full(2, (side - 1) / 2) - turn @ np.array([u, v])
    matrix = np.hstack([turn, shift[:, None]])
    crop = cv2.warpAffine(
        image, matrix, (side, side), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=[OUTSIDE] * 3
    )
    moved, passed = plants.copy(), ignored.copy()
    for points in (moved, passed):
        if len(points):
            points[:, :2] = points[:, :2] @ turn.T + shift
            points[:, 2] *= zoom
    inside = ((moved[:, :2] >= -0.5) & (moved[:, :2] < side - 0.5)).all(axis=1)
    crop, moved = np.asarray(crop, np.uint8), moved[inside]
    if bank is not None and rng.random() < settings.paste:
        crop, moved = pasted(crop, moved, zoom, bank, rng)
    return relight(crop, rng), moved, passed


def relight(image: Image, rng: np.random.Generator) -> Image:
    """Change light, colour, sharpness and noise of a crop, as another camera on another day would."""
    import cv2

    levels = np.linspace(0, 1, 256)[:, None] ** math.exp(rng.uniform(-0.45, 0.45))
    levels = levels * math.exp(rng.uniform(-0.35, 0.3)) * np.exp(rng.normal(0, 0.05, 3)) + rng.uniform(-0.04, 0.04)
    table = np.clip(levels * 255, 0, 255).astype(np.uint8)
    image = cv2.LUT(image, table[:, None, :]).astype(np.uint8)
    chance = rng.random()
    if chance < GREY_SHARE:
        weights = leaves_bright(rng) if rng.random() < LEAF_SHARE else rng.dirichlet(np.ones(3))
        image = cv2.transform(image, np.tile(weights.astype(np.float32), (3, 1)))
    elif chance < GREY_SHARE + COLOUR_SHARE:
        image = cv2.transform(
            image, colour_matrix(rng.uniform(0.3, 1.35), rng.uniform(0.2, 1.5), rng.normal(0, HUE_RAD))
        )
    chance = rng.random()
    if chance < 0.3:
        image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.3, 1.4))
    elif chance < 0.45:
        length, direction = int(rng.integers(3, 8)), rng.uniform(0, math.pi)
        kernel = np.zeros((9, 9), np.float32)
        for t in np.linspace(-length / 2, length / 2, 25):
            kernel[round(4 + t * math.sin(direction)), round(4 + t * math.cos(direction))] = 1.0
        image = cv2.filter2D(image, -1, kernel / kernel.sum())
    if rng.random() < 0.5:
        noise = rng.standard_normal(image.shape, dtype=np.float32) * np.float32(rng.uniform(1, 9))
        image = np.clip(image + noise, 0, 255).astype(np.uint8)
    return np.asarray(image, np.uint8)


def leaves_bright(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return weights (3,) of red, green and blue for one channel in which leaves are bright, as in near infra-red.

    A share of the red, and the green excess 2 G - R - B (:func:`colour_matrix`): a stand-in, for the near infra-red
    itself is in no colour picture.
    """
    red, excess = rng.uniform(0.2, 0.8), rng.uniform(0.3, 1.6)
    return np.array([red - excess, 2.0 * excess, -excess])


def colour_matrix(colour: float, lush: float, hue_rad: float) -> NDArray[np.float32]:
    """Return the matrix (3, 3) on RGB that scales all colour, then the green excess, and turns hues about grey.

    The green excess is 2 G - R - B (Woebbecke et al. 1995; from memory): ``lush`` below 1 dries the turf towards straw.
    Grey stays grey at any setting.
    """
    grey, green = np.full(3, 3**-0.5), np.array([-1.0, 2.0, -1.0]) / 6**0.5
    onto_grey = np.outer(grey, grey)
    cross = np.array([[0, -grey[2], grey[1]], [grey[2], 0, -grey[0]], [-grey[1], grey[0], 0]])
    turn = math.cos(hue_rad) * np.eye(3) + math.sin(hue_rad) * cross + (1 - math.cos(hue_rad)) * onto_grey
    season = np.eye(3) + (lush - 1.0) * np.outer(green, green)
    saturation = onto_grey + colour * (np.eye(3) - onto_grey)
    return np.asarray(turn @ season @ saturation, np.float32)

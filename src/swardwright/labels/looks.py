"""What is known of a frame before anyone labels it: what the detector says, and how the picture looks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.frame import Detection

Image = NDArray[np.uint8]
#: pictures are compared at this longer side, so that cameras of any resolution can be
COMPARED_SIDE_PX = 320
#: detections of a lower probability are not kept
LEAST_PROBABILITY = 0.03


@dataclass(frozen=True)
class FrameLook:
    """One frame as the detector and a few simple statistics see it.

    Attributes
    ----------
    detections : tuple[Detection, ...]
        From ``LEAST_PROBABILITY`` on, most probable first.
    features : tuple[float, ...]
        See :func:`features`.
    picture_hash : str
        Of the pixels.
    """

    frame_id: str
    detections: tuple[Detection, ...]
    features: tuple[float, ...]
    picture_hash: str = ""


def features(image_rgb: Image) -> tuple[float, ...]:
    """Describe how a picture looks by 39 numbers: colour, its spread and layout, and texture at four sizes.

    Parameters
    ----------
    image_rgb : Image
        (height, width, 3) uint8.

    Returns
    -------
    tuple[float, ...]
        Mean and standard deviation of CIE L*a*b* (6); shares of eight steps of the excess green index 2g - r - b
        (Woebbecke et al. 1995, https://doi.org/10.13031/2013.27838; 8); log standard deviation of the lightness
        between successive halvings of the size (4); mean lightness, and a* of a 3 x 3 grid less the picture's (9 + 9);
        log edge strength's median, 90th percentile and mean (3).
    """
    import cv2

    height, width = image_rgb.shape[:2]
    scale = min(1.0, COMPARED_SIDE_PX / max(height, width))
    small = cv2.resize(image_rgb, (max(12, round(width * scale)), max(12, round(height * scale))),
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    flat = lab.reshape(-1, 3)
    found = [*(flat.mean(axis=0) / 10.0), *(flat.std(axis=0) / 10.0)]
    share = small.astype(np.float32) / np.maximum(small.sum(axis=2, keepdims=True), 1.0)
    excess = 2.0 * share[..., 1] - share[..., 0] - share[..., 2]
    found += list(np.histogram(np.clip(excess, -0.2, 0.6), bins=8, range=(-0.2, 0.6))[0] / excess.size * 4.0)
    light = lab[..., 0]
    for _ in range(4):
        half = cv2.resize(light, (max(2, light.shape[1] // 2), max(2, light.shape[0] // 2)),
                          interpolation=cv2.INTER_AREA)  # fmt: skip
        back = cv2.resize(half, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
        found.append(float(np.log(0.1 + (light - back).std())))
        light = half
    grid = cv2.resize(lab, (3, 3), interpolation=cv2.INTER_AREA)
    for channel in (0, 1):
        found += list((grid[..., channel] - flat[:, channel].mean()).ravel() / 10.0)
    edges = np.hypot(cv2.Sobel(lab[..., 0], cv2.CV_32F, 1, 0), cv2.Sobel(lab[..., 0], cv2.CV_32F, 0, 1))
    found += [float(np.log(0.1 + v)) for v in (np.median(edges), np.percentile(edges, 90), edges.mean())]
    return tuple(round(float(v), 5) for v in found)


def plants_in_short(detections: tuple[Detection, ...], kinds: tuple[str, ...]) -> tuple[float, ...]:
    """Describe what stands on a frame: root of the expected number of each kind, and the plants' log radius."""
    counts = dict.fromkeys(kinds, 0.0)
    size = weight = 0.0
    for found in detections:
        for kind, share in found.kinds:
            if kind in counts:
                counts[kind] += found.probability * share
        size += found.probability * float(np.log(max(found.radius_px, 1.0)))
        weight += found.probability
    return (*(float(np.sqrt(v)) for v in counts.values()), size / weight if weight > 0.2 else 0.0)

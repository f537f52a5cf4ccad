"""High dynamic range video to 8 bit pictures as photographs have them.

Formulas, from memory of the recommendations named: ITU-R BT.2100 (PQ and HLG transfer functions, HLG system gamma 1.2
for a display of 1000 cd/m2), BT.2408 (reference white of 203 cd/m2, 58 % of PQ and 75 % of HLG), BT.2390 (the tone
curve: straight up to a knee, then a Hermite spline, in PQ), BT.2087 (BT.2020 to BT.709 primaries in linear light),
IEC 61966-2-1 (sRGB). Mid tones keep their place, and what is brighter than reference white is pressed into the top, so
that plants in the sun do not burn out and a detector sees what photographs of the same ground would show it.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array

#: colour_primaries / transfer_characteristics codes of ISO/IEC 23091-2
PQ, HLG = 16, 18
#: diffuse white, and the brightest that is told apart, cd/m2
WHITE_CD_M2, PEAK_CD_M2 = 203.0, 1000.0
_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_A, _B, _C = 0.17883277, 0.28466892, 0.55991073
#: BT.2020 to BT.709 primaries, linear light
TO_709 = np.array(
    [[1.660491, -0.587641, -0.072850], [-0.124550, 1.132900, -0.008349], [-0.018151, -0.100579, 1.118730]]
)
LUMINANCE_2020 = np.array([0.2627, 0.6780, 0.0593])


def pq_cd_m2(signal: Array) -> Array:
    """Return the luminance (cd/m2, at most 10,000) of a PQ signal in 0..1."""
    power = np.power(np.clip(signal, 0.0, 1.0), 1 / _M2)
    return np.asarray(10_000.0 * np.power(np.maximum(power - _C1, 0.0) / (_C2 - _C3 * power), 1 / _M1))


def pq_signal(cd_m2: Array) -> Array:
    """Return the PQ signal (0..1) of a luminance, cd/m2."""
    y = np.power(np.clip(cd_m2, 0.0, 10_000.0) / 10_000.0, _M1)
    return np.asarray(np.power((_C1 + _C2 * y) / (1 + _C3 * y), _M2))


def hlg_scene(signal: Array) -> Array:
    """Return the scene's linear light, 0..1, of an HLG signal in 0..1."""
    signal = np.clip(signal, 0.0, 1.0)
    return np.asarray(np.where(signal <= 0.5, signal**2 / 3, (np.exp((signal - _C) / _A) + _B) / 12))


def hlg_cd_m2(scene: Array) -> Array:
    """Return a 1000 cd/m2 display's light (..., 3) for the scene's linear light (..., 3), BT.2020 primaries."""
    luminance = np.maximum(scene @ LUMINANCE_2020, 1e-9)[..., None]
    return np.asarray(PEAK_CD_M2 * luminance**0.2 * scene)


def pressed_cd_m2(cd_m2: Array) -> Array:
    """Return luminances of 0 to ``PEAK_CD_M2`` pressed into 0 to ``WHITE_CD_M2`` (BT.2390)."""
    peak = float(pq_signal(np.array(PEAK_CD_M2)))
    top = float(pq_signal(np.array(WHITE_CD_M2))) / peak
    knee = 1.5 * top - 0.5
    e = np.clip(pq_signal(cd_m2) / peak, 0.0, 1.0)
    t = (e - knee) / (1 - knee)
    spline = (2 * t**3 - 3 * t**2 + 1) * knee + (t**3 - 2 * t**2 + t) * (1 - knee) + (-2 * t**3 + 3 * t**2) * top
    return pq_cd_m2(np.where(e < knee, e, spline) * peak)


def srgb_code(linear: Array) -> Array:
    """Return sRGB codes 0..255 (float) of linear light 0..1."""
    linear = np.clip(linear, 0.0, 1.0)
    return np.asarray(255.0 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


_STEPS = 4096


@functools.cache
def _tables(transfer: int) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint8]]:
    """Return: signal to light; brightness (PQ steps) to the factor that presses it; root of linear light to sRGB."""
    steps = np.linspace(0.0, 1.0, _STEPS)
    light = pq_cd_m2(steps) if transfer == PQ else hlg_scene(steps)
    bright = np.linspace(0.0, np.sqrt(10_000.0), _STEPS) ** 2
    factor = np.divide(pressed_cd_m2(bright), bright, out=np.ones(_STEPS), where=bright > 0) / WHITE_CD_M2
    factor[0] = factor[1]
    return light.astype(np.float32), factor.astype(np.float32), np.rint(srgb_code(steps**2)).astype(np.uint8)


def to_sdr(signal: NDArray[np.float32], transfer: int) -> NDArray[np.uint8]:
    """Return 8 bit sRGB of an HDR picture.

    Parameters
    ----------
    signal : NDArray[np.float32]
        Shape (height, width, 3), red-green-blue of BT.2020 primaries as coded, 0..1.
    transfer : int
        ``PQ`` or ``HLG``.

    Notes
    -----
    The curve acts on the largest of the three channels and scales all three alike, which keeps the hue.
    """
    light, factor, code = _tables(transfer)
    out = np.empty(signal.shape, np.uint8)
    for top in range(0, signal.shape[0], 256):  # bounds the memory of large pictures
        part = light[np.clip(np.rint(signal[top : top + 256] * (_STEPS - 1)), 0, _STEPS - 1).astype(np.int32)]
        if transfer == HLG:
            part = hlg_cd_m2(part.astype(float)).astype(np.float32)
        largest = np.sqrt(part.max(axis=-1) / 10_000.0) * (_STEPS - 1)
        linear = part * factor[np.clip(np.rint(largest), 0, _STEPS - 1).astype(np.int32)][..., None]
        linear = np.clip(linear @ TO_709.T.astype(np.float32), 0.0, 1.0)
        out[top : top + 256] = code[np.rint(np.sqrt(linear) * (_STEPS - 1)).astype(np.int32)]
    return out


@functools.cache
def grey_table(transfer: int, bits: int, limited: bool) -> NDArray[np.uint8]:
    """Return 8 bit brightness for every luma code of ``bits``, as :func:`to_sdr` gives it for grey."""
    codes = np.arange(1 << bits, dtype=float)
    scale = 2.0 ** (bits - 8)
    signal = (codes - 16 * scale) / (219 * scale) if limited else codes / ((1 << bits) - 1)
    if transfer not in (PQ, HLG):
        return np.clip(np.rint(255 * signal), 0, 255).astype(np.uint8)
    three = np.repeat(np.clip(signal, 0, 1).astype(np.float32)[None, :, None], 3, axis=2)
    return to_sdr(three, transfer)[0, :, 1].copy()

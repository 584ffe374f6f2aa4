"""How fast detail vanishes behind blur, by what blurring the sharp picture does to it."""

from __future__ import annotations

import cv2
import numpy as np

from merge.depth.measuring import SIGMA_NARROW, SIGMA_WIDE
from merge.model import BoolArray, FloatArray
from merge.optics import jinc
from merge.resizing import enlarge_part
from merge.samples import luminance

# Side of the blocks that are blurred, in pixels of the map, the sigma that their powers are
# averaged with, in blocks, and the share of the whole picture's mean in all.
_BLOCK, _SIGMA, _WHOLE = 64, 1.0, np.float32(0.05)
# Powers looked through, from -2 to 0.5; none is 0, which stands for the logarithm.
_POWERS = np.linspace(-1.975, 0.475, 50, dtype=np.float32)


def fall_off_powers(
    guide: FloatArray, sharp: BoolArray, step_px: float, reduction: int
) -> FloatArray:
    """Return the power of the measure that falls off most like a parabola about focus.

    Contrast of many frequencies goes as a power of the diameter behind wide disks of blur, so that
    one over the measure or its square is nearly a parabola; that of one frequency falls as a normal
    curve at first, whose logarithm is one. The power is that of which a disk of half a step takes a
    quarter of what a disk of a step takes.

    Parameters
    ----------
    guide : ndarray, shape (h, w, C), float32
        Sharp picture in its own encoding.
    sharp : ndarray of bool, shape (h, w)
        Where it shows detail in focus.
    step_px : float
        Blur-circle diameter between the frames that are compared, px of the frames.
    reduction : int
        Pixels of the frames for one of the map.

    Returns
    -------
    ndarray, shape (h, w), float32
        Mostly from -2 to 0; near 0 for the logarithm.

    Notes
    -----
    Blur is the geometric disk's, `merge.optics.jinc`, the band that of `measure_detail`.
    """
    light = luminance(guide)
    narrow, wide = (
        cv2.GaussianBlur(light, (0, 0), sigma / reduction) for sigma in (SIGMA_NARROW, SIGMA_WIDE)
    )
    blocks = _blurred_powers(narrow - wide, sharp, step_px / reduction)
    power = cv2.GaussianBlur(blocks, (0, 0), _SIGMA) + _WHOLE * blocks.mean(axis=(0, 1))
    focus, half, full = np.moveaxis(np.maximum(power, np.float32(1e-12)), 2, 0)
    lost = (
        (1 - np.sqrt(behind / focus) ** _POWERS[:, None, None]) / _POWERS[:, None, None]
        for behind in (half, full)
    )
    off = np.abs(4 * next(lost) - next(lost))
    return enlarge_part(_POWERS[off.argmin(axis=0)], (0, 0, *light.shape), _BLOCK)


def _blurred_powers(band: FloatArray, sharp: BoolArray, step: float) -> FloatArray:
    """Return the power of blocks, in focus and behind disks of half a step and of a step.

    Shape (blocks down, blocks along, 3). Towards the borders of a block, where blurring it alone
    goes wrong, pixels count less and less.
    """
    height, width = (-length % _BLOCK for length in band.shape)
    band = cv2.copyMakeBorder(band, 0, height, 0, width, cv2.BORDER_REFLECT)
    weight = cv2.copyMakeBorder(sharp.astype(np.float32), 0, height, 0, width, cv2.BORDER_REFLECT)
    inside = np.hanning(_BLOCK + 1)[:-1].astype(np.float32)
    cycles = np.hypot(np.fft.fftfreq(_BLOCK)[:, None], np.fft.rfftfreq(_BLOCK))
    disks = [jinc(np.pi * cycles * blur).astype(np.float32) for blur in (step / 2, step)]
    powers = np.empty((len(band) // _BLOCK, band.shape[1] // _BLOCK, 3), np.float32)
    for row, out in enumerate(powers):
        strip = slice(row * _BLOCK, (row + 1) * _BLOCK)
        parts, counted = (
            values[strip].reshape(_BLOCK, -1, _BLOCK).transpose(1, 0, 2)
            for values in (band, weight)
        )
        counted = counted * (inside[:, None] * inside)
        spectra = np.fft.rfft2(parts)
        behind = (np.fft.irfft2(spectra * disk) for disk in disks)
        for which, seen in enumerate((parts, *behind)):
            out[:, which] = np.einsum("kyx,kyx,kyx->k", seen, seen, counted)
    return powers

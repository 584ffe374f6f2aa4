"""How much fine detail a frame shows where."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from merge.model import FloatArray
from merge.resizing import reduce_map, reduced_shape

# Band in which sharpness is measured, and the window over which its power is taken, all in pixels
# of the frame, whatever size the measure has: blocks are part of that window. Chosen on the
# photograph scene: 31.0 dB after unveiling, with 0.7-2.8 and 1.5 px 30.8, with 0-1 31.0.
SIGMA_NARROW, SIGMA_WIDE = 0.5, 1.5
WINDOW_SIGMA_PX = 0.7
# Taps on either side of the two normal curves' middle: four sigma, as far as single precision
# notices anything.
REACH_NARROW, REACH_WIDE = 2, 6
# Pictures above this size are measured at half size, above four times of it at a third, ...
_WHOLE_PIXELS = 4_000_000
# Rows of the picture that are in work together, so that nothing of its size is kept.
_STRIP_ROWS = 120


def measure_reduction(shape: tuple[int, ...]) -> int:
    """Return the factor by which depth is measured smaller than a picture of ``shape``."""
    return max(1, int(np.ceil(np.sqrt(shape[0] * shape[1] / _WHOLE_PIXELS))))


def measure_detail(luminance: FloatArray, reduction: int) -> FloatArray:
    """Return the local detail of one frame.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32, [0, 1]
        In the picture's own encoding.
    reduction : int
        Side of the block that one value stands for.

    Returns
    -------
    ndarray, shape `reduced_shape`, float32
        Root mean square of the band around each place.
    """
    luminance = np.asarray(luminance, np.float32)
    power = np.empty(reduced_shape(luminance.shape, reduction), np.float32)
    rows = max(_STRIP_ROWS // reduction, 1) * reduction
    for top in range(0, len(luminance), rows):
        above = max(top - REACH_WIDE, 0)
        seen = luminance[above : top + rows + REACH_WIDE]
        own = slice(top - above, min(top + rows, len(luminance)) - above)
        power[top // reduction : (top + rows) // reduction] = band_power(seen, own, reduction)
    return detail_of(power, reduction)


def band_power(luminance: FloatArray, own: slice, reduction: int) -> FloatArray:
    """Return the mean square of the band in blocks of some rows.

    Parameters
    ----------
    luminance : ndarray, shape (n, W), float32
        These rows and, unless the picture ends there, `REACH_WIDE` more on either side.
    own : slice
        The rows meant; they begin with a block.
    reduction : int
        Side of a block.
    """
    band, soft = (cv2.sepFilter2D(luminance, -1, kernel, kernel) for kernel in _kernels())
    band = cv2.subtract(band, soft, dst=band)[own]
    return reduce_map(cv2.multiply(band, band, dst=soft[own]), reduction)


def detail_of(power: FloatArray, reduction: int) -> FloatArray:
    """Return the measure for the whole picture's `band_power`, shape (h, w)."""
    return cv2.sqrt(mean_around(power, reduction))


def mean_around(power: FloatArray, reduction: int) -> FloatArray:
    """Return what blocks leave to do of the measure's window, done."""
    blocks = (reduction**2 - 1) / 12  # variance of a block's places, px²
    sigma = float(np.sqrt(max(WINDOW_SIGMA_PX**2 - blocks, 0))) / reduction
    return cv2.GaussianBlur(power, (0, 0), sigma) if sigma else power


@cache
def _kernels() -> tuple[FloatArray, FloatArray]:
    """Return the two normal curves whose difference is the band."""
    narrow, wide = (
        np.concatenate([half[:0:-1], half])
        for half in (half_kernel(SIGMA_NARROW, REACH_NARROW), half_kernel(SIGMA_WIDE, REACH_WIDE))
    )
    return narrow, wide


def half_kernel(sigma: float, reach: int) -> FloatArray:
    """Return the middle and one side of a normal curve at whole pixels, the whole summing to 1."""
    half = np.exp(-(np.arange(reach + 1) ** 2) / (2 * sigma**2))
    return (half / (2 * half.sum() - half[0])).astype(np.float32)

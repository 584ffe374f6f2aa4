"""How much fine detail a frame shows where."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from merge.compiled import njit
from merge.model import FloatArray
from merge.resizing import reduced_shape

# Band in which sharpness is measured, in pixels of the frame, and the window over which its power
# is taken, in pixels of the measure. Chosen on the photograph scene: 31.0 dB after unveiling, with
# 0.7-2.8 and 1.5 px 30.8, with 0-1 31.0.
SIGMA_NARROW, SIGMA_WIDE = 0.5, 1.5
WINDOW_SIGMA_PX = 0.7
# Taps on either side of the two normal curves' middle: four sigma, as far as single precision
# notices anything.
REACH_NARROW, REACH_WIDE = 2, 6
# Pictures above this size are measured at half size, above four times of it at a third, ...
_WHOLE_PIXELS = 4_000_000
# Rows of the measure for one job of a thread.
_STRIP_ROWS = 32


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

    Notes
    -----
    Band, square and block mean go row by row, so that nothing of the frame's size is kept: 24 MP
    in 0.04 s on two threads against 0.17 s with whole pictures blurred.
    """
    luminance = np.ascontiguousarray(luminance, np.float32)
    power = np.empty(reduced_shape(luminance.shape, reduction), np.float32)
    narrow = half_kernel(SIGMA_NARROW, REACH_NARROW)
    wide = half_kernel(SIGMA_WIDE, REACH_WIDE)
    strips = [
        (top, min(top + _STRIP_ROWS, len(power))) for top in range(0, len(power), _STRIP_ROWS)
    ]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        jobs = [
            pool.submit(_sum_band_power, luminance, power, narrow, wide, reduction, strip)
            for strip in strips
        ]
        for job in jobs:
            job.result()
    return cv2.sqrt(cv2.GaussianBlur(power, (0, 0), WINDOW_SIGMA_PX))


def half_kernel(sigma: float, reach: int) -> FloatArray:
    """Return the middle and one side of a normal curve at whole pixels, the whole summing to 1."""
    half = np.exp(-(np.arange(reach + 1) ** 2) / (2 * sigma**2))
    return (half / (2 * half.sum() - half[0])).astype(np.float32)


@njit(inner=True, nogil=True, fastmath=True)
def mirror(index: int, count: int) -> int:  # pragma: no cover - compiled
    """Return the place in 0 ... count-1 for one beyond: reflected, the border itself once."""
    if count == 1:
        return 0
    while index < 0 or index >= count:
        index = -index if index < 0 else 2 * count - 2 - index
    return index


@njit(inner=True, nogil=True, fastmath=True)
def _blur_rows(  # pragma: no cover - compiled
    picture: FloatArray, row: int, kernel: FloatArray, out: FloatArray, pad: int
) -> None:
    """Put one row of ``picture``, blurred across rows, into ``out[pad:-pad]``, and its rims."""
    height, width = picture.shape
    here = picture[row]
    inside = out[pad : pad + width]
    for x in range(width):
        inside[x] = kernel[0] * here[x]
    for tap in range(1, len(kernel)):
        above = picture[mirror(row - tap, height)]
        below = picture[mirror(row + tap, height)]
        share = kernel[tap]
        for x in range(width):
            inside[x] += share * (above[x] + below[x])
    for x in range(pad):
        out[x] = out[pad + mirror(x - pad, width)]
        out[pad + width + x] = out[pad + mirror(width + x, width)]


@njit(inner=True, nogil=True, fastmath=True)
def _add_blurred(  # pragma: no cover - compiled
    line: FloatArray, kernel: FloatArray, sign: float, out: FloatArray
) -> None:
    """Add ``sign`` times a padded row, blurred along itself, to ``out``."""
    width = len(out)
    pad = (len(line) - width) // 2
    middle, share = line[pad : pad + width], np.float32(sign) * kernel[0]
    for x in range(width):
        out[x] += share * middle[x]
    for tap in range(1, len(kernel)):
        left, right = line[pad - tap : pad - tap + width], line[pad + tap : pad + tap + width]
        share = np.float32(sign) * kernel[tap]
        for x in range(width):
            out[x] += share * (left[x] + right[x])


@njit(nogil=True, fastmath=True)
def _sum_band_power(  # pragma: no cover - compiled
    picture: FloatArray,
    power: FloatArray,
    narrow: FloatArray,
    wide: FloatArray,
    reduction: int,
    rows: tuple,
) -> None:
    """Fill rows of ``power`` with block means of the square of narrow minus wide blur."""
    height, width = picture.shape
    pad = len(wide) - 1
    across_narrow = np.empty(width + 2 * pad, np.float32)
    across_wide = np.empty(width + 2 * pad, np.float32)
    band = np.empty(width, np.float32)
    total = np.empty(width, np.float32)
    scale = np.float32(1 / (reduction * reduction))
    for block in range(rows[0], rows[1]):
        total[:] = 0
        for row in range(block * reduction, (block + 1) * reduction):
            if row < height:  # the last row stands for those missing in its block
                _blur_rows(picture, row, narrow, across_narrow, pad)
                _blur_rows(picture, row, wide, across_wide, pad)
                band[:] = 0
                _add_blurred(across_narrow, narrow, 1.0, band)
                _add_blurred(across_wide, wide, -1.0, band)
            for x in range(width):
                total[x] += band[x] * band[x]
        for column in range(power.shape[1]):
            summed = np.float32(0)
            for x in range(column * reduction, (column + 1) * reduction):
                summed += total[min(x, width - 1)]
            power[block, column] = summed * scale

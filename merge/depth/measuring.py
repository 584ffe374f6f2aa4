"""How much fine detail a frame shows where."""

from __future__ import annotations

import math
from functools import cache

import cv2
import numpy as np

from merge.compiled import njit
from merge.model import FloatArray
from merge.resizing import mirrored, reduce_map, reduced_shape

# Band in which sharpness is measured, and the window over which its power is taken, all in pixels
# of the frame, whatever size the measure has: blocks are part of that window. Chosen on the
# photograph scene: 31.0 dB after unveiling, with 0.7-2.8 and 1.5 px 30.8, with 0-1 31.0.
SIGMA_NARROW, SIGMA_WIDE = 0.5, 1.5
WINDOW_SIGMA_PX = 0.7
# Normal curves are followed to so many sigma, as far as single precision notices anything.
REACH_SIGMAS = 4
REACH_WIDE = round(REACH_SIGMAS * SIGMA_WIDE)
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
    squares = np.empty((own.stop - own.start, luminance.shape[1]), np.float32)
    _fill_squares(luminance, own.start, *_kernels(), squares)
    return reduce_map(squares, reduction)


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
    """Return halves of the two normal curves whose difference is the band."""
    return half_kernel(SIGMA_NARROW), half_kernel(SIGMA_WIDE)


# Written out for curves of two and six taps to each side: two general separable filters and a
# square take three times as long (241 and 73 ms for 24 MP).
@njit(nogil=True, fastmath=True, error_model="numpy")
def _fill_squares(  # pragma: no cover - compiled
    light: FloatArray, first: int, narrow: FloatArray, wide: FloatArray, out: FloatArray
) -> None:
    """Fill ``out`` with the squared band of as many rows, from ``first`` on."""
    height, width = light.shape
    n0, n1, n2 = narrow[0], narrow[1], narrow[2]
    w0, w1, w2, w3, w4, w5, w6 = wide[0], wide[1], wide[2], wide[3], wide[4], wide[5], wide[6]
    a, b = np.empty(width + 12, np.float32), np.empty(width + 12, np.float32)
    for i in range(out.shape[0]):
        y = first + i
        u1, u2, u3 = mirrored(y - 1, height), mirrored(y - 2, height), mirrored(y - 3, height)
        u4, u5, u6 = mirrored(y - 4, height), mirrored(y - 5, height), mirrored(y - 6, height)
        d1, d2, d3 = mirrored(y + 1, height), mirrored(y + 2, height), mirrored(y + 3, height)
        d4, d5, d6 = mirrored(y + 4, height), mirrored(y + 5, height), mirrored(y + 6, height)
        for x in range(width):
            own, one, two = light[y, x], light[u1, x] + light[d1, x], light[u2, x] + light[d2, x]
            a[x + 6] = n0 * own + n1 * one + n2 * two
            soft = w0 * own + w1 * one + w2 * two + w3 * (light[u3, x] + light[d3, x])
            soft += w4 * (light[u4, x] + light[d4, x]) + w5 * (light[u5, x] + light[d5, x])
            b[x + 6] = soft + w6 * (light[u6, x] + light[d6, x])
        for k in range(1, 7):
            before, after = 6 + mirrored(-k, width), 6 + mirrored(width - 1 + k, width)
            a[6 - k], a[width + 5 + k] = a[before], a[after]
            b[6 - k], b[width + 5 + k] = b[before], b[after]
        for x in range(width):
            band = n0 * a[x + 6] + n1 * (a[x + 5] + a[x + 7]) + n2 * (a[x + 4] + a[x + 8])
            band -= w0 * b[x + 6] + w1 * (b[x + 5] + b[x + 7]) + w2 * (b[x + 4] + b[x + 8])
            band -= w3 * (b[x + 3] + b[x + 9]) + w4 * (b[x + 2] + b[x + 10])
            band -= w5 * (b[x + 1] + b[x + 11]) + w6 * (b[x] + b[x + 12])
            out[i, x] = band * band


def half_kernel(sigma: float, most: int = REACH_WIDE) -> FloatArray:
    """Return the middle and one side, of ``most`` px, of a normal curve; the whole sums to 1."""
    reach = min(math.ceil(REACH_SIGMAS * sigma), most)
    half = np.exp(-(np.arange(reach + 1) ** 2) / (2 * sigma**2))
    return (half / (2 * half.sum() - half[0])).astype(np.float32)


@cache
def white_noise_power() -> float:
    """Return the power of the measure of white noise of variance 1."""
    noise = np.random.default_rng(1).standard_normal((256, 256)).astype(np.float32)
    return float((measure_detail(noise, 1) ** 2).mean())

"""How much fine detail a frame shows where."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.model import FloatArray
from merge.resizing import enlarge_part, mirrored, reduce_map, reduced_shape
from merge.samples import colour_power, luma_shares
from merge.threads import map_threads

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
# Rows that a thread takes at a time; six more to each side are looked at again.
_STRIP_ROWS = 240


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
    For whole frames `measure_samples` does the same in a third of the time (24 MP of one channel:
    214 and 64 ms).
    """
    narrow, wide = (
        cv2.sepFilter2D(np.asarray(luminance, np.float32), -1, *[_whole_kernel(half)] * 2)
        for half in _kernels()
    )
    band = cv2.subtract(narrow, wide)
    return detail_of(reduce_map(cv2.multiply(band, band), reduction), reduction)


@dataclass(frozen=True, eq=False)
class SampleMeasures:
    """What a merge needs of all of a frame's stored values, white at 1.

    Attributes
    ----------
    light : ndarray, shape (H // light_reduction, W // light_reduction), float32
        Block means of the luminance, in the frame's own encoding.
    colours : ndarray, shape (h, w, C), float32
        Block means of the values, (h, w) as `reduced_shape` has it.
    power : ndarray, shape (h, w), float32
        Mean square of the band in these blocks, see `detail_of`; where colours of one luminance
        meet, that of the colours.
    """

    light: FloatArray
    colours: FloatArray
    power: FloatArray


def measure_samples(
    samples: NDArray[Any], white: float, *, reduction: int, light_reduction: int
) -> SampleMeasures:
    """Return a frame's detail, colours and light, reduced, from one passage over its values.

    Parameters
    ----------
    samples : ndarray, shape (H, W, C), uint8, uint16 or float32
        C is 1 or 3.
    white : float
        Value of white.
    reduction, light_reduction : int
        Sides of the blocks.
    """
    height, width, channels = samples.shape
    small = reduced_shape(samples.shape, reduction)
    light = np.empty((height // light_reduction, width // light_reduction), np.float32)
    colours, power = np.empty((*small, channels), np.float32), np.empty(small, np.float32)
    shares = luma_shares(channels) / np.float32(white)
    step = math.lcm(reduction, light_reduction)
    rows = -(-_STRIP_ROWS // step) * step
    lines, flat = samples.reshape(height, -1), colours.reshape(len(colours), -1)
    lines = np.ascontiguousarray(lines)

    def measure(first: int) -> None:
        strip = first, min(first + rows, height)
        sides = light_reduction, reduction
        _measure_rows(lines, shares, strip, sides, *_kernels(), light, flat, power)

    map_threads(measure, range(0, height, rows))
    colours /= np.float32(white)
    if channels == 3:
        np.maximum(power, _colour_power(colours, reduction), out=power)
    return SampleMeasures(light, colours, power)


def _colour_power(colours: FloatArray, reduction: int) -> FloatArray:
    """Return what of the measure colours alone make, from block means (h, w, 3); shape (h, w).

    Blocks of two pixels at least are part of the band: few files hold colours more finely.
    """
    side = max(2 // reduction, 1)
    blocks = reduce_map(colours, side)
    power = colour_power(blocks - cv2.GaussianBlur(blocks, (0, 0), SIGMA_WIDE / 2))
    return enlarge_part(power, (0, 0, *colours.shape[:2]), side)


def detail_of(power: FloatArray, reduction: int) -> FloatArray:
    """Return the measure for the band's power in blocks, (h, w) both."""
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


def _whole_kernel(half: FloatArray) -> FloatArray:
    return np.concatenate([half[:0:-1], half])


# A ring of lines stays in a processor's cache: strips of floats, whatever their height, took 1.8
# times as long on one thread and 2.1 times on two (250, 140 and 169, 82 ms for 24 MP).
@njit(nogil=True, fastmath=True, error_model="numpy")
def _measure_rows(  # pragma: no cover - compiled
    lines: NDArray[Any], shares: FloatArray, strip: tuple, sides: tuple, narrow: FloatArray,
    wide: FloatArray, light: FloatArray, colours: FloatArray, power: FloatArray,
) -> None:  # fmt: skip
    """Fill in what the rows from ``strip[0]`` up to ``strip[1]`` give; whole blocks begin there.

    ``lines`` and ``colours`` hold their channels side by side; ``sides`` of the blocks of light and
    of the others; see `SampleMeasures`. Curves of two and six taps to each side, written out.
    """
    channels, (light_side, side) = len(shares), sides
    height, width = lines.shape[0], lines.shape[1] // channels
    n0, n1, n2 = narrow[0], narrow[1], narrow[2]
    w0, w1, w2, w3, w4, w5, w6 = wide[0], wide[1], wide[2], wide[3], wide[4], wide[5], wide[6]
    ring = np.empty((13, width), np.float32)
    a, b = np.empty(width + 12, np.float32), np.empty(width + 12, np.float32)
    inner_a, inner_b = a[6:], b[6:]
    lights, powers = np.empty(width, np.float32), np.empty(width, np.float32)
    sums, once = np.empty(width * channels, np.float32), np.float32(1)
    for line in (lights, powers, sums):
        _set_to_zero(line)
    for y in range(strip[0] - 6, strip[1] + 6):
        line, luma = lines[mirrored(y, height)], ring[(y + 13) % 13]
        _fill_luma(line, shares, luma)
        if strip[0] <= y < strip[1]:
            _add_line(line, _times(y, side, height), sums)
            if (y + 1) % side == 0 or y == height - 1:
                _put_means(sums, side, channels, colours[y // side])
            if y // light_side < len(light):
                _add_line(luma, once, lights)
                if (y + 1) % light_side == 0:
                    _put_means(lights, light_side, np.int64(1), light[y // light_side])
        i = y - 6
        if i < strip[0]:
            continue
        here, u1 = ring[i % 13], ring[(i + 12) % 13]
        u2, u3 = ring[(i + 11) % 13], ring[(i + 10) % 13]
        u4, u5, u6 = ring[(i + 9) % 13], ring[(i + 8) % 13], ring[(i + 7) % 13]
        d1, d2, d3 = ring[(i + 1) % 13], ring[(i + 2) % 13], ring[(i + 3) % 13]
        d4, d5, d6 = ring[(i + 4) % 13], ring[(i + 5) % 13], ring[(i + 6) % 13]
        for x in range(width):
            own, one, two = here[x], u1[x] + d1[x], u2[x] + d2[x]
            inner_a[x] = n0 * own + n1 * one + n2 * two
            soft = w0 * own + w1 * one + w2 * two + w3 * (u3[x] + d3[x])
            soft += w4 * (u4[x] + d4[x]) + w5 * (u5[x] + d5[x])
            inner_b[x] = soft + w6 * (u6[x] + d6[x])
        for k in range(1, 7):
            before, after = 6 + mirrored(-k, width), 6 + mirrored(width - 1 + k, width)
            a[6 - k], a[width + 5 + k] = a[before], a[after]
            b[6 - k], b[width + 5 + k] = b[before], b[after]
        times = _times(i, side, height)
        for x in range(width):
            band = n0 * a[x + 6] + n1 * (a[x + 5] + a[x + 7]) + n2 * (a[x + 4] + a[x + 8])
            band -= w0 * b[x + 6] + w1 * (b[x + 5] + b[x + 7]) + w2 * (b[x + 4] + b[x + 8])
            band -= w3 * (b[x + 3] + b[x + 9]) + w4 * (b[x + 2] + b[x + 10])
            band -= w5 * (b[x + 1] + b[x + 11]) + w6 * (b[x] + b[x + 12])
            powers[x] += times * band * band
        if (i + 1) % side == 0 or i == height - 1:
            _put_means(powers, side, np.int64(1), power[i // side])


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _times(row: int, side: int, height: int) -> np.float32:  # pragma: no cover - compiled
    """Return how often a row counts: the last one for those that its block lacks, too."""
    return np.float32(side - row % side if row == height - 1 else 1)


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _fill_luma(  # pragma: no cover - compiled
    line: NDArray[Any], shares: FloatArray, out: FloatArray
) -> None:
    """Fill ``out`` with a line's luminance; unsigned places, for vectors."""
    if len(shares) == 1:
        for x in range(len(out)):
            out[x] = shares[0] * np.float32(line[x])
        return
    red, green, blue, one, two = shares[0], shares[1], shares[2], np.uint64(1), np.uint64(2)
    for x in range(np.uint64(len(out))):
        k = x * np.uint64(3)
        colour = red * np.float32(line[k]) + green * np.float32(line[k + one])
        out[x] = colour + blue * np.float32(line[k + two])


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _add_line(  # pragma: no cover - compiled
    line: NDArray[Any], times: np.float32, sums: FloatArray
) -> None:
    for x in range(len(sums)):
        sums[x] += times * np.float32(line[x])


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _set_to_zero(sums: FloatArray) -> None:  # pragma: no cover - compiled
    for x in range(len(sums)):
        sums[x] = 0


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _put_means(  # pragma: no cover - compiled
    sums: FloatArray, side: int, channels: int, out: FloatArray
) -> None:
    """Fill ``out`` with blocks' means from columns' sums, and set these back to 0.

    A last block that lacks columns goes on as its last one.
    """
    width, whole = len(sums) // channels, len(sums) // channels // side
    share, part = np.float32(1 / (side * side)), out[: whole * channels]
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    # Of the usual numbers the compiler knows the steps: a half to a thirtieth of the time. All are
    # written out here: one more function for the sides takes 15 to 30 % longer, for grey twice.
    if channels == 3:
        if side == 1:
            _mean_columns(sums, one, three, share, part)
        elif side == 2:
            _mean_columns(sums, two, three, share, part)
        elif side == 3:
            _mean_columns(sums, three, three, share, part)
        else:
            _mean_columns(sums, np.uint64(side), three, share, part)
    elif side == 1:
        _mean_columns(sums, one, one, share, part)
    elif side == 2:
        _mean_columns(sums, two, one, share, part)
    elif side == 3:
        _mean_columns(sums, three, one, share, part)
    else:
        _mean_columns(sums, np.uint64(side), one, share, part)
    for c in range(whole * channels, len(out)):
        total = np.float32(0)
        for n in range(side):
            total += sums[min(whole * side + n, width - 1) * channels + c % channels]
        out[c] = total * share
    _set_to_zero(sums)


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _mean_columns(  # pragma: no cover - compiled
    sums: FloatArray, side: np.uint64, channels: np.uint64, share: np.float32, out: FloatArray
) -> None:
    for k in range(np.uint64(len(out)) // channels):
        for c in range(channels):
            total = np.float32(0)
            for n in range(side):
                total += sums[(k * side + n) * channels + c]
            out[k * channels + c] = total * share


def half_kernel(sigma: float, most: int = REACH_WIDE) -> FloatArray:
    """Return the middle and one side, of ``most`` px, of a normal curve; the whole sums to 1."""
    reach = min(math.ceil(REACH_SIGMAS * sigma), most)
    half = np.exp(-(np.arange(reach + 1) ** 2) / (2 * sigma**2))
    return (half / (2 * half.sum() - half[0])).astype(np.float32)


@cache
def white_noise_power() -> float:
    """Return the power of the measure of white noise of variance 1."""
    narrow, wide = (np.zeros(2 * REACH_WIDE + 1) for _ in "12")
    for out, half in zip((narrow, wide), _kernels(), strict=True):
        out[REACH_WIDE - len(half) + 1 : REACH_WIDE + len(half)] = _whole_kernel(half)
    return float(((np.outer(narrow, narrow) - np.outer(wide, wide)) ** 2).sum())

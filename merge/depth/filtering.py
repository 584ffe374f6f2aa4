"""Filters of one tile of a measure, and the peaks along the stack that they lead to.

`_fit_windows` and `filter_tile` are the guided filter with a colour guide [1]_. A tile is small
enough that everything kept of it stays in a processor's cache while the frames go by.

.. [1] K. He, J. Sun and X. Tang, "Guided image filtering", IEEE Trans. Pattern Anal. Mach.
   Intell. 35(6), 1397-1409 (2013), equations 14 to 16. doi:10.1109/TPAMI.2012.213
"""

from __future__ import annotations

from itertools import combinations_with_replacement

import cv2
import numpy as np

from merge.compiled import njit
from merge.model import FloatArray

# Radius of the windows in pixels of the picture, and the variance of an edge. A radius of 3 favours
# thin hairs (rendered macro 28.9 dB against 28.6 with 6), one of 6 the photograph scene (31.0
# against 30.6).
FILTER_RADIUS_PX = 4
FILTER_VARIANCE = 1e-4
# Where the map is small: the spread of three colours needs more than nine places, of radius 1.
_LEAST_RADIUS_PX = 2
# No measure counts as less than this, so that every place has a peak, and a logarithm.
LEAST = np.float32(1e-6)
# Planes of a tile's state: for the filtered and for the widened measure the index of the highest
# frame, its measure, and those so many frames before and after it; the filtered one twice as many
# before, after the first frame; the widened measures of the frame before, of and after the highest
# filtered one; then the last filtered measures, twice so many, and the last widened ones, so many.
INDEX, BEST, BEFORE, AFTER = range(4)
SMOOTH, WIDE, SECOND, BESIDE, LAST = 0, 4, 8, 9, 12


@njit(inner=True, nogil=True, fastmath=True)
def _box_mean(  # pragma: no cover - compiled
    values: FloatArray, shape: tuple, side: int, out: FloatArray
) -> None:
    """Fill the start of ``out`` with means of all whole windows in the start of ``values``.

    ``shape`` says how much of ``values``: a part of a plane passed as such would be twice as slow.
    """
    height, width = shape[0], shape[1] - side + 1
    sums = np.empty((side, width), np.float32)
    share = np.float32(1 / (side * side))
    for row in range(height):
        line, along = values[row], sums[row % side]
        for x in range(width):
            along[x] = line[x] + line[x + 1]
        for shift in range(2, side):
            beside = line[shift:]
            for x in range(width):
                along[x] += beside[x]
        if row >= side - 1:
            mean = out[row - side + 1]
            for x in range(width):
                mean[x] = sums[0, x] * share
            for kept in range(1, side):
                other = sums[kept]
                for x in range(width):
                    mean[x] += other[x] * share


def _fit_windows(guide: FloatArray, pad: int) -> FloatArray:
    """Return every window's mean colour and inverse colour spread.

    For a guide (C, h + 2 pad, w + 2 pad) of 1 or 3 channels, see `padding_px`. Shape
    (C + C (C + 1) / 2, h + pad, w + pad): means, then the upper triangle of the inverse covariance,
    row by row.
    """
    means = [_whole_windows(colour, pad) for colour in guide]
    spread = []
    for one, two in combinations_with_replacement(range(len(guide)), 2):
        both = _whole_windows(cv2.multiply(guide[one], guide[two]), pad) - means[one] * means[two]
        spread.append(both + np.float32(FILTER_VARIANCE) if one == two else both)
    if len(guide) == 1:
        return np.stack([*means, 1 / spread[0]])
    a, b, c, d, e, f = np.array(spread, float)
    first, second, third = d * f - e * e, c * e - b * f, b * e - c * d
    inverse = np.array([first, second, third, a * f - c * c, b * c - a * e, a * d - b * b])
    inverse /= a * first + b * second + c * third
    return np.concatenate([means, inverse], dtype=np.float32)


def _whole_windows(values: FloatArray, pad: int) -> FloatArray:
    """Return means of all windows, ``pad`` + 1 wide, that lie in a picture."""
    means = cv2.boxFilter(values, -1, (pad + 1, pad + 1))
    return np.asarray(means[pad // 2 : -(pad - pad // 2), pad // 2 : -(pad - pad // 2)])


@njit(nogil=True, fastmath=True, takes="f2 f3 f3 f3 f2")
def filter_tile(  # pragma: no cover - compiled
    values: FloatArray, guide: FloatArray, fit: FloatArray, work: FloatArray, out: FloatArray
) -> None:
    """Fill ``out`` with ``values`` filtered along the edges of ``guide``.

    Parameters
    ----------
    values : ndarray, shape (h + 2 pad, w + 2 pad), float32
    guide, fit : ndarray
        See `_fit_windows`.
    work : ndarray, shape (C + 2, h + 2 pad, w + 2 pad), float32
        Overwritten.
    out : ndarray, shape (h, w), float32
    """
    channels, height, width = guide.shape[0], fit.shape[1], fit.shape[2]
    pad = values.shape[0] - height
    side = pad + 1
    offset, product = work[channels], work[channels + 1]
    _box_mean(values, values.shape, side, offset)
    for one in range(channels):
        for row in range(values.shape[0]):
            for x in range(values.shape[1]):
                product[row, x] = guide[one, row, x] * values[row, x]
        _box_mean(product, values.shape, side, work[one])
    for row in range(height):
        mean = offset[row]
        if channels == 1:
            for x in range(width):
                slope = (work[0, row, x] - fit[0, row, x] * mean[x]) * fit[1, row, x]
                work[0, row, x] = slope
                mean[x] -= slope * fit[0, row, x]
            continue
        for x in range(width):
            shared0 = work[0, row, x] - fit[0, row, x] * mean[x]
            shared1 = work[1, row, x] - fit[1, row, x] * mean[x]
            shared2 = work[2, row, x] - fit[2, row, x] * mean[x]
            slope0 = fit[3, row, x] * shared0 + fit[4, row, x] * shared1 + fit[5, row, x] * shared2
            slope1 = fit[4, row, x] * shared0 + fit[6, row, x] * shared1 + fit[7, row, x] * shared2
            slope2 = fit[5, row, x] * shared0 + fit[7, row, x] * shared1 + fit[8, row, x] * shared2
            work[0, row, x], work[1, row, x], work[2, row, x] = slope0, slope1, slope2
            mean[x] -= slope0 * fit[0, row, x] + slope1 * fit[1, row, x] + slope2 * fit[2, row, x]
    smooth = work[channels + 1]
    for one in range(channels + 1):
        _box_mean(work[one], (height, width), side, smooth)
        for row in range(out.shape[0]):
            for x in range(out.shape[1]):
                before = np.float32(0) if one == 0 else out[row, x]
                colour = np.float32(1) if one == channels else guide[one, row + pad, x + pad]
                out[row, x] = before + smooth[row, x] * colour


def widen_tile(values: FloatArray, kernel: FloatArray, pad: int) -> FloatArray:
    """Return the root of the squares of ``values``, blurred by a normal curve.

    Parameters
    ----------
    values : ndarray, shape (h + 2 pad, w + 2 pad), float32
    kernel : ndarray, shape (K,), float32
        Middle and one side; K at most pad + 1.
    pad : int

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    whole = np.concatenate([kernel[:0:-1], kernel])
    wide = cv2.sepFilter2D(cv2.multiply(values, values), -1, whole, whole)
    return cv2.sqrt(wide[pad:-pad, pad:-pad])


@njit(nogil=True, takes="f3 f2 f2 i")
def track_frame(  # pragma: no cover - compiled
    state: FloatArray, smooth: FloatArray, wide: FloatArray, count: int
) -> None:
    """Take frame ``count`` into the peaks of the filtered and of the widened measures.

    Parameters
    ----------
    state : ndarray, shape (planes, h, w), float32
        See the names of its planes above; from `start_state`.
    smooth, wide : ndarray, shape (h, w), float32
        From `filter_tile` and `widen_tile`.
    count : int
    """
    apart = (state.shape[0] - LAST) // 3
    twice = 2 * apart
    # Where measures so many frames before stand, or the first frame's, and those of this one.
    here, widened = LAST + count % twice, LAST + twice + count % apart
    before = LAST + max(count - apart, 0) % twice
    before_widened = LAST + twice + max(count - apart, 0) % apart
    last_widened = LAST + twice + (count - 1) % apart
    previous, this, none = np.float32(count - 1), np.float32(count), np.float32(0)
    for row in range(smooth.shape[0]):
        for x in range(smooth.shape[1]):
            value, beside = max(smooth[row, x], LEAST), wide[row, x]
            if value > state[SMOOTH + BEST, row, x]:
                state[SMOOTH + BEFORE, row, x] = state[before, row, x]
                state[SECOND, row, x] = state[here, row, x]
                state[SMOOTH + BEST, row, x], state[SMOOTH + AFTER, row, x] = value, none
                state[SMOOTH + INDEX, row, x] = this
                state[BESIDE, row, x] = state[last_widened, row, x]
                state[BESIDE + 1, row, x], state[BESIDE + 2, row, x] = beside, none
            else:
                if state[SMOOTH + INDEX, row, x] >= count - apart:
                    state[SMOOTH + AFTER, row, x] = value
                if count <= twice and state[SMOOTH + INDEX, row, x] == 0:
                    state[SECOND, row, x] = value
                if state[SMOOTH + INDEX, row, x] == previous:
                    state[BESIDE + 2, row, x] = beside
            if beside > state[WIDE + BEST, row, x]:
                state[WIDE + BEFORE, row, x] = state[before_widened, row, x]
                state[WIDE + BEST, row, x], state[WIDE + AFTER, row, x] = beside, none
                state[WIDE + INDEX, row, x] = this
            elif state[WIDE + INDEX, row, x] >= count - apart:
                state[WIDE + AFTER, row, x] = beside
            state[here, row, x], state[widened, row, x] = value, beside


def padding_px(reduction: int) -> int:
    """Return the pixels of a measure all round a tile that its windows reach: two radii."""
    return 2 * max(round(FILTER_RADIUS_PX / reduction), _LEAST_RADIUS_PX)


class EdgeFilter:
    """Guided filter of one tile.

    Parameters
    ----------
    guide : ndarray, shape (h + 2 pad, w + 2 pad, C), float32
        C is 1 or 3.
    pad : int
        From `padding_px`.
    """

    def __init__(self, guide: FloatArray, pad: int) -> None:
        rows, columns, channels = guide.shape
        self._pad = pad
        self._guide = np.ascontiguousarray(guide.transpose(2, 0, 1))
        self._fit = _fit_windows(self._guide, pad)
        self._work = np.empty((channels + 2, rows, columns), np.float32)

    def apply(self, values: FloatArray) -> FloatArray:
        """Return a map, shape (h + 2 pad, w + 2 pad), filtered along edges, shape (h, w)."""
        rows, columns = values.shape
        out = np.empty((rows - 2 * self._pad, columns - 2 * self._pad), np.float32)
        filter_tile(values, self._guide, self._fit, self._work, out)
        return out


def start_state(shape: tuple[int, int], apart: int) -> FloatArray:
    """Return the state of a tile of (h, w) before its first frame.

    Peaks are found from measures ``apart`` frames before and after the highest.
    """
    return np.zeros((LAST + 3 * apart, *shape), np.float32)

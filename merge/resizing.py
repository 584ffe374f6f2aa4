"""Maps at a reduced size, and back at full size, part by part.

Pixel (i, j) of a map reduced by a factor r stands for the block of r x r pixels whose first is
(i r, j r); the last row and column may stand for incomplete blocks.
"""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np

from merge.compiled import njit
from merge.model import Box, FloatArray

# Depths farther apart than this, in frames, lie on different things: nothing lies between them.
_APART_FRAMES = 1.5


def reduced_shape(shape: tuple[int, ...], reduction: int) -> tuple[int, int]:
    """Return the shape of a reduced map: the last pixel stands for an incomplete block."""
    return -(-shape[0] // reduction), -(-shape[1] // reduction)


def reduce_map(
    values: FloatArray, reduction: int, *, incomplete: Literal["replicate", "drop"] = "replicate"
) -> FloatArray:
    """Return block means, channels kept.

    Parameters
    ----------
    values : ndarray, shape (H, W) or (H, W, C), float32
    reduction : int
    incomplete : {"replicate", "drop"}
        Blocks that the picture ends in are filled with its last row and column, and the shape is
        that of `reduced_shape`; or they are left out, and it is (H // reduction, W // reduction).
    """
    if reduction == 1:
        return values
    if incomplete == "drop":
        height, width = (length // reduction for length in values.shape[:2])
        values = values[: height * reduction, : width * reduction]
        if not values.size:
            return values.reshape(height, width, *values.shape[2:])
    height, width = reduced_shape(values.shape, reduction)
    missing = (height * reduction - values.shape[0], width * reduction - values.shape[1])
    padded = values
    if any(missing):
        padded = cv2.copyMakeBorder(values, 0, missing[0], 0, missing[1], cv2.BORDER_REPLICATE)
    small = cv2.resize(padded, (width, height), interpolation=cv2.INTER_AREA)
    return small.reshape(height, width, *values.shape[2:])


def enlarge_part(values: FloatArray, box: Box, reduction: int) -> FloatArray:
    """Return part of a reduced map at full size, interpolated linearly.

    Parameters
    ----------
    values : ndarray, shape (h, w) or (h, w, C), float32
    box : (row, column, height, width)
        At full size.
    reduction : int

    Returns
    -------
    ndarray, shape (height, width) or (height, width, C), float32
    """
    row, column, height, width = box
    if reduction == 1:
        return values[row : row + height, column : column + width]
    top, left = max(row // reduction - 1, 0), max(column // reduction - 1, 0)
    bottom = min((row + height - 1) // reduction + 2, values.shape[0])
    right = min((column + width - 1) // reduction + 2, values.shape[1])
    cut = np.ascontiguousarray(values[top:bottom, left:right])
    size = (cut.shape[1] * reduction, cut.shape[0] * reduction)
    large = cv2.resize(cut, size, interpolation=cv2.INTER_LINEAR)
    large = large.reshape(*large.shape[:2], *values.shape[2:])  # OpenCV drops a single channel
    first, start = row - top * reduction, column - left * reduction
    return large[first : first + height, start : start + width]


def enlarge_position(position: FloatArray, box: Box, reduction: int) -> FloatArray:
    """Return part of a reduced depth map at full size; depth steps stay steps.

    Parameters
    ----------
    position : ndarray, shape (h, w), float32
        Depth in frames.
    box : (row, column, height, width)
        At full size.
    reduction : int

    Returns
    -------
    ndarray, shape (height, width), float32
        Linear between neighbours of one surface; beside a step the nearest value.
    """
    row, column, height, width = box
    if reduction == 1:
        return position[row : row + height, column : column + width]
    out = np.empty((height, width), np.float32)
    _fill_position(position, out, row, column, reduction)
    return out


@njit(nogil=True, fastmath=True)
def _fill_position(  # pragma: no cover - compiled
    position: FloatArray, out: FloatArray, row: int, column: int, reduction: int
) -> None:
    tops, belows, down = neighbours(row, out.shape[0], reduction, position.shape[0])
    lefts, besides, across = neighbours(column, out.shape[1], reduction, position.shape[1])
    for i in range(out.shape[0]):
        upper, lower = position[tops[i]], position[belows[i]]
        for j in range(out.shape[1]):
            left, beside = lefts[j], besides[j]
            out[i, j] = depth_between(
                upper[left], upper[beside], lower[left], lower[beside], down[i], across[j]
            )


@njit(inner=True, nogil=True, fastmath=True)
def neighbours(  # pragma: no cover - compiled
    first: int, count: int, reduction: int, size: int
) -> tuple:
    """Return the two pixels of a reduced row that each place lies between, and how far along.

    For ``count`` places of the full size from the ``first`` on; (count,) each, unsigned: no check
    for those counted from the end.
    """
    lefts, besides = np.empty(count, np.uint32), np.empty(count, np.uint32)
    along = np.empty(count, np.float32)
    scale, zero, last = np.float32(1.0 / reduction), np.float32(0), np.float32(size - 1)
    for k in range(count):
        at = (np.float32(first + k) + np.float32(0.5)) * scale - np.float32(0.5)
        at = min(max(at, zero), last)
        left = min(int(at), max(size - 2, 0))
        lefts[k], besides[k], along[k] = left, min(left + 1, size - 1), np.float32(at - left)
    return lefts, besides, along


@njit(inner=True, nogil=True)
def mirrored(place: int, size: int) -> int:  # pragma: no cover - compiled
    """Return the place in a row of ``size`` whose mirror image at the ends this is."""
    place = abs(place) % (2 * size - 2)
    return min(place, 2 * size - 2 - place)


@njit(inner=True, nogil=True, fastmath=True)
def depth_between(  # pragma: no cover - compiled
    a: np.float32, b: np.float32, c: np.float32, d: np.float32, fy: np.float32, fx: np.float32
) -> np.float32:
    """Return the depth between four of a reduced map: linear, or the nearest at a depth step."""
    if max(max(a, b), max(c, d)) - min(min(a, b), min(c, d)) <= np.float32(_APART_FRAMES):
        upper = a + (b - a) * fx
        lower = c + (d - c) * fx
        return upper + (lower - upper) * fy
    half = np.float32(0.5)
    upper, lower = b if fx >= half else a, d if fx >= half else c
    return lower if fy >= half else upper

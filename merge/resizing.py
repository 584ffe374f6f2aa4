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
    rows, columns = position.shape
    apart, zero = np.float32(_APART_FRAMES), np.float32(0)
    scale = np.float32(1.0 / reduction)
    for i in range(out.shape[0]):
        y = (np.float32(row + i) + np.float32(0.5)) * scale - np.float32(0.5)
        y = min(max(y, zero), np.float32(rows - 1))
        top = min(int(y), max(rows - 2, 0))
        below = min(top + 1, rows - 1)
        fy = np.float32(y - top)
        for j in range(out.shape[1]):
            x = (np.float32(column + j) + np.float32(0.5)) * scale - np.float32(0.5)
            x = min(max(x, zero), np.float32(columns - 1))
            left = min(int(x), max(columns - 2, 0))
            beside = min(left + 1, columns - 1)
            fx = np.float32(x - left)
            a, b = position[top, left], position[top, beside]
            c, d = position[below, left], position[below, beside]
            if max(max(a, b), max(c, d)) - min(min(a, b), min(c, d)) <= apart:
                upper = a + (b - a) * fx
                lower = c + (d - c) * fx
                out[i, j] = upper + (lower - upper) * fy
            else:
                out[i, j] = position[
                    below if fy >= np.float32(0.5) else top,
                    beside if fx >= np.float32(0.5) else left,
                ]

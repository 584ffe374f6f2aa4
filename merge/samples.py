"""Stored values of a frame to luminance and a small picture, in one reading of its memory."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.model import FloatArray

# Shares of red, green and blue in luma: ITU-R BT.601-7, 2.5.1.
LUMA = (0.299, 0.587, 0.114)


def split_samples(
    samples: NDArray[Any], white: float, reduction: int
) -> tuple[FloatArray, FloatArray]:
    """Return a frame's luminance, and its colours at a reduced size.

    Parameters
    ----------
    samples : ndarray, shape (H, W, C), uint8, uint16 or float32
        C is 1 or 3.
    white : float
        Value of white.
    reduction : int
        Side of the blocks that colours are averaged over.

    Returns
    -------
    luminance : ndarray, shape (H, W), float32
        Weighted sum (ITU-R BT.601-7, 2.5.1) of the picture's own stored values, white at 1.
    colours : ndarray, shape (ceil(H / reduction), ceil(W / reduction), C), float32
        The last row and column stand for what is missing in their blocks.
    """
    height, width, channels = samples.shape
    luminance = np.empty((height, width), np.float32)
    small = np.empty((-(-height // reduction), -(-width // reduction), channels), np.float32)
    if channels == 3:
        _split_colours(samples, np.float32(1 / white), reduction, luminance, small)
    else:
        _split_grey(samples[..., 0], np.float32(1 / white), reduction, luminance, small[..., 0])
    return luminance, small


@njit(nogil=True, fastmath=True)
def _split_colours(  # pragma: no cover - compiled
    samples: np.ndarray, scale: np.float32, reduction: int, luminance: FloatArray, small: FloatArray
) -> None:
    height, width = luminance.shape
    share = scale / np.float32(reduction * reduction)
    red_share = np.float32(LUMA[0]) * scale
    green_share = np.float32(LUMA[1]) * scale
    blue_share = np.float32(LUMA[2]) * scale
    for block in range(small.shape[0]):
        small[block] = 0
        for line in range(block * reduction, (block + 1) * reduction):
            row = min(line, height - 1)
            for column in range(small.shape[1]):
                red = green = blue = np.float32(0)
                for place in range(column * reduction, (column + 1) * reduction):
                    x = min(place, width - 1)
                    r = np.float32(samples[row, x, 0])
                    g = np.float32(samples[row, x, 1])
                    b = np.float32(samples[row, x, 2])
                    luminance[row, x] = red_share * r + green_share * g + blue_share * b
                    red += r
                    green += g
                    blue += b
                small[block, column, 0] += red * share
                small[block, column, 1] += green * share
                small[block, column, 2] += blue * share


@njit(nogil=True, fastmath=True)
def _split_grey(  # pragma: no cover - compiled
    samples: np.ndarray, scale: np.float32, reduction: int, luminance: FloatArray, small: FloatArray
) -> None:
    height, width = luminance.shape
    share = scale / np.float32(reduction * reduction)
    for block in range(small.shape[0]):
        small[block] = 0
        for line in range(block * reduction, (block + 1) * reduction):
            row = min(line, height - 1)
            for column in range(small.shape[1]):
                total = np.float32(0)
                for place in range(column * reduction, (column + 1) * reduction):
                    x = min(place, width - 1)
                    value = np.float32(samples[row, x])
                    luminance[row, x] = value * scale
                    total += value
                small[block, column] += total * share

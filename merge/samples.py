"""Stored values of a frame to luminance and a small picture, in one reading of its memory."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray
from merge.resizing import reduce_map, reduced_shape

# Shares of red, green and blue in luma: ITU-R BT.601-7, 2.5.1.
LUMA = (0.299, 0.587, 0.114)
# Rows that are in work together: as floats they fit a processor's second-level cache.
_STRIP_ROWS = 32


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
    small = np.empty((*reduced_shape(samples.shape, reduction), channels), np.float32)
    shares = np.array([LUMA if channels == 3 else (1.0,)], np.float32) / np.float32(white)
    blocks = max(_STRIP_ROWS // reduction, 1)
    for first in range(0, len(small), blocks):
        rows = slice(first * reduction, (first + blocks) * reduction)
        strip = samples[rows].astype(np.float32, copy=False)
        cv2.transform(strip, shares, luminance[rows])
        small[first : first + blocks] = reduce_map(strip, reduction)
    small /= np.float32(white)
    return luminance, small

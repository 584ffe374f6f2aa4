"""Stored values of a frame: their luminance, and the frame at a reduced size."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray
from merge.resizing import reduce_map, reduced_shape

# Shares of red, green and blue in luma: ITU-R BT.601-7, 2.5.1.
LUMA = (0.299, 0.587, 0.114)
# The power of what channels differ from luma by counts as so much less: of noise alike in all
# channels it then has half of luma's, so that noise does not decide in its stead.
_COLOUR_SHARE = 0.1
# A step of files of 8 bits: less is not seen, and rounding has a twelfth of its square as variance.
EIGHT_BIT_STEP = 1 / 255
# Rows that are in work together: as floats they fit a processor's caches.
_STRIP_ROWS = 120


def reduce_samples(samples: NDArray[Any], white: float, reduction: int) -> FloatArray:
    """Return a frame's block means, white at 1, shape (h, w, C) as `reduced_shape` has it."""
    small = np.empty((*reduced_shape(samples.shape, reduction), samples.shape[2]), np.float32)
    blocks = max(_STRIP_ROWS // reduction, 1)
    for first in range(0, len(small), blocks):
        values = samples[first * reduction : (first + blocks) * reduction]
        small[first : first + blocks] = reduce_map(values.astype(np.float32, copy=False), reduction)
    small /= np.float32(white)
    return small


def luminance(pixels: FloatArray) -> FloatArray:
    """Return luma, shape (H, W), of pixels of shape (H, W, C), in their own encoding.

    Of one channel that channel itself, not to be written to.
    """
    if pixels.shape[2] == 1:
        return np.ascontiguousarray(pixels[..., 0])
    return cv2.transform(pixels, luma_shares(pixels.shape[2])[None]).reshape(pixels.shape[:2])


def colour_power(band: FloatArray) -> FloatArray:
    """Return the power of what channels differ from luma by, weighed against luma's own.

    Parameters
    ----------
    band : ndarray, shape (H, W, 3), float32

    Returns
    -------
    ndarray, shape (H, W), float32
    """
    from_luma = (np.eye(3, dtype=np.float32) - luma_shares(3)) * np.float32(_COLOUR_SHARE**0.5)
    apart = cv2.transform(band, from_luma)
    return cv2.transform(cv2.multiply(apart, apart, dst=apart), np.ones((1, 3), np.float32))


def luma_shares(channels: int) -> FloatArray:
    """Return what each of 1 or 3 channels adds to the luminance, shape (C,)."""
    return np.array(LUMA if channels == 3 else (1.0,), np.float32)

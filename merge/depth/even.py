"""Places where a picture shows nothing but noise."""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import FloatArray

# An even place: local contrast below this many times that of noise, in a window of this size.
_EVEN_CONTRAST = 1.6
_EVEN_WINDOW_PX = 15
_TINY = np.float32(1e-9)


def find_even_places(guide: FloatArray) -> FloatArray:
    """Return 1 where a picture shows nothing but noise, 0 on detail, softly between.

    Parameters
    ----------
    guide : ndarray, shape (h, w), float32
        Sharp luminance.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    side = (_EVEN_WINDOW_PX, _EVEN_WINDOW_PX)
    mean = cv2.blur(guide, side)
    contrast = np.sqrt(np.maximum(cv2.blur(guide * guide, side) - mean * mean, 0))
    # Noise of one pixel from its differences to the neighbours, where these are smallest.
    rough = cv2.blur(np.abs(guide - cv2.medianBlur(guide, 3)), side)
    noise = np.float32(np.percentile(rough, 5) * 1.6 + _TINY)
    even = np.clip(2 * (_EVEN_CONTRAST - contrast / noise), 0, 1).astype(np.float32)
    return cv2.erode(even, np.ones((5, 5), np.uint8))

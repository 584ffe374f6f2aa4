"""How much a view of a place shows, and how far two views of it may differ."""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import FloatArray
from merge.moving.compare import STILL_PX, blur

# Detail and differences are means over so many px: of single ones most is noise.
DETAIL_SIGMA_PX = 1.5
# Two views show the same up to this difference, in units of the picture, less than what a veil must
# have to be seen, and as far as a misalignment does it.
_BELIEVED = 0.02


def fine_detail(picture: FloatArray) -> FloatArray:
    """Return the local power of the finest band, summed over the channels, shape (h, w)."""
    band = picture - blur(picture, 1.0)
    return blur((band * band).sum(axis=2), DETAIL_SIGMA_PX)


def believed_difference(picture: FloatArray) -> FloatArray:
    """Return up to which difference, mean over the channels, views are alike, shape (h, w)."""
    return np.asarray(_BELIEVED + STILL_PX * _slope(picture), np.float32)


def _slope(picture: FloatArray) -> FloatArray:
    """Return the local change per pixel, mean over the channels, shape (h, w)."""
    x, y = (cv2.Sobel(picture, cv2.CV_32F, *d, scale=1 / 8) for d in ((1, 0), (0, 1)))
    size = cv2.magnitude(x, y).reshape(picture.shape)
    return blur(size.mean(axis=2), DETAIL_SIGMA_PX)

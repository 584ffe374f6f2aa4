"""A picture that is sharp enough for depth edges to follow its edges."""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import FloatArray

# The sharpest frame is taken over a wider window than depth is measured with, so that the picture
# is no patchwork.
_SIGMA_PX = 2.0


class FocusComposite:
    """Every pixel from the frame that is sharpest around it, frame by frame.

    Parameters
    ----------
    shape : tuple of int
        (h, w, C) of the pictures.

    Attributes
    ----------
    pixels : ndarray, shape (h, w, C), float32
    """

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.pixels = np.zeros(shape, np.float32)
        self._best = np.full(shape[:2], -1, np.float32)

    def add(self, measure: FloatArray, picture: FloatArray) -> None:
        """Take one frame's measure (h, w), 0 where it has no pixel, and its picture."""
        smooth = cv2.GaussianBlur(measure, (0, 0), _SIGMA_PX)
        cv2.copyTo(picture, cv2.compare(smooth, self._best, cv2.CMP_GT), self.pixels)
        cv2.max(self._best, smooth, dst=self._best)

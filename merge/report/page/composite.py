"""A picture put together from the sharpest parts of the frames, for a page without a merge."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.pipeline.page_pictures import ShownFrame
from merge.report.page.pictures import Bytes

_BAND_ROWS = 256
# Of 255: less of a frame's own pixels than this is taken from the reference frame instead.
_LEAST_WEIGHT = 64


class SharpestComposite:
    """The sharpest parts of the frames, put together with soft seams.

    Where the frame chosen has no pixel, at the rim, the reference frame fills in.

    Parameters
    ----------
    shape : (H, W)
    choice : ndarray of int, shape (h, w)
        The frame that is sharpest at each place, at any size.
    reference : int
        Index of the reference frame.
    """

    def __init__(self, shape: tuple[int, int], choice: NDArray[np.int32], reference: int) -> None:
        self._shape, self._choice, self._reference = shape, choice, reference
        self._light: NDArray[np.uint16] | None = None
        self._weight: NDArray[np.uint16] | None = None
        self._below: Bytes | None = None

    def add(self, frame: ShownFrame) -> None:
        """Add the parts where this frame is the sharpest."""
        if self._light is None or self._weight is None:
            self._light = np.zeros((*self._shape, 3), np.uint16)
            self._weight = np.zeros(self._shape, np.uint16)
        if frame.index == self._reference:
            self._below = frame.pixels
        own = (self._choice == frame.index).astype(np.uint8) * np.uint8(255)
        weight = cv2.resize(own, self._shape[::-1], interpolation=cv2.INTER_LINEAR)
        weight[~frame.valid] = 0
        for top in range(0, self._shape[0], _BAND_ROWS):
            rows = np.s_[top : top + _BAND_ROWS]
            if weight[rows].any():
                self._weight[rows] += weight[rows]
                self._light[rows] += weight[rows, :, None].astype(np.uint16) * frame.pixels[rows]

    def pixels(self) -> Bytes:
        """Return the picture, (H, W, 3) uint8."""
        assert self._light is not None
        assert self._weight is not None
        assert self._below is not None
        out = np.empty(self._light.shape, np.uint8)
        for top in range(0, self._shape[0], _BAND_ROWS):
            rows = np.s_[top : top + _BAND_ROWS]
            weight = np.maximum(self._weight[rows], 1)[..., None]
            out[rows] = np.minimum((self._light[rows] + weight // 2) // weight, 255)
            np.copyto(out[rows], self._below[rows], where=weight < _LEAST_WEIGHT)
        return out

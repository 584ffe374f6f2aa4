"""Which frames' fine detail can be the strongest where, for `DetailBlend`.

Of many frames nearly all are blurred in any one part of the picture: there they have nothing finer
than its coarse levels to give but noise.
"""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import BoolArray, Box, FloatArray
from merge.resizing import reduce_map, reduced_shape

# Side of the blocks that are judged: in noise alone their mean power differs by 1.5 times at most
# between a dozen frames, so that twice as much is detail.
CONTEST_PX = 24
_CLEAR = 2.0
# A frame that has so much of the greatest excess of power counts; in a whole part, which is
# measured ten times as finely, it takes more.
_SHARE, _SHARE_OF_PART = 0.25, 0.5
# Something thin is strong only at a few places: there this share of the strongest counts, where
# it is so many times as strong as what the block has in its most blurred frame, as noise over
# such a window is not.
_PEAK_SHARE, _CLEAR_PEAK, _WINDOW_PX = 0.125, 8.0, 3
# Power of values that overflow, in files of floats: all frames count alike.
_OVERFLOWN = 1e30


def block_strength(power: FloatArray, reduction: int) -> tuple[FloatArray, int]:
    """Return mean and greatest power of fine detail in blocks of a frame, and the blocks' side.

    Parameters
    ----------
    power : ndarray, shape (h, w), float32
        Of the band, one for ``reduction`` x ``reduction`` pixels.
    reduction : int

    Returns
    -------
    strength : ndarray, shape (rows, columns, 2), float32
    side_px : int
        In pixels of the frame.
    """
    side = max(CONTEST_PX // reduction, 1)
    height, width = reduced_shape(power.shape, side)
    missing = height * side - power.shape[0], width * side - power.shape[1]
    power = cv2.copyMakeBorder(power, 0, missing[0], 0, missing[1], cv2.BORDER_REPLICATE)
    window = -(-_WINDOW_PX // reduction)
    around = cv2.blur(power, (window, window))
    # Down first, whole rows at once: both ways at once took two to four times as long.
    most = around.reshape(height, side, width * side).max(axis=1)
    most = most.reshape(height, width, side).max(axis=2)
    return np.stack([reduce_map(power, side), most], axis=2), side * reduction


class Contenders:
    """Tells which frames count in a box.

    Parameters
    ----------
    strengths : ndarray, shape (N, rows, columns, 2), float32
        `block_strength` of all frames, in the picture's geometry and of equal light.
    side_px : int
        Of the blocks.
    """

    def __init__(self, strengths: FloatArray, side_px: int) -> None:
        finite = np.fmin(strengths, np.float32(_OVERFLOWN))
        self._mean, peak, self._side_px = finite[..., 0], finite[..., 1], side_px
        least, most = self._mean.min(axis=0), self._mean.max(axis=0)
        counts = (most >= _CLEAR * least) & (self._mean - least >= _SHARE * (most - least))
        counts |= (peak >= _CLEAR_PEAK * least) & (peak >= _PEAK_SHARE * peak.max(axis=0))
        around = np.ones((3, 3), np.uint8)  # a block lies up to half of one aside
        self._counts = np.stack([cv2.dilate(one.astype(np.uint8), around) for one in counts])

    def of(self, box: Box) -> BoolArray:
        """Return which frames count in a box of the picture, shape (N,); one at least."""
        rows, columns = (
            slice(box[k] // self._side_px, -(-(box[k] + box[k + 2]) // self._side_px))
            for k in range(2)
        )
        mean = self._mean[:, rows, columns].mean(axis=(1, 2))
        least, most = mean.min(), mean.max()
        strong = mean - least >= _SHARE_OF_PART * (most - least)
        return np.asarray(strong | self._counts[:, rows, columns].any(axis=(1, 2)))

"""Which end of a stack is near, where no file tells: the nearer of two surfaces ends sharply.

Where two surfaces meet, the frame focused on the nearer one shows its outline sharp before the
blurred farther one; the frame focused on the farther one shows that outline blurred. The other way
round it cannot be.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.depth.occlusion import gap_in_frames
from merge.model import DepthMap, FloatArray
from merge.scratch import ScratchStack, as_floats
from merge.significance import proof_limit

# Outlines are looked for within a window of this side, px (held by
# test_outlines_tell_which_end_is_near); places in one window count as one.
_WINDOW_PX = 5


def first_is_near(
    depth: DepthMap, measures: ScratchStack, axis_px: NDArray[np.float64]
) -> bool | None:
    """Return whether the first frame is the near end; None where outlines prove neither.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
        From `locate_depth`.
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame.
    axis_px : ndarray, shape (N,)
        Frames on the focus axis, px of blur-circle diameter at this size.

    Notes
    -----
    At each place where depth steps, the detail of the frames on either side is compared. The sum
    tells, so that contrasty outlines count more than the rims of what the filter spread over an
    even backdrop; it may err where a smooth thing without such outlines lies before texture.
    """
    calm = cv2.medianBlur(depth.position, 5)
    step = _spread(calm, 3) > min(gap_in_frames(axis_px), (len(axis_px) - 1) / 2)
    window = np.ones((_WINDOW_PX,) * 2, np.uint8)
    before, after = (np.rint(f(calm, window)[step]) for f in (cv2.erode, cv2.dilate))
    shown = np.zeros((2, len(before)), np.float32)
    for k in range(len(measures)):
        outline = cv2.dilate(as_floats(measures[k]), window)[step]
        for side, frames in enumerate((before, after)):
            np.copyto(shown[side], outline, where=frames == k)
    more = (shown[0] - shown[1]).astype(np.float64)
    sure = proof_limit(1) * _WINDOW_PX * np.sqrt((more * more).sum())
    return bool(more.sum() > 0) if abs(more.sum()) > sure else None


def _spread(values: FloatArray, side: int) -> FloatArray:
    window = np.ones((side, side), np.uint8)
    return np.asarray(cv2.dilate(values, window) - cv2.erode(values, window), np.float32)

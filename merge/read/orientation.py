"""Turn stored pixels upright."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def apply_orientation(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return upright pixels for an EXIF orientation; CIPA DC-008, 4.6.4 (tag 0x0112).

    Parameters
    ----------
    pixels : ndarray, shape (H, W) or (H, W, C)
    orientation : int
        1 to 8.

    Returns
    -------
    ndarray
        C-contiguous; ``pixels`` itself where nothing is to do.
    """
    if orientation in (5, 6, 7, 8):
        pixels = pixels.swapaxes(0, 1)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)

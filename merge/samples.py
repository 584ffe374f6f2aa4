"""Stored values of a frame as floats: strip by strip, or at a reduced size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray
from merge.resizing import reduce_map, reduced_shape
from merge.threads import map_threads

# Shares of red, green and blue in luma: ITU-R BT.601-7, 2.5.1.
LUMA = (0.299, 0.587, 0.114)
# A step of files of 8 bits: less is not seen, and rounding has a twelfth of its square as variance.
EIGHT_BIT_STEP = 1 / 255
# Rows that are in work together: as floats they fit a processor's caches.
_STRIP_ROWS = 120


@dataclass(frozen=True, eq=False)
class Strip:
    """Some rows of a frame as floats.

    Attributes
    ----------
    first : int
        The first of its own rows in the frame.
    luminance : ndarray, shape (n, W), float32
        Weighted sum (ITU-R BT.601-7, 2.5.1) of stored values, white at 1; its own rows and a margin
        above and below, where the frame has it.
    own : slice
        Its own rows in ``luminance``.
    values : ndarray, shape (rows, W, C), float32
        Stored values of its own rows, white as it is.
    """

    first: int
    luminance: FloatArray
    own: slice
    values: FloatArray


def visit_strips(
    samples: NDArray[Any], white: float, work: Callable[[Strip], None], *, step: int,
    margin: int = 0,
) -> None:  # fmt: skip
    """Call ``work`` with a frame strip by strip: nothing of its size is kept as floats.

    Parameters
    ----------
    samples : ndarray, shape (H, W, C), uint8, uint16 or float32
        C is 1 or 3.
    white : float
        Value of white.
    work : callable
        Gets every `Strip`, on several threads at once.
    step : int
        Strips begin at multiples of it.
    margin : int
        Rows above and below of which the luminance is needed, too.
    """
    shares = _shares(samples.shape[2]) / np.float32(white)
    rows = max(_STRIP_ROWS // step, 1) * step

    def visit(first: int) -> None:
        top = max(first - margin, 0)
        values = samples[top : first + rows + margin].astype(np.float32, copy=False)
        luminance = cv2.transform(values, shares).reshape(values.shape[:2])
        own = slice(first - top, min(first + rows, len(samples)) - top)
        work(Strip(first, luminance, own, values[own]))

    map_threads(visit, range(0, len(samples), rows))


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
    return cv2.transform(pixels, _shares(pixels.shape[2])).reshape(pixels.shape[:2])


def _shares(channels: int) -> FloatArray:
    return np.array([LUMA if channels == 3 else (1.0,)], np.float32)

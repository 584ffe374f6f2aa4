"""How much a frame shows in every octave, in windows that keep to the free part of a picture."""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import FloatArray
from merge.pyramid import build_gaussian
from merge.resizing import reduce_map, reduced_shape
from merge.samples import luminance

# Side of the cells that powers are given for, in pixels of the measure, and the octaves: the band
# of the last one passes most at 2^6 px.
CELL_PX, OCTAVES = 4, 5
# Of a window or a weight so small a share tells nothing.
LEAST_SHARE = np.float32(0.02)
# The two windows whose difference is an octave's band, of sigma 1 and 2 px; so narrow a part (px²)
# of one tells of no slope (with 0 eight tests of tests/test_depth_smooth.py fail).
_OFFSETS = np.arange(-8, 9, dtype=np.float32)
_WINDOWS = tuple(
    (curve / curve.sum()).astype(np.float32)
    for curve in (np.exp(-(_OFFSETS**2) / (2 * sigma**2)) for sigma in (1.0, 2.0))
)
_LEAST_SPREAD = np.float32(0.5)


class Octaves:
    """The windows of every octave, the same for all frames: others could not be compared.

    Parameters
    ----------
    free, fine : ndarray, shape (h, w), float32
        1 where light tells of coarse detail, and where it tells of the finest, else 0.

    Attributes
    ----------
    seen : ndarray, shape (`OCTAVES` + 1, cells, cells), float32
        How free the windows are, the finest measure first.
    """

    def __init__(self, free: FloatArray, fine: FloatArray) -> None:
        self._free, self._fine = free, fine
        self._cells = reduced_shape(free.shape, CELL_PX)
        self._windows = [_Window(share) for share in build_gaussian(free, OCTAVES)[1:]]
        self.seen = np.empty((OCTAVES + 1, *self._cells), np.float32)
        self.seen[0] = cv2.GaussianBlur(reduce_map(fine, CELL_PX), (0, 0), 1.0)
        for octave, window in enumerate(self._windows, 1):
            self.seen[octave] = _at_cells(window.whole, 2**octave, self._cells)

    def powers(self, picture: FloatArray, measure: FloatArray) -> FloatArray:
        """Return one frame's power in every octave, shape as `seen`.

        Parameters
        ----------
        picture : ndarray, shape (h, w, C), float32
        measure : ndarray, shape (h, w), float32
            Its `measure_detail`.
        """
        powers = np.empty_like(self.seen)
        square = measure * measure
        square *= self._fine
        power = cv2.GaussianBlur(reduce_map(square, CELL_PX), (0, 0), 1.0)
        powers[0] = power / np.maximum(self.seen[0], LEAST_SHARE)
        levels = build_gaussian(luminance(picture) * self._free, OCTAVES)[1:]
        for octave, (window, values) in enumerate(zip(self._windows, levels, strict=True), 1):
            powers[octave] = _at_cells(window.power(values), 2**octave, self._cells)
        return powers


class _Window:
    """The windows of one octave, of the free share of its pixels, (h, w)."""

    def __init__(self, share: FloatArray) -> None:
        narrow, wide = _WINDOWS
        self._one, self._two = (
            np.maximum(cv2.GaussianBlur(share, (0, 0), sigma), LEAST_SHARE) for sigma in (1.0, 2.0)
        )
        self._weight = share * share
        self.whole = cv2.GaussianBlur(self._weight, (0, 0), 2.0)
        # Across and down: the middle of what is left of the wide window, and how far that of the
        # narrow one lies from it, over the spread that a slope is measured by.
        self._slopes = []
        for step in (1, -1):
            middle, spread, own = (
                cv2.sepFilter2D(share, -1, *(along, across)[::step])
                for along, across in (
                    (_OFFSETS * wide, wide),
                    (_OFFSETS * _OFFSETS * wide, wide),
                    (_OFFSETS * narrow, narrow),
                )
            )
            middle /= self._two
            spread = np.maximum(spread / self._two - middle * middle, _LEAST_SPREAD)
            self._slopes.append((step, middle, (own / self._one - middle) / spread))

    def power(self, values: FloatArray) -> FloatArray:
        """Return the power of the band of light, given times its free share.

        The middles of what is left of cut-off windows lie apart, so that light that slopes, as a
        wide blur makes it, would count as detail: what a slope adds is taken out.
        """
        narrow, wide = (
            cv2.GaussianBlur(values, (0, 0), sigma) / whole
            for sigma, whole in ((1.0, self._one), (2.0, self._two))
        )
        band = narrow - wide
        for step, middle, apart in self._slopes:
            pair = (_OFFSETS * _WINDOWS[1], _WINDOWS[1])[::step]
            tilt = cv2.sepFilter2D(values, -1, *pair) / self._two - middle * wide
            band -= tilt * apart
        power = cv2.GaussianBlur(band * band * self._weight, (0, 0), 2.0)
        return power / np.maximum(self.whole, LEAST_SHARE)


def _at_cells(values: FloatArray, step_px: int, cells: tuple[int, ...]) -> FloatArray:
    """Return a map of one value every ``step_px`` at the size of cells."""
    if step_px < CELL_PX:
        values = reduce_map(values, CELL_PX // step_px)
    else:
        # Pixel i of a pyramid's level lies on pixel i of the one below, not on a block's middle.
        height, width = cells
        scale = CELL_PX / step_px
        shift = (CELL_PX - 1) / 2 / step_px
        matrix = np.array([[scale, 0, shift], [0, scale, shift]])
        return cv2.warpAffine(
            values, matrix, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
    return values[: cells[0], : cells[1]]

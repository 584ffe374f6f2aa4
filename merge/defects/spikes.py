"""Hot and dead pixels: spikes that stay where they are while the picture moves or blurs.

A pixel stands out in one frame if it is above (or below) all sixteen pixels two steps away: a
point or a blob of up to three pixels does, a line or an edge does not. Standing out in nearly all
frames at one place is what fine subject detail cannot do, once it has moved by more than the blob
or has been blurred to a disk that reaches the sixteen.
"""

from __future__ import annotations

import math
from itertools import product
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray
from merge.threads import map_threads

# A spike below this many standard deviations of a frame's noise, or this share of full scale (three
# steps of 8 bits), is not looked for: nobody sees it, and noise cannot reach it in all frames.
_NOISE_FACTOR = 5.0
_FLOOR = 3 / 255
# Of a sample of frames, this share may hide a spike under bright or busy parts of the picture.
_MISSED_SHARE = 0.25
# The weakest of a defect's spikes over their median: noise and the picture below it change it,
# but defocus takes a real point down to a tenth.
_STEADY = 0.35
# Side of the window around a spike that is kept: what developing and JPEG spread it over.
WINDOW = 7
_STRIP_ROWS = 64
# Rows that noise is taken from: with twice or half as many the same is found.
_NOISE_LINES = 64
_STRIP_SPIKES = 16384


def noise_level(pixels: NDArray[Any]) -> float:
    """Return the standard deviation of a picture's (H, W, C) noise, from its quieter parts.

    Second differences along rows take out slopes; the lower quartile of blocks' medians texture.
    """
    lines = pixels[:: max(1, pixels.shape[0] // _NOISE_LINES)].astype(np.float32)
    bent = np.abs(lines[:, 2:] - 2 * lines[:, 1:-1] + lines[:, :-2])
    # Blocks of pixels, the median within each, the lower quartile over them.
    width = bent.shape[1] // 16 * 16
    if not width:
        return 0.0
    blocks = bent[:, :width].reshape(len(bent), -1, 16 * bent.shape[2])
    typical = float(np.quantile(np.median(blocks, axis=2), 0.25))
    # 0.6745 sigma is the median size of a normal variable; a second difference has sqrt(6) sigma.
    return typical / (0.6745 * 6**0.5)


class SpikeSearch:
    """Finds spikes that stay at one place over the frames it is given, one after the other.

    Parameters
    ----------
    frames : int
        How many frames will come.
    reach : {1, 2}
        How far from a spike the picture must be lower: 2 for developed pixels, 1 for the photosites
        of one colour.
    """

    def __init__(self, frames: int, reach: int) -> None:
        self._frames, self._reach = frames, reach
        self._may_miss = int(frames * _MISSED_SHARE)
        self._done = 0
        self._places = np.empty((0, 4), np.int32)
        self._seen = np.zeros((0, 0), np.float32)
        self._windows: list[FloatArray] = []

    def add(self, pixels: NDArray[Any], white: float) -> None:
        """Take one more frame's values (H, W, C), in a coding where noise is nearly even."""
        threshold = max(_NOISE_FACTOR * noise_level(pixels), _FLOOR * white)
        if self._done <= self._may_miss:
            self._merge(_find(pixels, threshold, self._reach))
        heights = _heights(pixels, self._places, self._reach)
        heights[heights < threshold] = 0
        heights /= white
        self._seen = np.concatenate([self._seen, heights[:, None]], axis=1)
        self._done += 1
        alive = (self._seen == 0).sum(axis=1) <= self._may_miss
        self._places, self._seen = self._places[alive], self._seen[alive]
        self._windows = [w[alive] for w in self._windows]
        # Before, textured frames have many thousand spikes; then few are left.
        if self._done > self._may_miss + 1 or self._done == self._frames:
            self._windows.append(_cut_windows(pixels, self._places) / np.float32(white))

    def _merge(self, found: NDArray[np.int32]) -> None:
        """Add places that are new, as missed in all frames so far."""
        new = found[~np.isin(_codes(found), _codes(self._places))]
        self._places = np.concatenate([self._places, new])
        unseen = np.zeros((len(new), self._done), np.float32)
        self._seen = np.concatenate([self._seen, unseen])

    def steady(self) -> tuple[NDArray[np.int32], NDArray[np.bool_], FloatArray]:
        """Return what stood out in nearly all frames, about equally.

        Returns
        -------
        places : ndarray, shape (M, 4), int32
            Row, column, channel, sign.
        present : ndarray, shape (M, frames), bool
            Frames in which each was seen.
        windows : ndarray, shape (M, 7, 7, C), float32
            Mean over the frames of the surroundings, NaN outside the picture.
        """
        present = self._seen > 0
        lowest = np.where(present, self._seen, np.inf).min(axis=1, initial=np.inf)
        kept = lowest >= _STEADY * np.median(self._seen, axis=1)
        total = np.zeros((int(kept.sum()), *self._windows[0].shape[1:]), np.float32)
        count = np.zeros_like(total)
        for window in self._windows:
            total += np.nan_to_num(window[kept])
            count += ~np.isnan(window[kept])
        mean = np.where(count > 0, total / np.maximum(count, 1), np.float32(np.nan))
        return self._places[kept], present[kept], mean


def _codes(places: NDArray[np.int32]) -> NDArray[np.int64]:
    """Return one number for each place."""
    row, column, channel, sign = places.T.astype(np.int64)
    return ((row * 65536 + column) * 4 + channel) * 2 + (sign > 0)


def _find(pixels: NDArray[Any], threshold: float, reach: int) -> NDArray[np.int32]:
    """Return (M, 4) row, column, channel, sign of one frame's spikes; at most 16384 a strip."""
    height, width, channels = pixels.shape
    beside = _ring(reach)

    def scan(top: int) -> NDArray[np.int32]:
        first, last = max(top, reach), min(top + _STRIP_ROWS, height - reach)
        if first >= last or width <= 2 * reach:
            return np.empty((0, 4), np.int32)
        strip = np.ascontiguousarray(pixels[first - reach : last + reach])
        found = []
        for sign, around in ((1, cv2.dilate), (-1, cv2.erode)):
            edge = around(strip, beside)
            over = cv2.subtract(strip, edge) if sign > 0 else cv2.subtract(edge, strip)
            inside = over.reshape(strip.shape)[reach:-reach, reach : width - reach]
            places = _places_from(inside.reshape(len(inside), -1), threshold)
            row, column = np.divmod(places, (width - 2 * reach) * channels)
            column, channel = np.divmod(column, channels)
            signs = np.full(len(row), sign)
            found.append(np.stack([row + first, column + reach, channel, signs], axis=1))
        both = np.concatenate(found).astype(np.int32)
        both = both[np.argsort(_codes(both))]
        return both[_highest(pixels, both)][:_STRIP_SPIKES]

    return np.concatenate(map_threads(scan, range(0, height, _STRIP_ROWS)))


def _ring(reach: int) -> NDArray[np.uint8]:
    """Return 1 for the pixels ``reach`` steps from the middle one."""
    ring = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    ring[1:-1, 1:-1] = 0
    return ring


def _places_from(values: NDArray[Any], least: float) -> NDArray[np.int64]:
    """Return where values (h, w) are so large, counted row by row; few are."""
    marks = np.zeros(-(-values.size // 8) * 8, bool)
    bound = math.ceil(least) if values.dtype.kind == "u" else np.float32(least)
    np.greater_equal(values, bound, out=marks[: values.size].reshape(values.shape))
    eights = np.flatnonzero(marks.view(np.uint64))  # an eighth of the time
    within, place = np.nonzero(marks.reshape(-1, 8)[eights])
    return np.asarray(eights[within] * 8 + place, np.int64)


def _highest(pixels: NDArray[Any], places: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Tell which spikes are the highest pixel of their blob, the first of equals."""
    row, column, channel, sign = places.T
    centre, highest = pixels[row, column, channel].astype(float), np.ones(len(row), bool)
    for i, j in product((-1, 0, 1), repeat=2):
        higher = sign * (pixels[row + i, column + j, channel] - centre)
        highest &= (higher < 0) | ((higher == 0) & ((i, j) >= (0, 0)))
    return highest


def _heights(pixels: NDArray[Any], places: NDArray[np.int32], reach: int) -> FloatArray:
    """Return how far pixels are above (sign 1) or below (-1) all those ``reach`` steps away."""
    row, column, channel, sign = places.T
    centre, lowest = pixels[row, column, channel].astype(float), np.full(len(row), np.inf)
    for i, j in np.argwhere(_ring(reach)) - reach:
        beside = pixels[row + i, column + j, channel]
        np.minimum(lowest, sign * (centre - beside), out=lowest)
    return lowest.astype(np.float32)


def _cut_windows(pixels: NDArray[Any], places: NDArray[np.int32]) -> FloatArray:
    """Return (M, 7, 7, C) surroundings of places, NaN outside the picture."""
    offsets = np.arange(WINDOW) - WINDOW // 2
    rows = (places[:, 0, None] + offsets)[:, :, None]
    columns = (places[:, 1, None] + offsets)[:, None, :]
    height, width = pixels.shape[:2]
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    cut = pixels[rows.clip(0, height - 1), columns.clip(0, width - 1)].astype(np.float32)
    cut[~inside] = np.nan
    return cut

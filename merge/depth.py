"""Which frame is sharpest at every pixel, to a fraction of a frame.

Each frame leaves a reduced, half-precision map of its local detail; the maps of all frames are
then filtered along picture edges and their peak along the stack is located.
"""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import DepthMap, FloatArray
from merge.scratch import ScratchStack

# Band in which sharpness is measured, in pixels of the frame (chosen on the photograph scene out
# of 0-1, 0.7-1.4, 0.7-2.8, 1-2: result 29.7 dB against 29.1 to 29.6).
_SIGMA_NARROW, _SIGMA_WIDE = 0.7, 2.8
# Window over which the band's power is taken, in pixels of the measure.
_WINDOW_SIGMA_PX = 2.0
# Edge-aware filter of the measures: radius in pixels of the measure, variance of an edge.
_FILTER_RADIUS_PX = 4
_FILTER_VARIANCE = 1e-3
# Pictures above this size are measured at half size, above four times of it at a third, ...
_WHOLE_PIXELS = 4_000_000
_TINY = np.float32(1e-9)


def measure_reduction(shape: tuple[int, ...]) -> int:
    """Return the factor by which depth is measured smaller than a picture of ``shape``."""
    return max(1, int(np.ceil(np.sqrt(shape[0] * shape[1] / _WHOLE_PIXELS))))


def measured_shape(shape: tuple[int, ...], reduction: int) -> tuple[int, int]:
    """Return the shape of a measure: the last pixel stands for an incomplete block."""
    return -(-shape[0] // reduction), -(-shape[1] // reduction)


def measure_detail(luminance: FloatArray, reduction: int) -> FloatArray:
    """Return the local detail of one frame.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32, [0, 1]
        In the picture's own encoding.
    reduction : int
        Side of the block that one value stands for.

    Returns
    -------
    ndarray, shape `measured_shape`, float32
        Root mean square of the band around each place.
    """
    narrow = cv2.GaussianBlur(luminance, (0, 0), _SIGMA_NARROW)
    band = narrow - cv2.GaussianBlur(luminance, (0, 0), _SIGMA_WIDE)
    power = reduce_map(cv2.multiply(band, band, dst=band), reduction)
    return cv2.sqrt(cv2.GaussianBlur(power, (0, 0), _WINDOW_SIGMA_PX))


def reduce_map(values: FloatArray, reduction: int) -> FloatArray:
    """Return block means, shape `measured_shape`."""
    if reduction == 1:
        return values
    height, width = measured_shape(values.shape, reduction)
    missing = (height * reduction - values.shape[0], width * reduction - values.shape[1])
    if any(missing):
        values = cv2.copyMakeBorder(values, 0, missing[0], 0, missing[1], cv2.BORDER_REPLICATE)
    return cv2.resize(values, (width, height), interpolation=cv2.INTER_AREA)


def locate_depth(measures: ScratchStack, guide: FloatArray) -> DepthMap:
    """Return the position of the sharpest frame at every place.

    Parameters
    ----------
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame, 0 where a frame has no pixel.
    guide : ndarray, shape (h, w), float32
        Sharp luminance; depth edges follow its edges.

    Returns
    -------
    DepthMap, shape (h, w)
        Positions in frames, from a parabola through the logarithms of the three best measures.
    """
    peak = np.zeros(guide.shape, np.float32)
    total = np.zeros(guide.shape, np.float32)
    for measure in measures:
        values = measure.astype(np.float32)
        np.maximum(peak, values, out=peak)
        total += values
    noise = np.float32(np.percentile(total, 2) / max(len(measures), 1) + _TINY)
    smooth = _EdgeFilter(guide)
    tracker = _PeakTracker(guide.shape)
    for measure in measures:
        share: FloatArray = np.square(measure.astype(np.float32) / (peak + noise))
        tracker.add(np.maximum(smooth(share), np.float32(1e-6)))
    mean = total / max(len(measures), 1)
    contrast = np.clip((peak - mean) / (peak + noise), 0, 1)
    confidence = contrast * peak / (peak + 2 * noise)
    return DepthMap(tracker.position(), confidence.astype(np.float32))


def resize_depth(depth: DepthMap, shape: tuple[int, ...], reduction: int) -> DepthMap:
    """Return a reduced depth map at full size, shape (H, W)."""
    if reduction == 1:
        return depth

    def enlarge(values: FloatArray) -> FloatArray:
        size = (values.shape[1] * reduction, values.shape[0] * reduction)
        large = cv2.resize(values, size, interpolation=cv2.INTER_LINEAR)
        return np.ascontiguousarray(large[: shape[0], : shape[1]])

    return DepthMap(enlarge(depth.position), enlarge(depth.confidence))


class _EdgeFilter:
    """Guided filter with one guide [K. He et al., IEEE TPAMI 35(6), 1397-1409 (2013)]."""

    def __init__(self, guide: FloatArray) -> None:
        self._guide = guide
        self._mean = self._box(guide)
        self._scale = 1 / (self._box(guide * guide) - self._mean**2 + np.float32(_FILTER_VARIANCE))

    @staticmethod
    def _box(values: FloatArray) -> FloatArray:
        side = 2 * _FILTER_RADIUS_PX + 1
        return cv2.blur(values, (side, side))

    def __call__(self, values: FloatArray) -> FloatArray:
        mean = self._box(values)
        slope = (self._box(self._guide * values) - self._mean * mean) * self._scale
        offset = mean - slope * self._mean
        return self._box(slope) * self._guide + self._box(offset)


class _PeakTracker:
    """Keep the highest of a sequence of maps and its neighbours in the sequence."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._index = np.zeros(shape, np.float32)
        self._best = np.full(shape, _TINY, np.float32)
        self._before = np.zeros(shape, np.float32)
        self._after = np.zeros(shape, np.float32)
        self._previous = np.zeros(shape, np.float32)
        self._count = 0

    def add(self, values: FloatArray) -> None:
        here = self._index == self._count - 1
        np.copyto(self._after, values, where=here)
        higher = values > self._best
        np.copyto(self._before, self._previous, where=higher)
        np.copyto(self._best, values, where=higher)
        np.copyto(self._after, 0, where=higher)
        self._index[higher] = self._count
        self._previous = values
        self._count += 1

    def position(self) -> FloatArray:
        inner = (self._before > 0) & (self._after > 0)
        low, top, high = (
            np.log(np.maximum(v, _TINY)) for v in (self._before, self._best, self._after)
        )
        bend = np.minimum(low - 2 * top + high, np.float32(-1e-6))
        offset = np.clip(0.5 * (low - high) / bend, -0.5, 0.5)
        return self._index + np.where(inner, offset, 0).astype(np.float32)

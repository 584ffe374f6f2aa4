"""Which frame is sharpest at every pixel, to a fraction of a frame.

Each frame leaves a reduced, half-precision map of its local detail; the maps of all frames are
then filtered along picture edges and their peak along the stack is located.
"""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import DepthMap, FloatArray
from merge.scratch import ScratchStack

# Band in which sharpness is measured, in pixels of the frame, and the window over which its power
# is taken, in pixels of the measure. Chosen on the photograph scene: 31.0 dB after unveiling, with
# 0.7-2.8 and 1.5 px 30.8, with 0-1 31.0.
_SIGMA_NARROW, _SIGMA_WIDE = 0.5, 1.5
_WINDOW_SIGMA_PX = 0.7
# Edge-aware filter of the measures: radius in pixels of the measure, variance of an edge. A radius
# of 3 favours thin hairs (rendered macro 28.9 dB against 28.6 with 6), one of 6 the photograph
# scene (31.0 against 30.6).
_FILTER_RADIUS_PX = 4
_FILTER_VARIANCE = 1e-4
# A structure thinner than the filter, lost in it, comes back where the frame chosen has less than
# this share of the sharpest frame's measure.
_LOST_SHARE = 0.55
_LOST_SIGMA_PX = 1.2
# An even place: local contrast below this many times that of noise, in a window of this size.
_EVEN_CONTRAST = 1.6
_EVEN_WINDOW_PX = 15
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
    guide : ndarray, shape (h, w, C), float32
        Sharp picture; depth edges follow its edges.

    Returns
    -------
    DepthMap, shape (h, w)
        Positions in frames, from a parabola through the logarithms of the three best measures.
    """
    shape = guide.shape[:2]
    total, peak = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    sharpest = _PeakTracker(shape)
    for measure in measures:
        values = measure.astype(np.float32)
        total += values
        np.maximum(peak, values, out=peak)
        sharpest.add(_widened(values))
    mean = total / max(len(measures), 1)
    noise = np.float32(np.percentile(mean, 2) + _TINY)
    smooth = _EdgeFilter(guide)
    tracker = _PeakTracker(shape)
    for measure in measures:
        share = measure.astype(np.float32) / (peak + noise)
        tracker.add(np.maximum(smooth(share), np.float32(1e-6)))
    position = _bring_back(tracker.position(), sharpest, measures, noise)
    contrast = np.clip((peak - mean) / (peak + noise), 0, 1)
    confidence = contrast * peak / (peak + 2 * noise)
    return DepthMap(position, confidence.astype(np.float32))


def find_even_places(guide: FloatArray) -> FloatArray:
    """Return 1 where a picture shows nothing but noise, 0 on detail, softly between.

    Parameters
    ----------
    guide : ndarray, shape (h, w), float32
        Sharp luminance.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    side = (_EVEN_WINDOW_PX, _EVEN_WINDOW_PX)
    mean = cv2.blur(guide, side)
    contrast = np.sqrt(np.maximum(cv2.blur(guide * guide, side) - mean * mean, 0))
    # Noise of one pixel from its differences to the neighbours, where these are smallest.
    rough = cv2.blur(np.abs(guide - cv2.medianBlur(guide, 3)), side)
    noise = np.float32(np.percentile(rough, 5) * 1.6 + _TINY)
    even = np.clip(2 * (_EVEN_CONTRAST - contrast / noise), 0, 1).astype(np.float32)
    return cv2.erode(even, np.ones((5, 5), np.uint8))


def _widened(measure: FloatArray) -> FloatArray:
    """Return a measure over a window that spans a thin structure, so that it stays in one piece."""
    return cv2.sqrt(cv2.GaussianBlur(measure * measure, (0, 0), _LOST_SIGMA_PX))


def _bring_back(
    position: FloatArray, sharpest: _PeakTracker, measures: ScratchStack, noise: np.float32
) -> FloatArray:
    """Return ``position`` with the sharpest frame itself where the filter lost a structure."""
    chosen = np.zeros_like(position)
    for k, measure in enumerate(measures):
        near = np.abs(position - np.float32(k)) <= 1
        np.maximum(chosen, _widened(measure.astype(np.float32)), out=chosen, where=near)
    lost = (chosen + noise) < _LOST_SHARE * (sharpest.best + noise)
    return np.where(lost, sharpest.position(), position).astype(np.float32)


def resize_depth(depth: DepthMap, shape: tuple[int, ...], reduction: int) -> DepthMap:
    """Return a reduced depth map at full size, shape (H, W)."""
    return DepthMap(
        resize_map(depth.position, shape, reduction),
        resize_map(depth.confidence, shape, reduction),
    )


def resize_map(values: FloatArray, shape: tuple[int, ...], reduction: int) -> FloatArray:
    """Return a reduced map at full size, shape (H, W)."""
    if reduction == 1:
        return values
    size = (values.shape[1] * reduction, values.shape[0] * reduction)
    large = cv2.resize(values, size, interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(large[: shape[0], : shape[1]])


class _EdgeFilter:
    """Guided filter, colour guide [K. He et al., IEEE TPAMI 35(6), 1397-1409 (2013), eq. 14]."""

    def __init__(self, guide: FloatArray) -> None:
        self._planes = [np.ascontiguousarray(guide[..., c]) for c in range(guide.shape[2])]
        self._means = [self._box(p) for p in self._planes]
        count = len(self._planes)
        spread = np.empty((*guide.shape[:2], count, count), np.float32)
        for i, one in enumerate(self._planes):
            for j, two in enumerate(self._planes):
                spread[..., i, j] = self._box(one * two) - self._means[i] * self._means[j]
        spread += np.eye(count, dtype=np.float32) * np.float32(_FILTER_VARIANCE)
        inverse = np.linalg.inv(spread)
        self._inverse = [
            [np.ascontiguousarray(inverse[..., i, j]) for j in range(count)] for i in range(count)
        ]

    @staticmethod
    def _box(values: FloatArray) -> FloatArray:
        side = 2 * _FILTER_RADIUS_PX + 1
        return cv2.blur(values, (side, side))

    def __call__(self, values: FloatArray) -> FloatArray:
        mean = self._box(values)
        shared = [
            self._box(plane * values) - own * mean
            for plane, own in zip(self._planes, self._means, strict=True)
        ]
        offset, result = mean.copy(), np.zeros_like(values)
        for row, plane, own in zip(self._inverse, self._planes, self._means, strict=True):
            slope = np.zeros_like(mean)
            for factor, part in zip(row, shared, strict=True):
                slope += factor * part
            offset -= slope * own
            result += self._box(slope) * plane
        return result + self._box(offset)


class _PeakTracker:
    """Keep the highest of a sequence of maps and its neighbours in the sequence."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._index = np.zeros(shape, np.float32)
        self.best = np.full(shape, _TINY, np.float32)
        self._before = np.zeros(shape, np.float32)
        self._after = np.zeros(shape, np.float32)
        self._previous = np.zeros(shape, np.float32)
        self._count = 0

    def add(self, values: FloatArray) -> None:
        here = self._index == self._count - 1
        np.copyto(self._after, values, where=here)
        higher = values > self.best
        np.copyto(self._before, self._previous, where=higher)
        np.copyto(self.best, values, where=higher)
        np.copyto(self._after, 0, where=higher)
        self._index[higher] = self._count
        self._previous = values
        self._count += 1

    def position(self) -> FloatArray:
        inner = (self._before > 0) & (self._after > 0)
        low, top, high = (
            np.log(np.maximum(v, _TINY)) for v in (self._before, self.best, self._after)
        )
        bend = np.minimum(low - 2 * top + high, np.float32(-1e-6))
        offset = np.clip(0.5 * (low - high) / bend, -0.5, 0.5)
        return self._index + np.where(inner, offset, 0).astype(np.float32)

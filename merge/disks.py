"""Blur by a disk: what defocus does to light, in the geometric approximation."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray

MaskArray = NDArray[np.uint8]

# Disks wider than this are applied to a reduced picture.
_DIRECT_PX = 9.0
# Narrower disks are no blur that a pixel could show.
_NARROWEST_PX = 0.5


def end_of_layer(diameter: float) -> float:
    """Return up to which diameter light is blurred by one disk, from the narrowest of a layer."""
    return 1.35 * diameter + 0.3


@lru_cache(maxsize=64)
def disk_kernel(diameter: float) -> FloatArray:
    """Return a disk of ``diameter`` px that sums to 1, its rim in shares of pixels."""
    half = int(np.ceil(diameter / 2 + 0.5))
    fine, size = 8, 2 * half + 1
    grid = (np.arange(size * fine) + 0.5) / fine - half - 0.5
    inside = np.hypot(*np.meshgrid(grid, grid)) <= max(diameter, _NARROWEST_PX) / 2
    kernel = inside.reshape(size, fine, size, fine).mean(axis=(1, 3))
    return (kernel / kernel.sum()).astype(np.float32)


def blur_by_disk(values: FloatArray, diameter: float) -> FloatArray:
    """Return a map (h, w, ...) blurred by a disk of ``diameter`` px; wide ones approximately."""
    factor = _reduction(diameter)
    if factor == 1:
        return _filter(values, diameter)
    small = _filter(_reduced(values, factor), diameter / factor)
    return cv2.resize(small, values.shape[1::-1], interpolation=cv2.INTER_LINEAR)


def blur_layers(values: FloatArray, layers: Sequence[tuple[MaskArray, float]]) -> FloatArray:
    """Return the sum of parts of a map, each blurred by its own disk; wide ones approximately.

    Parameters
    ----------
    values : ndarray, shape (h, w, C), float32
        C of at least 2.
    layers : sequence of (ndarray (h, w) uint8, float)
        Where a part lies (not 0), and the diameter of its disk, px.
    """
    total = np.zeros(values.shape, np.float32)
    reduced: dict[int, FloatArray] = {}
    for place, diameter in layers:
        part = cv2.copyTo(values, place, np.zeros_like(values))
        factor = _reduction(diameter)
        if factor == 1:
            total += _filter(part, diameter)
            continue
        blurred = _filter(_reduced(part, factor), diameter / factor)
        reduced[factor] = reduced[factor] + blurred if factor in reduced else blurred
    for small in reduced.values():  # once for all disks of like size
        total += cv2.resize(small, values.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return total


def _reduction(diameter: float) -> int:
    factor = 1
    while diameter / factor > _DIRECT_PX:
        factor *= 2
    return factor


def _reduced(values: FloatArray, factor: int) -> FloatArray:
    height, width = values.shape[:2]
    size = max(-(-width // factor), 1), max(-(-height // factor), 1)
    return cv2.resize(values, size, interpolation=cv2.INTER_AREA)


def _filter(values: FloatArray, diameter: float) -> FloatArray:
    return cv2.filter2D(values, -1, disk_kernel(diameter), borderType=cv2.BORDER_REFLECT)

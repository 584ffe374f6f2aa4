"""Blur by a disk: what defocus does to light, in the geometric approximation."""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import FloatArray

# Disks wider than this are applied to a reduced picture.
_DIRECT_PX = 9.0
# Narrower disks are no blur that a pixel could show.
_NARROWEST_PX = 0.5


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
    factor = 1
    while diameter / factor > _DIRECT_PX:
        factor *= 2
    if factor == 1:
        return cv2.filter2D(values, -1, disk_kernel(diameter), borderType=cv2.BORDER_REFLECT)
    size = values.shape[1::-1]
    small_size = (max(-(-size[0] // factor), 1), max(-(-size[1] // factor), 1))
    small = cv2.resize(values, small_size, interpolation=cv2.INTER_AREA)
    small = cv2.filter2D(small, -1, disk_kernel(diameter / factor), borderType=cv2.BORDER_REFLECT)
    return cv2.resize(small, size, interpolation=cv2.INTER_LINEAR)

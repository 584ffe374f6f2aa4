"""Reduced depth maps at full size."""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import DepthMap, FloatArray


def resize_depth(depth: DepthMap, shape: tuple[int, ...], reduction: int) -> DepthMap:
    """Return a reduced depth map at full size, shape (H, W)."""
    exact = depth.exact
    return DepthMap(
        resize_map(depth.position, shape, reduction),
        resize_map(depth.confidence, shape, reduction),
        None if exact is None else resize_map(exact, shape, reduction),
    )


def resize_map(values: FloatArray, shape: tuple[int, ...], reduction: int) -> FloatArray:
    """Return a reduced map at full size, shape (H, W)."""
    if reduction == 1:
        return values
    size = (values.shape[1] * reduction, values.shape[0] * reduction)
    large = cv2.resize(values, size, interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(large[: shape[0], : shape[1]])

"""How deep every output pixel lies, for frames that see near and far shifted differently."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align import median_positions
from merge.model import DepthMap, FloatArray, FocusAxis, Registration
from merge.resizing import Box, enlarge_position, reduced_shape


@dataclass(frozen=True, eq=False)
class OutputDepth:
    """Positions of the output's pixels on the focus axis.

    Attributes
    ----------
    index : ndarray, shape (h, w), float32
        In frames of the axis, at a reduced size.
    frames_px : ndarray, shape (N,), float64
        Positions of these frames.
    box : (row, column, height, width)
        Of the output in the reference frame.
    reduction : int
    """

    index: FloatArray
    frames_px: NDArray[np.float64]
    box: Box
    reduction: int

    @property
    def small_px(self) -> FloatArray:
        """At the reduced size, in px of blur."""
        return self._in_px(self.index)

    def part_px(self, box: Box) -> FloatArray:
        """Return the positions of a box of the reference frame, full size, in px of blur."""
        inner = box[0] - self.box[0], box[1] - self.box[1], box[2], box[3]
        return self._in_px(enlarge_position(self.index, inner, self.reduction))

    def reduced(self, reduction: int) -> OutputDepth:
        """Return it for an output reduced by a factor that is all there is of the reference."""
        rows, columns = reduced_shape(self.box[2:], reduction)
        index = cv2.resize(self.index, (columns, rows), interpolation=cv2.INTER_NEAREST)
        return OutputDepth(index, self.frames_px, (0, 0, rows, columns), 1)

    def _in_px(self, index: FloatArray) -> FloatArray:
        places = np.arange(len(self.frames_px))
        return np.interp(index, places, self.frames_px).astype(np.float32)


def has_parallax(registration: Registration) -> bool:
    """Tell whether the frames see near and far shifted differently."""
    return any(
        frame.transform is not None and frame.transform.parallax is not None
        for frame in registration.frames
    )


def depth_of_reference(
    registration: Registration, axis: FocusAxis | None, reduction: int
) -> OutputDepth | None:
    """Return coarse depth over the whole reference frame; None where depth moves nothing."""
    if axis is None or not has_parallax(registration):
        return None
    return smooth_depth(axis, (0, 0, *registration.shape), reduction)


def smooth_depth(axis: FocusAxis, box: Box, reduction: int) -> OutputDepth:
    """Return depth as the axis's tiles know it: coarse, but before any frame is moved."""
    large = tile_depth_px(axis, box, reduction)
    order = np.argsort(axis.positions_px)
    index = np.interp(large, axis.positions_px[order], order.astype(float))
    return OutputDepth(index.astype(np.float32), axis.positions_px, box, reduction)


def tile_depth_px(axis: FocusAxis, box: Box, reduction: int) -> FloatArray:
    """Return how deep the axis's tiles lie, in px of blur, also beyond all frames; reduced."""
    px = _fill_in(median_positions(axis).astype(np.float32))
    rows, columns = reduced_shape(box[2:], reduction)
    side = axis.tile_size_px
    y = (((np.arange(rows) + 0.5) * reduction + box[0]) / side - 0.5).astype(np.float32)
    x = (((np.arange(columns) + 0.5) * reduction + box[1]) / side - 0.5).astype(np.float32)
    map_x, map_y = np.meshgrid(x, y)
    large = cv2.remap(px, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(large, np.float32)


def measured_depth(depth: DepthMap, axis: FocusAxis, box: Box, reduction: int) -> OutputDepth:
    """Return depth as a map of the output has it."""
    index = depth.position if depth.exact is None else depth.exact
    return OutputDepth(index, axis.positions_px, box, reduction)


def _fill_in(values: FloatArray) -> FloatArray:
    """Return a map whose unknown places (NaN) are filled from around them."""
    known = np.isfinite(values)
    filled = np.where(known, values, np.float32(0)).astype(np.float32)
    weight = known.astype(np.float32)
    if not known.any():
        return filled
    sigma = 1.0
    total, mass = filled.copy(), weight.copy()
    while (mass < 1e-3).any() and sigma < max(values.shape) * 2:
        wide, share = (cv2.GaussianBlur(v, (0, 0), sigma) for v in (filled, weight))
        empty = mass < 1e-3
        total[empty], mass[empty] = wide[empty], share[empty]
        sigma *= 2
    return np.where(known, values, total / np.maximum(mass, 1e-6)).astype(np.float32)

"""One frame's pixels as the reference frame would have them, part by part."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align import (
    equalize_exposure,
    needed_area,
    rescale_transform,
    valid_area,
    warp_part,
)
from merge.model import BoolArray, Box, FloatArray, FrameRegistration
from merge.pipeline.deep import OutputDepth
from merge.samples import reduce_samples


class FrameSampler:
    """Samples parts of a frame at exact positions, once, from its stored values.

    Parameters
    ----------
    samples : ndarray, shape (H, W, C), uint8, uint16 or float32
        From `read_samples`.
    white : float
    frame : FrameRegistration
        With a transform.
    transfer : str
        Encoding of the samples.
    equalize : bool
        Bring the frame's light to that of the reference frame.
    depth : OutputDepth, optional
        Needed where frames see near and far shifted differently.
    """

    def __init__(
        self,
        samples: NDArray[Any],
        white: float,
        frame: FrameRegistration,
        transfer: str,
        *,
        equalize: bool,
        depth: OutputDepth | None = None,
    ) -> None:
        self._samples, self._scale = samples, np.float32(1 / white)
        self._frame, self._transfer, self._equalize = frame, transfer, equalize
        self._depth = depth

    def sample(self, box: Box) -> FloatArray:
        """Return (height, width, C) of a box of the reference frame; the border goes on outside."""
        transform = self._frame.transform
        assert transform is not None
        position = None
        if self._depth is not None and transform.parallax is not None:
            position = self._depth.part_px(box)
        rows, columns = needed_area(transform, box, self._samples.shape, position)
        area = np.multiply(self._samples[rows, columns], self._scale, dtype=np.float32)
        origin = rows.start, columns.start
        if self._equalize:
            area = equalize_exposure(
                area, self._frame, self._transfer, origin=origin, shape=self._samples.shape
            )
        return warp_part(area, transform, origin=origin, box=box, extend=True, position=position)

    def reduced(self, reduction: int, output: Box) -> FrameSampler:
        """Return what samples a pyramid's coarser level of an output from the frame's own.

        Parameters
        ----------
        reduction : int
            Side of that level's pixels.
        output : (row, column, height, width)
            In the reference frame; boxes to be sampled are boxes of that level of it.
        """
        small = reduce_samples(self._samples, float(1 / self._scale), reduction)
        # A level's blur has four times the variance of a block's; sampling takes the ends off.
        side = np.float32((1 - 1 / reduction**2) / 8)
        kernel = np.array([side, 1 - 2 * side, side])
        small = cv2.sepFilter2D(small, -1, kernel, kernel).reshape(small.shape)
        assert self._frame.transform is not None
        ahead = (reduction - 1) / 2  # a level's first pixel lies at the first pixel, not a block's
        origin = (output[1] - ahead) / reduction, (output[0] - ahead) / reduction
        transform = rescale_transform(self._frame.transform, 1 / reduction, origin)
        return FrameSampler(
            small,
            1.0,
            replace(self._frame, transform=transform),
            self._transfer,
            equalize=self._equalize,
            depth=self._depth and self._depth.reduced(reduction),
        )


def covered(frame: FrameRegistration, shape: tuple[int, ...], box: Box) -> BoolArray | None:
    """Return which pixels of a box of the reference frame a frame has; None for all."""
    assert frame.transform is not None
    mask = valid_area(frame.transform, (shape[0], shape[1]), box)
    return None if mask.all() else mask

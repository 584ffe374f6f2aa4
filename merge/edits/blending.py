"""Putting a region of other pixels into a picture without a seam."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.edits.edit import Edit
from merge.model import BoolArray, FloatArray
from merge.pyramid import build_gaussian, build_laplacian, collapse_pyramid

# Fixed-point bits of polygon corners in OpenCV's fill.
_SHIFT = 6


def affected_box(edit: Edit, shape: Sequence[int]) -> tuple[int, int, int, int] | None:
    """Return (row, column, height, width) of all that an edit can change; None if it lies outside.

    Parameters
    ----------
    edit : Edit
    shape : (H, W, ...)
        Of the picture.
    """
    x, y = np.array(edit.region).T
    reach = _reach(edit)
    top, left = max(0, math.floor(y.min()) - reach), max(0, math.floor(x.min()) - reach)
    bottom = min(shape[0], math.ceil(y.max()) + reach + 1)
    right = min(shape[1], math.ceil(x.max()) + reach + 1)
    return None if bottom <= top or right <= left else (top, left, bottom - top, right - left)


def _levels(edit: Edit) -> int:
    return max(0, round(math.log2(edit.feather_px)))


def _reach(edit: Edit) -> int:
    """How far beyond its border a region can show: the pyramid's kernels reach 4 px a level."""
    return 4 * 2 ** _levels(edit)


def _inside(edit: Edit, box: tuple[int, int, int, int]) -> FloatArray:
    """Return 1 inside the region, 0 outside, over a box; the border is smoothed over a pixel."""
    corners = (np.array(edit.region) - (box[1], box[0])) * 2**_SHIFT
    mask = np.zeros(box[2:], np.uint8)
    cv2.fillPoly(mask, [np.rint(corners).astype(np.int32)], 255, cv2.LINE_AA, _SHIFT)
    return mask.astype(np.float32) / np.float32(255)


def join_patch(
    picture: NDArray[np.uint16],
    patch: FloatArray,
    edit: Edit,
    box: tuple[int, int, int, int],
    valid: BoolArray | None = None,
) -> NDArray[np.uint16]:
    """Return a box of a picture with an edit's region replaced, band by band.

    Every band of a Laplacian pyramid changes over within its own width, so that neither detail is
    doubled nor a step of tone shows.

    Parameters
    ----------
    picture : ndarray, shape (h, w, C), uint16
        The box of the picture as it was.
    patch : ndarray, shape (h, w, C), float32
        What the region takes, in [0, 1].
    edit : Edit
    box : (row, column, h, w)
        From `affected_box`.
    valid : ndarray, shape (h, w), bool, optional
        Where the patch is known; elsewhere the picture stays.

    Returns
    -------
    ndarray, shape (h, w, C), uint16
        Equal to ``picture`` where the region does not reach.
    """
    inside = _inside(edit, box)
    if valid is not None:
        inside = inside * cv2.erode(valid.astype(np.uint8), np.ones((3, 3), np.uint8))
    levels = min(_levels(edit), int(math.log2(max(1, min(box[2:])))))
    before = picture.astype(np.float32) / np.float32(65535)
    weights = build_gaussian(inside, levels)
    bands = [
        old + weight[..., None] * (new - old)
        for old, new, weight in zip(
            build_laplacian(before, levels), build_laplacian(patch, levels), weights, strict=True
        )
    ]
    joined = np.rint(np.clip(collapse_pyramid(bands), 0, 1) * 65535).astype(np.uint16)
    side = 2 * _reach(edit) - 1
    reached = cv2.dilate((inside > 0).astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    return np.where(reached[..., None], joined, picture)

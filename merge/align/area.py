"""What the frames cover in the reference frame's geometry."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from merge.errors import RegistrationError
from merge.model import BoolArray, FrameTransform

# Coverage is tested on a grid this many pixels wide, then confirmed on the box's own rim.
_GRID = 256


def _inside(transform: FrameTransform, points: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Tell which (x, y) ``points`` of the reference land inside a frame of ``shape``."""
    moved = np.column_stack([points, np.ones(len(points))]) @ transform.matrix.T
    x, y = moved[:, 0] / moved[:, 2], moved[:, 1] / moved[:, 2]
    return (x >= 0) & (y >= 0) & (x <= shape[1] - 1) & (y <= shape[0] - 1)


def valid_area(
    transform: FrameTransform, shape: tuple[int, int], box: tuple[int, int, int, int]
) -> BoolArray:
    """Return which pixels of ``box`` (row, column, height, width) a frame covers.

    Parameters
    ----------
    transform : FrameTransform
        Reference → frame.
    shape : (H, W)
        Of the frame.
    box : (row, column, height, width)
        In the reference frame.

    Returns
    -------
    ndarray of bool, shape (height, width)
    """
    row, column, height, width = box
    corners = np.array(
        [[0, 0], [shape[1] - 1, 0], [shape[1] - 1, shape[0] - 1], [0, shape[0] - 1]], float
    )
    back = np.column_stack([corners, np.ones(4)]) @ np.linalg.inv(transform.matrix).T
    polygon = back[:, :2] / back[:, 2:] - (column, row)
    # Half a pixel inside, so that a pixel on the rim is sampled within the frame.
    mask = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(mask, np.round(polygon * 256).astype(np.int32), 1, shift=8)
    return cv2.erode(mask, np.ones((3, 3), np.uint8), borderValue=1).astype(bool)


def common_area(
    transforms: Sequence[FrameTransform], shape: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Return the largest upright rectangle of the reference frame that every frame covers.

    Parameters
    ----------
    transforms : sequence of FrameTransform
        Reference → frame, for every frame used.
    shape : (H, W)
        Of all frames.

    Returns
    -------
    (row, column, height, width)

    Raises
    ------
    RegistrationError
        If the frames share no area.

    Notes
    -----
    The covered region is convex, so the rectangle grows from the region's centre: each side moves
    out as far as its own rim stays covered, in turns, until none can move.
    """
    height, width = shape
    step = max(1, max(shape) // _GRID)
    grid = np.stack(np.meshgrid(np.arange(0, width, step), np.arange(0, height, step)), -1)
    points = grid.reshape(-1, 2).astype(float)
    covered = np.ones(len(points), bool)
    for transform in transforms:
        covered &= _inside(transform, points, shape)
    if not covered.any():
        raise RegistrationError(
            "the aligned frames have no area in common; check that they show one scene, "
            "or leave out the frames that were moved"
        )
    x0, y0 = (int(v) for v in points[covered].mean(axis=0))
    sides = {"top": y0, "bottom": y0, "left": x0, "right": x0}
    limits = {"top": 0, "bottom": height - 1, "left": 0, "right": width - 1}

    def fits(trial: dict[str, int]) -> bool:
        corners = np.array(
            [
                [x, y]
                for x in (trial["left"], trial["right"])
                for y in (trial["top"], trial["bottom"])
            ],
            float,
        )
        return all(bool(_inside(t, corners, shape).all()) for t in transforms)

    stride = max(height, width) // 64 + 1  # small, so that no side runs ahead of the others
    while stride >= 1:
        moved = False
        for side, limit in limits.items():
            sign = -1 if side in ("top", "left") else 1
            reach = min(stride, abs(limit - sides[side]))
            trial = {**sides, side: sides[side] + sign * reach}
            if reach and fits(trial):
                sides, moved = trial, True
        if not moved:
            stride //= 2
    return (
        sides["top"],
        sides["left"],
        sides["bottom"] - sides["top"] + 1,
        sides["right"] - sides["left"] + 1,
    )

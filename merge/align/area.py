"""What the frames cover in the reference frame's geometry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from merge.align.warp import field_numbers, locate_row
from merge.compiled import njit
from merge.errors import RegistrationError
from merge.model import BoolArray, FrameTransform

# Points along the longer side of the grid on which the common rectangle is sought, and along a side
# that lenses bend.
_GRID = 64


def _inside(transform: FrameTransform, points: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Tell which (x, y) ``points`` of the reference land inside a frame of ``shape``."""
    x, y = transform.apply(points).T
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
        True only where `warp_frame` has a value.
    """
    row, column, height, width = box
    mask = np.empty((height, width), np.bool_)
    matrix = np.ascontiguousarray(transform.matrix, np.float64)
    lens = (transform.radial, *transform.centre)
    _mark_covered(mask, matrix, (row, column), shape, lens, field_numbers(transform.field))
    return mask


@njit(nogil=True)
def _mark_covered(  # pragma: no cover - compiled
    mask: BoolArray, matrix: np.ndarray, origin: tuple, shape: tuple, lens: tuple,
    field: np.ndarray,
) -> None:  # fmt: skip
    """Fill ``mask`` with whether points seen lie between a frame's outer pixel centres."""
    right, bottom = shape[1] - 1.0, shape[0] - 1.0
    xs, ys = np.empty(mask.shape[1]), np.empty(mask.shape[1])
    flat, plane = np.zeros(3), np.empty((0, 0), np.float32)
    for i in range(mask.shape[0]):
        locate_row(i + origin[0], origin[1], matrix, flat, plane, 0, lens, field, xs, ys)
        for j in range(mask.shape[1]):
            mask[i, j] = 0.0 <= xs[j] <= right and 0.0 <= ys[j] <= bottom


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
    The covered region is convex, so a rectangle is covered when its corners are (and, where a lens
    bends its sides, points along them): the best one on a coarse grid is found from the rows'
    ends, then grows pixel by pixel. With parallax, what lies where a frame is in focus counts.
    """
    # A strip's short side needs points between its borders, too.
    step = max(1, max(shape) // _GRID)
    rows, columns = (np.arange(0, side, min(step, -(-side // 8))) for side in shape)
    x, y = np.meshgrid(columns, rows)
    points = np.stack([x.ravel(), y.ravel()], 1).astype(float)
    covered = np.ones(len(points), bool)
    for transform in transforms:
        covered &= _inside(transform, points, shape)
    if not covered.any():
        raise RegistrationError(
            "the aligned frames have no area in common; check that they show one scene, "
            "or leave out the frames that were moved"
        )
    top, bottom, left, right = _best_on_grid(covered.reshape(x.shape))
    sides = {"top": int(rows[top]), "bottom": int(rows[bottom])}
    sides |= {"left": int(columns[left]), "right": int(columns[right])}
    outward = {"top": -1, "bottom": 1, "left": -1, "right": 1}
    moved = True
    while moved:
        moved = False
        for side, sign in outward.items():
            trial = {**sides, side: sides[side] + sign}
            if _covered(trial, transforms, shape):
                sides, moved = trial, True
    return (
        sides["top"],
        sides["left"],
        sides["bottom"] - sides["top"] + 1,
        sides["right"] - sides["left"] + 1,
    )


def _best_on_grid(covered: BoolArray) -> tuple[int, int, int, int]:
    """Return first row, last row, first column, last column of the largest covered rectangle."""
    some = covered.any(axis=1)
    first = np.where(some, covered.argmax(axis=1), covered.shape[1])
    last = np.where(some, covered.shape[1] - 1 - covered[:, ::-1].argmax(axis=1), -1)
    left = np.maximum(first[:, None], first[None, :])
    right = np.minimum(last[:, None], last[None, :])
    row = np.arange(len(first))
    tall = row[None, :] - row[:, None] + 1
    area = np.where(tall > 0, tall * np.maximum(right - left + 1, 0), 0)
    top, bottom = np.unravel_index(int(area.argmax()), area.shape)
    return int(top), int(bottom), int(left[top, bottom]), int(right[top, bottom])


def _covered(
    sides: dict[str, int], transforms: Sequence[FrameTransform], shape: tuple[int, int]
) -> bool:
    """Tell whether a rectangle lies in the reference frame and in every frame."""
    inside = 0 <= sides["top"] and 0 <= sides["left"]
    if not (inside and sides["bottom"] < shape[0] and sides["right"] < shape[1]):
        return False
    count = 2 if all(t.is_matrix for t in transforms) else _GRID
    x, y = (
        np.linspace(sides[a], sides[b], count) for a, b in (("left", "right"), ("top", "bottom"))
    )
    grid = np.stack(np.meshgrid(x, y), -1)
    rim = np.ones(grid.shape[:2], bool)
    rim[1:-1, 1:-1] = False
    corners = grid[rim]
    return all(bool(_inside(t, corners, shape).all()) for t in transforms)

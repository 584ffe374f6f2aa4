"""The region round a place within which one picture can stand in for another unseen."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray

_ANGLES, _RADII = 96, 40
# The ring that the border may lie in, as multiples of the size asked for.
_INNER, _OUTER = 0.5, 1.5
# How many radii the border may move from one angle to the next: slopes up to about 60 degrees.
_MOST_STEPS = 3


Region = tuple[tuple[float, float], ...]


def local_difference(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return how much two pictures (h, w, C) differ, over a pixel or two, shape (h, w)."""
    channels = cv2.split(cv2.absdiff(one, other))
    most = channels[0]
    for channel in channels[1:]:
        most = cv2.max(most, channel)
    # A border one pixel wide would slip between the grains of noise.
    return np.asarray(cv2.GaussianBlur(most, (0, 0), 1.0), np.float32)


def find_regions(
    difference: FloatArray, centre: tuple[float, float], sizes_px: Sequence[float]
) -> list[Region]:
    """Return for each size the polygon round a place along which two pictures differ least.

    The shortest closed path by the difference in polar coordinates round the place, between half
    and one and a half times the size asked for (dynamic programming over angles).

    Parameters
    ----------
    difference : ndarray, shape (h, w), float32
        From `local_difference`.
    centre : (x, y)
        The place, in pixels of this array.
    sizes_px : sequence of float
        Radii wished for, > 0.

    Returns
    -------
    list of tuple of (x, y)
        In pixels of the array, clipped to it; 48 corners each.
    """
    height, width = difference.shape
    angles = np.arange(_ANGLES) * (2 * math.pi / _ANGLES)
    radii = np.array(sizes_px)[:, None] * np.linspace(_INNER, _OUTER, _RADII)
    x = centre[0] + np.cos(angles)[:, None] * radii[:, None, :]
    y = centre[1] + np.sin(angles)[:, None] * radii[:, None, :]
    costs = [
        cv2.remap(
            difference,
            xs.astype(np.float32),
            ys.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for xs, ys in zip(x, y, strict=True)
    ]
    paths = _closed_paths(np.stack([c + 0.02 * max(float(c.mean()), 1e-6) for c in costs]))
    regions = []
    for xs, ys, path in zip(x, y, paths, strict=True):
        around = np.arange(_ANGLES), path
        corners = np.clip(xs[around], 0, width - 1), np.clip(ys[around], 0, height - 1)
        points = [(round(float(a), 2), round(float(b), 2)) for a, b in zip(*corners, strict=True)]
        regions.append(tuple(points[::2]))
    return regions


def _closed_paths(costs: FloatArray) -> list[NDArray[np.int64]]:
    """Return for each table (angles, radii) the cheapest path of radii that ends where it began.

    Three turns in a row: the middle one has forgotten where the first began, and closes.
    """
    count, turn, radii = costs.shape
    turns = np.concatenate([costs, costs, costs], axis=1).astype(np.float64)
    steps = 2 * _MOST_STEPS + 1
    total = turns[:, 0]
    came = np.zeros(turns.shape, np.int64)
    padded = np.full((count, radii + 2 * _MOST_STEPS), np.inf)
    for row in range(1, 3 * turn):
        padded[:, _MOST_STEPS:-_MOST_STEPS] = total
        reached = np.lib.stride_tricks.sliding_window_view(padded, steps, axis=1)
        best = reached.argmin(axis=2)
        came[:, row] = best + np.arange(radii) - _MOST_STEPS
        total = turns[:, row] + np.take_along_axis(reached, best[..., None], axis=2)[..., 0]
    return [_trace(came[k], int(total[k].argmin()), turn) for k in range(count)]


def _trace(came: NDArray[np.int64], end: int, turn: int) -> NDArray[np.int64]:
    """Follow a path back and return its middle turn, closed."""
    path = np.empty(len(came), np.int64)
    path[-1] = end
    for row in range(len(came) - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    middle = path[turn : 2 * turn]
    # Where it did not quite close, the last few angles lead over.
    gap = int(path[2 * turn] - middle[0])
    closing = np.rint(np.linspace(0, gap, turn, endpoint=False)).astype(np.int64)
    return np.clip(middle - closing, 0, came.shape[1] - 1)

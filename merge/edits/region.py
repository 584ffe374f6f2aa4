"""The region round a place within which one picture can stand in for another unseen."""

from __future__ import annotations

import math

import cv2
import numpy as np

from merge.model import FloatArray

_ANGLES, _RADII = 96, 40
# The ring that the border may lie in, as multiples of the size asked for.
_INNER, _OUTER = 0.5, 1.5
# How many radii the border may move from one angle to the next: slopes up to about 60 degrees.
_MOST_STEPS = 3


def find_region(
    before: FloatArray, after: FloatArray, centre: tuple[float, float], size_px: float
) -> tuple[tuple[float, float], ...]:
    """Return the closed polygon round a place along which two pictures differ least.

    The shortest closed path by the mean difference of both pictures, in polar coordinates round
    the place, between half and one and a half times the size asked for (dynamic programming over
    angles).

    Parameters
    ----------
    before, after : ndarray, shape (h, w, C), float32
        The picture and what is to replace part of it.
    centre : (x, y)
        The place, in pixels of these arrays.
    size_px : float
        Radius wished for, > 0.

    Returns
    -------
    tuple of (x, y)
        In pixels of the arrays, clipped to them; 48 corners.
    """
    height, width = before.shape[:2]
    difference = np.abs(before - after).max(axis=2)
    # A border one pixel wide would slip between the grains of noise.
    difference = cv2.GaussianBlur(difference, (0, 0), 1.0)
    angles = np.arange(_ANGLES) * (2 * math.pi / _ANGLES)
    radii = size_px * np.linspace(_INNER, _OUTER, _RADII)
    x = centre[0] + np.outer(np.cos(angles), radii)
    y = centre[1] + np.outer(np.sin(angles), radii)
    cost = cv2.remap(
        difference,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    path = _closed_path(cost + 0.02 * max(float(cost.mean()), 1e-6))
    xs, ys = x[np.arange(_ANGLES), path], y[np.arange(_ANGLES), path]
    xs, ys = np.clip(xs, 0, width - 1), np.clip(ys, 0, height - 1)
    return tuple((round(float(a), 2), round(float(b), 2)) for a, b in zip(xs, ys, strict=True))[::2]


def _closed_path(cost: FloatArray) -> np.ndarray:
    """Return the column of every row of the cheapest path that ends where it began.

    Three turns in a row: the middle one has forgotten where the first began, and closes.
    """
    turns = np.concatenate([cost, cost, cost])
    total = turns.copy()
    came = np.zeros(total.shape, np.int64)
    columns = np.arange(cost.shape[1])
    for row in range(1, len(total)):
        shifted = np.full((2 * _MOST_STEPS + 1, cost.shape[1]), np.inf)
        for k, step in enumerate(range(-_MOST_STEPS, _MOST_STEPS + 1)):
            source = columns + step
            known = (source >= 0) & (source < cost.shape[1])
            shifted[k, known] = total[row - 1, source[known]]
        best = shifted.argmin(axis=0)
        came[row] = columns + best - _MOST_STEPS
        total[row] += shifted[best, columns]
    path = np.empty(len(total), np.int64)
    path[-1] = total[-1].argmin()
    for row in range(len(total) - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    middle = path[len(cost) : 2 * len(cost)]
    # Where it did not quite close, the last few angles lead over.
    gap = int(path[2 * len(cost)] - middle[0])
    if gap:
        closing = np.linspace(0, gap, len(middle), endpoint=False)
        middle = np.rint(middle - closing).astype(np.int64)
    return np.clip(middle, 0, cost.shape[1] - 1)

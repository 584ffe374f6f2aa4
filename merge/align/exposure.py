"""Exposure of one picture against another, from aligned low-pass pictures in linear light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align.motion import resample
from merge.align.pair import Pyramid

Array = NDArray[np.float64]

# Low-pass pictures of this size: any blur of a bracket is small against their pixels.
_SIDE_PX = 160
_DARKEST, _BRIGHTEST = 0.01, 0.85
_FEWEST_PIXELS = 50
# Residual, as a share of both lights, from which a pixel loses its say.
_TAIL = 0.01


def radius_squared(shape: tuple[int, ...]) -> Array:
    """Return the squared distance from the picture's centre, 1 at the corners; shape (H, W)."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    cy, cx = (shape[0] - 1) / 2, (shape[1] - 1) / 2
    return np.asarray(((y - cy) ** 2 + (x - cx) ** 2) / (cx**2 + cy**2))


def compare_exposure(one: Pyramid, two: Pyramid, matrix: Array) -> tuple[float, float] | None:
    """Return how much brighter the second picture is than the first.

    Parameters
    ----------
    one, two : Pyramid
        Linear light.
    matrix : ndarray, shape (3, 3)
        First → second.

    Returns
    -------
    (log_gain, falloff) or None
        Light of the second is that of the first times ``exp(log_gain + falloff * r2)``, r2 the
        squared distance from the centre, 1 at the corners. None where too little is well exposed.

    Notes
    -----
    Defocus moves light about but keeps its sum, so sums are compared, not ratios of pixels: the
    fit asks that the residual vanish on average, and averaged with r2. A pixel whose residual is
    far from the others' (moving parts) has no say.
    """
    depth = next(
        (k for k, p in enumerate(one.levels) if max(p.shape) <= _SIDE_PX), len(one.levels) - 1
    )
    a, b = one.levels[depth], two.levels[depth]
    small = resample(matrix, 1 / 2.0**depth)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpPerspective(b, small, a.shape[::-1], flags=flags, borderValue=-1.0)
    usable = (np.minimum(a, moved) > _DARKEST) & (np.maximum(a, moved) < _BRIGHTEST)
    usable = cv2.erode(usable.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    if np.count_nonzero(usable) < _FEWEST_PIXELS:
        return None
    first, second = a[usable].astype(np.float64), moved[usable].astype(np.float64)
    probe = np.stack([np.ones(len(first)), radius_squared(a.shape)[usable]], 1)
    fit = np.array([second.sum() / first.sum(), 0.0])
    for _ in range(20):
        left = (second - first * (probe @ fit)) / (first + second)
        tail = max(_TAIL, 3 * 1.48 * float(np.median(np.abs(left - np.median(left)))))
        weight = 1 / (1 + (left / tail) ** 2) ** 2
        normal = probe.T @ (probe * (weight * first)[:, None])
        fit = np.linalg.solve(normal + 1e-9 * np.eye(2), probe.T @ (weight * second))
    return float(np.log(fit[0])), float(np.log1p(fit[1] / fit[0]))

"""Exposure of frames against the reference frame, from small aligned pictures in linear light.

Defocus moves light about but keeps its sum, apart from what crosses the rim. So the light in blocks
of the picture is compared, not pixels: pixels beside a bright spot lose or win light in numbers
that differ, and any robust average of their ratios is biased by it (by up to 2.5 % in the
photograph scene); sums are not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align.motion import resample
from merge.align.pair import Pyramid
from merge.encoding import scale_light
from merge.model import FloatArray, FrameRegistration

Array = NDArray[np.float64]

# Small pictures of at most this size are kept of every frame.
_SIDE_PX = 128
# Blocks along the longer side.
_BLOCKS = 12
# A small picture's pixel above this share of white may hold clipped ones.
_BRIGHTEST = 0.8
# Mean light of a block below this says little.
_DARKEST = 0.002
_FEWEST_BLOCKS = 8
_LEAST_COVERED = 0.5
_LEAST_SPREAD = 0.002
# Biweight limit in robust standard deviations: 95 % efficient on normal errors
# (P. J. Rousseeuw and A. M. Leroy, Robust Regression, 1987, ch. 4, from memory).
_BIWEIGHT = 4.685
# Falloff is applied when it reaches this share of light and this many standard errors somewhere.
_LEAST_FALLOFF = 0.02
_SIGNIFICANT = 5.0
_LEAST_ERROR = 0.001
# Differences of gain below this are measurement noise: nothing is evened out.
_GAIN_FLOOR = 0.001
# From so many frames on the trend may bend.
_FRAMES_FOR_CURVE = 6


@dataclass(frozen=True, eq=False)
class SmallPicture:
    """A frame's linear light at a size where a whole stack fits in memory."""

    light: FloatArray
    reduction: float


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Logarithm of second light over first in every usable block."""

    ratio: Array
    light: Array  # of the first picture, sums to 1
    probe: Array  # (n, 2): 1 and the squared distance from the centre


def small_picture(pyramid: Pyramid) -> SmallPicture:
    """Return the finest level that is at most `_SIDE_PX` px long."""
    fitting = [k for k, level in pyramid.levels.items() if max(level.shape) <= _SIDE_PX]
    depth = min(fitting, default=max(pyramid.levels))
    return SmallPicture(pyramid.levels[depth], 2.0**depth)


def radius_squared(
    shape: tuple[int, ...],
    origin: tuple[int, int] = (0, 0),
    part: tuple[int, ...] | None = None,
) -> Array:
    """Return the squared distance from the picture's centre, 1 at the corners.

    Of the whole picture, shape (H, W), or of a ``part`` (h, w) of it from ``origin`` on.
    """
    height, width = (part or shape)[:2]
    y, x = np.mgrid[origin[0] : origin[0] + height, origin[1] : origin[1] + width]
    cy, cx = (shape[0] - 1) / 2, (shape[1] - 1) / 2
    return np.asarray(((y - cy) ** 2 + (x - cx) ** 2) / (cx**2 + cy**2), np.float64)


def compare_exposures(
    pictures: Mapping[int, SmallPicture], matrices: Mapping[int, Array], reference: int
) -> dict[int, tuple[float, float]]:
    """Return (gain, falloff) of every frame in ``matrices`` against the reference frame.

    Parameters
    ----------
    pictures : mapping of frame to SmallPicture
    matrices : mapping of frame to ndarray, shape (3, 3)
        Reference → frame, in the pixels of the pictures before reduction.
    reference : int

    Returns
    -------
    dict
        Light of a frame is that of the reference times ``gain * exp(falloff * r2)``, r2 the squared
        distance from the centre, 1 at the corners. Falloff is 0 in all frames unless it stands
        out of its error in one; a frame with too little well-exposed light gets gain 1.
    """
    compared = {
        i: _compare(pictures[reference], pictures[i], m)
        for i, m in matrices.items()
        if i != reference
    }
    known = {i: b for i, b in compared.items() if b is not None}
    falloff = _falloff_trend(known, reference)
    found = {i: (1.0, 0.0) for i in matrices}
    for i, blocks in known.items():
        f = falloff.get(i, 0.0)
        left = blocks.ratio - f * blocks.probe[:, 1]
        (log_gain,), _ = _fit(blocks.probe[:, :1], left, blocks.light)
        found[i] = (float(np.exp(log_gain)), f)
    return found


def _falloff_trend(known: Mapping[int, _Blocks], reference: int) -> dict[int, float]:
    """Return every frame's falloff from a smooth trend over the stack; empty if none shows."""
    if not known:
        return {}
    values, errors = [], []
    for blocks in known.values():
        fit, covariance = _fit(blocks.probe, blocks.ratio, blocks.light)
        values.append(fit[1])
        errors.append(np.sqrt(covariance[1, 1]) + _LEAST_ERROR)
    away = np.array(list(known), float) - reference
    terms = 2 if len(away) >= _FRAMES_FOR_CURVE else 1
    powers = np.stack([away, away**2], 1)[:, :terms] / np.abs(away).max() ** np.arange(1, terms + 1)
    measured, weight = np.array(values), 1 / np.array(errors) ** 2
    inverse = np.linalg.inv(powers.T @ (powers * weight[:, None]))
    slope = inverse @ (powers.T @ (weight * measured))
    trend = powers @ slope
    freedom = max(len(away) - terms, 1)
    excess = max(1.0, float(np.sum(weight * (measured - trend) ** 2)) / freedom)
    # All frames share the reference, so their errors do not average out over the stack.
    error = np.sqrt(excess) * float(np.median(errors))
    if np.abs(trend).max() < max(_LEAST_FALLOFF, _SIGNIFICANT * error):
        return {}
    return dict(zip(known, trend.tolist(), strict=True))


def _compare(one: SmallPicture, two: SmallPicture, matrix: Array) -> _Blocks | None:
    """Return the blocks that both pictures show well exposed; None where they are too few."""
    a = one.light
    small = resample(matrix, 1 / one.reduction)
    moved = cv2.warpPerspective(
        two.light, small, a.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderValue=-1e6,
    )  # fmt: skip
    usable = (moved >= 0) & (np.maximum(a, moved) < _BRIGHTEST)
    usable = cv2.erode(usable.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=1) > 0
    side = max(a.shape) / _BLOCKS
    row, column = np.indices(a.shape)
    block = ((row // side) * _BLOCKS + column // side).astype(int)
    count = np.bincount(block.ravel())

    def sums(values: NDArray[np.floating]) -> Array:
        return np.asarray(
            np.bincount(block[usable], values[usable], minlength=len(count)), np.float64
        )

    pixels = sums(np.ones(a.shape))
    first, second, radius = sums(a), sums(moved), sums(a * radius_squared(a.shape))
    kept = (pixels > _LEAST_COVERED * count) & (
        np.minimum(first, second) > _DARKEST * np.maximum(pixels, 1)
    )
    if np.count_nonzero(kept) < _FEWEST_BLOCKS:
        return None
    ratio = np.log(second[kept] / first[kept])
    light = first[kept] / first[kept].sum()
    shape = np.stack([np.ones(len(ratio)), radius[kept] / first[kept]], 1)
    return _Blocks(ratio, light, shape)


def _fit(probe: Array, values: Array, light: Array) -> tuple[Array, Array]:
    """Return the robust fit weighted by light, and its covariance."""
    fit = np.zeros(probe.shape[1])
    fit[0] = np.median(values)
    normal, weight = np.eye(len(fit)), light
    for _ in range(20):
        left = values - probe @ fit
        spread = max(1.48 * float(np.median(np.abs(left))), _LEAST_SPREAD)
        tame = np.clip(1 - (left / (_BIWEIGHT * spread)) ** 2, 0, None) ** 2
        weight = light * tame
        normal = probe.T @ (probe * weight[:, None]) + 1e-12 * np.eye(len(fit))
        fit[:] = np.linalg.solve(normal, probe.T @ (weight * values))
    left = values - probe @ fit
    inverse = np.linalg.inv(normal)
    scatter = probe.T @ (probe * (weight * left)[:, None] ** 2)
    return fit, inverse @ scatter @ inverse


def equalize_exposure(
    pixels: FloatArray,
    frame: FrameRegistration,
    transfer: str,
    *,
    origin: tuple[int, int] = (0, 0),
    shape: tuple[int, ...] | None = None,
) -> FloatArray:
    """Return a frame's pixels with its light brought to that of the reference.

    Parameters
    ----------
    pixels : ndarray, shape (h, w, C), float32
        The frame, or part of it.
    frame : FrameRegistration
    transfer : str
    origin : (row, column)
        Of the first pixel in the frame.
    shape : (H, W, ...), optional
        Of the frame; default that of ``pixels``.
    """
    if abs(frame.gain - 1) < _GAIN_FLOOR and not frame.falloff:
        return pixels
    factor: float | FloatArray = 1 / frame.gain
    if frame.falloff:
        corner = radius_squared(shape or pixels.shape, origin, pixels.shape)[..., None]
        factor = (factor * np.exp(-frame.falloff * corner)).astype(np.float32)
    return scale_light(pixels, factor, transfer)

"""How far frames differ by what neither defocus nor noise explains.

Neighbouring frames differ by defocus, noise and motion. To second order a change of blur adds a
multiple of the picture's curvature, so the difference of two neighbours, low-passed, is fitted in
every small window by the curvature at two scales (a sharp texture and the blur that lies over it
change differently). What is left, against noise and against what a small misalignment would do, is
motion. Depth is not needed for that; the depth map tells only which frames a place is merged from,
since motion in frames that nobody uses does no harm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import BoolArray, FloatArray

Pictures = Sequence[NDArray[np.floating]]
Valid = Callable[[int], BoolArray | None]

# Frames are compared at half of the size given: ghosts are coarser than that, and it is 4 x faster.
# All lengths below are in these compared pixels.
FACTOR = 2
# Low-pass before the comparison: at least this, and this share of a focus step.
_SIGMA_PX, _SIGMA_STEPS = 1.0, 0.35
_FALLBACK_STEP_PX = 3.0
# What is coarser than this many times the low-pass is left out: drifting light, swaying veils.
_COARSE = 4.0
# Misalignment that still counts as still: a part that alignment leaves, and a share of the focus
# step, because a thing seen past a nearer rim uses a part of the lens only and so seems to move.
# Without the second, still scenes reach 3.6 (photograph, 3 px steps), 9.2 (rendered macro, 5 px)
# and 7.1 (rendered landscape, 13 px); with it 3.0, 6.2 and 2.9.
_STILL_PX, _STILL_STEPS = 0.3, 0.15
# Noise of a window: this percentile of what the fit leaves, since most of a picture holds still;
# never below the rounding of 8-bit files after the low-pass.
_NOISE_PERCENTILE = 25
_LEAST_NOISE = 0.0005
# Frames whose middle is within this many frames of a place's depth show what is merged there.
_NEAR_FRAMES = 1.6
# Nearer than this to a frame's own border nothing is compared.
_BORDER_PX = 8
_AXES = ((1, 0), (0, 1))
_TINY = np.float32(1e-12)


def halve(values: NDArray[np.generic]) -> FloatArray:
    """Return means of 2 x 2 blocks, channels kept; the last row and column may be repeated."""
    picture = np.asarray(values, np.float32)
    missing = [-n % FACTOR for n in picture.shape[:2]]
    if any(missing):
        picture = cv2.copyMakeBorder(picture, 0, missing[0], 0, missing[1], cv2.BORDER_REPLICATE)
    size = (picture.shape[1] // FACTOR, picture.shape[0] // FACTOR)
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return small.reshape(size[1], size[0], *values.shape[2:])


def blur(values: FloatArray, sigma: float) -> FloatArray:
    """Return a Gaussian low-pass, channels kept."""
    return cv2.GaussianBlur(values, (0, 0), sigma).reshape(values.shape)


def focus_steps(
    positions_px: NDArray[np.float64] | None, count: int, reduction: int
) -> NDArray[np.float64]:
    """Return the focus step of every pair of neighbours in compared pixels, shape (N - 1,)."""
    if positions_px is None:
        return np.full(count - 1, _FALLBACK_STEP_PX / FACTOR)
    return np.abs(np.diff(positions_px)) / (reduction * FACTOR)


def compare_frames(
    pictures: Pictures, position: FloatArray, step_px: NDArray[np.float64], valid: Valid | None
) -> FloatArray:
    """Return the strongest motion between the frames that every place is merged from.

    Parameters
    ----------
    pictures : sequence of N ndarrays, shape (2h, 2w, C)
    position : ndarray, shape (h, w), float32
        Depth in frames.
    step_px : ndarray, shape (N - 1,)
        In compared pixels.
    valid : callable or None

    Returns
    -------
    ndarray, shape (h, w), float32
        In multiples of what noise and misalignment do.
    """
    evidence = np.zeros(position.shape, np.float32)
    before = halve(pictures[0])
    for k, step in enumerate(step_px):
        after = halve(pictures[k + 1])
        near = np.abs(position - np.float32(k + 0.5)) < _NEAR_FRAMES
        if near.any():
            strength = unlike(before, after, float(step))
            if valid is not None:
                near &= _both_valid(valid(k), valid(k + 1), position.shape)
            np.maximum(evidence, strength, out=evidence, where=near)
        before = after
    return evidence


def unlike(one: FloatArray, other: FloatArray, step_px: float) -> FloatArray:
    """Return how far two frames differ by what neither defocus nor noise explains.

    Parameters
    ----------
    one, other : ndarray, shape (h, w, C), float32
    step_px : float
        Change of blur between them, px.

    Returns
    -------
    ndarray, shape (h, w), float32
        In multiples of what noise and a misalignment do; about 1 where all holds still.
    """
    sigma = max(_SIGMA_PX, _SIGMA_STEPS * step_px)
    low, high = (blur(p, sigma) - blur(p, _COARSE * sigma) for p in (one, other))
    difference, mean = low - high, (low + high) * np.float32(0.5)
    fine = cv2.Laplacian(mean, cv2.CV_32F).reshape(mean.shape)
    coarse = blur(mean, 2 * sigma) - mean
    slope = [cv2.Sobel(mean, cv2.CV_32F, *d, scale=1 / 8).reshape(mean.shape) for d in _AXES]

    def window(a: FloatArray, b: FloatArray) -> FloatArray:
        return blur((a * b).sum(axis=2), 2 * sigma)

    ff, fc, cc = window(fine, fine), window(fine, coarse), window(coarse, coarse)
    df, dc, left = (window(difference, v) for v in (fine, coarse, difference))
    ff += np.float32(1e-3) * ff.mean() + _TINY
    cc += np.float32(1e-3) * cc.mean() + _TINY
    left -= (df * (df * cc - dc * fc) + dc * (dc * ff - df * fc)) / (ff * cc - fc * fc)
    np.maximum(left, 0, out=left)
    noise = max(float(np.percentile(left, _NOISE_PERCENTILE)), _LEAST_NOISE**2)
    allowed = (_STILL_PX**2 + (_STILL_STEPS * step_px) ** 2) / 2
    still = (window(slope[0], slope[0]) + window(slope[1], slope[1])) * np.float32(allowed)
    return cv2.sqrt(left / (still + np.float32(noise)))


def _both_valid(
    one: BoolArray | None, other: BoolArray | None, shape: tuple[int, ...]
) -> BoolArray:
    """Return where two frames have pixels of their own, at some distance from their borders."""
    both = np.ones(shape, np.uint8)
    for mask in (one, other):
        if mask is not None:
            both &= (halve(mask) > 0.99).astype(np.uint8)
    return cv2.erode(both, np.ones((2 * _BORDER_PX + 1,) * 2, np.uint8)) > 0

"""How far frames differ by what neither defocus nor noise explains.

Neighbouring frames differ by defocus, noise and motion. To second order a change of blur adds a
multiple of the picture's curvature, so the difference of two neighbours, low-passed, is fitted in
every small window by the curvature at two scales (a sharp texture and the blur that lies over it
change differently). What is left, against noise and against what a small misalignment would do, is
motion. Depth is not needed for that; the depth map tells only which frames a place is merged from,
since motion in frames that nobody uses does no harm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.model import BoolArray, FloatArray
from merge.resizing import reduce_map
from merge.samples import EIGHT_BIT_STEP
from merge.scratch import as_floats
from merge.threads import work_ahead


class Pictures(Protocol):
    """Aligned frames of one size, (h, w, C) float, read one at a time."""

    def __len__(self) -> int: ...

    def __getitem__(self, index: int, /) -> NDArray[np.floating]: ...


Valid = Callable[[int], BoolArray | None]
# How far pictures k and k + 1 disagree by misalignment at (x, y) of them, px; None: not at all.
Misaligned = Callable[[int, FloatArray], FloatArray | None]

# Frames are compared at half of the size given: ghosts are coarser than that, and it is 4 x faster.
# All lengths below are in these compared pixels.
FACTOR = 2
# Low-pass before the comparison: at least this, and this share of a focus step.
_SIGMA_PX, _SIGMA_STEPS = 1.0, 0.35
_SIGMA_RATIO = 1.2
# Half side of the window of the fit, in low-passes.
_WINDOW_SIGMAS = 3.0
# What is coarser than this many times the low-pass is left out: drifting light, swaying veils.
_COARSE = 4.0
# Misalignment that still counts as still: px that alignment leaves, and a share of the focus step,
# because a thing seen past a nearer rim uses a part of the lens only and so seems to move.
# Without the second, still scenes reach 3.6 (photograph, 3 px steps), 9.2 (rendered macro, 5 px)
# and 7.1 (rendered landscape, 13 px); with it 3.0, 5.6 and 3.2.
STILL_PX, _STILL_STEPS = 0.3, 0.15
# So much of a whole is its lesser part: of a picture what moves or shows nothing, of a thing its
# blur, of frames those that are alike by chance.
LESSER_SHARE = 0.25
# Frames within this many of a place's depth show what is merged there; depths as near are alike.
NEAR_FRAMES = 2.0
# So far around its place a blurred rim still counts: from a frame's own border, from a depth step,
# from a part.
AROUND_PX = 8


def halve(values: NDArray[np.generic]) -> FloatArray:
    """Return means of 2 x 2 blocks, channels kept; the last row and column may be repeated."""
    floats = as_floats(values) if values.dtype == np.float16 else np.asarray(values, np.float32)
    return reduce_map(floats, FACTOR)


def blur(values: FloatArray, sigma: float) -> FloatArray:
    """Return a Gaussian low-pass, channels kept."""
    return cv2.GaussianBlur(values, (0, 0), sigma).reshape(values.shape)


def focus_places(
    positions_px: NDArray[np.float64] | None, count: int, reduction: int
) -> NDArray[np.float64]:
    """Return the frames on the focus axis in compared pixels, shape (N,); a guess for None."""
    if positions_px is None:  # as far apart as the least low-pass takes
        return np.arange(count, dtype=np.float64) * (_SIGMA_PX / _SIGMA_STEPS)
    places: NDArray[np.float64] = np.asarray(positions_px, np.float64) / (reduction * FACTOR)
    return places


def compare_frames(
    pictures: Pictures,
    position: FloatArray,
    places_px: NDArray[np.float64],
    valid: Valid | None,
    sways: NDArray[np.float64] | None = None,
    misaligned: Misaligned | None = None,
) -> FloatArray:
    """Return the strongest motion between the frames that every place is merged from.

    Parameters
    ----------
    pictures : sequence of N ndarrays, shape (2h, 2w, C)
    position : ndarray, shape (h, w), float32
        Depth in frames.
    places_px : ndarray, shape (N,)
        Frames on the focus axis, in compared pixels.
    valid : callable or None
    sways : ndarray, shape (N, 2), optional
        Where the camera moved: by how much more than at the plane a frame shows what lies one px
        of blur beyond it, px. Beside depth steps no one map follows that, so there as much
        misalignment as the step makes counts as still.
    misaligned : callable, optional
        Counts as still, too.

    Returns
    -------
    ndarray, shape (h, w), float32
        In multiples of what noise and misalignment do.
    """
    evidence = np.zeros(position.shape, np.float32)
    spread = None if sways is None else _depth_spread(position, places_px)
    steps = np.abs(np.diff(places_px)).tolist()

    def look(k: int) -> tuple[FloatArray, _Bands]:
        after = halve(pictures[k + 1])
        return after, _bands(after, _low_pass(steps[k]))

    before = halve(pictures[0])
    bands: _Bands | None = None
    looks = work_ahead(look, range(len(steps)))
    for k, (step, (after, following)) in enumerate(zip(steps, looks, strict=True)):
        near = np.abs(position - np.float32(k + 0.5)) < NEAR_FRAMES
        if near.any():
            if bands is None or bands.sigma != following.sigma:
                bands = _bands(before, following.sigma)
            if valid is not None:
                near &= _both_valid(valid(k), valid(k + 1), position.shape)
            moved = None
            if spread is not None and sways is not None:
                moved = spread * np.float32(np.linalg.norm(sways[k + 1] - sways[k]))
            beside = None if misaligned is None else misaligned(k, _points(position.shape))
            if beside is not None:
                beside = beside / np.float32(FACTOR)
                moved = beside if moved is None else moved + beside
            strength = _motion_score(bands, following, step, moved)
            np.maximum(evidence, strength, out=evidence, where=near)
        before, bands = after, following
    return evidence


def _points(shape: tuple[int, ...]) -> FloatArray:
    """Return where compared pixels lie in the pictures as given, (x, y), shape (h, w, 2)."""
    y, x = np.indices(shape, np.float32)
    return np.stack([x, y], -1) * np.float32(FACTOR) + np.float32((FACTOR - 1) / 2)


def _depth_spread(position: FloatArray, places_px: NDArray[np.float64]) -> FloatArray:
    """Return by how much depths differ around every place, in px of blur, shape (h, w)."""
    places = np.arange(len(places_px))
    deep = np.interp(position, places, places_px).astype(np.float32)
    window = np.ones((2 * AROUND_PX + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(deep, window) - cv2.erode(deep, window), np.float32)


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
    sigma = _low_pass(step_px)
    return _motion_score(_bands(one, sigma), _bands(other, sigma), step_px)


@dataclass(frozen=True, eq=False)
class _Bands:
    """A frame between a fine and a coarse low-pass, and the same low-passed once more."""

    sigma: float
    band: FloatArray
    softened: FloatArray


def _low_pass(step_px: float) -> float:
    """Return the low-pass for a focus step, in coarse steps so that neighbours share it."""
    sigma = max(_SIGMA_PX, _SIGMA_STEPS * step_px)
    return float(_SIGMA_RATIO ** np.round(np.log(sigma) / np.log(_SIGMA_RATIO)))


def _bands(picture: FloatArray, sigma: float) -> _Bands:
    band = blur(picture, sigma)
    band -= _coarse_blur(band, _COARSE * sigma)
    return _Bands(sigma, band, blur(band, 2 * sigma))


def _coarse_blur(values: FloatArray, sigma: float) -> FloatArray:
    """Return a wide low-pass, computed on a reduced picture."""
    factor = max(int(sigma // 2), 1)
    height, width = values.shape[:2]
    size = (-(-width // factor), -(-height // factor))
    small = cv2.resize(values, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / factor)
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR).reshape(values.shape)


def _motion_score(
    one: _Bands, other: _Bands, step_px: float, moved: FloatArray | None = None
) -> FloatArray:
    """Return `unlike`; ``moved`` is the misalignment in px to be expected at every place."""
    products = np.empty((len(_PRODUCTS), *one.band.shape[:2]), np.float32)
    _multiply(one.band, other.band, one.softened, other.softened, products)
    side = 2 * round(_WINDOW_SIGMAS * one.sigma) + 1
    for k in range(len(products)):
        products[k] = cv2.blur(products[k], (side, side))
    ff, _, cc = products[:3]
    ridge = np.float32(1e-3) * np.array([ff.mean(), cc.mean()], np.float32)
    ridge += np.finfo(np.float32).eps ** 2  # what rounding leaves of an even picture
    left = _residual_variance(products, ridge)
    sample = left[:: side // 2, :: side // 2]  # places nearer than that tell the same
    # Never below the rounding of two frames of 8 bits, of blocks, after the low-pass.
    rounding = EIGHT_BIT_STEP**2 / 6 * one.band.shape[2] / FACTOR**2 / (4 * np.pi * one.sigma**2)
    noise = max(float(np.quantile(sample, LESSER_SHARE)), rounding)
    allowed = (STILL_PX**2 + (_STILL_STEPS * step_px) ** 2) / 2
    still: FloatArray | np.float32 = np.float32(allowed)
    if moved is not None:
        still = still + moved * moved / np.float32(2)
    left /= products[6] * still + np.float32(noise)
    return cv2.sqrt(left)


# Windowed products of d = difference, f = its fine, c = its coarse curvature, g = slope.
_PRODUCTS = ("ff", "fc", "cc", "df", "dc", "dd", "gg")


@njit(nogil=True, fastmath=True, takes="f3 f3 f3 f3 f3")
def _multiply(  # pragma: no cover - compiled
    one: FloatArray, other: FloatArray, soft: FloatArray, soft_other: FloatArray, out: FloatArray
) -> None:
    """Fill `_PRODUCTS` of every pixel, summed over the channels, before their windows."""
    rows, columns, channels = one.shape
    half, quarter = np.float32(0.5), np.float32(0.25)
    for i in range(rows):
        up, down = max(i - 1, 0), min(i + 1, rows - 1)
        for j in range(columns):
            left, right = max(j - 1, 0), min(j + 1, columns - 1)
            ff = fc = cc = df = dc = dd = gg = np.float32(0)
            for k in range(channels):
                mean = (one[i, j, k] + other[i, j, k]) * half
                above = (one[up, j, k] + other[up, j, k]) * half
                below = (one[down, j, k] + other[down, j, k]) * half
                before = (one[i, left, k] + other[i, left, k]) * half
                after = (one[i, right, k] + other[i, right, k]) * half
                d = one[i, j, k] - other[i, j, k]
                f = above + below + before + after - np.float32(4) * mean
                c = (soft[i, j, k] + soft_other[i, j, k]) * half - mean
                g = ((after - before) ** 2 + (below - above) ** 2) * quarter
                ff += f * f
                fc += f * c
                cc += c * c
                df += d * f
                dc += d * c
                dd += d * d
                gg += g
            out[0, i, j], out[1, i, j], out[2, i, j] = ff, fc, cc
            out[3, i, j], out[4, i, j], out[5, i, j], out[6, i, j] = df, dc, dd, gg


@njit(nogil=True, fastmath=True, takes="f3 f1")
def _residual_variance(products: FloatArray, ridge: FloatArray) -> FloatArray:  # pragma: no cover
    """Return the mean square of the difference that its fit by both curvatures leaves."""
    _, rows, columns = products.shape
    out = np.empty((rows, columns), np.float32)
    for i in range(rows):
        for j in range(columns):
            ff, cc = products[0, i, j] + ridge[0], products[2, i, j] + ridge[1]
            fc, df, dc = products[1, i, j], products[3, i, j], products[4, i, j]
            fit = df * (df * cc - dc * fc) + dc * (dc * ff - df * fc)
            out[i, j] = max(products[5, i, j] - fit / (ff * cc - fc * fc), np.float32(0))
    return out


def _both_valid(
    one: BoolArray | None, other: BoolArray | None, shape: tuple[int, ...]
) -> BoolArray:
    """Return where two frames have pixels of their own, at some distance from their borders."""
    both = np.ones(shape, np.uint8)
    for mask in (one, other):
        if mask is not None:
            both &= (halve(mask) > 0.99).astype(np.uint8)
    return cv2.erode(both, np.ones((2 * AROUND_PX + 1,) * 2, np.uint8)) > 0

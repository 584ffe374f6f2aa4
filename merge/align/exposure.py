"""Exposure of frames against the reference frame, from small aligned pictures.

Defocus moves light about but keeps its sum, apart from what crosses the rim. So the light in blocks
of the picture is compared, not pixels: pixels beside a bright spot lose or win light in numbers
that differ, and any robust average of their ratios is biased by it (by up to 2.5 % in the
photograph scene); sums are not. Pictures blurred after they were encoded, such as drawn or
simulated ones, keep the sum of their coded values in its place: which of both scatters less over
the blocks tells.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align.motion import resample
from merge.align.pair import Pyramid
from merge.encoding import encode, linearize, scale_light
from merge.model import Array, FloatArray, FrameRegistration, Index
from merge.significance import SURE

Halves = NDArray[np.float16]

# Small pictures of at most this size are kept of every frame; of so many samples along each side of
# a pixel their colours are the mean: bounds on memory and time.
_SIDE_PX, _SAMPLES = 128, 4
# Blocks along the longer side, and where bright places count, too, so that they hold both. Of a
# block that is clipped all over nothing can be told.
_BLOCKS, _WIDE_BLOCKS, _MOST_CLIPPED = 12, 6, 0.9
# Bright places count where blocks then scatter so many times less.
_FAR_LESS = 2.0
# A small picture's pixel above the first share of white may hold clipped ones (held by
# test_a_sky_that_clips_tells_nothing_of_the_light), above the second it is clipped. For colours the
# second counts where they scatter less with it: what is left out for one bright channel still gives
# light to what lies beside it, the more the farther it is blurred (a chessboard read 32 % off).
_BRIGHTEST, _CLIPPED = 0.8, 0.955
# What bright places spread when blurred is left out, too, within so many of its pixels: writing on
# paper this bright read 5 to 26 % off with the narrow rim, which counts where the wide one leaves
# too little, but only for more than half a stop
# (test_writing_on_bright_paper_tells_large_changes_of_the_light_alone).
_WIDE_RIM, _NARROW_RIM, _FAR_MORE = 2, 1, math.log(2) / 2
# Mean light of a block below this is noise, and of fewer blocks blur across their rims makes the
# light: both held by test_a_lamp_alone_in_the_dark_tells_nothing_of_the_light.
_DARKEST, _FEWEST_BLOCKS = 0.002, 8
# Share of a block that both pictures must show: less is its rim.
_LEAST_COVERED = 0.5
# Biweight limit in robust standard deviations: 95 % efficient on normal errors
# (P. J. Rousseeuw and A. M. Leroy, Robust Regression, 1987, ch. 4, from memory).
_BIWEIGHT = 4.685
# Falloff is applied when it reaches this share of light somewhere, beyond chance.
_LEAST_FALLOFF = 0.02
# Gains are known no better than the halves that they come from, so less is not evened out.
_LEAST_ERROR = float(np.finfo(np.float16).eps)


@dataclass(frozen=True, eq=False)
class SmallPicture:
    """A frame's linear light at a size where a whole stack fits in memory.

    Attributes
    ----------
    light : ndarray, shape (h, w), float32
    reduction : float
        Pixels of the compared pictures for one of ``light``.
    colours : SmallColours, optional
    """

    light: FloatArray
    reduction: float
    colours: SmallColours | None = None


@dataclass(frozen=True, eq=False)
class SmallColours:
    """Means of a frame's colours.

    Attributes
    ----------
    light : ndarray, shape (h', w', C), float16
        Of linear light.
    coded : ndarray, shape (h', w', C), float16
        Of the values as stored, with the curve ``transfer``.
    transfer : str
    """

    light: Halves
    coded: Halves
    transfer: str


@dataclass(frozen=True)
class Exposure:
    """Light of a frame over the reference frame's; see `FrameRegistration`."""

    gain: float = 1.0
    falloff: float = 0.0
    colour_gains: tuple[float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Logarithm of second light over first in every usable block, a column for each channel."""

    ratio: Array
    light: Array  # of the first picture, sums to 1
    probe: Array  # (n, 2): 1 and the squared distance from the centre


def small_picture(pyramid: Pyramid, colours: SmallColours | None = None) -> SmallPicture:
    """Return the finest level that is at most `_SIDE_PX` px long, and colours with it."""
    fitting = [k for k, level in pyramid.levels.items() if max(level.shape) <= _SIDE_PX]
    depth = min(fitting, default=max(pyramid.levels))
    return SmallPicture(pyramid.levels[depth], 2.0**depth, colours)


def small_colours(picture: FloatArray, transfer: str, *, light: bool = False) -> SmallColours:
    """Return a picture's colours, small.

    Parameters
    ----------
    picture : ndarray, shape (H, W, C), float32
        Of any size.
    transfer : str
        Its encoding, or with ``light`` that from which it was made linear.
    light : bool
    """
    side = max(max(picture.shape) / _SIDE_PX, 1.0)
    stride = max(int(side / _SAMPLES), 1)
    sampled = np.ascontiguousarray(picture[::stride, ::stride])
    both = (
        (sampled, encode(sampled, transfer)) if light else (linearize(sampled, transfer), sampled)
    )
    size = tuple(max(round(length / side), 1) for length in picture.shape[1::-1])
    of_light, stored = (
        cv2.resize(values, size, interpolation=cv2.INTER_AREA)
        .reshape(size[1], size[0], -1)
        .astype(np.float16)
        for values in both
    )
    return SmallColours(of_light, stored, transfer)


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
    pictures: Mapping[int, SmallPicture],
    matrices: Mapping[int, Array],
    reference: int,
    shape: tuple[int, int],
) -> tuple[dict[int, Exposure], float]:
    """Return the exposure of every frame in ``matrices`` against the reference frame.

    And what tells that blur keeps sums of coded values, not of light, in standard errors.

    Parameters
    ----------
    pictures : mapping of frame to SmallPicture
    matrices : mapping of frame to ndarray, shape (3, 3)
        Reference → frame, in the pixels of the pictures before reduction.
    reference : int
    shape : (H, W)
        Of the pictures before reduction.

    Returns
    -------
    exposures : dict
        Falloff is 0 in all frames unless it stands out of its error in one, and so with colours; a
        frame with too little well-exposed light has gain 1.
    told : float
    """
    here, others = pictures[reference], {i: m for i, m in matrices.items() if i != reference}
    compared, coded, told = _compare_sums(pictures, others, here, shape)
    known = {i: b for i, b in compared.items() if b is not None}
    falloff = _falloff_trend(known, reference)
    colours = _compare_colours(pictures, others, here, shape, falloff, coded)
    found = {i: Exposure() for i in matrices}
    for i, blocks in known.items():
        f = falloff.get(i, 0.0)
        left = blocks.ratio[:, 0] - f * blocks.probe[:, 1]
        (log_gain,), _ = _fit(blocks.probe[:, :1], left, blocks.light)
        found[i] = Exposure(float(np.exp(log_gain)), f, colours.get(i))
    return found, told


def _compare_sums(
    pictures: Mapping[int, SmallPicture],
    matrices: Mapping[int, Array],
    here: SmallPicture,
    shape: tuple[int, int],
) -> tuple[dict[int, _Blocks | None], bool, float]:
    """Return the blocks of every frame; whether blur keeps sums of coded values, and how surely.

    That is what the usual frame shows, in standard errors: two variances of n blocks differ by
    chance as a factor of exp(sqrt(4 / n)) does.
    """
    one, light, coded = here.colours, {}, {}
    variances, surprise = np.zeros(2), []
    for i, matrix in matrices.items():
        two = pictures[i].colours
        if one is None or two is None:
            small = resample(matrix, 1 / here.reduction)
            light[i] = _compare(here.light[..., None], pictures[i].light[..., None], small)
            continue
        light[i], coded[i] = both = [
            _compare_grey(one, two, matrix, shape, coded=way) for way in (False, True)
        ]
        fits = [_fit(b.probe[:, :1], b.ratio[:, 0], b.light)[1] for b in both if b is not None]
        if len(fits) == 2:
            own = np.array([covariance[0, 0] for covariance in fits])
            variances += own
            blocks = min(len(b.light) for b in both if b is not None)
            ratio = float(np.log((own[0] + 1e-12) / (own[1] + 1e-12)))
            surprise.append(ratio / math.sqrt(4 / blocks))
    if variances[1] < variances[0]:
        return coded, True, float(np.median(surprise))
    return light, False, 0.0


def _compare_grey(
    one: SmallColours, two: SmallColours, matrix: Array, shape: tuple[int, int], *, coded: bool
) -> _Blocks | None:
    """Return the blocks without bright places, or with them if these scatter far less.

    What is left beside bright places that blur widely is their light: squares of a chessboard, dark
    ones alone, read up to three times as bright in frames out of focus.
    """
    dark, whole = (
        _compare_small(one, two, matrix, shape, coded=coded, grey=True, brightest=limit)
        for limit in (_BRIGHTEST, math.inf)
    )
    if dark is None or whole is None:
        return dark
    return whole if _FAR_LESS * _scatter(whole) < _scatter(dark) else dark


def _scatter(blocks: _Blocks) -> float:
    fit, _ = _fit(blocks.probe[:, :1], blocks.ratio[:, 0], blocks.light)
    return _median(np.abs(blocks.ratio[:, 0] - fit))


def _compare_small(
    one: SmallColours,
    two: SmallColours,
    matrix: Array,
    shape: tuple[int, int],
    *,
    coded: bool,
    grey: bool = False,
    brightest: float = _BRIGHTEST,
) -> _Blocks | None:
    pair = [(c.coded if coded else c.light).astype(np.float32) for c in (one, two)]
    if grey:
        pair = [colours.mean(axis=2, keepdims=True) for colours in pair]
    small = _between_centres(matrix, shape, pair[0].shape)
    return _compare(pair[0], pair[1], small, one.transfer if coded else "linear", brightest)


def _compare_colours(
    pictures: Mapping[int, SmallPicture],
    matrices: Mapping[int, Array],
    here: SmallPicture,
    shape: tuple[int, int],
    falloff: Mapping[int, float],
    coded: bool,
) -> dict[int, tuple[float, float, float]]:
    """Return the gains of red, green and blue in every frame; empty if they are alike in all.

    Judged is a channel's gain over the mean of all three: that needs neither light to stay nor
    blur to be alike, and its error is that of colours alone.
    """
    one, found = here.colours, {}
    if one is None or one.light.shape[2] != 3:
        return {}
    for i, matrix in matrices.items():
        two = pictures[i].colours
        if two is None or two.light.shape[2] != 3:
            continue
        ways = [
            _Colours(blocks, falloff.get(i, 0.0))
            for limit in (_BRIGHTEST, _CLIPPED)
            if (blocks := _compare_small(one, two, matrix, shape, coded=coded, brightest=limit))
        ]
        if ways:
            found[i] = min(ways, key=lambda way: way.scatter)
    if max((colours.surprise for colours in found.values()), default=0.0) <= SURE:
        return {}
    return {i: colours.gains() for i, colours in found.items()}


class _Colours:
    """How far the colours of a frame's blocks differ from the reference's.

    `surprise` is by how many errors one channel differs from the mean of all, `scatter` the blocks'
    variance about that.
    """

    def __init__(self, blocks: _Blocks, falloff: float) -> None:
        self._even, self._light = blocks.probe[:, :1], blocks.light
        self._ratio = blocks.ratio - falloff * blocks.probe[:, 1:]
        self.surprise = self.scatter = 0.0
        for channel in (self._ratio - self._ratio.mean(axis=1, keepdims=True)).T:
            fit, covariance = _fit(self._even, channel, self._light)
            error = np.sqrt(covariance[0, 0]) + _LEAST_ERROR
            self.surprise = max(self.surprise, abs(fit[0]) / error)
            self.scatter += float(covariance[0, 0]) * len(channel)

    def gains(self) -> tuple[float, float, float]:
        """Return the gain of red, green and blue."""
        red, green, blue = (_fit(self._even, c, self._light)[0][0] for c in self._ratio.T)
        return float(np.exp(red)), float(np.exp(green)), float(np.exp(blue))


def _between_centres(matrix: Array, shape: tuple[int, ...], small: tuple[int, ...]) -> Array:
    """Return a matrix for pictures of ``shape`` at another size (x + 0.5 grows with the side)."""
    x, y = small[1] / shape[1], small[0] / shape[0]
    to_small = np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2], [0, 0, 1.0]])
    return np.asarray(to_small @ matrix @ np.linalg.inv(to_small))


def _falloff_trend(known: Mapping[int, _Blocks], reference: int) -> dict[int, float]:
    """Return every frame's falloff from a steady trend over the stack; empty if none shows."""
    if not known:
        return {}
    values, errors = [], []
    for blocks in known.values():
        fit, covariance = _fit(blocks.probe, blocks.ratio[:, 0], blocks.light)
        values.append(fit[1])
        errors.append(np.sqrt(covariance[1, 1]) + _LEAST_ERROR)
    away = np.array(list(known), float) - reference
    measured, weight = np.array(values), 1 / np.array(errors) ** 2
    trend = away * float((weight * away * measured).sum() / (weight * away**2).sum())
    freedom = max(len(away) - 1, 1)
    excess = max(1.0, float(np.sum(weight * (measured - trend) ** 2)) / freedom)
    # All frames share the reference, so their errors do not average out over the stack.
    error = np.sqrt(excess) * float(np.median(errors))
    if np.abs(trend).max() < max(_LEAST_FALLOFF, SURE * error):
        return {}
    return dict(zip(known, trend.tolist(), strict=True))


def _compare(
    a: FloatArray, b: FloatArray, matrix: Array, transfer: str = "linear",
    brightest: float = _BRIGHTEST,
) -> _Blocks | None:  # fmt: skip
    """Return the blocks that two pictures (h, w, C) show well exposed; None where too few.

    Coded pictures are summed as they are; ratios are those of light in either case.
    """
    limit = math.inf
    if math.isfinite(brightest):
        limit = float(encode(np.array([brightest]), transfer)[0])
    blocks = _well_exposed(a, b, matrix, transfer, limit, _WIDE_RIM)
    if blocks is None:
        blocks = _well_exposed(a, b, matrix, transfer, limit, _NARROW_RIM)
        if blocks is not None and abs(float(np.median(blocks.ratio))) < _FAR_MORE:
            return None
    return blocks


def _well_exposed(
    a: FloatArray, b: FloatArray, matrix: Array, transfer: str, limit: float, rim: int
) -> _Blocks | None:
    moved = cv2.warpPerspective(
        b, matrix, a.shape[1::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderValue=(-1e6,) * 4,
    ).reshape(a.shape)  # fmt: skip
    usable = (moved >= 0).all(axis=2) & (np.maximum(a, moved) < limit).all(axis=2)
    usable = cv2.erode(usable.astype(np.uint8), np.ones((3, 3)), iterations=rim, borderValue=1) > 0
    block, count, radius = _blocks(usable.shape, _BLOCKS if limit < math.inf else _WIDE_BLOCKS)
    here = block[usable]

    def sums(values: NDArray[np.floating]) -> Array:
        return np.asarray(np.bincount(here, values[usable], len(count)), np.float64)

    pixels = np.bincount(here, minlength=len(count))
    first, second = (np.stack([sums(p) for p in np.moveaxis(picture, 2, 0)], 1)
                     for picture in (a, moved))  # fmt: skip
    first, second = (linearize(part / np.maximum(pixels, 1)[:, None], transfer).astype(np.float64)
                     for part in (first, second))  # fmt: skip
    enough = np.minimum(first, second).min(axis=1) > _DARKEST
    kept = (pixels > _LEAST_COVERED * count) & enough
    if limit == math.inf:
        clipped = np.minimum(a, moved).min(axis=2) > encode(np.array([_CLIPPED]), transfer)[0]
        kept &= np.bincount(block[clipped], minlength=len(count)) < _MOST_CLIPPED * count
    if np.count_nonzero(kept) < _FEWEST_BLOCKS:
        return None
    light = a.mean(axis=2)
    total, outside = sums(light)[kept], sums(light * radius)
    probe = np.stack([np.ones(len(total)), outside[kept] / total], 1)
    return _Blocks(np.log(second[kept] / first[kept]), total / total.sum(), probe)


@lru_cache(maxsize=4)
def _blocks(shape: tuple[int, int], along: int) -> tuple[Index, Index, Array]:
    """Return the block of every pixel, pixels by block, and squared distances from the centre."""
    side = max(shape) / along
    row, column = np.indices(shape)
    block = ((row // side) * along + column // side).astype(int)
    return block, np.bincount(block.ravel()), radius_squared(shape)


def _fit(probe: Array, values: Array, light: Array) -> tuple[Array, Array]:
    """Return the robust fit weighted by light, and its covariance."""
    fit: Array = np.zeros(probe.shape[1])
    fit[0] = _median(values)
    normal, weight = np.eye(len(fit)), light
    for _ in range(20):
        left = values - probe @ fit
        spread = max(1.48 * _median(np.abs(left)), _LEAST_ERROR)
        tame = np.maximum(1 - (left / (_BIWEIGHT * spread)) ** 2, 0) ** 2
        weight = light * tame
        normal = probe.T @ (probe * weight[:, None]) + 1e-12 * np.eye(len(fit))
        before = fit
        fit = np.asarray(np.linalg.solve(normal, probe.T @ (weight * values)), np.float64)
        if np.abs(fit - before).max() < 1e-3 * _LEAST_ERROR:
            break
    left = values - probe @ fit
    inverse = np.linalg.inv(normal)
    scatter = probe.T @ (probe * (weight * left)[:, None] ** 2)
    return fit, inverse @ scatter @ inverse


def _median(values: Array) -> float:
    """Return the median of some hundred values in an eighth of the time that numpy's takes."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    ordered = np.partition(values, (low, high))
    return float(ordered[low] + ordered[high]) / 2


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
    colours = frame.colour_gains if pixels.shape[2] == 3 else None
    if abs(frame.gain - 1) < _LEAST_ERROR and not frame.falloff and colours is None:
        return pixels
    factor: float | FloatArray = 1 / frame.gain
    if colours is not None:
        factor = np.asarray(1 / np.array(colours), np.float32)
    if frame.falloff:
        corner = radius_squared(shape or pixels.shape, origin, pixels.shape)[..., None]
        factor = (factor * np.exp(-frame.falloff * corner)).astype(np.float32)
    return scale_light(pixels, factor, transfer)

"""Dust on the sensor: soft dark spots that stay where they are while the picture moves or blurs.

All in the logarithm of linear light, where a shadow is the same number whatever lies below it, and
on reduced frames. Frames count by how little else they show around a place: dust stands out where
the picture is out of focus. A spot must be equally dark in the frames, look alike in every
direction, and stay: the frames are laid over each other as the picture moved, what they have in
common is taken away, and in what is left the spot must be found at its own place in each. (Where
the picture does not move, a spot stays too if the frames are focused so far apart that a thing
would have dissolved in some of them.) Its shadow is the mean over frames and directions at each
distance from its centre, so that the texture below averages out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.defects.evidence import PictureMotion
from merge.defects.types import DustSpot
from merge.encoding import linearize
from merge.model import FloatArray
from merge.rising import rising_fit
from merge.samples import luminance, reduce_samples
from merge.significance import proof_limit
from merge.threads import map_threads

# Frames are averaged down until they have no more than this many pixels.
_ANALYSED_PX = 1_600_000
# Light is taken as at least this much above black, where logarithms only show noise.
_DARK_LIGHT = 0.002
# Differences of Gaussians find spots, at two sizes on each of three halvings; a disk of radius r
# answers most at about r / 1.6 (measured on soft-rimmed disks), the ratio of one size to the next.
_LEVELS = 3
_SIGMAS_PX = (1.0, 1.6, 2.56)
# Candidates differ less from frame to frame where they are than where the picture went: without,
# two specks more are found of 32, but a search takes a third longer.
_STAYS_BETTER = 0.8
# Half-width, in sigmas, of the window that tells how busy a frame is around a place, the least
# answer that it is taken to hold, and the same for differences of neighbouring pixels.
_AROUND = 6.0
_FAINTEST = 0.003
# As many of the most certain are measured: twice as many found no more on the test scenes.
_CANDIDATES = 200
# Shadows below this share of light at their darkest are left: 1.5 % is one step of 8 bits at mid
# grey.
_SMALLEST_LOSS = 0.015
# What takes more is no dust.
_LARGEST_LOSS = 0.5
# Limits that split dust from things on the test scenes with a margin; see bench_defects.py.
# Deviation over frames of a spot's darkness, or of its answer, over its mean.
_STEADY = 0.35
# Its profile one step before the end, over that in the middle: a shadow ends, a slope goes on.
_ENDS = 0.1
# Share of a spot's mean picture that its radial profile explains; where frames are few, chance
# makes errors look small and more is asked for (else four frames of reeds have a speck).
_ROUND = 0.5
_ROUND_FEW = 0.85
_MANY_FRAMES = 5
# The part of it that stays while the picture moves, 1 for dust, 0 for a thing: it must be this much
# beyond chance, and the error this small.
_STAYS = (0.5, 0.25)
# Blur that dissolves a thing, over its diameter.
_DISSOLVED = 1.5
# Pixels' worth of belief in an undarkened value at each radius: the centre has few pixels.
_RIDGE = 0.05
# Rounds of centring a spot, and the step that ends them early.
_ROUNDS = 5
_SETTLED_PX = 0.1
# Number of neighbouring differences that vary together.
_ALIKE = 6.0


@dataclass(frozen=True, eq=False)
class _Spot:
    """A spot as measured, in pixels of the analysed frames."""

    row: float
    column: float
    profile: FloatArray  # logarithm of light over that around it, at radii 0, 1, 2 ...
    varies: float  # deviation over frames of the darkness over its mean
    stays: float  # part of it that stays while the picture moves
    stays_error: float
    roundness: float  # share of the mean picture that the profile explains


@dataclass(frozen=True, eq=False)
class _Answers:
    """Sums, over frames, of weights, weighted answers to one size of spot and their squares.

    ``here`` is on the sensor, ``there`` where the picture of the reference frame went.
    """

    sigma_px: float  # in pixels of the level
    side: int  # pixels of the analysed frames for one of the level
    here: list[FloatArray]
    there: list[FloatArray]


class DustSearch:
    """Finds dust on the frames it is given, one after the other; keeps them reduced."""

    def __init__(self, transfer: str) -> None:
        self._transfer = transfer
        self._light: list[FloatArray] = []
        self._reduction = 1

    def add(self, samples: NDArray[Any], white: float) -> None:
        """Take one more frame's stored values (H, W, C)."""
        self._reduction = max(1, int(np.ceil(np.sqrt(samples[..., 0].size / _ANALYSED_PX))))
        self._light.append(_log_light(samples, white, self._reduction, self._transfer))

    def spots(self, used: Sequence[int], motion: PictureMotion) -> tuple[DustSpot, ...]:
        """Return the dust of some of the frames, in the order of ``motion``; most certain first."""
        return _Sample([self._light[i] for i in used], self._reduction, motion).spots()


def _log_light(samples: NDArray[Any], white: float, reduction: int, transfer: str) -> FloatArray:
    """Return the logarithm of a frame's light, averaged over blocks; (h, w) float32."""
    height, width = (side // reduction for side in samples.shape[:2])
    small = luminance(reduce_samples(samples, white, reduction))[:height, :width]
    light = np.maximum(linearize(small, transfer), 0) + np.float32(_DARK_LIGHT)
    return np.asarray(cv2.log(light), np.float32).reshape(height, width)


class _Sample:
    """Aligned frames of a sample, as the logarithm of reduced light, and how they lie."""

    def __init__(self, light: list[FloatArray], reduction: int, motion: PictureMotion) -> None:
        self._light, self._reduction, self._motion = light, reduction, motion
        self._answers: list[_Answers] = []
        for frame, transform in zip(light, motion.transforms, strict=True):
            self._answer(frame, transform)

    def _answer(self, light: FloatArray, transform: NDArray[np.float64]) -> None:
        level, side, sizes = light, 1, len(_SIGMAS_PX) - 1
        for k in range(_LEVELS):
            if k:
                level, side = cv2.pyrDown(level), 2 * side
            matrix = _reduced_transform(transform, self._reduction, side)
            if len(self._answers) <= k * sizes:
                self._answers += [
                    _Answers(sigma, side, *([np.zeros_like(level) for _ in "123"] for _ in "12"))
                    for sigma in _SIGMAS_PX[:-1]
                ]
            blurred = [cv2.GaussianBlur(level, (0, 0), sigma) for sigma in _SIGMAS_PX]
            sums = self._answers[k * sizes :][:sizes]
            for one, (finer, coarser) in zip(sums, pairwise(blurred), strict=True):
                _add_answer(one, coarser - finer, matrix)

    def spots(self) -> tuple[DustSpot, ...]:
        """Return the dust, most certain first."""
        found: list[DustSpot] = []
        taken = np.zeros(self._light[0].shape, np.uint8)
        places = self._candidates()
        spots = map_threads(lambda place: self._find_size(*place), places)
        for (row, column, _), spot in zip(places, spots, strict=True):
            if spot is None or taken[row, column]:
                continue
            found.append(self._full_size(spot))
            cv2.circle(taken, (round(spot.column), round(spot.row)), len(spot.profile), 1, -1)
        return tuple(found)

    def _candidates(self) -> list[tuple[int, int, float]]:
        """Return (row, column, sigma) of dark places that do not go with the picture."""
        places: list[tuple[float, int, int, float]] = []
        sizes = len(_SIGMAS_PX) - 1
        middle = self._motion.transforms[len(self._light) // 2]
        for k, sums in enumerate(self._answers):
            mean, varies, varies_there = self._compare(sums, middle)
            level = k // sizes * sizes
            beside = self._answers[level : level + sizes]
            fits = mean > _SMALLEST_LOSS / 3  # a disk of loss a answers about a / 3
            fits &= mean >= cv2.dilate(mean, np.ones((3, 3), np.uint8))
            for other in beside:
                fits &= mean >= other.here[1] / other.here[0]
            stays = varies < _STAYS_BETTER * varies_there
            size_px = 3 * sums.sigma_px * sums.side * self._reduction
            if self._motion.blurred_px() >= _DISSOLVED * size_px:
                stays |= varies < (_STEADY * mean) ** 2
            for row, column in np.argwhere(fits & stays):
                at = (row * sums.side, column * sums.side)
                sure = mean[row, column] / (
                    np.sqrt(max(float(varies[row, column]), 0.0)) + _FAINTEST
                )
                places.append((float(sure), *at, sums.sigma_px * sums.side))
        places.sort(reverse=True)
        return [place[1:] for place in places[:_CANDIDATES]]

    def _compare(
        self, sums: _Answers, middle: NDArray[np.float64]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return mean answers, their variance in place, and where the picture went."""
        weight, first, second = sums.here
        mean = first / weight
        varies = second / weight - mean**2
        weight, first, second = sums.there
        there = second / weight - (first / weight) ** 2
        matrix = _reduced_transform(np.linalg.inv(middle), self._reduction, sums.side)
        there = _warp(there, matrix)
        varies, there = (cv2.GaussianBlur(v, (0, 0), sums.sigma_px) for v in (varies, there))
        return mean, varies, there

    def _measure(self, row: int, column: int, sigma: float) -> _Spot | None:
        """Return the spot at a place; None where there is no round one inside the picture."""
        inner, outer = 2.4 * sigma + 0.5, 3.6 * sigma + 2.5
        half = int(np.ceil(outer))
        height, width = self._light[0].shape
        if not (half <= row < height - half and half <= column < width - half):
            return None
        area = np.s_[row - half : row + half + 1, column - half : column + half + 1]
        patches = np.stack([light[area] for light in self._light])
        y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
        dy = dx = 0.0
        weights = np.full(len(patches), 1 / len(patches))
        for _ in range(_ROUNDS):
            radius = np.hypot(y - dy, x - dx)
            flat = _without_slope(patches, y, x, (radius > inner) & (radius <= outer))
            mean = (weights @ flat.reshape(len(flat), -1)).reshape(x.shape)
            profile = _radial_profile(mean, radius, inner)
            if profile[0] > np.log1p(-_SMALLEST_LOSS):
                return None
            seen = radius <= outer
            template = np.interp(radius, np.arange(len(profile)), profile)
            fit = _fit_frames(flat, template, seen)
            weights = 1 / (fit.rest**2 + _FAINTEST**2)
            weights /= weights.sum()
            step = (weights @ fit.moved).clip(-1, 1)
            dx, dy = dx + step[0], dy + step[1]
            if np.abs(step).max() < _SETTLED_PX:
                break
        explained = 1 - ((mean - template)[seen] ** 2).sum() / (mean[seen] ** 2).sum()
        if np.hypot(dx, dy) > 1.5 * sigma + 1 or explained < _ROUND:
            return None
        offsets = self._motion.offsets_px(
            (row + dy + 0.5) * self._reduction - 0.5, (column + dx + 0.5) * self._reduction - 0.5
        )
        stays, error = self._fit_fixed(
            row + dy, column + dx, profile, weights, offsets / self._reduction
        )
        varies = float(np.sqrt(weights @ (fit.darkness - 1) ** 2))
        return _Spot(row + dy, column + dx, profile, varies, stays, error, float(explained))

    def _fit_fixed(
        self,
        row: float,
        column: float,
        profile: FloatArray,
        weights: NDArray[np.float64],
        offsets: NDArray[np.float64],
    ) -> tuple[float, float]:
        """Return the part of a spot that stays while the picture moves, and its standard error.

        The picture below is unknown, but alike in all frames once they are laid over each other; a
        shadow then lies elsewhere in each. What all have in common is taken from both.
        """
        half = len(profile) + 1
        y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
        every = np.ones(x.shape, bool)[1:, 1:]
        patches = []
        for light, (ox, oy) in zip(self._light, offsets, strict=True):
            matrix = np.array([[1, 0, column + ox - half], [0, 1, row + oy - half]])
            patch = cv2.warpAffine(
                light, matrix, x.shape[::-1], flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
            patches.append(patch)
        ox, oy = offsets.T[..., None, None]
        shadows = np.interp(np.hypot(y + oy, x + ox), np.arange(len(profile)), profile)
        value, shadow = (
            v - np.tensordot(weights, v, 1)
            for v in (_differences(many, every) for many in (np.array(patches), shadows))
        )
        force = weights * (shadow**2).sum(axis=1)
        if force.sum() < 1e-9:
            return 0.0, np.inf
        pull = weights * (value * shadow).sum(axis=1)
        part = float(pull.sum() / force.sum())
        rest = ((value - part * shadow) ** 2).mean(axis=1)
        expected = np.sqrt(_ALIKE * (weights * force) @ rest) / force.sum()
        without = (pull.sum() - pull) / np.maximum(force.sum() - force, 1e-9)
        count = len(without)
        observed = np.sqrt((count - 1) / count * ((without - without.mean()) ** 2).sum())
        return part, float(max(expected, observed))

    def _find_size(self, row: int, column: int, sigma: float) -> _Spot | None:
        """Return the spot at a place if it is dust, whatever its size comes out as."""
        for larger in _SIGMAS_PX[:-1]:  # a shadow's core answers, too
            spot = self._measure(row, column, sigma * larger)
            if spot is None:
                return None
            if self._is_dust(spot):
                return spot
            if spot.profile[-2] <= _ENDS * spot.profile[0]:
                return None
        return None

    def _is_dust(self, spot: _Spot) -> bool:
        loss, ends = 1 - np.exp(spot.profile[0]), spot.profile[-2] / spot.profile[0]
        if loss > _LARGEST_LOSS or ends > _ENDS or spot.varies > _STEADY:
            return False
        if len(self._light) < _MANY_FRAMES and spot.roundness < _ROUND_FEW:
            return False
        least, largest_error = _STAYS
        # As far above 1 it moves against the picture, as no dust does.
        if spot.stays_error < largest_error and spot.stays < 2 - least:
            return spot.stays - proof_limit(1) * spot.stays_error > least
        size_px = 2 * len(spot.profile) * self._reduction
        dissolves = self._motion.blurred_px() >= _DISSOLVED * size_px
        return dissolves and spot.roundness > _ROUND_FEW and spot.varies < _STEADY / 2

    def _full_size(self, spot: _Spot) -> DustSpot:
        side = self._reduction
        return DustSpot(
            row=(spot.row + 0.5) * side - 0.5,
            column=(spot.column + 0.5) * side - 0.5,
            spacing_px=float(side),
            transmission=tuple(float(v) for v in np.exp(spot.profile)),
        )


def _reduced_transform(
    matrix: NDArray[np.floating], reduction: int, side: int
) -> NDArray[np.float64]:
    """Return a map of full-size pixels for those of a level of the reduced frames.

    Blocks of ``reduction`` pixels were averaged; halving then keeps every second pixel's centre.
    """
    scale = np.diag([reduction * side, reduction * side, 1.0])
    scale[:2, 2] = (reduction - 1) / 2
    reduced: NDArray[np.float64] = np.linalg.solve(scale, matrix @ scale)
    return reduced


def _warp(picture: FloatArray, matrix: NDArray[np.float64]) -> FloatArray:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size, border = picture.shape[1::-1], cv2.BORDER_REPLICATE
    if not matrix[2, :2].any():
        affine = matrix[:2] / matrix[2, 2]
        return cv2.warpAffine(picture, affine, size, flags=flags, borderMode=border)
    return cv2.warpPerspective(picture, matrix, size, flags=flags, borderMode=border)


def _add_answer(sums: _Answers, answer: FloatArray, matrix: NDArray[np.float64]) -> None:
    """Add how much darker each place of a frame is than its surroundings.

    A frame counts by how little is to be seen around: out of focus, where dust stands out most.
    """
    side = 2 * int(_AROUND * sums.sigma_px) + 1
    busy = cv2.blur(answer * answer, (side, side))
    weight = 1 / (busy + np.float32(_FAINTEST**2))

    def add(moved: bool) -> None:
        total = sums.there if moved else sums.here
        values, each = (_warp(v, matrix) if moved else v for v in (answer, weight))
        cv2.accumulate(each, total[0])
        weighted = cv2.multiply(each, values)
        cv2.accumulate(weighted, total[1])
        cv2.accumulateProduct(weighted, values, total[2])

    map_threads(add, (False, True))


def _without_slope(
    patches: FloatArray, y: FloatArray, x: FloatArray, ring: NDArray[np.bool_]
) -> FloatArray:
    """Return patches (K, n, n) less the plane that fits each in a ring."""
    terms, at = np.stack([np.ones(x.size), x.ravel(), y.ravel()]), np.flatnonzero(ring)
    there, values = terms[:, at], patches.reshape(len(patches), -1)[:, at]
    planes = np.linalg.solve(there @ there.T, there @ values.T)
    return patches - (planes.T @ terms).astype(np.float32).reshape(patches.shape)


def _radial_profile(mean: FloatArray, radius: FloatArray, outer: float) -> FloatArray:
    """Return the values at radii 0, 1, 2 ... up to a last one of 0 that fit a picture best.

    Straight between them, and none darker than the one before it [1]_.

    References
    ----------
    .. [1] R. E. Barlow et al., *Statistical Inference under Order Restrictions* (Wiley, 1972):
       regression to a rising sequence (from memory).
    """
    last = int(np.ceil(outer)) + 1
    inside = radius < last
    lower = np.floor(radius[inside]).astype(int)
    part = radius[inside] - lower
    values, rest = mean[inside], 1 - part
    pull = np.bincount(lower, values * rest, last + 1) + np.bincount(
        lower + 1, values * part, last + 1
    )
    both = np.bincount(lower, rest**2, last + 1) + np.bincount(lower + 1, part**2, last + 1)
    between = np.bincount(lower, rest * part, last + 1)[:last]
    normal = np.diag(both + _RIDGE) + np.diag(between, 1) + np.diag(between, -1)
    profile = np.append(np.linalg.solve(normal[:last, :last], pull[:last]), 0.0)
    rising = rising_fit(profile, both + _RIDGE)
    return np.minimum(rising - rising[-1], 0).astype(np.float32)


@dataclass(frozen=True, eq=False)
class _FramesFit:
    """How one spot looks in each frame, against its template."""

    darkness: NDArray[np.float64]  # (K,) over the template's
    moved: NDArray[np.float64]  # (K, 2) displacement in x, y
    rest: NDArray[np.float64]  # (K,) deviation of what it leaves unexplained


def _fit_frames(
    flat: FloatArray, template: NDArray[np.float64], seen: NDArray[np.bool_]
) -> _FramesFit:
    """Fit template and displacement to the differences of neighbouring pixels.

    Pictures have differences of about even strength at all sizes, but far more light in coarse
    structure than in fine: taken as they are, what lies out of focus around would drown a rim.
    """
    slope_y, slope_x = np.asarray(np.gradient(template))
    both = seen[1:, 1:] & seen[:-1, :-1]
    basis = _differences(np.stack([template, -slope_x, -slope_y]), both)
    values = _differences(flat, both)
    found = np.linalg.solve(basis @ basis.T, basis @ values.T)
    rest = np.sqrt(((values - found.T @ basis) ** 2).mean(axis=1))
    moved = (found[1:] / np.maximum(np.abs(found[0]), 0.3)).T
    return _FramesFit(found[0], moved, rest)


def _differences(pictures: NDArray[np.floating], kept: NDArray[np.bool_]) -> NDArray[np.floating]:
    """Return of pictures (K, n, n) the differences of neighbours in kept places, (K, M)."""
    side = pictures.shape[2]
    row, column = np.nonzero(kept)
    at, values = (row + 1) * side + column + 1, pictures.reshape(len(pictures), -1)
    here = np.tile(values[:, at], 2)
    return here - values[:, np.concatenate([at - side, at - 1])]

"""Blur that is none of a frame's focus: how much each frame has of it, and how sure that is.

A frame of another place is sharper for what lies on one side and softer for what lies on the other;
a soft one is softer for all. One more number a frame, the square of a blur that adds to that of
every tile, tells them apart as far as they can be told: its error is what is left once the places
of all frames and tiles, and what each tile shows in focus, are free.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from merge.axis.residuals import FLOOR, Windows, compare, inside_stack, slopes_of
from merge.axis.solving import FROM_NEAR, Depth, Solution, by_depth, normal_matrix, solve
from merge.model import Array, BoolArray, Index
from merge.significance import (
    FEWEST,
    blocks_score,
    excess_spread,
    learned_spread,
    proof_limit,
    score,
    student_limit,
)
from merge.threads import share_out

# Change of blur over which what it does is taken as linear, over the finest sigma, squared: with 1
# a frame of the macro sample is called soft.
_LINEAR = 3.0**2
# So many frames of a bracket are tried as soft, a bound on time: the likeliest first.
_MOST_TRIED = 3
# Rounds in which a frame's own blur is fitted, a bound on time; the change in standard errors that
# ends them; and the most by which a step goes farther than it seems.
_ROUNDS, _SETTLED, _FARTHEST = 6, 0.2, 4.0
# Standard errors from which a frame is tried, and by which the whole fit must be better then: a
# number more always makes it so.
_BETTER = 1.0


@dataclass(frozen=True)
class _OwnBlur:
    """Square of each frame's own blur beside what is known, px^2, and its standard error, (N,).

    Negative where a frame is sharper than the others foretell; `degrees` (N,) are those of freedom
    with which the error is known.
    """

    square: Array
    error: Array
    degrees: Array

    def against_others(self, known: Array, sound: BoolArray) -> tuple[Array, Array]:
        """Return how far each lies above what is usual, and the standard error of that, px^2.

        Where tiles hold several depths all frames look soft, and differ by more than their errors.
        """
        whole, told = known + self.square, sound & np.isfinite(self.error)
        usual = between = 0.0
        if told.sum() > FEWEST:
            trust = np.argsort(whole[told])
            total = np.cumsum(self.error[told][trust] ** -2.0)
            usual = max(float(whole[told][trust][np.searchsorted(total, total[-1] / 2)]), 0.0)
            spread = excess_spread(whole[told] - usual, self.error[told])
            between, _ = learned_spread(spread, int(told.sum()), 0.0)
        return whole - usual, np.hypot(self.error, between)

    def score(self, known: Array, sound: BoolArray) -> Array:
        """Return by how many standard errors, as a normal deviate."""
        off, error = self.against_others(known, sound)
        return score(off / error, self.degrees)


def find_soft(
    data: Windows, solution: Solution, sound: BoolArray
) -> tuple[Array, tuple[Array, Array, Array]]:
    """Return the square of the own blur of frames that are proven soft, (N,), 0 for the others.

    And how much detail each frame shows, see `_judge`. The likeliest first: beside a soft frame
    sound ones look sharp or soft. ``sound`` (N,) tells which are tried, all in order of the axis.
    Of two nothing tells which is the odd one.
    """
    while True:
        found = _measure(data, solution)
        z = np.where(sound & (data.own == 0) & (len(sound) > 2), found.square / found.error, 0.0)
        without = _best_cost(data, solution) if (z >= _BETTER).any() else solution.tile_cost
        best = None
        for frame in np.argsort(-z)[:_MOST_TRIED].tolist():
            if z[frame] < _BETTER:
                break
            tried = _with_own_blur(data, solution, sound, frame, found.square[frame], without)
            if tried is not None and (best is None or tried[1].cost < best[1].cost):
                best = tried
        if best is None:
            return data.own, _judge(data, solution, sound, found)
        data, solution = best


def _best_cost(data: Windows, solution: Solution) -> Array:
    """Return the tiles' costs in the best of solutions from one another: these differ by chance."""
    best = solution
    for _ in range(_ROUNDS // 2):
        solution = solve(data, solution.frames_px, solution.tiles_px, least=FROM_NEAR)
        best = min(best, solution, key=lambda s: s.cost)
    return best.tile_cost


def _with_own_blur(
    data: Windows, solution: Solution, sound: BoolArray, frame: int, start: float, without: Array
) -> tuple[Windows, Solution] | None:
    """Fit with one frame's own blur free, too; None where that is not proven, by the cost, too."""
    blocks, own = data.blocks, data.own.copy()
    own[frame], last, farther = start, np.nan, 1.0
    for _ in range(_ROUNDS):
        data = replace(data, own=own.copy())
        solution = solve(data, solution.frames_px, solution.tiles_px, least=FROM_NEAR)
        found = _measure(data, solution, [frame])
        change = float(found.square[frame])
        if abs(change) < _SETTLED * found.error[frame]:
            break
        # Places follow, so there is farther to go than it seems: as much as in the step before.
        if 0 < change / last < 1:
            farther = min(farther / (1 - change / last), _FARTHEST)
        last = change
        own[frame] = max(own[frame] + farther * change, 0.0)
    proven = _measure(data, solution).score(data.own, sound)[frame] > proof_limit(len(own))
    better = blocks_score(without - solution.tile_cost, blocks) > _BETTER
    return (data, solution) if proven and better and data.own[frame] > 0 else None


def _judge(
    data: Windows, solution: Solution, sound: BoolArray, found: _OwnBlur
) -> tuple[Array, Array, Array]:
    """Return what each frame shows of the detail that the others foretell, and how sure that is.

    Returns
    -------
    ratio : ndarray, shape (N,)
        What its own blur, beside what is usual, leaves of the finest band in focus; NaN where too
        little tells.
    score : ndarray, shape (N,)
        Standard errors above what is foretold.
    limit : ndarray, shape (N,)
        The ratio from which on softness would be proven, 99 times in 100: that of so many standard
        errors as that takes.
    """
    count = len(sound)
    off, error = found.against_others(data.own, sound)
    z = score(off / error, found.degrees)
    if count < FEWEST:
        sound = np.zeros_like(sound)
    # No fit is the better for that.
    unsure = ~sound | ~np.isfinite(found.error) | ((z > proof_limit(count)) & (data.own == 0))
    limit = _left_in_focus(data, solution, student_limit(count, found.degrees) * error)
    unsure |= limit < FLOOR
    ratio = _left_in_focus(data, solution, off)
    ratio[unsure] = z[unsure] = limit[unsure] = np.nan
    return ratio, -z, limit


def _left_in_focus(data: Windows, solution: Solution, square: Array) -> Array:
    """Return the energy that own blur leaves of the finest band in what is in focus, (N,).

    What is blurred already loses less by it: with that, steps of 10 px foretold too much left.
    """
    rows = slopes_of(data, solution.amplitude)[:, 0]
    columns = np.sqrt(np.maximum(square, 0.0)) / data.sigma_px[0] * data.blur.per_unit
    last = data.blur.share.shape[1] - 1
    shares = data.blur.share[rows][:, np.rint(np.minimum(columns, last)).astype(int)]
    return np.asarray(
        np.average(shares, axis=0, weights=data.peak[:, 0] * solution.amplitude[:, 0])
    )


def _measure(data: Windows, solution: Solution, some: Iterable[int] | None = None) -> _OwnBlur:
    """Return by how much each frame alone is softer than a solution has it, to first order."""
    frames_px, tiles_px = solution.frames_px, solution.tiles_px
    slopes = slopes_of(data, solution.amplitude)
    inside = inside_stack(data)
    fit = compare(data, slopes, frames_px, tiles_px, rounds=2)
    weight = inside / (1 + (fit.residual / (2 * solution.scale)) ** 2)
    fit = compare(data, slopes, frames_px, tiles_px, weight, rounds=2)
    amplitude = fit.amplitude[:, :, None]
    model = amplitude * fit.share + FLOOR
    small = _LINEAR * float(data.sigma_px[0]) ** 2
    softer = compare(
        replace(data, own=data.own + small), slopes, frames_px, tiles_px, weight, rounds=0
    )
    by_square = np.log((amplitude * softer.share + FLOOR) / model) / small
    side = np.sign(frames_px[data.frames] - tiles_px[:, None])[:, None]
    by_place = amplitude * fit.derivative * side / model / data.sigma_px[:, None]
    project = _Projection(weight, amplitude * fit.share / model, by_place)
    places = np.linalg.inv(normal_matrix(data, fit, weight, frames_px, tiles_px)[1:, 1:])
    depths = list(by_depth(data, frames_px, tiles_px, solution.misfit))
    count = len(frames_px)
    number = np.empty(len(tiles_px), int)
    for k, depth in enumerate(depths):
        number[depth.tiles] = k
    place = (number[:, None] * count + data.frames).ravel()
    square, error, degrees = np.zeros(count), np.full(count, np.inf), np.ones(count)

    def judge(frame: int) -> None:
        column = np.where((data.frames == frame)[:, None] & data.used[:, None], by_square, 0.0)
        shared = _by_frame(data, (project(column) * by_place).sum(axis=1), count)
        moved = np.concatenate([[0.0], places @ shared[1:]])
        column -= by_place * (moved[data.frames] * data.used)[:, None]
        pull = project(column)
        told = float((pull * column).sum())
        if told <= 0:
            return
        by_block = np.bincount(data.blocks, (pull * fit.residual).sum(axis=(1, 2)))
        chance = float((by_block**2).sum())
        whole = chance + _model_variance(data, pull, depths, place)
        square[frame], error[frame] = by_block.sum() / told, np.sqrt(whole) / told
        degrees[frame] = max(whole**2 / max(float((by_block**4).sum()), 1e-12) - 1, 1.0)

    share_out(judge, range(count) if some is None else some)
    return _OwnBlur(square, error, degrees)


def _by_frame(data: Windows, values: Array, count: int) -> Array:
    return np.bincount(data.frames.ravel(), values.ravel(), minlength=count).astype(float)


def _model_variance(data: Windows, pull: Array, depths: list[Depth], place: Index) -> float:
    """Return the variance of a sum of residuals, each times its pull, by the model's own errors.

    ``place`` (K W,) numbers depths and frames together.
    """
    cells = len(depths) * len(data.own)
    bands = [np.bincount(place, p.ravel(), minlength=cells) for p in np.moveaxis(pull, 1, 0)]
    sums = np.stack(bands).reshape(len(bands), len(depths), -1)
    parts = (sums[:, k, depth.seen] for k, depth in enumerate(depths))
    return sum(
        float(np.einsum("bi,bij,bj->", part, depth.alike, part))
        for part, depth in zip(parts, depths, strict=True)
    )


class _Projection:
    """Takes out of a column (K, B, W) what each tile's amplitudes and place explain; weighs it."""

    def __init__(self, weight: Array, by_amplitude: Array, by_place: Array) -> None:
        self._weight, self._own = weight, by_amplitude
        self._norm = np.maximum((weight * by_amplitude**2).sum(axis=2, keepdims=True), 1e-9)
        self._place = self._without_amplitude(by_place)
        self._whole = (weight * self._place**2).sum(axis=(1, 2), keepdims=True) + 1e-6

    def _without_amplitude(self, column: Array) -> Array:
        part = (self._weight * self._own * column).sum(axis=2, keepdims=True) / self._norm
        return np.asarray(column - self._own * part)

    def __call__(self, column: Array) -> Array:
        left = self._without_amplitude(column)
        part = (self._weight * self._place * left).sum(axis=(1, 2), keepdims=True) / self._whole
        return np.asarray(self._weight * (left - self._place * part))

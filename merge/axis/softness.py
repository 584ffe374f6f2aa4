"""Blur that is none of a frame's focus: how much each frame has of it, and how sure that is.

A frame of another place is sharper for what lies on one side and softer for what lies on the other;
a soft one is softer for all. One more number a frame, the square of a blur that adds to that of
every tile, tells them apart as far as they can be told: its error is what is left once the places
of all frames and tiles, and what each tile shows in focus, are free. To first order a place does
nothing to what lies in it, so that a frame's own is also taken for one as far to either side as
the blur is wide: of a frame with things in focus in one plane only, nothing tells which it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from merge.axis.residuals import FLOOR, Windows, compare, inside_stack, slopes_of
from merge.axis.solving import FROM_NEAR, Solution, by_depth, normal_matrix, solve
from merge.model import Array, BoolArray
from merge.significance import (
    FEWEST,
    FOUND,
    blocks_score,
    excess_spread,
    learned_spread,
    proof_limit,
    score,
    student_limit,
)
from merge.threads import map_threads

# Change of blur over which what it does is taken as linear, over the finest sigma, squared: with 1
# a frame of the macro sample is called soft.
_LINEAR = 3.0**2
# So many frames of a bracket are tried as soft, a bound on time: the likeliest first.
_MOST_TRIED = 3
# Rounds in which a frame's own blur is fitted, a bound on time; the change in standard errors that
# ends them; and the most by which a step goes farther than it seems.
_ROUNDS, _SETTLED, _FARTHEST = 6, 0.2, 4.0
# A frame's move is felt where neighbours move against each other by so much of the most.
_FELT = 1e-3
# Standard errors from which a frame is tried, and by which the whole fit must be better then: a
# number more always makes it so.
_BETTER = 1.0


@dataclass(frozen=True)
class _OwnBlur:
    """Square of each frame's own blur beside what is known, px^2, and its standard error, (N,).

    Negative where a frame is sharper than the others foretell; `degrees` (N,) are those of freedom
    with which the error is known. `over_place` (N,) is by how many standard errors blur that was
    fitted explains a frame better than another place does, infinite where none was fitted, and
    `place_error` (N,) the standard error of blur that is told from another place, px^2.
    """

    square: Array
    error: Array
    degrees: Array
    over_place: Array
    place_error: Array

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
        """Return by how many standard errors, as a normal deviate; 0 where a place does as well."""
        off, error = self.against_others(known, sound)
        return np.where(self.over_place < FOUND, 0.0, score(off / error, self.degrees))


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
    z = found.score(data.own, sound)
    if count < FEWEST:
        sound = np.zeros_like(sound)
    # No fit is the better for that.
    unsure = ~sound | ~np.isfinite(found.error) | ((z > proof_limit(count)) & (data.own == 0))
    least = student_limit(count, found.degrees) * error
    least = np.maximum(least, 2 * FOUND * found.place_error)
    limit = _left_in_focus(data, solution, least)
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
    """Return by how much each frame alone is softer than a solution has it, to first order.

    What tells blur from another place in general is left out where only some frames are asked for.
    """
    model = _Model(data, solution)
    count = len(data.own)
    small = _LINEAR * float(data.sigma_px[0]) ** 2
    by_square = model.change(data.own + small, solution.frames_px) / small
    near = model.not_aside(np.full(count, small)) if some is None else []
    far = model.not_aside(data.own) if data.own.any() else []
    places = model.inverse
    square, error, degrees = np.zeros(count), np.full(count, np.inf), np.ones(count)
    over_place, place_error = np.full(count, np.inf), np.zeros(count)

    def judge(frame: int) -> None:
        straight = model.contrast(frame, by_square, places)
        square[frame] = straight.size()
        error[frame], degrees[frame] = straight.error, straight.degrees
        others = np.asarray(
            places - np.outer(places[:, frame], places[frame]) / places[frame, frame]
        )
        for apart in near:
            unsure = model.contrast(frame, apart / small, others).error
            place_error[frame] = max(place_error[frame], unsure)
        for apart in far if data.own[frame] else ():
            rival = model.contrast(frame, apart, others)
            over_place[frame] = min(over_place[frame], rival.size(beyond=1.0) / rival.error)

    map_threads(judge, range(count) if some is None else some)
    return _OwnBlur(square, error, degrees, over_place, place_error)


@dataclass(frozen=True)
class _Contrast:
    """How far residuals go `along` a column, by their pull, over what that `told` of itself."""

    along: float
    told: float
    error: float
    degrees: float

    def size(self, beyond: float = 0.0) -> float:
        """Return it; with so many times the column added to the residuals."""
        return self.along / self.told + beyond if self.told else 0.0


class _Model:
    """A solution and what changes it to first order: amplitudes and places of tiles and frames.

    `residual` (K, B, W) is what it leaves, `inverse` (N, N) that of the places' normal matrix.
    """

    def __init__(self, data: Windows, solution: Solution) -> None:
        self._data, self._places = data, (solution.frames_px, solution.tiles_px)
        self._slopes = slopes_of(data, solution.amplitude)
        inside = inside_stack(data)
        fit = compare(data, self._slopes, *self._places, rounds=2)
        self._weight = inside / (1 + (fit.residual / (2 * solution.scale)) ** 2)
        fit = compare(data, self._slopes, *self._places, self._weight, rounds=2)
        self.residual, self._amplitude = fit.residual, fit.amplitude[:, :, None]
        self._whole = self._amplitude * fit.share + FLOOR
        side = np.sign(solution.frames_px[data.frames] - solution.tiles_px[:, None])[:, None]
        slope = self._amplitude * fit.derivative * side / self._whole
        self._by_place = slope / data.sigma_px[:, None]
        self._own = self._amplitude * fit.share / self._whole
        normal = normal_matrix(data, fit, self._weight, *self._places)
        self.inverse = np.asarray(np.linalg.inv(normal), float)
        self._depths = list(by_depth(data, *self._places, solution.misfit))
        self._depth = np.empty(len(solution.tiles_px), np.intp)
        for k, depth in enumerate(self._depths):
            self._depth[depth.tiles] = k
        self._beyond = data.frames.shape[1] // 2
        self._centre = data.frames[:, self._beyond].copy()

    def change(self, own: Array, frames_px: Array) -> Array:
        """Return what other blur and places of the frames do to the logarithms, (K, B, W)."""
        data = replace(self._data, own=own)
        other = compare(data, self._slopes, frames_px, self._places[1], self._weight, rounds=0)
        return np.asarray(np.log((self._amplitude * other.share + FLOOR) / self._whole))

    def not_aside(self, square: Array) -> list[Array]:
        """Return what blur does to each frame beyond a place as far to either side, two columns."""
        frames_px, none = self._places[0], np.zeros_like(square)
        softer = self.change(square, frames_px)
        ways = (self.change(none, frames_px + way * np.sqrt(square)) for way in (-1, 1))
        return [softer - there for there in ways]

    def contrast(self, frame: int, column: Array, inverse: Array) -> _Contrast:
        """Return what amplitudes and places leave of one frame's part of a column.

        Places of frames move by an inverse; where all frames that tiles see move alike, the tiles'
        own places explain it.
        """
        near = self._around(frame, frame)
        seen = (self._data.frames[near] == frame)[:, None] & self._data.used[near, None]
        own = np.where(seen, column[near], 0.0)
        moved = inverse @ self._project(near, own, np.zeros(len(inverse)))[1]
        steps = np.abs(np.diff(moved))
        felt = np.flatnonzero(steps > _FELT * steps.max(initial=0.0))
        wide = self._around(min([frame, *felt[:1]]), max([frame, *(felt[-1:] + 1)]))
        whole = np.zeros((wide.stop - wide.start, *own.shape[1:]))
        whole[near.start - wide.start : near.stop - wide.start] = own
        pull, _, sums = self._project(wide, whole, moved)
        told = max(float(np.einsum("kbw,kbw->", pull, whole)), 0.0)
        by_tile = np.einsum("kbw,kbw->k", pull, self.residual[wide])
        by_block = np.bincount(self._data.blocks[wide], by_tile)
        variance = float((by_block**2).sum()) + self._model_variance(wide, sums)
        degrees = max(variance**2 / max(float((by_block**4).sum()), 1e-12) - 1, 1.0)
        error = math.sqrt(variance) / told if told else math.inf
        return _Contrast(float(by_tile.sum()), told, error, degrees)

    def _around(self, first: int, last: int) -> slice:
        """Return the tiles that may see frames from first to last; they follow by their peaks."""
        reach = first - self._beyond, last + self._beyond + 1
        return slice(*np.searchsorted(self._centre, reach).tolist())

    def _seen_by(self, some: slice) -> tuple[int, int]:
        """Return the range of frames that some tiles see, from half a window before the first."""
        centres = self._centre[some]
        if len(centres) == 0:
            return 0, 2 * self._beyond
        return int(centres[0]), int(centres[-1]) + 2 * self._beyond + 1

    def _project(self, some: slice, column: Array, moved_px: Array) -> tuple[Array, Array, Array]:
        """Take out of some tiles' column what moves of frames (N,) and each tile explain; weigh it.

        Returns
        -------
        pull : ndarray, shape (k, B, W)
        by_frame : ndarray, shape (N,)
            By how much the frames' places change it.
        sums : ndarray, shape (B, depths, seen)
            Of what is left, by the depths and frames of these tiles.
        """
        (first, last), width = self._seen_by(some), column.shape[2]
        frames = self._centre[some, None] - first + np.arange(width)
        by_place, own, weight = self._by_place[some], self._own[some], self._weight[some]
        left = column - by_place * np.pad(moved_px, self._beyond)[first:last][frames][:, None]
        trusted = weight * own
        norm = np.maximum(np.einsum("kbw,kbw->kb", trusted, own), 1e-9)[:, :, None]
        left -= own * (np.einsum("kbw,kbw->kb", trusted, left)[:, :, None] / norm)
        place = by_place - own * (np.einsum("kbw,kbw->kb", trusted, by_place)[:, :, None] / norm)
        steep = weight * place
        explained = np.einsum("kbw,kbw->k", steep, left)
        explained /= 1e-6 + np.einsum("kbw,kbw->k", steep, place)
        pull = weight * left - steep * explained[:, None, None]
        by_frame = np.zeros(len(moved_px) + 2 * self._beyond)
        row = np.einsum("kbw,kbw->kw", pull, by_place)
        by_frame[first:last] = np.bincount(frames.ravel(), row.ravel(), last - first)
        depths, depth = np.unique(self._depth[some], return_inverse=True)
        sums = np.zeros((column.shape[1], len(depths), last - first))
        places = (depth[:, None] * (last - first) + frames).ravel()
        for band, part in zip(sums, np.moveaxis(pull, 1, 0), strict=True):
            band[:] = np.bincount(places, part.ravel(), band.size).reshape(band.shape)
        return pull, by_frame[self._beyond : self._beyond + len(moved_px)], sums

    def _model_variance(self, some: slice, sums: Array) -> float:
        """Return the variance of sums of residuals, times their pull, by the model's own errors."""
        first, last = (frame - self._beyond for frame in self._seen_by(some))
        variance = 0.0
        for k, number in enumerate(np.unique(self._depth[some]).tolist()):
            seen, alike = self._depths[number].seen, self._depths[number].alike
            both = slice(max(seen.start, first), min(seen.stop, last))
            part = sums[:, k, both.start - first : both.stop - first]
            own = slice(both.start - seen.start, both.stop - seen.start)
            variance += float(np.einsum("bi,bij,bj->", part, alike[:, own, own], part))
        return variance

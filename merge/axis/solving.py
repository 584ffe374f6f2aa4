"""Robust least squares for the positions of frames and tiles on the focus axis.

A tile's position and its amplitudes concern no other tile, so they are eliminated tile by tile
and the system to solve has one unknown a frame (variable projection with a Schur complement).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from merge.axis.residuals import (
    FLOOR,
    TYPICAL,
    Fit,
    Windows,
    compare,
    in_chunks,
    inside_stack,
    slopes_of,
    take_tiles,
)
from merge.axis.searching import search_tiles
from merge.model import Array, BoolArray, Index
from merge.significance import widened_by_few

# A bound on time.
_ITERATIONS = 40
# How far off the model is for all tiles of one depth, in each band (standard deviation of
# logarithms of energy), over the residuals' scale in this stack; and over how wide a change of blur
# it stays alike, in that band's sigmas. What tiles scatter about the model tells how far it holds
# for their textures: chosen so that 90 % intervals hold as much on random brackets.
_MISFIT, _ALIKE = 1.5, 4.0
# At least so many from a rough start, and once more from a solution with fewer tiles: with four of
# both, soft frames between wide steps are missed (held by
# test_a_soft_frame_is_told_from_one_of_another_place).
_FROM_AFAR, FROM_NEAR = 9, 4


@dataclass(frozen=True)
class Solution:
    """Positions that fit, and what is left.

    `covariance_px` (N, N) is that of the frames' places, zero where it was not asked for; `scale`
    the residuals' typical size, `cost` their mean robust cost (both of logarithms), `frame_cost`
    (N,) the same by frame; `misfit` how far off the model is for one depth, likewise.
    """

    frames_px: Array
    tiles_px: Array
    covariance_px: Array
    frame_cost: Array
    tile_cost: Array
    amplitude: Array
    scale: float
    misfit: float
    cost: float


def solve(
    data: Windows,
    frames_px: Array,
    tiles_px: Array,
    *,
    least: int = _FROM_AFAR,
    errors: bool = False,
) -> Solution:
    """Refine positions of frames and tiles from a start, in at least so many iterations."""
    slopes = slopes_of(data)
    inside = inside_stack(data)
    weight, scale, known = inside, 0.3, np.flatnonzero(inside)
    told_px = float(data.sigma_px[0]) / data.blur.per_unit  # places within one column look alike
    for iteration in range(_ITERATIONS):
        fit = compare(data, slopes, frames_px, tiles_px, weight, rounds=2)
        sizes = np.abs(fit.residual.ravel()[known])
        middle = len(sizes) // 2  # of numpy's median all but a fifth of the time is overhead
        scale = max(1.48 * float(np.partition(sizes, middle)[middle]), 1e-6)
        weight = inside / (1 + (fit.residual / (2 * scale)) ** 2)
        before = frames_px, tiles_px
        equations = _equations(data, fit, weight, frames_px, tiles_px)
        change = equations.frame_change(frames_px)
        reach = _local_step(frames_px, data.sigma_px[0])
        near = reach[data.frames[:, data.frames.shape[1] // 2]]
        frames_px = frames_px + change
        tiles_px = tiles_px + np.clip(equations.tile_change(change, data), -near, near)
        if iteration % 2 == 0:  # leave a wrong side of a peak, which no gradient can
            wide = 1.0 if iteration % 4 == 2 else 0.25
            offsets = np.linspace(-wide, wide, 9 if wide == 1 else 5)
            candidates = tiles_px + offsets[:, None] * near
            tiles_px, _ = search_tiles(data, slopes, frames_px, candidates, scale=scale)
        slopes = slopes_of(data, fit.amplitude)
        settled = max(0.004 * float(np.median(reach)), told_px)
        if iteration >= least and _largest_sway(change, data) < settled:
            break
    covariance = np.zeros((len(frames_px), len(frames_px)))
    # Of a tile's entries its amplitudes and its place take some.
    entries_a_tile = inside.sum() / len(inside)
    free = max(entries_a_tile - inside.shape[1] - 1, 1.0) / entries_a_tile
    misfit = _MISFIT * scale / float(np.sqrt(free))
    if errors:
        covariance = _covariance(data, fit, weight, *before, misfit)
    each = (np.log1p((fit.residual / TYPICAL) ** 2) * inside).sum(axis=1)
    count, entries = len(frames_px), inside.sum(axis=1)
    sums = np.bincount(data.frames.ravel(), each.ravel(), minlength=count)
    by_frame = sums / np.maximum(
        np.bincount(data.frames.ravel(), entries.ravel(), minlength=count), 1
    )
    return Solution(
        frames_px - frames_px[0],
        tiles_px - frames_px[0],
        covariance,
        by_frame,
        each.sum(axis=1),
        fit.amplitude,
        scale,
        misfit,
        float(each.sum() / entries.sum()),
    )


@dataclass(frozen=True)
class _Equations:
    """Normal equations with each tile's amplitudes and position eliminated.

    A tile ties only frames of its window to one another: `band` (W, N) holds the lower diagonals of
    the frames' matrix, the main one first, and `pull` (K, W) what each tile adds to their gradient.
    `row` (K, W), `total` and `whole` (K,) give a tile's answer to the frames' change.
    """

    band: Array
    pull: Array
    row: Array
    total: Array
    whole: Array
    frames: Index

    def tile_change(self, change: Array, data: Windows) -> Array:
        moved = (self.row * change[data.frames] * data.used).sum(axis=1)
        return np.asarray((moved - self.total) / self.whole)

    def frame_change(self, frames_px: Array) -> Array:
        """Solve for the frames' change with the first one held.

        The longest wave of many frames, tied a window at a time, is damped as little as it is held.
        """
        count = len(frames_px)
        gradient = np.bincount(self.frames.ravel(), self.pull.ravel(), minlength=count)
        damped, diagonal = self.band.copy(), self.band[0]
        damping = 0.01 * min(len(self.band) / count, 1.0) ** 2
        damped[0] += damping * diagonal + 1e-6 * diagonal.sum() / count + 1e-12
        change = np.zeros(count)
        change[1:] = solveh_banded(damped[:, 1:], gradient[1:], lower=True)
        most = 0.5 * np.abs(np.gradient(frames_px)).max()
        return np.clip(change, -most, most)

    def normal(self) -> Array:
        """Return the frames' matrix, (N, N)."""
        count = self.band.shape[1]
        whole = np.zeros((count, count))
        for off, diagonal in enumerate(self.band[:count]):
            rows = np.arange(off, count)
            whole[rows, rows - off] = whole[rows - off, rows] = diagonal[: count - off]
        return whole


def _largest_sway(change: Array, data: Windows) -> float:
    """Return by how much frames move against those a window before them, or the first, at most.

    The ends of long stacks go on moving against each other, by what no step shows.
    """
    before = np.maximum(np.arange(len(change)) - data.frames.shape[1], 0)
    return float(np.abs(change - change[before]).max())


def normal_matrix(
    data: Windows, fit: Fit, weight: Array, frames_px: Array, tiles_px: Array
) -> Array:
    """Return the normal matrix of the frames' places, (N, N), with a guess where nothing tells."""
    normal = _equations(data, fit, weight, frames_px, tiles_px).normal()
    return normal + 1e-6 * np.trace(normal) / len(normal) * np.eye(len(normal))


@dataclass(frozen=True)
class Depth:
    """The tiles of one depth, for all of which the model is off in one way.

    `tiles` (K,) tells which they are, `seen` the frames of their windows, and `alike` (B, M, M) is
    the covariance of these M frames' residuals in each band.
    """

    tiles: BoolArray
    seen: slice
    alike: Array


def by_depth(data: Windows, frames_px: Array, tiles_px: Array, misfit: float) -> Iterator[Depth]:
    """Group tiles by depth."""
    depths = np.floor(tiles_px / (2 * data.sigma_px[0]))
    for depth in np.unique(depths):
        tiles = depths == depth
        frames = data.frames[tiles]
        seen = slice(int(frames.min()), int(frames.max()) + 1)
        blur = np.abs(frames_px[seen] - tiles_px[tiles].mean())
        apart = np.abs(blur[:, None] - blur) / (_ALIKE * data.sigma_px[:, None, None])
        yield Depth(tiles, seen, misfit**2 * np.exp(-apart))


def _equations(
    data: Windows, fit: Fit, weight: Array, frames_px: Array, tiles_px: Array
) -> _Equations:
    """Linearise about the present positions."""
    shape, count = data.frames.shape, len(frames_px)
    pull, row, total, whole = np.empty(shape), np.empty(shape), *np.empty((2, shape[0]))
    later, earlier = np.tril_indices(shape[1])

    def fill(first: int, last: int) -> Array:
        some = slice(first, last)
        frames, residual = data.frames[some], fit.residual[some]
        part, slope = _derivatives(data, fit, some, frames_px, tiles_px)
        trusted, steep = weight[some] * part, weight[some] * slope
        cross = trusted * slope
        per = 1 / np.maximum(np.einsum("kbw,kbw->kb", trusted, part), 1e-9)
        left_over = np.einsum("kbw,kbw->kb", trusted, residual) * per
        own = np.einsum("kbw,kbw->kw", steep, slope)
        gradient = np.einsum("kbw,kbw->kw", steep, residual)
        gradient -= np.einsum("kbw,kb->kw", cross, left_over)
        # Moving a tile is moving all frames the other way: its column is minus the sum of theirs.
        row[some] = own - np.einsum("kbw,kb->kw", cross, cross.sum(axis=2) * per)
        total[some], whole[some] = gradient.sum(axis=1), np.maximum(row[some].sum(axis=1), 0) + 1e-6
        pull[some] = gradient - row[some] * (total[some] / whole[some])[:, None]
        taken = np.empty((len(frames), cross.shape[1] + 1, shape[1]))
        np.multiply(cross, np.sqrt(per)[:, :, None], out=taken[:, :-1])
        np.divide(row[some], np.sqrt(whole[some])[:, None], out=taken[:, -1])
        # Tiles follow by their peaks: those of one peak have the same frames.
        firsts = np.flatnonzero(np.diff(frames[:, shape[1] // 2], prepend=-1))
        left = -np.add.reduceat(taken.transpose(0, 2, 1) @ taken, firsts)[:, later, earlier]
        left[:, later == earlier] += np.add.reduceat(own, firsts)
        # Frames beyond the stack stand for its ends there and have no weight.
        here = frames[firsts]
        places = (here[:, later] - here[:, earlier]) * count + here[:, earlier]
        band = np.bincount(places.ravel(), left.ravel(), shape[1] * count)
        return np.asarray(band.reshape(shape[1], count), float)

    bands = np.sum(in_chunks(fill, shape[0]), axis=0)
    return _Equations(bands, pull, row, total, whole, data.frames)


def _derivatives(
    data: Windows, fit: Fit, some: slice, frames_px: Array, tiles_px: Array
) -> tuple[Array, Array]:
    """Return what amplitudes, as a factor, and frames' places add to logarithms, (k, B, W)."""
    amplitude = fit.amplitude[some, :, None]
    part = fit.share[some] * amplitude
    model = part + FLOOR
    side = np.sign(frames_px[data.frames[some]] - tiles_px[some, None])[:, None]
    slope = fit.derivative[some] * amplitude * (side / data.sigma_px[:, None]) / model
    part /= model
    return part, slope


def _local_step(frames_px: Array, least_px: float) -> Array:
    return np.maximum(np.abs(np.gradient(frames_px)), 0.1 * least_px)


def _responses(
    data: Windows, fit: Fit, weight: Array, equations: _Equations, places: tuple[Array, Array],
    seen: slice,
) -> Array:  # fmt: skip
    """Return what residuals of some tiles do to the gradient, (B, M, M), of the M frames seen."""
    count, size = len(data.sigma_px), seen.stop - seen.start
    part, slope = _derivatives(data, fit, slice(None), *places)
    trusted, steep = weight * part, weight * slope
    own = np.maximum(np.einsum("kbw,kbw->kb", trusted, part), 1e-9)
    left = (-trusted * slope / own[:, :, None])[:, :, :, None] * trusted[:, :, None]
    frame = np.arange(steep.shape[2])
    left[:, :, frame, frame] += steep
    share = equations.row / equations.whole[:, None]
    left -= share[:, None, :, None] * left.sum(axis=2, keepdims=True)
    frames = data.frames - seen.start
    rows = (np.arange(count)[:, None, None] * size + frames[:, None, :, None]) * size
    at = rows + frames[:, None, None]
    answer = np.bincount(at.ravel(), left.ravel(), count * size**2)
    return np.asarray(answer.reshape(count, size, size), float)


def _covariance(
    data: Windows, fit: Fit, weight: Array, frames_px: Array, tiles_px: Array, misfit: float
) -> Array:
    """Return the covariance of the frames' places.

    Three things make it. Chance: the sandwich estimate with blocks of tiles as samples, since tiles
    side by side lie on one surface of one texture and err alike; few of them tell little of how
    they scatter. The model: spectra are no power laws and blur no round disk, so that tiles of one
    depth are all off in one way, and no scatter between them shows it. And where nothing tells a
    step, it is the usual one, give or take as much.
    """
    count = len(frames_px)
    normal, scatter = np.zeros((count, count)), np.zeros((count, count))
    by_block = np.zeros((int(data.blocks.max()) + 1, count))
    for depth in by_depth(data, frames_px, tiles_px, misfit):
        here, seen = depth.tiles, depth.seen
        some = take_tiles(data, here)
        part = Fit(
            *(
                np.ascontiguousarray(v[here])
                for v in (fit.residual, fit.amplitude, fit.share, fit.derivative)
            )
        )
        trust = np.ascontiguousarray(weight[here])
        own = _equations(some, part, trust, frames_px, tiles_px[here])
        np.add.at(by_block, (some.blocks[:, None], some.frames), own.pull)
        places = frames_px, tiles_px[here]
        answer = _responses(some, part, trust, own, places, seen)
        scatter[seen, seen] += (answer @ depth.alike @ answer.transpose(0, 2, 1)).sum(axis=0)
        normal += own.normal()
    scatter += by_block.T @ by_block
    usual = max(float(np.median(np.abs(np.diff(frames_px)))), 1e-3)
    apart = np.diff(np.eye(count), axis=0)
    size = float(np.trace(scatter)) / max(float(np.trace(normal)), 1e-12)
    guess = size / usual**2 * (apart.T @ apart)
    inverse = np.zeros((count, count))
    inverse[1:, 1:] = np.linalg.inv((normal + guess)[1:, 1:])
    wider = widened_by_few(len(np.unique(data.blocks)))
    return np.asarray(wider**2 * inverse @ (scatter + size * guess) @ inverse)

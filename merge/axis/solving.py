"""Robust least squares for the positions of frames and tiles on the focus axis.

A tile's position and its amplitudes concern no other tile, so they are eliminated tile by tile
and the system to solve has one unknown a frame (variable projection with a Schur complement).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.axis.residuals import (
    FLOOR,
    TYPICAL,
    Fit,
    Windows,
    compare,
    in_chunks,
    inside_stack,
    search_tiles,
    slopes_of,
)
from merge.compiled import njit

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Scale of the residuals of a perfect fit: below it weights do not tighten further.
_LEAST_SCALE = 0.03
_ITERATIONS = 40
# At least so many from a rough start, and once more from a solution with fewer tiles.
_FROM_AFAR, FROM_NEAR = 9, 4


@dataclass(frozen=True)
class Solution:
    """Positions that fit, and what is left.

    `step_error_px` (N-1,) is the standard error of every step from the scatter between tiles;
    `scale` the residuals' typical size, `cost` their mean robust cost (both of logarithms).
    """

    frames_px: Array
    tiles_px: Array
    step_error_px: Array
    scale: float
    cost: float


def solve(data: Windows, frames_px: Array, tiles_px: Array, *, least: int = _FROM_AFAR) -> Solution:
    """Refine positions of frames and tiles from a start, in at least so many iterations."""
    slopes = slopes_of(data)
    inside = inside_stack(data)
    weight, scale = inside, 0.3
    for iteration in range(_ITERATIONS):
        fit = compare(data, slopes, frames_px, tiles_px, weight, rounds=2)
        scale = max(1.48 * float(np.median(np.abs(fit.residual[inside > 0]))), _LEAST_SCALE)
        weight = inside / (1 + (fit.residual / (2 * scale)) ** 2)
        equations = _equations(data, fit, weight, frames_px, tiles_px)
        change = _frame_change(equations, frames_px)
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
        if iteration >= least and np.abs(change).max() < 0.004 * np.median(reach):
            break
    cost = float((np.log1p((fit.residual / TYPICAL) ** 2) * inside).sum() / inside.sum())
    return Solution(
        frames_px - frames_px[0], tiles_px - frames_px[0], _step_errors(equations), scale, cost
    )


@dataclass(frozen=True)
class _Equations:
    """Normal equations with each tile's amplitudes and position eliminated.

    `normal` (N, N) and `by_tile` (K, N), whose columns sum to the gradient, are for the frames;
    `row` (K, W), `total` and `whole` (K,) give a tile's answer to the frames' change.
    """

    normal: Array
    by_tile: Array
    row: Array
    total: Array
    whole: Array

    def tile_change(self, change: Array, data: Windows) -> Array:
        moved = (self.row * change[data.frames] * data.used).sum(axis=1)
        return np.asarray((moved - self.total) / self.whole)


def _equations(
    data: Windows, fit: Fit, weight: Array, frames_px: Array, tiles_px: Array
) -> _Equations:
    """Linearise about the present positions."""
    tiles, count = len(tiles_px), len(frames_px)
    by_tile, row = np.zeros((tiles, count)), np.empty(data.frames.shape)
    total, whole = np.empty(tiles), np.empty(tiles)

    def fill(first: int, last: int) -> Array:
        normal = np.zeros((count, count))
        _eliminate(
            data.frames, data.used, data.sigma_px, fit.residual, fit.amplitude, fit.share,
            fit.derivative, weight, frames_px, tiles_px, first, last, normal, by_tile, row, total,
            whole,
        )  # fmt: skip
        return normal

    normal = np.sum(in_chunks(fill, tiles), axis=0)
    return _Equations(normal, by_tile, row, total, whole)


@njit(nogil=True, fastmath=True, error_model="numpy")
def _eliminate(  # pragma: no cover - compiled
    frames: Index,
    used: Mask,
    sigma_px: Array,
    residual: Array,
    amplitude: Array,
    share: Array,
    derivative: Array,
    weight: Array,
    frames_px: Array,
    tiles_px: Array,
    first: int,
    last: int,
    normal: Array,
    by_tile: Array,
    row: Array,
    total: Array,
    whole: Array,
) -> None:
    """Write what some tiles add to the equations; ``normal`` is added to."""
    width = frames.shape[1]
    matrix, gradient = np.empty((width, width)), np.empty(width)
    cross = np.empty(width)
    for k in range(first, last):
        matrix[:] = 0.0
        gradient[:] = 0.0
        for b in range(len(sigma_px)):
            own_sum = pull = 0.0
            for w in range(width):
                side = np.sign(frames_px[frames[k, w]] - tiles_px[k])
                model = amplitude[k, b] * share[k, b, w] + FLOOR
                own = amplitude[k, b] * share[k, b, w] / model
                slope = amplitude[k, b] * derivative[k, b, w] * side / model / sigma_px[b]
                here = weight[k, b, w]
                cross[w] = here * own * slope
                own_sum += here * own * own
                pull += here * own * residual[k, b, w]
                matrix[w, w] += here * slope * slope
                gradient[w] += here * slope * residual[k, b, w]
            own_sum = max(own_sum, 1e-9)
            for i in range(width):
                gradient[i] -= cross[i] * pull / own_sum
                for j in range(width):
                    matrix[i, j] -= cross[i] * cross[j] / own_sum
        # Moving a tile is moving all frames the other way: its column is minus the sum of theirs.
        total[k] = gradient.sum()
        both = 0.0
        for i in range(width):
            row[k, i] = matrix[i].sum()
            both += row[k, i]
        whole[k] = max(both, 0.0) + 1e-6
        for i in range(width):
            if not used[k, i]:
                continue
            by_tile[k, frames[k, i]] += gradient[i] - row[k, i] * total[k] / whole[k]
            for j in range(width):
                if used[k, j]:
                    left = matrix[i, j] - row[k, i] * row[k, j] / whole[k]
                    normal[frames[k, i], frames[k, j]] += left


def _frame_change(equations: _Equations, frames_px: Array) -> Array:
    """Solve for the frames' change with the first one held."""
    count = len(frames_px)
    normal, gradient = equations.normal, equations.by_tile.sum(axis=0)
    damped = normal + np.diag(0.01 * np.diag(normal) + 1e-6 * np.trace(normal) / count + 1e-12)
    change = np.zeros(count)
    change[1:] = np.linalg.solve(damped[1:, 1:], gradient[1:])
    most = 0.5 * np.abs(np.gradient(frames_px)).max() if count > 1 else 1.0
    return np.clip(change, -most, most)


def _local_step(frames_px: Array, least_px: float) -> Array:
    return np.maximum(np.abs(np.gradient(frames_px)), 0.1 * least_px)


def _step_errors(equations: _Equations) -> Array:
    """Return standard errors of the steps: the sandwich estimate, tiles being the samples."""
    count = len(equations.normal)
    inverse = np.zeros((count, count))
    inverse[1:, 1:] = np.linalg.pinv(equations.normal[1:, 1:])
    covariance = inverse @ (equations.by_tile.T @ equations.by_tile) @ inverse
    variance = np.diag(covariance)
    return np.sqrt(np.maximum(variance[1:] + variance[:-1] - 2 * np.diag(covariance, 1), 0))

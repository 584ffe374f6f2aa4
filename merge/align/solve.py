"""All tiles of all pairs of a stack solved together for the frames' motion, heavy-tailed.

A tile that disagrees with the motion that all pairs support loses its say, even if it seemed to
agree in its own pair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array
from scipy.sparse.linalg import spsolve

from merge.align.motion import PARAMETER_COUNT, apply, basis, check_points, increment
from merge.align.pair import PairResult, TileShifts
from merge.model import FrameTransform, MotionModel

Array = NDArray[np.float64]

# What keeps even a tile with much detail from being exact, in px (0.01 to 0.1 made no difference).
_DOUBT_PX = 0.03
# Squared normalised residual from which a measurement loses its say (worst error over six stacks
# with 1 and 2: 0.30 and 0.28 px).
_TAIL = 2.0
# Pairs whose tiles as a whole disagree with the others by this much lose theirs.
_PAIR_TAIL_PX = 0.3
# How far second differences of the magnification may wander, in px at the picture's rim (rms error
# over six stacks with 0.02, 0.03, 0.05: 0.119, 0.122, 0.126 px; uneven steps need room).
_SMOOTH_PX = 0.05
# Tiles with a larger error than this tell nothing about the model.
_TELLING_PX = 0.2
# Median squared normalised shift that errors alone may cause: 1.39 for normal ones in two
# dimensions; 0.1 to 1.3 seen with a right model, 14 to 59 with a wrong one.
_EXPECTED_SURPRISE = 3.0
_ROUNDS = 12
_CONVERGED_PX = 1e-3


@dataclass(frozen=True, eq=False)
class PairMeasurement:
    """What comparing two frames gave."""

    first: int
    second: int
    result: PairResult


def solve_geometry(
    pairs: Sequence[PairMeasurement],
    linked: set[int],
    reference: int,
    shape: tuple[int, int],
    model: MotionModel,
) -> dict[int, Array]:
    """Return reference → frame for every linked frame: all pairs at once, heavy-tailed.

    Parameters
    ----------
    pairs : sequence of PairMeasurement
        Between linked frames only.
    linked : set of int
        Frames that pairs connect with the reference.
    reference : int
    shape : (H, W)
        Of the compared pictures.
    model : {"shift", "similarity", "affine", "perspective"}
    """
    matrices = follow_pairs(pairs, linked, reference)
    free = sorted(linked - {reference})
    if not free:
        return matrices
    system = _System(free, shape, model)
    for _ in range(_ROUNDS):
        update = system.step(pairs, matrices)
        for frame, parameters in zip(free, update, strict=True):
            moved = matrices[frame] @ increment(parameters, shape, model)
            matrices[frame] = moved / moved[2, 2]
        if np.abs(update).max() < _CONVERGED_PX:
            break
    return matrices


def linked_frames(pairs: Sequence[PairMeasurement], count: int, start: int) -> set[int]:
    """Return the frames out of ``count`` that pairs connect with ``start``, itself included."""
    neighbours: dict[int, set[int]] = {i: set() for i in range(count)}
    for pair in pairs:
        neighbours[pair.first].add(pair.second)
        neighbours[pair.second].add(pair.first)
    linked, frontier = {start}, [start]
    while frontier:
        for other in neighbours[frontier.pop()] - linked:
            linked.add(other)
            frontier.append(other)
    return linked


def unexplained_px(tiles: TileShifts) -> float:
    """Return the usual shift of tiles from the model beyond what their errors explain, in px."""
    telling = np.linalg.det(tiles.certainty) ** 0.25 > 1 / _TELLING_PX
    if not telling.any():
        return 0.0
    spread = np.linalg.inv(tiles.certainty[telling]) + _DOUBT_PX**2 * np.eye(2)
    shifts = tiles.shifts[telling]
    surprise = float(np.median(np.einsum("ti,tij,tj->t", shifts, np.linalg.inv(spread), shifts)))
    if surprise <= _EXPECTED_SURPRISE:
        return 0.0
    usual = float(np.median(np.hypot(shifts[:, 0], shifts[:, 1])))
    return usual * float(np.sqrt(1 - _EXPECTED_SURPRISE / surprise))


def follow_pairs(
    pairs: Sequence[PairMeasurement], linked: set[int], reference: int
) -> dict[int, Array]:
    """Return first matrices reference → frame by following pairs outwards, short gaps first."""
    matrices = {reference: np.eye(3)}
    waiting = sorted(pairs, key=lambda p: p.second - p.first)
    while len(matrices) < len(linked):
        for pair in waiting:
            if pair.first in matrices and pair.second not in matrices:
                matrices[pair.second] = pair.result.matrix @ matrices[pair.first]
                break
            if pair.second in matrices and pair.first not in matrices:
                back = np.linalg.inv(pair.result.matrix)
                matrices[pair.first] = back @ matrices[pair.second]
                break
    return {i: m / m[2, 2] for i, m in matrices.items()}


class _System:
    """Normal equations over the free frames' parameters."""

    def __init__(self, free: list[int], shape: tuple[int, int], model: MotionModel) -> None:
        self._place = {frame: k for k, frame in enumerate(free)}
        self._count = PARAMETER_COUNT[model]
        self._shape, self._model = shape, model
        self._size = len(free) * self._count
        self._blocks: dict[tuple[int, int], Array] = {}
        self._right = np.zeros(self._size)

    def step(self, pairs: Sequence[PairMeasurement], matrices: dict[int, Array]) -> Array:
        """Return the update of every free frame's parameters, shape (frames, p)."""
        self._blocks = {}
        self._right = np.zeros(self._size)
        for pair in pairs:
            jacobian, misfit, certainty = self._linearise(pair, matrices)
            weighted = np.einsum("tij,tjp->tip", certainty, jacobian)
            block = np.einsum("tip,tiq->pq", jacobian, weighted)
            aim = np.einsum("tip,ti->p", weighted, misfit)
            self._add({pair.first: -1.0, pair.second: 1.0}, block, aim)
        if self._model == "similarity":
            self._add_smooth_magnification(matrices)
        for k in self._place.values():
            self._blocks[k, k] = self._blocks.get((k, k), 0) + 1e-9 * np.eye(self._count)
        ends = np.array(list(self._blocks)) * self._count
        span = np.arange(self._count)
        rows = np.repeat(ends[:, :1] + span, self._count, axis=1).ravel()
        columns = np.tile(ends[:, 1:] + span, (1, self._count)).ravel()
        values = np.concatenate(list(self._blocks.values())).ravel()
        normal = csc_array((values, (rows, columns)), shape=(self._size, self._size))
        return np.asarray(spsolve(normal, self._right)).reshape(-1, self._count)

    def _add(self, factors: dict[int, float], block: Array, aim: Array) -> None:
        """Ask under weight ``block`` that the frames' parameters times their factors sum to aim."""
        known = {self._place[f]: factor for f, factor in factors.items() if f in self._place}
        for k, one in known.items():
            self._right[k * self._count : (k + 1) * self._count] += one * aim
            for m, other in known.items():
                self._blocks[k, m] = self._blocks.get((k, m), 0) + one * other * block

    def _linearise(
        self, pair: PairMeasurement, matrices: dict[int, Array]
    ) -> tuple[Array, Array, Array]:
        """Return each tile's jacobian, misfit and trusted certainty, in the reference's pixels."""
        tiles = pair.result.tiles
        start = matrices[pair.first]
        points = apply(np.linalg.inv(start).astype(np.float64), tiles.centres)
        seen = apply(pair.result.matrix, tiles.centres + tiles.shifts)
        back = np.linalg.inv(matrices[pair.second]).astype(np.float64)
        misfit = apply(back, seen) - points
        local = start[:2, :2]
        spread = np.linalg.inv(local.T @ tiles.certainty @ local)
        certainty = np.asarray(np.linalg.inv(spread + _DOUBT_PX**2 * np.eye(2)), np.float64)
        surprise = np.einsum("ti,tij,tj->t", misfit, certainty, misfit)
        trust = 1 / (1 + surprise / _TAIL)
        # A pair that went wrong as a whole.
        corners = check_points(self._shape)
        via = apply(pair.result.matrix, apply(start, corners))
        off = np.mean(np.sum((via - apply(matrices[pair.second], corners)) ** 2, axis=1))
        trust = trust / (1 + off / _PAIR_TAIL_PX**2)
        return basis(points, self._shape, self._model), misfit, certainty * trust[:, None, None]

    def _add_smooth_magnification(self, matrices: dict[int, Array]) -> None:
        """Ask for small second differences of the log magnification, heavy-tailed.

        A dropped slice makes one large difference; the heavy tail lets it stand.
        """
        half = max(self._shape) / 2
        size = {i: half * np.log(FrameTransform(m).magnification) for i, m in matrices.items()}
        only = np.zeros(self._count)
        only[2] = 1
        for i in sorted(size):
            if i - 1 in size and i + 1 in size:
                bend = size[i - 1] - 2 * size[i] + size[i + 1]
                trust = 1 / (_SMOOTH_PX**2 * (1 + (bend / (3 * _SMOOTH_PX)) ** 2))
                factors = {i - 1: 1.0, i: -2.0, i + 1: 1.0}
                self._add(factors, trust * np.outer(only, only), -trust * bend * only)

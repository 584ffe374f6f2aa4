"""All pair measurements of a stack solved together.

A tile's own shift between two frames is not the frames' motion alone: behind an occluding edge or
on a slanted surface, detail moves a little with focus (part of the lens's opening is cut off, so
the blur's centre of gravity moves), by about as much from every frame to the next. In one pair
this hides in the noise; over a stack it adds up to a drift. So every place of the picture has a
drift of its own as an unknown, small for most and heavy-tailed, beside the motion of all frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.align.motion import PARAMETER_COUNT, apply, basis, check_points, increment
from merge.align.pair import PairResult
from merge.model import FrameTransform, MotionModel

Array = NDArray[np.float64]

# Places of the picture that share one drift, along the longer side.
_PLACES = 24
# Usual drift of a place in px a frame (photograph scenes: quartiles 0.015, root mean square 0.027).
_DRIFT_PX = 0.01
# What else keeps a tile's shift from being exact, in px.
_DOUBT_PX = 0.03
# Squared normalised residual from which a measurement loses its say.
_TAIL = 4.0
# Pairs whose tiles as a whole disagree with the others by this much lose theirs.
_PAIR_TAIL_PX = 0.3
# How far second differences of the magnification may wander, in px at the picture's rim.
_SMOOTH_PX = 0.05
_ROUNDS = 12
_CONVERGED_PX = 1e-3


@dataclass(frozen=True, eq=False)
class PairMeasurement:
    """What comparing two frames gave."""

    first: int
    second: int
    result: PairResult
    exposure: tuple[float, float] | None


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
    """Normal equations over the free frames' parameters, the drifts eliminated."""

    def __init__(self, free: list[int], shape: tuple[int, int], model: MotionModel) -> None:
        self._place = {frame: k for k, frame in enumerate(free)}
        self._count = PARAMETER_COUNT[model]
        self._shape, self._model = shape, model
        self._side = max(shape) / _PLACES
        self._across = int(np.ceil(shape[1] / self._side))
        self._drift = np.zeros((self._across * int(np.ceil(shape[0] / self._side)), 2))
        self._size = len(free) * self._count

    def step(self, pairs: Sequence[PairMeasurement], matrices: dict[int, Array]) -> Array:
        """Return the update of every free frame's parameters, shape (frames, p)."""
        normal, right = np.zeros((self._size, self._size)), np.zeros(self._size)
        coupling = np.zeros((self._size, len(self._drift), 2))
        spread = np.sum(self._drift**2, axis=1) / _DRIFT_PX**2
        own = (1 / (_DRIFT_PX**2 * (1 + spread / _TAIL)))[:, None, None] * np.eye(2)
        pull = np.zeros_like(self._drift)
        for pair in pairs:
            places, jacobian, misfit, certainty = self._linearise(pair, matrices)
            gap = pair.second - pair.first
            np.add.at(own, places, certainty * gap**2)
            np.add.at(pull, places, np.einsum("tij,tj->ti", certainty, misfit) * gap)
            weighted = np.einsum("tij,tjp->tip", certainty, jacobian)
            block = np.einsum("tip,tiq->pq", jacobian, weighted)
            aim = np.einsum("tip,ti->p", weighted, misfit)
            ends = [(self._place[f], sign) for f, sign in ((pair.first, -1), (pair.second, 1))
                    if f in self._place]  # fmt: skip
            for k, sign in ends:
                rows = slice(k * self._count, (k + 1) * self._count)
                right[rows] += sign * aim
                np.add.at(
                    coupling[rows].transpose(1, 0, 2), places, sign * gap * weighted.transpose(0, 2, 1)
                )
                for m, other in ends:
                    normal[rows, m * self._count : (m + 1) * self._count] += sign * other * block
        if self._model == "similarity":
            self._add_smooth_magnification(normal, right, matrices)
        inverse = np.linalg.inv(own)
        flat = coupling.reshape(self._size, -1)
        solved = np.einsum("spi,pij->spj", coupling, inverse).reshape(self._size, -1)
        normal -= solved @ flat.T
        right -= solved @ pull.ravel()
        update = np.linalg.solve(normal + 1e-9 * np.eye(self._size), right)
        self._drift = np.einsum(
            "pij,pj->pi", inverse, pull - np.einsum("spi,s->pi", coupling, update)
        )
        return update.reshape(-1, self._count)

    def _linearise(
        self, pair: PairMeasurement, matrices: dict[int, Array]
    ) -> tuple[NDArray[np.intp], Array, Array, Array]:
        """Return each tile's place, jacobian, misfit and trusted certainty, in the reference."""
        tiles = pair.result.tiles
        start = matrices[pair.first]
        points = apply(np.linalg.inv(start), tiles.centres)
        seen = apply(pair.result.matrix, tiles.centres + tiles.shifts)
        misfit = apply(np.linalg.inv(matrices[pair.second]), seen) - points
        size = abs(np.linalg.det(start[:2, :2]))
        turn = start[:2, :2] / np.sqrt(size)
        certainty = turn.T @ (tiles.certainty * size) @ turn
        certainty = np.linalg.inv(np.linalg.inv(certainty) + _DOUBT_PX**2 * np.eye(2))
        column = np.clip(points[:, 0] // self._side, 0, self._across - 1)
        row = np.clip(points[:, 1] // self._side, 0, len(self._drift) // self._across - 1)
        places = (row * self._across + column).astype(np.intp)
        left = misfit - self._drift[places] * (pair.second - pair.first)
        surprise = np.einsum("ti,tij,tj->t", left, certainty, left)
        trust = 1 / (1 + surprise / _TAIL)
        # A pair that went wrong as a whole.
        corners = check_points(self._shape)
        via = apply(pair.result.matrix, apply(start, corners))
        off = np.mean(np.sum((via - apply(matrices[pair.second], corners)) ** 2, axis=1))
        trust = trust / (1 + off / _PAIR_TAIL_PX**2)
        jacobian = basis(points, self._shape, self._model)
        return places, jacobian, misfit, certainty * trust[:, None, None]

    def _add_smooth_magnification(
        self, normal: Array, right: Array, matrices: dict[int, Array]
    ) -> None:
        """Ask for small second differences of the log magnification, heavy-tailed.

        A dropped slice makes one large difference; the heavy tail lets it stand.
        """
        half = max(self._shape) / 2
        size = {i: half * np.log(FrameTransform(m).magnification) for i, m in matrices.items()}
        for i in sorted(size):
            if i - 1 not in size or i + 1 not in size:
                continue
            bend = size[i - 1] - 2 * size[i] + size[i + 1]
            trust = 1 / (_SMOOTH_PX**2 * (1 + (bend / (3 * _SMOOTH_PX)) ** 2))
            row = np.zeros(self._size)
            for frame, factor in ((i - 1, 1), (i, -2), (i + 1, 1)):
                if frame in self._place:
                    row[self._place[frame] * self._count + 2] = factor
            normal += trust * np.outer(row, row)
            right -= trust * bend * row

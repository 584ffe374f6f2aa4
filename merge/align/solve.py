"""All tiles of all pairs of a stack solved together for the frames' motion, heavy-tailed.

A tile that disagrees with the motion that all pairs support loses its say, even if it seemed to
agree in its own pair.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.sparse.linalg import spsolve

from merge.align.camera import Index, Motion, Projector, invert, multiply
from merge.align.motion import normaliser
from merge.align.pair import (
    BANDS,
    CONVERGED_PX,
    MAX_TILES,
    ROUNDS,
    TAIL,
    TILE_NOISE_PX,
    TILE_PX,
    PairMeasurement,
)
from merge.errors import RegistrationError
from merge.model import Array
from merge.model.geometry import FIELD_DEGREES, field_powers

# Pairs whose tiles as a whole disagree with the others by this much lose their say; the largest
# error that a bracket from a tripod may have.
PAIR_TAIL_PX = 0.3
# How far second differences of the magnification may wander, in px at the picture's rim (rms error
# over six stacks with 0.02, 0.03, 0.05: 0.119, 0.122, 0.126 px; uneven steps need room).
_SMOOTH_PX = 0.05
# Side of the smallest tile: a picture that shrinks to one is none.
_LEAST_PX = TILE_PX >> (BANDS - 1)


@dataclass(frozen=True, eq=False)
class Tiles:
    """What all pairs measured.

    Attributes
    ----------
    first, second : ndarray, shape (n,)
        Frames of every tile, counted among the linked ones.
    pair : ndarray, shape (n,)
        Ascending.
    seen_first, seen_second : ndarray, shape (n, 2)
        The same content in both frames, normalised.
    certainty : ndarray, shape (n, 2, 2)
        Inverse covariance in the first frame, 1/px².
    position : ndarray, shape (n,)
        On the focus axis; 0 where not known.
    """

    first: Index
    second: Index
    pair: Index
    seen_first: Array
    seen_second: Array
    certainty: Array
    position: Array

    def __len__(self) -> int:
        return len(self.first)

    def only(self, kept: NDArray[np.bool_]) -> Tiles:
        """Return the tiles of a mask."""
        return Tiles(**{field.name: getattr(self, field.name)[kept] for field in fields(self)})


@dataclass(frozen=True, eq=False)
class Linearised:
    """A fit about its present solution, all in px of the compared pictures.

    Attributes
    ----------
    points : ndarray, shape (n, 2)
        Of the tiles in the reference frame, normalised.
    misfit : ndarray, shape (n, 2)
        By which second and first frame disagree.
    jacobian : ndarray, shape (n, 2, 2p + g)
        By first frame's, second frame's and shared parameters.
    certainty : ndarray, shape (n, 2, 2)
        Inverse covariance of the misfits.
    trust : ndarray, shape (n,)
        Say of a tile, 0 to 1.
    """

    points: Array
    misfit: Array
    jacobian: Array
    certainty: Array
    trust: Array


def squared(misfit: Array, certainty: Array) -> Array:
    """Return squared misfits (n, 2) in units of their errors."""
    return np.asarray(np.einsum("ti,tij,tj->t", misfit, certainty, misfit))


def gather_tiles(
    pairs: Sequence[PairMeasurement], frames: Sequence[int], shape: tuple[int, int]
) -> Tiles:
    """Return the tiles of all pairs; frames count by their place in ``frames``."""
    place = {frame: k for k, frame in enumerate(frames)}
    counts = [len(pair.result.tiles.centres) for pair in pairs]
    to_unit = np.linalg.inv(normaliser(shape))
    one, two = [], []
    for pair in pairs:
        tiles = pair.result.tiles
        h = np.c_[tiles.centres + tiles.shifts, np.ones(len(tiles.centres))] @ pair.result.matrix.T
        one.append(tiles.centres)
        two.append(h[:, :2] / h[:, 2:])
    seen = [np.concatenate(p) * to_unit[0, 0] + to_unit[:2, 2] for p in (one, two)]
    first, second, number = (
        np.repeat(np.array(values, np.intp), counts)
        for values in (
            [place[p.first] for p in pairs],
            [place[p.second] for p in pairs],
            range(len(pairs)),
        )
    )
    certainty = np.concatenate([pair.result.tiles.certainty for pair in pairs])
    return Tiles(first, second, number, seen[0], seen[1], certainty, np.zeros(sum(counts)))


class StackFit:
    """Fits motions to tiles.

    Parameters
    ----------
    tiles : Tiles
    shape : (H, W)
        Of the compared pictures.
    reference : int
        Among the linked frames.
    fields : ndarray, shape (N, 2, K), optional
        What moves points of the reference in every frame beside the motion, px; see `SmoothField`.
    """

    def __init__(
        self,
        tiles: Tiles,
        shape: tuple[int, int],
        reference: int,
        fields: Array | None = None,
    ) -> None:
        self.tiles, self.shape, self.reference = tiles, shape, reference
        self.fields = fields
        self.half = max(shape) / 2

    def thinned(self) -> StackFit:
        """Return a fit to half the tiles of every full pair, evenly taken: a motion is judged."""
        tiles = self.tiles
        counts = np.bincount(tiles.pair)
        rank = np.arange(len(tiles)) - (np.cumsum(counts) - counts)[tiles.pair]
        every = -(-counts // (MAX_TILES // 2))[tiles.pair]
        kept = rank % np.maximum(every, 1) == 0
        return StackFit(tiles.only(kept), self.shape, self.reference, self.fields)

    def solve(self, motion: Motion) -> Motion:
        """Return the fit of a motion's model that starts at ``motion``."""
        for _ in range(ROUNDS):
            update = self.step(motion, self.linearise(motion))
            motion = replace(
                motion,
                own=motion.own + update[: motion.own.size].reshape(motion.own.shape),
                shared=motion.shared + update[motion.own.size :],
            )
            _check_sizes(motion, _LEAST_PX / (2 * self.half))
            if np.abs(update).max(initial=0.0) * self.half < CONVERGED_PX:
                break
        return motion

    def linearise(self, motion: Motion) -> Linearised:
        """Return what tiles say about a motion's parameters."""
        tiles, own = self.tiles, motion.model.own
        points, slopes, derivatives = [], [], []
        for frame, seen in ((tiles.first, tiles.seen_first), (tiles.second, tiles.seen_second)):
            projector = Projector(motion, frame, tiles.position)
            point, slope = projector.locate(np.ascontiguousarray(seen.T))
            points.append(point)
            slopes.append(slope)
            derivatives.append(multiply(invert(slope), projector.parameter_slopes(point)))
        one, two = derivatives
        jacobian = np.concatenate([-one[:, :own], two[:, :own], two[:, own:] - one[:, own:]], 1)
        told = np.ascontiguousarray(np.moveaxis(tiles.certainty, 0, -1))
        spread = invert(multiply(slopes[0].swapaxes(0, 1), multiply(told, slopes[0])))
        certainty = _by_tile(invert(spread + TILE_NOISE_PX**2 * np.eye(2)[..., None]))
        misfit = _by_tile((points[1] - points[0]) * self.half)
        here = _by_tile(points[0])
        if self.fields is not None:
            misfit = misfit - self.between(self.fields, here)
        trust = 1 / (1 + squared(misfit, certainty) / TAIL)
        # A pair that went wrong as a whole.
        off = (self.pair_means(misfit, certainty) ** 2).sum(1)
        trust = trust / (1 + off[tiles.pair] / PAIR_TAIL_PX**2)
        return Linearised(here, misfit, _by_tile(jacobian * self.half), certainty, trust)

    def between(self, fields: Array, points: Array) -> Array:
        """Return by how much fields (N, 2, K) move tiles in second over first frames, (n, 2) px."""
        powers = field_powers(points, FIELD_DEGREES[fields.shape[2]])
        change = fields[self.tiles.second] - fields[self.tiles.first]
        return np.asarray(np.einsum("tk,tik->ti", powers, change))

    def pair_means(self, misfit: Array, certainty: Array) -> Array:
        """Return the mean misfit of every pair, by certainty, shape (pairs, 2)."""
        (a, b), (c, d) = certainty.transpose(1, 2, 0)
        weight, pair = np.sqrt(a * d - b * c), self.tiles.pair
        total = np.maximum(np.bincount(pair, weight), 1e-12)
        sums = [np.bincount(pair, weight * m) for m in misfit.T]
        return np.asarray(np.stack(sums, 1) / total[:, None])

    def step(
        self,
        motion: Motion,
        now: Linearised,
        kept: Array | None = None,
        wanted: int | None = None,
    ) -> Array:
        """Return the update of all own and shared parameters.

        Parameters
        ----------
        motion : Motion
        now : Linearised
        kept : ndarray, shape (n,), optional
            Factor on the say of every tile.
        wanted : int, optional
            Return instead how the parameter of this place reacts to what tiles say of each, a row
            of the inverse normal matrix.
        """
        count, own = motion.own.shape
        shared, tiles = motion.model.shared, self.tiles
        trust = now.trust if kept is None else now.trust * kept
        weighted = np.matmul(now.certainty * trust[:, None, None], now.jacobian)
        starts = np.flatnonzero(np.diff(tiles.pair, prepend=-1))
        both = [f[starts, None] * own + np.arange(own) for f in (tiles.first, tiles.second)]
        common = np.broadcast_to(count * own + np.arange(shared), (len(starts), shared))
        places = np.concatenate([*both, common], 1)
        blocks, aims = np.empty((*places.shape, places.shape[1])), np.empty(places.shape)
        ends = np.append(starts[1:], len(tiles))
        for pair, (begin, end) in enumerate(zip(starts, ends, strict=True)):
            flat = weighted[begin:end].reshape(-1, weighted.shape[2])
            aims[pair] = flat.T @ now.misfit[begin:end].ravel()
            blocks[pair] = flat.T @ now.jacobian[begin:end].reshape(flat.shape)
        equations = [(places, blocks, aims), self._smooth_size(motion)]
        right = np.zeros(count * own + shared)
        for place, _, aim in equations:
            np.add.at(right, place, aim)
        if wanted is not None:
            right = np.zeros(len(right))
            right[wanted] = 1
        return self._solve_free([e[:2] for e in equations], right, own)

    def _solve_free(
        self, equations: Sequence[tuple[Index, Array]], right: Array, own: int
    ) -> Array:
        """Solve for everything but the reference frame's parameters, which stay.

        ``equations`` are blocks (n, k, k) of the normal matrix and their places (n, k).
        """
        size = len(right)
        rows = np.concatenate([np.repeat(p, p.shape[1], 1).ravel() for p, _ in equations])
        columns = np.concatenate([np.tile(p, p.shape[1]).ravel() for p, _ in equations])
        values = np.concatenate([block.ravel() for _, block in equations])
        matrix = csc_array((values, (rows, columns)), shape=(size, size))
        fixed = np.arange(self.reference * own, (self.reference + 1) * own)
        free = np.setdiff1d(np.arange(size), fixed)
        if not len(free):
            return np.zeros(size)
        ridge = np.full(len(free), 1e-9 * self.half**2)
        normal = csc_array(matrix[free][:, free]) + csc_array(
            (ridge, (np.arange(len(free)), np.arange(len(free))))
        )
        update = np.zeros(size)
        update[free] = np.asarray(spsolve(csc_array(normal), right[free])).ravel()
        return update

    def _smooth_size(self, motion: Motion) -> tuple[Index, Array, Array]:
        """Ask for small second differences of the log magnification, heavy-tailed.

        A dropped slice makes one large difference; the heavy tail lets it stand.
        """
        size = motion.own[:, 2] if motion.model.family in ("similarity", "camera") else np.empty(0)
        if not motion.model.bends:  # what shrinks to less is refused by `_check_sizes`
            size = np.log1p(np.maximum(size, _LEAST_PX / (2 * self.half) - 1))
        curve = np.diff(size, 2) * self.half
        trust = 1 / (_SMOOTH_PX**2 * (1 + (curve / (3 * _SMOOTH_PX)) ** 2))
        places = (np.arange(len(curve))[:, None] + np.arange(3)) * motion.model.own + 2
        slope = np.array([1.0, -2.0, 1.0]) * self.half
        blocks = trust[:, None, None] * np.outer(slope, slope)
        return places, blocks, -(trust * curve)[:, None] * slope


def _by_tile(values: Array) -> Array:
    """Return values (..., n) of tiles as (n, ...)."""
    return np.ascontiguousarray(np.moveaxis(values, -1, 0))


def _check_sizes(motion: Motion, least: float) -> None:
    """Raise RegistrationError where a frame shrinks to the smallest tile or has no place at all."""
    own, small = motion.own, False
    if motion.model.family == "similarity":
        turn = own[:, 3] if motion.model.rolls else 0.0
        small = bool((np.hypot(1 + own[:, 2], turn) < least).any())
    if not np.isfinite(own).all() or small:
        raise RegistrationError(
            "the frames fit together in no way that a camera moves; check that all show one "
            "scene, at their full size"
        )


def linked_frames(pairs: Sequence[PairMeasurement], count: int, start: int) -> set[int]:
    """Return the frames out of ``count`` that pairs connect with ``start``, itself included."""
    return next(group for group in linked_groups(pairs, count) if start in group)


def linked_groups(pairs: Sequence[PairMeasurement], count: int) -> list[set[int]]:
    """Return the groups of ``count`` frames that pairs connect, in order of their first frames."""
    _, labels = connected_components(_graph(pairs, count), directed=False)
    groups: dict[int, set[int]] = {}
    for frame, label in enumerate(labels.tolist()):
        groups.setdefault(label, set()).add(frame)
    return list(groups.values())


def follow_pairs(
    pairs: Sequence[PairMeasurement], frames: Collection[int], reference: int
) -> dict[int, Array]:
    """Return first matrices reference → frame by following pairs outwards."""
    steps = {(p.first, p.second): p.result.matrix for p in pairs}
    graph = _graph(pairs, max(frames) + 1)
    order, before = breadth_first_order(graph, reference, directed=False)
    matrices = {reference: np.eye(3)}
    for frame in order[1:].tolist():
        known = int(before[frame])
        if (known, frame) in steps:
            moved = steps[known, frame] @ matrices[known]
        else:
            moved = np.linalg.inv(steps[frame, known]) @ matrices[known]
        matrices[frame] = moved / moved[2, 2]
    return matrices


def _graph(pairs: Sequence[PairMeasurement], count: int) -> coo_array:
    ends = [p.first for p in pairs], [p.second for p in pairs]
    return coo_array((np.ones(len(pairs)), ends), shape=(count, count)).tocsr()

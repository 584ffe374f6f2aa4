"""All frames of a stack against one reference frame.

Every frame is compared with its two predecessors, so errors do not simply add up and one bad frame
does not cut the chain. The pair measurements, each with its certainty, are then solved together,
with a magnification that changes smoothly along the stack.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.linalg import spsolve

from merge.align.exposure import compare_exposure
from merge.align.motion import PARAMETER_COUNT, apply, basis, check_points, increment, rescale
from merge.align.pair import PairResult, Pyramid, build_pyramid, register_pair
from merge.align.start import starting_points
from merge.encoding import linearize
from merge.errors import RegistrationError
from merge.model import (
    FloatArray,
    FrameRegistration,
    FrameTransform,
    MotionModel,
    Registration,
)

Array = NDArray[np.float64]

# Bands of pictures of one scene agree better than this after registration, those of different
# scenes worse (photograph scene: neighbours 0.97, first against last 0.6; mirrored 0.1).
MIN_AGREEMENT = 0.45
# A pair that agrees less than this is tried from other starting points too.
_GOOD_AGREEMENT = 0.75
# How far second differences of the magnification may wander, in px at the picture's rim.
_SMOOTH_PX = 0.1
_PAIR_TAIL_PX = 0.15
_ROUNDS = 8
# Shares of exposure change that are measurement noise, not light.
_FALLOFF_FLOOR = 0.004


@dataclass(frozen=True, eq=False)
class _Pair:
    first: int
    second: int
    result: PairResult
    exposure: tuple[float, float] | None


def register_stack(
    pictures: Iterable[FloatArray],
    *,
    shape: tuple[int, int],
    reduction: int = 1,
    transfer: str = "srgb",
    model: MotionModel = "similarity",
    reference: int | None = None,
) -> Registration:
    """Return where every frame lies against the reference frame, and its exposure.

    Parameters
    ----------
    pictures : iterable of ndarray, shape (H // reduction, W // reduction), float32
        Luminance of the frames in their own encoding, area-averaged over ``reduction`` x
        ``reduction`` pixels. Taken one by one; three are held at a time.
    shape : (H, W)
        Of the full frames.
    reduction : int
    transfer : str
        Encoding of the pictures, see `merge.encoding`.
    model : {"shift", "similarity", "affine", "perspective", "none"}
    reference : int, optional
        Default the middle frame.

    Returns
    -------
    Registration
        A frame that agrees with none of its neighbours has no transform and says why.

    Raises
    ------
    RegistrationError
        If no two frames can be aligned.
    """
    pairs, count = _measure_pairs(pictures, transfer, model)
    middle = count // 2 if reference is None else reference
    small = (shape[0] // reduction, shape[1] // reduction)
    linked = _linked(pairs, count, middle)
    if count > 1 and len(linked) < 2:
        raise RegistrationError(
            "no other frame could be aligned with the reference frame; check that all frames "
            "show one scene"
        )
    pairs = [p for p in pairs if p.first in linked and p.second in linked]
    if model == "none":
        matrices = {i: np.eye(3) for i in range(count)}
    else:
        matrices = _solve_geometry(pairs, linked, middle, small, model)
    residuals = _residuals(pairs, matrices, small)
    gains = _solve_exposure(pairs, linked, middle)
    jumps = _jumps(matrices, small)
    frames = []
    for i in range(count):
        if i not in linked:
            reason = "agrees with neither neighbour: another scene, strong motion or no detail"
            frames.append(FrameRegistration(None, reason=reason))
            continue
        log_gain, falloff = gains[i]
        frames.append(
            FrameRegistration(
                FrameTransform(rescale(matrices[i], reduction)),
                gain=float(np.exp(log_gain)),
                falloff=falloff,
                residual_px=residuals.get(i, float("nan")) * reduction,
                jump_px=jumps.get(i, 0.0) * reduction,
            )
        )
    return Registration(tuple(frames), middle, model, shape)


def _measure_pairs(
    pictures: Iterable[FloatArray], transfer: str, model: MotionModel
) -> tuple[list[_Pair], int]:
    """Compare every picture with the two before it."""
    recent: deque[tuple[int, Pyramid]] = deque(maxlen=2)
    pairs: dict[tuple[int, int], _Pair] = {}
    count = 0
    for index, picture in enumerate(pictures):
        pyramid = build_pyramid(linearize(picture, transfer))
        for earlier, other in reversed(recent):
            known = _through(pairs, earlier, index)
            result = _match(other, pyramid, model, known)
            if result is not None:
                exposure = compare_exposure(other, pyramid, result.matrix)
                pairs[earlier, index] = _Pair(earlier, index, result, exposure)
        recent.append((index, pyramid))
        count = index + 1
    return list(pairs.values()), count


def _through(pairs: dict[tuple[int, int], _Pair], first: int, last: int) -> Array | None:
    """Return first → last by way of the frame between them, if both steps are known."""
    here, there = pairs.get((first, first + 1)), pairs.get((first + 1, last))
    if last - first != 2 or here is None or there is None:
        return None
    product = there.result.matrix @ here.result.matrix
    return np.asarray(product / product[2, 2])


def _match(
    one: Pyramid, two: Pyramid, model: MotionModel, known: Array | None
) -> PairResult | None:
    """Register a pair from the first starting point that leads to agreement; None if none does."""
    if model == "none":
        return PairResult(np.eye(3), np.eye(2), 1.0)
    best: PairResult | None = None
    for result in _attempts(one, two, model, known):
        if best is None or result.agreement > best.agreement:
            best = result
        if best.agreement >= _GOOD_AGREEMENT:
            break
    return best if best is not None and best.agreement >= MIN_AGREEMENT else None


def _attempts(
    one: Pyramid, two: Pyramid, model: MotionModel, known: Array | None
) -> Iterator[PairResult]:
    if known is not None:
        yield register_pair(one, two, model=model, initial=known, refine_only=True)
    yield register_pair(one, two, model=model)
    for start in starting_points(one, two, model):
        yield register_pair(one, two, model=model, initial=start)


def _linked(pairs: list[_Pair], count: int, reference: int) -> set[int]:
    """Return the frames that pairs connect with the reference."""
    neighbours: dict[int, set[int]] = {i: set() for i in range(count)}
    for pair in pairs:
        neighbours[pair.first].add(pair.second)
        neighbours[pair.second].add(pair.first)
    linked, frontier = {reference}, [reference]
    while frontier:
        for other in neighbours[frontier.pop()] - linked:
            linked.add(other)
            frontier.append(other)
    return linked


def _chain(pairs: list[_Pair], linked: set[int], reference: int) -> dict[int, Array]:
    """Return first matrices reference → frame by following pairs outwards."""
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


def _solve_geometry(
    pairs: list[_Pair],
    linked: set[int],
    reference: int,
    shape: tuple[int, int],
    model: MotionModel,
) -> dict[int, Array]:
    """Gauss-Newton on all frames' parameters at once, heavy-tailed in the pairs."""
    matrices = _chain(pairs, linked, reference)
    free = sorted(linked - {reference})
    if not free:
        return matrices
    place = {frame: k for k, frame in enumerate(free)}
    count = PARAMETER_COUNT[model]
    points = _grid_points(shape)
    jacobian = basis(points, shape, model).reshape(-1, count)
    to_parameters = np.linalg.pinv(jacobian)
    for _ in range(_ROUNDS):
        system = _System(len(free), count, place)
        for pair in pairs:
            via = apply(pair.result.matrix, apply(matrices[pair.first], points))
            misfit = (via - apply(matrices[pair.second], points)).ravel()
            rms = np.sqrt(np.mean(misfit**2) * 2)
            trust = 1 / (1 + (rms / _PAIR_TAIL_PX) ** 2)
            system.add_difference(
                pair.first, pair.second, to_parameters @ misfit, trust * pair.result.information
            )
        if model == "similarity":
            _add_smooth_magnification(system, matrices, shape)
        update = system.solve()
        for frame, k in place.items():
            matrices[frame] = matrices[frame] @ increment(update[k], shape, model)
            matrices[frame] /= matrices[frame][2, 2]
        if np.abs(update).max() < 1e-3:
            break
    return matrices


class _System:
    """Sparse normal equations over the free frames' parameters."""

    def __init__(self, frames: int, count: int, place: dict[int, int]) -> None:
        self._size, self._count, self._place = frames * count, count, place
        self._entries: list[tuple[Array, Array, Array]] = []
        self._right = np.zeros(frames * count)

    def add(self, coefficients: dict[int, Array], target: Array, weight: Array) -> None:
        """Add ``|sum(coefficients[f] @ parameters[f]) - target|²`` under ``weight``."""
        known = {self._place[f]: c for f, c in coefficients.items() if f in self._place}
        span = np.arange(self._count)
        for k, left in known.items():
            self._right[k * self._count + span] += left.T @ weight @ target
            for m, right in known.items():
                rows, columns = np.meshgrid(
                    k * self._count + span, m * self._count + span, indexing="ij"
                )
                self._entries.append(
                    (rows.ravel(), columns.ravel(), (left.T @ weight @ right).ravel())
                )

    def add_difference(self, first: int, second: int, target: Array, weight: Array) -> None:
        """Ask that the second frame's parameters minus the first's be ``target``."""
        one = np.eye(self._count)
        self.add({first: -one, second: one}, target, weight)

    def solve(self) -> Array:
        """Return parameters, shape (frames, count)."""
        rows, columns, values = (np.concatenate([e[n] for e in self._entries]) for n in range(3))
        matrix = csr_array((values, (rows, columns)), shape=(self._size, self._size))
        return np.asarray(spsolve(matrix.tocsc(), self._right)).reshape(-1, self._count)


def _add_smooth_magnification(
    system: _System, matrices: dict[int, Array], shape: tuple[int, int]
) -> None:
    """Ask for small second differences of the log magnification, heavy-tailed.

    A dropped slice makes one large difference; the heavy tail lets it stand.
    """
    half = max(shape) / 2
    size = {i: half * np.log(FrameTransform(m).magnification) for i, m in matrices.items()}
    row = np.zeros((1, 4))
    row[0, 2] = 1
    for i in sorted(size):
        if i - 1 in size and i + 1 in size:
            bend = size[i - 1] - 2 * size[i] + size[i + 1]
            trust = 1 / (_SMOOTH_PX**2 * (1 + (bend / (3 * _SMOOTH_PX)) ** 2))
            system.add(
                {i - 1: row, i: -2 * row, i + 1: row}, np.array([-bend]), np.array([[trust]])
            )


def _grid_points(shape: tuple[int, int]) -> Array:
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, 5), np.linspace(0, shape[0] - 1, 5))
    return np.stack([x.ravel(), y.ravel()], 1)


def _residuals(
    pairs: list[_Pair], matrices: dict[int, Array], shape: tuple[int, int]
) -> dict[int, float]:
    """Return each frame's rms disagreement with its pair measurements at corners and centre."""
    points = check_points(shape)
    squares: dict[int, list[float]] = {}
    for pair in pairs:
        via = apply(pair.result.matrix, apply(matrices[pair.first], points))
        misfit = float(np.mean(np.sum((via - apply(matrices[pair.second], points)) ** 2, axis=1)))
        squares.setdefault(pair.first, []).append(misfit)
        squares.setdefault(pair.second, []).append(misfit)
    return {i: float(np.sqrt(np.mean(values))) for i, values in squares.items()}


def _jumps(matrices: dict[int, Array], shape: tuple[int, int]) -> dict[int, float]:
    """Return how far each frame's centre lies off the line through its neighbours' centres."""
    centre = check_points(shape)[-1:]
    place = {i: apply(m, centre)[0] for i, m in matrices.items()}
    jumps = {}
    for i in place:
        others = [k for k in (i - 2, i - 1, i + 1, i + 2) if k in place]
        if len(others) >= 3:
            expected = np.median([place[k] for k in others], axis=0)
            jumps[i] = float(np.hypot(*(place[i] - expected)))
    return jumps


def _solve_exposure(
    pairs: list[_Pair], linked: set[int], reference: int
) -> dict[int, tuple[float, float]]:
    """Return (log gain, falloff) of every linked frame against the reference."""
    measured = [p for p in pairs if p.exposure is not None]
    order = sorted(linked)
    column = {frame: k for k, frame in enumerate(order)}
    rows = np.zeros((len(measured) + 1, len(order)))
    right = np.zeros((len(measured) + 1, 2))
    for k, pair in enumerate(measured):
        rows[k, column[pair.second]], rows[k, column[pair.first]] = 1, -1
        right[k] = pair.exposure
    rows[-1, column[reference]] = 1
    weight = np.ones(len(rows))
    solution = np.zeros((len(order), 2))
    for _ in range(5):
        solution = np.linalg.lstsq(rows * weight[:, None], right * weight[:, None], rcond=None)[0]
        left = np.abs(rows @ solution - right)[:, 0]
        weight = 1 / np.sqrt(1 + (left / 0.01) ** 2)
    significant = np.abs(solution[:, 1]).max() > _FALLOFF_FLOOR
    falloff = solution[:, 1] if significant else np.zeros(len(order))
    return {i: (float(solution[k, 0]), float(falloff[k])) for i, k in column.items()}

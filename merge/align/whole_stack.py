"""All frames of a stack against one reference frame.

Every frame is compared with its two predecessors, so errors do not simply add up and one bad frame
does not cut the chain. The pair measurements, each with its certainty, are then solved together,
with a magnification that changes smoothly along the stack.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from merge.align.exposure import compare_exposure
from merge.align.motion import apply, check_points, rescale
from merge.align.pair import PairResult, Pyramid, TileShifts, build_pyramid, register_pair
from merge.align.solve import PairMeasurement, solve_geometry
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
# Shares of exposure change that are measurement noise, not light.
_FALLOFF_FLOOR = 0.004
_NOTHING = (np.empty((0, 2)), np.empty((0, 2)), np.empty((0, 2, 2)))


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
        matrices = solve_geometry(pairs, linked, middle, small, model)
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
) -> tuple[list[PairMeasurement], int]:
    """Compare every picture with the two before it."""
    recent: deque[tuple[int, Pyramid]] = deque(maxlen=2)
    pairs: dict[tuple[int, int], PairMeasurement] = {}
    count = 0
    for index, picture in enumerate(pictures):
        pyramid = build_pyramid(linearize(picture, transfer))
        for earlier, other in reversed(recent):
            known = _through(pairs, earlier, index)
            result = _match(other, pyramid, model, known)
            if result is not None:
                exposure = compare_exposure(other, pyramid, result.matrix)
                pairs[earlier, index] = PairMeasurement(earlier, index, result, exposure)
        recent.append((index, pyramid))
        count = index + 1
    return list(pairs.values()), count


def _through(pairs: dict[tuple[int, int], PairMeasurement], first: int, last: int) -> Array | None:
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
        return PairResult(np.eye(3), 1.0, TileShifts(*_NOTHING))
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


def _linked(pairs: list[PairMeasurement], count: int, reference: int) -> set[int]:
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


def _residuals(
    pairs: list[PairMeasurement], matrices: dict[int, Array], shape: tuple[int, int]
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
    pairs: list[PairMeasurement], linked: set[int], reference: int
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

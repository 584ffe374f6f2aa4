"""Two frames of a stack against each other, from whatever start leads to a good correlation."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np

from merge.align.motion import apply, check_points
from merge.align.pair import (
    NO_TILES,
    PairResult,
    Pyramid,
    correlation_beyond_noise,
    likeness_at,
    register_pair,
    telling,
    unexplained_px,
)
from merge.align.start import DISTINCT, shift_of_detail, starting_points
from merge.model import Array, FloatArray, MotionModel

# Bands of pictures of one scene agree better than this after registration, those of different
# scenes worse (photograph scenes: neighbours 0.98, first against last 0.84; upside down, another
# scene or noise below 0.2).
_MIN_CORRELATION = 0.5
# A pair that agrees less than this is tried from other starting points too, and one whose sharp
# tiles lie farther beside its motion: a wrong place, where what is blurred agrees alone, or sway.
# So is one whose size changes otherwise by more than that.
_GOOD_CORRELATION, _BESIDE_PX = 0.85, 1.0
# Side of pictures on which scenes are told apart, and their overlap is taken; frames of one scene
# correlate by more than this under any defocus, others by up to 0.63 by chance.
_SCENE_PX, ONE_SCENE = 32, 0.8


def likeness(one: FloatArray, other: FloatArray) -> float:
    """Return the correlation of two small pictures, coarse, at the best small shift."""
    side = _SCENE_PX / max(one.shape)
    size = (max(round(one.shape[1] * side), 8), max(round(one.shape[0] * side), 8))
    a, b = (
        cv2.GaussianBlur(cv2.resize(np.sqrt(np.maximum(p, 0)), size), (0, 0), 1.0)
        for p in (one, other)
    )
    inner = a[size[1] // 8 : -(size[1] // 8), size[0] // 8 : -(size[0] // 8)]
    return float(cv2.matchTemplate(b, inner, cv2.TM_CCOEFF_NORMED).max())


def match_frames(one: Pyramid, two: Pyramid, model: MotionModel, known: Array | None) -> PairResult:
    """Register a pair from the first starting point that leads to a good correlation, or the best.

    The best agrees over most of the picture: what lies outside the other frame agrees with nothing,
    or a pattern that repeats would fit best far away, where a small part is left to compare. And
    where the sharp part of such a pattern is another one in each frame, all else is elsewhere then.
    """
    if model == "none":
        return PairResult(np.eye(3), 1.0, NO_TILES)
    tried: list[PairResult] = []
    for result in _attempts(one, two, model, known):
        tried.append(result)
        told = result.tiles
        beside_px = unexplained_px(told.shifts, told.certainty) if known is None else 0.0
        if result.correlation >= _GOOD_CORRELATION and beside_px < _BESIDE_PX:
            break
    best = tried[0]
    if len(tried) > 1:
        best = max(tried, key=lambda r: _worth(one, two, r))
    if not telling(best.tiles.certainty).any():
        best = _by_detail(one, two, model, best.matrix) or best
    if best.correlation < _MIN_CORRELATION:
        coarse = correlation_beyond_noise(one, two, best.matrix)
        if coarse >= _GOOD_CORRELATION:  # one scene: 0.87 and more, others: up to 0.62
            best = replace(best, correlation=coarse, coarse=True)
    return best


def shows_one_scene(one: Pyramid, two: Pyramid, result: PairResult) -> bool:
    """Tell whether two registered pictures agree, in their bands and in the light beneath.

    Blurred pictures have few independent places: bands of other scenes agree by up to 0.9 by
    chance, but no tile tells anything then, and light agrees by 0.63 at most. Where tiles tell,
    light may differ: clouds move it, and blur that mixes stored values.
    """
    if result.correlation < _MIN_CORRELATION:
        return False
    if result.coarse or result.tiles is NO_TILES:  # known by its coarse bands, or not compared
        return True
    if result.correlation >= _GOOD_CORRELATION and telling(result.tiles.certainty).any():
        return True
    return likeness_at(one, two, result.matrix) > ONE_SCENE


def match_as_before(
    one: Pyramid, two: Pyramid, model: MotionModel, found: PairResult, before: Array
) -> PairResult:
    """Return what was found, or what agrees far better with the size changed as in the step before.

    A pattern that repeats fits with many sizes; those of a bracket change evenly.
    """
    if model in ("none", "shift") or found.correlation < _MIN_CORRELATION:
        return found
    points = check_points(one.shape)
    own, other = (apply(m, points) - points for m in (found.matrix, before))
    own, other = own - own[-1], other - other[-1]  # the centre comes last
    if np.linalg.norm(own - other, axis=1).max() < _BESIDE_PX:
        return found
    start = before.copy()
    start[:2, 2] += apply(found.matrix, points[-1:])[0] - apply(before, points[-1:])[0]
    again = register_pair(one, two, model=model, initial=start, refine_only=True)
    better = _worth(one, two, again) > _worth(one, two, found)
    return again if better and 1 - again.correlation < DISTINCT * (1 - found.correlation) else found


def _by_detail(one: Pyramid, two: Pyramid, model: MotionModel, found: Array) -> PairResult | None:
    """Register a pair whose tiles tell nothing by what is sharp in both, if there is such.

    And if that does not lie where ``found`` has it: from there the same would be found.
    """
    shift = shift_of_detail(one, two)
    if shift is None:
        return None
    start, exact_px = shift
    points = check_points(one.shape)
    if np.linalg.norm(apply(start, points) - apply(found, points), axis=1).max() <= exact_px:
        return None
    result = register_pair(one, two, model=model, initial=start, refine_only=True)
    agrees = result.correlation >= _MIN_CORRELATION and telling(result.tiles.certainty).any()
    return result if agrees else None


def _worth(one: Pyramid, two: Pyramid, result: PairResult) -> float:
    alike = result.correlation + likeness_at(one, two, result.matrix)
    return alike * _overlap(result.matrix, one.shape)


def _overlap(matrix: Array, shape: tuple[int, int]) -> float:
    """Return the share of a picture that lies inside the other."""
    rows, columns = np.indices((_SCENE_PX, _SCENE_PX)).reshape(2, -1)
    unit = (np.stack([columns, rows], 1) + 0.5) / _SCENE_PX
    moved = apply(matrix, unit * shape[::-1]) / shape[::-1]
    return float(((moved >= 0) & (moved <= 1)).all(axis=1).mean())


def _attempts(
    one: Pyramid, two: Pyramid, model: MotionModel, known: Array | None
) -> Iterator[PairResult]:
    if known is not None:
        yield register_pair(one, two, model=model, initial=known, refine_only=True)
    yield register_pair(one, two, model=model)
    for start in starting_points(one, two, "similarity" if model == "auto" else model):
        yield register_pair(one, two, model=model, initial=start)

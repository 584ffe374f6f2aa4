"""Starting points for pairs that are far apart: a moved tripod, a hand-held series."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from merge.align.band import finest_wave
from merge.align.motion import resample
from merge.align.pair import KEPT_SIDE_PX, Pyramid
from merge.model import Array, FloatArray, MotionModel

# Side of pictures and number of features: bounds on time; half or twice as many start as well.
_PHASE_SIDE_PX = 400
_FEATURES = 2000
# A match counts when it is this much closer than the second best (D. G. Lowe, IJCV 60(2), 2004).
DISTINCT = 0.75
# Chance makes three or four agree to within the 3 px that OpenCV takes; what is found is refined.
_FEWEST_MATCHES = 12


def shift_of_detail(one: Pyramid, two: Pyramid) -> tuple[Array, float] | None:
    """Return the shift of the finest detail, whatever all else does, and how exact it is, in px.

    Where few things are sharp before a backdrop that moves otherwise, there is only the backdrop to
    see from afar. Not whitened: the strongest detail decides. None where it fits elsewhere, too, as
    a pattern that repeats does, or noise.
    """
    (depth, a), (_, b) = one.waves, two.waves
    alike = np.fft.irfft2(np.conj(a) * b, one.bands[depth].shape)
    size = np.array(alike.shape)
    place = np.array(np.unravel_index(int(alike.argmax()), alike.shape))
    alike = np.roll(alike, size // 2 - place, (0, 1))  # the best into the middle
    best = alike[tuple(size // 2)]
    beside = round(4 * np.pi / finest_wave())  # two waves on, nothing is left of the best fit
    middle = [slice(n // 2 - beside, n // 2 + beside + 1) for n in alike.shape]
    alike[tuple(middle)] = 0
    if alike.max() > DISTINCT * best:
        return None
    matrix = np.eye(3)
    matrix[:2, 2] = ((place + size // 2) % size - size // 2)[::-1]
    return resample(matrix, 2.0**depth), 2.0**depth


def starting_points(one: Pyramid, two: Pyramid, model: MotionModel) -> Iterator[Array]:
    """Yield guesses for the map first → second, the cheapest first: phase correlation, features."""
    yield _by_phase(one, two)
    if model != "shift":
        guess = _by_features(one, two, model)
        if guess is not None:
            yield guess


def _level(pyramid: Pyramid, longest: int) -> tuple[FloatArray, float]:
    """Return the finest level with no side above ``longest``, and its reduction."""
    fitting = [k for k, level in pyramid.levels.items() if max(level.shape) <= longest]
    depth = min(fitting, default=max(pyramid.levels))
    return pyramid.levels[depth], 2.0**depth


def _by_phase(one: Pyramid, two: Pyramid) -> Array:
    a, factor = _level(one, _PHASE_SIDE_PX)
    b, _ = _level(two, _PHASE_SIDE_PX)
    window = cv2.createHanningWindow(a.shape[::-1], cv2.CV_32F)

    def detail(picture: FloatArray) -> FloatArray:
        return np.sqrt(np.maximum(picture, 0)) - cv2.GaussianBlur(
            np.sqrt(np.maximum(picture, 0)), (0, 0), 8
        )

    (dx, dy), _ = cv2.phaseCorrelate(detail(a), detail(b), window)
    matrix = np.eye(3)
    matrix[:2, 2] = dx, dy
    return resample(matrix, factor)


def _by_features(one: Pyramid, two: Pyramid, model: MotionModel) -> Array | None:
    a, factor = _level(one, KEPT_SIDE_PX)
    b, _ = _level(two, KEPT_SIDE_PX)
    sift = cv2.SIFT_create(_FEATURES)
    found = []
    for picture in (a, b):
        coded = np.sqrt(np.clip(picture, 0, 1))
        found.append(sift.detectAndCompute((coded * 255).astype(np.uint8), None))
    (points_a, marks_a), (points_b, marks_b) = found
    if marks_a is None or marks_b is None or min(len(points_a), len(points_b)) < _FEWEST_MATCHES:
        return None
    pairs = cv2.BFMatcher().knnMatch(marks_a, marks_b, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < DISTINCT * p[1].distance]
    if len(good) < _FEWEST_MATCHES:
        return None
    source = np.array([points_a[m.queryIdx].pt for m in good], np.float64)
    target = np.array([points_b[m.trainIdx].pt for m in good], np.float64)
    cv2.setRNGSeed(0)  # the same pictures always give the same answer
    matrix: Array | None
    if model == "perspective":
        matrix, inliers = cv2.findHomography(source, target, cv2.RANSAC)
    else:
        top, inliers = cv2.estimateAffinePartial2D(source, target, method=cv2.RANSAC)
        matrix = None if top is None else np.vstack([top, [0, 0, 1]])
    if matrix is None or int(inliers.sum()) < _FEWEST_MATCHES:
        return None
    return resample(matrix, factor)

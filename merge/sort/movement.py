"""How far focus moved between shots of one scene, told by where they are sharp."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.sort.likeness import SceneDescriptor

# Of what shaking and moving focus share, the change over the whole picture, this part counts
# (as a variance). A bracket also changes one part of the picture against another.
_COMMON = 0.25
# Correlation from which on the affine fit of two thumbnails is believed.
_ALIGNED = 0.5
# Iterations and gain at which that fit stops; a thumbnail's pixel is a third of a tile.
_CRITERIA = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 15, 1e-3)
# Shift from shot to shot, in pixels of the thumbnail, from which a camera is in the hand; fits of
# shots from a tripod are off by 0.02, with strong blur or wind by 0.1.
_HELD_PX = 0.25
# Part that a change counts (as a variance), with the camera in the hand, when all became softer or
# all sharper: shake does that, focus softens one place and sharpens another.
_SHAKEN = 0.25
# Share of tiles that must be seen in every shot to compare them all at once.
_SEEN = 0.3


@dataclass(frozen=True, eq=False)
class Movement:
    """Shots of one scene against each other.

    Attributes
    ----------
    squared : ndarray, shape (n, n), float64
        Mean squared difference of log energies over the textured tiles, after laying the shots
        over each other: near 0.02 for one focus, growing with the way that focus went.
    centres : ndarray, shape (n, 2), float64
        (row, column), 0 to 1, of the middle of what is sharpest in each shot.
    sizes : ndarray, shape (n,), float64
        Magnification of each shot against the first.
    held : bool
        The camera itself moved between most shots: it was in the hand.
    """

    squared: NDArray[np.float64]
    centres: NDArray[np.float64]
    sizes: NDArray[np.float64]
    held: bool = False


def compare_focus(seen: list[SceneDescriptor]) -> Movement:
    """Lay shots of one scene over each other and compare where they are sharp."""
    if len(seen) == 1:
        return Movement(np.zeros((1, 1)), np.full((1, 2), 0.5), np.ones(1))
    ways = _chain(seen)
    energy, inside = _lay_over(seen, ways)
    noise = np.stack([one.noise for one in seen]).max(axis=0)
    detail = np.log(energy + noise)
    # A tile tells something when it shows detail above the noise in its sharpest shot.
    weight = np.clip(detail[..., 0].max(axis=0) - np.log(noise[0]) - 0.7, 0.0, 2.0) * inside
    total = float(weight.sum())
    sizes = np.array([np.sqrt(abs(np.linalg.det(way[:2, :2]))) for way in ways])
    held = _is_held(ways, seen[0].view.shape)
    if total <= 0:
        return Movement(np.zeros((len(seen),) * 2), np.full((len(seen), 2), 0.5), sizes, held)
    centres = _centres(detail[..., 0], weight)
    squared = _distances(detail, weight, total)
    if held:
        squared = squared * (_SHAKEN + (1 - _SHAKEN) * _balance(detail, weight))
    return Movement(squared, centres, sizes, held)


def _is_held(ways: list[NDArray[np.float64]], shape: tuple[int, ...]) -> bool:
    """Tell whether the picture's centre moves from shot to shot; breathing leaves it in place."""
    centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2, 1.0])
    places = np.stack([(way @ centre)[:2] for way in ways])
    steps = np.hypot(*np.diff(places, axis=0).T)
    return bool(np.median(steps) > _HELD_PX)


def _chain(seen: list[SceneDescriptor]) -> list[NDArray[np.float64]]:
    """Return the affine way from the first thumbnail to each, joined from neighbours.

    Neighbours are blurred alike; a fit of the first against the last of a bracket may fail.
    """
    ways = [np.eye(3)]
    for first, second in itertools.pairwise(seen):
        ways.append(_align(first.view, second.view) @ ways[-1])
    return ways


def _align(first: NDArray[np.float32], second: NDArray[np.float32]) -> NDArray[np.float64]:
    window = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    # The library multiplies its arguments by the window, in place.
    (dx, dy), _ = cv2.phaseCorrelate(first.copy(), second.copy(), window)
    shift = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    found = np.eye(3)
    found[:2] = shift
    try:
        fit, matrix = cv2.findTransformECC(
            first, second, shift.copy(), cv2.MOTION_AFFINE, _CRITERIA, None, 1
        )
    except cv2.error:  # it did not converge; the shift remains
        return found
    if fit > _ALIGNED and abs(np.linalg.det(matrix[:, :2]) - 1) < 0.2:
        found[:2] = matrix
    return found


def _lay_over(
    seen: list[SceneDescriptor], ways: list[NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return energies in the first shot's place, and which tiles every shot shows."""
    rows, columns = seen[0].energy.shape[:2]
    scale = np.diag([columns / seen[0].view.shape[1], rows / seen[0].view.shape[0], 1.0])
    moved, masks, whole = [], [], np.ones((rows, columns), np.float32)
    for one, way in zip(seen, ways, strict=True):
        matrix = (scale @ way @ np.linalg.inv(scale))[:2].astype(np.float32)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (columns, rows)
        moved.append(
            cv2.warpAffine(one.energy, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        )
        masks.append(cv2.warpAffine(whole, matrix, size, flags=flags))
    inside = np.min(masks, axis=0) > 0.99
    if inside.mean() < _SEEN:
        # A camera that follows something: no place is in all shots.
        inside = np.mean(masks, axis=0) > 0.5
    return np.maximum(np.stack(moved), 0.0).astype(np.float64), inside.astype(np.float64)


def _distances(
    detail: NDArray[np.float64], weight: NDArray[np.float64], total: float
) -> NDArray[np.float64]:
    """Return mean squared differences; neighbouring tiles are averaged first against noise."""
    count, _, _, bands = detail.shape
    around = cv2.blur(weight, (3, 3), borderType=cv2.BORDER_CONSTANT) + 1e-9
    rows = []
    for shot in detail:
        smooth = [
            cv2.blur(shot[..., b] * weight, (3, 3), borderType=cv2.BORDER_CONSTANT) / around
            for b in range(bands)
        ]
        values = np.stack(smooth)
        common = (values * weight).sum(axis=(1, 2), keepdims=True) / total
        apart = (values - common) * np.sqrt(weight / total)
        rows.append(np.concatenate([apart.ravel(), np.sqrt(_COMMON) * common.ravel()]))
    flat = np.stack(rows)
    flat -= flat.mean(axis=0)
    # |a - b|² from inner products: a day of one scene must not fill memory with differences.
    power = (flat**2).sum(axis=1)
    squared = power[:, None] + power[None, :] - 2 * flat @ flat.T
    np.fill_diagonal(squared, 0.0)
    return np.asarray(np.maximum(squared, 0.0).reshape(count, count))


def _balance(detail: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return, for every two shots, 1 where as much became sharper as softer, 0 for one of them."""
    count = len(detail)
    values = (detail[..., 0] * weight).reshape(count, -1)
    balance = np.ones((count, count))
    for i in range(count - 1):
        change = values[i + 1 :] - values[i]
        more, less = np.maximum(change, 0).sum(axis=1), np.maximum(-change, 0).sum(axis=1)
        balance[i, i + 1 :] = 2 * np.minimum(more, less) / np.maximum(more + less, 1e-12)
        balance[i + 1 :, i] = balance[i, i + 1 :]
    return balance


def _centres(fine: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (row, column), 0 to 1, of the middle of what is sharpest in each shot."""
    gain = np.exp(fine - fine.max(axis=0)) ** 2 * weight
    rows, columns = weight.shape
    total = gain.sum(axis=(1, 2)) + 1e-12
    row = gain.sum(axis=2) @ (np.arange(rows) + 0.5) / total / rows
    column = gain.sum(axis=1) @ (np.arange(columns) + 0.5) / total / columns
    return np.stack([row, column], axis=1)

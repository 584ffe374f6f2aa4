"""From aligned frames and their depth map to moving parts."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import DepthMap, FloatArray
from merge.moving.compare import (
    AROUND_PX,
    FACTOR,
    Misaligned,
    Pictures,
    Valid,
    compare_frames,
    focus_places,
    halve,
)
from merge.moving.parts import (
    IntArray,
    MovingPart,
    MovingParts,
    box_of,
    enlarge_labels,
    nothing_moved,
)
from merge.moving.regions import CERTAIN, MovingRegions, find_moving_regions
from merge.moving.seams import take_parts


def find_moving_parts(
    pictures: Pictures,
    depth: DepthMap,
    positions_px: NDArray[np.float64] | None,
    *,
    reduction: int = 1,
    valid: Valid | None = None,
    sways: NDArray[np.float64] | None = None,
    misaligned: Misaligned | None = None,
) -> MovingParts:
    """Return what moved between the frames that a merge by depth would use.

    Parameters
    ----------
    pictures : sequence of N ndarrays, shape (h, w, C), float
        Aligned frames in their own encoding, [0, 1]; read in order, in part thrice if something
        moved.
    depth : DepthMap, shape (h, w)
        In frames.
    positions_px : ndarray, shape (N,), or None
        Frames on the focus axis, px of blur-circle diameter at full size; None if unknown.
    reduction : int
        Full-size pixels for one of the pictures.
    valid : callable, optional
        Returns where frame k has pixels of its own, (h, w) bool, or None for everywhere.
    sways : ndarray, shape (N, 2), optional
    misaligned : callable, optional
        See `compare_frames`.

    Returns
    -------
    MovingParts
        A part of up to 6 % of the picture comes from one frame, that in which it shows most detail
        and agrees best with its neighbours; what surrounds it there, where that is sharper in
        its own frame, from that one. A larger part would be out of focus in one frame: every place
        of it comes from the one frame nearest to its depth (a median), without mixing, or, where
        most frames look otherwise there, from the sharpest of these.

    Notes
    -----
    Motion of less than about 4 px (more where focus steps are wide), and of things without texture
    or outline, is not found; nor is a thing that stood still in all frames near its own depth.
    """
    shape = depth.position.shape
    if len(pictures) < 2 or min(shape) <= 2 * AROUND_PX * FACTOR:
        return nothing_moved(shape)
    position = cv2.medianBlur(halve(depth.position), 3)
    places_px = focus_places(positions_px, len(pictures), reduction)
    evidence = compare_frames(pictures, position, places_px, valid, sways, misaligned)
    regions = find_moving_regions(evidence, position)
    if not regions.labels.any():
        return nothing_moved(shape)
    frames, taken = take_parts(pictures, regions, position, places_px)
    return _describe(regions, frames, taken, evidence, shape)


def _describe(
    regions: MovingRegions,
    frames: IntArray,
    taken: IntArray,
    evidence: FloatArray,
    shape: tuple[int, ...],
) -> MovingParts:
    """Return the parts at the size of the pictures, largest first."""
    used, labels = np.unique(taken, return_inverse=True)
    labels = labels.reshape(taken.shape)
    if used[0] >= 0:  # everything moves
        used, labels = np.concatenate([[-1], used]), labels + 1
    parts = []
    for label in range(1, len(regions.follows_depth)):
        mask = regions.labels == label
        if regions.follows_depth[label]:
            sources = tuple(int(k) for k in np.unique(taken[mask]))
        else:
            sources = (int(frames[label]),)
        top, left, height, width = (FACTOR * n for n in box_of(mask))
        box = (top, left, min(height, shape[0] - top), min(width, shape[1] - left))
        area = int(mask.sum()) * FACTOR**2
        parts.append(MovingPart(box, area, sources, float(evidence[mask].max()), CERTAIN))
    parts.sort(key=lambda part: -part.area_px)
    large = enlarge_labels(labels.astype(np.int32), FACTOR, shape)
    return MovingParts(large, np.maximum(used, 0).astype(np.int32), tuple(parts))

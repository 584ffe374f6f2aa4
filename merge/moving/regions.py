"""Where something moved: from evidence at every place to parts, at the compared size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from merge.model import BoolArray, FloatArray
from merge.moving.compare import AROUND_PX, LESSER_SHARE, NEAR_FRAMES
from merge.moving.parts import IntArray, box_of

# Evidence that some place of a part must reach, and all others half of: still scenes stay below 5.6
# (rendered macro), a texture that moves by its own size reaches 15 to 30.
CERTAIN = 7.5
# More pieces than this, of water for instance, are not told apart, as all pairs are compared.
_MOST_PIECES = 400
# Up to this share of the picture a part comes from one frame: a person, a branch. How deep a larger
# one is cannot be told from its depth map, where copies of a thing and water look alike; it
# would mostly be out of focus in one frame.
_WHOLE_SHARE = 0.06


@dataclass(frozen=True, eq=False)
class MovingRegions:
    """Parts that moved, at the compared size.

    Attributes
    ----------
    labels : ndarray, shape (h, w), int32
        0 where everything held still.
    follows_depth : ndarray, shape (L + 1,), bool
        True for labels that are too large for one frame.
    """

    labels: IntArray
    follows_depth: BoolArray


def find_moving_regions(evidence: FloatArray, position: FloatArray) -> MovingRegions:
    """Return the parts that moved.

    Parameters
    ----------
    evidence : ndarray, shape (h, w), float32
        From `compare_frames`.
    position : ndarray, shape (h, w), float32
        Depth in frames.
    """
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    likely = cv2.morphologyEx((evidence > CERTAIN / 2).astype(np.uint8), cv2.MORPH_CLOSE, disk)
    count, regions = cv2.connectedComponents(likely, connectivity=4)
    strongest = np.zeros(count, np.float32)
    np.maximum.at(strongest, regions.ravel(), evidence.ravel())
    kept = strongest >= CERTAIN
    kept[0] = False
    mask = kept[regions]
    if not mask.any():
        return MovingRegions(np.zeros(position.shape, np.int32), np.zeros(1, bool))
    labels = _link(_split_by_depth(mask, position), position)
    follows_depth = np.bincount(labels.ravel()) > _WHOLE_SHARE * labels.size
    follows_depth[0] = False
    return MovingRegions(labels, follows_depth)


def frames_by_depth(mask: BoolArray, position: FloatArray) -> IntArray:
    """Return the frame nearest to the depth around every place of a part that follows its depth.

    Parameters
    ----------
    mask : ndarray, shape (h, w), bool
        Where the part is; what lies outside does not count.
    position : ndarray, shape (h, w), float32
        Depth in frames.

    Returns
    -------
    ndarray, shape (mask.sum(),), int32
        A median over a window: speckles go, depth steps stay.
    """
    top, left, height, width = box_of(mask)
    area = np.s_[top : top + height, left : left + width]
    inside = mask[area]
    nearest = ndimage.distance_transform_edt(~inside, return_distances=False, return_indices=True)
    filled = position[area][tuple(nearest)]
    return median_frames(filled)[inside]


def median_frames(frames: FloatArray | IntArray) -> IntArray:
    """Return the median of frames over a window, to the nearest of up to 256 of them, (h, w)."""
    fine = min(1.0, 255 / max(float(frames.max()), 1.0))
    rough = np.round(np.maximum(frames, 0) * fine).astype(np.uint8)
    return np.round(cv2.medianBlur(rough, 2 * AROUND_PX + 1) / fine).astype(np.int32)


def _split_by_depth(mask: BoolArray, position: FloatArray) -> IntArray:
    """Return connected pieces of nearly one depth as labels; tiny ones join their neighbours."""
    size = int(mask.sum())
    index = np.full(mask.shape, -1, np.int32)
    index[mask] = np.arange(size)
    ends = []
    for one, two in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        joined = mask[one] & mask[two]
        joined &= np.abs(position[one] - position[two]) <= NEAR_FRAMES
        ends.append((index[one][joined], index[two][joined]))
    rows, columns = (np.concatenate(e) for e in zip(*ends, strict=True))
    graph = coo_matrix((np.ones(len(rows), np.int8), (rows, columns)), shape=(size, size))
    _, piece = connected_components(graph, directed=False)
    area = np.bincount(piece)
    least = max(AROUND_PX**2, np.sort(area)[-_MOST_PIECES:][0])
    labels = np.zeros(mask.shape, np.int32)
    labels[mask] = np.where(area[piece] >= least, piece + 1, 0)
    # A connected region without any piece of that size is one piece.
    count, regions = cv2.connectedComponents(mask.astype(np.uint8), connectivity=4)
    named = np.zeros(count, bool)
    named[regions[labels > 0]] = True
    bare = mask & ~named[regions]
    labels[bare] = size + regions[bare]
    from skimage.segmentation import watershed  # where something moved: slow to load

    return watershed(np.zeros(mask.shape, np.uint8), labels, mask=mask).astype(np.int32)


def _link(labels: IntArray, position: FloatArray) -> IntArray:
    """Return labels 1, 2, ... where pieces of one thing share one.

    They are of one depth and no farther apart than the smaller is large, or a small piece beside a
    large one: the blur of a thing moves, too, over what lies behind it.
    """
    values, compact = np.unique(labels, return_inverse=True)
    compact = compact.reshape(labels.shape).astype(np.int32)
    index = np.arange(1, len(values))
    boxes = ndimage.find_objects(compact)
    starts = np.array([[s.start for s in box] for box in boxes])
    ends = np.array([[s.stop for s in box] for box in boxes])
    depths = ndimage.median(position, compact, index)
    areas = np.bincount(compact.ravel())[1:]
    sizes = (ends - starts).max(axis=1)
    gaps = np.maximum(starts[:, None] - ends[None], starts[None] - ends[:, None])
    near = gaps.max(axis=2) <= np.minimum(sizes[:, None], sizes[None])
    alike = np.abs(depths[:, None] - depths[None]) <= NEAR_FRAMES
    beside = (gaps.max(axis=2) <= AROUND_PX) & (areas[:, None] < LESSER_SHARE * areas[None])
    near = (near & alike) | beside
    _, group = connected_components(coo_matrix(near), directed=False)
    return np.concatenate([[0], group + 1]).astype(np.int32)[compact]

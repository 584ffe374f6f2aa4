"""Clipped highlights keep their size.

Out of focus, a highlight far brighter than white becomes a disk that is clipped as well, with a rim
as sharp as the highlight's own. A measure of detail takes that rim for detail, so that the
highlight of the merged picture would grow to its largest disk. The frame in focus is the one that
shows it smallest.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from merge.depth.measuring import REACH_WIDE
from merge.model import BoolArray, DepthMap, FloatArray
from merge.scratch import ScratchStack, as_floats
from merge.threads import FRAMES_AT_ONCE, work_ahead
from merge.tiles import Tile, grow_tile

# Values from here on are clipped, but for what averaging and resampling made of them.
_WHITE = np.float16(0.97)
# A highlight fills so much of its convex hull: what hairs cross, or a bright wire that runs through
# depth and blurs at its ends, has more than one depth (held by
# test_a_bright_wire_that_runs_through_depth_keeps_its_depths).
_COMPACT = 0.9


def settle_highlights(depth: DepthMap, pictures: ScratchStack) -> DepthMap:
    """Return a depth map with clipped highlights, and what is around, where they are smallest.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
    pictures : ScratchStack of (h, w, C), float16
        Aligned frames in their own encoding.

    Notes
    -----
    What only just clips, such as a gap in foliage, fades out of focus instead of growing, and is
    left alone.
    """
    labels = _find_highlights(pictures)
    count = int(labels.max()) + 1
    places = np.flatnonzero(labels)
    if not len(places):
        return depth
    owner = labels.ravel()[places]
    light, area = np.zeros((2, len(pictures), count))
    for k, picture in enumerate(_each_brightest(pictures)):
        brightest = picture.ravel()[places]
        light[k] = np.bincount(owner, brightest.astype(np.float32), count)
        area[k] = np.bincount(owner[brightest >= _WHITE], minlength=count)
    focus, largest = light.argmin(axis=0), area.argmax(axis=0)
    radius = np.sqrt(area / np.pi)
    smallest = radius[focus, np.arange(count)]
    # From the frame in focus on, by a pixel all round: less is noise and resampling.
    grows = (smallest > 0) & (radius.max(axis=0) >= smallest + 1)
    out = DepthMap(
        depth.position.copy(),
        depth.confidence,
        None if depth.exact is None else depth.exact.copy(),
        None if depth.beyond is None else depth.beyond.copy(),
    )
    for label, box in enumerate(ndimage.find_objects(labels), 1):
        if not (grows[label] and _is_compact(labels[box] == label)):
            continue
        area_around = grow_tile(box, REACH_WIDE, labels.shape)
        distance = _distance(labels[area_around] == label)
        around = (distance > 0) & (distance <= REACH_WIDE)
        own, wide = (
            as_floats(pictures[int(k)][area_around]) for k in (focus[label], largest[label])
        )
        # Else it does not grow, but fades into what is around, which may be as bright in a channel
        # that does not clip.
        clips = int(wide[distance == 0].mean(axis=0).argmax())
        if own[around, clips].mean() < wide[around, clips].mean():
            _hold_in(out, area_around, distance <= REACH_WIDE, int(focus[label]))
    return out


def _brightest(picture: NDArray[np.float16]) -> NDArray[np.float16]:
    """Return the largest channel; positive halves compare like their bits, which is faster."""
    bits = np.maximum(picture, np.float16(0)).view(np.uint16)
    best = bits[..., 0]
    for channel in range(1, bits.shape[2]):
        best = np.maximum(best, bits[..., channel])
    return best.view(np.float16)


def _each_brightest(pictures: ScratchStack) -> Iterator[NDArray[np.float16]]:
    """Yield every frame's largest channel, shape (h, w)."""
    frames = range(len(pictures))
    return work_ahead(lambda k: _brightest(pictures[k]), frames, threads=FRAMES_AT_ONCE)


def _find_highlights(pictures: ScratchStack) -> NDArray[np.int32]:
    """Return labels of what is clipped in some frame, (h, w)."""
    ever = np.zeros(pictures[0].shape[:2], np.uint8)
    white = _WHITE.view(np.int16)

    def clipped(k: int) -> BoolArray | None:
        picture = pictures[k]
        if picture.view(np.int16).max() < white:  # as of most frames
            return None
        return np.asarray(_brightest(picture).view(np.int16) >= white)

    for found in work_ahead(clipped, range(len(pictures)), threads=FRAMES_AT_ONCE):
        if found is not None:
            ever |= found
    return np.asarray(cv2.connectedComponents(ever)[1], np.int32)


def _is_compact(place: BoolArray) -> bool:
    """Return whether a connected place nearly fills its convex hull, as a disk does."""
    points = cv2.findNonZero(place.astype(np.uint8))
    hull = cv2.fillConvexPoly(np.zeros(place.shape, np.uint8), cv2.convexHull(points), 1)
    return bool(len(points) >= _COMPACT * np.count_nonzero(hull))


def _distance(place: BoolArray) -> FloatArray:
    return np.asarray(cv2.distanceTransform((~place).astype(np.uint8), cv2.DIST_L2, 5), np.float32)


def _hold_in(depth: DepthMap, area: Tile, place: BoolArray, frame: int) -> None:
    """Put a place within an area into one frame, in the depth map itself."""
    depth.position[area][place] = frame
    if depth.exact is not None:
        depth.exact[area][place] = frame
    if depth.beyond is not None:
        depth.beyond[area][place] = 0

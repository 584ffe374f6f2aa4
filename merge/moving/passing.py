"""What most frames agree on, where a thing that moved is too large for one frame.

Someone who walks through, or a stalk that sways, stands in few frames at any one place. Blurred
until their focus no longer tells them apart, the frames that show what stands still are alike, and
the others are left out.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import BoolArray, FloatArray
from merge.moving.compare import FACTOR, LESSER_SHARE, Pictures, blur, halve
from merge.moving.parts import IntArray
from merge.moving.regions import median_frames
from merge.moving.views import DETAIL_SIGMA_PX, believed_difference, fine_detail

# Speckles of the choice up to this size, px, go: seen at 100 % beside moving hairs, worth no dB.
_CALM_PX = 5
_STRIP_ROWS = 64
# Somewhere a thing differs from what is behind it by so many times what is believed to be alike:
# waves and textures that move do not.
_CLEARLY = 5.0


def passing_frames(
    pictures: Pictures, nearest: IntArray, places_px: NDArray[np.float64]
) -> IntArray:
    """Return for every place a frame in which it looks as in most frames.

    Parameters
    ----------
    pictures : sequence of N ndarrays, shape (2h, 2w, C)
    nearest : ndarray, shape (h, w), int32
        The frame of every place's depth: taken where it agrees, or where no majority does.
    places_px : ndarray, shape (N,)
        Frames on the focus axis, in compared pixels.

    Returns
    -------
    ndarray, shape (h, w), int32
        Elsewhere the frame with most detail of those that agree.
    """
    # At half the compared size: what is blurred needs no more.
    small = [halve(halve(pictures[k])).astype(np.float16) for k in range(len(pictures))]
    # The standard deviation of a disk is a quarter of its diameter, and most frames are within half
    # of all change of blur.
    sigma = max(float(np.ptp(places_px)) / 2 / 4, DETAIL_SIGMA_PX)
    agrees = _agreement(small, sigma)
    size = agrees.shape[2] * FACTOR, agrees.shape[1] * FACTOR
    own = cv2.resize(nearest, size, interpolation=cv2.INTER_NEAREST)
    own = own[::FACTOR, ::FACTOR]
    # A thing's rim agrees more than the thing: only what lies farther from it is free of it.
    radius = int(np.ceil(2 * sigma))
    disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    best, most = own.copy(), np.full(own.shape, -np.inf, np.float32)
    own_free = np.zeros(own.shape, bool)
    for k, picture in enumerate(small):
        free = cv2.erode(agrees[k].astype(np.uint8), disk) > 0
        own_free |= free & (own == k)
        detail = np.where(free, 1, np.where(agrees[k], 1e-3, 0)) * fine_detail(
            picture.astype(np.float32)
        )
        better = agrees[k] & (detail > most)
        best[better] = k
        most[better] = detail[better]
    # Where fewer agree, nothing stands still: waves, leaves.
    enough = agrees.sum(axis=0) >= max(2, int(len(small) * LESSER_SHARE))
    best = np.where(own_free | ~enough, own, best)
    best = cv2.medianBlur(best.astype(np.float32), _CALM_PX).astype(np.int32)
    # What sways is whole in one frame: seams run around it, not through it.
    whole = median_frames(best)
    best = np.where(np.take_along_axis(agrees, whole[None], 0)[0], whole, best)
    large = cv2.resize(best, size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(large[: nearest.shape[0], : nearest.shape[1]], np.int32)


def _agreement(pictures: list[NDArray[np.float16]], sigma: float) -> BoolArray:
    """Return where every frame, low-passed, is like the median of all, shape (N, h, w)."""
    soft = np.stack([blur(p.astype(np.float32), sigma).astype(np.float16) for p in pictures])
    middle = np.empty(soft.shape[1:], np.float32)
    for top in range(0, len(middle), _STRIP_ROWS):  # a bracket may have hundreds of frames
        middle[top : top + _STRIP_ROWS] = np.median(soft[:, top : top + _STRIP_ROWS], axis=0)
    believed = believed_difference(middle)
    return np.stack([~_differs(np.abs(view - middle).mean(axis=2) / believed) for view in soft])


def _differs(difference: FloatArray) -> BoolArray:
    """Return the connected places above 1 that are somewhere clearly above."""
    count, labels = cv2.connectedComponents((difference > 1).astype(np.uint8))
    most = np.zeros(count, np.float32)
    np.maximum.at(most, labels.ravel(), difference.ravel())
    clear = most >= _CLEARLY
    clear[0] = False
    return np.asarray(clear[labels])

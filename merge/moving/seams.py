"""The frame of every moving part, and where it is cut out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, distance_transform_edt
from skimage.segmentation import watershed

from merge.model import BoolArray, FloatArray
from merge.moving.compare import Pictures, blur, halve
from merge.moving.cores import Cores, followed_depth
from merge.moving.parts import IntArray, box_of

# How far around a part its seam is looked for, in compared px, and what a pixel farther out costs,
# in units of the picture: what holds still should keep its own depth.
_SEAM_PX = 8
_SEAM_SLOPE = 0.004
# Around a part, the depth map may be wrong so far out.
_RIM_PX = 3
# What surrounds a part is of the part's own depth within this.
_LEVEL_FRAMES = 1.5
# A place shows the thing, or what lies around it, where one has this many times the other's detail.
_CLEARLY = 2.0
_DETAIL_SIGMA_PX = 1.5
# What surrounds a part may come from a frame so far from its depth, if the thing lies over it in
# the nearest one; each frame costs so much, and it is believed up to this difference, in units of
# the picture: less than what a veil must have to be seen.
_OTHERS = 2
_OTHER_COST = 0.002
_BELIEVED = 0.02
_TINY = 1e-12


def choose_frames(pictures: Pictures, cores: Cores, position: FloatArray) -> IntArray:
    """Return the frame of every label that comes from one frame, shape (L + 1,).

    Among the frames around the part's depth the one with most detail in it, and where several are
    nearly as sharp, the one that is most like the others: of a thing that passes through, rather
    the place without it.
    """
    count = len(cores.followed)
    flat = cores.labels.ravel()
    allowed = np.zeros((len(pictures), count), bool)
    for label in np.flatnonzero(~cores.followed[1:]) + 1:
        low, high = np.percentile(position[cores.labels == label], (10, 90))
        first = max(int(np.floor(low)) - 1, 0)
        allowed[first : int(np.ceil(high)) + 2, label] = True
    users = np.maximum(allowed.sum(axis=0), 1)
    detail, apart = np.zeros(allowed.shape), np.full(allowed.shape, np.inf)
    mean = np.zeros((*position.shape, halve(pictures[0][:2, :2]).shape[2]), np.float32)
    frames = np.flatnonzero(allowed.any(axis=1))
    for k in frames.tolist():
        small = halve(pictures[k])
        detail[k] = np.bincount(flat, fine_detail(small).ravel(), count)
        share = (allowed[k] / users).astype(np.float32)[cores.labels]
        mean += share[..., None] * blur(small, 2.0)
    for k in frames.tolist():
        off = np.abs(blur(halve(pictures[k]), 2.0) - mean).sum(axis=2)
        apart[k] = np.bincount(flat, off.ravel(), count) + _TINY
    likeness = np.where(allowed, apart, np.inf).min(axis=0, initial=1e9) / apart
    score = np.where(allowed, np.sqrt(detail * likeness), -1)
    return np.argmax(score, axis=0).astype(np.int32)


def fine_detail(picture: FloatArray) -> FloatArray:
    """Return the local power of the finest band, summed over the channels, shape (h, w)."""
    band = picture - blur(picture, 1.0)
    return blur((band * band).sum(axis=2), _DETAIL_SIGMA_PX)


@dataclass(frozen=True, eq=False)
class _View:
    """One frame (h, w, C) at and around a part, and its `fine_detail`."""

    picture: FloatArray
    detail: FloatArray


def place_seams(
    pictures: Pictures,
    cores: Cores,
    frames: IntArray,
    position: FloatArray,
    step_px: NDArray[np.float64],
) -> IntArray:
    """Return the frame that every place of a moving part comes from, -1 where all held still.

    Parameters
    ----------
    pictures : sequence of N ndarrays, shape (2h, 2w, C)
    cores : Cores
    frames : ndarray, shape (L + 1,), int32
        From `choose_frames`.
    position : ndarray, shape (h, w), float32
        Depth in frames.
    step_px : ndarray, shape (N - 1,)
        In compared pixels.

    Notes
    -----
    The thing itself comes from one frame. What surrounds it comes from the frame that is sharp
    there, if that agrees with the thing's frame as far as the blur between them allows; else,
    where the thing's own blur lies over it, from the thing's frame too.
    """
    labels = cores.labels
    places_px = np.concatenate([[0.0], np.cumsum(step_px)])
    behind = _surroundings(labels, position, len(pictures))
    out = np.full(labels.shape, -1, np.int32)
    boxes = {}
    for label in range(1, len(frames)):
        mask = labels == label
        if cores.followed[label]:
            depth = followed_depth(mask, position)[mask]
            out[mask] = np.clip(np.round(depth), 0, len(pictures) - 1)
        else:
            boxes[label] = _padded(mask)
    views = _collect(pictures, behind, frames, boxes)
    for label, area in boxes.items():
        core, own = labels[area] == label, int(frames[label])
        source, believed, around = _look_behind(views[label], behind[area], own, places_px)
        blocked = (labels[area] > 0) & ~core
        level = np.abs(behind[area] - own) <= _LEVEL_FRAMES
        sure = core & (level | ~believed)
        is_thing = _cut_out(core, sure, blocked, views[label][own], around)
        free = out[area] < 0
        out[area][core] = source[core]
        out[area][is_thing & (free | core)] = own
    return out


def _padded(mask: BoolArray) -> tuple[slice, slice]:
    top, left, height, width = box_of(mask)
    pad = _SEAM_PX + 2
    return (
        slice(max(top - pad, 0), top + height + pad),
        slice(max(left - pad, 0), left + width + pad),
    )


def _surroundings(labels: IntArray, position: FloatArray, count: int) -> IntArray:
    """Return the nearest frame of every place; of a moving part, that of what surrounds it."""
    side = 2 * _RIM_PX + 1
    rim = cv2.dilate((labels > 0).astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    frame = np.clip(np.round(position), 0, count - 1).astype(np.int32)
    if rim.all():
        return frame
    nearest = distance_transform_edt(rim, return_distances=False, return_indices=True)
    filled = np.where(labels > 0, position[tuple(nearest)], position).astype(np.float32)
    smooth = np.where(labels > 0, cv2.medianBlur(filled, 5), filled)
    return np.clip(np.round(smooth), 0, count - 1).astype(np.int32)


def _collect(
    pictures: Pictures,
    behind: IntArray,
    frames: IntArray,
    boxes: dict[int, tuple[slice, slice]],
) -> dict[int, dict[int, _View]]:
    """Return for every label in ``boxes`` its own frame and those of what surrounds it."""
    last = len(pictures) - 1
    wanted: dict[int, set[int]] = {}
    for label, area in boxes.items():
        wanted[label] = {int(frames[label])}
        for frame in np.unique(behind[area]).tolist():
            wanted[label].update(range(max(frame - _OTHERS, 0), min(frame + _OTHERS, last) + 1))
    views: dict[int, dict[int, _View]] = {label: {} for label in boxes}
    for k in sorted(set().union(*wanted.values())):
        small = halve(pictures[k])
        detail = fine_detail(small)
        for label, area in boxes.items():
            if k in wanted[label]:
                views[label][k] = _View(small[area].copy(), detail[area].copy())
    return views


def _look_behind(
    views: dict[int, _View], behind: IntArray, own: int, places_px: NDArray[np.float64]
) -> tuple[IntArray, BoolArray, _View]:
    """Return the best frame for what surrounds a part, whether it is believed, and its view.

    Of the frames near the depth of the surroundings, that which, blurred as it would be in the
    part's own frame, is most like it: so one in which the thing itself does not lie there.
    """
    ours = blur(views[own].picture, 1.0)
    best = np.full(behind.shape, np.inf, np.float32)
    off = best.copy()
    source = behind.copy()
    around = _View(views[own].picture.copy(), views[own].detail.copy())
    for k, view in views.items():
        distance = np.abs(behind - k)
        if k == own or distance.min() > _OTHERS:
            continue
        # The standard deviation of a disk is a quarter of its diameter.
        sigma = max(abs(places_px[k] - places_px[own]) / 4, 1.0)
        apart = blur(np.abs(blur(view.picture, sigma) - ours).mean(axis=2), _DETAIL_SIGMA_PX)
        cost = apart + np.float32(_OTHER_COST) * distance.astype(np.float32)
        better = (cost < best) & (distance <= _OTHERS)
        for target, value in (
            (best, cost),
            (off, apart),
            (source, k),
            (around.detail, view.detail),
        ):
            np.copyto(target, value, where=better)
        np.copyto(around.picture, view.picture, where=better[..., None])
    return source, off < _BELIEVED, around


def _cut_out(
    core: BoolArray, sure: BoolArray, blocked: BoolArray, part: _View, around: _View
) -> BoolArray:
    """Return where a part's own frame is shown; elsewhere in it what surrounds it is sharper."""
    floor = np.float32(np.percentile(np.minimum(part.detail, around.detail), 25)) * 2
    thing = sure | (core & (part.detail > _CLEARLY * around.detail + floor))
    if not thing.any():
        thing = core
    thing = binary_fill_holes(thing)
    beside = core & ~thing & (around.detail > _CLEARLY * part.detail + floor)
    distance = cv2.distanceTransform((~core).astype(np.uint8), cv2.DIST_L2, 3)
    beside |= (distance > _SEAM_PX) | blocked
    apart = np.abs(blur(part.picture - around.picture, 1.0)).sum(axis=2)
    cost = apart + np.float32(_SEAM_SLOPE) * distance
    return watershed(-cost, thing + 2 * beside.astype(np.int32)) == 1

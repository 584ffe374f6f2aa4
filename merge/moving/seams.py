"""The frame of every moving part, and where it is cut out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, distance_transform_edt

from merge.model import BoolArray, FloatArray
from merge.moving.compare import AROUND_PX, FACTOR, LESSER_SHARE, NEAR_FRAMES, Pictures, blur, halve
from merge.moving.parts import IntArray, box_of
from merge.moving.passing import passing_frames
from merge.moving.regions import MovingRegions, frames_by_depth
from merge.moving.views import DETAIL_SIGMA_PX, believed_difference, fine_detail

# A place that agrees with a sharp view of what surrounds the part shows the thing nevertheless
# where it has so many times the detail.
_CLEARLY = 2.0
# Parts are cut out together up to this share of the picture, to read frames seldom and keep little.
_BATCH_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class _View:
    """One frame (h, w, C) at and around a part, and its `fine_detail`."""

    picture: FloatArray
    detail: FloatArray


_Kept = dict[int, NDArray[np.float16]]


def take_parts(
    pictures: Pictures, regions: MovingRegions, position: FloatArray, places_px: NDArray[np.float64]
) -> tuple[IntArray, IntArray]:
    """Return the frame of every part, and the frame that every place of it comes from.

    Parameters
    ----------
    pictures : sequence of N ndarrays, shape (2h, 2w, C)
    regions : MovingRegions
    position : ndarray, shape (h, w), float32
        Depth in frames.
    places_px : ndarray, shape (N,)
        Frames on the focus axis, in compared pixels.

    Returns
    -------
    frames : ndarray, shape (L + 1,), int32
        -1 for parts that follow their depth.
    taken : ndarray, shape (h, w), int32
        -1 where all held still.

    Notes
    -----
    The thing itself comes from one frame. What surrounds it comes from the frame that is sharp
    there, if that agrees with the thing's frame as far as the blur between them allows; else,
    where the thing's own blur lies over it, from the thing's frame too.
    """
    labels = regions.labels
    nearest = np.clip(np.round(position), 0, len(pictures) - 1).astype(np.int32)
    behind = _surroundings(labels, nearest)
    frames = np.full(len(regions.follows_depth), -1, np.int32)
    taken = np.full(labels.shape, -1, np.int32)
    places = []
    for label in range(1, len(frames)):
        mask = labels == label
        if regions.follows_depth[label]:
            mask = binary_fill_holes(mask)
            taken[mask] = np.minimum(frames_by_depth(mask, position), len(pictures) - 1)
        else:
            places.append(_place(label, mask, position, (behind, nearest), len(pictures)))
    if regions.follows_depth.any() and len(pictures) * LESSER_SHARE >= 1:
        follows = taken >= 0
        nearest = np.where(follows, taken, nearest)
        taken[follows] = passing_frames(pictures, nearest, places_px)[follows]
    for batch in _batches(places, _BATCH_SHARE * labels.size):
        for place, views in zip(batch, _collect(pictures, batch), strict=True):
            core, area = labels[place.area] == place.label, place.area
            own = _choose_frame({k: _view(views[k]) for k in place.around}, core)
            frames[place.label] = own
            guesses = behind[area], nearest[area]
            source, beside = _look_behind(views, guesses, own, places_px)
            blocked = (labels[area] > 0) & ~core
            masks = core, source != own, blocked
            is_thing = _cut_out(masks, _view(views[own]), beside)
            free = taken[area] < 0
            taken[area][core] = source[core]
            taken[area][is_thing & (free | core)] = own
    return frames, taken


@dataclass(frozen=True, eq=False)
class _Place:
    """Where a part lies, the frames around its depth, and all that are looked at for it."""

    label: int
    area: tuple[slice, slice]
    around: list[int]
    wanted: set[int]


def _place(
    label: int,
    mask: BoolArray,
    position: FloatArray,
    guesses: tuple[IntArray, IntArray],
    count: int,
) -> _Place:
    top, left, height, width = box_of(mask)
    pad = AROUND_PX + 2
    area = (
        slice(max(top - pad, 0), top + height + pad),
        slice(max(left - pad, 0), left + width + pad),
    )
    low, high = np.percentile(position[mask], (10, 90))
    around = list(range(max(int(np.floor(low)) - 1, 0), min(int(np.ceil(high)) + 2, count)))
    wanted = set(around)
    for frame in np.unique(np.stack([guess[area] for guess in guesses])).tolist():
        others = int(NEAR_FRAMES)
        wanted.update(range(max(frame - others, 0), min(frame + others + 1, count)))
    return _Place(label, area, around, wanted)


def _batches(places: list[_Place], most_px: float) -> Iterator[list[_Place]]:
    """Yield parts together, of not much more than so many pixels."""
    batch: list[_Place] = []
    size = 0
    for place in places:
        batch.append(place)
        rows, columns = place.area
        size += (rows.stop - rows.start) * (columns.stop - columns.start)
        if size >= most_px:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _collect(pictures: Pictures, places: list[_Place]) -> list[_Kept]:
    """Return for every place its frames, in half precision as a bracket may have hundreds."""
    views: list[_Kept] = [{} for _ in places]
    for k in sorted(set().union(*(place.wanted for place in places))):
        picture = pictures[k]
        for place, found in zip(places, views, strict=True):
            if k in place.wanted:
                rows, columns = (slice(FACTOR * s.start, FACTOR * s.stop) for s in place.area)
                found[k] = halve(picture[rows, columns]).astype(np.float16)
    return views


def _view(kept: NDArray[np.float16]) -> _View:
    picture = kept.astype(np.float32)
    return _View(picture, fine_detail(picture))


def _choose_frame(views: dict[int, _View], core: BoolArray) -> int:
    """Return the frame for a part, from those around its depth.

    It is the one with most detail in what differs from the other frames, so in the thing and not
    in what surrounds it, and of several nearly as sharp rather one that is like the others: of
    what passes through, the place without it.
    """
    smooth = {k: blur(view.picture, 2.0) for k, view in views.items()}
    mean = sum(smooth.values(), np.float32(0)) / np.float32(len(views))
    off, sharp = {}, {}
    for k, picture in smooth.items():
        apart = np.abs(picture - mean).sum(axis=2)[core] + np.finfo(np.float32).eps
        off[k] = float(apart.mean())
        weight = apart * apart
        sharp[k] = float((views[k].detail[core] * weight).sum() / weight.sum())
    return max(views, key=lambda k: sharp[k] / np.sqrt(off[k]))


def _surroundings(labels: IntArray, nearest: IntArray) -> IntArray:
    """Return the frame of every place; of a moving part, that of what surrounds it."""
    side = 2 * AROUND_PX + 1
    rim = cv2.dilate((labels > 0).astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    if rim.all():
        return nearest
    beside = distance_transform_edt(rim, return_distances=False, return_indices=True)
    filled = np.where(labels > 0, nearest[tuple(beside)], nearest)
    smooth = cv2.medianBlur(filled.astype(np.float32), 5).astype(np.int32)
    return np.where(labels > 0, smooth, filled)


def _look_behind(
    views: _Kept,
    guesses: tuple[IntArray, IntArray],
    own: int,
    places_px: NDArray[np.float64],
) -> tuple[IntArray, _View]:
    """Return the best frame for what surrounds a part, its own where there is none, and its view.

    Of the frames near the depth of the surroundings, and near that of the place itself, it is the
    sharpest of those that, blurred as they would be in the part's own frame, look like it there:
    so one in which the thing itself does not lie over the place. Where none does, the view is that
    of the place's own depth.
    """
    behind, nearest = guesses
    ours = blur(_view(views[own]).picture, 1.0)
    believed = believed_difference(ours)
    best = np.zeros(behind.shape, np.float32)
    source = np.full(behind.shape, own, np.int32)
    around = _View(np.zeros_like(ours), np.zeros_like(best))
    for k, kept in views.items():
        view = _view(kept)
        distance = np.minimum(np.abs(behind - k), np.abs(nearest - k))
        shown = (nearest == k) & (best == 0)
        if k != own and distance.min() <= NEAR_FRAMES:
            # The standard deviation of a disk is a quarter of its diameter.
            sigma = float(np.hypot((places_px[k] - places_px[own]) / 4, 1.0))
            apart = blur(np.abs(blur(view.picture, sigma) - ours).mean(axis=2), DETAIL_SIGMA_PX)
            better = (apart < believed) & (distance <= NEAR_FRAMES) & (view.detail > best)
            np.copyto(best, view.detail, where=better)
            source[better] = k
            shown |= better
        np.copyto(around.detail, view.detail, where=shown)
        np.copyto(around.picture, view.picture, where=shown[..., None])
    return source, around


def _cut_out(masks: tuple[BoolArray, ...], part: _View, around: _View) -> BoolArray:
    """Return where a part's own frame is shown; elsewhere in it what surrounds it is sharper.

    The masks: where the part moved; where what surrounds it, from another frame, is alike (else its
    own must be shown); where other parts are.
    """
    core, alike, blocked = masks
    floor = np.float32(np.percentile(np.minimum(part.detail, around.detail), 25)) * 2
    thing = core & (~alike | (part.detail > _CLEARLY * around.detail + floor))
    if not thing.any():
        thing = core
    thing = binary_fill_holes(thing) & core
    beside = alike & ~thing & (around.detail > part.detail)
    distance = cv2.distanceTransform((~core).astype(np.uint8), cv2.DIST_L2, 3)
    beside |= (distance > AROUND_PX) | blocked
    apart = np.abs(blur(part.picture - around.picture, 1.0)).sum(axis=2)
    from skimage.segmentation import watershed  # where something moved: slow to load

    return watershed(-apart, thing + 2 * beside.astype(np.int32)) == 1

"""What a place of a merged picture could be replaced by, best first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.edits import Edit, EditKind, affected_box, find_regions, join_patch, local_difference
from merge.errors import MergeError
from merge.model import BoolArray, Box, FloatArray
from merge.pipeline.editing import EditSource
from merge.pipeline.page_pictures import screen_pixels
from merge.threads import map_threads

Point = tuple[float, float]

# Beyond the largest region: what an edit's feather reaches, and something to see round it.
_AROUND_PX = 40
# Sizes tried where the person has named none, px of the picture's shorter side over 1000.
_SIZES, _LEAST_SIZE_PX = (20.0, 40.0, 80.0), 12.0
# A region ends within so many times the size asked for.
_REACH = 1.5
# As many candidates as their pixels fit in so many bytes.
_MOST_CANDIDATES, _FEWEST, _PATCH_BYTES = 16, 3, 800e6
# Of the best candidate's detail: a frame with less cannot serve. Half of it round the place alone.
_LEAST_DETAIL = 0.1
_NEAR_PX = 64.0
_DETAIL_SIGMAS_PX = 0.7, 1.4


@dataclass(frozen=True, eq=False)
class Candidate:
    """What a place could be replaced by.

    Attributes
    ----------
    edit : Edit
    name : str
        For people.
    box : (row, column, height, width)
        Of the crop in the picture.
    pixels : ndarray, shape (height, width, 3), uint8
        The place with the edit, in sRGB.
    detail : float
        Fine detail of the region, 0 to 1 of the best candidate's.
    change : float
        Mean change of the region's values, 0 to 1.
    """

    edit: Edit
    name: str
    box: Box
    pixels: NDArray[np.uint8]
    detail: float
    change: float


@dataclass(frozen=True, eq=False)
class _Patch:
    """An edit with the pixels that it would take, over a box."""

    edit: Edit
    box: Box
    pixels: FloatArray
    valid: BoolArray | None


def find_candidates(
    picture: NDArray[np.uint16],
    frames: EditSource,
    place: Point,
    size_px: float | None = None,
    region: Sequence[Point] | None = None,
) -> list[Candidate]:
    """Return what could stand at a place: frames, most detail first, then other ways.

    Parameters
    ----------
    picture : ndarray, shape (H, W, C), uint16
        The merged picture as it stands.
    frames : EditSource
    place : (x, y)
        In pixels of the picture.
    size_px : float, optional
        Radius wished for; by default the one whose border shows least.
    region : sequence of (x, y), optional
        A region drawn by hand, the same for every candidate.

    Raises
    ------
    MergeError
        If the place lies outside the picture.
    """
    shape, sizes = picture.shape, _sizes(picture.shape, size_px)
    wide = _inside(shape, place, round(_REACH * max(sizes)) + _AROUND_PX)
    if region is not None:
        wide = affected_box(Edit("detail", tuple(region)), shape) or wide
    now = picture[_area(wide)].astype(np.float32) / np.float32(65535)

    def propose(index: int) -> _Patch:
        pixels, valid = frames.frame_patch(index, wide)
        border = region or _border(now, pixels, (place[0] - wide[1], place[1] - wide[0]), sizes)
        if region is None:
            border = [(x + wide[1], y + wide[0]) for x, y in border]
        edit = Edit("frame", tuple(border), frames.names[index])
        return _Patch(edit, wide, pixels, valid)

    most = int(np.clip(_PATCH_BYTES / now.nbytes, _FEWEST, _MOST_CANDIDATES))
    found = map_threads(propose, _with_detail(frames, shape, place, min(sizes))[:most])
    if not found:
        return []
    details = [_detail(p.pixels, _mask(p.edit, wide)) for p in found]
    order = sorted(range(len(found)), key=lambda k: -details[k])
    found = [found[k] for k in order if details[k] >= _LEAST_DETAIL * details[order[0]]]
    shown = _around(shape, [patch.edit for patch in found])
    ways: tuple[EditKind, ...] = ("detail", "surface")
    found += [_merged(frames, shape, Edit(way, found[0].edit.region)) for way in ways]
    candidates = map_threads(lambda patch: _candidate(picture, frames, patch, shown), found)
    best = max(candidates[0].detail, 1e-12)
    return [replace(c, detail=c.detail / best) for c in candidates]


def _sizes(shape: Sequence[int], size_px: float | None) -> list[float]:
    unit = min(shape[:2]) / 1000
    return [size_px] if size_px else [max(_LEAST_SIZE_PX, s * unit) for s in _SIZES]


def _with_detail(
    frames: EditSource, shape: Sequence[int], place: Point, size_px: float
) -> list[int]:
    """Return the frames that have pixels and detail just round a place, most detail first."""
    near = _inside(shape, place, round(min(size_px, _NEAR_PX)))

    def look(index: int) -> float | None:
        pixels, valid = frames.frame_patch(index, near)
        if valid is not None and not valid.all():
            return None
        return _detail(pixels, np.ones(near[2:], np.bool_))

    found = zip(map_threads(look, frames.aligned), frames.aligned, strict=True)
    known = sorted(((d, index) for d, index in found if d is not None), reverse=True)
    least = known[0][0] * _LEAST_DETAIL / 2 if known else 0.0
    return [index for detail, index in known if detail >= least]


def _border(
    now: FloatArray, pixels: FloatArray, centre: Point, sizes: Sequence[float]
) -> list[Point]:
    """Return the region whose border shows least, of the sizes allowed."""
    difference = local_difference(now, pixels)
    regions = find_regions(difference, centre, sizes)
    seen = [_along(difference, region) for region in regions]
    # The smallest whose border hardly shows more than the best one's.
    return list(next(r for r, s in zip(regions, seen, strict=True) if s <= 1.3 * min(seen) + 1e-4))


def _along(difference: FloatArray, region: Sequence[Point]) -> float:
    x, y = np.rint(np.array(region)).astype(int).T
    return float(difference[y, x].mean())


def _merged(frames: EditSource, shape: Sequence[int], edit: Edit) -> _Patch:
    box = affected_box(edit, shape)
    assert box is not None, "the region is a frame's, which lies in the picture"
    return _Patch(edit, box, *frames.patch(edit, box))


def _candidate(
    picture: NDArray[np.uint16], frames: EditSource, patch: _Patch, shown: Box
) -> Candidate:
    """Return a patch joined into the picture, seen in a box that is the same for all."""
    box = affected_box(patch.edit, picture.shape)
    assert box is not None, "regions lie in the picture"
    part = _within(box, patch.box)
    valid = None if patch.valid is None else patch.valid[part]
    pixels, before = patch.pixels[part], picture[_area(box)]
    joined = join_patch(before, pixels, patch.edit, box, valid)
    inside = _mask(patch.edit, box)
    change = cv2.absdiff(joined, before)[inside].mean() / 65535 if inside.any() else 0.0
    both = _common(box, shown)
    seen = picture[_area(shown)].copy()
    seen[_within(both, shown)] = joined[_within(both, box)]
    edit = patch.edit
    return Candidate(
        edit,
        edit.frame if edit.kind == "frame" else f"merged by {edit.kind}",
        shown,
        screen_pixels(seen.astype(np.float32) / np.float32(65535), frames.reference),
        _detail(pixels, inside),
        float(change),
    )


def _around(shape: Sequence[int], edits: Sequence[Edit]) -> Box:
    """Return what is shown of the picture: all regions and something round them."""
    corners = np.concatenate([np.array(edit.region) for edit in edits])
    left, top = np.floor(corners.min(axis=0)).astype(int) - _AROUND_PX
    right, bottom = np.ceil(corners.max(axis=0)).astype(int) + _AROUND_PX + 1
    return _common((top, left, bottom - top, right - left), (0, 0, shape[0], shape[1]))


def _inside(shape: Sequence[int], place: Point, reach: int) -> Box:
    """Return the square round a place, cut to the picture."""
    x, y = round(place[0]), round(place[1])
    if not (0 <= y < shape[0] and 0 <= x < shape[1]):
        raise MergeError("That place lies outside the picture.")
    side = 2 * reach + 1
    return _common((y - reach, x - reach, side, side), (0, 0, shape[0], shape[1]))


def _mask(edit: Edit, box: Box) -> BoolArray:
    """Return what lies inside an edit's region, over a box."""
    mask = np.zeros(box[2:], np.uint8)
    corners = np.rint(np.array(edit.region) - (box[1], box[0])).astype(np.int32)
    return np.asarray(cv2.fillPoly(mask, [corners], 1)) > 0


def _detail(pixels: FloatArray, inside: BoolArray) -> float:
    """Return the mean square of the fine detail of a region."""
    grey = cv2.transform(pixels, np.full((1, pixels.shape[2]), 1 / pixels.shape[2], np.float32))
    fine, coarse = (cv2.GaussianBlur(grey, (0, 0), sigma) for sigma in _DETAIL_SIGMAS_PX)
    return float(np.square(fine - coarse)[inside].mean()) if inside.any() else 0.0


def _area(box: Box) -> tuple[slice, slice]:
    return np.s_[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]


def _within(inner: Box, outer: Box) -> tuple[slice, slice]:
    """Return the part of an array over ``outer`` that lies over ``inner``."""
    return _area((inner[0] - outer[0], inner[1] - outer[1], inner[2], inner[3]))


def _common(one: Box, other: Box) -> Box:
    top, left = max(one[0], other[0]), max(one[1], other[1])
    bottom = min(one[0] + one[2], other[0] + other[2])
    right = min(one[1] + one[3], other[1] + other[3])
    return int(top), int(left), int(bottom - top), int(right - left)

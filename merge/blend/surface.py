"""`surface`: the depth map chooses, seams are softened; see `mixing` for what is between frames."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.allocator import zeros_apart
from merge.blend.common import fitting_levels, weigh
from merge.blend.parts import Part, divide, margin_px, within
from merge.compiled import njit
from merge.model import BoolArray, FloatArray
from merge.pyramid import build_gaussian, build_laplacian, collapse_pyramid
from merge.resizing import Box, depth_between, neighbours

# Levels over which seams are softened (1 to 5 differ by less than 0.1 dB; more levels let
# defocused frames in at depth steps).
_LEVELS = 2
# Side of a part; around it one pixel of the coarsest level is blended for `restore_detail` to see.
PART_PX = 256
_STRIP_ROWS = 256

Coverage = Callable[[int, Box], BoolArray | None]


@dataclass(frozen=True, eq=False)
class WeightedPatch:
    """What one frame adds to a part.

    Attributes
    ----------
    box : (row, column, height, width)
        Whose pixels of the frame are needed.
    part : Part
    weight, coarse : ndarray, shape (height, width) of ``box``, float32
        Of the frame's fine detail, and of the rest: where only noise is fine, fine detail comes
        from more frames, the rest from those of the right depth alone.
    """

    box: Box
    part: Part
    weight: FloatArray
    coarse: FloatArray


class SurfaceBlend:
    """Each pixel from the frames that its depth lies between; seams softened.

    The picture is blended in parts, each from the frames that count in it, and only their sums are
    kept. Parts of one frame may be added from several threads.

    Parameters
    ----------
    position : ndarray, shape (h, w), float32
        Depth in frames, at full size or reduced.
    reach : ndarray, shape (h, w), float32
        From `mixing_reach`.
    shape : tuple of int
        (H, W, C) of the frames.
    count : int
        Number of frames.
    reduction : int, default 1
        Pixels for one of ``position``.
    coverage : callable, optional
        Given a frame and a box, which of the box's pixels the frame has, bool; None = all.
        Default: all frames have all pixels.
    rows : (first, last), optional
        Blend only the parts that begin in these rows.
    """

    def __init__(
        self,
        position: FloatArray,
        reach: FloatArray,
        shape: tuple[int, ...],
        count: int,
        *,
        reduction: int = 1,
        coverage: Coverage | None = None,
        rows: tuple[int, int] | None = None,
    ) -> None:
        self._levels = fitting_levels(shape, _LEVELS)
        self._position, self._reach, self._reduction = position, reach, reduction
        self._count, self._coverage = count, coverage
        self._shape = shape
        self._first, self._end = _frames_that_count(position, reach, reduction, count)
        self._sums: dict[Part, FloatArray] = {}
        self._totals: dict[Box, FloatArray] = {}
        self.parts = list(divide(shape, PART_PX, 1 << _LEVELS, margin_px(_LEVELS), rows))
        self._frames = {part: self._frames_of(part.box) for part in self.parts}

    def _frames_of(self, box: Box) -> BoolArray:
        """Return which frames count in a box; where some lack pixels, prepare the weights' sum."""
        area = self._reduced(box)
        # One more from the first that counts anywhere on, one less behind the last.
        begun, over = (
            np.bincount(ends[area].ravel(), minlength=self._count + 1)
            for ends in (self._first, self._end)
        )
        frames = np.cumsum(begun - over)[: self._count] > 0
        if self._coverage is not None:
            masks = [self._coverage(k, box) for k in range(self._count)]
            if any(mask is not None for mask in masks):
                total = np.zeros(box[2:], np.float32)
                for k, mask in enumerate(masks):
                    total += self._hats(k, box)[0] * (1 if mask is None else mask)
                if (total < 0.001).any():
                    frames[:] = True
                self._totals[box] = total
        return frames

    def _reduced(self, box: Box) -> tuple[slice, slice]:
        """Return the pixels of the depth whose blocks a box takes part of."""
        row, column, height, width = box
        r = self._reduction
        return np.s_[row // r : -(-(row + height) // r), column // r : -(-(column + width) // r)]

    def parts_with(self, index: int) -> list[Part]:
        """Return the parts in which frame ``index`` counts."""
        return [part for part in self.parts if self._frames[part][index]]

    def last_frame(self, part: Part) -> int:
        """Return the last frame that counts in a part; -1 if none does."""
        return int(np.flatnonzero(self._frames[part])[-1]) if self._frames[part].any() else -1

    def patch_of(self, index: int, part: Part) -> WeightedPatch | None:
        """Return what is needed of frame ``index`` for a part; None if it has no weight there."""
        box = self._box_of(index, part.box)
        if box is None:
            return None
        weight, coarse = self._weights(index, box, part.box)
        return WeightedPatch(box, part, weight, coarse) if weight.any() else None

    def _box_of(self, index: int, box: Box) -> Box | None:
        """Return which part of a box a frame counts in, with the margin; None if in none."""
        row, column, height, width = box
        area, r = self._reduced(box), self._reduction
        near = (self._first[area] <= index) & (index < self._end[area])
        if box in self._totals:  # where frames lack pixels, all may count everywhere
            near[:] = True
        rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
        if not len(rows):
            return None
        first, last = _with_margin((area[0].start + rows[[0, -1]]) * r - row, r, height)
        start, end = _with_margin((area[1].start + columns[[0, -1]]) * r - column, r, width)
        return row + first, column + start, last - first, end - start

    def add_patch(self, patch: WeightedPatch, pixels: FloatArray) -> None:
        """Take a frame for one part.

        Parameters
        ----------
        patch : WeightedPatch
            From `patch_of`.
        pixels : ndarray, shape (height, width, C) of ``patch.box``, float32 without NaN
            Beyond the frame's own border anything near it.
        """
        small = build_gaussian(pixels, 1)[1]
        weights = build_gaussian(patch.weight, self._levels)
        if patch.coarse is not patch.weight:
            weights[-1] = build_gaussian(patch.coarse, self._levels)[-1]
        bands = build_laplacian(small, self._levels - 1)
        bands[-1] = bands[-1].copy()  # of a single level it is the small picture itself
        weighted = [weigh(band, w) for band, w in zip(bands, weights[1:], strict=True)]
        mixed = collapse_pyramid(weighted)
        row, column, height, width = patch.part.core
        total = self._sums.get(patch.part)
        if total is None:
            total = self._sums[patch.part] = zeros_apart((height, width, pixels.shape[2]))
        top, left = max(patch.box[0], row), max(patch.box[1], column)
        bottom = min(patch.box[0] + patch.box[2], row + height)
        right = min(patch.box[1] + patch.box[3], column + width)
        if top < bottom and left < right:
            cut = top - patch.box[0], left - patch.box[1], bottom - top, right - left
            pixels = np.ascontiguousarray(pixels)
            place = top - row, left - column
            _add_finest(pixels, small, patch.weight, mixed, cut, place, total)

    def add(self, pixels: FloatArray, index: int) -> None:
        """Take frame ``index`` as a whole, shape (H, W, C) float32 without NaN."""
        for part in self.parts_with(index):
            patch = self.patch_of(index, part)
            if patch is not None:
                row, column, height, width = patch.box
                self.add_patch(patch, pixels[row : row + height, column : column + width])

    def _hats(self, index: int, box: Box) -> tuple[FloatArray, FloatArray]:
        """Return a frame's weights by its distance from the depth, with and without the reach.

        All frames' sum to 1.
        """
        weight, coarse = np.empty(box[2:], np.float32), np.empty(box[2:], np.float32)
        place = *box[:2], self._reduction
        frame = index, self._count
        differ = _fill_hats(self._position, self._reach, place, frame, weight, coarse)
        return weight, coarse if differ else weight

    def _weights(self, index: int, box: Box, whole: Box) -> tuple[FloatArray, FloatArray]:
        """Return the weights of a frame's fine detail and of the rest; ``whole``: the part's."""
        weight, coarse = self._hats(index, box)
        total = self._totals.get(whole)
        if total is None:
            return weight, coarse
        assert self._coverage is not None
        mask = self._coverage(index, box)
        # Where no frame of the right depth has a pixel, any that has one counts.
        least = np.finfo(np.float32).eps
        weight += least
        if mask is not None:
            weight *= mask
        weight /= total[within(box, whole)] + least * np.float32(self._count)
        return weight, weight

    def take(self, part: Part) -> FloatArray:
        """Return a part's blended pixels, shape (height, width, C) of its core, and forget them."""
        total = self._sums.pop(part, None)
        return np.zeros((*part.core[2:], self._shape[2]), np.float32) if total is None else total


def _frames_that_count(
    position: FloatArray, reach: FloatArray, reduction: int, count: int
) -> tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]]:
    """Return the first frame that has a weight somewhere in a pixel's block, and one past the last.

    See `_fill_hats`; between pixels depth and reach are interpolated.
    """
    first, end = (np.empty(position.shape, np.min_scalar_type(count)) for _ in range(2))
    middle, rounding = np.float32((count - 1) / 2), np.float32(1e-3)
    around = np.ones((3, 3) if reduction > 1 else (1, 1), np.uint8)
    for top in range(0, len(position), _STRIP_ROWS):
        rows = slice(top, top + _STRIP_ROWS)
        padded = slice(max(top - 1, 0), top + _STRIP_ROWS + 1)
        (low, high), (least, most) = (
            [
                f(values[padded], around)[top - padded.start :][:_STRIP_ROWS]
                for f in (cv2.erode, cv2.dilate)
            ]
            for values in (position, reach)
        )
        inside, farther = np.minimum(least - 1, middle), np.minimum(most - 1, middle)
        lower = np.minimum(np.maximum(low, inside), 2 * middle - farther) - most
        upper = np.minimum(np.maximum(high, farther), 2 * middle - inside) + most
        first[rows] = np.clip(np.floor(lower - rounding) + 1, 0, count)
        end[rows] = np.clip(np.ceil(upper + rounding), 0, count)
    return first, end


def _with_margin(ends: NDArray[np.intp], block: int, size: int) -> tuple[int, int]:
    """Return the range of blocks with the margin, on the grid of the coarsest level.

    Beyond the margin a pyramid of zero weights is zero. ``ends`` are the first pixels of the first
    and the last block.
    """
    margin, grid = margin_px(_LEVELS), 1 << _LEVELS
    first = max(int(ends[0]) - margin, 0) // grid * grid
    last = -(-(int(ends[1]) + block + margin) // grid) * grid
    return first, min(last, size)


@njit(nogil=True, fastmath=True, takes="f3 f3 f2 f3 it4 it2 f3")
def _add_finest(  # pragma: no cover - compiled
    pixels: FloatArray, small: FloatArray, weight: FloatArray, mixed: FloatArray, cut: tuple,
    place: tuple, total: FloatArray,
) -> None:  # fmt: skip
    """Add the finest band, weighted, and ``mixed``, what is mixed of all others, at twice its size.

    The finest band is ``pixels`` less ``small``, its next level, at twice the size. ``cut``: (row,
    column, height, width) of what to add; ``place`` its (row, column) in ``total``.
    """
    channels, width = small.shape[2], small.shape[1] * small.shape[2]
    lows, rests = small.reshape(len(small), width), mixed.reshape(len(small), width)
    low, rest = np.empty(2 * width, np.float32), np.empty(2 * width, np.float32)
    fine, others = np.empty((3, width), np.float32), np.empty((3, width), np.float32)
    each = np.empty(cut[3] * channels, np.float32)
    rows, sums = pixels.reshape(len(pixels), -1), total.reshape(len(total), -1)
    start = cut[1] * channels
    for i in range(cut[2]):
        row = cut[0] + i
        _enlarge_row(lows, row, channels, fine)
        _enlarge_row(rests, row, channels, others)
        if channels == 3:  # the compiler knows the steps then
            _lay_side_by_side(fine, others, weight[row, cut[1] :], 3, low, rest, each)
        else:
            _lay_side_by_side(fine, others, weight[row, cut[1] :], channels, low, rest, each)
        out, here = sums[place[0] + i, place[1] * channels :], rows[row, start:]
        rough, more = low[start:], rest[start:]
        for x in range(len(each)):
            out[x] += (here[x] - rough[x]) * each[x] + more[x]


@njit(inner=True, nogil=True, fastmath=True)
def _lay_side_by_side(  # pragma: no cover - compiled
    fine: FloatArray, others: FloatArray, weight: FloatArray, channels: int, low: FloatArray,
    rest: FloatArray, each: FloatArray,
) -> None:  # fmt: skip
    """Fill rows with pixels from `_enlarge_row`, ``each`` with a weight for every channel."""
    # Unsigned: checks for places counted from the end take longer than all else.
    step, two = np.uint64(channels), np.uint64(2)
    even, odd, more, last = fine[1], fine[2], others[1], others[2]
    for q in range(np.uint64(len(even)) // step):
        for c in range(step):
            low[two * q * step + c] = even[q * step + c]
            low[two * q * step + step + c] = odd[q * step + c]
    for q in range(np.uint64(len(more)) // step):
        for c in range(step):
            rest[two * q * step + c] = more[q * step + c]
            rest[two * q * step + step + c] = last[q * step + c]
    for k in range(np.uint64(len(each)) // step):
        for c in range(step):
            each[k * step + c] = weight[k]


@njit(inner=True, nogil=True, fastmath=True)
def _enlarge_row(  # pragma: no cover - compiled
    level: FloatArray, row: int, channels: int, line: FloatArray
) -> None:
    """Fill ``line[1]`` and ``line[2]`` with the even and the odd pixels of a row of the next level.

    The finer one, as `pyrUp` has it; ``line[0]`` is room.
    """
    last, half = len(level) - 1, np.float32(0.5)
    own, beside = np.float32(6 / 8), np.float32(1 / 8)
    k, after = row // 2, min(row // 2 + 1, last)
    middle, even, odd = line[0], line[1], line[2]
    here, below, above = level[k], level[after], level[min(abs(k - 1), last)]
    if row % 2:
        for x in range(len(middle)):
            middle[x] = half * (here[x] + below[x])
    else:
        for x in range(len(middle)):
            middle[x] = own * here[x] + beside * (above[x] + below[x])
    count = len(middle) - channels
    right = middle[channels:]
    for x in range(count):
        odd[x] = half * (middle[x] + right[x])
    between, wider = even[channels:], right[channels:]
    for x in range(count - channels):
        between[x] = own * right[x] + beside * (middle[x] + wider[x])
    for c in range(channels):
        first, end = middle[c], middle[count + c]
        before, second = middle[abs(count - channels + c)], middle[min(channels, count) + c]
        even[count + c], odd[count + c] = own * end + beside * (before + end), end
        even[c] = own * first + (beside + beside) * second


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _sum_of_hats(  # pragma: no cover - compiled
    depth: np.float32, reach: np.float32, count: int
) -> np.float32:
    """Return the sum of max(0, 1 - |depth - k| / reach) over frames k below ``count``.

    To either side these are arithmetic series, as long as the reach or the frames.
    """
    one, half, zero = np.float32(1), np.float32(0.5), np.float32(0)
    first = np.floor(depth)
    below, above = depth - first, one - (depth - first)
    left = min(np.ceil(reach - below), first + one)
    right = max(min(np.ceil(reach - above), np.float32(count - 1) - first), zero)
    apart = left * (below + half * (left - one)) + right * (above + half * (right - one))
    return left + right - apart / reach


@njit(nogil=True, fastmath=True, error_model="numpy", takes="f2 f2 it3 it2 f2 f2")
def _fill_hats(  # pragma: no cover - compiled
    position: FloatArray, reach: FloatArray, place: tuple, frame: tuple, weight: FloatArray,
    coarse: FloatArray,
) -> bool:  # fmt: skip
    """Fill both with max(0, 1 - |position - index| / reach) over its sum, the second for reach 1.

    For the first, positions near an end count as farther in. Tell whether they differ.
    ``place``: row, column, reduction; ``frame``: index, frames in all.
    """
    row, column, reduction = place
    index, count = np.float32(frame[0]), frame[1]
    one, zero, middle = np.float32(1), np.float32(0), np.float32((count - 1) / 2)
    differ = False
    tops, belows, down = neighbours(row, weight.shape[0], reduction, position.shape[0])
    lefts, besides, along = neighbours(column, weight.shape[1], reduction, position.shape[1])
    for i in range(weight.shape[0]):
        here, under = position[tops[i]], position[belows[i]]
        reach_here, reach_under = reach[tops[i]], reach[belows[i]]
        for j in range(weight.shape[1]):
            left, beside, fx, fy = lefts[j], besides[j], along[j], down[i]
            depth = depth_between(here[left], here[beside], under[left], under[beside], fy, fx)
            upper = reach_here[left] + (reach_here[beside] - reach_here[left]) * fx
            lower = reach_under[left] + (reach_under[beside] - reach_under[left]) * fx
            far, away = upper + (lower - upper) * fy, abs(depth - index)
            coarse[i, j] = max(one - away, zero)
            weight[i, j] = coarse[i, j]
            if far > one:
                differ = True
                weight[i, j] = zero
                # Noise is averaged over as many frames at an end as between.
                inside = min(far - one, middle)
                centre = min(max(depth, inside), middle + middle - inside)
                away = abs(centre - index)
                if away < far:
                    weight[i, j] = (one - away / far) / _sum_of_hats(centre, far, count)
    return differ

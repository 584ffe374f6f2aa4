"""Where along the stack every place is sharpest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.depth import filtering
from merge.depth.filling import fill_guesses
from merge.depth.filtering import LEAST, padding_px
from merge.depth.measuring import half_kernel
from merge.depth.texture import fall_off_powers
from merge.model import DepthMap, FloatArray
from merge.scratch import ScratchStack, as_floats
from merge.threads import map_threads
from merge.tiles import Tile, grow_tile, iterate_tiles

# A structure thinner than the filter, lost in it, comes back where the frame chosen has less than
# this share of the sharpest frame's measure, both over a window (in pixels of the picture) that
# spans a thin structure.
_LOST_SHARE = 0.55
_LOST_SIGMA_PX = 1.2
# The picture tells how its texture falls off where it is so sure and, in frames, so near focus.
_SURE, _IN_FOCUS = 0.5, 0.25
# Peaks are found from measures so many px of blur beside the highest, at most so many frames:
# nearer ones differ by little more than their noise. Median error in frames, steps of 1.6 and 1.0
# px (rendered coins, moss): 0.155 and 0.278 from the next frames, 0.109 and 0.237 so.
# Without a focus axis they are taken to lie so far apart.
_APART_PX, _MOST_APART = 3.0, 4
_LEAST_BEND = np.float32(5e-7)
# Rows and columns of a tile: what is kept of one stays in a processor's cache.
_TILE_ROWS, _TILE_COLUMNS = 64, 256


def locate_depth(
    measures: ScratchStack,
    guide: FloatArray,
    reduction: int = 1,
    *,
    axis_px: NDArray[np.float64] | None = None,
    group_bytes: int = 256 << 20,
) -> DepthMap:
    """Return the position of the sharpest frame at every place.

    Parameters
    ----------
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame, 0 where a frame has no pixel.
    guide : ndarray, shape (h, w, C), float32
        Sharp picture; depth edges follow its edges. C is 1 or 3.
    reduction : int
        Pixels of the frames for one of the measures: windows span so many of the frames.
    axis_px : ndarray, shape (N,), optional
        Frames on the focus axis, px of blur-circle diameter of the frames.
    group_bytes : int
        Measures read from disk are held up to this size at once; more means fewer returns to each
        tile, and the same result.

    Returns
    -------
    DepthMap, shape (h, w)
        In frames: ``position`` for mixing frames, from a parabola through the logarithms of the
        three measures at the peak; ``exact``, the depth itself, from one through the power of them
        that the texture asks for, see `fall_off_powers`.

    Notes
    -----
    Where sharpness falls off fast the parabola of logarithms lies up to 0.1 frame nearer to the
    sharper frame: wrong as a depth, better for mixing; blended by the exact depth a rendered macro
    loses 0.1 dB.
    """
    shape = guide.shape[:2]
    position, confidence, exact = (np.empty(shape, np.float32) for _ in range(3))
    depth = DepthMap(position, confidence, exact)
    boxes = list(iterate_tiles(shape, _TILE_ROWS, _TILE_COLUMNS))
    mean, peak = _summarize(measures, shape, boxes, group_bytes)
    noise = np.maximum(np.float32(np.percentile(mean, 2)), LEAST)
    apart, step_px = _apart(axis_px)
    tiles = _Tiles(guide, mean, peak, noise, depth, reduction, (len(measures), apart))
    for first, group in _groups(measures, group_bytes):
        last = first + len(group) == len(measures)
        map_threads(partial(tiles.add, first=first, group=group, last=last), boxes)
    depth = fill_guesses(depth, guide, reduction)
    if apart == 1:  # else all powers agree so near the peak
        _adapt_to_texture(depth, guide, step_px, reduction)
    return depth


def _adapt_to_texture(depth: DepthMap, guide: FloatArray, step_px: float, reduction: int) -> None:
    """Move the exact depth from that of power -1 to that of the power that its texture asks for.

    Between powers of 0, the logarithm, and -2 depth goes in proportion to within 0.01 frame.
    """
    assert depth.exact is not None
    off = np.abs(depth.position - np.rint(depth.position))
    sharp = (off < _IN_FOCUS) & (depth.confidence > _SURE)
    if sharp.any():
        depth.exact[:] -= depth.position
        depth.exact[:] *= -fall_off_powers(guide, sharp, step_px, reduction)
        depth.exact[:] += depth.position


def _apart(axis_px: NDArray[np.float64] | None) -> tuple[int, float]:
    """Return how many frames apart the measures lie that peaks are found from, and how many px."""
    step = 0.0 if axis_px is None else float(np.median(np.abs(np.diff(axis_px))))
    if step <= 0:
        return 1, _APART_PX
    apart = min(max(round(_APART_PX / step), 1), _MOST_APART)
    return apart, apart * step


def _groups(measures: ScratchStack, group_bytes: int) -> Iterator[tuple[int, list[NDArray[Any]]]]:
    """Yield (index of the first, some measures), as many as fit into memory."""
    size = max(1, group_bytes // max(measures[0].nbytes, 1))
    for first in range(0, len(measures), size):
        yield first, [measures[k] for k in range(first, min(first + size, len(measures)))]


def _summarize(
    measures: ScratchStack, shape: tuple[int, ...], boxes: list[Tile], group_bytes: int
) -> tuple[FloatArray, FloatArray]:
    """Return the mean and the highest of all measures."""
    total, peak = np.zeros(shape, np.float32), np.zeros(shape, np.float32)

    def add(box: Tile, group: Sequence[NDArray[Any]]) -> None:
        for measure in group:
            values = as_floats(measure[box])
            total[box] += values
            np.maximum(peak[box], values, out=peak[box])

    for _, group in _groups(measures, group_bytes):
        map_threads(partial(add, group=group), boxes)
    total /= max(len(measures), 1)
    return total, peak


class _Tiles:
    """Work on one tile after the other, all frames of a group for each."""

    def __init__(
        self,
        guide: FloatArray,
        mean: FloatArray,
        peak: FloatArray,
        noise: np.float32,
        depth: DepthMap,
        reduction: int,
        frames: tuple[int, int],
    ) -> None:
        """Begin; ``frames``: how many, and so many apart peaks are found from."""
        self._count, self._apart = frames
        self._guide, self._mean, self._peak = guide, mean, peak
        self._noise, self._depth = noise, depth
        self._pad = padding_px(reduction)
        self._kernel = half_kernel(_LOST_SIGMA_PX / reduction, self._pad)
        self._states: dict[tuple[int, int], FloatArray] = {}

    def add(self, box: Tile, first: int, group: Sequence[NDArray[Any]], *, last: bool) -> None:
        """Take a group of measures, the first of them number ``first``, into one tile."""
        key = box[0].start, box[1].start
        shape = box[0].stop - key[0], box[1].stop - key[1]
        state = self._states.pop(key, None)
        if state is None:
            state = filtering.start_state(shape, self._apart)
        smooth_along_edges = filtering.EdgeFilter(
            cut_tile(self._guide, box, self._pad), self._pad
        ).apply
        weight = 1 / (cut_tile(self._peak, box, self._pad) + self._noise)
        for count, measure in enumerate(group, first):
            values = cut_tile(measure, box, self._pad)
            wide = filtering.widen_tile(values, self._kernel, self._pad)
            np.multiply(values, weight, out=values)
            filtering.track_frame(state, smooth_along_edges(values), wide, count)
        if last:
            self._finish(box, state)
        else:
            self._states[key] = state

    def _finish(self, box: Tile, state: FloatArray) -> None:
        """Put the position and confidence of one tile into the depth map."""
        smooth, wide = state[filtering.SMOOTH :], state[filtering.WIDE :]
        position = self._peak_place(smooth, state[filtering.SECOND])
        offset = position - smooth[filtering.INDEX]
        before, chosen, after = state[filtering.BESIDE : filtering.LAST]
        np.maximum(chosen, before, out=chosen, where=offset <= 0)
        np.maximum(chosen, after, out=chosen, where=offset >= 0)
        lost = chosen + self._noise < _LOST_SHARE * (wide[filtering.BEST] + self._noise)
        self._depth.position[box] = np.where(lost, self._peak_place(wide), position)
        assert self._depth.exact is not None
        exact = self._peak_place(smooth, state[filtering.SECOND], inverse=True)
        exact = np.where(offset == 0, position, exact)  # what lies beyond an end stays in it
        self._depth.exact[box] = np.where(lost, self._peak_place(wide, inverse=True), exact)
        mean, peak = self._mean[box], self._peak[box]
        contrast = np.clip((peak - mean) / (peak + self._noise), 0, 1)
        self._depth.confidence[box] = contrast * peak / (peak + 2 * self._noise)

    def _peak_place(
        self, planes: FloatArray, second: FloatArray | None = None, *, inverse: bool = False
    ) -> FloatArray:
        """Return the peak, by a parabola through three logarithms or, if ``inverse``, 1 over them.

        In the first and the last frame, given the ``second`` measures beside, through the three on
        the one side: of places up to half a step inside.
        """
        index, last = planes[filtering.INDEX], np.float32(self._count - 1)
        left, right = (np.clip(away, 1, self._apart) for away in (index, last - index))
        low, top, high = (
            np.log(np.maximum(planes[k], LEAST))
            for k in (filtering.BEFORE, filtering.BEST, filtering.AFTER)
        )
        far = None if second is None else np.log(np.maximum(second, LEAST))
        if inverse:
            low, high = (-np.exp(top - v) for v in (low, high))
            far = None if far is None else -np.exp(top - far)
            top = np.float32(-1)
        half = np.float32(self._apart / 2 if inverse else 0.5)
        rise, fall = (top - low) / left, (top - high) / right
        bend = np.maximum((rise + fall) / (left + right), _LEAST_BEND)
        offset = np.clip((rise * right - fall * left) / (2 * bend * (left + right)), -half, half)
        inner = (planes[filtering.BEFORE] > 0) & (planes[filtering.AFTER] > 0)
        place = index + np.where(inner, offset, 0)
        if far is not None and self._count > 2 * self._apart:
            drop = np.where(index == 0, top - high, top - low)
            bend = (top - far) / 2 - drop
            inward = (bend - drop) / (2 * np.maximum(bend, _LEAST_BEND)) * np.float32(self._apart)
            inward = np.where(bend > 0, np.clip(inward, 0, half), 0)
            place += np.where(index == 0, inward, 0) - np.where(index == last, inward, 0)
        return np.asarray(place, np.float32)


def cut_tile(values: NDArray[Any], box: Tile, pad: int) -> FloatArray:
    """Return a tile with ``pad`` more all round, reflected at the border of the whole."""
    height, width = values.shape[:2]
    rows, columns = grow_tile(box, pad, (height, width))
    part = as_floats(values[rows, columns])
    top, left = rows.start - box[0].start + pad, columns.start - box[1].start + pad
    bottom, right = box[0].stop + pad - rows.stop, box[1].stop + pad - columns.stop
    padded = cv2.copyMakeBorder(part, top, bottom, left, right, cv2.BORDER_REFLECT_101)
    return padded.reshape(*padded.shape[:2], *values.shape[2:])

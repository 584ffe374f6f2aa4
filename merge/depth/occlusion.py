"""Which of two surfaces a place beside a depth edge belongs to.

The measure of detail mixes both sides of an edge within a few pixels, and fine texture of what
lies behind shows through the blur of what lies in front. One picture knows better: in the frame
focused on the nearer surface that surface ends sharply, and all behind it is blurred so widely
that its light can be foretold from the rest of the depth map. So each place beside a depth edge is
compared in that frame with the light foretold there and with the nearer surface around.

A thin thing may be missing from the depth map altogether: what lies behind shows through its blur,
and more sharply than it ever is. Such places have a second peak of sharpness in a nearer frame, and
differ there from the light foretold.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.depth.filling import nearest_value
from merge.depth.filtering import FILTER_RADIUS_PX
from merge.depth.measuring import REACH_SIGMAS, WINDOW_SIGMA_PX
from merge.depth.octaves import CELL_PX, LEAST_SHARE
from merge.depth.rims import BlurRims
from merge.disks import blur_by_disk, end_of_layer
from merge.encoding import encode, linearize
from merge.model import BoolArray, DepthMap, FloatArray
from merge.resizing import enlarge_part, reduce_map
from merge.scratch import ScratchStack, as_floats
from merge.threads import map_threads
from merge.tiles import Tile, grow_tile, iterate_tiles, tile_within

# A surface counts as nearer from this much blur in front, but from this many frames at least: with
# three frames 13 px apart (rendered landscape, which lost 0.03 dB from 0.75 frames on) the light
# behind is known too coarsely.
_GAP_PX, _LEAST_GAP_FRAMES = 6.0, 1.2
# The filter reaches twice its radius: so far away a place is questioned with a nearer surface. With
# a farther one it is within the radius, and surfaces are sure beyond that.
_REACH_PX = 2 * FILTER_RADIUS_PX
# Differences of colour are roots of the summed squares of three channels. Photograph scene, edges:
# 28.48 dB as it was, 28.75 with 0.08 for what goes nearer alone, 28.78 with both; with the limits
# of unveiling taken away 28.56, 29.08 and 29.27. Rendered macro 28.53 and 28.58.
# A place that differs more from the light foretold goes to the nearer surface, one that differs by
# less than half of that to the farther one.
_APART = 0.12
# A second peak of sharpness (power averaged with this sigma, px of the map) stands out by so many
# times the least between it and the place's own frame. A thin thing lies there if the place differs
# from the light foretold as many times as much as places around that surely lie behind do (where
# there are none, by _APART),
_CLEARLY, _PEAK_SIGMA_PX = 3.0, 1.0
# by this share of the most around (beside it, too, there is some of its sharpness), and with so
# much sharpness for its contrast: blurred letters before nothing nearer have less (held by
# test_the_border_of_a_smooth_leaf_takes_no_labels_of_the_wall).
_THIN_SHARE, _STEEP = np.float32(0.7), np.float32(0.1)
_TILE_PX = 128
_SCRATCH_BYTES = 128 << 20
_FRAMES_AT_ONCE = 4


def refine_occlusion_edges(
    depth: DepthMap,
    measures: ScratchStack,
    pictures: ScratchStack,
    positions_px: NDArray[np.float64],
    *,
    transfer: str,
    near_first: bool = True,
    rims: BlurRims | None = None,
) -> DepthMap:
    """Return a depth map with the places beside depth edges on the surface they belong to.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
        From `locate_depth`.
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame.
    pictures : ScratchStack of (h, w, C)
        Every frame, aligned, at the size of the depth map, in its own encoding.
    positions_px : ndarray, shape (N,)
        Frames on the focus axis in px of blur-circle diameter, in pixels of the depth map.
    transfer : str
        Of the pictures, see `merge.encoding`.
    near_first : bool
        Whether the first frame is the near end.
    rims : BlurRims, optional
        A second peak of sharpness that is the rim of something's blur is no thin thing.

    Returns
    -------
    DepthMap
        Confidence is left as it was.

    Notes
    -----
    Places stay as they are where both surfaces have one colour, or where too little of what lies
    behind is known.
    """
    count = len(pictures)
    frames = list(range(count)) if near_first else list(range(count - 1, -1, -1))
    position = depth.position if near_first else np.float32(count - 1) - depth.position
    gap = gap_in_frames(positions_px)
    peaks = _nearer_peaks(position, (measures[k] for k in frames), gap)
    if rims is not None:
        found, sharpness = peaks
        where = found if near_first else np.float32(count - 1) - found
        found[rims.explain(where, sharpness**2, found >= 0)] = -1
    candidates = _Candidates.of(position, depth.confidence > 0, peaks, gap)
    out = position.copy()
    if candidates.tiles:
        cells = -(-position.shape[0] // CELL_PX), -(-position.shape[1] // CELL_PX)
        channels = pictures[0].shape[2]
        shape = (*cells, channels + 1)
        with ScratchStack(count, shape, np.float32, memory_bytes=_SCRATCH_BYTES) as layers:
            for first in range(0, count, _FRAMES_AT_ONCE):
                for layer in map_threads(
                    lambda k: _own_light(position, k, pictures[frames[k]], transfer),
                    range(first, min(first + _FRAMES_AT_ONCE, count)),
                ):
                    layers.append(layer)
            blur_px = np.abs(np.subtract.outer(positions_px, positions_px))[np.ix_(frames, frames)]
            for index, boxes in sorted(candidates.tiles.items()):
                behind = _light_behind(
                    layers, index, candidates.gap_frames, blur_px[index] / CELL_PX, transfer
                )
                if behind is None:
                    continue
                scene = _Scene(index, pictures[frames[index]], behind, position, candidates)
                map_threads(partial(_settle, scene, out=out), boxes)
    if not near_first:
        unchanged = out == position
        out = np.where(unchanged, depth.position, np.float32(count - 1) - out)
    exact = depth.exact
    if exact is not None:
        exact = np.where(out == depth.position, exact, out)
    beyond = depth.beyond
    if beyond is not None:
        beyond = np.where(out == depth.position, beyond, np.int8(0))
    return DepthMap(out, depth.confidence, exact, beyond)


def gap_in_frames(positions_px: NDArray[np.float64]) -> float:
    """Return from how many frames apart places lie on two surfaces, to a quarter of a frame.

    Labels lie near whole frames, so that a hundredth more or less than one would turn many over.
    """
    step = float(np.median(np.abs(np.diff(positions_px))))
    return max(round(4 * _GAP_PX / max(step, 1e-6)) / 4, _LEAST_GAP_FRAMES)


@dataclass(frozen=True, eq=False)
class _Candidates:
    """Places in doubt, and the tiles that hold some for every frame on a nearer surface.

    Attributes
    ----------
    nearer : ndarray, shape (h, w), float32
        The frame of the nearest surface around.
    peaks, sharpness : ndarray, shape (h, w), float32
        The nearer frame with a second peak of sharpness, -1 without, and its measure there.
    maybe_front, maybe_behind : ndarray, shape (h, w), bool
        Places with a nearer surface beside them, and places beside which one lies farther.
    tiles : dict of int to list of (rows, columns)
    gap_frames : float
        From how many frames apart surfaces count as two.
    """

    nearer: FloatArray
    peaks: FloatArray
    sharpness: FloatArray
    maybe_front: BoolArray
    maybe_behind: BoolArray
    tiles: dict[int, list[Tile]]
    gap_frames: float

    @classmethod
    def of(
        cls,
        position: FloatArray,
        seen: BoolArray,
        second: tuple[FloatArray, FloatArray],
        gap_frames: float,
    ) -> _Candidates:
        """Return the candidates that a depth map leaves, near end first.

        What was not seen to be nearer, but guessed from around, is no surface to go to: a backdrop
        that coarse detail puts before the hairs in it would take them, and so it would where the
        median hides a hair. A peak in a frame beside a known surface's is that surface's own.
        """
        calm, (peaks, sharpness) = cv2.medianBlur(position, 5), second
        surely = np.where(seen, np.maximum(calm, position), np.float32(np.inf))
        nearest = cv2.erode(surely, _square(_REACH_PX))
        farthest = cv2.dilate(calm, _square(FILTER_RADIUS_PX))
        front = position - nearest > gap_frames
        behind = farthest - position > gap_frames
        nearer, own = np.round(nearest), np.round(position)
        own_of_another = (peaks > nearest - np.float32(gap_frames)) & (peaks != nearer)
        peaks[own_of_another] = -1
        tiles: dict[int, list[Tile]] = {}
        for box in iterate_tiles(position.shape, _TILE_PX, _TILE_PX):
            thin = peaks[box][peaks[box] >= 0]
            found = nearer[box][front[box]], own[box][behind[box]], thin
            for index in np.unique(np.concatenate(found)):
                tiles.setdefault(int(index), []).append(box)
        return cls(nearer, peaks, sharpness, front, behind, tiles, gap_frames)


@dataclass(frozen=True, eq=False)
class _Scene:
    """One frame, the light foretold in it (see `_light_behind`), and the depth map."""

    index: int
    picture: NDArray[np.float16]
    behind: FloatArray
    position: FloatArray
    candidates: _Candidates


def _nearer_peaks(
    position: FloatArray, measures: Iterable[NDArray[np.float16]], gap_frames: float
) -> tuple[FloatArray, FloatArray]:
    """Return in which frame, nearer than a place's own, it has another peak of sharpness, else -1.

    And the measure there, both (h, w); ``measures`` near end first.
    """
    best, between = np.zeros_like(position), np.zeros_like(position)
    peaks = np.full_like(position, -1)
    boxes = list(iterate_tiles(position.shape, _TILE_PX, position.shape[1]))

    def add(box: Tile, k: int, measure: NDArray[np.float16]) -> None:
        here, low = position[box], between[box]
        padded = grow_tile(box, round(REACH_SIGMAS * _PEAK_SIGMA_PX), position.shape)
        power = as_floats(measure[padded]) ** 2
        power = cv2.GaussianBlur(power, (0, 0), _PEAK_SIGMA_PX)[tile_within(box, padded)]
        higher = (power > best[box]) & (here > np.float32(k + gap_frames))
        np.minimum(low, power, out=low, where=here > np.float32(k + 0.5))
        best[box][higher], low[higher], peaks[box][higher] = power[higher], np.inf, k

    farthest = float(position.max())
    for k, measure in enumerate(measures):
        if k + 0.5 < farthest:
            map_threads(partial(add, k=k, measure=measure), boxes)
    peaks[best <= np.float32(_CLEARLY) * between] = -1
    return peaks, np.sqrt(best)


def _own_light(
    position: FloatArray, index: int, picture: NDArray[np.float16], transfer: str
) -> FloatArray:
    """Return how much linear light, and how many places, every cell holds of one frame's depth."""
    rows, columns = np.nonzero(np.round(position) == index)
    cells = -(-position.shape[0] // CELL_PX), -(-position.shape[1] // CELL_PX)
    if not len(rows):
        return np.zeros((*cells, picture.shape[2] + 1), np.float32)
    light = linearize(as_floats(picture[rows, columns]), transfer)
    cell = rows // CELL_PX * cells[1] + columns // CELL_PX
    sums = [np.bincount(cell, channel, cells[0] * cells[1]) for channel in light.T]
    sums.append(np.bincount(cell, minlength=cells[0] * cells[1]))
    return np.stack(sums, axis=1).astype(np.float32).reshape(*cells, -1)


def _light_behind(
    layers: ScratchStack,
    index: int,
    gap_frames: float,
    blur_cells: NDArray[np.float64],
    transfer: str,
) -> FloatArray | None:
    """Return the light from behind a frame's plane as that frame shows it; None without any.

    Shape (cells, cells, C + 1), in the picture's encoding, and how much of a cell is known from how
    much lies behind; farther surfaces are taken as if none of them hid another.
    """
    total: FloatArray | None = None
    farther = [k for k in range(len(layers)) if k > index + gap_frames]
    while farther:
        widest = end_of_layer(float(blur_cells[farther[0]]))
        alike = [k for k in farther if blur_cells[k] <= widest]
        farther = [k for k in farther if k not in alike]
        layer = np.zeros(layers[0].shape, np.float32)
        for k in alike:
            layer += layers[k]
        if layer[..., -1].any():
            spread = blur_by_disk(layer, float(np.mean([blur_cells[k] for k in alike])))
            total = spread if total is None else total + spread
    if total is None:
        return None
    light = encode(total[..., :-1] / np.maximum(total[..., -1:], np.float32(1e-3)), transfer)
    return np.concatenate([light, total[..., -1:] / np.float32(CELL_PX**2)], axis=2)


def _settle(scene: _Scene, box: Tile, out: FloatArray) -> None:
    """Decide the places of one tile whose nearer surface is in focus in the scene's frame."""
    asked = _asked(scene, box)
    if asked is None:
        return
    box = asked
    padded = grow_tile(box, 3 * _REACH_PX, scene.position.shape)
    core = tile_within(box, padded)
    position, candidates = scene.position[padded], scene.candidates
    seen = as_floats(scene.picture[padded])
    isbehind = position > np.float32(scene.index + candidates.gap_frames)
    isfront = np.abs(position - np.float32(scene.index)) < candidates.gap_frames
    surely_behind = _shrunk(~isbehind, FILTER_RADIUS_PX)
    behind, known = _predict_behind(scene, padded, seen, surely_behind)
    off_behind = _difference(seen, behind)
    thin = isbehind & known & (candidates.peaks[padded] == scene.index)
    thin &= candidates.sharpness[padded] > _STEEP * off_behind
    thin &= off_behind > _CLEARLY * _doubt(off_behind, surely_behind & ~thin)
    thin &= off_behind > _THIN_SHARE * cv2.dilate(
        off_behind * (thin | isfront), _square(FILTER_RADIUS_PX)
    )
    isfront, isbehind = isfront | thin, isbehind & ~thin
    position = np.where(thin, np.float32(scene.index), position)
    front = _colour_around(seen, isfront, _shrunk(isbehind, FILTER_RADIUS_PX))
    off_front = _difference(seen, front)
    goes_near = candidates.maybe_front[padded] & (candidates.nearer[padded] == scene.index)
    goes_near |= isbehind & known & (cv2.dilate(thin.astype(np.uint8), _square(_REACH_PX)) > 0)
    goes_near = thin | (goes_near & (off_behind > _APART) & (off_front < off_behind))
    own = np.round(position) == scene.index
    goes_far = candidates.maybe_behind[padded] & own & known & (off_behind < _APART / 2)
    goes_far &= off_front > _APART
    for goes, there in ((goes_near, isfront), (goes_far, surely_behind)):
        if goes[core].any() and there.any():
            lent, distance = nearest_value(position, there)
            goes &= distance < _REACH_PX + FILTER_RADIUS_PX
            np.copyto(out[box], lent[core], where=goes[core])


def _asked(scene: _Scene, box: Tile) -> Tile | None:
    """Return the rectangle of whole cells that holds the places of a tile in doubt; None if none.

    Those are places with a nearer surface in this frame, places of it, and thin things with what
    may be theirs around.
    """
    candidates, around = scene.candidates, grow_tile(box, _REACH_PX, scene.position.shape)
    thin = (candidates.peaks[around] == scene.index).astype(np.uint8)
    doubt = cv2.dilate(thin, _square(_REACH_PX))[tile_within(box, around)] > 0
    doubt |= candidates.maybe_front[box] & (candidates.nearer[box] == scene.index)
    own = np.round(scene.position[box]) == scene.index
    doubt |= candidates.maybe_behind[box] & own
    sides = []
    for axis, side in ((1, box[0]), (0, box[1])):
        found = np.flatnonzero(doubt.any(axis=axis))
        if not len(found):
            return None
        first = side.start + int(found[0]) // CELL_PX * CELL_PX
        last = side.start - (-(int(found[-1]) + 1) // CELL_PX) * CELL_PX
        sides.append(slice(first, min(last, side.stop)))
    return sides[0], sides[1]


def _square(radius: int) -> NDArray[np.uint8]:
    return np.ones((2 * radius + 1,) * 2, np.uint8)


def _doubt(off: FloatArray, sure: BoolArray) -> FloatArray:
    """Return by how much places around differ that surely lie behind, (h, w)."""
    weight = sure.astype(np.float32)
    square = np.minimum(off, np.float32(_APART / 2)) ** 2 * weight
    unsure = LEAST_SHARE * np.float32((_APART / _CLEARLY) ** 2)
    total = cv2.GaussianBlur(square, (0, 0), FILTER_RADIUS_PX) + unsure
    weight = cv2.GaussianBlur(weight, (0, 0), FILTER_RADIUS_PX) + LEAST_SHARE
    return np.asarray(np.sqrt(total / weight), np.float32)


def _shrunk(other: BoolArray, radius: int) -> BoolArray:
    """Return the places farther than ``radius`` from any of ``other``."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    return cv2.dilate(other.astype(np.uint8), kernel) == 0


def _predict_behind(
    scene: _Scene, padded: Tile, seen: FloatArray, sure: BoolArray
) -> tuple[FloatArray, BoolArray]:
    """Return the light from behind at every pixel, brought in line with what is surely behind.

    And where that is known: some of it lies behind, and some near enough is seen.
    """
    cells = tuple(slice(s.start // CELL_PX, -(-s.stop // CELL_PX)) for s in padded)
    behind, cover = scene.behind[cells][..., :-1], scene.behind[cells][..., -1]
    share = reduce_map(sure.astype(np.float32), CELL_PX)
    light = reduce_map(seen * sure[..., None], CELL_PX)
    off = light / np.maximum(share, np.float32(1e-3))[..., None] - behind
    share = share * (np.abs(off).max(axis=2) < _APART)
    sigma = FILTER_RADIUS_PX / CELL_PX
    weight = cv2.GaussianBlur(share, (0, 0), sigma)
    shift = _blurred(off * share[..., None], sigma) / np.maximum(weight, LEAST_SHARE)[..., None]
    whole = 0, 0, *seen.shape[:2]
    full = enlarge_part(behind + shift, whole, CELL_PX).reshape(seen.shape)
    return full, enlarge_part(np.minimum(weight, cover), whole, CELL_PX) > LEAST_SHARE


def _colour_around(seen: FloatArray, place: BoolArray, sure: BoolArray) -> FloatArray:
    """Return the colour of a surface around every pixel, of its sure places where there are any."""
    weight = np.where(place & sure, np.float32(1), place * np.float32(1e-3))
    near = _blurred(seen * weight[..., None], FILTER_RADIUS_PX / 2)
    share = cv2.GaussianBlur(weight, (0, 0), FILTER_RADIUS_PX / 2)
    return near / np.maximum(share, np.float32(1e-6))[..., None]


def _difference(one: FloatArray, two: FloatArray) -> FloatArray:
    """Return the root of the summed squares of three channels, over a little window."""
    apart = one - two
    summed = np.full((1, one.shape[2]), 3 / one.shape[2], np.float32)
    square = cv2.transform(cv2.multiply(apart, apart).reshape(one.shape), summed)
    return cv2.sqrt(cv2.GaussianBlur(square.reshape(one.shape[:2]), (0, 0), WINDOW_SIGMA_PX))


def _blurred(values: FloatArray, sigma: float) -> FloatArray:
    return cv2.GaussianBlur(values, (0, 0), sigma).reshape(values.shape)

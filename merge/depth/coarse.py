"""Depth of places where only coarse detail tells: backdrops and smooth surfaces.

The measure of detail answers to a pixel or two. What every frame shows blurred by tens of pixels
has nothing there but noise, and what the filter spreads from sharp things beside it. Such places
are found, then judged by octaves of the aligned frames: each octave's amplitude, less its noise,
says how much of the place's light a frame has lost against the sharpest. Frames in which the blur
of a sharp thing lies over a place do not count there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.depth.evidence import Evidence
from merge.depth.filling import COLOUR_STEP, spread_along_links
from merge.depth.measuring import white_noise_power
from merge.depth.octaves import CELL_PX, LEAST_SHARE, OCTAVES, Octaves
from merge.disks import blur_by_disk, end_of_layer
from merge.model import BoolArray, DepthMap, FloatArray
from merge.pyramid import build_gaussian
from merge.resizing import enlarge_part, reduce_map, reduced_shape
from merge.scratch import ScratchStack, as_floats
from merge.threads import FRAMES_AT_ONCE, work_ahead

# An octave counts where so much of its window is free; a thing's blur reaches so many times as far
# as its place tells.
_FREE_SHARE, _SAFE_BLUR = 0.1, 1.25
# A loss so many times a sixteenth of the noise's variance has half of the greatest weight; where
# nothing tells, the far end has this one.
_CLEAR_LOSS, _PRIOR = 64.0, 0.1
# A guess that colours tie to fine detail by less than the second share takes what is told, however
# little; by less than the first it lies at the far end where nothing is, else as far as what blurs.
# What is trusted less than the second stays a guess.
_LOOSE, _BOUND = 0.25, 0.4
# Independent values in the window of the finest measure: with those of an octave a backdrop at ISO
# 6400 loses 0.5 dB.
_FINE_FREEDOM = 60.0
# Power so many times as much is clearly more.
_CLEARLY = 2.0
_SCRATCH_BYTES = 128 << 20


def settle_smooth_places(
    depth: DepthMap,
    evidence: Evidence,
    measures: ScratchStack,
    pictures: ScratchStack,
    guide: FloatArray,
    axis_px: NDArray[np.float64],
    *,
    near_first: bool = True,
) -> tuple[DepthMap, BoolArray]:
    """Return a depth map in which coarse detail tells the depth of places without fine detail.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
        From `locate_depth`.
    evidence : Evidence
        From `weigh_evidence`.
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame.
    pictures : ScratchStack of (h, w, C)
        Aligned frames in their own encoding.
    guide : ndarray, shape (h, w, C), float32
        Sharp picture.
    axis_px : ndarray, shape (N,)
        Frames on the focus axis, px of blur-circle diameter at this size.
    near_first : bool
        Whether the first frame is the near end.

    Returns
    -------
    DepthMap
        With ``beyond``; confidence 0 where coarse detail decided.
    ndarray of bool, shape (h, w)
        Where neither fine nor coarse detail tells: these depths are guesses.
    """
    far = len(axis_px) - 1 if near_first else 0
    judged = _judge_octaves(measures, pictures, guide, depth.position, evidence, axis_px, far)
    whole = 0, 0, *depth.position.shape
    place, trust, tie = (enlarge_part(values, whole, CELL_PX) for values in judged)
    told = ((depth.confidence <= 0) & (tie < _BOUND)) | (trust > LEAST_SHARE)
    told &= ~evidence.sure
    if evidence.rims is not None:  # they lie with what blurs over them
        told &= ~evidence.rims
    asked = (np.where(told, values, np.float32(-1)) for values in (place, depth.position))
    told &= ~shows_less(pictures, measures, evidence, *asked)
    # Coarse detail in an end frame and no fine one there: it lies beyond.
    beyond = np.zeros(told.shape, np.int8)
    beyond[told & (place > len(axis_px) - 1.5)] = 1
    beyond[told & (place < 0.5)] = -1
    exact = depth.position if depth.exact is None else depth.exact
    settled = DepthMap(
        np.where(told, place, depth.position),
        np.where(told, np.float32(0), depth.confidence),
        np.where(told, place, exact),
        beyond,
    )
    return settled, ~evidence.sure & (trust < _BOUND)


def shows_less(
    pictures: ScratchStack,
    measures: ScratchStack,
    evidence: Evidence,
    place: FloatArray,
    before: FloatArray,
) -> BoolArray:
    """Return where one frame shows clearly less coarse detail than another.

    Such as a soft stalk before a backdrop: it has coarse detail of its own where it is in focus.
    What is sharp and its surroundings, which cannot tell, are left out.

    Parameters
    ----------
    pictures : ScratchStack of (h, w, C)
        Aligned frames in their own encoding.
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame.
    evidence : Evidence
    place, before : ndarray, shape (h, w), float32
        Which frame, at each place, may show less than which other one; -1 for neither.

    Returns
    -------
    ndarray of bool, shape (h, w)
    """
    octaves = Octaves(*[(~_grown(evidence.sure, 3)).astype(np.float32)] * 2)
    wanted = [np.rint(values) for values in (place, before)]
    whole = 0, 0, *place.shape
    near = slice(1, OCTAVES - 1)  # the last two look past a stalk
    noise = _noise_powers(evidence)[near]
    shown = np.zeros((2, *place.shape), np.float32)
    frames = np.unique(np.concatenate([values[values >= 0] for values in wanted])).astype(int)
    for k, powers in zip(frames, _powers(octaves, pictures, measures, frames), strict=True):
        above = np.maximum(powers[near] - 3 * noise, 0).sum(axis=0)
        full = enlarge_part(above, whole, CELL_PX)
        for which, values in enumerate(wanted):
            np.copyto(shown[which], full, where=values == k)
    return shown[1] > _CLEARLY * shown[0] + 3 * np.float32(noise.sum())


def _judge_octaves(
    measures: ScratchStack,
    pictures: ScratchStack,
    guide: FloatArray,
    position: FloatArray,
    evidence: Evidence,
    axis_px: NDArray[np.float64],
    far: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return, in cells, the frame with least loss of light, how far to trust it, and `_tie`."""
    loss, known = _losses(measures, pictures, position, evidence, axis_px)
    floor = np.float32((evidence.noise / evidence.reduction) ** 2 / 16)
    most = loss.max(axis=0)
    free = reduce_map((~evidence.sure).astype(np.float32), CELL_PX)
    weight = known * free * most / (most + _CLEAR_LOSS * floor)
    colour = reduce_map(guide * ~evidence.sure[..., None], CELL_PX)
    colour /= np.maximum(free, np.float32(1e-3))[..., None]
    weight = weight.astype(np.float32)
    own = _least(loss, floor)
    around, trust = _spread(own, weight**2, colour, free < 1)
    trust = np.sqrt(trust)
    # A smooth place of which no frame shows more than another is rather far than near; one that
    # blur of sharp things reaches in the farthest frame, or in some frame and that is not clearly
    # apart from them by its colour, as far as any of them.
    tie = _tie(evidence, guide)
    apart = known | ((trust > 0) & (tie < _LOOSE))
    apart &= _free_cells(position, evidence.sure, axis_px, [far]) > 0
    last = np.where(apart, np.float32(far), _farthest(position, evidence.sure, axis_px, far))
    around = (around * trust**2 + last * _PRIOR**2) / (trust**2 + _PRIOR**2)
    near = cv2.GaussianBlur(weight, (0, 0), 1.0)
    own = cv2.GaussianBlur(own * weight, (0, 0), 1.0) / np.maximum(near, np.float32(1e-6))
    return near * own + (1 - near) * around, np.maximum(near, trust), tie


def _farthest(
    position: FloatArray, sure: BoolArray, axis_px: NDArray[np.float64], far: int
) -> FloatArray:
    """Return, in cells, the depth farthest back of what is sharp as far around as blur reaches."""
    share = reduce_map(sure.astype(np.float32), CELL_PX)
    apart = reduce_map(np.abs(position - np.float32(far)) * sure, CELL_PX)
    apart = np.where(share > _BOUND, apart / np.maximum(share, LEAST_SHARE), len(axis_px))
    reach = int(np.ceil(np.ptp(axis_px) / CELL_PX))
    least = cv2.erode(apart.astype(np.float32), np.ones((2 * reach + 1,) * 2, np.uint8))
    return np.abs(np.float32(far) - np.where(least < len(axis_px), least, np.float32(0)))


def _tie(evidence: Evidence, guide: FloatArray) -> FloatArray:
    """Return, in cells, how firmly colours tie a place to ones with fine detail of their own."""
    sure = reduce_map(evidence.sure.astype(np.float32), CELL_PX)
    everywhere = np.ones(sure.shape, bool)
    return _spread(sure, sure, reduce_map(guide, CELL_PX), everywhere)[1]


def _spread(
    values: FloatArray, weight: FloatArray, colour: FloatArray, beside: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return the weighted mean of what lies around, and the mean weight.

    Where a sharp thing lies between, only to cells of like colour: past a hair, but not from a
    backdrop into a smooth stalk before it.
    """
    links = []
    for axis in (1, 0):
        step = np.abs(np.diff(colour, axis=axis)).sum(axis=2)
        pair = beside | np.roll(beside, -1, axis)
        pair = pair[:, :-1] if axis else pair[:-1]
        links.append(np.exp(-step * pair / np.float32(COLOUR_STEP)))
    across = np.ascontiguousarray(links[1].T)
    return spread_along_links(values, weight, links[0], across)


def _least(loss: FloatArray, floor: np.float32) -> FloatArray:
    """Return the frame of the least of N maps, between frames where some are alike."""
    best = loss.argmin(axis=0)
    frames = np.arange(len(loss), dtype=np.float32)
    total, weights = np.zeros(best.shape, np.float32), np.zeros(best.shape, np.float32)
    for k, values in enumerate(loss):
        weight = (np.abs(best - k) <= 2) / (values + floor) ** 2
        total += weight * frames[k]
        weights += weight
    return np.asarray(total / weights, np.float32)


def _losses(
    measures: ScratchStack,
    pictures: ScratchStack,
    position: FloatArray,
    evidence: Evidence,
    axis_px: NDArray[np.float64],
) -> tuple[FloatArray, BoolArray]:
    """Return every frame's loss of light's variance, (N, cells), and where it is known."""
    count, cells = len(pictures), reduced_shape(position.shape, CELL_PX)
    # One window for all frames: powers of different windows could not be compared.
    free = enlarge_part(
        _free_cells(position, evidence.sure, axis_px, range(count)),
        (0, 0, *position.shape),
        CELL_PX,
    )
    inside = (((free > 0.5) & ~_grown(evidence.sure, by)).astype(np.float32) for by in (1, 3))
    octaves = Octaves(*inside)
    noise = _noise_powers(evidence)
    most = np.zeros((OCTAVES + 1, *cells), np.float32)
    loss = np.zeros((count, *cells), np.float32)
    with ScratchStack(count, most.shape, np.float32, memory_bytes=_SCRATCH_BYTES) as amplitudes:
        for powers in _powers(octaves, pictures, measures, range(count)):
            np.maximum(most, powers, out=most)
            amplitudes.append(np.sqrt(np.maximum(powers / noise - 1, 0)))
        # An octave of noise alone says nothing: of N frames one is always strongest. In a window of
        # sigma 2 there are 1 + 2 * 2² independent values of a band of 1 px.
        freedom = np.array([_FINE_FREEDOM] + [9] * OCTAVES, np.float32)[:, None, None]
        chance = 1 + 4 * np.sqrt(2 / freedom)
        significant = np.clip(most / (noise * chance) - 1, 0, 1)
        clear = octaves.seen > _FREE_SHARE
        highest = np.sqrt(np.maximum(most / noise - 1, 0))
        for k in range(count):
            lost = (highest - amplitudes[k]) ** 2 * noise
            loss[k] = (lost * (significant * clear)).sum(axis=0)
    return loss, np.asarray(clear.any(axis=0))


def _powers(
    octaves: Octaves, pictures: ScratchStack, measures: ScratchStack, frames: Iterable[int]
) -> Iterator[FloatArray]:
    """Yield some frames' power in every octave."""

    def measure(k: int) -> FloatArray:
        return octaves.powers(as_floats(pictures[k]), as_floats(measures[k]))

    return work_ahead(measure, frames, threads=FRAMES_AT_ONCE)


def _free_cells(
    position: FloatArray, sure: BoolArray, axis_px: NDArray[np.float64], frames: Iterable[int]
) -> FloatArray:
    """Return 1 for cells that no sharp thing's blur reaches in any of some frames, else 0."""
    count = len(axis_px)
    nearest = np.clip(np.rint(position), 0, count - 1)
    layers = [reduce_map((sure & (nearest == k)).astype(np.float32), CELL_PX) for k in range(count)]
    free = np.ones(layers[0].shape, np.float32)
    for k in frames:
        blur_cells = np.abs(axis_px - axis_px[k]) / CELL_PX
        order, total = np.argsort(blur_cells), np.zeros_like(free)
        while len(order):
            alike = order[blur_cells[order] <= end_of_layer(float(blur_cells[order[0]]))]
            order = order[len(alike) :]
            layer = np.sum([layers[q] for q in alike], axis=0)
            if layer.any():
                # Wider: what lies beyond an end is blurred more than its place tells.
                total += blur_by_disk(layer, _SAFE_BLUR * float(blur_cells[alike].max()) + 2)
        free *= total < LEAST_SHARE
    return free


def _grown(place: BoolArray, radius: int) -> BoolArray:
    return cv2.dilate(place.astype(np.uint8), np.ones((2 * radius + 1,) * 2, np.uint8)) > 0


def _noise_powers(evidence: Evidence) -> FloatArray:
    """Return the power of noise in every octave, the finest measure first, (octaves, 1, 1)."""
    unit = np.random.default_rng(1).standard_normal((512, 512)).astype(np.float32)
    powers = [white_noise_power()]
    for level in build_gaussian(unit, OCTAVES)[1:]:
        band = cv2.GaussianBlur(level, (0, 0), 1.0) - cv2.GaussianBlur(level, (0, 0), 2.0)
        powers.append(float((band * band).mean()))
    shares = np.array(powers, np.float32)
    shares[1:] /= evidence.reduction**2  # what blocks average
    return shares[:, None, None] * np.float32(evidence.noise**2)

"""From what the first pass kept of every frame to a depth map and the scene behind it.

Everything here happens at the reduced size of `merge.depth`, in the output's geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align import equalize_exposure, find_places, rescale_transform, valid_area, warp_part
from merge.allocator import return_freed_memory
from merge.blend import OcclusionScene, observed_range
from merge.depth import (
    BlurRims,
    FocusComposite,
    find_flat_areas,
    first_is_near,
    follow_planes,
    locate_depth,
    mark_ends,
    refine_occlusion_edges,
    settle_highlights,
    settle_rims,
    settle_smooth_places,
    weigh_evidence,
)
from merge.encoding import linearize, scale_light
from merge.model import BoolArray, Box, DepthMap, FloatArray, FrameTransform, MergeOptions
from merge.moving import MovingParts, find_moving_parts, hold_still
from merge.pipeline.deep import OutputDepth, has_parallax, measured_depth, smooth_depth
from merge.pipeline.first_pass import FirstPassCache, FirstPassResult
from merge.resizing import reduced_shape
from merge.scratch import ScratchStack, as_floats
from merge.threads import FRAMES_AT_ONCE, work_ahead

Limits = tuple[FloatArray, FloatArray]

# How far around a place, in pixels of the frame, the frames tell what can lie behind a veil
# (photograph scene: 1 px 30.95 dB, 4 31.25, 8 31.38, but dark specks on the rendered insect).
_RANGE_PX = 4
# So near to what moves, in pixels of the map, no light is taken from other frames.
_MOVING_PX = 16


@dataclass(frozen=True, eq=False)
class SceneEstimate:
    """What is known of the scene at a reduced size, frames counted in the order used.

    Attributes
    ----------
    depth : DepthMap
    flatness : ndarray, shape (h, w), float32
        From `find_flat_areas`.
    pictures : ScratchStack of (h, w, C)
        The aligned frames.
    reduction : int
        Pixels of the output for one of these maps.
    moving : MovingParts
        Each lies in one frame of ``depth``.
    near_first : bool or None
        Whether the first frame is taken for the near end; None without a focus axis.
    limits : pair of ndarray, shape (h, w, C), or None
        Darkest and brightest linear light that the frames show around every place, likewise.
    noise : float
        Standard deviation of a pixel's luminance in the frames; 0 if unknown.
    guessed : ndarray of bool, shape (h, w), or None
        Where neither fine nor coarse detail tells the depth, and nothing moves.
    near_known : bool or None
        What files or outlines tell of that; None where neither does.
    places : OutputDepth or None
        Where frames see near and far shifted differently.
    """

    depth: DepthMap
    flatness: FloatArray
    pictures: ScratchStack
    reduction: int
    moving: MovingParts
    near_first: bool | None
    limits: Limits | None
    places: OutputDepth | None = None
    noise: float = 0.0
    guessed: BoolArray | None = None
    near_known: bool | None = None


@contextmanager
def measured_scene(
    first: FirstPassResult, box: Box, options: MergeOptions, memory_bytes: int
) -> Iterator[SceneEstimate]:
    """Yield the depth map and the small aligned frames; scratch vanishes at the end."""
    kept = first.cache
    assert kept is not None, "a depth map needs the first pass to keep its measures"
    count, channels = len(first.aligned), first.stack.sources[0].shape[2]
    small = reduced_shape(box[2:], kept.reduction)
    with ScratchStack(count, (*small, channels), np.float16, memory_bytes=memory_bytes) as pictures:
        with ScratchStack(count, small, np.float16, memory_bytes=memory_bytes) as measures:
            estimate = _estimate(first, kept, box, options, (measures, pictures))
        yield estimate


def _estimate(
    first: FirstPassResult,
    kept: FirstPassCache,
    box: Box,
    options: MergeOptions,
    out: tuple[ScratchStack, ScratchStack],
) -> SceneEstimate:
    """Fill the stacks of measures and pictures, and return what these tell."""
    (measures, pictures), mixing = out, first.mixing
    places = None
    if first.axis is not None and has_parallax(first.registration):
        places = smooth_depth(first.axis, box, kept.reduction)
    depth, guide = _locate(first, kept, box, options, out, places)
    if places is not None and first.axis is not None:
        places = measured_depth(depth, first.axis, box, kept.reduction)
        for stack in out:
            stack.restart()
        depth, guide = _locate(first, kept, box, options, out, places)
        places = measured_depth(depth, first.axis, box, kept.reduction)
    kept.close()
    return_freed_memory()
    evidence = weigh_evidence(measures, depth, kept.reduction)
    if first.positions_px is not None:
        axis_px = first.positions_px / kept.reduction
        depth, evidence = settle_rims(depth, evidence, guide, axis_px, mixing)
    flat = find_flat_areas(evidence)
    near_first, near_known, limits, guessed = None, None, None, None
    if first.positions_px is not None:
        limits = _light_limits(pictures, kept.reduction, mixing)
        near_known = _near_first_by_distance(first)
        if near_known is None:
            near_known = first_is_near(depth, measures, axis_px)
        near_first = near_known is not False  # as most brackets are shot
        depth, guessed = settle_smooth_places(
            depth, evidence, measures, pictures, guide, axis_px, near_first=near_first
        )
        depth = mark_ends(depth, evidence, measures, axis_px)
        rims = BlurRims.of(depth, evidence, guide, axis_px, mixing)
        depth = refine_occlusion_edges(
            depth, measures, pictures, axis_px, transfer=mixing, near_first=near_first, rims=rims
        )
    depth = follow_planes(settle_highlights(depth, pictures), evidence)
    moving = find_moving_parts(
        pictures,
        depth,
        first.positions_px,
        reduction=kept.reduction,
        valid=_small_coverage(first, kept, box, options),
        sways=None if places is None else _sways(first),
        misaligned=_misaligned(first, box, kept.reduction),
    )
    if moving.any:
        exact = None if depth.exact is None else hold_still(depth.exact, moving)
        depth = DepthMap(hold_still(depth.position, moving), depth.confidence, exact, depth.beyond)
        flat[moving.labels > 0] = 0  # one frame alone, nothing averaged
        if guessed is not None:
            around = np.ones((2 * _MOVING_PX + 1,) * 2, np.uint8)
            guessed &= cv2.dilate((moving.labels > 0).astype(np.uint8), around) == 0
    return SceneEstimate(
        depth, flat, pictures, kept.reduction, moving, near_first, limits, places, evidence.noise,
        guessed, near_known,
    )  # fmt: skip


def _locate(
    first: FirstPassResult, kept: FirstPassCache, box: Box, options: MergeOptions,
    out: tuple[ScratchStack, ScratchStack], places: OutputDepth | None,
) -> tuple[DepthMap, FloatArray]:  # fmt: skip
    """Return the depth map and the sharpest picture; append measures and pictures to ``out``."""
    guide = FocusComposite(
        (*reduced_shape(box[2:], kept.reduction), first.stack.sources[0].shape[2])
    )
    for measure, picture in _aligned(first, kept, box, options, places):
        out[0].append(measure)
        out[1].append(picture)
        guide.add(measure, picture)
    depth = locate_depth(out[0], guide.pixels, kept.reduction, axis_px=first.positions_px)
    return depth, guide.pixels


def _sways(first: FirstPassResult) -> NDArray[np.float64]:
    """Return the frames' parallax in px for each px of blur, shape (N, 2)."""
    ways = [first.registration.frames[k].transform for k in first.aligned]
    return np.array(
        [(0.0, 0.0) if t is None or t.parallax is None else t.parallax[:2] for t in ways]
    )


def _misaligned(
    first: FirstPassResult, box: Box, reduction: int
) -> Callable[[int, FloatArray], FloatArray | None] | None:
    """Return what tells how far neighbours in focus disagree, at the reduced size."""
    misfit = first.misfit
    if misfit is None:
        return None
    corner = np.array([box[1], box[0]], np.float32)

    def between(slot: int, points: FloatArray) -> FloatArray | None:
        places = (points + np.float32(0.5)) * np.float32(reduction) - np.float32(0.5) + corner
        found = misfit.size_px(first.aligned[slot], first.aligned[slot + 1], places)
        return None if found is None else np.asarray(found / reduction, np.float32)

    return between


def _small_coverage(
    first: FirstPassResult, kept: FirstPassCache, box: Box, options: MergeOptions
) -> Callable[[int], BoolArray | None] | None:
    """Return what tells which reduced output pixels a frame has; None if all have all."""
    if options.extent == "common":
        return None
    shape = reduced_shape(first.registration.shape, kept.reduction)
    area = 0, 0, *reduced_shape(box[2:], kept.reduction)

    def valid(slot: int) -> BoolArray | None:
        frame = first.registration.frames[first.aligned[slot]]
        assert frame.transform is not None
        return valid_area(_at_reduced_size(frame.transform, box, kept.reduction), shape, area)

    return valid


def _aligned(
    first: FirstPassResult,
    kept: FirstPassCache,
    box: Box,
    options: MergeOptions,
    places: OutputDepth | None,
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield measure and small picture of every used frame in the output's geometry."""
    registration, transfer = first.registration, first.transfer

    def align(index: int) -> tuple[FloatArray, FloatArray]:
        frame = registration.frames[index]
        assert frame.transform is not None
        measure = kept.measure(index)
        picture = kept.picture(index)
        measure, picture = first.repairs.mend_kept(measure, picture, kept.reduction)
        if options.equalize_exposure:
            measure = measure * np.float32(stored_factor(frame.gain, transfer))
            picture = equalize_exposure(picture, frame, transfer)
        transform = _at_reduced_size(frame.transform, box, kept.reduction)
        area = 0, 0, *reduced_shape(box[2:], kept.reduction)
        position = None if places is None else places.small_px
        warp_small = small_warp(transform, area[2:], position)
        if kept.reduction == 1:
            warped = warp_part(
                picture, transform, origin=(0, 0), box=area, extend=True, position=position
            )
        else:
            # It only guides and judges: OpenCV's cubic, up to 0.05 px off, takes a quarter of the
            # time.
            warped = warp_small(picture, cv2.INTER_CUBIC)
        measure = warp_small(measure, cv2.INTER_LINEAR)
        if options.extent != "common":
            measure *= valid_area(transform, picture.shape[:2], area)
        return measure, warped

    yield from work_ahead(align, first.aligned, threads=FRAMES_AT_ONCE)


def small_warp(
    transform: FrameTransform, shape: tuple[int, int], position: FloatArray | None
) -> Callable[[FloatArray, int], FloatArray]:
    """Return what moves small pictures into the output's geometry; their border goes on outside."""
    if transform.is_matrix:
        return lambda picture, kernel: cv2.warpPerspective(
            picture, transform.matrix, shape[::-1], flags=kernel | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ).reshape(*shape, *picture.shape[2:])  # fmt: skip
    places = find_places(transform, shape, position)
    return lambda picture, kernel: cv2.remap(
        picture, places, None, kernel, borderMode=cv2.BORDER_REPLICATE
    ).reshape(*shape, *picture.shape[2:])


def _at_reduced_size(transform: FrameTransform, box: Box, reduction: int) -> FrameTransform:
    """Return the map from reduced output pixels to reduced frame pixels."""
    return rescale_transform(transform, 1 / reduction, (box[1] / reduction, box[0] / reduction))


def stored_factor(gain: float, transfer: str) -> float:
    """Return by how much contrast in stored values changes when a gain is undone."""
    ends = np.array([[[0.5], [0.6]]], np.float32)
    scaled = scale_light(ends, 1 / gain, transfer)
    return float(np.ptp(scaled) / np.ptp(ends))


def occlusion_scene(measured: SceneEstimate, first: FirstPassResult) -> OcclusionScene | None:
    """Return the scene that veils are computed from; None without a focus axis."""
    positions, limits = first.positions_px, measured.limits
    if positions is None or limits is None or measured.near_first is None:
        return None
    position = measured.depth.position
    return OcclusionScene(
        position,
        linearize(_choose(measured.pictures, position), first.mixing),
        *limits,
        positions / measured.reduction * (1 if measured.near_first else -1),
        measured.noise,
    )


def _light_limits(pictures: ScratchStack, reduction: int, transfer: str) -> Limits:
    low, high = observed_range(pictures, reach=-(-_RANGE_PX // reduction))
    return linearize(low, transfer), linearize(high, transfer)


def _near_first_by_distance(first: FirstPassResult) -> bool | None:
    """Return whether recorded focus distances grow along the axis; None if unknown."""
    assert first.positions_px is not None
    known = [
        (float(p), first.stack.sources[i].settings.focus_distance_m)
        for p, i in zip(first.positions_px, first.aligned, strict=True)
    ]
    pairs = [(p, d) for p, d in known if d is not None]
    if len(pairs) < 2:
        return None
    (_, start), (_, end) = min(pairs), max(pairs)
    return None if start == end else end > start


def _choose(pictures: ScratchStack, position: FloatArray) -> FloatArray:
    """Return each pixel from the frame nearest to its depth."""
    nearest = np.rint(position).astype(np.int32)
    chosen = np.zeros_like(pictures[0])
    for slot, picture in enumerate(pictures):
        cv2.copyTo(picture, cv2.compare(nearest, slot, cv2.CMP_EQ), chosen)
    return as_floats(chosen)

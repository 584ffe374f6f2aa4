"""A stack of frames → one merged picture."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from merge.align import common_area
from merge.allocator import return_freed_memory
from merge.depth import measure_reduction
from merge.diagnose import find_aperture_series
from merge.errors import OptionError, RegistrationError
from merge.model import (
    Box,
    DepthMap,
    Finding,
    FloatArray,
    MergeOptions,
    MotionModel,
    Progress,
    Registration,
    Stack,
)
from merge.moving import box_of, moving_findings, place_words
from merge.pipeline.blending import BlendJob, blend_by_depth, blend_detail
from merge.pipeline.deep import OutputDepth, has_parallax, smooth_depth
from merge.pipeline.first_pass import FirstPassResult, first_pass
from merge.pipeline.front import Frames, as_stack, with_settings
from merge.pipeline.inspecting import (
    Inspected,
    Inspection,
    inspect_bracket,
    kind_of_bracket,
    known_pitch_um,
    refuse_other_kind,
    tolerance_in_px,
)
from merge.pipeline.measuring import SceneEstimate, measured_scene
from merge.pipeline.memory import plan_memory
from merge.pipeline.repairing import Repairs
from merge.read import check_stack
from merge.resizing import enlarge_part, enlarge_position

# Disagreement of two frames from which it is worth a line: mixed, they lose 8 % of the contrast at
# a quarter of a cycle a pixel, cos(0.25 pi d); and on how many cells along a picture it is told.
_MISFIT_PX, _MISFIT_CELLS = 0.5, 24
# A box of more than this share of the picture needs no place.
_MOST_OF_IT = 0.6


@dataclass(frozen=True, eq=False)
class MergeResult(Inspected):
    """A merged picture and how it came about; frames count in the order of their focus.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32
        In the encoding of the reference frame, [0, 1].
    origin : tuple of int
        (row, column) of the result's first pixel in the reference frame.
    stack : Stack
    inspection : Inspection
        Where the frames lie, what they cover and what is wrong with them.
    depth : DepthMap or None
        None when the method needed none, unless it was asked for.
    options : MergeOptions
    repairs : Repairs
        Defects of the sensor, mended in every frame.
    seconds : dict of str to float
        Wall-clock time of every stage.
    places : OutputDepth or None
        How deep the picture's pixels lay when frames were moved; None where depth moves nothing.
    """

    pixels: FloatArray
    origin: tuple[int, int]
    stack: Stack
    inspection: Inspection
    depth: DepthMap | None
    options: MergeOptions
    repairs: Repairs
    seconds: dict[str, float] = field(default_factory=dict)
    places: OutputDepth | None = None

    def small_depth(self) -> DepthMap:
        """Return every so-many-th place of the depth map, about the size it was measured with.

        Raises
        ------
        ValueError
            If none was kept.
        """
        if self.depth is None:
            raise ValueError("depth: none was kept; merge with keep_depth=True")
        step = measure_reduction(self.pixels.shape)
        taken = np.s_[step // 2 :: step, step // 2 :: step]
        return DepthMap(
            np.ascontiguousarray(self.depth.position[taken]),
            np.ascontiguousarray(self.depth.confidence[taken]),
        )


def merge_stack(
    stack: Frames,
    options: MergeOptions | None = None,
    *,
    keep_depth: bool = False,
    progress: Progress | None = None,
    **settings: Any,
) -> MergeResult:
    """Return one picture that is sharp wherever a frame of the stack is sharp.

    Parameters
    ----------
    stack : Stack, path, sequence of paths, or sequence of ndarray
        From `find_frames` or `stack_arrays`, or what these take.
    options : MergeOptions, optional
    keep_depth : bool
        Also with a method that needs none, tell which frame is sharpest where.
    progress : callable, optional
        Called with (stage, frames done, frames in all).
    **settings
        Fields of `MergeOptions` and `AuditOptions` by their names, over those of ``options``:
        ``method="surface"``, ``tolerance="2px"``.

    Returns
    -------
    MergeResult

    Raises
    ------
    ReadError, FrameMismatchError
        If a frame cannot be read or does not fit the others.
    RegistrationError
        If no frames can be aligned; with ``strict``, if any cannot.
    MemoryLimitError
        If the memory limit is too small for frames of this size.
    MergeError
        If the tolerance cannot be understood or needs a pixel pitch that is not known.
    OptionError
        If a setting is none of those that are possible.
    """
    stack, options = as_stack(stack), with_settings(options or MergeOptions(), settings)
    report = progress or (lambda stage, done, total: None)
    check_stack(stack)
    if options.reference is not None and not 0 <= options.reference < len(stack):
        raise OptionError(
            f"reference {options.reference}: expected 0 to {len(stack) - 1}, the index of a frame"
        )
    source = stack.sources[0]
    # What can be refused is refused before any work; the output's size shows only after alignment.
    tolerance_in_px(options.audit, known_pitch_um(stack.sources, options.audit), source.shape)
    scratch_bytes = plan_memory(source, source.shape[:2], options).scratch_bytes
    if not options.audit.anyway:
        refuse_other_kind(find_aperture_series([s.settings for s in stack.sources]))
    by_depth = options.method != "detail"
    seconds: dict[str, float] = {}
    depth: DepthMap | None = None
    moved: tuple[Finding, ...] = ()
    began = time.perf_counter()
    cache_bytes = scratch_bytes if by_depth or keep_depth else None
    with first_pass(stack, options, report, cache_bytes) as first:
        _check_alignment(first, options)
        if not options.audit.anyway:
            refuse_other_kind(kind_of_bracket(first.bracket))
        box = _output_box(first.registration, options)
        job = BlendJob(first, box, options, report)
        plan = plan_memory(source, box[2:], options)
        seconds["align"], began = time.perf_counter() - began, time.perf_counter()
        if cache_bytes is not None:
            with measured_scene(first, box, options, scratch_bytes) as measured:
                seconds["measure"] = time.perf_counter() - began
                job = replace(job, depth=measured.places)
                if by_depth:
                    with _timed(seconds, "blend"):
                        pixels = blend_by_depth(job, measured, plan)
                    moved = _moving_findings(measured, first, box)
                depth = _depth_of_stack(measured, first, box)
        elif first.axis is not None and has_parallax(first.registration):
            job = replace(job, depth=smooth_depth(first.axis, box, 1))
        if not by_depth:
            with _timed(seconds, "blend"):
                pixels = blend_detail(job, plan)
        inspection = inspect_bracket(first.bracket, options.audit)
        inspection = inspection.with_findings(_merge_findings(first, moved, options.motion))
        ordered, repairs = first.bracket.stack, first.repairs
    origin = (box[0], box[1])
    return MergeResult(
        pixels, origin, ordered, inspection, depth, options, repairs, seconds, job.depth
    )


def _depth_of_stack(measured: SceneEstimate, first: FirstPassResult, box: Box) -> DepthMap:
    """Return the depth map at full size, with positions in frames of the whole stack."""
    return_freed_memory()
    used, whole, depth = first.aligned, (0, 0, box[2], box[3]), measured.depth
    position = depth.position if depth.exact is None else depth.exact
    place = enlarge_position(position, whole, measured.reduction)
    if used != tuple(range(len(used))):
        place = np.interp(place, np.arange(len(used)), used).astype(np.float32)
    beyond = depth.beyond
    if beyond is not None:
        r = measured.reduction
        beyond = beyond.repeat(r, axis=0).repeat(r, axis=1)[: box[2], : box[3]]
    confidence = enlarge_part(depth.confidence, whole, measured.reduction)
    return DepthMap(place, confidence, beyond=beyond, near_first=measured.near_known)


@contextmanager
def _timed(seconds: dict[str, float], stage: str) -> Iterator[None]:
    start = time.perf_counter()
    yield
    seconds[stage] = time.perf_counter() - start


def _output_box(registration: Registration, options: MergeOptions) -> Box:
    height, width = registration.shape
    if options.extent == "reference":
        return 0, 0, height, width
    transforms = [f.transform for f in registration.frames if f.transform is not None]
    return common_area(transforms, registration.shape)


def _check_alignment(first: FirstPassResult, options: MergeOptions) -> None:
    left_out = sorted(set(range(len(first.stack))) - set(first.aligned))
    if options.strict and left_out:
        frame = left_out[0]
        raise RegistrationError(
            f"{first.stack.sources[frame].name} (frame {frame + 1}): "
            f"{first.registration.frames[frame].reason}; leave it out, or run without --strict"
        )


def _moving_findings(
    measured: SceneEstimate, first: FirstPassResult, box: Box
) -> tuple[Finding, ...]:
    return moving_findings(
        measured.moving,
        frames=first.aligned,
        names=[source.name for source in first.stack.sources],
        origin=(box[0], box[1]),
        reduction=measured.reduction,
    )


def _merge_findings(
    first: FirstPassResult, moved: tuple[Finding, ...], asked: MotionModel
) -> list[Finding]:
    """Return what only a merge can find: bad motion, things that moved, the sensor's defects."""
    found = [_misfit(first, asked), *moved, first.repairs.finding()]
    return [finding for finding in found if finding is not None]


def _misfit(first: FirstPassResult, asked: MotionModel) -> Finding | None:
    """Return a finding if the motion model does not follow the frames."""
    registration, misfit = first.registration, first.misfit
    if misfit is None:
        return None
    height, width = registration.shape
    side = max(height, width) / _MISFIT_CELLS
    rows, columns = (np.arange(side / 2, length, side) for length in (height, width))
    points = np.stack(np.meshgrid(columns, rows), -1)
    sizes = {pair: misfit.size_px(*pair, points) for pair in misfit.fields}
    off = {pair: size for pair, size in sizes.items() if size is not None}
    off = {pair: size for pair, size in off.items() if size.max() > _MISFIT_PX}
    if not off:
        return None
    pair = max(off, key=lambda pair: float(off[pair].max()))
    beside = off[pair] > _MISFIT_PX
    box = tuple(round(side * n) for n in box_of(beside))
    top, left, tall, wide = box[0], box[1], min(box[2], height), min(box[3], width)
    one, other = (first.stack.sources[i].name for i in sorted(pair))
    where = place_words((top, left, tall, wide), registration.shape)
    if tall * wide > _MOST_OF_IT * height * width:
        where = "over most of the picture"
    more = f", as in {len(off) - 1} more pairs" if len(off) > 1 else ""
    help_with = (
        "leave frames out that were taken from elsewhere"
        if asked == "auto"
        else "leave --motion out, so that it chooses the motion itself"
    )
    return Finding(
        "motion not followed",
        "warning",
        f"{one} and {other} disagree by up to {off[pair].max():.1f} px {where} ({wide} x {tall} "
        f"px) after alignment: {registration.model} motion does not fit{more}.",
        f"Look there where edges are double; {help_with}.",
        value=float(off[pair].max()),
        threshold=_MISFIT_PX,
        unit="px",
        frames=tuple(sorted({i for pair in off for i in pair})),
        box=(top, left, tall, wide),
    )

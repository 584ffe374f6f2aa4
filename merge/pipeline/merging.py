"""A stack of frames → one merged picture."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing, contextmanager

import numpy as np

from merge.align import common_area
from merge.errors import RegistrationError
from merge.model import (
    DepthMap,
    Finding,
    MergeOptions,
    MergeResult,
    Registration,
    Stack,
)
from merge.moving import moving_findings
from merge.pipeline.aligning import Alignment, KeptFrames, Progress, align_stack
from merge.pipeline.blending import Blending, blend_by_depth, blend_detail
from merge.pipeline.judging import (
    AuditOptions,
    judge_stack,
    known_pitch_um,
    tolerance_in_px,
    worst_first,
)
from merge.pipeline.measuring import Measured, measured_scene
from merge.pipeline.memory import plan_memory
from merge.read import check_stack
from merge.resizing import enlarge_part, enlarge_position

Box = tuple[int, int, int, int]

# Disagreement of a frame's pair measurements from which the motion model does not fit: tripod
# stacks stay below 0.5 px, a hand-held perspective fitted as similarity reads more than 1.
_MISFIT_PX = 1.0


def merge_stack(
    stack: Stack, options: MergeOptions | None = None, *, progress: Progress | None = None
) -> MergeResult:
    """Return one picture that is sharp wherever a frame of the stack is sharp.

    Parameters
    ----------
    stack : Stack
        From `find_frames`.
    options : MergeOptions, optional
    progress : callable, optional
        Called with (stage, frames done, frames in all).

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
    """
    options = options or MergeOptions()
    report = progress or (lambda stage, done, total: None)
    check_stack(stack)
    seconds: dict[str, float] = {}
    depth, source = None, stack.sources[0]
    moved: tuple[Finding, ...] = ()
    # Whether the limit suffices shows before any work; the output's size only after alignment.
    memory = plan_memory(source, source.shape[:2], options).scratch_bytes
    if options.method == "detail":
        with _timed(seconds, "align"):
            alignment = align_stack(stack, options, report)
            job = _job(stack, alignment, options, report)
        with _timed(seconds, "blend"):
            pixels = blend_detail(job, plan_memory(source, job.box[2:], options))
    else:
        with closing(KeptFrames(stack, memory)) as kept:
            with _timed(seconds, "align"):
                alignment = align_stack(stack, options, report, kept)
                job = _job(stack, alignment, options, report)
            began = time.perf_counter()
            with measured_scene(kept, stack, alignment, job.box, options, memory) as measured:
                seconds["measure"] = time.perf_counter() - began
                with _timed(seconds, "blend"):
                    plan = plan_memory(source, job.box[2:], options)
                    pixels = blend_by_depth(job, measured, plan)
                depth = _depth_of_stack(measured, alignment, job.box)
                moved = _moving_findings(measured, stack, alignment, job.box)
    return MergeResult(
        pixels,
        (job.box[0], job.box[1]),
        stack,
        alignment.registration,
        depth,
        _findings(stack, alignment, moved),
        options,
        seconds=seconds,
        axis=alignment.axis,
    )


def _job(stack: Stack, alignment: Alignment, options: MergeOptions, report: Progress) -> Blending:
    _check_alignment(stack, alignment.registration, options)
    box = _output_box(alignment.registration, options)
    return Blending(alignment.repairs.mended_stack(stack), alignment, box, options, report)


def _depth_of_stack(measured: Measured, alignment: Alignment, box: Box) -> DepthMap:
    """Return the depth map at full size, with positions in frames of the whole stack."""
    used, whole, depth = alignment.used, (0, 0, box[2], box[3]), measured.depth
    position = depth.position if depth.exact is None else depth.exact
    place = enlarge_position(position, whole, measured.reduction)
    if used != tuple(range(len(used))):
        place = np.interp(place, np.arange(len(used)), used).astype(np.float32)
    return DepthMap(place, enlarge_part(depth.confidence, whole, measured.reduction))


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


def _check_alignment(stack: Stack, registration: Registration, options: MergeOptions) -> None:
    left_out = [i for i, f in enumerate(registration.frames) if f.transform is None]
    if options.strict and left_out:
        first = left_out[0]
        raise RegistrationError(
            f"{stack.sources[first].name} (frame {first + 1}): "
            f"{registration.frames[first].reason}; leave it out, or run without --strict"
        )


def _moving_findings(
    measured: Measured, stack: Stack, alignment: Alignment, box: Box
) -> tuple[Finding, ...]:
    return moving_findings(
        measured.moving,
        frames=alignment.used,
        names=[source.name for source in stack.sources],
        origin=(box[0], box[1]),
        reduction=measured.reduction,
    )


def _findings(
    stack: Stack, alignment: Alignment, moved: tuple[Finding, ...]
) -> tuple[Finding, ...]:
    """Return what the merge and the audit of the aligned frames find, worst first."""
    registration, options = alignment.registration, AuditOptions()
    pitch_um = known_pitch_um(stack.sources, options)
    judged = judge_stack(
        stack.sources,
        registration,
        alignment.axis,
        options,
        tolerance_px=tolerance_in_px(options, pitch_um, registration.shape),
    )
    findings = [*_alignment_findings(stack, registration), *moved]
    defects = alignment.repairs.finding()
    if defects is not None:
        findings.append(defects)
    # A stranger is a frame that was not aligned.
    findings += [f for f in judged.findings if f.kind != "stranger"]
    if alignment.axis is None:
        why = alignment.axis_problem.removeprefix("focus axis: ")
        message = f"The focus steps could not be measured, so gaps were not looked for: {why}."
        findings.append(Finding("focus not measured", "note", message))
    return worst_first(findings)


def _alignment_findings(stack: Stack, registration: Registration) -> Iterator[Finding]:
    for i, frame in enumerate(registration.frames):
        if frame.transform is None:
            yield Finding(
                "not aligned",
                "problem",
                f"{stack.sources[i].name} (frame {i + 1}) was left out: {frame.reason}.",
                "Look at it; if it belongs to the stack, try --align perspective.",
                frames=(i,),
            )
    off = [
        (frame.residual_px, i)
        for i, frame in enumerate(registration.frames)
        if frame.residual_px > _MISFIT_PX
    ]
    if off:
        worst, index = max(off)
        yield Finding(
            "motion not followed",
            "warning",
            f"{stack.sources[index].name} (frame {index + 1}) and its neighbours disagree by "
            f"{worst:.1f} px after alignment: {registration.model} motion does not fit"
            + (f", as in {len(off) - 1} more frames." if len(off) > 1 else "."),
            "For hand-held frames try --align perspective.",
            value=worst,
            threshold=_MISFIT_PX,
            unit="px",
            frames=tuple(i for _, i in off),
        )

"""A stack of frames → one merged picture."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align import analysis_reduction, common_area, register_stack, valid_area, warp_frame
from merge.align.exposure import radius_squared
from merge.blend import (
    DetailBlend,
    SurfaceBlend,
    VeilScene,
    foreground_position,
    luminance,
    mixing_reach,
    mixing_variance,
    observed_range,
    remove_veil,
    restore_detail,
    veil_gain,
)
from merge.depth import (
    find_even_places,
    locate_depth,
    measure_detail,
    measure_reduction,
    measured_shape,
    reduce_map,
    resize_depth,
    resize_map,
)
from merge.encoding import linearize, scale_light
from merge.errors import RegistrationError
from merge.focus import SMALLEST_SIDE_PX, CellEnergies, measure_cells
from merge.model import (
    BoolArray,
    DepthMap,
    Finding,
    FloatArray,
    FocusAxis,
    FrameRegistration,
    MergeOptions,
    MergeResult,
    Registration,
    Stack,
)
from merge.pipeline.judging import (
    AuditOptions,
    aligned_frames,
    judge_stack,
    known_pitch_um,
    measure_axis,
    tolerance_in_px,
    worst_first,
)
from merge.read import check_stack, read_frame, read_luminance
from merge.scratch import ScratchStack

Progress = Callable[[str, int, int], None]
Box = tuple[int, int, int, int]
T = TypeVar("T")

# Disagreement of a frame's pair measurements from which the motion model does not fit: tripod
# stacks stay below 0.5 px, a hand-held perspective fitted as similarity reads more than 1.
_MISFIT_PX = 1.0
# Exposure differences below this are measurement noise.
_GAIN_FLOOR = 0.001
# The guide picture takes the sharpest frame over a wider window than depth is measured with, so
# that it is no patchwork.
_GUIDE_SIGMA_PX = 2.0
# Which end of the stack is near, if no file tells, is judged on about this many frames; first frame
# near, as brackets are usually shot, unless the other way explains clearly more.
_JUDGED_FRAMES = 4
_REVERSED = 1.3


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
    """
    options = options or MergeOptions()
    report = progress or (lambda stage, done, total: None)
    check_stack(stack)
    seconds: dict[str, float] = {}
    with _timed(seconds, "align"):
        alignment = align_stack(stack, options, report)
    registration = alignment.registration
    _check_alignment(stack, registration, options)
    box = _output_box(stack, registration, options)
    run = _Run(stack, alignment, box, options, report)
    depth = None
    if options.method == "detail":
        with _timed(seconds, "blend"):
            pixels = run.blend_detail()
    else:
        pixels, depth = run.blend_by_depth(seconds)
    np.clip(pixels, 0, 1, out=pixels)
    findings = _findings(stack, alignment)
    origin = (box[0], box[1])
    return MergeResult(
        pixels,
        origin,
        stack,
        registration,
        depth,
        findings,
        options,
        seconds=seconds,
        axis=alignment.axis,
    )


@dataclass(frozen=True, eq=False)
class Alignment:
    """Geometry of a stack and, where it can be fitted, its focus axis.

    Attributes
    ----------
    registration : Registration
    used : tuple of int
        The frames that could be aligned.
    axis : FocusAxis or None
        Of these frames; None where the pictures do not tell.
    axis_problem : str
        Why there is no focus axis; empty if there is one.
    """

    registration: Registration
    used: tuple[int, ...]
    axis: FocusAxis | None
    axis_problem: str

    @property
    def positions_px(self) -> NDArray[np.float64] | None:
        """Positions of the used frames on the focus axis, px of blur-circle diameter."""
        return None if self.axis is None else self.axis.positions_px


def align_stack(stack: Stack, options: MergeOptions, report: Progress) -> Alignment:
    """Register all frames of a stack, and measure their focus steps, from reduced luminance."""
    height, width = stack.sources[0].shape[:2]
    reduction = analysis_reduction((height, width))
    transfer = stack.sources[0].transfer
    cells: list[CellEnergies] = []

    def read(index: int) -> FloatArray:
        return read_luminance(
            stack.sources[index], reduction=reduction, white_balance=stack.white_balance
        )

    def pictures() -> Iterator[FloatArray]:
        for done, picture in enumerate(_ahead(read, list(range(len(stack)))), 1):
            if min(picture.shape) >= SMALLEST_SIDE_PX:
                cells.append(measure_cells(linearize(picture, transfer), scale=1 / reduction))
            yield picture
            report("Aligning", done, len(stack))

    registration = register_stack(
        pictures(),
        shape=(height, width),
        reduction=reduction,
        transfer=transfer,
        model=options.model,
        reference=options.reference,
    )
    axis, problem = None, f"frames of less than {SMALLEST_SIDE_PX} px hold too few tiles"
    if cells:
        axis, problem = measure_axis(dict(enumerate(cells)), registration)
    return Alignment(registration, aligned_frames(registration), axis, problem)


@dataclass(frozen=True, eq=False)
class _Measured:
    """What the measuring pass leaves, at a reduced size, frames counted in the order used."""

    depth: DepthMap
    evenness: FloatArray
    pictures: ScratchStack
    reduction: int


class _Run:
    """The passes of one merge over its aligned frames."""

    def __init__(
        self,
        stack: Stack,
        alignment: Alignment,
        box: Box,
        options: MergeOptions,
        report: Progress,
    ) -> None:
        self._stack, self._registration, self._box = stack, alignment.registration, box
        self._options, self._report = options, report
        self._used = list(alignment.used)
        self._positions_px = alignment.positions_px
        self._shape = (box[2], box[3], stack.sources[0].shape[2])
        self._transfer = stack.sources[alignment.registration.reference].transfer

    def blend_detail(self) -> FloatArray:
        """Merge by local energy, in one pass."""
        blend = DetailBlend(self._shape)
        for _, pixels, valid in self._aligned("Merging"):
            blend.add(pixels, valid)
        return blend.result()

    def blend_by_depth(self, seconds: dict[str, float]) -> tuple[FloatArray, DepthMap]:
        """Merge by a depth map; return it, too, with positions in frames of the stack."""
        reduction = measure_reduction(self._shape)
        small = measured_shape(self._shape, reduction)
        memory = _scratch_memory(self._options)
        frames = len(self._used)
        with (
            ScratchStack(frames, small, np.float16, memory_bytes=memory) as measures,
            ScratchStack(
                frames, (*small, self._shape[2]), np.float16, memory_bytes=memory
            ) as pictures,
        ):
            with _timed(seconds, "measure"):
                guide = self._measure(measures, pictures, reduction)
                depth = locate_depth(measures, guide)
                even = find_even_places(luminance(guide))
            measured = _Measured(depth, even, pictures, reduction)
            with _timed(seconds, "blend"):
                pixels = self._blend_surface(measured)
        place = np.interp(depth.position, np.arange(frames), self._used).astype(np.float32)
        full = resize_depth(DepthMap(place, depth.confidence), self._shape, reduction)
        return pixels, full

    def _aligned(self, stage: str) -> Iterator[tuple[int, FloatArray, BoolArray | None]]:
        """Yield (slot, pixels, valid) of every usable frame in the output's geometry."""

        def read(index: int) -> FloatArray:
            source = self._stack.sources[index]
            return read_frame(source, white_balance=self._stack.white_balance).pixels

        frames = zip(self._used, _ahead(read, self._used), strict=True)
        for slot, (index, pixels) in enumerate(frames):
            frame = self._registration.frames[index]
            if self._options.equalize_exposure:
                pixels = equalize_exposure(pixels, frame, self._transfer)
            yield slot, *self._warp(pixels, frame)
            self._report(stage, slot + 1, len(self._used))

    def _warp(
        self, pixels: FloatArray, frame: FrameRegistration
    ) -> tuple[FloatArray, BoolArray | None]:
        assert frame.transform is not None
        warped = warp_frame(pixels, frame.transform, box=self._box)
        if self._options.extent == "common":
            return warped, None
        valid = valid_area(frame.transform, pixels.shape[:2], self._box)
        valid &= ~np.isnan(warped[..., 0])
        return np.nan_to_num(warped, copy=False), valid

    def _measure(
        self, measures: ScratchStack, pictures: ScratchStack, reduction: int
    ) -> FloatArray:
        """Fill both stacks; return the sharpest frame's pixel at every place."""
        small = measured_shape(self._shape, reduction)
        best = np.full(small, -1, np.float32)
        guide = np.zeros((*small, self._shape[2]), np.float32)
        for _, pixels, valid in self._aligned("Measuring sharpness"):
            measure = measure_detail(luminance(pixels), reduction)
            picture = reduce_map(pixels, reduction).reshape(guide.shape)
            if valid is not None:
                measure *= reduce_map(valid.astype(np.float32), reduction) > 0.99
            measures.append(measure)
            pictures.append(picture)
            measure = cv2.GaussianBlur(measure, (0, 0), _GUIDE_SIGMA_PX)
            np.copyto(guide, picture, where=(measure > best)[..., None])
            np.maximum(best, measure, out=best)
        return guide

    def _blend_surface(self, measured: _Measured) -> FloatArray:
        reduction = measured.reduction
        veil = self._veil_scene(measured) if self._options.method == "auto" else None
        position = resize_map(measured.depth.position, self._shape, reduction)
        even = resize_map(measured.evenness, self._shape, reduction)
        blend = SurfaceBlend(position, mixing_reach(even), self._shape)
        for slot, pixels, valid in self._aligned("Merging"):
            if veil is not None:
                pixels = remove_veil(pixels, slot, veil, reduction, self._transfer)
            blend.add(pixels, slot, valid)
        pixels = blend.result()
        if self._positions_px is None:
            return pixels
        variance = mixing_variance(position, self._positions_px) * (1 - even)
        return restore_detail(pixels, variance, self._transfer)

    def _veil_scene(self, measured: _Measured) -> VeilScene | None:
        """Return the scene that veils are computed from; None without a focus axis."""
        if self._positions_px is None:
            return None
        first_guess = self._scene_with(measured, near_first=True)
        recorded = self._near_first_by_distance()
        if recorded is not None:
            return first_guess if recorded else self._scene_with(measured, near_first=False)
        other = self._scene_with(measured, near_first=False)
        slots = range(0, len(self._used), max(1, len(self._used) // _JUDGED_FRAMES))
        gains = [
            veil_gain(
                ((k, measured.pictures[k].astype(np.float32)) for k in slots), s, self._transfer
            )
            for s in (first_guess, other)
        ]
        return other if gains[1] > _REVERSED * gains[0] else first_guess

    def _scene_with(self, measured: _Measured, *, near_first: bool) -> VeilScene:
        assert self._positions_px is not None
        sign = 1 if near_first else -1
        position = measured.depth.position
        nearest = foreground_position(position, near_first=near_first)
        low, high = (linearize(v, self._transfer) for v in observed_range(measured.pictures))
        return VeilScene(
            position,
            linearize(_choose(measured.pictures, position), self._transfer),
            linearize(_choose(measured.pictures, nearest), self._transfer),
            low,
            high,
            self._positions_px * (sign / measured.reduction),
        )

    def _near_first_by_distance(self) -> bool | None:
        """Return whether recorded focus distances grow along the axis; None if unknown."""
        sources = self._stack.sources
        assert self._positions_px is not None
        known = [
            (float(p), sources[i].settings.focus_distance_m)
            for p, i in zip(self._positions_px, self._used, strict=True)
        ]
        pairs = [(p, d) for p, d in known if d is not None]
        if len(pairs) < 2:
            return None
        first, last = min(pairs), max(pairs)
        return None if first[1] == last[1] else last[1] > first[1]


def _choose(pictures: ScratchStack, position: FloatArray) -> FloatArray:
    """Return every pixel from the frame nearest to its depth."""
    nearest = np.round(position)
    out = np.zeros((*position.shape, pictures[0].shape[2]), np.float32)
    for slot, picture in enumerate(pictures):
        np.copyto(out, picture, where=(nearest == slot)[..., None])
    return out


def equalize_exposure(pixels: FloatArray, frame: FrameRegistration, transfer: str) -> FloatArray:
    """Return a frame's pixels (H, W, C) with its light brought to that of the reference."""
    if abs(frame.gain - 1) < _GAIN_FLOOR and not frame.falloff:
        return pixels
    factor: float | FloatArray = 1 / frame.gain
    if frame.falloff:
        corner = radius_squared(pixels.shape[:2])[..., None]
        factor = (factor * np.exp(-frame.falloff * corner)).astype(np.float32)
    return scale_light(pixels, factor, transfer)


def _ahead(read: Callable[[int], T], indices: list[int]) -> Iterator[T]:
    """Yield ``read(index)`` in order, the next one already under way on a thread."""
    with ThreadPoolExecutor(1) as pool:
        waiting: Any = None
        for index in indices:
            following = pool.submit(read, index)
            if waiting is not None:
                yield waiting.result()
            waiting = following
        if waiting is not None:
            yield waiting.result()


def _scratch_memory(options: MergeOptions) -> int:
    """Return how much of the memory limit measures may take before they go to disk."""
    limit = options.memory_limit_bytes
    return 512 << 20 if limit is None else limit // 8


@contextmanager
def _timed(seconds: dict[str, float], stage: str) -> Iterator[None]:
    start = time.perf_counter()
    yield
    seconds[stage] = time.perf_counter() - start


def _output_box(stack: Stack, registration: Registration, options: MergeOptions) -> Box:
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


def _findings(stack: Stack, alignment: Alignment) -> tuple[Finding, ...]:
    """Return what the alignment and the audit of the aligned frames find, worst first."""
    registration, options = alignment.registration, AuditOptions()
    pitch_um = known_pitch_um(stack.sources, options)
    judged = judge_stack(
        stack.sources,
        registration,
        alignment.axis,
        options,
        tolerance_px=tolerance_in_px(options, pitch_um, registration.shape),
    )
    findings = [*_alignment_findings(stack, registration)]
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

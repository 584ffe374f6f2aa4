"""A stack of frames → one merged picture."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

import numpy as np

from merge.align import common_area, register_stack, valid_area, warp_frame
from merge.align.exposure import radius_squared
from merge.blend import DetailBlend, SurfaceBlend, luminance
from merge.depth import (
    locate_depth,
    measure_detail,
    measure_reduction,
    measured_shape,
    reduce_map,
    resize_depth,
)
from merge.encoding import scale_light
from merge.errors import RegistrationError
from merge.model import (
    BoolArray,
    DepthMap,
    Finding,
    FloatArray,
    FrameRegistration,
    MergeOptions,
    MergeResult,
    Registration,
    Stack,
)
from merge.read import check_stack, read_frame, read_luminance
from merge.scratch import ScratchStack

Progress = Callable[[str, int, int], None]
Box = tuple[int, int, int, int]
T = TypeVar("T")

# Analysis pictures of about this size register to a tenth of a full pixel at little cost.
_ANALYSIS_PIXELS = 6_500_000
# Exposure differences below this are measurement noise.
_GAIN_FLOOR = 0.001


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
        registration = align_stack(stack, options, report)
    _check_alignment(stack, registration, options)
    box = _output_box(stack, registration, options)
    run = _Run(stack, registration, box, options, report)
    depth = None
    if options.method == "detail":
        with _timed(seconds, "blend"):
            pixels = run.blend_detail()
    else:
        with _timed(seconds, "measure"):
            depth = run.find_depth()
        with _timed(seconds, "blend"):
            pixels = run.blend_surface(depth)
    np.clip(pixels, 0, 1, out=pixels)
    findings = tuple(_alignment_findings(stack, registration))
    origin = (box[0], box[1])
    return MergeResult(
        pixels, origin, stack, registration, depth, findings, options, seconds=seconds
    )


def align_stack(stack: Stack, options: MergeOptions, report: Progress) -> Registration:
    """Register all frames of a stack from reduced luminance pictures."""
    height, width = stack.sources[0].shape[:2]
    reduction = max(1, int(np.ceil(np.sqrt(height * width / _ANALYSIS_PIXELS))))
    total = len(stack)

    def read(index: int) -> FloatArray:
        return read_luminance(
            stack.sources[index], reduction=reduction, white_balance=stack.white_balance
        )

    def pictures() -> Iterator[FloatArray]:
        for done, picture in enumerate(_ahead(read, list(range(total))), 1):
            yield picture
            report("Aligning", done, total)

    return register_stack(
        pictures(),
        shape=(height, width),
        reduction=reduction,
        transfer=stack.sources[0].transfer,
        model=options.model,
        reference=options.reference,
    )


class _Run:
    """The passes of one merge over its aligned frames."""

    def __init__(
        self,
        stack: Stack,
        registration: Registration,
        box: Box,
        options: MergeOptions,
        report: Progress,
    ) -> None:
        self._stack, self._registration, self._box = stack, registration, box
        self._options, self._report = options, report
        self._used = [i for i, f in enumerate(registration.frames) if f.transform is not None]
        self._shape = (box[2], box[3], stack.sources[0].shape[2])

    def _aligned(self, stage: str) -> Iterator[tuple[int, FloatArray, BoolArray | None]]:
        """Yield (index, pixels, valid) of every usable frame in the output's geometry."""

        def read(index: int) -> FloatArray:
            source = self._stack.sources[index]
            return read_frame(source, white_balance=self._stack.white_balance).pixels

        for done, (index, pixels) in enumerate(
            zip(self._used, _ahead(read, self._used), strict=True), 1
        ):
            frame = self._registration.frames[index]
            if self._options.equalize_exposure:
                transfer = self._stack.sources[index].transfer
                pixels = equalize_exposure(pixels, frame, transfer)
            yield index, *self._warp(pixels, frame)
            self._report(stage, done, len(self._used))

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

    def blend_detail(self) -> FloatArray:
        blend = DetailBlend(self._shape)
        for _, pixels, valid in self._aligned("Merging"):
            blend.add(pixels, valid)
        return blend.result()

    def find_depth(self) -> DepthMap:
        """Return depth at full size, positions in frames of the stack."""
        reduction = measure_reduction(self._shape)
        small = measured_shape(self._shape, reduction)
        best, guide = np.full(small, -1, np.float32), np.zeros(small, np.float32)
        with ScratchStack(
            len(self._used), small, np.float16, memory_bytes=_scratch_memory(self._options)
        ) as measures:
            for _, pixels, valid in self._aligned("Measuring sharpness"):
                luma = luminance(pixels)
                measure = measure_detail(luma, reduction)
                if valid is not None:
                    measure *= reduce_map(valid.astype(np.float32), reduction) > 0.99
                sharper = measure > best
                np.copyto(guide, reduce_map(luma, reduction), where=sharper)
                np.maximum(best, measure, out=best)
                measures.append(measure)
            depth = locate_depth(measures, guide)
        place = np.interp(depth.position, np.arange(len(self._used)), self._used)
        depth = DepthMap(place.astype(np.float32), depth.confidence)
        return resize_depth(depth, self._shape, reduction)

    def blend_surface(self, depth: DepthMap) -> FloatArray:
        blend = SurfaceBlend(depth.position, self._shape)
        for index, pixels, valid in self._aligned("Merging"):
            blend.add(pixels, index, valid)
        return blend.result()


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

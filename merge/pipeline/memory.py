"""How much memory a merge needs, and how to do with less.

The figures are the arrays that are alive at once, counted from the code, plus what the interpreter
and the libraries take; `tests/benchmarks/bench_merge.py` compares them with resident peaks.
"""

from __future__ import annotations

from dataclasses import dataclass

from merge.align import analysis_reduction
from merge.blend import DETAIL_PART_PX, PART_PX
from merge.depth import measure_reduction
from merge.errors import MemoryLimitError
from merge.model import FrameSource, MergeOptions

# Interpreter, libraries, compiled kernels.
_BASE_BYTES = 330 << 20
# What small arrays of several threads and freed memory not yet returned add to the arrays counted.
_SPARE = 1.2
# Frames' samples in flight: one in use, one being read.
_FRAMES_IN_FLIGHT = 2
# A pixel of a raw file while it is developed: recorded, four colours and the result in 16 bits.
_RAW_BYTES = 16
# Pictures of the analysed size that alignment holds, on two threads.
_ANALYSIS_PICTURES = 7
# Share of the limit that what is kept of every frame may take before it goes to disk.
_SCRATCH_SHARE = 64
_SCRATCH_BYTES = 64 << 20


@dataclass(frozen=True)
class MemoryPlan:
    """How a merge keeps to its memory limit.

    Attributes
    ----------
    scratch_bytes : int
        Up to this size each kind of what is kept of every frame stays in memory.
    bands : tuple of (first row, last row)
        Parts of the output that are blended in turn, the frames read again for each.
    on_disk : bool
        The output is kept in a temporary file while it is made.
    """

    scratch_bytes: int
    bands: tuple[tuple[int, int], ...]
    on_disk: bool


def plan_memory(source: FrameSource, output: tuple[int, int], options: MergeOptions) -> MemoryPlan:
    """Return how to merge frames like ``source`` within a limit.

    Parameters
    ----------
    source : FrameSource
    output : (H, W)
        Of the result.
    options : MergeOptions

    Raises
    ------
    MemoryLimitError
        If the limit is too small for the smallest piece of work.
    """
    height, width = output
    limit_bytes = options.memory_limit_bytes
    if limit_bytes is None:
        return MemoryPlan(_SCRATCH_BYTES, ((0, height),), on_disk=False)
    detail = options.method == "detail"
    scratch = min(_SCRATCH_BYTES, limit_bytes // _SCRATCH_SHARE)
    fixed = _fixed_bytes(source, detail=detail) + 2 * scratch
    row_bytes = int(_SPARE * _blended_bytes(source.shape[2], detail=detail) * width)
    other = max(_first_pass_bytes(source), 0 if detail else _depth_bytes(output))
    in_memory = 0 if detail else height * width * source.shape[2] * 4
    if max(fixed + height * row_bytes, other + in_memory) <= limit_bytes:
        return MemoryPlan(scratch, ((0, height),), on_disk=False)
    part = DETAIL_PART_PX if detail else PART_PX
    rows = (limit_bytes - fixed) // row_bytes // part * part
    least = max(fixed + part * row_bytes, other)
    if rows <= 0 or least > limit_bytes:
        megapixels = source.shape[0] * source.shape[1] / 1e6
        raise MemoryLimitError(
            f"a memory limit of {_in_mb(limit_bytes)} is too small for frames of "
            f"{megapixels:.1f} megapixels; give at least {least / 1e9 + 0.05:.1f} GB"
        )
    bands = tuple((top, min(top + rows, height)) for top in range(0, height, rows))
    return MemoryPlan(scratch, bands, on_disk=True)


def _in_mb(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:.0f} MB" if size_bytes >= 1e6 else f"{size_bytes / 1e6:.2g} MB"


def _blended_bytes(channels: int, *, detail: bool) -> int:
    """Return what a pixel of the output takes until it is finished."""
    result = 4 * channels
    # The two finest levels with their energies, a quarter more with the second, and a half more
    # with the coarse ones, of which a frame's own and those kept are alive at once.
    return (result + 4) * 3 // 2 if detail else result


def _depth_bytes(output: tuple[int, int]) -> int:
    """Return what the depth map and its confidence at full size need, after blending."""
    return _BASE_BYTES + int(_SPARE * 2 * 4 * output[0] * output[1])


def _sample_bytes(source: FrameSource) -> int:
    """Return the size of a decoded frame."""
    height, width, channels = source.shape
    return height * width * channels * (source.bit_depth // 8)


def _developing_bytes(source: FrameSource) -> int:
    """Return what the decoder needs beside its result."""
    height, width = source.shape[:2]
    return height * width * _RAW_BYTES if source.kind == "raw" else 0


def _fixed_bytes(source: FrameSource, *, detail: bool) -> int:
    """Return what the last pass needs beside its output: frames, small maps, libraries."""
    height, width, channels = source.shape
    reduced = height * width // measure_reduction(source.shape) ** 2
    # Light, low, high; two frames' veils; depth and flatness. For `detail` frames at a quarter.
    small = reduced * 4 * (3 * channels + 2 * (channels + 2) + 4)
    if detail:
        small = _FRAMES_IN_FLIGHT * 4 * channels * height * width // 16
    frames = _FRAMES_IN_FLIGHT * _sample_bytes(source) + _developing_bytes(source)
    return _BASE_BYTES + int(_SPARE * (frames + small))


def _first_pass_bytes(source: FrameSource) -> int:
    """Return what alignment needs."""
    height, width, channels = source.shape
    analysed = height * width // analysis_reduction(source.shape) ** 2
    reduced = height * width // measure_reduction(source.shape) ** 2
    kept = _FRAMES_IN_FLIGHT * 4 * (analysed + reduced * (channels + 1))
    whole = _sample_bytes(source) + _developing_bytes(source)
    return _BASE_BYTES + int(_SPARE * (whole + kept + 4 * _ANALYSIS_PICTURES * analysed))

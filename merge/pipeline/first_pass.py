"""The first pass of a merge over its frames.

Every frame is in memory once: for where it lies, how sharp it is where, a small copy and, of a few,
the sensor's defects. Afterwards the frames stand in the order of their focus.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.align import SmallColours, StackRegistration, analysis_reduction, small_colours
from merge.allocator import return_freed_memory
from merge.blend import block_strength
from merge.depth import detail_of, measure_reduction, measure_samples
from merge.encoding import encode, linearize
from merge.focus import SMALLEST_SIDE_PX, CellEnergies, measure_cells
from merge.model import FloatArray, FocusAxis, MergeOptions, Misfit, Progress, Registration, Stack
from merge.pipeline.deep import tile_depth_px
from merge.pipeline.inspecting import diffraction_scale_px
from merge.pipeline.ordering import (
    OrderedBracket,
    is_out_of_order,
    order_by_focus,
    refine_by_depth,
    reorder_stack,
)
from merge.pipeline.repairing import DefectFinder, Repairs
from merge.read import BlankRows, read_luminance, read_samples
from merge.resizing import reduced_shape
from merge.scratch import ScratchStack, as_floats
from merge.significance import FEWEST
from merge.threads import opencv_on_one_thread, work_ahead

Strength = tuple[FloatArray, int]


class FirstPassCache:
    """How sharp every frame is where, and a small copy of it, in its own geometry.

    So the frames need not be read again before it is known which is sharpest where. Measuring in a
    frame's own geometry also spares the measure the noise pattern of a resampling.

    Parameters
    ----------
    stack : Stack
    memory_bytes : int
        Above this size in all, each kind goes to disk.
    """

    def __init__(self, stack: Stack, memory_bytes: int) -> None:
        shape, count = stack.sources[0].shape, len(stack)
        self.reduction = measure_reduction(shape)
        small = reduced_shape(shape, self.reduction)
        self._measures = ScratchStack(count, small, np.float16, memory_bytes=memory_bytes)
        self._pictures = ScratchStack(
            count, (*small, shape[2]), np.float16, memory_bytes=memory_bytes
        )
        self.order: tuple[int, ...] = tuple(range(count))

    def add(self, measure: FloatArray, picture: FloatArray) -> None:
        """Keep the next frame's."""
        self._measures.append(measure)
        self._pictures.append(picture)

    def measure(self, frame: int) -> FloatArray:
        """Return a frame's measure, shape (h, w), float32; frames count as `order` has them."""
        return as_floats(self._measures[self.order[frame]])

    def picture(self, frame: int) -> FloatArray:
        """Return a frame's small copy, shape (h, w, C), float32."""
        return as_floats(self._pictures[self.order[frame]])

    def close(self) -> None:
        """Let go of everything."""
        self._measures.close()
        self._pictures.close()


@dataclass(frozen=True, eq=False)
class FirstPassResult:
    """What the first pass leaves of a bracket, its frames in the order of their focus.

    Attributes
    ----------
    bracket : OrderedBracket
    repairs : Repairs
        Defects of the sensor.
    cache : FirstPassCache or None
        None where it was not asked for.
    mixing : str
        Encoding of the frames against what blur mixes: that against light, or "linear" where they
        were blurred after they were encoded.
    misfit : Misfit or None
        By which neighbouring frames still disagree beyond chance.
    strengths : list of (ndarray, int)
        `block_strength` of every frame in its own geometry; empty where the method needs none.
    """

    bracket: OrderedBracket
    repairs: Repairs
    cache: FirstPassCache | None
    mixing: str
    misfit: Misfit | None = None
    strengths: list[Strength] = field(default_factory=list)

    @property
    def stack(self) -> Stack:
        """The frames, raw files to be developed without hot and dead photosites."""
        return self.repairs.mended_stack(self.bracket.stack)

    @property
    def registration(self) -> Registration:
        """Where they lie."""
        return self.bracket.registration

    @property
    def aligned(self) -> tuple[int, ...]:
        """The frames that could be aligned."""
        return self.bracket.registration.aligned

    @property
    def axis(self) -> FocusAxis | None:
        """The focus axis of these."""
        return self.bracket.axis

    @property
    def positions_px(self) -> NDArray[np.float64] | None:
        """Their positions on it, rising, px of blur-circle diameter."""
        return None if self.bracket.axis is None else self.bracket.axis.positions_px

    @property
    def transfer(self) -> str:
        """Encoding of the frames."""
        return self.repairs.transfer


@contextmanager
def first_pass(
    stack: Stack, options: MergeOptions, report: Progress, cache_bytes: int | None
) -> Iterator[FirstPassResult]:
    """Yield what one reading of all frames tells; the cache is closed at the end.

    Frames that turn out to be out of order are read once more, in order: neighbours in focus are
    what can be compared best, and so the result is that of the bracket in order. So are those that
    were blurred after they were encoded, unless the first few tell: what blur mixes is then taken
    for light.

    Parameters
    ----------
    stack : Stack
    options : MergeOptions
    report : callable
        Progress.
    cache_bytes : int or None
        Fill a cache that keeps up to so much of each kind in memory; None = no cache.
    """
    result = _take_in(stack, options, report, cache_bytes)
    try:
        yield result
    finally:
        if result.cache is not None:
            result.cache.close()


def _take_in(
    stack: Stack, options: MergeOptions, report: Progress, cache_bytes: int | None
) -> FirstPassResult:
    """Do it; what the frames were placed by is gone afterwards."""
    seen = _read_frames(stack, options, report, cache_bytes, stack.sources[0].transfer)
    try:
        bracket = _ordered(seen, options)
        if is_out_of_order(bracket):
            seen.close()
            reference = options.reference
            if reference is not None:
                reference = bracket.order.index(reference)
            again = dataclasses.replace(options, reference=reference)
            stack = reorder_stack(stack, bracket.order)
            seen = _read_frames(stack, again, report, cache_bytes, seen.mixing)
            bracket = _ordered(seen, options)
        seen, bracket = _compare_again(seen, bracket, options)
        bracket = refine_by_depth(bracket, seen.registrar, seen.registration)
        if seen.cache is not None:
            seen.cache.order = bracket.order
        repairs = seen.finder.finish(bracket)
        misfit = seen.registrar.misfit()
        if misfit is not None:
            misfit = misfit.renumbered(bracket.order)
        strengths = [seen.strengths[frame] for frame in bracket.order if seen.strengths]
        return FirstPassResult(bracket, repairs, seen.cache, seen.mixing, misfit, strengths)
    except BaseException:
        seen.close()
        raise


@dataclass(frozen=True, eq=False)
class _Seen:
    """What a reading of all frames leaves, in the order read; ``mixing`` as it was taken for."""

    stack: Stack
    registrar: StackRegistration
    registration: Registration
    cells: dict[int, CellEnergies]
    finder: DefectFinder
    cache: FirstPassCache | None
    mixing: str
    strengths: list[Strength]

    def close(self) -> None:
        if self.cache is not None:
            self.cache.close()


def _ordered(seen: _Seen, options: MergeOptions) -> OrderedBracket:
    scale_px = diffraction_scale_px(seen.stack.sources, options.audit)
    return order_by_focus(seen.stack, seen.registration, seen.cells, diffraction_scale_px=scale_px)


def _compare_again(
    seen: _Seen, bracket: OrderedBracket, options: MergeOptions
) -> tuple[_Seen, OrderedBracket]:
    """Return them from pairs compared both frames blurred alike, where that would change much."""
    axis = bracket.axis
    if axis is None:
        return seen, bracket
    read = [bracket.order[frame] for frame in bracket.registration.aligned]
    places = dict(zip(read, axis.positions_px.tolist(), strict=True))
    registration, stack = seen.registration, seen.stack
    height, width = registration.shape
    reduction = analysis_reduction((height, width))
    box = (0, 0, height - height % reduction, width - width % reduction)
    again = seen.registrar.again(tile_depth_px(axis, box, reduction), places)
    if again is None:
        return seen, bracket

    def light(frame: int) -> FloatArray:
        source, balance = stack.sources[frame], stack.white_balance
        luminance = read_luminance(source, reduction=reduction, white_balance=balance)
        return linearize(luminance, seen.mixing)

    with opencv_on_one_thread():
        for frame, picture in enumerate(work_ahead(light, range(len(stack)), threads=1)):
            again.add(frame, picture)
    registration = seen.registrar.take(again, registration.reference)
    seen = dataclasses.replace(seen, registration=registration)
    return seen, _ordered(seen, options)


@dataclass(frozen=True, eq=False)
class _Look:
    """What is taken from one frame.

    Reduced luminance as light, which it is with the encoding ``mixing``, colours, measure and small
    copy, and for `detail` the strength of blocks.
    """

    light: FloatArray
    mixing: str
    colours: SmallColours
    picture: FloatArray
    measure: FloatArray
    strength: Strength | None = None


class _Compared:
    """What frames' light tells of where they lie and how sharp they are."""

    def __init__(self, stack: Stack, options: MergeOptions) -> None:
        height, width = stack.sources[0].shape[:2]
        self.reduction = analysis_reduction((height, width))
        self.registrar = StackRegistration(
            (height, width), reduction=self.reduction, transfer="linear", model=options.motion
        )
        self.cells: dict[int, CellEnergies] = {}
        self.blank = BlankRows()

    def add(self, frame: int, light: FloatArray, colours: SmallColours) -> None:
        """Take the next frame."""
        self.blank.add(light)
        self.registrar.add(light, colours)
        if min(light.shape) >= SMALLEST_SIDE_PX:
            self.cells[frame] = measure_cells(light, scale=1 / self.reduction)


def _read_frames(
    stack: Stack, options: MergeOptions, report: Progress, cache_bytes: int | None, mixing: str
) -> _Seen:
    compared, finder = _Compared(stack, options), DefectFinder(stack)
    reduction = compared.reduction
    strengths: list[Strength] = []
    # Of the first frames, as long as they may turn out to have been blurred after encoding.
    first: list[tuple[FloatArray, SmallColours]] = []
    cache = None if cache_bytes is None else FirstPassCache(stack, cache_bytes)

    def read(frame: int) -> _Look:
        source, balance = stack.sources[frame], stack.white_balance
        # A plain demosaic tells where what is sharp, in a third of the time of the best one.
        samples, white = read_samples(source, white_balance=balance, plain=True)
        if frame in finder.sample:
            finder.add(samples, white)
        curves = source.transfer, mixing
        return _look_at(samples, white, curves, reduction, options.method == "detail")

    try:
        # One reader: the finder, which must not hold a whole frame, takes them in their order.
        with opencv_on_one_thread():
            for frame, look in enumerate(work_ahead(read, range(len(stack)), threads=1)):
                # Where blur turned out to mix stored values while it was read, these are the light.
                light = look.light if look.mixing == mixing else encode(look.light, look.mixing)
                compared.add(frame, light, look.colours)
                if mixing != "linear" and frame <= FEWEST:
                    first.append((light, look.colours))
                if cache is not None:
                    cache.add(look.measure, look.picture)
                if look.strength is not None:
                    strengths.append(look.strength)
                report("Aligning", frame + 1, len(stack))
                del look, light  # not held while the next one is waited for
                if mixing != "linear" and compared.registrar.proves_coded():
                    if frame >= len(first):
                        break
                    compared = _Compared(stack, options)
                    for k, (light, colours) in enumerate(first):
                        compared.add(k, encode(light, mixing), colours)
                    mixing = "linear"
                if frame == FEWEST:
                    first.clear()
                    return_freed_memory()
            else:
                compared.blank.check(stack.sources)
                registration = compared.registrar.finish(options.reference)
                if mixing == "linear" or not registration.blurred_coded:
                    registrar, cells = compared.registrar, compared.cells
                    return _Seen(
                        stack, registrar, registration, cells, finder, cache, mixing, strengths
                    )
    except BaseException:
        if cache is not None:
            cache.close()
        raise
    if cache is not None:
        cache.close()
    del compared  # its pictures go before the frames are read anew
    return _read_frames(stack, options, report, cache_bytes, "linear")


def _look_at(
    samples: NDArray[Any],
    white: float,
    curves: tuple[str, str],
    reduction: int,
    blocks: bool,
) -> _Look:
    """Return a frame reduced for alignment and for depth.

    ``curves`` are the encoding of its light and that of what blur mixes; ``blocks``: whether their
    strength is needed.
    """
    small = measure_reduction(samples.shape)
    told = measure_samples(samples, white, reduction=small, light_reduction=reduction)
    measure = detail_of(told.power, small)
    strength = block_strength(told.power, small) if blocks else None
    colours = small_colours(told.colours, curves[0])
    light = linearize(told.light, curves[1])
    return _Look(light, curves[1], colours, told.colours, measure, strength)

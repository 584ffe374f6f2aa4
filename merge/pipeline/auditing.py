"""A stack of frames → what was missed, from one quick pass over reduced pictures."""

from __future__ import annotations

import dataclasses
import math
import os
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from merge.align import SmallColours, StackRegistration, rescale_transform, small_colours
from merge.diagnose import find_aperture_series
from merge.errors import ReadError
from merge.focus import SMALLEST_SIDE_PX, CellEnergies, measure_cells
from merge.model import (
    AuditOptions,
    Finding,
    FloatArray,
    FrameRegistration,
    FrameSource,
    Progress,
    Registration,
    Stack,
)
from merge.pipeline.front import Frames, as_stack, with_settings
from merge.pipeline.inspecting import (
    Inspected,
    Inspection,
    diffraction_scale_px,
    inspect_bracket,
    kind_of_bracket,
    known_pitch_um,
    refuse_other_kind,
    tolerance_in_px,
)
from merge.pipeline.ordering import order_by_focus
from merge.read import BlankRows, read_preview
from merge.resizing import reduce_map
from merge.threads import opencv_on_one_thread, work_ahead

# Blur is measured on pictures of at most this size, and frames are registered on still smaller
# ones: tiles are tens of pixels wide, so a full pixel of misplacement does no harm.
MEASURED_PIXELS = 7_000_000
_REGISTERED_SIDE = 600
# Long side at least of the pictures for a quick audit: a blur of 4 px of 24 megapixels is one here.
_QUICK_SIDE = 1500
# Frames looked at side by side, at most: each takes some 0.1 GB.
_MOST_WORKERS = 4


@dataclass(frozen=True, eq=False)
class AuditResult(Inspected):
    """What a bracket covers and what it misses; frames count in the order of their focus.

    Attributes
    ----------
    stack : Stack
        The frames looked at; fewer than given when interrupted.
    inspection : Inspection
    interrupted : bool
        Stopped before the last frame.
    seconds : float
    """

    stack: Stack
    inspection: Inspection
    interrupted: bool
    seconds: float


def audit_stack(
    stack: Frames,
    options: AuditOptions | None = None,
    *,
    progress: Progress | None = None,
    stop: Callable[[], bool] | None = None,
    **settings: Any,
) -> AuditResult:
    """Return the focus steps of a bracket and everything that is wrong with it.

    Parameters
    ----------
    stack : Stack, path, sequence of paths, or sequence of ndarray
        From `find_frames` or `stack_arrays`, or what these take.
    options : AuditOptions, optional
    progress : callable, optional
        Called with (stage, frames done, frames in all).
    stop : callable, optional
        Asked after every frame; True ends the pass, and the frames seen so far are judged.
    **settings
        Fields of `AuditOptions` by their names, over those of ``options``: ``tolerance="2px"``.

    Returns
    -------
    AuditResult

    Raises
    ------
    ReadError
        If a frame cannot be read, or fewer than two frames have one size.
    RegistrationError
        If no two frames can be aligned.
    MergeError
        If the tolerance cannot be understood or needs a pixel pitch that is not known, or the
        frames are no focus bracket (unless ``anyway``).
    OptionError
        If a setting is none of those that are possible.
    """
    began = time.perf_counter()
    stack, options = as_stack(stack), with_settings(options or AuditOptions(), settings)
    # What can be refused is refused before any work.
    tolerance_in_px(options, known_pitch_um(stack.sources, options), stack.sources[0].shape)
    if not options.anyway:
        refuse_other_kind(find_aperture_series([s.settings for s in stack.sources]))
    same, odd = _split_by_size(stack.sources)
    with opencv_on_one_thread():
        report, ends = progress or (lambda *_: None), stop or (lambda: False)
        seen = _read_frames(stack, same, report, ends, options.quick)
    registration = _all_frames(seen, same, odd, stack)
    stack = dataclasses.replace(stack, sources=stack.sources[: len(registration.frames)])
    bracket = order_by_focus(
        stack,
        registration,
        dict(zip(same, seen.cells, strict=False)),
        diffraction_scale_px=diffraction_scale_px(stack.sources, options),
    )
    if not (options.anyway or seen.interrupted):
        refuse_other_kind(kind_of_bracket(bracket))
    inspection = inspect_bracket(bracket, options)
    if options.quick and seen.factor > 1:
        inspection = inspection.with_findings([_quick_note(seen.factor)])
    return AuditResult(
        stack=bracket.stack,
        inspection=inspection,
        interrupted=seen.interrupted,
        seconds=time.perf_counter() - began,
    )


def _split_by_size(
    sources: Sequence[FrameSource],
) -> tuple[list[int], dict[int, str]]:
    """Return the frames of the commonest size, and why each other one is left out."""
    common = Counter(s.shape[:2] for s in sources).most_common(1)[0][0]
    same = [i for i, s in enumerate(sources) if s.shape[:2] == common]
    if len(same) < 2:
        raise ReadError(
            f"{sources[0].name}: fewer than two frames of one size, expected a bracket; name the "
            "frames of one bracket"
        )
    odd = {
        i: (f"{s.shape[1]} x {s.shape[0]} px, but the others have {common[1]} x {common[0]} px")
        for i, s in enumerate(sources)
        if s.shape[:2] != common
    }
    return same, odd


@dataclass(frozen=True)
class _Seen:
    """What one pass over the frames leaves: measures and geometry."""

    cells: list[CellEnergies]
    registration: Registration
    interrupted: bool
    factor: float  # full-size pixels for one of the measured pictures


@dataclass(frozen=True)
class _Look:
    """One frame: its measures, a small picture, and full-size pixels for one of that."""

    cells: CellEnergies
    small: FloatArray
    colours: SmallColours
    factor: float


def _read_frames(
    stack: Stack,
    frames: Sequence[int],
    report: Progress,
    stop: Callable[[], bool],
    quick: bool,
    coded: bool = False,
) -> _Seen:
    """Read every frame once: measure it, and register a small picture of it.

    With ``coded`` stored values are taken for the light that blur mixes.
    """
    sources = [stack.sources[i] for i in frames]
    cells: list[CellEnergies] = []
    blank = BlankRows()
    registrar: StackRegistration | None = None
    for index, look in enumerate(
        work_ahead(
            partial(_look_at, quick=quick, coded=coded),
            sources,
            threads=min(_MOST_WORKERS, os.cpu_count() or 1),
        )
    ):
        if registrar is None:
            shape, factor = (look.small.shape[0], look.small.shape[1]), look.factor
            registrar = StackRegistration(shape, transfer="linear")
        if look.small.shape != shape:
            raise ReadError(
                f"{sources[index].name}: its embedded preview is {look.small.shape[1]} x "
                f"{look.small.shape[0]} px when reduced, expected {shape[1]} x {shape[0]} like "
                "the first frame's; leave this frame out"
            )
        blank.add(look.small)
        registrar.add(look.small, look.colours)
        cells.append(look.cells)
        report("Looking", len(cells), len(frames))
        if not coded and registrar.proves_coded():
            return _read_frames(stack, frames, report, stop, quick, coded=True)
        if len(cells) >= 2 and stop():
            break
    assert registrar is not None, "at least two frames have one size"
    blank.check(sources)
    found, interrupted = registrar.finish(), len(cells) < len(frames)
    if found.blurred_coded and not (coded or interrupted):
        return _read_frames(stack, frames, report, stop, quick, coded=True)
    full = tuple(_to_full_size(f, factor) for f in found.frames)
    registration = dataclasses.replace(found, frames=full)
    return _Seen(cells, registration, interrupted, 1 / cells[0].scale)


def _quick_note(factor: float) -> Finding:
    return Finding(
        "quick look",
        "note",
        f"A quick look at pictures of 1/{factor:.2g} of the full size: steps are less sure, and "
        f"shake, softness and steps below about {factor:.2g} px show too little to be told.",
        "Audit again without --quick for those.",
        value=factor,
        unit="ratio",
    )


def _look_at(source: FrameSource, quick: bool = False, coded: bool = False) -> _Look:
    long_side = max(source.shape[:2])
    reduction = math.ceil(math.sqrt(source.shape[0] * source.shape[1] / MEASURED_PIXELS))
    least = min(_QUICK_SIDE, long_side) if quick else long_side // reduction
    luminance, factor = read_preview(source, min_long_side_px=least, quick=quick, light=not coded)
    if min(luminance.shape) < SMALLEST_SIDE_PX:
        raise ReadError(
            f"{source.name}: {source.shape[1]} x {source.shape[0]} px, too small to measure focus "
            f"in: expected at least {SMALLEST_SIDE_PX * reduction} px on either side; audit the "
            "frames at their full size"
        )
    cells = measure_cells(luminance, scale=1 / factor)
    block = math.ceil(max(luminance.shape) / _REGISTERED_SIDE)
    small = reduce_map(luminance, block, incomplete="drop")
    colours = small_colours(luminance[..., None], source.transfer, light=not coded)
    return _Look(cells, small, colours, factor * block)


def _to_full_size(frame: FrameRegistration, factor: float) -> FrameRegistration:
    if frame.transform is None:
        return frame
    return dataclasses.replace(
        frame,
        transform=rescale_transform(frame.transform, factor),
        residual_px=frame.residual_px * factor,
        jump_px=frame.jump_px * factor,
    )


def _all_frames(
    seen: _Seen, same: Sequence[int], odd: dict[int, str], stack: Stack
) -> Registration:
    """Put the frames of another size back in their places, as not aligned."""
    last = len(stack) if not seen.interrupted else same[len(seen.cells) - 1] + 1
    by_frame = dict(zip(same, seen.registration.frames, strict=False))
    frames = tuple(
        by_frame[i] if i in by_frame else FrameRegistration(None, reason=odd[i])
        for i in range(last)
    )
    return dataclasses.replace(
        seen.registration,
        frames=frames,
        reference=same[seen.registration.reference],
        shape=stack.sources[same[0]].shape[:2],
    )

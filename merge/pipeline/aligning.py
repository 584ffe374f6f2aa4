"""The first pass over the frames.

Where they lie, how far apart their focus planes are and, where depth is wanted, how sharp each is
where.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align import analysis_reduction, register_stack
from merge.depth import measure_detail, measure_reduction
from merge.encoding import linearize
from merge.focus import SMALLEST_SIDE_PX, CellEnergies, measure_cells
from merge.model import FloatArray, FocusAxis, MergeOptions, Registration, Stack
from merge.pipeline.ahead import work_ahead
from merge.pipeline.judging import (
    AuditOptions,
    aligned_frames,
    diffraction_spread_px,
    measure_axis,
)
from merge.pipeline.repairing import DefectFinder, Repairs
from merge.read import read_luminance, read_samples
from merge.resizing import reduced_shape
from merge.samples import split_samples
from merge.scratch import ScratchStack

Progress = Callable[[str, int, int], None]


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
    repairs : Repairs
        Defects of the sensor.
    """

    registration: Registration
    used: tuple[int, ...]
    axis: FocusAxis | None
    axis_problem: str
    repairs: Repairs

    @property
    def positions_px(self) -> NDArray[np.float64] | None:
        """Positions of the used frames on the focus axis, px of blur-circle diameter."""
        return None if self.axis is None else self.axis.positions_px

    @property
    def transfer(self) -> str:
        """Encoding of the frames."""
        return self.repairs.transfer


class KeptFrames:
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
        shape = stack.sources[0].shape
        self.reduction = measure_reduction(shape)
        small = reduced_shape(shape, self.reduction)
        count = len(stack)
        self.measures = ScratchStack(count, small, np.float16, memory_bytes=memory_bytes)
        self.pictures = ScratchStack(
            count, (*small, shape[2]), np.float16, memory_bytes=memory_bytes
        )

    def close(self) -> None:
        """Let go of everything."""
        self.measures.close()
        self.pictures.close()


@dataclass(frozen=True, eq=False)
class _Reading:
    """What is taken from a frame's pixels at once: reduced linear luminance, measure, picture."""

    light: FloatArray
    measure: FloatArray | None = None
    picture: FloatArray | None = None


def align_stack(
    stack: Stack, options: MergeOptions, report: Progress, kept: KeptFrames | None = None
) -> Alignment:
    """Register all frames of a stack, and measure their focus steps, from reduced luminance.

    A few frames are looked at for defects of the sensor. With ``kept``, fill it from the same
    reading of the files.
    """
    height, width = stack.sources[0].shape[:2]
    reduction = analysis_reduction((height, width))
    transfer = stack.sources[0].transfer
    cells: list[CellEnergies] = []
    finder = DefectFinder(stack)

    def read(index: int) -> _Reading:
        source, balance = stack.sources[index], stack.white_balance
        if kept is None and index not in finder.sample:
            luminance = read_luminance(source, reduction=reduction, white_balance=balance)
            return _Reading(linearize(luminance, transfer))
        samples, white = read_samples(source, white_balance=balance)
        if index in finder.sample:
            finder.add(samples, white)
        reductions = reduction, None if kept is None else kept.reduction
        return _read_once(samples, white, reductions, transfer)

    def pictures() -> Iterator[FloatArray]:
        for done, reading in enumerate(work_ahead(read, range(len(stack))), 1):
            if kept is not None:
                assert reading.measure is not None
                assert reading.picture is not None
                kept.measures.append(reading.measure)
                kept.pictures.append(reading.picture)
            light = reading.light
            if min(light.shape) >= SMALLEST_SIDE_PX:
                cells.append(measure_cells(light, scale=1 / reduction))
            yield light
            report("Aligning", done, len(stack))

    registration = register_stack(
        pictures(),
        shape=(height, width),
        reduction=reduction,
        transfer="linear",
        model=options.model,
        reference=options.reference,
    )
    axis, problem = None, f"frames of less than {SMALLEST_SIDE_PX} px hold too few tiles"
    if cells:
        spread_px = diffraction_spread_px(stack.sources, AuditOptions())
        axis, problem = measure_axis(dict(enumerate(cells)), registration, spread_px=spread_px)
    repairs = finder.finish(registration, axis)
    return Alignment(registration, aligned_frames(registration), axis, problem, repairs)


def _read_once(
    samples: NDArray[Any], white: float, reductions: tuple[int, int | None], transfer: str
) -> _Reading:
    """Return what `_Reading` holds, reduced for alignment and, if wanted, for depth as told."""
    reduction, wanted = reductions
    luminance, picture = split_samples(samples, white, wanted or reduction)
    measure = None if wanted is None else measure_detail(luminance, wanted)
    height, width = (length // reduction for length in luminance.shape)
    if reduction > 1:
        whole = luminance[: height * reduction, : width * reduction]
        luminance = np.asarray(
            cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float32
        )
    return _Reading(linearize(luminance, transfer), measure, picture)

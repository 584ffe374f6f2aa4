"""Defects of the sensor: looked for while frames are read for alignment, repaired ever after."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.defects import (
    DefectSearch,
    SensorDefects,
    choose_sample,
    defects_finding,
    find_hot_photosites,
    reduce_defects,
    repair_frame,
    repair_measure,
)
from merge.depth import REACH_WIDE
from merge.model import (
    Finding,
    FloatArray,
    FrameSource,
    FrameTransform,
    Stack,
)
from merge.pipeline.ordering import OrderedBracket
from merge.read import read_mosaic


@dataclass(frozen=True, eq=False)
class Repairs:
    """What is wrong with the sensor of a stack's frames.

    Attributes
    ----------
    defects : SensorDefects
        As they show in frames that are developed as they are.
    photosites : tuple of (int, int)
        Of raw files: filled before development, so that only dust is left to repair.
    transfer : str
        Encoding of the frames.
    sample : tuple of int
        Frames that were looked at.
    """

    defects: SensorDefects
    photosites: tuple[tuple[int, int], ...]
    transfer: str
    sample: tuple[int, ...]

    @property
    def any(self) -> bool:
        """Whether there is something to repair."""
        return bool(len(self.defects.pixels) or self.defects.dust or self.photosites)

    def mend_kept(
        self, measure: FloatArray, picture: FloatArray, reduction: int
    ) -> tuple[FloatArray, FloatArray]:
        """Return a frame's measure and reduced picture without defects."""
        if not self.any:
            return measure, picture
        measure = repair_measure(measure, self.defects, reduction, REACH_WIDE)
        small = repair_frame(picture, reduce_defects(self.defects, reduction), self.transfer)
        return measure, np.asarray(small, np.float32)

    def mend(self, samples: NDArray[Any], white: float) -> NDArray[Any]:
        """Return a frame, developed from a source of `mended_stack`, without defects."""
        if not self.any:
            return samples
        left = self.defects
        if self.photosites:
            left = dataclasses.replace(left, pixels=left.pixels[:0])
        return repair_frame(samples, left, self.transfer, white=white)

    def mended_stack(self, stack: Stack) -> Stack:
        """Return a stack whose raw files are developed without hot and dead photosites."""
        if not self.photosites:
            return stack
        sources = tuple(
            dataclasses.replace(source, hot_photosites=self.photosites) for source in stack.sources
        )
        return dataclasses.replace(stack, sources=sources)

    def finding(self) -> Finding | None:
        """Return what to tell about them."""
        defects = self.defects
        if self.photosites:
            defects = dataclasses.replace(defects, spots=0)
        return defects_finding(defects, photosites=len(self.photosites), frames=self.sample)


class DefectFinder:
    """Looks at a few of a stack's frames as they are read."""

    def __init__(self, stack: Stack) -> None:
        self.sample = choose_sample(range(len(stack)))
        self._transfer = stack.sources[0].transfer
        self._search = DefectSearch(len(self.sample), self._transfer)

    def add(self, samples: NDArray[Any], white: float) -> None:
        """Take one more frame of the sample, in its order."""
        self._search.add(samples, white)

    def finish(self, bracket: OrderedBracket) -> Repairs:
        """Return what was found, now that it is known where the frames lie."""
        sample = tuple(bracket.order.index(frame) for frame in self.sample)
        transforms = [bracket.registration.frames[frame].transform for frame in sample]
        positions: list[float] | None = None
        if bracket.axis is not None:
            on_axis = bracket.axis.positions_px.tolist()
            place = dict(zip(bracket.registration.aligned, on_axis, strict=True))
            positions = [place.get(frame, math.nan) for frame in sample]
        defects = self._search.finish(transforms, positions)
        photosites: tuple[tuple[int, int], ...] = ()
        if bracket.stack.sources[0].kind == "raw":
            sources = [bracket.stack.sources[frame] for frame in sample]
            photosites = _photosites(sources, transforms, positions)
        return Repairs(defects, photosites, self._transfer, tuple(sorted(sample)))


def _photosites(
    sources: Sequence[FrameSource],
    transforms: Sequence[FrameTransform | None],
    positions: Sequence[float] | None,
) -> tuple[tuple[int, int], ...]:
    """Return hot and dead photosites of raw files, from a second look at the sample."""
    known = [k for k, transform in enumerate(transforms) if transform is not None]
    first = read_mosaic(sources[known[0]]) if known else None
    if first is None:
        return ()
    _, period, full_scale = first

    def mosaics() -> Iterator[NDArray[Any]]:
        for k in known:
            mosaic = read_mosaic(sources[k])
            if mosaic is not None:
                yield mosaic[0]

    return find_hot_photosites(
        mosaics(),
        [t for t in transforms if t is not None],
        period=period,
        full_scale=full_scale,
        orientation=sources[0].orientation,
        positions_px=None if positions is None else [positions[k] for k in known],
    )

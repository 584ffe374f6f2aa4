"""Defects of the sensor: looked for while frames are read for alignment, repaired ever after."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.defects import (
    DefectSearch,
    choose_sample,
    defects_finding,
    find_hot_photosites,
    reduce_defects,
    repair_frame,
    repair_measure,
)
from merge.model import Finding, FloatArray, FocusAxis, Registration, SensorDefects, Stack
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
        measure = repair_measure(measure, self.defects, reduction)
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
        self._stack = stack
        self.sample = choose_sample(range(len(stack)))
        self._transfer = stack.sources[0].transfer
        self._search = DefectSearch(len(self.sample), self._transfer)

    def add(self, samples: NDArray[Any], white: float) -> None:
        """Take one more frame of the sample, in its order."""
        self._search.add(samples, white)

    def finish(self, registration: Registration, axis: FocusAxis | None) -> Repairs:
        """Return what was found, now that it is known where the frames lie."""
        transforms = [registration.frames[k].transform for k in self.sample]
        used = [k for k, frame in enumerate(registration.frames) if frame.transform is not None]
        place = {} if axis is None else dict(zip(used, axis.positions_px.tolist(), strict=True))
        positions = [place.get(k, math.nan) for k in self.sample] if place else None
        defects = self._search.finish(transforms, positions)
        photosites: tuple[tuple[int, int], ...] = ()
        if self._stack.sources[0].kind == "raw":
            photosites = self._photosites(registration, positions)
        return Repairs(defects, photosites, self._transfer, self.sample)

    def _photosites(
        self, registration: Registration, positions: list[float] | None
    ) -> tuple[tuple[int, int], ...]:
        """Return hot and dead photosites of raw files, from a second look at the sample."""
        known = [
            (index, transform, None if positions is None else positions[k])
            for k, index in enumerate(self.sample)
            if (transform := registration.frames[index].transform) is not None
        ]
        sources = [self._stack.sources[index] for index, _, _ in known]
        first = read_mosaic(sources[0]) if sources else None
        if first is None:
            return ()
        _, period, full_scale = first

        def mosaics() -> Iterator[NDArray[Any]]:
            for source in sources:
                mosaic = read_mosaic(source)
                if mosaic is not None:
                    yield mosaic[0]

        return find_hot_photosites(
            mosaics(),
            [transform for _, transform, _ in known],
            period=period,
            full_scale=full_scale,
            orientation=sources[0].orientation,
            positions_px=None if positions is None else [p for _, _, p in known if p is not None],
        )

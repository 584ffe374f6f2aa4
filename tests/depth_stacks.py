"""Stacks as depth is measured from them, for the tests of depth and of what is mended by it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from merge.depth import FocusComposite, measure_detail
from merge.scratch import ScratchStack


@contextmanager
def measured_stack(
    frames: list[np.ndarray],
) -> Iterator[tuple[ScratchStack, ScratchStack, np.ndarray]]:
    """Yield the measures, the pictures and the sharpest picture of frames (h, w, C)."""
    shape, room = frames[0].shape, 1 << 30
    with (
        ScratchStack(len(frames), shape[:2], np.float16, memory_bytes=room) as measures,
        ScratchStack(len(frames), shape, np.float16, memory_bytes=room) as pictures,
    ):
        guide = FocusComposite(shape)
        for frame in frames:
            measure = measure_detail(frame.mean(axis=2), 1)
            measures.append(measure)
            pictures.append(frame)
            guide.add(measure, frame)
        yield measures, pictures, guide.pixels

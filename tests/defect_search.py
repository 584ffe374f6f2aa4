"""The search for sensor defects over frames that are at hand."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from merge.defects import DefectSearch, SensorDefects
from merge.model import FrameTransform


def find_sensor_defects(
    frames: Iterable[np.ndarray],
    transforms: Sequence[FrameTransform],
    *,
    positions_px: Sequence[float] | None = None,
) -> SensorDefects:
    """Return what a sample of a stack's sRGB frames shows, taken one at a time."""
    search = DefectSearch(len(transforms), "srgb")
    for samples in frames:
        search.add(samples, 1.0)
    return search.finish(transforms, positions_px)

"""What tells a defect of the sensor from a small thing in the picture.

A thing moves with the picture and goes in and out of focus; a defect does neither. So at every
place that is judged, the picture must have moved or blurred by enough for a thing to show it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.model import FrameTransform


@dataclass(frozen=True, eq=False)
class PictureMotion:
    """How the picture lay and was focused in the frames of a sample.

    Attributes
    ----------
    transforms : ndarray, shape (K, 3, 3), float64
        Reference → frame.
    positions_px : ndarray, shape (K,), float64, or None
        Of the frames on the focus axis, px of blur-circle diameter; None where unknown.
    """

    transforms: NDArray[np.float64]
    positions_px: NDArray[np.float64] | None

    @classmethod
    def of(
        cls, transforms: Sequence[FrameTransform], positions_px: Sequence[float] | None
    ) -> PictureMotion:
        """Return the motion of a sample's frames, one transform and position for each."""
        positions = None if positions_px is None else np.asarray(positions_px, np.float64)
        if positions is not None and len(positions) != len(transforms):
            raise ValueError(f"{len(positions)} positions for {len(transforms)} transforms")
        return cls(np.stack([t.matrix for t in transforms]), positions)

    def offsets_px(self, row: float, column: float) -> NDArray[np.float64]:
        """Return (K, 2) where, in (x, y), what the middle frame shows at a place lies in each."""
        there = np.linalg.solve(self.transforms[len(self.transforms) // 2], [column, row, 1.0])
        moved = self.transforms @ there
        return moved[:, :2] / moved[:, 2:] - (column, row)

    def blurred_px(self, frames: NDArray[np.bool_] | None = None) -> float:
        """Return the blur-circle diameter that everything reaches in one of the frames at least.

        Of all frames, or of those marked in ``frames``, shape (K,).
        """
        if self.positions_px is None:
            return 0.0
        seen = self.positions_px if frames is None else self.positions_px[frames]
        return float(np.ptp(seen)) / 2 if seen.size else 0.0


def widest_px(offsets: NDArray[np.float64]) -> float:
    """Return the largest distance between any two of (K, 2) offsets."""
    if len(offsets) < 2:
        return 0.0
    return float(np.linalg.norm(offsets[:, None] - offsets[None], axis=2).max())

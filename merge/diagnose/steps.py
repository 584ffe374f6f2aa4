"""Steps in order of the focus axis, with their errors: what a verdict about a step rests on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from merge.model import Array, FocusAxis, Index
from merge.significance import NINETY, proof_limit


@dataclass(frozen=True, eq=False)
class Steps:
    """Steps between neighbouring focus planes.

    Attributes
    ----------
    order : ndarray of int, shape (N,)
        The frames from one end of the axis to the other.
    frames_px : ndarray, shape (N,)
        Their places, rising.
    step_px, error_px : ndarray, shape (N-1,)
        Each step and its own standard error, without what all share.
    scale_error : float
        Relative standard error that all share.
    limit : float
        Standard errors beyond which one of these steps is no chance.
    """

    order: Index
    frames_px: Array
    step_px: Array
    error_px: Array
    scale_error: float
    limit: float

    def whole_error_px(self) -> Array:
        """Return each step's standard error, (N-1,)."""
        return np.hypot(self.error_px, self.scale_error * self.step_px)

    def half_interval_px(self, k: int) -> tuple[float, float]:
        """Return the 90 % interval of half a step: of the blur midway."""
        half, spread = self.step_px[k] / 2, NINETY * self.whole_error_px()[k] / 2
        return max(float(half - spread), 0.0), float(half + spread)


def steps_of(axis: FocusAxis) -> Steps:
    """Return the steps of an axis; one whose errors are not known counts as exact."""
    order = np.argsort(axis.positions_px)
    frames = axis.positions_px[order]
    error = np.zeros(max(len(order) - 1, 0))
    if axis.covariance_px is not None:
        own = axis.covariance_px[np.ix_(order, order)]
        variance = np.diag(own)
        error = np.sqrt(np.maximum(variance[1:] + variance[:-1] - 2 * np.diag(own, 1), 0))
    return Steps(order, frames, np.diff(frames), error, axis.scale_error, proof_limit(len(error)))

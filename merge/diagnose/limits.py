"""What an audit could have found at all: how large each fault must be to be proven.

From the same errors as the verdicts: a fault of this size is found 99 times in 100.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.diagnose.coverage import PROBLEM_SHARE, end_error_px, lacking_px
from merge.diagnose.frames import EXPOSURE_EV, find_bump_limit_px
from merge.diagnose.sequence import MORE_THAN_ONE, UNSEEN_PX, duplicate_limit, usual_step
from merge.diagnose.steps import Steps, steps_of
from merge.diagnose.wording import WORTH_TELLING
from merge.model import FocusAxis, Registration
from merge.significance import EVEN, FOUND, detection_limit

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DetectionLimits:
    """Sizes from which faults are found, by place; NaN where none could be.

    N frames on the axis, in its order.

    Attributes
    ----------
    gap_px : ndarray, shape (N-1,)
        Blur midway that would be proven to be too much.
    missing_slices : ndarray, shape (N-1,)
        So many frames left out between two would be noticed by the rhythm of the steps.
    duplicate_px : ndarray, shape (N-1,)
        Frames nearer together than this are named as focused alike.
    backward_px : ndarray, shape (N-1,)
        Frames that stand so far behind the one shot before them are named as out of order.
    end_px : ndarray, shape (2,)
        Blur beyond the first and the last frame that would be proven, up to `end_reach_px`; NaN
        where none would be.
    end_reach_px : float
        Blur from which what lies beyond is not told from a backdrop.
    end_share : float
        Share of the picture's detail that must lie there for a warning.
    soft_ratio, shaken_ratio : ndarray, shape (N,)
        Energy of the finest detail, over what is expected and along over across, to which it must
        have fallen.
    bump_px, exposure_ev : float
        Moves and changes of light from frame to frame.
    """

    gap_px: Array
    missing_slices: Array
    duplicate_px: Array
    backward_px: Array
    end_px: Array
    end_reach_px: float
    end_share: float
    soft_ratio: Array
    shaken_ratio: Array
    bump_px: float
    exposure_ev: float


def measure_limits(
    axis: FocusAxis, registration: Registration, tolerance_px: float
) -> DetectionLimits:
    """Return what a bracket's audit could have found.

    Parameters
    ----------
    axis : FocusAxis
        Of the aligned frames.
    registration : Registration
        Of all.
    tolerance_px : float
        Blur-circle diameter that is allowed, > 0.
    """
    steps = steps_of(axis)
    sure = steps.limit + FOUND
    places = range(len(steps.step_px))
    unknown = np.full(len(steps.order), np.nan)
    quality = axis.quality
    soft = unknown if quality is None else quality.detail_limit[steps.order]
    shaken = unknown if quality is None else quality.direction_limit[steps.order]
    error = np.array([end_error_px(axis, end, tolerance_px) for end in (0, -1)])
    lacking = np.array([lacking_px(steps, end) for end in (0, -1)])
    ends = tolerance_px + lacking + detection_limit(2) * error
    return DetectionLimits(
        gap_px=np.array([_gap_px(steps, k, sure, tolerance_px) for k in places]),
        missing_slices=np.array([_missing(steps, k) for k in places]),
        duplicate_px=np.array([_duplicate_px(steps, k) for k in places]),
        backward_px=np.maximum(sure * steps.error_px, UNSEEN_PX / 2 + FOUND * steps.error_px),
        end_px=np.where(ends < axis.end_reach_px, ends, np.nan),
        end_reach_px=axis.end_reach_px,
        end_share=PROBLEM_SHARE,
        soft_ratio=np.minimum(soft, WORTH_TELLING),
        shaken_ratio=np.minimum(shaken, WORTH_TELLING),
        bump_px=find_bump_limit_px(registration),
        exposure_ev=EXPOSURE_EV,
    )


def _gap_px(steps: Steps, k: int, sure: float, tolerance_px: float) -> float:
    step = _crossing(2 * tolerance_px, sure * steps.error_px[k], sure * steps.scale_error)
    return step / 2


def _missing(steps: Steps, k: int) -> float:
    """Return how many frames must be missing at a step for its neighbours to show it."""
    usual = usual_step(steps, k)
    if usual is None or usual.spread > EVEN * usual.step_px:
        return math.nan
    error = (steps.limit + FOUND) * usual.ratio_error(0.0)
    ratio = _crossing(MORE_THAN_ONE, error, error / math.sqrt(usual.count))
    return ratio if math.isnan(ratio) else float(max(math.ceil(ratio - 1 - 1e-9), 1))


def _duplicate_px(steps: Steps, k: int) -> float:
    limit, error = duplicate_limit(steps, k)
    nearest = limit - (steps.limit + FOUND) * error
    return nearest if nearest > 0 else math.nan


def _crossing(limit: float, error: float, growing: float) -> float:
    """Return the x that is above a limit by hypot(error, growing x); NaN where none is."""
    lead = 1 - growing**2
    if lead <= 0:
        return math.nan
    return (limit + math.sqrt(limit**2 - lead * (limit**2 - error**2))) / lead

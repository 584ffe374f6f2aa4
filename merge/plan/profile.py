"""How sharp every distance of the planned depth becomes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from merge.plan.depth import subject_depth
from merge.plan.types import Plan


def blur_profile(
    plan: Plan, *, f_number: float, frames: int, samples: int = 600
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the blur of the best frame for distances all over the planned depth.

    Parameters
    ----------
    plan : Plan
    f_number : float
        Marked f-number.
    frames : int
        Number of frames that share the depth evenly.
    samples : int, default 600
        Number of distances.

    Returns
    -------
    place_mm : ndarray, shape (samples,), float64
        Focus distances: from the sensor mark, even in 1/distance, infinity as 1e5 focal
        lengths. Rail: behind the near end, even.
    blur_px : ndarray, shape (samples,), float64
        Blur-circle diameter in the frame that is sharpest there.
    """
    place, blur_um = subject_depth(plan.request).profile(f_number, frames, samples)
    return place, blur_um.min(axis=1) / plan.request.pixel_pitch_um

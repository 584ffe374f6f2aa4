"""How sharp every distance of the planned depth becomes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from merge.optics import (
    blur_circle_um,
    bracket_distances_mm,
    distance_from_sensor_mm,
    effective_f_number,
    entrance_pupil_distance_mm,
    magnification_at,
)
from merge.plan.depth import SubjectDepth, lay_out_frames, subject_depth
from merge.plan.types import Plan

# Stands for infinity on the far side of a profile: beyond it nothing changes.
_HORIZON_FOCAL_LENGTHS = 1e5


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
    request, depth = plan.request, subject_depth(plan.request)
    if depth.on_rail:
        place, blur_um = _on_rail(depth, f_number, frames, samples)
    else:
        place, blur_um = _by_focus(depth, f_number, frames, samples)
    return place, blur_um.min(axis=1) / request.pixel_pitch_um


def _on_rail(
    depth: SubjectDepth, f_number: float, frames: int, samples: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    assert depth.depth_mm is not None
    place = np.linspace(0, depth.depth_mm, samples)
    planes = [p.focus_mm for p in lay_out_frames(depth, f_number, frames, circle_um=1.0)]
    behind = place[:, None] - np.array(planes)
    size, ratio, focal = depth.magnification, depth.pupil_ratio, depth.focal_length_mm
    if focal is None:
        working = effective_f_number(f_number, size, ratio)
        return place, 1000 * np.abs(behind) * size**2 / working
    reach = entrance_pupil_distance_mm(size, focal, ratio)
    # Points ahead of the lens alone can be seen.
    seen = np.maximum(reach + behind, 1e-3)
    return place, blur_circle_um(seen, reach, focal, f_number, ratio)


def _by_focus(
    depth: SubjectDepth, f_number: float, frames: int, samples: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    focal, ratio = depth.focal_length_mm, depth.pupil_ratio
    assert focal is not None
    assert depth.near_mm is not None
    assert depth.far_mm is not None
    far = depth.far_mm if math.isfinite(depth.far_mm) else _HORIZON_FOCAL_LENGTHS * focal
    subject = 1 / np.linspace(1 / depth.near_mm, 1 / far, samples)
    focus = bracket_distances_mm(
        depth.near_mm, depth.far_mm, frames, focal_length_mm=focal, pupil_ratio=ratio
    )
    blur = blur_circle_um(subject[:, None], np.array(focus), focal, f_number, ratio)
    sensor_distance = distance_from_sensor_mm(magnification_at(subject, focal, ratio), focal)
    return sensor_distance, blur

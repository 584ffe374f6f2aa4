"""The depth map of a merge in millimetres at the subject."""

from __future__ import annotations

import numpy as np

from merge.errors import MergeError
from merge.model import FloatArray
from merge.pipeline.merging import MergeResult


def depth_in_mm(result: MergeResult) -> FloatArray:
    """Return how far each part of a subject lies behind the first focus plane, in mm.

    Parameters
    ----------
    result : MergeResult
        Of a close-up, whose magnification changes by less than a fifth along the bracket; with
        pixel pitch and f-number known from the files or given to `merge_stack`.

    Returns
    -------
    ndarray, shape (H, W), float32
        0 in the first frame's plane of focus, rising towards the last one's. Which of them is
        nearer to the lens the pictures do not tell; `MergeResult.stack` names the frames.

    Raises
    ------
    MergeError
        If the merge has no depth map or no focus axis, or something is not known.

    Notes
    -----
    A frame at D px on the focus axis is focused ``D * pitch * N_eff / m**2`` from the first: blur
    of D px is a cone of f-number N_eff cut so far from its tip, and depth at the sensor is m**2
    times that at the subject (longitudinal magnification). Between frames the depth map
    interpolates; beyond the outer ones it ends.
    """
    inspection = result.inspection
    if result.depth is None:
        raise MergeError("method detail makes no depth map; merge with auto or surface")
    if inspection.axis is None:
        raise MergeError(f"the focus steps could not be measured: {inspection.axis_problem}")
    known = [(p.frame, p.subject_mm) for p in inspection.places if p.subject_mm is not None]
    if len(known) < len(inspection.places):
        raise MergeError(
            "depth in mm needs a magnification that changes by less than a fifth along the "
            f"bracket, pixel pitch and f-number, but the files tell {_told(result)}; give "
            "magnification=, pixel_pitch_um=, f_number="
        )
    frames, places_mm = zip(*known, strict=True)
    return np.interp(result.depth.position, frames, places_mm).astype(np.float32)


def _told(result: MergeResult) -> str:
    inspection = result.inspection
    values = {
        "magnification": inspection.magnification,
        "pixel pitch": inspection.pixel_pitch_um,
        "f-number": inspection.slices[0].f_number,
    }
    known = [f"{name} {value:g}" for name, value in values.items() if value is not None]
    return " and ".join(known) or "none of them"

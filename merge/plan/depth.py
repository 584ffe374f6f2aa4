"""A subject's depth as the planner sees it: how many frames cover it, and how they lie."""

from __future__ import annotations

import math
from dataclasses import dataclass

from merge.errors import MergeError
from merge.optics import (
    bracket_blur_um,
    bracket_distances_mm,
    depth_of_field_limits_mm,
    distance_from_sensor_mm,
    effective_f_number,
    entrance_pupil_distance_mm,
    macro_depth_mm,
    magnification_at,
    magnification_from_sensor_distance,
)
from merge.plan.types import FramePosition, PlanRequest


@dataclass(frozen=True)
class SubjectDepth:
    """A depth to cover, by moving the focus (distances) or the camera (rail).

    Attributes
    ----------
    magnification : float
        Largest magnification that occurs: at the near end, or of the rail.
    pupil_ratio : float
    focal_length_mm : float or None
    near_mm, far_mm : float or None
        From the entrance pupil; None for a rail.
    depth_mm : float or None
        Rail only.
    """

    magnification: float
    pupil_ratio: float
    focal_length_mm: float | None
    near_mm: float | None
    far_mm: float | None
    depth_mm: float | None

    @property
    def on_rail(self) -> bool:
        """Whether the camera moves instead of the focus."""
        return self.depth_mm is not None


def subject_depth(request: PlanRequest) -> SubjectDepth:
    """Return the depth that a request describes.

    Raises
    ------
    MergeError
        If distances, focal length or magnification are missing or contradict each other.
    """
    if request.magnification is not None:
        return _rail_depth(request)
    focal, near, far = request.focal_length_mm, request.near_mm, request.far_mm
    if focal is None:
        raise MergeError(
            "the lens is not known: give the focal length (--focal-length) with the near and far "
            "distance, or the magnification (--magnification) with the subject's depth"
        )
    if near is None:
        raise MergeError(
            "the nearest distance is not known: give it with --near, or for a close-up the "
            "magnification with --magnification"
        )
    if far is not None and request.depth_mm is not None:
        raise MergeError("give the far distance (--far) or the depth (--depth), not both")
    if far is None and request.depth_mm is not None:
        far = near + request.depth_mm
    if far is None:
        raise MergeError("the far end is not known: give it with --far (or --depth); 'inf' is fine")
    if not 0 < near < far:
        raise MergeError(f"near {near / 1000:g} m, far {far / 1000:g} m: near must be the smaller")
    if near < 4 * focal:
        raise MergeError(
            f"near {near:g} mm is less than four focal lengths ({4 * focal:g} mm) from the sensor: "
            "give --magnification and --depth for a subject this close"
        )
    size = magnification_from_sensor_distance(near, focal)
    ratio = request.pupil_ratio
    near_u = entrance_pupil_distance_mm(size, focal, ratio)
    far_u = entrance_pupil_distance_mm(magnification_from_sensor_distance(far, focal), focal, ratio)
    return SubjectDepth(size, ratio, focal, near_u, far_u, None)


def _rail_depth(request: PlanRequest) -> SubjectDepth:
    """Return the depth for a given magnification."""
    depth = request.depth_mm
    if depth is None and request.near_mm is not None and request.far_mm is not None:
        depth = request.far_mm - request.near_mm
    if depth is None:
        raise MergeError("the subject's depth is not known: give it with --depth, e.g. 4mm")
    if not (0 < depth < math.inf):
        raise MergeError(f"depth {depth:g} mm: expected a size above 0 that ends")
    size = request.magnification
    assert size is not None
    return SubjectDepth(size, request.pupil_ratio, request.focal_length_mm, None, None, depth)


def blur_um(depth: SubjectDepth, f_number: float, frames: float) -> float:
    """Return the defocus blur at the worst place with the best positions, in µm."""
    if not depth.on_rail:
        assert depth.near_mm is not None
        assert depth.far_mm is not None
        return bracket_blur_um(
            depth.near_mm,
            depth.far_mm,
            frames,
            focal_length_mm=depth.focal_length_mm,
            f_number=f_number,
            pupil_ratio=depth.pupil_ratio,
        )
    assert depth.depth_mm is not None
    size, step = depth.magnification, depth.depth_mm / frames
    if depth.focal_length_mm is None:
        working = effective_f_number(f_number, size, depth.pupil_ratio)
        return 1000 * size**2 * step / (2 * working)
    # Near and far limit of one frame are a step apart: solved for the circle.
    reach = entrance_pupil_distance_mm(size, depth.focal_length_mm, depth.pupil_ratio)
    scale = 1000 * size * depth.focal_length_mm / f_number
    return scale * step / (math.hypot(reach, step) + reach)


def exact_frames(depth: SubjectDepth, f_number: float, circle_um: float) -> float:
    """Return the number of frames that hold a blur circle, before rounding up."""
    if depth.on_rail:
        assert depth.depth_mm is not None
        return depth.depth_mm / sum(_rail_reach(depth, f_number, circle_um))
    whole = blur_um(depth, f_number, 1)
    if whole <= circle_um:
        return whole / circle_um
    assert depth.focal_length_mm is not None
    # blur = s tanh(L / n), so n = L / artanh(c / s); s is the blur of a point at the lens.
    limit = 1000 * depth.focal_length_mm * depth.pupil_ratio / f_number
    return math.atanh(whole / limit) / math.atanh(circle_um / limit)


def lay_out_frames(
    depth: SubjectDepth, f_number: float, frames: int, circle_um: float
) -> tuple[FramePosition, ...]:
    """Return where the frames of a bracket lie, and what each holds within the circle."""
    if depth.on_rail:
        return _lay_out_on_rail(depth, f_number, frames, circle_um)
    assert depth.near_mm is not None
    assert depth.far_mm is not None
    assert depth.focal_length_mm is not None
    focal, ratio = depth.focal_length_mm, depth.pupil_ratio
    positions = []
    for focus in bracket_distances_mm(
        depth.near_mm, depth.far_mm, frames, focal_length_mm=focal, pupil_ratio=ratio
    ):
        near, far = depth_of_field_limits_mm(focus, focal, f_number, circle_um, ratio)
        from_sensor = distance_from_sensor_mm(magnification_at(focus, focal, ratio), focal)
        pupil_to_sensor = from_sensor - focus
        positions.append(FramePosition(from_sensor, near + pupil_to_sensor, far + pupil_to_sensor))
    return tuple(positions)


def _lay_out_on_rail(
    depth: SubjectDepth, f_number: float, frames: int, circle_um: float
) -> tuple[FramePosition, ...]:
    """Return the planes in focus as distances behind the subject's near end."""
    assert depth.depth_mm is not None
    step = depth.depth_mm / frames
    ahead, _ = _rail_reach(depth, f_number, blur_um(depth, f_number, frames))
    before, behind = _rail_reach(depth, f_number, circle_um)
    planes = [index * step + ahead for index in range(frames)]
    return tuple(FramePosition(plane, plane - before, plane + behind) for plane in planes)


def _rail_reach(depth: SubjectDepth, f_number: float, circle_um: float) -> tuple[float, float]:
    """Return how far a blur circle's limits lie before and behind the plane in focus, in mm."""
    size, ratio = depth.magnification, depth.pupil_ratio
    if depth.focal_length_mm is None:
        half = macro_depth_mm(circle_um, f_number, size, ratio) / 2
        return half, half
    reach = entrance_pupil_distance_mm(size, depth.focal_length_mm, ratio)
    near, far = depth_of_field_limits_mm(reach, depth.focal_length_mm, f_number, circle_um, ratio)
    return reach - near, far - reach

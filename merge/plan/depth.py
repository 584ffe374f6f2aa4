"""A subject's depth as the planner sees it: how many frames cover it, and how they lie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from merge.errors import MergeError
from merge.optics import (
    blur_circle_um,
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

# Stands for infinity on the far side of a profile: beyond it nothing changes.
_HORIZON_FOCAL_LENGTHS = 1e5


@dataclass(frozen=True)
class FocusDepth:
    """A depth to cover by turning the focus.

    Attributes
    ----------
    magnification : float
        At the near end, the largest that occurs.
    pupil_ratio : float
    focal_length_mm : float
    near_mm, far_mm : float
        From the entrance pupil; far may be inf.
    """

    magnification: float
    pupil_ratio: float
    focal_length_mm: float
    near_mm: float
    far_mm: float

    def blur_um(self, f_number: float, frames: int) -> float:
        """Return the defocus blur at the worst place with the best positions, in µm."""
        return bracket_blur_um(
            self.near_mm,
            self.far_mm,
            frames,
            focal_length_mm=self.focal_length_mm,
            f_number=f_number,
            pupil_ratio=self.pupil_ratio,
        )

    def exact_frames(self, f_number: float, circle_um: float) -> float:
        """Return the number of frames that hold a blur circle, before rounding up."""
        whole = self.blur_um(f_number, 1)
        if whole <= circle_um:
            return whole / circle_um
        # blur = s tanh(L / n), so n = L / artanh(c / s); s is the blur of a point at the lens.
        limit = 1000 * self.focal_length_mm * self.pupil_ratio / f_number
        return math.atanh(whole / limit) / math.atanh(circle_um / limit)

    def overlap(self, f_number: float, frames: int, circle_um: float) -> float:
        """Return the share of a frame's sharp depth that its neighbours hold; negative = gaps."""
        return 1 - self.exact_frames(f_number, circle_um) / frames

    def lay_out(self, f_number: float, frames: int, circle_um: float) -> tuple[FramePosition, ...]:
        """Return where the frames lie, from the sensor mark, and what each holds."""
        focal, ratio = self.focal_length_mm, self.pupil_ratio
        positions = []
        for focus in self._focus_mm(frames):
            near, far = depth_of_field_limits_mm(focus, focal, f_number, circle_um, ratio)
            from_sensor = distance_from_sensor_mm(magnification_at(focus, focal, ratio), focal)
            behind = from_sensor - focus
            positions.append(FramePosition(from_sensor, near + behind, far + behind))
        return tuple(positions)

    def profile(
        self, f_number: float, frames: int, samples: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return distances from the sensor mark, even in 1/distance, and each frame's blur in µm.

        Shapes (samples,) and (samples, frames).
        """
        focal, ratio = self.focal_length_mm, self.pupil_ratio
        far = self.far_mm if math.isfinite(self.far_mm) else _HORIZON_FOCAL_LENGTHS * focal
        subject = 1 / np.linspace(1 / self.near_mm, 1 / far, samples)
        focus = np.array(self._focus_mm(frames))
        blur = blur_circle_um(subject[:, None], focus, focal, f_number, ratio)
        return distance_from_sensor_mm(magnification_at(subject, focal, ratio), focal), blur

    def _focus_mm(self, frames: int) -> list[float]:
        return bracket_distances_mm(
            self.near_mm,
            self.far_mm,
            frames,
            focal_length_mm=self.focal_length_mm,
            pupil_ratio=self.pupil_ratio,
        )


@dataclass(frozen=True)
class RailDepth:
    """A depth to cover by moving the camera, at one magnification.

    Attributes
    ----------
    magnification : float
    pupil_ratio : float
    focal_length_mm : float or None
        Makes the reach of a frame exact; without it the close-up form is taken.
    depth_mm : float
    """

    magnification: float
    pupil_ratio: float
    focal_length_mm: float | None
    depth_mm: float

    def step_mm(self, frames: int) -> float:
        """Return the step between frames: even, and one that a rail can be set to.

        Of the two settable steps beside the even division the one that leaves less blur: a step
        rounded up blurs between planes, one rounded down beyond the ends.
        """
        even = self.depth_mm / frames
        grid = _rail_grid_mm(even)
        steps = {
            max(math.floor(even / grid + 1e-9), 1) * grid,
            math.ceil(even / grid - 1e-9) * grid,
        }
        best: float = min(steps, key=lambda step: self._covered_mm(step, frames))
        return round(best, 7)

    def _covered_mm(self, step: float, frames: int) -> float:
        """Return the depth that the worst frame has to hold."""
        return max(step, self.depth_mm - (frames - 1) * step)

    def blur_um(self, f_number: float, frames: int) -> float:
        """Return the defocus blur at the worst place with the best positions, in µm."""
        size = self.magnification
        step = self._covered_mm(self.step_mm(frames), frames) if frames > 1 else self.depth_mm
        if self.focal_length_mm is None:
            working = effective_f_number(f_number, size, self.pupil_ratio)
            return 1000 * size**2 * step / (2 * working)
        # Near and far limit of one frame are a step apart: solved for the circle.
        reach = entrance_pupil_distance_mm(size, self.focal_length_mm, self.pupil_ratio)
        scale = 1000 * size * self.focal_length_mm / f_number
        return scale * step / (math.hypot(reach, step) + reach)

    def exact_frames(self, f_number: float, circle_um: float) -> float:
        """Return the number of frames that hold a blur circle, before rounding up."""
        return self.depth_mm / sum(self._reach_mm(f_number, circle_um))

    def overlap(self, f_number: float, frames: int, circle_um: float) -> float:
        """Return the share of a frame's sharp depth that its neighbours hold; negative = gaps."""
        step = self.step_mm(frames) if frames > 1 else self.depth_mm
        return 1 - step / sum(self._reach_mm(f_number, circle_um))

    def lay_out(self, f_number: float, frames: int, circle_um: float) -> tuple[FramePosition, ...]:
        """Return where the frames lie behind the subject's near end, and what each holds."""
        step = self.step_mm(frames) if frames > 1 else self.depth_mm
        ahead, _ = self._reach_mm(f_number, self.blur_um(f_number, frames))
        # What the outermost frames have to spare is shared by both ends.
        spare = max(0.0, frames * step - self.depth_mm) / 2
        before, behind = self._reach_mm(f_number, circle_um)
        planes = [index * step + ahead - spare for index in range(frames)]
        return tuple(FramePosition(plane, plane - before, plane + behind) for plane in planes)

    def profile(
        self, f_number: float, frames: int, samples: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return places behind the near end, even, and each frame's blur in µm.

        Shapes (samples,) and (samples, frames).
        """
        place = np.linspace(0, self.depth_mm, samples)
        planes = [p.focus_mm for p in self.lay_out(f_number, frames, circle_um=1.0)]
        behind = place[:, None] - np.array(planes)
        size, ratio = self.magnification, self.pupil_ratio
        if self.focal_length_mm is None:
            working = effective_f_number(f_number, size, ratio)
            return place, 1000 * np.abs(behind) * size**2 / working
        reach = entrance_pupil_distance_mm(size, self.focal_length_mm, ratio)
        # Points ahead of the lens alone can be seen.
        seen = np.maximum(reach + behind, 1e-3)
        return place, blur_circle_um(seen, reach, self.focal_length_mm, f_number, ratio)

    def _reach_mm(self, f_number: float, circle_um: float) -> tuple[float, float]:
        """Return how far a blur circle's limits lie before and behind the plane in focus."""
        size, ratio, focal = self.magnification, self.pupil_ratio, self.focal_length_mm
        if focal is None:
            half = macro_depth_mm(circle_um, f_number, size, ratio) / 2
            return half, half
        plane = entrance_pupil_distance_mm(size, focal, ratio)
        near, far = depth_of_field_limits_mm(plane, focal, f_number, circle_um, ratio)
        return plane - near, far - plane


def _rail_grid_mm(step_mm: float) -> float:
    """Return the fineness that a rail is set to at a step: two to three digits of it.

    From 20 µm on whole µm, as motor rails and good spindles are set; below, steps of high
    magnifications, tenths of a µm; from 1 mm on hundredths of a mm as on a spindle's scale.
    """
    if step_mm < 0.02:
        return 1e-4
    if step_mm < 1:
        return 1e-3
    return 10.0 ** (math.floor(math.log10(step_mm)) - 2)


SubjectDepth: TypeAlias = FocusDepth | RailDepth


def subject_depth(request: PlanRequest) -> SubjectDepth:
    """Return the depth that a request describes.

    Raises
    ------
    MergeError
        If distances, focal length or magnification are missing or contradict each other.
    """
    if request.magnification is not None:
        return _rail_depth(request, request.magnification)
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
    return FocusDepth(size, ratio, focal, near_u, far_u)


def _rail_depth(request: PlanRequest, magnification: float) -> RailDepth:
    """Return the depth for a given magnification."""
    if request.near_mm is not None or request.far_mm is not None:
        raise MergeError(
            "on a rail (--magnification) distances do not count (--near, --far): give the "
            "subject's depth (--depth)"
        )
    depth = request.depth_mm
    if depth is None:
        raise MergeError("the subject's depth is not known: give it with --depth, e.g. 4mm")
    if not (0 < depth < math.inf):
        raise MergeError(f"depth {depth:g} mm: expected a size above 0 that ends")
    return RailDepth(magnification, request.pupil_ratio, request.focal_length_mm, depth)

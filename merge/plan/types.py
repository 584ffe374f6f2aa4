"""What a plan is asked for and what it says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from merge.model import Finding
from merge.optics import GREEN_UM

PlanMode = Literal["focus distances", "rail"]

REFERENCE_CYCLES_PER_PX = 0.25
"""Fineness at which contrast is judged: half of what the pixels can hold at best."""


COUNT_SLACK = 1e-9
"""Rounding noise of a number of frames: an exact fit must not ask for one frame more."""


@dataclass(frozen=True)
class PlanRequest:
    """A scene, a camera, and what may vary.

    Attributes
    ----------
    pixel_pitch_um : float
        Centre distance of neighbouring pixels in µm.
    tolerance_px : float
        Largest blur-circle diameter of defocus allowed anywhere, in pixels.
    focal_length_mm : float or None
        Needed with `near_mm`; optional with a magnification.
    magnification : float or None
        Given: the camera moves on a rail at this magnification and `depth_mm` counts.
    near_mm, far_mm : float or None
        Distances of the subject's ends from the sensor mark in mm; far may be inf.
    depth_mm : float or None
        Depth of the subject in mm; with `near_mm` it gives the far end.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter.
    f_number, frames, time_s : optional
        What is fixed: marked f-number; number of frames; seconds for the whole bracket.
    exposure_s, exposure_f_number : float or None
        A metered exposure: seconds, and the f-number that it was metered at.
    pause_s : float
        Seconds between two frames (settling, writing, flash), for `time_s`.
    widest, smallest : float
        The lens's largest and smallest aperture (marked f-numbers).
    sharpest : float or None
        f-number where the lens is best; None = two stops down from `widest`, fewer close up
        (see `sharpest_f_number`).
    overlap : float
        Least share of each frame's sharp depth that its neighbours cover too, [0, 0.9].
    wavelength_um : float
        In µm.
    """

    pixel_pitch_um: float
    tolerance_px: float
    focal_length_mm: float | None = None
    magnification: float | None = None
    near_mm: float | None = None
    far_mm: float | None = None
    depth_mm: float | None = None
    pupil_ratio: float = 1.0
    f_number: float | None = None
    frames: int | None = None
    time_s: float | None = None
    exposure_s: float | None = None
    exposure_f_number: float | None = None
    pause_s: float = 2.0
    widest: float = 2.8
    smallest: float = 22.0
    sharpest: float | None = None
    overlap: float = 0.0
    wavelength_um: float = GREEN_UM

    @property
    def tolerance_um(self) -> float:
        """The tolerance at the sensor in µm."""
        return self.tolerance_px * self.pixel_pitch_um


@dataclass(frozen=True)
class ApertureOption:
    """What one f-number would give.

    Attributes
    ----------
    f_number, effective_f_number : float
        Marked; and with the bellows factor at the near end.
    frames : int
        Frames shot at this f-number.
    frames_for_tolerance : int
        Frames that hold the tolerance at this f-number.
    blur_px : float
        Defocus-blur diameter at the worst place in pixels.
    diffraction_blur_px : float
        Diameter of the disk as soft as diffraction (equal MTF50), in pixels.
    focus_contrast, worst_contrast : float
        Contrast at `REFERENCE_CYCLES_PER_PX` in the planes in focus, and at the worst place.
    single_worst_contrast : float
        Contrast at the worst place if one frame were shot alone.
    lost : float
        Share of the plan's worst contrast that this f-number loses; negative = it gains; NaN
        where the plan's is 0.
    light : float
        Light on every sharp point over that of the one frame stopped down until it holds the
        tolerance alone, for the same total exposure time.
    exposure_s, shooting_s : float or None
        Exposure of one frame, and the whole bracket with pauses; None without a metered
        exposure.
    """

    f_number: float
    effective_f_number: float
    frames: int
    frames_for_tolerance: int
    blur_px: float
    diffraction_blur_px: float
    focus_contrast: float
    worst_contrast: float
    single_worst_contrast: float
    lost: float
    light: float
    exposure_s: float | None
    shooting_s: float | None


@dataclass(frozen=True)
class FramePosition:
    """Where one frame is focused, and what is within the tolerance in it.

    Attributes
    ----------
    focus_mm : float
        Focus-distances plan: distance of the plane in focus from the sensor mark. Rail plan:
        its distance behind the subject's near end.
    near_mm, far_mm : float
        Ends of the depth within the tolerance, measured alike; far may be inf.
    """

    focus_mm: float
    near_mm: float
    far_mm: float


@dataclass(frozen=True)
class Plan:
    """Settings for the next shoot, and what the alternatives would cost.

    Attributes
    ----------
    request : PlanRequest
    mode : {"focus distances", "rail"}
    chosen : ApertureOption
    positions : tuple of FramePosition
        Near to far.
    step_mm : float or None
        Rail step; None for focus distances and for one frame.
    overlap : float
        Share of each frame's sharp depth that its neighbours cover too; negative = gaps.
    one_frame_f_number : float
        f-number at which one frame would hold the tolerance alone (any real number).
    one_frame : ApertureOption
        The single frame with the best contrast at the worst place.
    options : tuple of ApertureOption
        Third stops of the lens and the chosen f-number, widest first.
    findings : tuple of Finding
        What a photographer should know before shooting.
    caution : str
        One line on safety.
    """

    request: PlanRequest
    mode: PlanMode
    chosen: ApertureOption
    positions: tuple[FramePosition, ...]
    step_mm: float | None
    overlap: float
    one_frame_f_number: float
    one_frame: ApertureOption
    options: tuple[ApertureOption, ...]
    findings: tuple[Finding, ...]
    caution: str


@dataclass(frozen=True)
class ReshootFrame:
    """One frame to add to a bracket that has a gap or stops short.

    Attributes
    ----------
    between : tuple of int
        Indices (0-based) of the frames that it goes between; the same twice where it goes
        beyond that end of the bracket.
    position_px : float
        On the focus axis, in px of blur-circle diameter.
    share : float or None
        Way from the first frame of the pair to the second, (0, 1); None beyond an end.
    distance_px : float
        Distance from the first frame of the pair on the focus axis.
    sensor_shift_um : float or None
        The same at the sensor; None if not known.
    subject_shift_mm : float or None
        The same at the subject; None if not known.
    focus_m : float or None
        Focus distance to set; None if the frames' distances are not known or too coarse.
    """

    between: tuple[int, int]
    position_px: float
    share: float | None
    distance_px: float
    sensor_shift_um: float | None
    subject_shift_mm: float | None
    focus_m: float | None


@dataclass(frozen=True)
class Reshoot:
    """Frames that complete a bracket.

    Attributes
    ----------
    frames : tuple of ReshootFrame
    names : tuple of str
        Names of the bracket's frames; "frame 1", … where the audit does not name them.
    tolerance_px : float
    missing : tuple of str
        What the audit lacks for millimetres or distances, each with the option that gives it.
    caution : str
    """

    frames: tuple[ReshootFrame, ...]
    names: tuple[str, ...]
    tolerance_px: float
    missing: tuple[str, ...]
    caution: str

"""What an aligned bracket covers and what it misses: one inspection for audit, merge and pages."""

from __future__ import annotations

import dataclasses
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from merge.diagnose import (
    Coverage,
    DetectionLimits,
    FocusPlace,
    SliceLimits,
    describe_slices,
    diagnose_stack,
    find_aperture_series,
    find_diffraction,
    find_distance_conflicts,
    find_other_kind,
    locate_frames,
    measure_coverage,
    measure_limits,
)
from merge.errors import MergeError
from merge.model import (
    AuditOptions,
    CaptureSettings,
    Finding,
    FocusAxis,
    FrameSource,
    Registration,
    worst_first,
)
from merge.optics import GREEN_UM, parse_tolerance_px
from merge.pipeline.ordering import OrderedBracket


@dataclass(frozen=True, eq=False)
class Inspection:
    """What is known of a bracket; frames count in the order of their focus.

    Attributes
    ----------
    registration : Registration
        Of all frames, in full-size pixels.
    axis : FocusAxis or None
        Of the aligned frames, positions rising.
    axis_problem : str
        Why there is no focus axis; empty if there is one.
    coverage : Coverage or None
        None without a focus axis.
    slices : tuple of SliceLimits
        One for each frame.
    places : tuple of FocusPlace
        Where the frames on the axis are focused, in every unit that is known; empty without one.
    findings : tuple of Finding
        Worst first.
    tolerance_px : float
        Blur-circle diameter that is allowed.
    pixel_pitch_um, magnification : float or None
        As used.
    diffraction_scale_px : float or None
        Wavelength times effective f-number over the pixel pitch, as used for the axis; None
        where it is not known and the blur was taken as the ideal disk.
    limits : DetectionLimits or None
        What could have been found; None without a focus axis.
    """

    registration: Registration
    axis: FocusAxis | None
    axis_problem: str
    coverage: Coverage | None
    slices: tuple[SliceLimits, ...]
    places: tuple[FocusPlace, ...]
    findings: tuple[Finding, ...]
    tolerance_px: float
    pixel_pitch_um: float | None
    magnification: float | None
    diffraction_scale_px: float | None
    limits: DetectionLimits | None = None

    @property
    def aligned(self) -> tuple[int, ...]:
        """The frames on the focus axis, in its order."""
        return self.registration.aligned

    def with_findings(self, more: Sequence[Finding]) -> Inspection:
        """Return the inspection with more findings, worst first."""
        return dataclasses.replace(self, findings=worst_first((*more, *self.findings)))


class Inspected:
    """What holds an inspection, and tells the most asked of it at once."""

    inspection: Inspection

    @property
    def registration(self) -> Registration:
        """Where the frames lie."""
        return self.inspection.registration

    @property
    def axis(self) -> FocusAxis | None:
        """Where they are focused; None where the pictures do not tell."""
        return self.inspection.axis

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What a photographer should know, worst first."""
        return self.inspection.findings


def kind_of_bracket(bracket: OrderedBracket) -> Finding | None:
    """Return a finding if a folder of frames holds something else than one focus bracket."""
    count = len(bracket.stack)
    shot = bracket.stack.shot_order or tuple(range(count))
    settings = {place: s.settings for place, s in zip(shot, bracket.stack.sources, strict=True)}
    series = find_aperture_series([settings[place] for place in sorted(settings)])
    own = [s.settings for s in bracket.stack.sources]
    return series or find_other_kind(bracket.registration, bracket.axis, shot, own)


def refuse_other_kind(found: Finding | None) -> None:
    """Raise what a merge cannot make sense of.

    Raises
    ------
    MergeError
        With the finding and its advice.
    """
    if found is not None and found.severity == "problem":
        raise MergeError(f"{found.message} {found.advice}")


def inspect_bracket(bracket: OrderedBracket, options: AuditOptions) -> Inspection:
    """Return what a bracket covers and everything that is wrong with it.

    Parameters
    ----------
    bracket : OrderedBracket
    options : AuditOptions

    Raises
    ------
    MergeError
        If the tolerance cannot be understood or needs a pixel pitch that is not known.
    """
    sources, registration, axis = bracket.stack.sources, bracket.registration, bracket.axis
    settings, names = _settings(sources, options), [s.name for s in sources]
    pitch_um = known_pitch_um(sources, options)
    tolerance_px = tolerance_in_px(options, pitch_um, registration.shape)
    aligned = registration.aligned
    slices = _slices(sources, axis, options, aligned)
    working = _effective_f_number(slices)
    findings = [
        *diagnose_stack(
            axis,
            registration,
            names=names,
            settings=settings,
            tolerance_px=tolerance_px,
            shot_order=bracket.stack.shot_order,
            pixel_pitch_um=options.pixel_pitch_um,
            subject_mm_per_px=_subject_mm_per_px(pitch_um, working, options.magnification),
        )
    ]
    other = kind_of_bracket(bracket)
    if other is not None:
        findings.insert(0, other)
    findings += find_diffraction(slices, names, axis, tolerance_px)
    places: tuple[FocusPlace, ...] = ()
    if axis is not None:
        own = [settings[i] for i in aligned]
        places = locate_frames(
            axis,
            own,
            aligned,
            pixel_pitch_um=pitch_um,
            effective_f_number=working,
            magnification=options.magnification,
        )
        findings += find_distance_conflicts(places, own, names)
    else:
        findings.append(_not_measured(bracket.axis_problem))
    return Inspection(
        registration=registration,
        axis=axis,
        axis_problem=bracket.axis_problem,
        coverage=None if axis is None else measure_coverage(axis, tolerance_px),
        limits=None if axis is None else measure_limits(axis, registration, tolerance_px),
        slices=slices,
        places=places,
        findings=worst_first(findings),
        tolerance_px=tolerance_px,
        pixel_pitch_um=pitch_um,
        magnification=options.magnification,
        diffraction_scale_px=bracket.diffraction_scale_px,
    )


def _subject_mm_per_px(
    pitch_um: float | None, working: float | None, magnification: float | None
) -> float | None:
    """Return how far the focus plane goes for one px of blur: ``pitch N_eff / m²``."""
    if not (pitch_um and working and magnification):
        return None
    return pitch_um * working / 1000 / magnification**2


def _not_measured(problem: str) -> Finding:
    why = problem.removeprefix("focus axis: ")
    message = f"The focus steps could not be measured, so gaps were not looked for: {why}."
    return Finding("focus not measured", "note", message)


def diffraction_scale_px(sources: Sequence[FrameSource], options: AuditOptions) -> float | None:
    """Return wavelength times effective f-number over the pixel pitch; None if not known.

    The median over frames; green light. Without a magnification the marked f-number counts.
    """
    pitch = known_pitch_um(sources, options)
    number = _effective_f_number(_slices(sources, None, options))
    return None if pitch is None or number is None else GREEN_UM * number / pitch


def _settings(sources: Sequence[FrameSource], options: AuditOptions) -> list[CaptureSettings]:
    """Return how the frames were taken, with what was given in place of what the files tell."""
    settings = [source.settings for source in sources]
    if options.f_number is None:
        return settings
    return [dataclasses.replace(own, f_number=options.f_number) for own in settings]


def _slices(
    sources: Sequence[FrameSource],
    axis: FocusAxis | None,
    options: AuditOptions,
    aligned: Sequence[int] | None = None,
) -> tuple[SliceLimits, ...]:
    return describe_slices(
        axis,
        _settings(sources, options),
        frames=aligned,
        pixel_pitch_um=options.pixel_pitch_um,
        magnification=options.magnification,
        pupil_ratio=options.pupil_ratio,
    )


def _effective_f_number(slices: Sequence[SliceLimits]) -> float | None:
    numbers = [s.effective_f_number for s in slices if s.effective_f_number is not None]
    return statistics.median(numbers) if numbers else None


def known_pitch_um(sources: Sequence[FrameSource], options: AuditOptions) -> float | None:
    """Return the pixel pitch given, else the first that a file tells; None if none does."""
    told = (s.settings.pixel_pitch_um for s in sources)
    return options.pixel_pitch_um or next((pitch for pitch in told if pitch is not None), None)


def tolerance_in_px(options: AuditOptions, pitch_um: float | None, shape: tuple[int, ...]) -> float:
    """Return the tolerance in pixels of a frame of ``shape`` (H, W, ...).

    Raises
    ------
    MergeError
        If it cannot be understood, or needs a pixel pitch that is not known.
    """
    needs_pitch = "mm" in options.tolerance or "/" in options.tolerance
    if needs_pitch and pitch_um is None:
        raise MergeError(
            f"tolerance {options.tolerance}: the files do not tell the pixel pitch; give it with "
            "--pixel-pitch (sensor width in µm over picture width in pixels), or a tolerance in px"
        )
    diagonal = None if pitch_um is None else math.hypot(*shape[:2]) * pitch_um / 1000
    try:
        return parse_tolerance_px(
            options.tolerance, pixel_pitch_um=pitch_um or 1.0, diagonal_mm=diagonal
        )
    except ValueError as exc:
        raise MergeError(str(exc)) from exc

"""What an aligned bracket misses: the judgement that an audit and a merge share."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from merge.axis import fit_focus_axis
from merge.diagnose import (
    Coverage,
    FocusPlace,
    SliceLimits,
    describe_slices,
    diagnose_stack,
    find_diffraction,
    find_distance_conflicts,
    locate_frames,
    measure_coverage,
)
from merge.errors import MergeError, RegistrationError
from merge.focus import CellEnergies, place_tiles
from merge.model import Finding, FocusAxis, FrameSource, Registration, TileEnergies
from merge.optics import GREEN_UM, parse_tolerance_px
from merge.threads import share_out

_RANK = {"problem": 0, "warning": 1, "note": 2}


@dataclass(frozen=True)
class AuditOptions:
    """Settings of an audit; the defaults live here and nowhere else.

    Attributes
    ----------
    tolerance : str
        Blur-circle diameter allowed: "2px", "0.03mm" on the sensor or "d/1500" of its diagonal.
    pixel_pitch_um, magnification : float or None
        In place of what the files tell.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter of the lens.
    """

    tolerance: str = "2px"
    pixel_pitch_um: float | None = None
    magnification: float | None = None
    pupil_ratio: float = 1.0


@dataclass(frozen=True, eq=False)
class Judgement:
    """What is known of a bracket's coverage, and what is wrong with it.

    Attributes
    ----------
    coverage : Coverage or None
        None without a focus axis.
    slices : tuple of SliceLimits
        One for each frame.
    findings : tuple of Finding
        Worst first; frame indices count all frames.
    places : tuple of FocusPlace
        One for each frame on the axis, in its order; empty without one.
    """

    coverage: Coverage | None
    slices: tuple[SliceLimits, ...]
    findings: tuple[Finding, ...]
    places: tuple[FocusPlace, ...] = ()


def aligned_frames(registration: Registration) -> tuple[int, ...]:
    """Return the indices of the frames that could be aligned."""
    return tuple(i for i, f in enumerate(registration.frames) if f.transform is not None)


def measure_axis(
    cells: Mapping[int, CellEnergies],
    registration: Registration,
    *,
    spread_px: float | None = None,
) -> tuple[FocusAxis | None, str]:
    """Return the focus axis of the aligned frames, or None and why there is none.

    Parameters
    ----------
    cells : mapping of int to CellEnergies
        By frame, at least of every aligned one.
    registration : Registration
    spread_px : float, optional
        From `diffraction_spread_px`; without it steps read too small where diffraction matters.
    """
    aligned = aligned_frames(registration)

    def place(frame: int) -> TileEnergies:
        return place_tiles(cells[frame], registration.frames[frame].transform)

    tiles = share_out(place, aligned)
    try:
        return fit_focus_axis(tiles, wave_px=spread_px), ""
    except RegistrationError as exc:
        return None, str(exc)


def diffraction_spread_px(sources: Sequence[FrameSource], options: AuditOptions) -> float | None:
    """Return wavelength times effective f-number over the pixel pitch; None if not known.

    The median over frames; green light. Without a magnification the marked f-number counts.
    """
    pitch = known_pitch_um(sources, options)
    number = _effective_f_number(_slices(sources, None, options))
    return None if pitch is None or number is None else GREEN_UM * number / pitch


def _slices(
    sources: Sequence[FrameSource], axis: FocusAxis | None, options: AuditOptions
) -> tuple[SliceLimits, ...]:
    return describe_slices(
        axis,
        [s.settings for s in sources],
        pixel_pitch_um=options.pixel_pitch_um,
        magnification=options.magnification,
        pupil_ratio=options.pupil_ratio,
    )


def _effective_f_number(slices: Sequence[SliceLimits]) -> float | None:
    numbers = [s.effective_f_number for s in slices if s.effective_f_number is not None]
    return statistics.median(numbers) if numbers else None


def judge_stack(
    sources: Sequence[FrameSource],
    registration: Registration,
    axis: FocusAxis | None,
    options: AuditOptions,
    *,
    tolerance_px: float,
) -> Judgement:
    """Return what a bracket covers and everything that is wrong with it.

    Parameters
    ----------
    sources : sequence of FrameSource
        One for each frame of the registration.
    registration : Registration
    axis : FocusAxis or None
        Of the aligned frames.
    options : AuditOptions
        Its tolerance is taken from `tolerance_px`.
    tolerance_px : float
        From `tolerance_in_px`.
    """
    settings = [s.settings for s in sources]
    names = [s.name for s in sources]
    findings = diagnose_stack(
        axis, registration, names=names, settings=settings, tolerance_px=tolerance_px
    )
    aligned = aligned_frames(registration)
    slices = _slices(sources, axis if len(aligned) == len(sources) else None, options)
    findings += tuple(find_diffraction(slices, names, axis, tolerance_px))
    places: tuple[FocusPlace, ...] = ()
    if axis is not None:
        own = [settings[i] for i in aligned]
        places = locate_frames(
            axis,
            own,
            aligned,
            pixel_pitch_um=known_pitch_um(sources, options),
            effective_f_number=_effective_f_number(slices),
            magnification=options.magnification,
        )
        findings += tuple(find_distance_conflicts(places, own, names))
    return Judgement(
        coverage=None if axis is None else measure_coverage(axis, tolerance_px),
        slices=slices,
        findings=worst_first(findings),
        places=places,
    )


def worst_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings in order of severity, those of one severity as they came."""
    return tuple(sorted(findings, key=lambda f: _RANK[f.severity]))


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

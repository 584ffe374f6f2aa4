"""What a photographer should know of a plan before shooting."""

from __future__ import annotations

from merge.model import Finding
from merge.optics import f_number_series
from merge.plan.types import COUNT_SLACK, ApertureOption, PlanRequest


def plan_findings(
    request: PlanRequest,
    chosen: ApertureOption,
    *,
    one_frame: ApertureOption,
    alone: float,
    assumed: tuple[float, str] | None,
    fine_steps: tuple[float, float] | None,
) -> tuple[Finding, ...]:
    """Return what a photographer should know before shooting.

    Parameters
    ----------
    request : PlanRequest
    chosen, one_frame : ApertureOption
        The plan's, and the best that one frame can do.
    alone : float
        f-number at which one frame would hold the tolerance.
    assumed : (float, str) or None
        Where the lens is taken to be the sharpest and how far that is stopped down, in words;
        None if it was given.
    fine_steps : (float, float) or None
        Least step between focus distances and the nearer one, in mm, where a scale cannot show it.
    """
    found = [
        _tolerance_finding(request, chosen),
        _diffraction_finding(request, chosen),
        _one_frame_finding(request, chosen, one_frame, alone),
        _light_finding(chosen, alone),
        _exposure_finding(request),
        _scale_finding(*fine_steps) if fine_steps is not None else None,
        _lens_finding(request, *assumed) if assumed is not None else None,
    ]
    return tuple(finding for finding in found if finding is not None)


def _tolerance_finding(request: PlanRequest, chosen: ApertureOption) -> Finding | None:
    if chosen.blur_px <= request.tolerance_px * (1 + 1e-6):
        return None
    return Finding(
        kind="tolerance not held",
        severity="problem",
        message=f"{frames_text(chosen.frames)} at f/{chosen.f_number:g} "
        f"{'leaves' if chosen.frames == 1 else 'leave'} {chosen.blur_px:.2f} px of blur, "
        f"more than {request.tolerance_px:g} px.",
        advice=f"Holding it takes {frames_text(chosen.frames_for_tolerance)} at this f-number.",
        value=chosen.blur_px,
        threshold=request.tolerance_px,
        unit="px",
    )


def _light_finding(chosen: ApertureOption, alone: float) -> Finding | None:
    if chosen.frames == 1 or chosen.light >= 1 - COUNT_SLACK:
        return None
    return Finding(
        kind="less light than one frame",
        severity="warning",
        message=f"In the same exposure time {frames_text(chosen.frames)} at "
        f"f/{chosen.f_number:g} gather less light than one frame as deep as they.",
        advice=f"Take one frame at {_take(_marked_above(alone))}, or open up.",
        value=chosen.light,
        threshold=1.0,
    )


def _exposure_finding(request: PlanRequest) -> Finding | None:
    if request.time_s is None or request.exposure_s is not None:
        return None
    return Finding(
        kind="exposure not known",
        severity="warning",
        message=f"The time holds pauses of {request.pause_s:g} s only, no exposures.",
        advice="Give a metered exposure with --exposure and --exposure-at.",
    )


def _scale_finding(least_mm: float, at_mm: float) -> Finding:
    return Finding(
        kind="steps finer than a focus scale",
        severity="note",
        message=f"Neighbouring frames lie as little as {least_mm:.2g} mm apart at "
        f"{at_mm / 1000:.2g} m, finer than a focus scale shows.",
        advice="Let the camera step its focus, or move the camera on a rail "
        "(--magnification with --depth).",
        value=least_mm,
        unit="mm",
    )


def _lens_finding(request: PlanRequest, sharpest: float, stopped_down: str) -> Finding:
    return Finding(
        kind="lens assumed",
        severity="note",
        message=f"The lens is taken as f/{request.widest:g} wide open and sharpest from "
        f"f/{sharpest:g}, {stopped_down}.",
        advice="Say better with --widest or --sharpest.",
    )


def _diffraction_finding(request: PlanRequest, chosen: ApertureOption) -> Finding | None:
    if chosen.diffraction_blur_px <= request.tolerance_px:
        return None
    most = chosen.f_number * request.tolerance_px / chosen.diffraction_blur_px
    close = chosen.effective_f_number > 1.05 * chosen.f_number
    effective = f" (f/{chosen.effective_f_number:.3g} effective)" if close else ""
    return Finding(
        kind="diffraction exceeds tolerance",
        severity="warning",
        message=f"At f/{chosen.f_number:g}{effective} diffraction alone is as soft as "
        f"{chosen.diffraction_blur_px:.2f} px of blur, more than {request.tolerance_px:g} px.",
        advice=f"It stays within the tolerance up to f/{_marked_below(most):g}.",
        value=chosen.diffraction_blur_px,
        threshold=request.tolerance_px,
        unit="px",
    )


def _one_frame_finding(
    request: PlanRequest, chosen: ApertureOption, single: ApertureOption, alone: float
) -> Finding:
    """Return the hint whether one frame is enough."""
    if chosen.frames_for_tolerance == 1:
        return Finding(
            kind="one frame is enough",
            severity="note",
            message=f"One frame at f/{chosen.f_number:g} holds {request.tolerance_px:g} px "
            f"over the whole depth (so would any f-number from {_take(_marked_above(alone))}).",
        )
    enough = _marked_above(alone)
    if enough is not None and enough <= request.smallest:
        return Finding(
            kind="one frame could do",
            severity="note",
            message=f"One frame at f/{enough:g} would hold {request.tolerance_px:g} px too, "
            "at the price of diffraction.",
        )
    return Finding(
        kind="one frame is not enough",
        severity="note",
        message=f"One frame cannot hold {request.tolerance_px:g} px (that takes "
        f"{_take(enough)}); at best, f/{single.f_number:g}, it leaves {single.blur_px:.1f} px.",
    )


_MARKED = [marked for marked, _ in f_number_series("third", widest=0.5, smallest=90)]


def _marked_above(f_number: float) -> float | None:
    """Return the widest marked third stop that closes at least as far; None beyond f/90."""
    return next((m for m in _MARKED if m >= f_number * (1 - 1e-9)), None)


def _marked_below(f_number: float) -> float:
    """Return the narrowest marked third stop that closes no farther."""
    return max((m for m in _MARKED if m <= f_number * (1 + 1e-9)), default=_MARKED[0])


def _take(marked: float | None) -> str:
    return f"a smaller aperture than f/{_MARKED[-1]:g}" if marked is None else f"f/{marked:g}"


def frames_text(frames: int) -> str:
    """Return how many frames."""
    return "1 frame" if frames == 1 else f"{frames} frames"

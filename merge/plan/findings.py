"""What a photographer should know of a plan before shooting."""

from __future__ import annotations

from merge.model import Finding
from merge.plan.types import COUNT_SLACK, ApertureOption, PlanRequest


def plan_findings(
    request: PlanRequest,
    chosen: ApertureOption,
    *,
    one_frame: ApertureOption,
    alone: float,
    assumed: tuple[float, str] | None,
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
    """
    found = []
    if chosen.blur_px > request.tolerance_px * (1 + 1e-6):
        found.append(
            Finding(
                kind="tolerance not held",
                severity="problem",
                message=f"{_count(chosen.frames)} at f/{chosen.f_number:g} "
                f"{'leaves' if chosen.frames == 1 else 'leave'} {chosen.blur_px:.2f} px of blur, "
                f"more than {request.tolerance_px:g} px.",
                advice=f"Holding it takes {_count(chosen.frames_for_tolerance)} at this f-number.",
                value=chosen.blur_px,
                threshold=request.tolerance_px,
                unit="px",
            )
        )
    if chosen.diffraction_blur_px > request.tolerance_px:
        found.append(_diffraction_finding(request, chosen))
    found.append(_one_frame_finding(request, chosen, one_frame, alone))
    if chosen.frames > 1 and chosen.light < 1 - COUNT_SLACK:
        found.append(
            Finding(
                kind="less light than one frame",
                severity="warning",
                message=f"In the same exposure time {_count(chosen.frames)} at "
                f"f/{chosen.f_number:g} gather less light than one frame as deep as they.",
                advice=f"Take one frame at {_rounded(alone)}, or open up.",
                value=chosen.light,
                threshold=1.0,
            )
        )
    if request.time_s is not None and request.exposure_s is None:
        found.append(
            Finding(
                kind="exposure not known",
                severity="warning",
                message=f"The time holds pauses of {request.pause_s:g} s only, no exposures.",
                advice="Give a metered exposure with --exposure and --exposure-at.",
            )
        )
    if assumed is not None:
        found.append(
            Finding(
                kind="lens assumed",
                severity="note",
                message=f"The lens is taken as f/{request.widest:g} wide open and sharpest from "
                f"f/{assumed[0]:g}, {assumed[1]} down.",
                advice="Say better with --widest or --sharpest.",
            )
        )
    return tuple(found)


def _diffraction_finding(request: PlanRequest, chosen: ApertureOption) -> Finding:
    marked = chosen.f_number * request.tolerance_px / chosen.diffraction_blur_px
    close = chosen.effective_f_number > 1.05 * chosen.f_number
    effective = f" (f/{chosen.effective_f_number:.3g} effective)" if close else ""
    return Finding(
        kind="diffraction exceeds tolerance",
        severity="warning",
        message=f"At f/{chosen.f_number:g}{effective} diffraction alone is as soft as "
        f"{chosen.diffraction_blur_px:.2f} px of blur, more than {request.tolerance_px:g} px.",
        advice=f"It stays within the tolerance up to {_rounded(marked)}.",
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
            f"over the whole depth (so would any f-number from {_rounded(alone)}).",
        )
    if alone <= request.smallest:
        return Finding(
            kind="one frame could do",
            severity="note",
            message=f"One frame at {_rounded(alone)} would hold {request.tolerance_px:g} px too, "
            "at the price of diffraction.",
        )
    return Finding(
        kind="one frame is not enough",
        severity="note",
        message=f"One frame cannot hold {request.tolerance_px:g} px (it would take "
        f"{_rounded(alone)}); at best, f/{single.f_number:g}, it leaves {single.blur_px:.1f} px.",
    )


def _rounded(f_number: float) -> str:
    """Return an f-number that need not be a marked one, as finely as a lens is set."""
    return f"f/{f_number:.1f}" if f_number < 10 else f"f/{f_number:.0f}"


def _count(frames: int) -> str:
    return "1 frame" if frames == 1 else f"{frames} frames"

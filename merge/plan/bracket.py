"""From a scene and a camera to f-number, number of frames and focus positions."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from merge.errors import MergeError
from merge.optics import (
    defocus_waves,
    diffraction_blur_um,
    effective_f_number,
    f_number_series,
    system_transfer,
    worst_blur_um,
)
from merge.plan.checks import check_request
from merge.plan.depth import RailDepth, SubjectDepth, subject_depth
from merge.plan.findings import plan_findings
from merge.plan.types import (
    COUNT_SLACK,
    REFERENCE_CYCLES_PER_PX,
    ApertureOption,
    FramePosition,
    Plan,
    PlanRequest,
)

# Contrasts closer than this cannot be told apart in a picture; then fewer frames win.
_CONTRAST_TIE = 0.005
# Above this much defocus no contrast is left at the reference frequency worth a number.
_HOPELESS_WAVES = 50.0
_MOST_FRAMES = 10000
_HALF_LIFE_SIZE, _TWICE_LIFE_SIZE = 0.5, 2.0
# Relative step that a focus scale still shows (common practice, no source).
_READABLE_STEP = 0.02
CLOSE_UP = 0.1
"""Magnification from which a shoot counts as close-up (common practice, no source)."""


def plan_bracket(request: PlanRequest) -> Plan:
    """Return f-number, frames and focus positions for a scene.

    Every f-number is judged by the contrast that is left at `REFERENCE_CYCLES_PER_PX` at the
    worst place of the depth: diffraction and defocus by the exact transfer, times the pixel.
    Candidates are the third stops from the lens's sharpest to its smallest aperture, unless
    the f-number is given. Each takes as many frames as hold the tolerance; or the given number;
    or as many as fit the time. A bracket that would gather less light in its exposure time
    than one frame stopped down to hold the tolerance alone is not chosen [1]_.

    Parameters
    ----------
    request : PlanRequest

    Returns
    -------
    Plan

    Raises
    ------
    MergeError
        If something is missing or impossible; the message says which option gives it.

    References
    ----------
    .. [1] S. W. Hasinoff and K. N. Kutulakos, "Light-Efficient Photography", ECCV 2008; IEEE
       Trans. Pattern Anal. Mach. Intell. 33(11), 2203-2214 (2011), for the idea (from memory).
    """
    check_request(request)
    depth = subject_depth(request)
    chosen = _choose(request, depth)
    marked = {*_third_stops(request, request.widest), chosen.f_number}
    options = [_option(request, depth, f_number) for f_number in sorted(marked)]
    compared = tuple(_compare(o, chosen) for o in options if o is not None)
    one_frame = _compare(_best_single_frame(request, depth), chosen)
    positions = depth.lay_out(chosen.f_number, chosen.frames, request.tolerance_um)
    alone = _one_frame_f_number(request, depth)
    on_rail = isinstance(depth, RailDepth)
    step = depth.step_mm(chosen.frames) if isinstance(depth, RailDepth) else None
    return Plan(
        request=request,
        mode="rail" if on_rail else "focus distances",
        chosen=chosen,
        positions=positions,
        step_mm=step if chosen.frames > 1 else None,
        overlap=depth.overlap(chosen.f_number, chosen.frames, request.tolerance_um),
        one_frame_f_number=alone,
        one_frame=one_frame,
        options=compared,
        findings=plan_findings(
            request,
            chosen,
            one_frame=one_frame,
            alone=alone,
            assumed=_assumed_lens(request, depth.magnification),
            fine_steps=None if on_rail else _fine_steps(positions),
        ),
        caution=caution_for(depth.magnification),
    )


def caution_for(magnification: float | None) -> str:
    """Return one line on safety for a shoot of this magnification."""
    if magnification is not None and magnification >= CLOSE_UP:
        return (
            "Caution: do not chill, glue or handle live insects for a picture, mind stings and "
            "hot lights; local rules come first."
        )
    return (
        "Caution: never look at the sun through an optical finder, watch edges, tide and weather; "
        "local rules come first."
    )


def _frames_for_tolerance(request: PlanRequest, depth: SubjectDepth, f_number: float) -> int:
    """Return the number of frames that hold the tolerance with the least overlap asked for."""
    needed = depth.exact_frames(f_number, request.tolerance_um)
    if needed <= 1 + COUNT_SLACK:
        return 1
    count = math.ceil(needed / (1 - request.overlap) - COUNT_SLACK)
    if count > _MOST_FRAMES:
        raise MergeError(
            f"f/{f_number:g} would need {count} frames to hold {request.tolerance_px:g} px of "
            "blur: allow more (--tolerance), stop down (--f-number) or plan less depth"
        )
    # A rail's step that can be set may need one frame more than the even division.
    circle = request.tolerance_um
    while (
        depth.blur_um(f_number, count) > circle * (1 + COUNT_SLACK)
        or depth.overlap(f_number, count, circle) < request.overlap - COUNT_SLACK
    ):
        count += 1
    return count


def _exposure_s(request: PlanRequest, f_number: float) -> float | None:
    """Return the exposure of one frame at an f-number, equal light on the sensor."""
    if request.exposure_s is None or request.exposure_f_number is None:
        return None
    return request.exposure_s * (f_number / request.exposure_f_number) ** 2


def _frames_in_time(request: PlanRequest, f_number: float) -> int:
    """Return how many frames fit the time available; no pause after the last."""
    assert request.time_s is not None
    each = (_exposure_s(request, f_number) or 0.0) + request.pause_s
    if each == 0:
        return _MOST_FRAMES
    return math.floor((request.time_s + request.pause_s) / each + COUNT_SLACK)


def _option(request: PlanRequest, depth: SubjectDepth, f_number: float) -> ApertureOption | None:
    """Return what an f-number gives; None if not one frame fits the time available."""
    needed = _frames_for_tolerance(request, depth, f_number)
    frames = request.frames or needed
    if request.time_s is not None:
        frames = min(needed, _frames_in_time(request, f_number))
    if frames < 1:
        return None
    working = effective_f_number(f_number, depth.magnification, depth.pupil_ratio)
    blur = depth.blur_um(f_number, frames)
    pixel = request.pixel_pitch_um, request.wavelength_um
    exposure = _exposure_s(request, f_number)
    whole = None if exposure is None else frames * exposure + (frames - 1) * request.pause_s
    return ApertureOption(
        f_number=f_number,
        effective_f_number=working,
        frames=frames,
        frames_for_tolerance=needed,
        blur_px=blur / request.pixel_pitch_um,
        diffraction_blur_px=diffraction_blur_um(request.wavelength_um, working)
        / request.pixel_pitch_um,
        focus_contrast=_contrast(*pixel, working, 0.0),
        worst_contrast=_contrast(*pixel, working, blur),
        single_worst_contrast=_contrast(*pixel, working, depth.blur_um(f_number, 1)),
        lost=0.0,
        light=(_one_frame_f_number(request, depth) / f_number) ** 2 / frames,
        exposure_s=exposure,
        shooting_s=whole,
    )


# A plan asks for the same apertures again: for one frame alone, for those left by the time.
@lru_cache(maxsize=1024)
def _contrast(
    pixel_pitch_um: float, wavelength_um: float, working_f_number: float, largest_blur_um: float
) -> float:
    """Return the lowest contrast at the reference frequency for any blur up to the largest."""
    waves = defocus_waves(largest_blur_um, wavelength_um, working_f_number)
    if waves > _HOPELESS_WAVES:
        return 0.0
    # The transfer swings around 0 beyond its first zero: what has been lost there stays lost.
    transfer = system_transfer(
        1000 * REFERENCE_CYCLES_PER_PX / pixel_pitch_um,
        f_number=working_f_number,
        wavelength_um=wavelength_um,
        pixel_pitch_um=pixel_pitch_um,
        blur_diameter_um=np.linspace(0.0, largest_blur_um, 33),
    )
    return max(0.0, float(np.min(transfer)))


def _one_frame_f_number(request: PlanRequest, depth: SubjectDepth) -> float:
    """Return the f-number at which one frame holds the tolerance; blur goes with 1/N."""
    return depth.blur_um(1.0, 1) / request.tolerance_um


def _choose(request: PlanRequest, depth: SubjectDepth) -> ApertureOption:
    """Return the option with the best contrast at the worst place."""
    if request.f_number is not None:
        given = _option(request, depth, request.f_number)
        if given is None:
            raise MergeError(_no_time_message(request))
        return given
    sharpest = sharpest_f_number(request, depth.magnification)
    third_stops = _third_stops(request, sharpest)
    candidates = [_option(request, depth, marked) for marked in third_stops]
    fitting = [option for option in candidates if option is not None]
    if not fitting:
        raise MergeError(_no_time_message(request))
    if request.frames is None:
        efficient = [o for o in fitting if o.frames == 1 or o.light >= 1 - COUNT_SLACK]
        fitting = efficient or fitting
    best = max(option.worst_contrast for option in fitting)
    near_best = [o for o in fitting if o.worst_contrast >= best - _CONTRAST_TIE]
    return min(near_best, key=lambda option: (option.frames, _total_blur(request, option)))


def _third_stops(request: PlanRequest, widest: float) -> list[float]:
    """Return the marked third stops from a widest one to the lens's smallest aperture."""
    stops = f_number_series("third", widest=widest, smallest=request.smallest)
    return [marked for marked, _ in stops] or [widest]


def sharpest_f_number(request: PlanRequest, magnification: float) -> float:
    """Return the f-number from which the lens is taken as perfect.

    Unless given: two stops below wide open; one stop from half life size on, where lenses are
    corrected for it and the bellows factor makes every stop dear; wide open from twice life size
    on, where a stop costs more by diffraction than aberrations do. A lens is usually sharpest
    one or two stops below wide open: common practice, no source.
    """
    if request.sharpest is not None:
        return request.sharpest
    stops = _stops_down(magnification)
    exact = request.widest * 2 ** (stops / 2)
    marked = [m for m, _ in f_number_series("third", widest=0.5, smallest=90)]
    return min(min(marked, key=lambda m: abs(math.log(m / exact))), request.smallest)


def _stops_down(magnification: float) -> int:
    if magnification >= _TWICE_LIFE_SIZE:
        return 0
    return 1 if magnification >= _HALF_LIFE_SIZE else 2


def _fine_steps(positions: tuple[FramePosition, ...]) -> tuple[float, float] | None:
    """Return the least step and its nearer distance if a focus scale cannot show it."""
    pairs = [(a.focus_mm, b.focus_mm) for a, b in itertools.pairwise(positions)]
    if not pairs:
        return None
    near, far = min(pairs, key=lambda pair: pair[1] / pair[0])
    return (far - near, near) if far / near < 1 + _READABLE_STEP else None


def _assumed_lens(request: PlanRequest, magnification: float) -> tuple[float, str] | None:
    """Return where the lens is taken to be the sharpest, unless that was given."""
    if request.f_number is not None or request.sharpest is not None:
        return None
    stops = {0: "wide open", 1: "one stop down", 2: "two stops down"}[_stops_down(magnification)]
    return sharpest_f_number(request, magnification), stops


def _total_blur(request: PlanRequest, option: ApertureOption) -> float:
    """Return defocus and diffraction at the worst place as one size, to rank what is lost."""
    defocus_um = option.blur_px * request.pixel_pitch_um
    spread = 2 * defocus_um * option.effective_f_number
    return worst_blur_um(spread, option.effective_f_number, request.wavelength_um)


def _best_single_frame(request: PlanRequest, depth: SubjectDepth) -> ApertureOption:
    """Return the best that one frame can do, over all third stops of the lens."""
    single = replace(request, frames=1, time_s=None)
    options = [_option(single, depth, marked) for marked in _third_stops(request, request.widest)]
    known = [option for option in options if option is not None]
    best = max(option.worst_contrast for option in known)
    near_best = [o for o in known if o.worst_contrast >= best - _CONTRAST_TIE]
    return min(near_best, key=lambda option: _total_blur(request, option))


def _compare(option: ApertureOption, chosen: ApertureOption) -> ApertureOption:
    """Return the option with what it loses against the chosen one."""
    if chosen.worst_contrast == 0:
        return replace(option, lost=math.nan)
    return replace(option, lost=1 - option.worst_contrast / chosen.worst_contrast)


def _no_time_message(request: PlanRequest) -> str:
    return (
        f"not one frame fits {request.time_s:g} s: allow more time (--time), or a wider aperture "
        "(--sharpest, --f-number)"
    )

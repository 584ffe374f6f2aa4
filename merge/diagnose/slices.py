"""What limits the sharpness of every slice: diffraction, pixel, step, or softness seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from merge.diagnose.wording import WORTH_TELLING
from merge.model import Array, CaptureSettings, Finding, FocusAxis
from merge.optics import (
    GREEN_UM,
    airy_disk_diameter_um,
    cutoff_cy_per_mm,
    defocus_transfer,
    diffraction_mtf,
    disk_transfer,
    effective_f_number,
    magnification_from_sensor_distance,
    pixel_aperture_mtf,
)
from merge.optics.defocus import MOST_DEFOCUS_WAVES

Limit = Literal["diffraction", "pixel", "step", "softness", "unknown"]

# Where contrast is compared, in cycles/px: half of what the pixels can show.
REFERENCE_CY_PER_PX = 0.25
# The aperture that diffraction is compared with.
REFERENCE_F_NUMBER = 5.6


@dataclass(frozen=True)
class SliceLimits:
    """Blur budget of one frame at the reference frequency; None where something is not known.

    Attributes
    ----------
    frame : int
    limit : {"diffraction", "pixel", "step", "softness", "unknown"}
        The term that costs most contrast.
    f_number, effective_f_number : float or None
        Marked, and with the bellows factor.
    known_by : str
        Where the effective f-number comes from, or what is missing.
    airy_diameter_px : float or None
    diffraction_contrast : float or None
    pixel_contrast : float
        Contrast left at 0.25 cycles/px, 0 to 1.
    step_contrast : float or None
        The same for the blur midway to the farther neighbour, over the contrast in focus.
    seen_contrast : float or None
        Contrast of the frame's fine detail over what its neighbours lead to expect.
    lost_to_reference : float or None
        Contrast that diffraction costs more than at f/5.6 at the same place.
    lost : bool or None
        The cut-off lies below what the pixels could show.
    """

    frame: int
    limit: Limit
    f_number: float | None
    effective_f_number: float | None
    known_by: str
    airy_diameter_px: float | None
    diffraction_contrast: float | None
    pixel_contrast: float
    step_contrast: float | None
    seen_contrast: float | None
    lost_to_reference: float | None
    lost: bool | None


def describe_slices(
    axis: FocusAxis | None,
    settings: Sequence[CaptureSettings],
    *,
    frames: Sequence[int] | None = None,
    pixel_pitch_um: float | None = None,
    magnification: float | None = None,
    pupil_ratio: float = 1.0,
) -> tuple[SliceLimits, ...]:
    """Return the blur budget of every frame.

    Parameters
    ----------
    axis : FocusAxis or None
        None if it could not be measured.
    settings : sequence of CaptureSettings
        Of all frames.
    frames : sequence of int, optional
        Which of them are on the axis; all by default.
    pixel_pitch_um : float, optional
        In place of the files'.
    magnification : float, optional
        In place of what focal length and recorded focus distance give.
    pupil_ratio : float, default 1.0
        Exit-pupil over entrance-pupil diameter.

    Notes
    -----
    A term's cost is one minus the contrast that it alone leaves. Diffraction counts with the
    effective f-number, green light of 0.55 µm.
    """
    steps, seen = np.full((2, len(settings)), np.nan)
    if axis is not None:
        slots = range(len(settings)) if frames is None else frames
        steps[list(slots)], seen[list(slots)] = _half_steps(axis), _seen(axis)
    limits = []
    for i, own in enumerate(settings):
        size, known_by = _magnification(own, magnification)
        pitch = pixel_pitch_um or own.pixel_pitch_um
        factor = float(effective_f_number(1.0, size or 0.0, pupil_ratio))
        if own.f_number is None:
            known_by = "f-number not recorded"
        elif pitch is None:
            known_by += "; pixel pitch not known (--pixel-pitch)"
        limits.append(_budget(i, own.f_number, factor, known_by, pitch, steps[i], seen[i]))
    return tuple(limits)


def find_diffraction(
    limits: Sequence[SliceLimits], names: Sequence[str], axis: FocusAxis | None, tolerance_px: float
) -> list[Finding]:
    """Return one finding about diffraction for all frames that it costs something.

    Parameters
    ----------
    limits : sequence of SliceLimits
        From `describe_slices`.
    names : sequence of str
        Of all frames.
    axis : FocusAxis or None
        For the advice: whether a wider aperture leaves gaps.
    tolerance_px : float
        Diameter of the blur circle that counts as sharp, in px.
    """
    least = 1 - math.sqrt(WORTH_TELLING)
    hit = [s for s in limits if (s.lost_to_reference or 0.0) >= least]
    if not hit:
        return []
    worst = max(hit, key=lambda s: s.lost_to_reference or 0.0)
    lost = [s for s in hit if s.lost]
    assert worst.lost_to_reference is not None
    assert worst.effective_f_number is not None
    which = "all frames" if len(hit) == len(names) else f"{len(hit)} of {len(names)} frames"
    end = " Detail near the pixels' own limit cannot be there at all." if lost else ""
    return [
        Finding(
            kind="diffraction",
            severity="warning" if lost or worst.limit == "diffraction" else "note",
            message=(
                f"Diffraction in {which}: at an effective f/{worst.effective_f_number:.2g} the "
                f"Airy disk spans {worst.airy_diameter_px:.1f} px and {REFERENCE_CY_PER_PX:g} "
                f"cycles/px keep {100 * worst.lost_to_reference:.0f} % less contrast than at "
                f"f/{REFERENCE_F_NUMBER:g}.{end}"
            ),
            advice=_wider_aperture(worst, axis, tolerance_px),
            value=worst.lost_to_reference,
            threshold=least,
            unit="contrast",
            frames=tuple(s.frame for s in hit),
        )
    ]


def _wider_aperture(worst: SliceLimits, axis: FocusAxis | None, tolerance_px: float) -> str:
    advice = f"Take f/{REFERENCE_F_NUMBER:g} next time"
    if axis is None or worst.f_number is None:
        return f"{advice}, with more frames."
    # The same depth spans more px of blur in proportion to the wider pupil.
    wider = float(np.ptp(axis.positions_px)) * worst.f_number / REFERENCE_F_NUMBER
    frames = math.ceil(wider / (2 * tolerance_px) - 1e-9) + 1
    return f"{advice}: {frames} frames then cover the same depth."


def _half_steps(axis: FocusAxis) -> Array:
    """Return half the step to the farther neighbour on the axis, in px, by frame."""
    order = np.argsort(axis.positions_px)
    steps = np.diff(axis.positions_px[order])
    halves = np.empty(len(order))
    halves[order] = np.maximum(np.append(0.0, steps), np.append(steps, 0.0)) / 2
    return halves


def _seen(axis: FocusAxis) -> Array:
    """Return the contrast of fine detail over the usual frame's, by frame; NaN if not known."""
    if axis.quality is None or not np.isfinite(axis.quality.detail_ratio).any():
        return np.full(len(axis.positions_px), np.nan)
    return np.asarray(np.sqrt(axis.quality.detail_ratio / np.nanmedian(axis.quality.detail_ratio)))


def _magnification(own: CaptureSettings, given: float | None) -> tuple[float | None, str]:
    """Return the magnification, and how the effective f-number is known."""
    if given is not None:
        return given, "marked f-number and the given magnification"
    if own.focal_length_mm and own.focus_distance_m:
        distance_mm = own.focus_distance_m * 1000
        if distance_mm >= 4 * own.focal_length_mm:
            size = float(magnification_from_sensor_distance(distance_mm, own.focal_length_mm))
            return size, "marked f-number, focal length and recorded focus distance"
        return None, "marked f-number; too close for a thin lens, taken as far: --magnification"
    return None, "marked f-number; magnification not known, taken as far away (--magnification)"


def _budget(
    frame: int,
    marked: float | None,
    factor: float,
    known_by: str,
    pitch_um: float | None,
    half_step_px: float,
    seen: float,
) -> SliceLimits:
    """Weigh the terms of one frame; ``factor`` is the effective over the marked f-number."""
    number = None if marked is None else marked * factor
    pixel = float(pixel_aperture_mtf(REFERENCE_CY_PER_PX * 1000, 1.0))
    diffraction = airy = less = lost = None
    if number is not None and pitch_um is not None:
        frequency = REFERENCE_CY_PER_PX / pitch_um * 1000
        diffraction = float(diffraction_mtf(frequency, GREEN_UM, number))
        reference = float(diffraction_mtf(frequency, GREEN_UM, REFERENCE_F_NUMBER * factor))
        airy = float(airy_disk_diameter_um(GREEN_UM, number)) / pitch_um
        less = max(reference - diffraction, 0.0)
        lost = bool(cutoff_cy_per_mm(GREEN_UM, number) < 500 / pitch_um)
    step = _step_contrast(half_step_px, number, pitch_um)
    own = None if math.isnan(seen) else float(seen)
    costs = {"diffraction": diffraction, "pixel": pixel, "step": step, "softness": own}
    known = {name: value for name, value in costs.items() if value is not None}
    limit = min(known, key=lambda name: known[name]) if diffraction is not None else "unknown"
    return SliceLimits(
        frame=frame,
        limit=limit,  # type: ignore[arg-type]
        f_number=marked,
        effective_f_number=number,
        known_by=known_by,
        airy_diameter_px=airy,
        diffraction_contrast=diffraction,
        pixel_contrast=pixel,
        step_contrast=step,
        seen_contrast=own,
        lost_to_reference=less,
        lost=lost,
    )


def _step_contrast(
    half_step_px: float, number: float | None, pitch_um: float | None
) -> float | None:
    """Return the contrast that half a step of defocus leaves, over that in focus."""
    if not math.isfinite(half_step_px):
        return None
    if number is None or pitch_um is None:
        return float(np.abs(disk_transfer(REFERENCE_CY_PER_PX * 1000, half_step_px)))
    frequency, blur_um = REFERENCE_CY_PER_PX / pitch_um * 1000, half_step_px * pitch_um
    sharp = float(diffraction_mtf(frequency, GREEN_UM, number))
    if sharp <= 0 or blur_um > 8 * MOST_DEFOCUS_WAVES * GREEN_UM * number:
        return float(np.abs(disk_transfer(frequency, blur_um)))
    return abs(float(defocus_transfer(frequency, GREEN_UM, number, blur_um))) / sharp

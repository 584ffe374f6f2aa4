"""All findings of a bracket, worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from merge.diagnose.coverage import (
    add_unsharp_parts,
    find_gaps,
    find_needless_frames,
    find_steps_at_limit,
    find_uncovered_ends,
    find_wide_steps,
)
from merge.diagnose.distances import blur_at_infinity_px
from merge.diagnose.frames import (
    find_bumps,
    find_changed_settings,
    find_exposure_jumps,
    find_soft_frames,
    find_unaligned,
    find_unsure_places,
)
from merge.diagnose.sequence import find_dropped, find_duplicates, find_wrong_order
from merge.model import CaptureSettings, Finding, FocusAxis, Registration, worst_first


def diagnose_stack(
    axis: FocusAxis | None,
    registration: Registration,
    *,
    names: Sequence[str],
    settings: Sequence[CaptureSettings],
    tolerance_px: float,
    shot_order: Sequence[int] | None = None,
    pixel_pitch_um: float | None = None,
    subject_mm_per_px: float | None = None,
) -> tuple[Finding, ...]:
    """Return what a photographer should know about a bracket, worst first.

    Parameters
    ----------
    axis : FocusAxis or None
        Of the frames that could be aligned, in their order, positions rising; None if it could
        not be measured.
    registration : Registration
        Of all N frames.
    names : sequence of str, N
        What to call the frames in messages.
    settings : sequence of CaptureSettings, N
    tolerance_px : float
        Blur-circle diameter that is allowed anywhere, > 0.
    shot_order : sequence of int, N, optional
        For each frame its index in shooting order; default as they stand.
    pixel_pitch_um : float, optional
        In place of the files'; with focal length, f-number and recorded distance it bounds what
        lies beyond the far end.
    subject_mm_per_px : float, optional
        Close up: how far a rail goes for one px of blur.

    Returns
    -------
    tuple of Finding
        Frame indices count all N frames.

    Raises
    ------
    ValueError
        If the numbers of frames do not match or the tolerance is not above 0.
    """
    count = len(registration.frames)
    aligned = [i for i, f in enumerate(registration.frames) if f.transform is not None]
    if not (len(names) == len(settings) == count) or tolerance_px <= 0:
        raise ValueError(f"{count} frames, {len(names)} names, tolerance {tolerance_px} px")
    if axis is not None and len(axis.positions_px) != len(aligned):
        raise ValueError(f"{len(aligned)} aligned frames, {len(axis.positions_px)} on the axis")
    findings = [*find_unaligned(registration, names), *find_bumps(registration, names)]
    findings += find_changed_settings(settings, names)
    gains = np.array([registration.frames[i].gain for i in aligned])
    if axis is not None:
        findings += find_unsure_places(registration, names, axis.tile_size_px)
        shot = [shot_order[i] if shot_order else i for i in aligned]
        findings += [
            _renumber(f, aligned) for f in find_wrong_order(axis, [names[i] for i in aligned], shot)
        ]
        own = [settings[i] for i in aligned]
        known = pixel_pitch_um, subject_mm_per_px
        inner = _axis_findings(axis, [names[i] for i in aligned], own, tolerance_px, *known)
        # Of a frame left out it is known what is missing there.
        renumbered = (_renumber(f, aligned) for f in inner)
        findings += [f for f in renumbered if f.kind != "dropped slice" or np.ptp(f.frames) == 1]
        if axis.quality is not None:
            gains = axis.quality.gains
    inner = find_exposure_jumps(gains, [settings[i] for i in aligned], [names[i] for i in aligned])
    findings += [_renumber(f, aligned) for f in inner]
    return worst_first(findings)


def _axis_findings(
    axis: FocusAxis,
    names: Sequence[str],
    settings: Sequence[CaptureSettings],
    tolerance_px: float,
    pixel_pitch_um: float | None,
    subject_mm_per_px: float | None,
) -> list[Finding]:
    distances = [s.focus_distance_m for s in settings]
    numbers = {s.f_number for s in settings}
    f_number = numbers.pop() if len(numbers) == 1 else None
    findings = find_wide_steps(axis, tolerance_px, names, f_number)
    lengths = {s.focal_length_mm for s in settings}
    told = distances, subject_mm_per_px, lengths.pop() if len(lengths) == 1 else None
    findings += find_gaps(axis, tolerance_px, names, *told)
    findings += find_steps_at_limit(axis, tolerance_px, names)
    infinity = _infinity_px(settings, pixel_pitch_um)
    findings += find_uncovered_ends(axis, tolerance_px, names, infinity, *told)
    findings += find_dropped(axis, tolerance_px, names)
    findings += find_duplicates(axis, names)
    findings += find_needless_frames(axis, tolerance_px)
    if axis.quality is not None:
        soft = find_soft_frames(axis.quality, names)
        spoilt = [f for f in soft if f.severity != "note"]
        findings += add_unsharp_parts(axis, tolerance_px, names, spoilt)
        findings += [f for f in soft if f.severity == "note"]
    return findings


def _infinity_px(
    settings: Sequence[CaptureSettings], pixel_pitch_um: float | None
) -> dict[int, float]:
    """Return the blur of infinity in the frames that are recorded as focused farthest."""
    distances = [s.focus_distance_m or 0.0 for s in settings]
    farthest = max(distances)
    if farthest == min(distances):  # not known, or one for all: no end is the far one
        return {}
    blurs = {
        i: blur_at_infinity_px(s, pixel_pitch_um)
        for i, s in enumerate(settings)
        if s.focus_distance_m == farthest
    }
    return {i: blur for i, blur in blurs.items() if blur is not None}


def _renumber(finding: Finding, aligned: Sequence[int]) -> Finding:
    return replace(finding, frames=tuple(int(aligned[i]) for i in finding.frames))

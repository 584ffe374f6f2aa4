"""Focus planes in millimetres and metres, and whether the recorded distances agree with them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from merge.diagnose.wording import list_names, two_digits
from merge.model import Array, CaptureSettings, Finding, FocusAxis
from merge.optics import (
    distance_from_sensor_mm,
    effective_f_number,
    magnification_from_sensor_distance,
)
from merge.significance import EVEN

# Recorded distances are coarse: the depth they span must differ by this factor from the measured
# one before it is worth a line. Common practice, no source.
_SPAN_RATIO = 1.4


@dataclass(frozen=True)
class FocusPlace:
    """Where one frame is focused; None where something is not known.

    Attributes
    ----------
    frame : int
        Counted among all frames.
    position_px : float
        On the focus axis.
    sensor_mm : float or None
        The same behind the lens, from the first frame on the axis: ``D pitch N_eff``.
    subject_mm : float or None
        The same at the subject, ``sensor_mm / m²``, close up, where m changes by less than a fifth
        along the bracket.
    recorded_m : float or None
        Focus distance that the file tells.
    measured_m : float or None
        Distance from the sensor by the thin lens, from the measured steps; the recorded ones
        together only tell where the whole bracket lies.
    """

    frame: int
    position_px: float
    sensor_mm: float | None
    subject_mm: float | None
    recorded_m: float | None
    measured_m: float | None


def locate_frames(
    axis: FocusAxis,
    settings: Sequence[CaptureSettings],
    frames: Sequence[int],
    *,
    pixel_pitch_um: float | None,
    effective_f_number: float | None,
    magnification: float | None = None,
) -> tuple[FocusPlace, ...]:
    """Return where the aligned frames are focused, in every unit that is known.

    Parameters
    ----------
    axis : FocusAxis
    settings : sequence of CaptureSettings
        Of the same frames.
    frames : sequence of int
        Their indices among all frames.
    pixel_pitch_um, effective_f_number : float or None
    magnification : float, optional
        Given by the user; else the recorded distances tell it where the thin lens holds.
    """
    positions = axis.positions_px
    sensor: list[float | None] = [None] * len(positions)
    if pixel_pitch_um and effective_f_number:
        shifts = positions * pixel_pitch_um * effective_f_number / 1000
        sensor = [float(v) for v in shifts]
    sizes = _recorded_magnifications(settings)
    known = [m for m in sizes if m is not None]
    size = magnification or (float(np.median(known)) if known else None)
    measured = _measured_m(positions, sensor, sizes, settings)
    # The image lies f m behind the focal point.
    focal, span = settings[0].focal_length_mm, float(np.ptp([s or 0.0 for s in sensor]))
    close_up = size and (not focal or span < EVEN * focal * size)
    return tuple(
        FocusPlace(
            frame=frame,
            position_px=float(positions[k]),
            sensor_mm=own,
            subject_mm=own / size**2 if close_up and size and own is not None else None,
            recorded_m=settings[k].focus_distance_m,
            measured_m=measured[k],
        )
        for k, (frame, own) in enumerate(zip(frames, sensor, strict=True))
    )


def blur_at_infinity_px(own: CaptureSettings, pixel_pitch_um: float | None) -> float | None:
    """Return the blur that infinity has in a frame, px; None where the settings do not tell.

    By the thin lens its image lies ``f m`` before the sensor, with m the magnification at the focus
    distance (Newton's equation); the circle of blur is that over the effective f-number.
    """
    focal, number = own.focal_length_mm, own.f_number
    pitch = pixel_pitch_um or own.pixel_pitch_um
    (size,) = _recorded_magnifications([own])
    if size is None or not focal or not number or not pitch:
        return None
    return 1000 * focal * size / (float(effective_f_number(number, size)) * pitch)


def find_distance_conflicts(
    places: Sequence[FocusPlace], settings: Sequence[CaptureSettings], names: Sequence[str]
) -> list[Finding]:
    """Return findings where recorded focus distances contradict the measured focus planes.

    Parameters
    ----------
    places : sequence of FocusPlace
        From `locate_frames`.
    settings : sequence of CaptureSettings
        Of the same frames.
    names : sequence of str
        Of all frames.
    """
    told = [(p, s) for p, s in zip(places, settings, strict=True) if p.recorded_m]
    if len(told) < 2:
        return []
    told.sort(key=lambda pair: pair[0].position_px)
    in_order = [p for p, _ in told]
    # Even at the sensor where even in 1/distance.
    nearness = np.array([1 / p.recorded_m for p in in_order if p.recorded_m])
    whole = float(np.ptp(nearness))
    if whole == 0:
        return []
    rising = 1.0 if nearness[-1] >= nearness[0] else -1.0
    steps = rising * np.diff(nearness)
    back = np.flatnonzero(steps < -np.median(np.abs(steps)) / 2)  # less is their rounding
    findings = []
    if len(back):
        pairs = [(in_order[k].frame, in_order[k + 1].frame) for k in back.tolist()]
        shown = list_names([f"{names[a]} before {names[b]}" for a, b in pairs])
        findings.append(
            Finding(
                kind="focus distances",
                severity="note",
                message=(
                    f"The recorded focus distances put {shown}, the pictures the other way round."
                ),
                advice="The pictures decide here; do not trust the recorded distances.",
                value=float(len(pairs)),
                threshold=0.0,
                unit="pairs",
                frames=tuple(sorted({i for pair in pairs for i in pair})),
            )
        )
    return findings + _span_conflict(told)


def _span_conflict(told: Sequence[tuple[FocusPlace, CaptureSettings]]) -> list[Finding]:
    """Compare the depth at the sensor that the distances span with the measured one."""
    first, last = told[0], told[-1]
    sizes = _recorded_magnifications([first[1], last[1]])
    focal = first[1].focal_length_mm
    if None in sizes or focal is None or first[0].sensor_mm is None or last[0].sensor_mm is None:
        return []
    recorded = abs(float(sizes[1] or 0) - float(sizes[0] or 0)) * focal
    measured = abs(last[0].sensor_mm - first[0].sensor_mm)
    if recorded <= 0 or measured <= 0:
        return []
    ratio = measured / recorded
    if 1 / _SPAN_RATIO < ratio < _SPAN_RATIO:
        return []
    return [
        Finding(
            kind="focus distances",
            severity="note",
            message=(
                f"By the recorded focus distances the planes span {two_digits(recorded)} mm at "
                f"the sensor, by the pictures {two_digits(measured)} mm."
            ),
            advice=(
                "Check f-number and pixel pitch (--pixel-pitch); else the recorded distances are "
                "coarse, and the measured ones hold."
            ),
            value=ratio,
            threshold=_SPAN_RATIO if ratio > 1 else 1 / _SPAN_RATIO,
            unit="ratio",
            frames=tuple(sorted((first[0].frame, last[0].frame))),
        )
    ]


def _recorded_magnifications(settings: Sequence[CaptureSettings]) -> list[float | None]:
    """Return what a thin lens makes of each recorded distance; None closer than life size."""
    sizes: list[float | None] = []
    for own in settings:
        focal, distance = own.focal_length_mm, own.focus_distance_m
        if not focal or not distance or 1000 * distance < 4 * focal:
            sizes.append(None)
        else:
            sizes.append(float(magnification_from_sensor_distance(1000 * distance, focal)))
    return sizes


def _measured_m(
    positions: Array,
    sensor: Sequence[float | None],
    sizes: Sequence[float | None],
    settings: Sequence[CaptureSettings],
) -> list[float | None]:
    """Return distances by the thin lens: the image lies f m behind the focal point."""
    nothing: list[float | None] = [None] * len(positions)
    known = [k for k, m in enumerate(sizes) if m is not None]
    focal = settings[known[0]].focal_length_mm if known else None
    if focal is None or sensor[0] is None:
        return nothing
    behind = np.array([focal * (m or 0.0) for m in sizes])[known]
    moved = np.array([s or 0.0 for s in sensor])
    side = 1.0
    if len(known) > 1:
        side = 1.0 if np.polyfit(moved[known], behind, 1)[0] >= 0 else -1.0
    offset = float(np.median(behind - side * moved[known]))
    found: list[float | None] = []
    for shift in moved:
        size = (offset + side * shift) / focal
        found.append(float(distance_from_sensor_mm(size, focal)) / 1000 if size > 0 else math.inf)
    # One distance does not tell which way the focus went.
    return found if len(known) > 1 else nothing

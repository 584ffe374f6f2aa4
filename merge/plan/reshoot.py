"""Where to add frames to a bracket that has gaps."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

from merge.errors import MergeError
from merge.optics import (
    distance_from_sensor_mm,
    effective_f_number,
    magnification_from_sensor_distance,
)
from merge.plan.bracket import caution_for
from merge.plan.types import Reshoot, ReshootFrame


def plan_reshoot(
    audit: Mapping[str, Any],
    *,
    tolerance_px: float | None = None,
    pixel_pitch_um: float | None = None,
    magnification: float | None = None,
    f_number: float | None = None,
    focal_length_mm: float | None = None,
) -> Reshoot:
    """Return the frames that close the gaps of a bracket that was audited.

    Parameters
    ----------
    audit : mapping
        The audit's JSON. Read are, everything but the positions optional:

        - ``focus_axis.positions_px`` (or ``positions_px``): list of float, one a frame, in px
          of blur-circle diameter;
        - ``tolerance_px``: float;
        - ``findings``: list; those of kind "gap" with ``frames`` = [first, second] (0-based)
          are the gaps. Without them every step that leaves more than the tolerance midway is;
        - ``frames``: list of objects with ``name`` and ``focus_distance_m``;
        - ``pixel_pitch_um``, ``magnification``, ``f_number`` (marked), ``effective_f_number``,
          ``focal_length_mm``: floats, at the top or under ``settings``.
    tolerance_px, pixel_pitch_um, magnification, f_number, focal_length_mm : float, optional
        What to take instead of the audit's values.

    Returns
    -------
    Reshoot
        Frames in order of the bracket; none if it has no gap.

    Raises
    ------
    MergeError
        If the positions are missing or no list of numbers, or the tolerance is not known.

    Notes
    -----
    A gap of G px (from one plane to the next) takes ceil(G / (2 tolerance)) - 1 frames, evenly
    spaced. ``Δz' = D pitch N_eff`` at the sensor, ``Δz = Δz' / m²`` at the subject. Focus
    distances come from those of the two frames, evenly spaced at the sensor.
    """
    positions = _positions(audit)
    tolerance = tolerance_px or _number(audit, "tolerance_px")
    if tolerance is None:
        raise MergeError("the audit does not tell its tolerance: give it with --tolerance")
    pitch = pixel_pitch_um or _number(audit, "pixel_pitch_um")
    size = magnification or _number(audit, "magnification")
    working = _effective(audit, f_number, size)
    focal = focal_length_mm or _number(audit, "focal_length_mm")
    distances = _focus_distances(audit, len(positions))
    frames = []
    for first, second in _gaps(audit, positions, tolerance):
        width = positions[second] - positions[first]
        count = max(math.ceil(abs(width) / (2 * tolerance) - 1e-9) - 1, 1)
        for index in range(1, count + 1):
            share = index / (count + 1)
            shift = pitch * working * abs(width) * share if pitch and working else None
            frames.append(
                ReshootFrame(
                    between=(first, second),
                    position_px=positions[first] + share * width,
                    share=share,
                    sensor_shift_um=shift,
                    subject_shift_mm=shift / size**2 / 1000 if shift and size else None,
                    focus_m=_focus_between(distances[first], distances[second], share, focal),
                )
            )
    return Reshoot(
        frames=tuple(frames),
        names=_names(audit, len(positions)),
        tolerance_px=tolerance,
        missing=_missing(pitch, working, size),
        caution=caution_for(size),
    )


def _number(audit: Mapping[str, Any], key: str) -> float | None:
    """Return a positive number at the top or under ``settings``; None if there is none."""
    settings = audit.get("settings")
    for place in (audit, settings if isinstance(settings, Mapping) else {}):
        value = place.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool) and value > 0:
            return float(value)
    return None


def _positions(audit: Mapping[str, Any]) -> list[float]:
    axis = audit.get("focus_axis")
    found = axis.get("positions_px") if isinstance(axis, Mapping) else audit.get("positions_px")
    if not isinstance(found, Sequence) or isinstance(found, str) or len(found) < 2:
        raise MergeError(
            "the audit holds no focus axis (focus_axis.positions_px with two frames or more): "
            "write it with 'depthweld audit FRAMES --json'"
        )
    if not all(isinstance(p, int | float) and math.isfinite(p) for p in found):
        raise MergeError("the audit's focus_axis.positions_px holds something that is no number")
    return [float(p) for p in found]


def _gaps(
    audit: Mapping[str, Any], positions: list[float], tolerance_px: float
) -> list[tuple[int, int]]:
    """Return pairs of frame indices between which something is blurred too much."""
    listed = set()
    for finding in audit.get("findings") or ():
        frames = finding.get("frames") if isinstance(finding, Mapping) else None
        if not frames or finding.get("kind") != "gap":
            continue
        if len(frames) != 2 or not all(
            isinstance(f, int) and 0 <= f < len(positions) for f in frames
        ):
            raise MergeError(
                f"the audit lists a gap between frames {frames}, but its focus axis has "
                f"{len(positions)} frames: expected two indices below that"
            )
        listed.add((min(frames), max(frames)))
    if listed:
        return sorted(listed)
    order = sorted(range(len(positions)), key=lambda i: positions[i])
    pairs = [
        (a, b)
        for a, b in itertools.pairwise(order)
        if positions[b] - positions[a] > 2 * tolerance_px
    ]
    return sorted((min(pair), max(pair)) for pair in pairs)


def _effective(
    audit: Mapping[str, Any], f_number: float | None, magnification: float | None
) -> float | None:
    """Return the effective f-number, from the marked one if need be."""
    known = _number(audit, "effective_f_number")
    if f_number is None and known is not None:
        return known
    marked = f_number or _number(audit, "f_number")
    return None if marked is None else float(effective_f_number(marked, magnification or 0.0))


def _frame_list(audit: Mapping[str, Any], count: int) -> list[Mapping[str, Any]]:
    frames = audit.get("frames")
    if not isinstance(frames, list) or len(frames) != count:
        return [{}] * count
    return [frame if isinstance(frame, Mapping) else {} for frame in frames]


def _names(audit: Mapping[str, Any], count: int) -> tuple[str, ...]:
    frames = _frame_list(audit, count)
    return tuple(str(frame.get("name") or f"frame {i + 1}") for i, frame in enumerate(frames))


def _focus_distances(audit: Mapping[str, Any], count: int) -> list[float | None]:
    return [_number(frame, "focus_distance_m") for frame in _frame_list(audit, count)]


def _focus_between(
    first_m: float | None, second_m: float | None, share: float, focal_length_mm: float | None
) -> float | None:
    """Return the distance a share of the way between two, measured at the sensor.

    With a focal length by the thin lens; else evenly in 1/distance, which is the same far away.
    Equal distances mean that the file's record is too coarse to tell.
    """
    if first_m is None or second_m is None or first_m == second_m:
        return None
    if focal_length_mm is None or min(first_m, second_m) * 1000 < 4 * focal_length_mm:
        return 1 / ((1 - share) / first_m + share / second_m)
    sizes = [
        magnification_from_sensor_distance(m * 1000, focal_length_mm) for m in (first_m, second_m)
    ]
    # The image of a plane lies f·m behind the focal point.
    between = (1 - share) * sizes[0] + share * sizes[1]
    return float(distance_from_sensor_mm(between, focal_length_mm)) / 1000


def _missing(
    pitch: float | None, working: float | None, magnification: float | None
) -> tuple[str, ...]:
    wanted = {
        "the pixel pitch (--pixel-pitch)": pitch,
        "the f-number (--f-number)": working,
        "the magnification (--magnification)": magnification,
    }
    return tuple(name for name, value in wanted.items() if value is None)

"""Where to add frames to a bracket that has gaps or stops short."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from merge.errors import MergeError
from merge.optics import (
    effective_f_number,
    focus_between_m,
    frames_to_cover,
)
from merge.plan.bracket import caution_for
from merge.plan.types import Reshoot, ReshootFrame

# More would fill no bracket but the memory.
_MOST_FRAMES = 10000


def plan_reshoot(
    audit: Mapping[str, Any],
    *,
    tolerance_px: float | None = None,
    pixel_pitch_um: float | None = None,
    magnification: float | None = None,
    f_number: float | None = None,
    focal_length_mm: float | None = None,
) -> Reshoot:
    """Return the frames that complete a bracket that was audited.

    Parameters
    ----------
    audit : mapping
        The audit's JSON. Read are, everything but the positions optional:

        - ``focus_axis.positions_px`` (or ``positions_px``): list of float in px of blur-circle
          diameter, one for each frame that ``focus_axis.frames`` lists (0-based); without that
          list one for each frame, null for one that was left out;
        - ``tolerance_px``: float;
        - ``findings``: list; those of kind "gap" or "dropped slice" with ``frames`` =
          [first, second] (0-based) are the gaps. Without the list, or with another tolerance,
          every step that leaves more than the tolerance midway is one. Those of kind "end not
          covered" with ``frames`` = [first or last on the axis] and ``value`` = px that the
          subject reaches beyond that frame get frames beyond it. Severity "note" is passed over;
        - ``frames``: list of objects with ``name`` and ``focus_distance_m``;
        - ``pixel_pitch_um``, ``magnification``, ``f_number`` (marked), ``effective_f_number``,
          ``focal_length_mm``: floats, at the top or under ``settings``.
    tolerance_px, pixel_pitch_um, magnification, f_number, focal_length_mm : float, optional
        What to take instead of the audit's values.

    Returns
    -------
    Reshoot
        Gaps first, in order of the bracket, then ends; no frames if it is whole.

    Raises
    ------
    MergeError
        If the positions are missing, no list of numbers or not one for each frame listed, or
        the tolerance is not known.

    Notes
    -----
    A gap of G px (from one plane to the next) takes ceil(G / (2 tolerance)) - 1 frames, evenly
    spaced; an end short by E px takes ceil((E - tolerance) / (2 tolerance)).
    ``Δz' = D pitch N_eff`` at the sensor, ``Δz = Δz' / m²`` at the subject. Focus distances
    come from those of two frames, evenly spaced at the sensor.
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
    wanted = itertools.chain(
        _between(positions, _gaps(audit, positions, tolerance), tolerance),
        _beyond(audit, positions, tolerance),
    )
    places = list(itertools.islice(wanted, _MOST_FRAMES + 1))
    if len(places) > _MOST_FRAMES:
        raise MergeError(
            f"to hold {tolerance:g} px of blur takes more than {_MOST_FRAMES} frames: allow more "
            "(--tolerance)"
        )
    frames = []
    for pair, place in places:
        distance = abs(place - positions[pair[0]])
        shift = distance * pitch * working if pitch and working else None
        inside = pair[0] != pair[1]
        frames.append(
            ReshootFrame(
                between=pair,
                position_px=place,
                share=distance / abs(positions[pair[1]] - positions[pair[0]]) if inside else None,
                distance_px=distance,
                sensor_shift_um=shift,
                subject_shift_mm=shift / size**2 / 1000 if shift and size else None,
                focus_m=_focus_at(place, pair, positions, distances, focal),
            )
        )
    return Reshoot(
        frames=tuple(frames),
        names=_names(audit, len(positions)),
        tolerance_px=tolerance,
        missing=_missing(pitch, working, size) if any(f.focus_m is None for f in frames) else (),
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
    if not all(p is None or isinstance(p, int | float) for p in found):
        raise MergeError("the audit's focus_axis.positions_px holds something that is no number")
    positions = _of_all_frames(audit, [math.nan if p is None else float(p) for p in found])
    if sum(math.isfinite(p) for p in positions) < 2:
        raise MergeError("the audit's focus axis has fewer than two frames with a known position")
    return positions


def _of_all_frames(audit: Mapping[str, Any], found: list[float]) -> list[float]:
    """Put positions of the frames that the axis lists in their places among all frames."""
    axis = audit.get("focus_axis")
    listed = axis.get("frames") if isinstance(axis, Mapping) else None
    if listed is None:
        return found
    frames = audit.get("frames")
    count = len(frames) if isinstance(frames, list) else None
    whole = isinstance(listed, list) and all(type(i) is int and i >= 0 for i in listed)
    if not whole or len(set(listed)) != len(found) or len(listed) != len(found):
        raise MergeError(
            "the audit's focus_axis.frames does not name one frame for each of its "
            f"{len(found)} positions_px: write it anew with 'depthweld audit FRAMES --json'"
        )
    if count is not None and max(listed) >= count:
        raise MergeError(
            f"the audit's focus_axis.frames names frame {max(listed)} (counted from 0), but it "
            f"lists {count} frames: write it anew with 'depthweld audit FRAMES --json'"
        )
    positions = [math.nan] * (count if count is not None else max(listed) + 1)
    for frame, position in zip(listed, found, strict=True):
        positions[frame] = position
    return positions


def _gaps(
    audit: Mapping[str, Any], positions: list[float], tolerance_px: float
) -> list[tuple[int, int]]:
    """Return pairs of frame indices between which something is blurred too much."""
    if not isinstance(audit.get("findings"), list) or _number(audit, "tolerance_px") not in {
        None,
        tolerance_px,
    }:
        known = [i for i, position in enumerate(positions) if math.isfinite(position)]
        order = sorted(known, key=lambda i: positions[i])
        wide = [
            (min(pair), max(pair))
            for pair in itertools.pairwise(order)
            if positions[pair[1]] - positions[pair[0]] > 2 * tolerance_px
        ]
        return sorted(wide)
    listed = set()
    for finding in (*_findings(audit, "gap"), *_findings(audit, "dropped slice")):
        frames = finding.get("frames") or ()
        if len(frames) != 2 or not all(
            isinstance(f, int) and 0 <= f < len(positions) and math.isfinite(positions[f])
            for f in frames
        ):
            raise MergeError(
                f"the audit lists a gap between frames {list(frames)}, but its focus axis has "
                f"{len(positions)} frames: expected two indices below that, with known positions"
            )
        listed.add((min(frames), max(frames)))
    return sorted(listed)


def _findings(audit: Mapping[str, Any], kind: str) -> Iterator[Mapping[str, Any]]:
    """Yield the audit's findings of a kind, without those that no detail suffers from."""
    for finding in audit.get("findings") or ():
        if not isinstance(finding, Mapping) or finding.get("kind") != kind:
            continue
        if finding.get("severity") != "note":
            yield finding


def _between(
    positions: list[float], gaps: list[tuple[int, int]], tolerance_px: float
) -> Iterator[tuple[tuple[int, int], float]]:
    """Yield the pair and the position of every frame that closes a gap."""
    for first, second in gaps:
        width = positions[second] - positions[first]
        if width == 0:
            raise MergeError(
                f"the audit lists a gap between frames {first} and {second}, which its focus axis "
                "has at one position: write it anew with 'depthweld audit FRAMES --json'"
            )
        count = max(frames_to_cover(abs(width), tolerance_px) - 1, 1)
        for index in range(1, count + 1):
            yield (first, second), positions[first] + index / (count + 1) * width


def _beyond(
    audit: Mapping[str, Any], positions: list[float], tolerance_px: float
) -> Iterator[tuple[tuple[int, int], float]]:
    """Yield the frame and the position of every frame that lengthens the bracket at an end."""
    known = [i for i, position in enumerate(positions) if math.isfinite(position)]
    order = sorted(known, key=lambda i: positions[i])
    for finding in _findings(audit, "end not covered"):
        frames, missing = finding.get("frames"), finding.get("value")
        if not frames or not isinstance(missing, int | float):
            continue
        end = frames[0]
        if end not in (order[0], order[-1]):
            raise MergeError(
                f"the audit lists frame {end} as an end, but the ends of its focus axis are "
                f"frames {order[0]} and {order[-1]}"
            )
        outward = -1.0 if end == order[0] else 1.0
        reach = missing - tolerance_px
        count = frames_to_cover(reach, tolerance_px)
        for index in range(1, count + 1):
            yield (end, end), positions[end] + outward * reach * index / count


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


def _neighbour(positions: list[float], end: int) -> int:
    """Return the frame that lies nearest to an end on the axis."""
    others = [i for i, p in enumerate(positions) if i != end and math.isfinite(p)]
    return min(others, key=lambda i: abs(positions[i] - positions[end]))


def _focus_at(
    place_px: float,
    pair: tuple[int, int],
    positions: list[float],
    distances_m: list[float | None],
    focal_length_mm: float | None,
) -> float | None:
    """Return the focus distance of a place on the axis, from those of two frames.

    The frames are the pair, or an end and its neighbour. Equal distances mean that the file's
    record is too coarse to tell.
    """
    first, second = pair
    if first == second:
        second = _neighbour(positions, first)
    near_m, far_m = distances_m[first], distances_m[second]
    together = positions[first] == positions[second]
    if near_m is None or far_m is None or near_m == far_m or together:
        return None
    share = (place_px - positions[first]) / (positions[second] - positions[first])
    return focus_between_m(share, near_m, far_m, focal_length_mm)


def _missing(
    pitch: float | None, working: float | None, magnification: float | None
) -> tuple[str, ...]:
    wanted = {
        "the pixel pitch (--pixel-pitch)": pitch,
        "the f-number (--f-number)": working,
        "the magnification (--magnification)": magnification,
    }
    return tuple(name for name, value in wanted.items() if value is None)
